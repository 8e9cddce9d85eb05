"""Projected range of ions, to scale the altered layer by."""

import warnings
from collections.abc import Mapping

import numpy as np

from craterfront.models.materials.elements import atomic_mass_u, normalised
from craterfront.models.materials.yield_formulas import nuclear_stopping_eV_A2
from craterfront.models.validity import ValidityWarning, check_positive

U_REL = 0.4
"""Relative standard uncertainty of the range below some keV (30 to 50 %)."""

_STEPS = 400
_LOWEST_SHARE = 1e-4


def _mean_mass_ratio(fractions: Mapping[str, float], ion: str) -> float:
    """Mean ratio of target to ion mass, weighted with the atomic fractions."""
    return sum(x * atomic_mass_u(symbol) for symbol, x in fractions.items()) / atomic_mass_u(ion)


def projected_range_nm(
    fractions: Mapping[str, float],
    energy_eV: float,
    atomic_density_per_nm3: float,
    ion: str = "Ar",
) -> float:
    """Projected range at normal incidence from nuclear stopping alone.

    The path length int dE / (n S_n), with the stopping cross sections of the elements added
    (Bragg), divided by 1 + M2 / (3 M1).

    Parameters
    ----------
    fractions : mapping of str to float
        Atomic fractions of the target.
    energy_eV : float
        Impact energy [eV], > 0; meant for 50 eV to 10 keV.
    atomic_density_per_nm3 : float
        Atomic density of the target [1/nm^3].
    ion : str
        Element symbol of the ion.

    Returns
    -------
    float
        Range [nm]; standard uncertainty 30 to 50 % below 1 keV. Good for scaling with energy and
        target.

    Warns
    -----
    ValidityWarning
        Above 10 keV, where electronic stopping starts to matter.

    References
    ----------
    J. Lindhard, M. Scharff, H. E. Schiott, Mat. Fys. Medd. Dan. Vid. Selsk. 33, no. 14 (1963),
    Thomas-Fermi stopping in the analytic form of Y. Yamamura and H. Tawara, At. Data Nucl. Data
    Tables 62 (1996) 149.
    """
    check_positive("energy_eV", energy_eV)
    check_positive("atomic_density_per_nm3", atomic_density_per_nm3)
    if energy_eV > 10_000:
        warnings.warn(
            f"projected range: {energy_eV:g} eV is above 10 keV, where electronic stopping matters",
            ValidityWarning,
            stacklevel=2,
        )
    fractions = normalised(fractions)
    # S_n falls as the square root of the energy: the integrand is smooth in that root.
    root = np.sqrt(energy_eV) * np.linspace(np.sqrt(_LOWEST_SHARE), 1.0, _STEPS)
    stopping_eV_nm2 = 0.01 * sum(
        x * nuclear_stopping_eV_A2(root**2, symbol, ion) for symbol, x in fractions.items()
    )
    integrand = 2.0 * root / stopping_eV_nm2
    path = np.sum(0.5 * (integrand[1:] + integrand[:-1]) * np.diff(root))
    path += integrand[0] * root[0]
    ratio = _mean_mass_ratio(fractions, ion)
    return float(path / atomic_density_per_nm3 / (1.0 + ratio / 3.0))
