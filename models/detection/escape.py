"""How deep the electrons come from that a surface analysis counts: the exponential law.

What weakens a signal on its way through a solid is an effective attenuation length L. It is
shorter than the inelastic mean free path (`inelastic_paths`), as elastic scattering bends the
paths.
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from craterfront.models.materials.elements import DISSOLVED, split_dissolved
from craterfront.models.materials.inelastic_paths import SEAH_RANGE_EV, mean_atomic_number
from craterfront.models.validity import checked_energy_eV

Array = NDArray[np.float64]

U_REL = 0.1
"""Relative standard uncertainty of `attenuation_length_nm` in elements and alloys (an estimate:
that of inelastic mean free paths)."""

U_REL_COMPOUND = 0.2
"""The same in compounds: the formula knows neither density nor band gap. In SiO2 it gives 2.7 nm at
1383 eV, where 3.45 nm were measured (M. P. Seah and S. J. Spencer, 2002, from memory)."""

_NON_METALS = DISSOLVED | {"F", "Cl", "Br", "I", "Se", "Te"}


def attenuation_length_nm(atomic_fractions: Mapping[str, float], energy_eV: ArrayLike) -> Array:
    """Effective attenuation length of electrons in a material, from its mean atomic number.

    Parameters
    ----------
    atomic_fractions : mapping of str to float
        Amount by element symbol; need not sum to 1.
    energy_eV : array_like
        Kinetic energy of the electrons [eV], 100 to 30,000; outside a warning.

    Returns
    -------
    ndarray
        Length (0.65 + 0.007 E^0.93) / Z^0.38 [nm], with the shape of `energy_eV`. Its relative
        standard uncertainty is `attenuation_u_rel`.

    Raises
    ------
    ValueError
        If the energy is not positive.

    References
    ----------
    M. P. Seah, Surf. Interface Anal. 44 (2012) 1353, equation S4 (the formula looked up in a text
    that quotes it; page and range from memory).
    """
    energy = checked_energy_eV(energy_eV, SEAH_RANGE_EV, "Seah 2012")
    return (0.65 + 0.007 * energy**0.93) / mean_atomic_number(atomic_fractions) ** 0.38


def attenuation_u_rel(atomic_fractions: Mapping[str, float]) -> float:
    """Relative standard uncertainty of `attenuation_length_nm`: that of metals or of compounds."""
    host, _ = split_dissolved(atomic_fractions)
    return U_REL_COMPOUND if len(host) > 1 and not _NON_METALS.isdisjoint(host) else U_REL


def escape_depth_nm(
    atomic_fractions: Mapping[str, float], energy_eV: float, emission_angle_deg: float = 0.0
) -> float:
    """Depth along the surface normal from which 1/e of a signal arrives, L cos(angle) [nm].

    Parameters
    ----------
    atomic_fractions, energy_eV
        As for `attenuation_length_nm`.
    emission_angle_deg : float
        Angle of emission from the surface normal [degrees], 0 to below 90; see `attenuation`.
    """
    if not 0 <= emission_angle_deg < 90:
        raise ValueError(f"emission_angle_deg: must be 0 to below 90, got {emission_angle_deg}")
    cosine = math.cos(math.radians(emission_angle_deg))
    return float(attenuation_length_nm(atomic_fractions, energy_eV)) * cosine


def attenuation(overlayer_nm: ArrayLike, length_nm: ArrayLike, angle_deg: ArrayLike = 0.0) -> Array:
    """Share of a signal that passes an overlayer: exp(-d / (L cos(angle))).

    Parameters
    ----------
    overlayer_nm : array_like
        Thickness d of the overlayer [nm], >= 0.
    length_nm : array_like
        Effective attenuation length L [nm], > 0. It is shorter than the inelastic mean free path
        because of elastic scattering.
    angle_deg : array_like
        Emission angle from the surface normal [degrees], 0 to below 90. Above about 60 degrees
        elastic scattering makes the straight-line law unreliable (common practice, no source).

    Returns
    -------
    ndarray
        Between 0 and 1, with the broadcast shape of the arguments.

    Raises
    ------
    ValueError
        If an argument is out of range.

    References
    ----------
    ISO 18115-1 (vocabulary: attenuation length); the law is that of exponential absorption.
    """
    overlayer, length = np.asarray(overlayer_nm, float), np.asarray(length_nm, float)
    angle = np.asarray(angle_deg, float)
    if not np.all(overlayer >= 0):
        raise ValueError(f"overlayer_nm: must be >= 0, got {overlayer_nm}")
    if not np.all(length > 0):
        raise ValueError(f"length_nm: must be > 0, got {length_nm}")
    if not np.all((angle >= 0) & (angle < 90)):
        raise ValueError(f"angle_deg: must be 0 to below 90, got {angle_deg}")
    return np.exp(-overlayer / (length * np.cos(np.deg2rad(angle))))
