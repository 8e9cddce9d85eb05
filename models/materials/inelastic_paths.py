"""Inelastic mean free paths of electrons in solids, from published formulas.

`tpp2m_nm` and `seah_s1_nm` know the material, `seah_s2_nm` its mean atomic number, and the formulas
of Seah and Dench little more than the energy. They are predictions: the first agrees with paths
from optical data of 41 elements within 12 % root mean square (8.9 % without diamond, graphite and
Cs); the second and third agree with it as well. Take 10 % as the standard uncertainty of each. The
formulas of Seah and Dench are fits to measured paths, which scatter about them by a factor of about
1.4 (from memory).
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from craterfront.models.materials.elements import (
    atomic_density_per_nm3,
    atomic_number,
    mean_mass_u,
    normalised,
)
from craterfront.models.validity import check_positive, checked_energy_eV

Array = NDArray[np.float64]

U_REL = 0.1
"""Relative standard uncertainty of `tpp2m_nm`, `seah_s1_nm` and `seah_s2_nm`."""

TPP2M_RANGE_EV = (50.0, 2000.0)
SEAH_RANGE_EV = (100.0, 30e3)
SEAH_DENCH_RANGE_EV = (1.0, 10e3)

_NOBLE_GASES = (0, 2, 10, 18, 36, 54, 86)
_RARE_EARTH_ELECTRONS = 9  # three outer ones and six 5p


def valence_electrons(symbol: str) -> int:
    """Number of valence electrons of an atom, as `tpp2m_nm` counts them.

    All electrons outside closed shells: the number of the group up to group 12 (filled d shells of
    Cu, Zn and their like included), ten fewer from group 13 on, where d is core; 9 for the rare
    earths from La to Lu. This is the choice of Tanuma, Powell and Penn (from memory).

    Raises
    ------
    ValueError
        For the actinides and heavier elements, of which no choice is known here.

    Examples
    --------
    >>> [valence_electrons(symbol) for symbol in ("Al", "Fe", "Cu", "Ga", "W", "Au", "O")]
    [3, 8, 11, 3, 6, 11, 6]
    """
    number = atomic_number(symbol)
    core = max(gas for gas in _NOBLE_GASES if gas < number)
    outer = number - core
    if core == _NOBLE_GASES[-1] and outer > 2:
        raise ValueError(f"no number of valence electrons is known for {symbol}")
    if core == 54 and outer > 2:
        if outer <= 17:
            return _RARE_EARTH_ELECTRONS
        outer -= 14
    return outer if outer <= 12 else outer - 10


def mean_atomic_number(atomic_fractions: Mapping[str, float]) -> float:
    """Mean atomic number of a composition; errors as `elements.normalised`."""
    fractions = normalised(atomic_fractions)
    return math.fsum(x * atomic_number(symbol) for symbol, x in fractions.items())


def tpp2m_nm(
    atomic_fractions: Mapping[str, float],
    density_g_cm3: float,
    energy_eV: ArrayLike,
    band_gap_eV: float = 0.0,
) -> Array:
    """Inelastic mean free path by the formula TPP-2M.

    Parameters
    ----------
    atomic_fractions : mapping of str to float
        Amount by element symbol; need not sum to 1.
    density_g_cm3 : float
        Mass density [g/cm3], > 0.
    energy_eV : array_like
        Electron energy above the Fermi level [eV], 50 to 2000; outside a warning.
    band_gap_eV : float
        Band gap of a non-conductor [eV], >= 0.

    Returns
    -------
    ndarray
        Mean free path [nm], with the shape of `energy_eV`.

    Raises
    ------
    ValueError
        For arguments out of range, or an element whose valence electrons are not known.

    References
    ----------
    S. Tanuma, C. J. Powell, D. R. Penn, Surf. Interface Anal. 21 (1994) 165 (the formula looked up
    in several texts that quote it and agree).
    """
    energy = checked_energy_eV(energy_eV, TPP2M_RANGE_EV, "TPP-2M")
    check_positive("density_g_cm3", density_g_cm3)
    _check_gap(band_gap_eV)
    fractions = normalised(atomic_fractions)
    electrons = math.fsum(x * valence_electrons(symbol) for symbol, x in fractions.items())
    u = electrons * density_g_cm3 / mean_mass_u(fractions)
    plasmon_eV2 = 28.8**2 * u
    beta = -0.10 + 0.944 / math.sqrt(plasmon_eV2 + band_gap_eV**2) + 0.069 * density_g_cm3**0.1
    gamma = 0.191 / math.sqrt(density_g_cm3)
    loss = beta * np.log(gamma * energy) - (1.97 - 0.91 * u) / energy
    loss += (53.4 - 20.8 * u) / energy**2
    return 0.1 * energy / (plasmon_eV2 * loss)


def seah_s1_nm(
    atomic_fractions: Mapping[str, float],
    density_g_cm3: float,
    energy_eV: ArrayLike,
    band_gap_eV: float = 0.0,
) -> Array:
    """Inelastic mean free path by the equation S1 of Seah.

    Parameters
    ----------
    atomic_fractions, density_g_cm3, band_gap_eV
        As for `tpp2m_nm`; the gap is below 50 eV.
    energy_eV : array_like
        Electron energy [eV], 100 to 30,000; outside a warning.

    Returns
    -------
    ndarray
        (4 + 0.44 Z^0.5 + 0.104 E^0.872) a^1.7 / (Z^0.3 (1 - 0.02 E_g)) [nm], a the cube root of the
        volume per atom, with the shape of `energy_eV`.

    Raises
    ------
    ValueError
        For arguments out of range.

    References
    ----------
    M. P. Seah, Surf. Interface Anal. 44 (2012) 497 (the formula looked up in texts that quote it;
    range from memory).
    """
    energy = checked_energy_eV(energy_eV, SEAH_RANGE_EV, "Seah 2012")
    check_positive("density_g_cm3", density_g_cm3)
    _check_gap(band_gap_eV)
    z = mean_atomic_number(atomic_fractions)
    spacing_nm = atomic_density_per_nm3(atomic_fractions, density_g_cm3) ** (-1 / 3)
    path_nm = (4.0 + 0.44 * math.sqrt(z) + 0.104 * energy**0.872) * spacing_nm**1.7
    return path_nm / (z**0.3 * (1.0 - 0.02 * band_gap_eV))


def seah_s2_nm(atomic_fractions: Mapping[str, float], energy_eV: ArrayLike) -> Array:
    """Inelastic mean free path by the equation S2 of Seah, from the mean atomic number alone.

    Parameters
    ----------
    atomic_fractions
        As for `tpp2m_nm`.
    energy_eV : array_like
        Electron energy [eV], 100 to 30,000; outside a warning.

    Returns
    -------
    ndarray
        (0.73 + 0.0095 E^0.872) / Z^0.3 [nm], with the shape of `energy_eV`.

    Raises
    ------
    ValueError
        If the energy is not positive.

    References
    ----------
    As for `seah_s1_nm`.
    """
    energy = checked_energy_eV(energy_eV, SEAH_RANGE_EV, "Seah 2012")
    return (0.73 + 0.0095 * energy**0.872) / mean_atomic_number(atomic_fractions) ** 0.3


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
    energy = checked_energy_eV(energy_eV, SEAH_DENCH_RANGE_EV, "Seah and Dench")
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
    energy = checked_energy_eV(energy_eV, SEAH_DENCH_RANGE_EV, "Seah and Dench")
    return 143.0 / energy**2 + 0.054 * np.sqrt(energy)


def _check_gap(band_gap_eV: float) -> None:
    if not 0 <= band_gap_eV < 50:
        raise ValueError(f"band_gap_eV: must be >= 0 and < 50, got {band_gap_eV:g}")
