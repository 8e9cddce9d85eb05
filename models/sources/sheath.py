"""The cathode sheath of a glow discharge: with what energies ions and fast atoms arrive.

An ion of the gas that passes a gas atom closely takes its electron. It flies on as a fast atom, and
the gas atom, now an ion, starts again at rest. So the sheath turns each ion that enters it into a
slow ion and a number of fast atoms, which share the energy of the sheath and all sputter.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import constants
from scipy.special import exp1

from craterfront.models.materials.elements import atomic_mass_u
from craterfront.models.validity import check_positive

# --- energies -------------------------------------------------------------------------------------

SCATTERING_RATIO = 0.16
SCATTERING_RATIO_U = 0.07
"""Cross-section for scattering a fast argon atom out of its way over that for charge exchange, and
its standard uncertainty. Derived: momentum transfer by classical scattering of atoms of 60 eV in
the universal potential (J. F. Ziegler, J. P. Biersack, U. Littmark, The Stopping and Range of Ions
in Solids, 1985), 5.7 A^2, over `charge_exchange_cross_section_nm2`; it is 0.24 at 20 eV and 0.10
at 200 eV."""

_POINTS = 64


@dataclass(frozen=True, eq=False)
class Impacts:
    """What strikes the cathode, for each ion that arrives there.

    Attributes
    ----------
    energy_eV
        Energies [eV], shape (n,).
    per_ion
        Particles of these energies per ion, shape (n,).
    """

    energy_eV: NDArray[np.float64]
    per_ion: NDArray[np.float64]


def ion_energy_density(energy_share: NDArray[np.float64], free_paths: float) -> NDArray[np.float64]:
    """Spectrum of the ions that exchanged their charge at least once, at the cathode.

    Parameters
    ----------
    energy_share
        Energy over the energy of the whole sheath, E/(e U), above 0 and below 1.
    free_paths
        Length of the sheath over the mean free path for charge exchange, a = L/l, > 0.

    Returns
    -------
    array
        Ions per ion and unit of `energy_share`. Together with the `uncollided_share` at
        ``energy_share = 1`` it integrates to 1.

    Notes
    -----
    Derived (the form is that of W. D. Davis and T. A. Vanderslice, Phys. Rev. 131 (1963) 219, from
    memory). The field rises linearly from 0 at the edge of the sheath, s = 0, to the cathode,
    s = 1, so the potential passed is U s^2. An ion that last exchanged its charge at s arrives with
    e = E/(e U) = 1 - s^2. On the way a (1 - s) free paths pass, so s has the density
    a exp(-a (1 - s)) and the weight exp(-a) of no exchange at all, from s = 0. With de = 2 s ds:
    f(e) = a/(2 sqrt(1 - e)) exp(-a (1 - sqrt(1 - e))).
    """
    s = np.sqrt(1 - _inner(energy_share))
    return free_paths / (2 * s) * np.exp(-free_paths * (1 - s))


def uncollided_share(free_paths: float) -> float:
    """Share of the ions that cross the sheath without charge exchange and have its full energy."""
    return math.exp(-free_paths)


def mean_ion_energy_share(free_paths: float) -> float:
    """Mean energy of the ions at the cathode over the energy of the sheath.

    Derived from `ion_energy_density`: 2/a - 2/a^2 (1 - exp(-a)).
    """
    check_positive("free_paths", free_paths)
    a = free_paths
    if a < 1e-3:  # the terms of the formula cancel
        return 1 - a / 3
    return 2 / a + 2 * math.expm1(-a) / a**2


def fast_atom_density(energy_share: NDArray[np.float64], free_paths: float) -> NDArray[np.float64]:
    """Spectrum of the fast atoms that charge exchange makes, as they are made.

    Parameters
    ----------
    energy_share, free_paths
        As in `ion_energy_density`.

    Returns
    -------
    array
        Atoms per ion and unit of `energy_share`. It integrates to a, and with the factor
        `energy_share` to 1 - `mean_ion_energy_share`: ions and atoms carry the whole energy.

    Notes
    -----
    Derived. Exchanges happen at the rate a per unit of s. One at s leaves an atom of the energy
    that the ion gained since its last exchange at s': e = s^2 - s'^2, where s' has the density
    a exp(-a (s - s')) and the weight exp(-a s) at 0. For a given e put s = sqrt(e) cosh(t), so
    that s - s' = sqrt(e) exp(-t):
    g(e) = a^2/2 [E1(a (1 - sqrt(1 - e))) - E1(a sqrt(e))] + a/(2 sqrt(e)) exp(-a sqrt(e)),
    with the exponential integral E1. Ionisation inside the sheath is left out.
    """
    share, a = _inner(energy_share), free_paths
    root = np.sqrt(share)
    shortest = share / (1 + np.sqrt(1 - share))  # 1 - sqrt(1 - e) without cancellation
    again = a**2 / 2 * (exp1(a * shortest) - exp1(a * root))
    return again + a / (2 * root) * np.exp(-a * root)


def _inner(energy_share: NDArray[np.float64]) -> NDArray[np.float64]:
    share = np.asarray(energy_share, dtype=float)
    if not np.all((share > 0) & (share < 1)):
        raise ValueError("energy_share: must be > 0 and < 1")
    return share


@lru_cache(maxsize=256)
def cathode_impacts(
    voltage_V: float, free_paths: float, scattering_ratio: float = SCATTERING_RATIO
) -> Impacts:
    """Ions and fast atoms that strike the cathode.

    Parameters
    ----------
    voltage_V
        Voltage of the sheath, nearly all that of the discharge [V], > 0.
    free_paths
        Length of the sheath in mean free paths for charge exchange, > 0.
    scattering_ratio
        How many times as likely as charge exchange of an ion it is that a fast atom is scattered
        on the same way, >= 0. A scattered atom shares its energy with another one and counts as
        lost. With 0 the impacts carry the energy of the sheath.

    Returns
    -------
    Impacts
        Points and weights of a Gauss-Legendre rule: sums over them are integrals over the spectra
        `ion_energy_density` and `fast_atom_density`.
    """
    check_positive("voltage_V", voltage_V)
    check_positive("free_paths", free_paths)
    if not 0 <= scattering_ratio < math.inf:
        raise ValueError(f"scattering_ratio: must be >= 0 and finite, got {scattering_ratio:g}")
    a, (x, w) = free_paths, _unit_rule()
    energies = [1 - x**2, np.ones(1)]  # ions after their last exchange at s = x, and without any
    numbers = [a * np.exp(-a * (1 - x)) * w, np.array([math.exp(-a)])]
    made = a * w * np.exp(-a * scattering_ratio * (1 - x))  # atoms made at s = x that arrive
    since = x[:, None] * x  # the exchange before
    energies += [(x[:, None] ** 2 - since**2).ravel(), x**2]
    between = a * np.exp(-a * (x[:, None] - since)) * x[:, None] * w
    numbers += [(made[:, None] * between).ravel(), made * np.exp(-a * x)]
    return Impacts(voltage_V * np.concatenate(energies), np.concatenate(numbers))


def _unit_rule() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points and weights for integrals from 0 to 1."""
    points, weights = np.polynomial.legendre.leggauss(_POINTS)
    return (points + 1) / 2, weights / 2


# --- how many mean free paths ---------------------------------------------------------------------

GAS_TEMPERATURE_K = 700.0
GAS_TEMPERATURE_U_REL = 0.3
"""Temperature of the gas before the cathode (from memory: 500 to 1000 K)."""

CROSS_SECTION_U_REL = 0.1
_TYPICAL_ENERGY_EV = 60.0  # from 10 to 400 eV the cross-section changes by 20 %

USUAL_FREE_PATHS = 10.0
USUAL_FREE_PATHS_LN_SD = 0.5
"""Sheath in mean free paths where the pressure is not known, and the standard deviation of its
logarithm (from memory: 5 to 20 in lamps at some hPa)."""

SHEATH_LENGTH_LN_SD = 0.27
"""Standard deviation of the logarithm of `sheath_length_um`. Derived: with a constant charge
density, whose field is linear, j = 2 sqrt(2) eps0 k U^(3/2) L^(-5/2) at the cathode, and the same
voltage and current make a sheath that is longer by the factor 1.31."""


def charge_exchange_cross_section_nm2(energy_eV: float) -> float:
    """Cross-section for charge exchange of Ar+ in argon [nm^2].

    Parameters
    ----------
    energy_eV
        Energy of the ion, the atom at rest [eV], > 0.

    Notes
    -----
    A. V. Phelps, J. Appl. Phys. 76 (1994) 747: the part that is scattered backwards,
    (Q_m - Q_i)/2, with the cross-section for momentum transfer Q_m and the isotropic part Q_i, as
    quoted in public programs (looked up); for 0.1 eV to 10 keV. 0.36 nm^2 at 60 eV.
    """
    check_positive("energy_eV", energy_eV)
    e = energy_eV
    momentum_nm2 = 1.15 * e**-0.1 * (1 + 0.015 / e) ** 0.6
    isotropic_nm2 = 0.2 / (math.sqrt(e) * (1 + e)) + 0.3 * e / (1 + e / 3) ** 2
    return (momentum_nm2 - isotropic_nm2) / 2


def free_path_um(pressure_hPa: float, temperature_K: float = GAS_TEMPERATURE_K) -> float:
    """Mean free path of argon ions for charge exchange [um]: 45 um at 6 hPa and 700 K.

    Parameters
    ----------
    pressure_hPa
        Pressure of the gas [hPa], > 0.
    temperature_K
        Its temperature [K], > 0.
    """
    check_positive("pressure_hPa", pressure_hPa)
    check_positive("temperature_K", temperature_K)
    per_m3 = 100 * pressure_hPa / (constants.k * temperature_K)
    return 1e6 / (per_m3 * charge_exchange_cross_section_nm2(_TYPICAL_ENERGY_EV) * 1e-18)


def sheath_length_um(
    voltage_V: float, ion_current_density_mA_cm2: float, free_path_um: float
) -> float:
    """Length of a sheath in which charge exchange limits the speed of the ions [um].

    Parameters
    ----------
    voltage_V
        Voltage of the sheath [V], > 0.
    ion_current_density_mA_cm2
        Current density of the ions [mA/cm2], > 0.
    free_path_um
        Mean free path for charge exchange [um], > 0 and much shorter than the sheath.

    Notes
    -----
    The collisional law of Child (M. A. Lieberman, A. J. Lichtenberg, Principles of Plasma
    Discharges and Materials Processing, from memory; derived here). In a field F ions that exchange
    their charge every l have the mean speed v = sqrt(2 e l F/(pi M)). With the charge density j/v
    Poisson's equation gives F^(3/2) = 3/2 j x/(eps0 k), k = v/sqrt(F), and
    j = (2/3) (5/3)^(3/2) eps0 k U^(3/2) L^(-5/2).
    """
    check_positive("voltage_V", voltage_V)
    check_positive("ion_current_density_mA_cm2", ion_current_density_mA_cm2)
    check_positive("free_path_um", free_path_um)
    ion_kg = atomic_mass_u("Ar") * constants.atomic_mass
    squared = 2 * constants.e * free_path_um * 1e-6 / (math.pi * ion_kg)
    current_A_m2 = 10 * ion_current_density_mA_cm2
    scale = (2 / 3) * (5 / 3) ** 1.5 * constants.epsilon_0 * math.sqrt(squared)
    return 1e6 * (scale * voltage_V**1.5 / current_A_m2) ** 0.4


def sheath_free_paths(
    voltage_V: float, ion_current_density_mA_cm2: float, pressure_hPa: float
) -> tuple[float, float]:
    """Sheath in mean free paths for charge exchange, L/l, in argon.

    Parameters
    ----------
    voltage_V, ion_current_density_mA_cm2
        As in `sheath_length_um`.
    pressure_hPa
        Pressure of the gas [hPa], > 0.

    Returns
    -------
    free_paths, ln_sd
        Their number and the standard deviation of its logarithm, from the temperature of the gas,
        the cross-section and the shape of the sheath: L goes with l^(1/5), so L/l with l^(-4/5).
    """
    path_um = free_path_um(pressure_hPa)
    length_um = sheath_length_um(voltage_V, ion_current_density_mA_cm2, path_um)
    path_ln_sd = math.hypot(GAS_TEMPERATURE_U_REL, CROSS_SECTION_U_REL)
    return length_um / path_um, math.hypot(SHEATH_LENGTH_LN_SD, 0.8 * path_ln_sd)
