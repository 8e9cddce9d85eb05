"""Erosion rates in a lamp from one measured rate: how they go with voltage, current and material.

A measured rate brings its own redeposition, electrons and pressure. What is left is how the rate
goes on from there: by the model of the sheath, or by a published law of the voltage.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from craterfront.models.materials.causes import Causes, of_ratio
from craterfront.models.materials.elements import normalised
from craterfront.models.materials.yield_formulas import YieldUnknown
from craterfront.models.sources.lamp import Discharge, lamp_erosion_rate_nm_s

THRESHOLD_V = {"linear": 300.0, "power": 400.0}
"""Voltage U0 at which the published laws end."""

_EXPONENT = {"linear": 1.0, "power": 0.74}

EXPONENT_SD = 0.2
"""Standard deviation of the local exponent d ln(rate)/d ln(U) (derived: at 700 V the laws and the
model of the sheath, for iron and copper and 6 to 16 free paths, have 1.0 to 1.75)."""

SIMILARITY_SD = 0.5
"""Standard deviation of the local exponents of `current_mA_by_similarity` (an estimate: the gas
gets hot, and the sheath changes its length in free paths)."""


@dataclass(frozen=True)
class MeasuredRate:
    """An erosion rate that was measured in the same lamp.

    Attributes
    ----------
    atomic_fractions
        Of the material, amount by element symbol.
    density_g_cm3
        Its density [g/cm3].
    rate_nm_s, u_rel
        Its erosion rate [nm/s] and the relative standard uncertainty.
    discharge
        The lamp as it was then.
    """

    atomic_fractions: Mapping[str, float]
    density_g_cm3: float
    rate_nm_s: float
    u_rel: float
    discharge: Discharge


def voltage_factor(law: str, voltage_V: float, reference_V: float) -> float:
    """Mass rate at a voltage over that at a reference voltage, at one current.

    Parameters
    ----------
    law
        ``"linear"``: q proportional to i (U - 300 V), P. W. J. M. Boumans, Anal. Chem. 44 (1972)
        1219. ``"power"``: q proportional to i (U - 400 V)^0.74, R. Payling, Surf. Interface Anal.
        21 (1994) 791. Both thresholds are typical values (common practice).
    voltage_V, reference_V
        Voltages [V], above the threshold of the law.

    Raises
    ------
    ValueError
        A voltage at or below the threshold.
    """
    threshold_V = THRESHOLD_V[law]
    for name, value in (("voltage_V", voltage_V), ("reference voltage_V", reference_V)):
        if not threshold_V < value < math.inf:
            raise ValueError(
                f"{name}: must be > {threshold_V:g}, where the law {law!r} begins, got {value:g}"
            )
    return ((voltage_V - threshold_V) / (reference_V - threshold_V)) ** _EXPONENT[law]


def rate_from_measured_nm_s(
    atomic_fractions: Mapping[str, float],
    density_g_cm3: float,
    discharge: Discharge,
    measured: MeasuredRate,
    law: str = "sheath",
) -> tuple[float, Causes]:
    """Erosion rate of a layer from a rate that was measured on some material of the same lamp.

    Parameters
    ----------
    atomic_fractions, density_g_cm3, discharge
        As in `lamp.lamp_erosion_rate_nm_s`.
    measured
        What was measured.
    law
        ``"sheath"``: the rate goes with voltage, current and pressure as the model of the sheath
        has it; ``"linear"`` or ``"power"``: as in `voltage_factor`.

    Returns
    -------
    rate_nm_s, causes
        Erosion rate [nm/s], and the part of its relative standard uncertainty that comes from the
        yields of the two materials, see `causes`: none if they are the same. `measured_rate_ln_sd`
        comes on top.

    Raises
    ------
    YieldUnknown
        A compound with non-metals in no table, or an element without a yield, on either side.
    ValueError
        A voltage below the threshold of the law.

    Notes
    -----
    Ratios of materials follow from the yields, for a published law from those at the measured
    point. The measured material itself needs none there: it may be a compound.
    """
    there, rate_nm_s = measured.discharge, measured.rate_nm_s
    same = _alike(atomic_fractions, measured.atomic_fractions)
    if law != "sheath":
        rate_nm_s *= voltage_factor(law, discharge.voltage_V, there.voltage_V)
        rate_nm_s *= discharge.current_mA / there.current_mA
        if same:  # no yields are needed, so any material will do
            return rate_nm_s * measured.density_g_cm3 / density_g_cm3, {}
        discharge = there
    here, causes = lamp_erosion_rate_nm_s(atomic_fractions, density_g_cm3, discharge)
    try:
        known, known_causes = lamp_erosion_rate_nm_s(
            measured.atomic_fractions, measured.density_g_cm3, there
        )
    except YieldUnknown as error:
        raise YieldUnknown(f"the measured reference is of no use for it: {error}") from None
    return rate_nm_s * here / known, {} if same else of_ratio(causes, known_causes)


def _alike(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    a, b = normalised(one), normalised(other)
    return all(math.isclose(a.get(e, 0.0), b.get(e, 0.0), abs_tol=1e-9) for e in {*a, *b})


def measured_rate_ln_sd(discharge: Discharge, measured: MeasuredRate) -> float:
    """Standard deviation of the logarithm of the factor that rates from one measured rate share.

    From the measured rate itself, and from the laws, which part the further the voltage is from
    where it was measured.
    """
    away = abs(math.log(discharge.voltage_V / measured.discharge.voltage_V))
    return math.hypot(measured.u_rel, EXPONENT_SD * away)


# --- the third of voltage, current and pressure ---------------------------------------------------


def current_mA_by_similarity(
    voltage_V: float,
    pressure_hPa: float,
    *,
    reference_V: float,
    reference_mA: float,
    reference_hPa: float,
) -> float:
    """Current [mA] at a voltage and pressure, from a point where all three were measured.

    Parameters
    ----------
    voltage_V, pressure_hPa
        Voltage [V] and pressure [hPa], > 0.
    reference_V, reference_mA, reference_hPa
        The same lamp and material, measured; > 0.

    Notes
    -----
    Derived: i ~ p^2 U^(3/2), from `sheath.sheath_length_um` with a sheath that keeps its number of
    free paths. The square of the pressure is the similarity law of glow discharges. No more than a
    way from one point to its neighbours: see `similarity_ln_sd`.
    """
    pressures = (pressure_hPa / reference_hPa) ** 2
    return reference_mA * pressures * (voltage_V / reference_V) ** 1.5


def voltage_V_by_similarity(
    current_mA: float,
    pressure_hPa: float,
    *,
    reference_V: float,
    reference_mA: float,
    reference_hPa: float,
) -> float:
    """Voltage [V] at a current and pressure: `current_mA_by_similarity` the other way round."""
    pressures = (pressure_hPa / reference_hPa) ** 2
    return reference_V * (current_mA / reference_mA / pressures) ** (2 / 3)


def similarity_ln_sd(
    voltage_V: float, pressure_hPa: float, reference_V: float, reference_hPa: float
) -> float:
    """What the way from a measured point adds to the uncertainty of the rate, as a logarithm."""
    return SIMILARITY_SD * math.hypot(
        math.log(voltage_V / reference_V), math.log(pressure_hPa / reference_hPa)
    )
