"""Published formulas for the sputter yield of an element, against ion energy and angle.

Normal incidence: `yamamura_yield` for every tabulated target and any inert ion, `eckstein_yield`
for a few targets under argon. Oblique incidence: `angular_factor`. What to take for a given target,
and how far to trust it, is the matter of `craterfront.models.materials.sputtering`.
"""

import math
import warnings
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from craterfront.models.materials.elements import (
    atomic_density_per_nm3,
    atomic_mass_u,
    atomic_number,
    element_density_g_cm3,
)
from craterfront.models.materials.tables import read_table
from craterfront.models.validity import ValidityWarning

FloatOrArray = TypeVar("FloatOrArray", float, NDArray[np.float64])


class YieldUnknown(ValueError):
    """No sputter yield is known for this material, so its erosion rate must be given."""


# --- Yamamura and Tawara: the yield at normal incidence -------------------------------------------

STOPPING_FACTOR_EV_A2 = 84.78
"""Factor of the nuclear stopping cross-section [eV A^2]; the paper's 8.478 is corrected by its
erratum."""

STOPPING_LOG_OFFSET = 2.718
"""Offset in the logarithm of the reduced nuclear stopping."""


@dataclass(frozen=True)
class TargetParameters:
    """Parameters of one target element in the formula of Yamamura and Tawara.

    Attributes
    ----------
    surface_binding_eV
        Surface binding energy U_s [eV], the heat of sublimation per atom.
    q
        Fitted scale Q of the yield.
    w_eV
        Fitted parameter W of the electronic stopping [eV].
    s
        Fitted exponent of the threshold term.
    kind
        ``"table"`` (in the paper), ``"derived"`` (Q set to one measured yield) or ``"default"``
        (the paper's rule for targets that it does not tabulate).
    """

    surface_binding_eV: float
    q: float
    w_eV: float
    s: float
    kind: str


@cache
def _parameter_table() -> dict[str, TargetParameters]:
    return {
        row["symbol"]: TargetParameters(
            surface_binding_eV=float(row["Us_eV"]),
            q=float(row["Q"]),
            w_eV=float(row["W_over_Us"]) * float(row["Us_eV"]),
            s=float(row["s"]),
            kind=row["kind"],
        )
        for row in read_table("yamamura.csv")
    }


def has_parameters(symbol: str) -> bool:
    """Whether there are parameters for this target; an unknown symbol raises `FormulaError`."""
    atomic_number(symbol)  # a misspelt symbol is another mistake than an element without a yield
    return symbol in _parameter_table()


def target_parameters(symbol: str) -> TargetParameters:
    """Parameters of a target element; elements without any raise `YieldUnknown`."""
    if not has_parameters(symbol):
        raise YieldUnknown(f"no sputter yield is known for the element {symbol}")
    return _parameter_table()[symbol]


def energy_transfer_factor(symbol: str, ion: str = "Ar") -> float:
    """Largest share of its energy that an ion gives to a target atom, 4 M1 M2/(M1 + M2)^2."""
    m1, m2 = atomic_mass_u(ion), atomic_mass_u(symbol)
    return 4 * m1 * m2 / (m1 + m2) ** 2


def threshold_energy_eV(symbol: str, ion: str = "Ar") -> float:
    """Ion energy below which nothing is sputtered [eV] (Yamamura and Tawara 1996)."""
    m1, m2 = atomic_mass_u(ion), atomic_mass_u(symbol)
    factor = 1 + 5.7 * m1 / m2 if m1 <= m2 else 6.7
    binding_eV = target_parameters(symbol).surface_binding_eV
    return binding_eV * factor / energy_transfer_factor(symbol, ion)


def reduced_energy(energy_eV: FloatOrArray, symbol: str, ion: str = "Ar") -> FloatOrArray:
    """Energy in the units of Lindhard's Thomas-Fermi theory (no unit)."""
    z1, z2 = atomic_number(ion), atomic_number(symbol)
    m1, m2 = atomic_mass_u(ion), atomic_mass_u(symbol)
    return energy_eV * 0.03255 / (z1 * z2 * _screening(z1, z2)) * m2 / (m1 + m2)


def reduced_nuclear_stopping(epsilon: FloatOrArray) -> FloatOrArray:
    """Analytic fit to the Thomas-Fermi nuclear stopping at reduced energy epsilon (no unit)."""
    eps = np.asarray(epsilon, dtype=float)
    root = np.sqrt(eps)
    stopping = 3.441 * root * np.log(eps + STOPPING_LOG_OFFSET)
    stopping = stopping / (1 + 6.355 * root + eps * (6.882 * root - 1.708))
    return like_argument(epsilon, stopping)


def nuclear_stopping_eV_A2(energy_eV: FloatOrArray, symbol: str, ion: str = "Ar") -> FloatOrArray:
    """Nuclear stopping cross-section of a target atom [eV A^2]."""
    z1, z2 = atomic_number(ion), atomic_number(symbol)
    m1, m2 = atomic_mass_u(ion), atomic_mass_u(symbol)
    scale = STOPPING_FACTOR_EV_A2 * z1 * z2 / _screening(z1, z2) * m1 / (m1 + m2)
    return scale * reduced_nuclear_stopping(reduced_energy(energy_eV, symbol, ion))


def electronic_stopping_coefficient(symbol: str, ion: str = "Ar") -> float:
    """Coefficient k_e of Lindhard's electronic stopping, k_e sqrt(epsilon) (no unit)."""
    z1, z2 = atomic_number(ion), atomic_number(symbol)
    m1, m2 = atomic_mass_u(ion), atomic_mass_u(symbol)
    masses = (m1 + m2) ** 1.5 / (m1**1.5 * m2**0.5)
    return 0.079 * masses * z1 ** (2 / 3) * z2**0.5 / _screening(z1, z2) ** 1.5


def recoil_factor(symbol: str, ion: str = "Ar") -> float:
    """Share alpha* of the deposited energy that turns up in the surface cascade (no unit)."""
    ratio = atomic_mass_u(symbol) / atomic_mass_u(ion)
    if ratio >= 1:
        return 0.249 * ratio**0.56 + 0.0035 * ratio**1.5
    return 0.0875 * ratio**-0.15 + 0.165 * ratio


def yamamura_yield(energy_eV: FloatOrArray, symbol: str, ion: str = "Ar") -> FloatOrArray:
    """Sputter yield of an element at normal incidence, by formula alone.

    Parameters
    ----------
    energy_eV
        Ion energy [eV], > 0; a number or an array of any shape.
    symbol
        Target element.
    ion
        Element of the (single, atomic) ion.

    Returns
    -------
    float or array
        Atoms per ion, of the shape of `energy_eV`; exactly 0 up to the threshold.

    Raises
    ------
    YieldUnknown
        There are no parameters for the target.

    Notes
    -----
    Y. Yamamura and H. Tawara, At. Data Nucl. Data Tables 62 (1996) 149, with the erratum 63 (1996)
    353. Made for monatomic solids, inert ions and energies from the threshold to 10 keV and above.
    Against 28 targets measured with 500 eV argon it is 11 % low in the mean and spreads by 13 %.
    """
    energy = _checked_energy(energy_eV)
    target = target_parameters(symbol)
    eps = reduced_energy(energy, symbol, ion)
    gamma = target.w_eV / (1 + (atomic_mass_u(ion) / 7) ** 3)
    electronic = 1 + gamma * electronic_stopping_coefficient(symbol, ion) * eps**0.3
    # Below the threshold the bracket would be negative: the yield there is zero.
    bracket = np.clip(1 - np.sqrt(threshold_energy_eV(symbol, ion) / energy), 0, None)
    scale = 0.042 * target.q * recoil_factor(symbol, ion) / target.surface_binding_eV
    stopping = nuclear_stopping_eV_A2(energy, symbol, ion)
    return like_argument(energy_eV, scale * stopping / electronic * bracket**target.s)


def _screening(z1: int, z2: int) -> float:
    """The recurring (Z1^(2/3) + Z2^(2/3))^(1/2) of the Thomas-Fermi screening length."""
    return math.sqrt(z1 ** (2 / 3) + z2 ** (2 / 3))


def _checked_energy(energy_eV: FloatOrArray) -> NDArray[np.float64]:
    energy = np.asarray(energy_eV, dtype=float)
    wrong = energy[~(np.isfinite(energy) & (energy > 0))]
    if wrong.size:
        raise ValueError(f"energy_eV: must be > 0 and finite, got {wrong[0]:g}")
    return energy


def like_argument(argument: FloatOrArray, result: NDArray[np.float64]) -> FloatOrArray:
    """The result as a number where the argument was one."""
    like: Any = float(result) if np.ndim(argument) == 0 else result
    return like


# --- Eckstein: fitted yields for single pairs -----------------------------------------------------


def eckstein_yield(energy_eV: FloatOrArray, symbol: str) -> FloatOrArray:
    """Sputter yield of Zn, W, Ta or Th under argon at normal incidence, by fit.

    Parameters
    ----------
    energy_eV
        Ion energy [eV], > 0; a number or an array of any shape.
    symbol
        Target element.

    Returns
    -------
    float or array
        Atoms per ion, of the shape of `energy_eV`; exactly 0 up to the fitted threshold.

    Raises
    ------
    YieldUnknown
        There is no fit for the target.

    Notes
    -----
    W. Eckstein, in Sputtering by Particle Bombardment, Topics Appl. Phys. 110 (2007) 33: the
    krypton-carbon stopping times A/(lambda/w + A) with A = (E/E_th - 1)^mu. The fits rest on
    calculated and measured yields; they are no measurements.
    """
    energy = _checked_energy(energy_eV)
    rows = {row["symbol"]: row for row in read_table("eckstein_ar.csv")}
    if symbol not in rows:
        raise YieldUnknown(f"no fit of Eckstein for argon on {symbol}: only {', '.join(rows)}")
    row = rows[symbol]
    z1, z2 = atomic_number("Ar"), atomic_number(symbol)
    m1, m2 = atomic_mass_u("Ar"), atomic_mass_u(symbol)
    thomas_fermi_energy_eV = 30.74 * (m1 + m2) / m2 * z1 * z2 * _screening(z1, z2)
    eps = energy / thomas_fermi_energy_eV
    w = eps + 0.1728 * np.sqrt(eps) + 0.008 * eps**0.1504
    excess = np.clip(energy / float(row["threshold_eV"]) - 1, 0, None) ** float(row["mu"])
    stopping = 0.5 * np.log(1 + 1.2288 * eps) / w
    return like_argument(
        energy_eV,
        float(row["q"]) * stopping * excess / (float(row["lambda"]) / w + excess),
    )


# --- oblique incidence ----------------------------------------------------------------------------

STEEPEST_ANGLE_DEG = 75.0
LARGEST_ANGULAR_EXPONENT = 10.0


def optimum_angle_deg(energy_eV: float, symbol: str, ion: str = "Ar") -> float:
    """Angle of incidence, from the normal, at which the yield is largest [degrees].

    Yamamura, Itikawa and Itoh, report IPPJ-AM-26 (1983), for ions heavier than helium.
    """
    z1, z2 = atomic_number(ion), atomic_number(symbol)
    screening_length_nm = 0.04685 / _screening(z1, z2)
    atoms_per_nm3 = atomic_density_per_nm3({symbol: 1.0}, element_density_g_cm3(symbol))
    spacing_nm = atoms_per_nm3 ** (-1 / 3)
    psi = (screening_length_nm / spacing_nm) ** 1.5
    psi *= math.sqrt(z1 * z2 / (_screening(z1, z2) * energy_eV))
    return 90 - 286 * psi**0.45


def angular_factor(energy_eV: float, angle_deg: float, symbol: str, ion: str = "Ar") -> float:
    """Yield at an angle of incidence over the yield at normal incidence.

    Parameters
    ----------
    energy_eV
        Ion energy [eV].
    angle_deg
        Angle of incidence from the surface normal [degrees], 0 to below 90.
    symbol, ion
        Target element and element of the ion, heavier than helium.

    Returns
    -------
    float
        cos(theta)^-f exp(-f cos(theta_opt) (1/cos(theta) - 1)). The ion flux on the inclined
        surface holds another factor cos(theta), which is not part of the yield.

    Notes
    -----
    Yamamura, Itikawa and Itoh, report IPPJ-AM-26 (1983). The exponent f rests on a figure that was
    read off in steps of the mass ratio; it is capped near the threshold, where the formula
    diverges. Above 75 degrees the form is a mere fit, and a `ValidityWarning` says so.
    """
    if not 0 <= angle_deg < 90:
        raise ValueError(f"angle_deg: must be >= 0 and < 90, got {angle_deg:g}")
    if angle_deg == 0:
        return 1.0
    if atomic_number(ion) <= 2:
        raise ValueError(f"angle_deg: oblique incidence is not covered for the light ion {ion}")
    if angle_deg > STEEPEST_ANGLE_DEG:
        warnings.warn(
            f"angle_deg = {angle_deg:g}: yields above {STEEPEST_ANGLE_DEG:g} degrees are"
            " extrapolated",
            ValidityWarning,
            stacklevel=2,
        )
    exponent = _angular_exponent(energy_eV, symbol, ion)
    cosine = math.cos(math.radians(angle_deg))
    best_cosine = math.cos(math.radians(optimum_angle_deg(energy_eV, symbol, ion)))
    return cosine**-exponent * math.exp(-exponent * best_cosine * (1 / cosine - 1))


def _angular_exponent(energy_eV: float, symbol: str, ion: str) -> float:
    ratio = atomic_mass_u(symbol) / atomic_mass_u(ion)
    steps = ((2, 1.75), (4, 1.5), (6, 1.25), (8, 1.0), (math.inf, 0.8))
    base = next(value for limit, value in steps if ratio <= limit)
    zeta = 1 - math.sqrt(threshold_energy_eV(symbol, ion) / energy_eV)
    if zeta <= 0:
        return LARGEST_ANGULAR_EXPONENT
    return min(base * (1 + 2.5 * (1 - zeta) / zeta), LARGEST_ANGULAR_EXPONENT)
