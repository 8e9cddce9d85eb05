"""The glow-discharge lamp as a source of ions: a rough estimate of its erosion rate.

In a Grimm-type lamp the ions lose most of their energy in collisions on the way through the
cathode sheath, the fast atoms made on that way sputter as well, and part of the sputtered atoms
falls back. This module puts all of that into two numbers, so it finds the order of magnitude and
the ratios of materials, never the rate of one lamp: take measured rates where there are any.
"""

import math
from collections.abc import Mapping

from craterfront.models.elements import atomic_density_per_nm3
from craterfront.models.sputtering import erosion_rate_nm_s, layer_yield
from craterfront.models.validity import check_positive

ENERGY_PER_VOLTAGE = 0.3
"""Effective ion energy over the discharge voltage (from memory: 0.1 to 0.5 in use)."""

NET_EROSION_SHARE = 0.6
"""Share of the sputtered atoms that does not fall back on the sample (from memory: 0.3 to 0.8)."""

COMMON_RATE_LN_SD = 0.7
"""Standard deviation of the logarithm of the factor that all rates of one lamp share (a factor of
2 either way, an estimate)."""


def effective_energy_eV(voltage_V: float) -> float:
    """Energy of single ions that would sputter like the lamp's mixture of ions and atoms [eV].

    Parameters
    ----------
    voltage_V
        Voltage between cathode and anode, as a magnitude [V], > 0.

    Notes
    -----
    A constant share of the voltage, common practice without a source; a fitting constant rather
    than an energy that could be measured.
    """
    check_positive("voltage_V", voltage_V)
    return ENERGY_PER_VOLTAGE * voltage_V


def lamp_current_density_mA_cm2(current_mA: float, anode_diameter_mm: float) -> float:
    """Current over the area that the anode leaves free [mA/cm2]."""
    check_positive("current_mA", current_mA)
    check_positive("anode_diameter_mm", anode_diameter_mm)
    return current_mA / (math.pi * (anode_diameter_mm / 20) ** 2)  # radius in cm


def lamp_erosion_rate_nm_s(
    atomic_fractions: Mapping[str, float],
    density_g_cm3: float,
    *,
    voltage_V: float,
    current_mA: float,
    anode_diameter_mm: float,
    gas: str = "Ar",
) -> tuple[float, float]:
    """Estimated erosion rate of a layer in a glow-discharge lamp.

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1.
    density_g_cm3
        Mass density of the layer [g/cm3], > 0.
    voltage_V, current_mA
        Voltage [V] and current [mA] of the discharge, as magnitudes, > 0.
    anode_diameter_mm
        Inner diameter of the anode [mm], > 0.
    gas
        The discharge gas.

    Returns
    -------
    rate_nm_s, u_rel
        Erosion rate [nm/s] and the part of its relative standard uncertainty that belongs to the
        material alone. One log-normal factor of standard deviation `COMMON_RATE_LN_SD`, the same
        for all layers of a measurement, comes on top.

    Raises
    ------
    YieldUnknown
        A compound with non-metals, or an element without a yield.

    Notes
    -----
    All current is taken as ions of `effective_energy_eV`, the net rate as `NET_EROSION_SHARE` of
    the gross rate. For a DC discharge of several hundred volts.
    """
    per_ion, u_rel = layer_yield(atomic_fractions, effective_energy_eV(voltage_V), gas)
    gross_nm_s = erosion_rate_nm_s(
        lamp_current_density_mA_cm2(current_mA, anode_diameter_mm),
        per_ion,
        atomic_density_per_nm3(atomic_fractions, density_g_cm3),
    )
    return NET_EROSION_SHARE * gross_nm_s, u_rel
