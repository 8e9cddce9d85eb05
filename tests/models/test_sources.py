"""The lamp and the ion beam: geometry, scaling and messages."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.beam import (
    U_REL_ANGLE,
    beam_current_density_mA_cm2,
    beam_erosion_rate_nm_s,
)
from craterfront.models.elements import atomic_density_per_nm3, solid_density_g_cm3
from craterfront.models.lamp import (
    ENERGY_PER_VOLTAGE,
    NET_EROSION_SHARE,
    effective_energy_eV,
    lamp_current_density_mA_cm2,
    lamp_erosion_rate_nm_s,
)
from craterfront.models.sputtering import elemental_yield, erosion_rate_nm_s
from craterfront.models.yield_formulas import YieldUnknown, angular_factor

LAMP = {"voltage_V": 700.0, "current_mA": 20.0, "anode_diameter_mm": 4.0}
BEAM = {"energy_eV": 500.0, "current_nA": 50.0, "raster_um": (300.0, 300.0)}


def rate_of(symbol, **changes):
    density = solid_density_g_cm3({symbol: 1}).value_g_cm3
    return lamp_erosion_rate_nm_s({symbol: 1}, density, **(LAMP | changes))[0]


def test_the_current_spreads_over_the_anode_opening():
    # 4 mm anode: pi (0.2 cm)^2 = 0.12566 cm2
    assert lamp_current_density_mA_cm2(20.0, 4.0) == pytest.approx(159.155, rel=1e-5)


@given(st.floats(0.1, 100), st.floats(1, 10), st.floats(1.1, 3))
def test_equal_current_density_needs_current_by_area(current_mA, diameter_mm, factor):
    wide = lamp_current_density_mA_cm2(current_mA * factor**2, diameter_mm * factor)
    assert wide == pytest.approx(lamp_current_density_mA_cm2(current_mA, diameter_mm), rel=1e-12)


def test_the_effective_energy_is_a_share_of_the_voltage():
    assert effective_energy_eV(700.0) == pytest.approx(700 * ENERGY_PER_VOLTAGE)


def test_a_lamp_erodes_in_proportion_to_its_current():
    assert rate_of("Fe", current_mA=40.0) == pytest.approx(2 * rate_of("Fe"), rel=1e-12)
    assert rate_of("Fe", voltage_V=900.0) > rate_of("Fe")


def test_the_net_rate_leaves_out_what_falls_back():
    density = solid_density_g_cm3({"Cu": 1}).value_g_cm3
    gross = erosion_rate_nm_s(
        lamp_current_density_mA_cm2(20.0, 4.0),
        elemental_yield("Cu", effective_energy_eV(700.0)),
        atomic_density_per_nm3({"Cu": 1}, density),
    )
    rate, u_rel = lamp_erosion_rate_nm_s({"Cu": 1}, density, **LAMP)
    assert rate == pytest.approx(NET_EROSION_SHARE * gross, rel=1e-12)
    assert u_rel == 0.2


def test_a_denser_layer_erodes_more_slowly():
    porous, _ = lamp_erosion_rate_nm_s({"Cr": 1}, 6.0, **LAMP)
    dense, _ = lamp_erosion_rate_nm_s({"Cr": 1}, 7.2, **LAMP)
    assert porous / dense == pytest.approx(7.2 / 6.0, rel=1e-12)


@pytest.mark.parametrize("name", ["voltage_V", "current_mA", "anode_diameter_mm"])
@pytest.mark.parametrize("value", [0.0, -700.0, math.nan])
def test_lamp_settings_must_be_positive(name, value):
    with pytest.raises(ValueError, match=f"{name}: must be > 0 and finite, got"):
        rate_of("Fe", **{name: value})


def test_a_nitride_needs_a_measured_rate_in_any_source():
    with pytest.raises(YieldUnknown, match="with N: give erosion_rate_nm_s"):
        lamp_erosion_rate_nm_s({"Ti": 1, "N": 1}, 5.2, **LAMP)
    with pytest.raises(YieldUnknown, match="with N: give erosion_rate_nm_s"):
        beam_erosion_rate_nm_s({"Ti": 1, "N": 1}, 5.2, **BEAM)


def test_the_beam_spreads_over_the_raster():
    # 100 nA on 0.1 mm x 0.1 mm = 1e-4 cm2: 1 mA/cm2
    assert beam_current_density_mA_cm2(100.0, (100.0, 100.0)) == pytest.approx(1.0, rel=1e-12)
    tilted = beam_current_density_mA_cm2(100.0, (100.0, 100.0), 60.0)
    assert tilted == pytest.approx(0.5, rel=1e-12)


def test_a_tilted_beam_erodes_by_yield_and_projection():
    straight, u_straight = beam_erosion_rate_nm_s({"Cu": 1}, 8.96, **BEAM)
    tilted, u_tilted = beam_erosion_rate_nm_s({"Cu": 1}, 8.96, angle_deg=45.0, **BEAM)
    factor = angular_factor(500.0, 45.0, "Cu") * math.cos(math.radians(45))
    assert tilted / straight == pytest.approx(factor, rel=1e-12)
    assert u_straight == 0.2
    assert u_tilted == pytest.approx(math.hypot(0.2, U_REL_ANGLE))


@pytest.mark.parametrize(
    ("settings", "part"),
    [
        ({"current_nA": 0.0}, "current_nA: must be > 0"),
        ({"raster_um": (300.0, -1.0)}, "raster_um: must be > 0 and finite, got -1"),
        ({"energy_eV": -500.0}, "energy_eV: must be > 0"),
        ({"angle_deg": 90.0}, "angle_deg: must be >= 0 and < 90, got 90"),
    ],
)
def test_beam_settings_are_checked(settings, part):
    with pytest.raises(ValueError, match=part):
        beam_erosion_rate_nm_s({"Cu": 1}, 8.96, **(BEAM | settings))


def test_the_angle_of_a_current_density_is_checked():
    with pytest.raises(ValueError, match="angle_deg: must be >= 0 and < 90, got 95"):
        beam_current_density_mA_cm2(1.0, (100.0, 100.0), 95.0)
