"""A rastered ion beam: current density on the sample and erosion rate."""

import math
from collections.abc import Mapping

from craterfront.models.materials.causes import Causes
from craterfront.models.materials.elements import atomic_density_per_nm3
from craterfront.models.materials.sputtering import erosion_rate_nm_s, layer_yield
from craterfront.models.validity import check_positive


def beam_current_density_mA_cm2(
    current_nA: float, raster_um: tuple[float, float], angle_deg: float = 0.0
) -> float:
    """Mean ion current density on the surface inside the raster [mA/cm2].

    Parameters
    ----------
    current_nA
        Beam current [nA], > 0.
    raster_um
        Width and height of the raster in the plane across the beam [um], > 0. It must be much wider
        than the beam, whose edges are left out of account.
    angle_deg
        Angle of incidence from the surface normal [degrees], 0 to below 90: an inclined surface
        takes the current on an area larger by 1/cos(angle).
    """
    check_positive("current_nA", current_nA)
    for width_um in raster_um:
        check_positive("raster_um", width_um)
    if not 0 <= angle_deg < 90:
        raise ValueError(f"angle_deg: must be >= 0 and < 90, got {angle_deg:g}")
    area_cm2 = raster_um[0] * raster_um[1] * 1e-8
    return current_nA * 1e-6 / area_cm2 * math.cos(math.radians(angle_deg))


def beam_erosion_rate_nm_s(
    atomic_fractions: Mapping[str, float],
    density_g_cm3: float,
    *,
    energy_eV: float,
    current_nA: float,
    raster_um: tuple[float, float],
    angle_deg: float = 0.0,
    ion: str = "Ar",
) -> tuple[float, Causes]:
    """Estimated erosion rate of a layer under a rastered ion beam.

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1.
    density_g_cm3
        Mass density of the layer [g/cm3], > 0.
    energy_eV
        Energy of the (single, atomic, singly charged) ions [eV], > 0.
    current_nA, raster_um, angle_deg
        As in `beam_current_density_mA_cm2`.
    ion
        Element of the ion.

    Returns
    -------
    rate_nm_s, causes
        Erosion rate along the surface normal [nm/s], and its relative standard uncertainty, see
        `causes`.

    Raises
    ------
    YieldUnknown
        A compound with non-metals that is in no table, or an element without a yield.
    """
    per_ion, causes = layer_yield(atomic_fractions, energy_eV, ion, angle_deg)
    rate_nm_s = erosion_rate_nm_s(
        beam_current_density_mA_cm2(current_nA, raster_um, angle_deg),
        per_ion,
        atomic_density_per_nm3(atomic_fractions, density_g_cm3),
    )
    return rate_nm_s, causes
