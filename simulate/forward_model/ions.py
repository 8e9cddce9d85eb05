"""What a source tells of its ions: erosion rates, their range, and which elements leave sooner."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from craterfront.experiments.source import GlowDischarge, IonBeam
from craterfront.notation.parameters import ASSUMED_RATE_U_REL
from craterfront.notation.quantities import Quantity

if TYPE_CHECKING:
    from craterfront.models.materials.causes import Causes
    from craterfront.models.sources.lamp import Discharge
    from craterfront.models.sources.rate_laws import MeasuredRate

Source = GlowDischarge | IonBeam

FROM_YIELDS = "from sputter yields"
FROM_COMPOUNDS = "from the table of compounds"
FROM_RATE_TABLE = "from the rate table of the source"


class CurrentUnknown(ValueError):
    """A rate cannot be estimated, as nothing gives the current of the lamp."""


# --- the lamp -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Operation:
    """Voltage and current of a lamp, and what their way from a measured point adds."""

    voltage_V: float
    current_mA: float | None
    ln_sd: float = 0.0


def _operation(source: GlowDischarge) -> _Operation:
    voltage, current, reference = source.voltage_V, source.current_mA, source.reference
    if voltage is not None and (current is not None or source.pressure_hPa is None):
        return _Operation(float(voltage), None if current is None else float(current))
    if reference is None or reference.pressure_hPa is None or source.pressure_hPa is None:
        return _Operation(float(voltage or 0.0), None)
    from craterfront.models.sources import rate_laws

    pressure_hPa, reference_hPa = float(source.pressure_hPa), float(reference.pressure_hPa)
    point = {
        "reference_V": float(reference.voltage_V),
        "reference_mA": float(reference.current_mA),
        "reference_hPa": reference_hPa,
    }
    if voltage is not None:
        volts = float(voltage)
        milliamperes = rate_laws.current_mA_by_similarity(volts, pressure_hPa, **point)
    else:
        milliamperes = float(current or 0.0)
        volts = rate_laws.voltage_V_by_similarity(milliamperes, pressure_hPa, **point)
    ln_sd = rate_laws.similarity_ln_sd(
        volts, pressure_hPa, point["reference_V"], point["reference_hPa"]
    )
    return _Operation(volts, milliamperes, ln_sd)


def _pressures(source: GlowDischarge) -> tuple[Quantity | None, Quantity | None]:
    """Pressures here and in the reference.

    A rate is compared with a measured one by the same model of the sheath: if the pressure is known
    on one side alone, the sheath is taken to be the same on both.
    """
    here = source.pressure_hPa
    there = None if source.reference is None else source.reference.pressure_hPa
    if source.has_measured_rate and (here is None or there is None):
        return None, None
    return here, there


def _free_paths(
    source: GlowDischarge, voltage_V: float, current_mA: float | None, pressure: Quantity | None
) -> tuple[float, float]:
    """Sheath in mean free paths: written, from the pressure, or usual; with its ln_sd."""
    from craterfront.models.sources import lamp, sheath

    written = source.sheath_free_paths
    if written is not None:
        if written.status == "guess":
            return float(written), sheath.USUAL_FREE_PATHS_LN_SD
        # Of the log-normal distribution that has this relative standard deviation.
        return float(written), math.sqrt(math.log1p(((written.u or 0.0) / float(written)) ** 2))
    if pressure is None or current_mA is None:
        return sheath.USUAL_FREE_PATHS, sheath.USUAL_FREE_PATHS_LN_SD
    density_mA_cm2 = lamp.ion_current_density_mA_cm2(current_mA, float(source.anode_diameter_mm))
    return sheath.sheath_free_paths(voltage_V, density_mA_cm2, float(pressure))


def _voltage_and_free_paths(source: GlowDischarge) -> tuple[float, float]:
    """What the energies of the particles follow from, whether the current is known or not."""
    at = _operation(source)
    return at.voltage_V, _free_paths(source, at.voltage_V, at.current_mA, _pressures(source)[0])[0]


def _discharge(
    source: GlowDischarge, voltage_V: float, current_mA: float | None, pressure: Quantity | None
) -> "Discharge":
    from craterfront.models.sources import lamp

    if current_mA is None:
        raise CurrentUnknown(
            "missing; a rate cannot be estimated from RF power: write it, or current_mA in [source]"
        )
    free_paths, ln_sd = _free_paths(source, voltage_V, current_mA, pressure)
    share, share_u = lamp.REDEPOSITED_SHARE, lamp.REDEPOSITED_SHARE_U
    written = source.redeposited_share
    if written is not None:
        share = float(written)
        share_u = share_u if written.status == "guess" else written.u or 0.0
    return lamp.Discharge(
        voltage_V=voltage_V,
        current_mA=current_mA,
        anode_diameter_mm=float(source.anode_diameter_mm),
        free_paths=free_paths,
        free_paths_ln_sd=ln_sd,
        redeposited_share=share,
        redeposited_share_u=share_u,
    )


def lamp_discharge(source: GlowDischarge) -> "Discharge":
    """The lamp as it runs.

    Raises
    ------
    CurrentUnknown
        Nothing gives the current.
    """
    at = _operation(source)
    return _discharge(source, at.voltage_V, at.current_mA, _pressures(source)[0])


def measured_rate(source: GlowDischarge) -> "MeasuredRate | None":
    """The erosion rate that was measured in the lamp; None without one."""
    point = source.reference
    if point is None or point.rate is None or point.density is None:
        return None
    from craterfront.models.sources.lamp import depth_rate_nm_s
    from craterfront.models.sources.rate_laws import MeasuredRate

    rate, density_g_cm3 = float(point.rate), float(point.density)
    by_depth = point.erosion_rate_nm_s is not None
    return MeasuredRate(
        atomic_fractions=point.atomic_fractions,
        density_g_cm3=density_g_cm3,
        rate_nm_s=rate
        if by_depth
        else depth_rate_nm_s(rate, density_g_cm3, float(source.anode_diameter_mm)),
        u_rel=_measured_u_rel(point.rate),
        discharge=_discharge(
            source, float(point.voltage_V), float(point.current_mA), _pressures(source)[1]
        ),
    )


def _measured_u_rel(rate: Quantity) -> float:
    """Relative standard uncertainty of a measured rate."""
    return ASSUMED_RATE_U_REL if rate.u is None else rate.u / float(rate)


def common_rate_ln_sd(source: Source) -> float:
    """Standard deviation of the logarithm of the factor that all estimated rates share."""
    if isinstance(source, IonBeam):
        rate = None if source.reference is None else source.reference.erosion_rate_nm_s
        return 0.0 if rate is None else _measured_u_rel(rate)
    from craterfront.models.sources import lamp, rate_laws

    discharge, measured = lamp_discharge(source), measured_rate(source)
    own = (
        lamp.common_rate_ln_sd(discharge)
        if measured is None
        else rate_laws.measured_rate_ln_sd(discharge, measured)
    )
    return math.hypot(own, _operation(source).ln_sd)


# --- lamp and beam ------------------------------------------------------------------------------


@dataclass(frozen=True)
class EstimatedRate:
    """An erosion rate that nobody wrote.

    Attributes
    ----------
    nm_s : float
        Rate [nm/s].
    causes : Mapping
        Its relative standard uncertainty, see `models.materials.causes`, but for a factor that all
        rates of the source share.
    why : str
        Where it comes from.
    """

    nm_s: float
    causes: "Causes"
    why: str


def erosion_rate(
    composition: dict[str, float], density_g_cm3: float, source: Source
) -> EstimatedRate:
    """Erosion rate from the rate table of the source, else from the table of compounds or yields.

    Raises
    ------
    ValueError, DensityUnknown, FormulaError
        When there are no yields for the composition, or no current.
    """
    table = source.rate_table
    row = None if table is None else table.row_of(composition)
    if table is None or row is None:
        from craterfront.models.materials.compound_rates import compound_yield

        rate_nm_s, causes = _rate_from_yields_nm_s(composition, density_g_cm3, source)
        why = FROM_YIELDS if compound_yield(composition) is None else FROM_COMPOUNDS
        if source.has_measured_rate:
            why += ", tied to the measured reference"
        return EstimatedRate(rate_nm_s, causes, why)
    from craterfront.models.materials.causes import of_product

    reference = table.reference
    try:
        known_nm_s, known_causes = _rate_from_yields_nm_s(
            reference.atomic_fractions, float(reference.density or 0.0), source
        )
    except ValueError as error:
        raise ValueError(f"relative to {reference.substance} in the rate table: {error}") from None
    return EstimatedRate(
        known_nm_s * table.depth_rate(row, density_g_cm3),
        of_product({f"rate of {row.substance} in the rate table": row.u_rel}, known_causes),
        f"{FROM_RATE_TABLE}, relative to {reference.substance}"
        + (f" ({row.note})" if row.note else ""),
    )


def _rate_from_yields_nm_s(
    composition: dict[str, float], density_g_cm3: float, source: Source
) -> tuple[float, "Causes"]:
    if isinstance(source, IonBeam):
        return _beam_rate_nm_s(composition, density_g_cm3, source)
    discharge, measured = lamp_discharge(source), measured_rate(source)
    if measured is None:
        from craterfront.models.sources.lamp import lamp_erosion_rate_nm_s

        return lamp_erosion_rate_nm_s(composition, density_g_cm3, discharge)
    from craterfront.models.sources.rate_laws import rate_from_measured_nm_s

    return rate_from_measured_nm_s(composition, density_g_cm3, discharge, measured, source.rate_law)


def _beam_rate_nm_s(
    composition: dict[str, float], density_g_cm3: float, beam: IonBeam
) -> tuple[float, "Causes"]:
    """Rate from yields and current; with a measured rate from that and the ratio of yields."""
    known = beam.reference
    if known is None or known.density is None or known.erosion_rate_nm_s is None:
        return _beam_rate_by_current_nm_s(composition, density_g_cm3, beam)
    from craterfront.models.materials.causes import of_ratio
    from craterfront.models.materials.elements import same_composition

    measured_nm_s, measured_g_cm3 = float(known.erosion_rate_nm_s), float(known.density)
    if same_composition(composition, known.atomic_fractions):  # needs no yields
        return measured_nm_s * measured_g_cm3 / density_g_cm3, {}
    here, causes = _beam_rate_by_current_nm_s(composition, density_g_cm3, beam)
    try:
        there, known_causes = _beam_rate_by_current_nm_s(
            known.atomic_fractions, measured_g_cm3, beam
        )
    except ValueError as error:
        raise ValueError(f"the measured reference is of no use for it: {error}") from None
    return measured_nm_s * here / there, of_ratio(causes, known_causes)


def _beam_rate_by_current_nm_s(
    composition: dict[str, float], density_g_cm3: float, beam: IonBeam
) -> tuple[float, "Causes"]:
    from craterfront.models.sources.beam import beam_erosion_rate_nm_s

    rate_nm_s, causes = beam_erosion_rate_nm_s(
        composition,
        density_g_cm3,
        energy_eV=float(beam.energy_eV),
        current_nA=float(beam.current_nA),
        raster_um=beam.raster_um,
        angle_deg=float(beam.angle_deg),
        ion=beam.ion,
    )
    return rate_nm_s * _share_of_current(beam), causes


def _ion_and_energy_eV(source: Source) -> tuple[str, float]:
    """Kind and energy of the ions; in a lamp of argon, their mean energy at the sample."""
    if isinstance(source, IonBeam):
        return source.ion, float(source.energy_eV)
    from craterfront.models.sources.sheath import mean_ion_energy_share

    voltage_V, free_paths = _voltage_and_free_paths(source)
    return "Ar", voltage_V * mean_ion_energy_share(free_paths)


def _share_of_current(beam: IonBeam) -> float:
    """Mean dose on the analysed area, relative to all current evenly spread over the raster."""
    if beam.beam_fwhm_um is None:
        return 1.0
    from craterfront.models.erosion_front.raster import mean_relative_rate

    return mean_relative_rate(beam.raster_um, beam.analysed_um, beam.beam_fwhm_um)


def range_nm(composition: dict[str, float], atomic_density_per_nm3: float, source: Source) -> float:
    """Projected range of the ions along the normal [nm]."""
    from craterfront.models.materials.ranges import projected_range_nm

    ion, energy_eV = _ion_and_energy_eV(source)
    angle_deg = float(source.angle_deg) if isinstance(source, IonBeam) else 0.0
    reach = projected_range_nm(composition, energy_eV, atomic_density_per_nm3, ion)
    return reach * math.cos(math.radians(angle_deg))


def preferences(elements: Sequence[str], source: Source) -> np.ndarray:
    """Sputter yield of each element, shape (E,), as its relative readiness to leave.

    Raises
    ------
    ValueError
        For an element without yield parameters.
    """
    if isinstance(source, IonBeam):
        from craterfront.models.materials.sputtering import elemental_yield

        ion, energy_eV = source.ion, float(source.energy_eV)
        return np.array([float(elemental_yield(symbol, energy_eV, ion)) for symbol in elements])
    from craterfront.models.sources.lamp import effective_yield

    voltage_V, free_paths = _voltage_and_free_paths(source)
    return np.array([effective_yield(symbol, voltage_V, free_paths) for symbol in elements])
