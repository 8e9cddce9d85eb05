"""The glow-discharge lamp as a source of ions: yields, erosion rates and how far to trust them.

The ions and fast atoms of the cathode sheath (`craterfront.models.sources.sheath`) sputter, and a
share of what they sputter falls back. Sheath, redeposition and electrons are known roughly; what
they make of the rate is the same for all layers of one lamp, and goes into one factor with an
uncertainty that follows from theirs. A measured rate is worth more: see
`craterfront.models.sources.rate_laws`.
"""

import math
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from craterfront.models.materials.causes import Causes
from craterfront.models.materials.elements import atomic_density_per_nm3
from craterfront.models.materials.sputtering import (
    erosion_rate_nm_s,
    layer_yield_by,
    spectrum_yield,
)
from craterfront.models.sources.sheath import (
    SCATTERING_RATIO,
    SCATTERING_RATIO_U,
    USUAL_FREE_PATHS,
    USUAL_FREE_PATHS_LN_SD,
    cathode_impacts,
)
from craterfront.models.validity import ValidityWarning, check_positive

REDEPOSITED_SHARE = 0.45
REDEPOSITED_SHARE_U = 0.144
"""Share of the sputtered atoms that falls back on the sample, and its standard uncertainty:
anything from 0.2 to 0.7 (from memory), more at high pressure."""

ELECTRONS_PER_ION = 0.1
ELECTRONS_PER_ION_U = 0.05
"""Electrons that leave the cathode per ion that arrives (from memory: 0.05 to 0.15 for metals
under slow argon). They carry their part of the current, and erode nothing."""

LOW_ENERGY_YIELD_LN_SD = 0.15
"""Standard deviation of the logarithm of an error that the yields of all metals share (an estimate:
half of the sputtering is done below 200 eV, where few yields are measured; at 200 and 300 eV
`elemental_yield` is within 1 % of 28 measured metals in the mean)."""


_USUAL = {"voltage_V": (200.0, 2000.0), "free_paths": (1.0, 50.0)}


@dataclass(frozen=True)
class Discharge:
    """A lamp in operation, with what is uncertain about it.

    Attributes
    ----------
    voltage_V, current_mA
        Voltage [V] and current [mA] of the discharge, as magnitudes, > 0.
    anode_diameter_mm
        Inner diameter of the anode [mm], > 0.
    free_paths, free_paths_ln_sd
        Length of the sheath in mean free paths for charge exchange, and the standard deviation of
        its logarithm.
    redeposited_share, redeposited_share_u
        Share of the sputtered atoms that falls back, 0 to below 1, and its standard uncertainty.

    Warns
    -----
    ValidityWarning
        A voltage outside 200 to 2000 V, or a sheath of fewer than 1 or more than 50 free paths.
    """

    voltage_V: float
    current_mA: float
    anode_diameter_mm: float
    free_paths: float = USUAL_FREE_PATHS
    free_paths_ln_sd: float = USUAL_FREE_PATHS_LN_SD
    redeposited_share: float = REDEPOSITED_SHARE
    redeposited_share_u: float = REDEPOSITED_SHARE_U

    def __post_init__(self) -> None:
        for name in ("voltage_V", "current_mA", "anode_diameter_mm", "free_paths"):
            check_positive(name, getattr(self, name))
        if not 0 <= self.redeposited_share < 1:
            raise ValueError(
                f"redeposited_share: must be >= 0 and < 1, got {self.redeposited_share:g}"
            )
        for name, (least, most) in _USUAL.items():
            if not least <= getattr(self, name) <= most:
                warnings.warn(
                    f"{name} = {getattr(self, name):.4g}: a glow-discharge lamp has"
                    f" {least:g} to {most:g}",
                    ValidityWarning,
                    stacklevel=3,
                )


def lamp_current_density_mA_cm2(current_mA: float, anode_diameter_mm: float) -> float:
    """Current over the area that the anode leaves free [mA/cm2]."""
    check_positive("current_mA", current_mA)
    check_positive("anode_diameter_mm", anode_diameter_mm)
    return current_mA / (math.pi * (anode_diameter_mm / 20) ** 2)  # radius in cm


def ion_current_density_mA_cm2(current_mA: float, anode_diameter_mm: float) -> float:
    """The same without the electrons that leave the cathode [mA/cm2]."""
    return lamp_current_density_mA_cm2(current_mA, anode_diameter_mm) / (1 + ELECTRONS_PER_ION)


def depth_rate_nm_s(mass_rate_ug_s: float, density_g_cm3: float, anode_diameter_mm: float) -> float:
    """Erosion rate [nm/s] that takes a mass per time off the area that the anode leaves free.

    Parameters
    ----------
    mass_rate_ug_s, density_g_cm3, anode_diameter_mm
        Eroded mass per time [ug/s], density [g/cm3], inner diameter of the anode [mm]; > 0.
    """
    check_positive("mass_rate_ug_s", mass_rate_ug_s)
    check_positive("density_g_cm3", density_g_cm3)
    check_positive("anode_diameter_mm", anode_diameter_mm)
    area_mm2 = math.pi * (anode_diameter_mm / 2) ** 2
    return 1e3 * mass_rate_ug_s / (area_mm2 * density_g_cm3)


@lru_cache(maxsize=4096)
def effective_yield(
    symbol: str,
    voltage_V: float,
    free_paths: float,
    scattering_ratio: float = SCATTERING_RATIO,
) -> float:
    """Atoms of an element sputtered per argon ion that arrives, by it and by its fast atoms.

    Parameters
    ----------
    symbol
        Target element.
    voltage_V, free_paths, scattering_ratio
        As in `sheath.cathode_impacts`.

    Raises
    ------
    YieldUnknown
        There are no parameters for the target.
    """
    impacts = cathode_impacts(voltage_V, free_paths, scattering_ratio)
    return spectrum_yield(symbol, impacts.energy_eV, impacts.per_ion)


def lamp_erosion_rate_nm_s(
    atomic_fractions: Mapping[str, float], density_g_cm3: float, discharge: Discharge
) -> tuple[float, Causes]:
    """Estimated erosion rate of a layer in a glow-discharge lamp with argon.

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1.
    density_g_cm3
        Mass density of the layer [g/cm3], > 0.
    discharge
        The lamp in operation.

    Returns
    -------
    rate_nm_s, causes
        Erosion rate [nm/s] and the part of its relative standard uncertainty that belongs to the
        material, see `causes`. One log-normal factor of standard deviation `common_rate_ln_sd`,
        the same for all layers of a measurement, comes on top.

    Raises
    ------
    YieldUnknown
        A compound with non-metals that is in no table, or an element without a yield.

    Notes
    -----
    Ions and fast atoms sputter alike and at normal incidence.
    """
    per_ion, causes = layer_yield_by(
        atomic_fractions,
        lambda symbol: effective_yield(symbol, discharge.voltage_V, discharge.free_paths),
    )
    gross_nm_s = erosion_rate_nm_s(
        ion_current_density_mA_cm2(discharge.current_mA, discharge.anode_diameter_mm),
        per_ion,
        atomic_density_per_nm3(atomic_fractions, density_g_cm3),
    )
    return (1 - discharge.redeposited_share) * gross_nm_s, causes


def common_rate_ln_sd(discharge: Discharge, symbol: str = "Fe") -> float:
    """Standard deviation of the logarithm of the factor that all rates of one lamp share.

    Parameters
    ----------
    discharge
        The lamp in operation.
    symbol
        The element whose yield stands for all metals.

    Returns
    -------
    float
        The effects of sheath length, scattering of fast atoms, redeposition, electrons and yields
        at low energies, each over one standard uncertainty either way, in quadrature.

    Raises
    ------
    ValueError
        The voltage sputters nothing.
    """
    voltage_V, a = discharge.voltage_V, discharge.free_paths
    factor = math.exp(discharge.free_paths_ln_sd)
    nominal = effective_yield(symbol, voltage_V, a)
    by_sheath = [effective_yield(symbol, voltage_V, a * by) for by in (1 / factor, factor)]
    by_scattering = [
        effective_yield(symbol, voltage_V, a, SCATTERING_RATIO + by)
        for by in (-SCATTERING_RATIO_U, SCATTERING_RATIO_U)
    ]
    if min(nominal, *by_sheath, *by_scattering) == 0:
        raise ValueError(
            f"voltage_V: must be large enough to sputter {symbol} through a sheath of {a:.4g} free"
            f" paths, got {voltage_V:g}"
        )
    return math.hypot(
        *(math.log(per_ion / nominal) / math.sqrt(2) for per_ion in by_sheath + by_scattering),
        discharge.redeposited_share_u / (1 - discharge.redeposited_share),
        ELECTRONS_PER_ION_U / (1 + ELECTRONS_PER_ION),
        LOW_ENERGY_YIELD_LN_SD,
    )
