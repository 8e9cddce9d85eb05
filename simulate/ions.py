"""What a source tells of its ions: erosion rates, their range, and which elements leave sooner."""

import math
from collections.abc import Sequence

import numpy as np

from craterfront.source import GlowDischarge, IonBeam

Source = GlowDischarge | IonBeam


def _ion_and_energy_eV(source: Source) -> tuple[str, float]:
    """Kind and energy of the ions; in a lamp of argon, the effective energy at the sample."""
    if isinstance(source, IonBeam):
        return source.ion, float(source.energy_eV)
    from craterfront.models.lamp import effective_energy_eV

    return "Ar", effective_energy_eV(float(source.voltage_V))


def erosion_rate_nm_s(
    composition: dict[str, float], density_g_cm3: float, source: Source
) -> tuple[float, float]:
    """Erosion rate from the sputter yields [nm/s], and its relative standard uncertainty.

    Raises
    ------
    ValueError, DensityUnknown, FormulaError
        When there are no yields for the composition.
    """
    if isinstance(source, IonBeam):
        from craterfront.models.beam import beam_erosion_rate_nm_s

        rate_nm_s, u_rel = beam_erosion_rate_nm_s(
            composition,
            density_g_cm3,
            energy_eV=float(source.energy_eV),
            current_nA=float(source.current_nA),
            raster_um=source.raster_um,
            angle_deg=float(source.angle_deg),
            ion=source.ion,
        )
        return rate_nm_s * _share_of_current(source), u_rel
    from craterfront.models.lamp import lamp_erosion_rate_nm_s

    return lamp_erosion_rate_nm_s(
        composition,
        density_g_cm3,
        voltage_V=float(source.voltage_V),
        current_mA=float(source.current_mA or 0.0),
        anode_diameter_mm=float(source.anode_diameter_mm),
    )


def _share_of_current(beam: IonBeam) -> float:
    """Mean dose on the analysed area, relative to all current evenly spread over the raster."""
    if beam.beam_fwhm_um is None:
        return 1.0
    from craterfront.models.raster import mean_relative_rate

    return mean_relative_rate(beam.raster_um, beam.analysed_um, beam.beam_fwhm_um)


def range_nm(composition: dict[str, float], atomic_density_per_nm3: float, source: Source) -> float:
    """Projected range of the ions along the normal [nm]."""
    from craterfront.models.ranges import projected_range_nm

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
    from craterfront.models.sputtering import elemental_yield

    ion, energy_eV = _ion_and_energy_eV(source)
    return np.array([float(elemental_yield(symbol, energy_eV, ion)) for symbol in elements])
