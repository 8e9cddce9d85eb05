"""Rates from one measured rate, and the third of voltage, current and pressure."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.materials.conduction import conducts
from craterfront.models.materials.elements import parse_formula, solid_density_g_cm3
from craterfront.models.materials.yield_formulas import YieldUnknown
from craterfront.models.sources.lamp import Discharge, effective_yield, lamp_erosion_rate_nm_s
from craterfront.models.sources.rate_laws import (
    EXPONENT_SD,
    MeasuredRate,
    current_mA_by_similarity,
    measured_rate_ln_sd,
    rate_from_measured_nm_s,
    similarity_ln_sd,
    voltage_factor,
    voltage_V_by_similarity,
)
from craterfront.models.sources.sheath import sheath_free_paths

LAWS = ("sheath", "linear", "power")
AT_700 = Discharge(voltage_V=700.0, current_mA=20.0, anode_diameter_mm=4.0)
IRON = MeasuredRate({"Fe": 1.0}, 7.874, 40.0, 0.03, AT_700)


def rate(symbol, discharge, law="sheath", measured=IRON):
    density = solid_density_g_cm3({symbol: 1.0}).value_g_cm3
    return rate_from_measured_nm_s({symbol: 1.0}, density, discharge, measured, law)


def at(voltage_V, current_mA=20.0, **more):
    return Discharge(voltage_V=voltage_V, current_mA=current_mA, anode_diameter_mm=4.0, **more)


@pytest.mark.parametrize("law", LAWS)
def test_the_measured_rate_is_met_where_it_was_measured(law):
    assert rate("Fe", AT_700, law) == (pytest.approx(40.0, rel=1e-12), {})
    assert measured_rate_ln_sd(AT_700, IRON) == 0.03


@pytest.mark.parametrize("law", LAWS)
def test_every_law_goes_with_the_current_and_rises_with_the_voltage(law):
    assert rate("Cu", at(700.0, 10.0), law)[0] == pytest.approx(rate("Cu", AT_700, law)[0] / 2)
    rates = [rate("Cu", at(voltage_V), law)[0] for voltage_V in (500.0, 700.0, 1000.0)]
    assert rates == sorted(rates)


@pytest.mark.parametrize("law", LAWS)
def test_materials_stand_to_each_other_as_their_yields(law):
    copper, iron = rate("Cu", AT_700, law), rate("Fe", AT_700, law)
    model = [
        lamp_erosion_rate_nm_s(
            {symbol: 1.0}, solid_density_g_cm3({symbol: 1.0}).value_g_cm3, AT_700
        )[0]
        for symbol in ("Cu", "Fe")
    ]
    assert copper[0] / iron[0] == pytest.approx(model[0] / model[1], rel=1e-12)
    assert copper[1] == {"yield of Cu": 0.2, "yield of Fe": -0.2}


def test_a_measured_rate_has_its_own_redeposition():
    other = at(700.0, redeposited_share=0.6)
    measured = MeasuredRate({"Fe": 1.0}, 7.874, 40.0, 0.03, other)
    own, usual = rate("Cu", other, measured=measured), rate("Cu", AT_700)
    assert own[0] == pytest.approx(usual[0], rel=1e-12)
    assert own[1] == usual[1]


def test_a_measured_nitride_goes_by_a_published_law_alone():
    nitride = {"Cr": 0.5, "N": 0.5}
    measured = MeasuredRate(nitride, 5.4, 8.0, 0.05, AT_700)
    faster = rate_from_measured_nm_s({"Cr": 1, "N": 1}, 5.4, at(1000.0, 10.0), measured, "linear")
    assert faster == (pytest.approx(8.0 * 1.75 / 2), {})
    with pytest.raises(YieldUnknown, match="a material with N"):
        rate_from_measured_nm_s(nitride, 5.4, at(1000.0), measured, "sheath")
    with pytest.raises(YieldUnknown, match=r"reference is of no use for it: .* with N"):
        rate("Cu", AT_700, "linear", measured)


def test_the_measured_material_erodes_faster_where_it_is_porous():
    for law in LAWS:
        porous, _ = rate_from_measured_nm_s({"Fe": 1.0}, 7.0, AT_700, IRON, law)
        assert porous == pytest.approx(40.0 * 7.874 / 7.0, rel=1e-12)


def test_the_spread_of_the_laws_is_that_of_their_exponents():
    """Local exponents at 700 V of the published laws and of the sheath: their standard deviation
    about the middle is the one that is stated."""

    def exponent(high, low):
        return math.log(high / low) / math.log(720 / 680)

    exponents = [
        exponent(voltage_factor(law, 720.0, 700.0), voltage_factor(law, 680.0, 700.0))
        for law in ("linear", "power")
    ]
    exponents += [
        exponent(effective_yield(s, 720.0, a), effective_yield(s, 680.0, a))
        for s in ("Fe", "Cu")
        for a in (6.0, 10.0, 16.0)
    ]
    assert 0.95 < min(exponents) < max(exponents) < 1.80
    uniform = (max(exponents) - min(exponents)) / math.sqrt(12)
    assert uniform == pytest.approx(EXPONENT_SD, abs=0.04)


def test_away_from_the_measured_voltage_the_factor_is_less_certain():
    assert measured_rate_ln_sd(at(900.0), IRON) == pytest.approx(
        math.hypot(0.03, EXPONENT_SD * math.log(900 / 700))
    )


@pytest.mark.parametrize(("voltage_V", "reference_V"), [(400.0, 700.0), (700.0, 390.0)])
def test_a_law_is_not_used_below_its_threshold(voltage_V, reference_V):
    with pytest.raises(ValueError, match=r"voltage_V: must be > 400, where the law 'power' begins"):
        voltage_factor("power", voltage_V, reference_V)


# --- the third of voltage, current and pressure ---------------------------------------------------

POINT = {"reference_V": 700.0, "reference_mA": 20.0, "reference_hPa": 6.0}


def test_the_measured_point_is_met():
    assert current_mA_by_similarity(700.0, 6.0, **POINT) == pytest.approx(20.0, rel=1e-12)
    assert similarity_ln_sd(700.0, 6.0, 700.0, 6.0) == 0.0


@given(st.floats(400, 1200), st.floats(3, 12))
def test_voltage_and_current_follow_from_each_other(voltage_V, pressure_hPa):
    current_mA = current_mA_by_similarity(voltage_V, pressure_hPa, **POINT)
    back_V = voltage_V_by_similarity(current_mA, pressure_hPa, **POINT)
    assert back_V == pytest.approx(voltage_V, rel=1e-9)
    assert similarity_ln_sd(voltage_V, pressure_hPa, 700.0, 6.0) >= 0.0


@given(st.floats(400, 1200), st.floats(3, 12))
def test_the_way_keeps_the_free_paths_of_the_sheath(voltage_V, pressure_hPa):
    first, _ = sheath_free_paths(700.0, 150.0, 6.0)
    scale = current_mA_by_similarity(voltage_V, pressure_hPa, **POINT) / 20.0
    there, _ = sheath_free_paths(voltage_V, 150.0 * scale, pressure_hPa)
    assert there == pytest.approx(first, rel=1e-9)


# --- conduction -----------------------------------------------------------------------------------


@pytest.mark.parametrize("formula", ["Al2O3", "SiO2", "TiO2", "ZrO2", "CaF2", "AlN", "Si3N4", "BN"])
def test_insulators(formula):
    assert not conducts(parse_formula(formula))


@pytest.mark.parametrize(
    "formula", ["Fe", "Si", "C", "TiN", "CrN", "ZrN", "TiAlN2", "TiC", "WC", "Ni2B", "CuInSe2"]
)
def test_conductors(formula):
    assert conducts(parse_formula(formula))


@given(st.floats(0.0, 0.2), st.sampled_from(["O", "N", "Cl"]))
def test_a_metal_with_a_little_of_a_non_metal_conducts(share, symbol):
    assert conducts({"Al": 1 - share, symbol: share})


@given(st.lists(st.floats(0.1, 9.0), min_size=3, max_size=3), st.floats(0.1, 1e3))
def test_amounts_count_relative_to_each_other(amounts, factor):
    composition = dict(zip(("Al", "Ti", "N"), amounts, strict=True))
    shares = np.array(amounts) / sum(amounts)
    near = abs(shares[2] - 0.25) < 1e-9 or abs(shares[0] - 2 / 3 * (1 - shares[2])) < 1e-9
    scaled = {symbol: amount * factor for symbol, amount in composition.items()}
    assert near or conducts(scaled) == conducts(composition)
