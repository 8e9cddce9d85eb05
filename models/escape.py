"""How deep the electrons come from that a surface analysis counts.

The formulas of Seah and Dench are fits to measured inelastic mean free paths of many solids, which
scatter about them by a factor of about 1.4 (from memory); they are meant for 1 eV to 10 keV.
"""

import warnings

import numpy as np
from numpy.typing import ArrayLike, NDArray

from craterfront.models.validity import ValidityWarning

Array = NDArray[np.float64]

_ENERGY_RANGE_EV = (1.0, 10e3)


def seah_dench_element_nm(energy_eV: ArrayLike, monolayer_nm: ArrayLike) -> Array:
    """Inelastic mean free path of electrons in an element.

    Parameters
    ----------
    energy_eV : array_like
        Electron energy above the Fermi level [eV], 1 to 10,000; outside a warning.
    monolayer_nm : array_like
        Thickness of a monolayer a, the cube root of the volume per atom [nm].

    Returns
    -------
    ndarray
        Mean free path a * (538/E^2 + 0.41 sqrt(a E)) [nm], with the shape of the arguments.

    Raises
    ------
    ValueError
        If an argument is not positive.

    References
    ----------
    M. P. Seah, W. A. Dench, Surf. Interface Anal. 1 (1979) 2.
    """
    energy = _checked_energy(energy_eV)
    monolayer = np.asarray(monolayer_nm, float)
    if not np.all(monolayer > 0):
        raise ValueError(f"monolayer_nm: must be > 0, got {monolayer_nm}")
    return monolayer * (538.0 / energy**2 + 0.41 * np.sqrt(monolayer * energy))


def seah_dench_nm(energy_eV: ArrayLike) -> Array:
    """Inelastic mean free path of electrons in an element of unnamed atomic size.

    Parameters
    ----------
    energy_eV : array_like
        Electron energy above the Fermi level [eV], 1 to 10,000; outside a warning.

    Returns
    -------
    ndarray
        Mean free path 143/E^2 + 0.054 sqrt(E) [nm], with the shape of the argument.

    Raises
    ------
    ValueError
        If the energy is not positive.

    References
    ----------
    M. P. Seah, W. A. Dench, Surf. Interface Anal. 1 (1979) 2.
    """
    energy = _checked_energy(energy_eV)
    return 143.0 / energy**2 + 0.054 * np.sqrt(energy)


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


def _checked_energy(energy_eV: ArrayLike) -> Array:
    energy = np.asarray(energy_eV, float)
    if not np.all(energy > 0):
        raise ValueError(f"energy_eV: must be > 0, got {energy_eV}")
    low, high = _ENERGY_RANGE_EV
    if np.any((energy < low) | (energy > high)):
        warnings.warn(
            f"energy_eV: {energy_eV} is outside {low:g} to {high:g} eV, where the Seah and Dench "
            "formulas were fitted",
            ValidityWarning,
            stacklevel=3,
        )
    return energy
