"""The lamp and the ion beam: geometry, scaling and messages."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.materials.elements import atomic_density_per_nm3, solid_density_g_cm3
from craterfront.models.materials.sputtering import (
    U_REL_ANGLE,
    alloy_yield,
    elemental_yield,
    erosion_rate_nm_s,
)
from craterfront.models.materials.yield_formulas import YieldUnknown, angular_factor
from craterfront.models.sources.beam import beam_current_density_mA_cm2, beam_erosion_rate_nm_s
from craterfront.models.sources.lamp import (
    LOW_ENERGY_YIELD_LN_SD,
    Discharge,
    common_rate_ln_sd,
    depth_rate_nm_s,
    effective_yield,
    ion_current_density_mA_cm2,
    lamp_current_density_mA_cm2,
    lamp_erosion_rate_nm_s,
)
from craterfront.models.validity import ValidityWarning

LAMP = {"voltage_V": 700.0, "current_mA": 20.0, "anode_diameter_mm": 4.0}
BEAM = {"energy_eV": 500.0, "current_nA": 50.0, "raster_um": (300.0, 300.0)}


def rate_of(symbol, **changes):
    density = solid_density_g_cm3({symbol: 1}).value_g_cm3
    return lamp_erosion_rate_nm_s({symbol: 1}, density, Discharge(**(LAMP | changes)))[0]


def test_the_current_spreads_over_the_anode_opening():
    # 4 mm anode: pi (0.2 cm)^2 = 0.12566 cm2
    assert lamp_current_density_mA_cm2(20.0, 4.0) == pytest.approx(159.155, rel=1e-5)


@given(st.floats(0.1, 100), st.floats(1, 10), st.floats(1.1, 3))
def test_equal_current_density_needs_current_by_area(current_mA, diameter_mm, factor):
    wide = lamp_current_density_mA_cm2(current_mA * factor**2, diameter_mm * factor)
    assert wide == pytest.approx(lamp_current_density_mA_cm2(current_mA, diameter_mm), rel=1e-12)


def test_electrons_from_the_cathode_take_their_part_of_the_current():
    whole = lamp_current_density_mA_cm2(20.0, 4.0)
    assert 0.85 * whole < ion_current_density_mA_cm2(20.0, 4.0) < 0.95 * whole


def test_a_lamp_erodes_in_proportion_to_its_current():
    assert rate_of("Fe", current_mA=40.0) == pytest.approx(2 * rate_of("Fe"), rel=1e-12)
    assert rate_of("Fe", voltage_V=900.0) > rate_of("Fe")


def test_the_net_rate_leaves_out_what_falls_back():
    density = solid_density_g_cm3({"Cu": 1}).value_g_cm3
    discharge = Discharge(**LAMP, redeposited_share=0.3)
    gross = erosion_rate_nm_s(
        ion_current_density_mA_cm2(20.0, 4.0),
        effective_yield("Cu", 700.0, discharge.free_paths),
        atomic_density_per_nm3({"Cu": 1}, density),
    )
    rate, causes = lamp_erosion_rate_nm_s({"Cu": 1}, density, discharge)
    assert rate == pytest.approx(0.7 * gross, rel=1e-12)
    assert causes == {"yield of Cu": 0.2}


def test_fast_atoms_sputter_besides_the_ions():
    """Ions that keep the whole voltage sputter less together than the many particles in which
    charge exchange divides the same energy, until those fall below the threshold."""
    alone = elemental_yield("Cu", 700.0)
    assert effective_yield("Cu", 700.0, 4.0, 0.0) > 1.2 * alone
    assert effective_yield("Cu", 700.0, 4.0, 0.0) > effective_yield("Cu", 700.0, 4.0, 0.3)
    assert effective_yield("W", 100.0, 40.0) < 0.05 * elemental_yield("W", 100.0)


def test_an_alloy_in_a_lamp_combines_the_effective_yields_of_its_elements():
    brass = {"Cu": 0.63, "Zn": 0.37}
    discharge = Discharge(**LAMP)
    yields = {s: effective_yield(s, 700.0, discharge.free_paths) for s in brass}
    gross = erosion_rate_nm_s(
        ion_current_density_mA_cm2(20.0, 4.0),
        alloy_yield(brass, yields),
        atomic_density_per_nm3(brass, 8.4),
    )
    rate, causes = lamp_erosion_rate_nm_s(brass, 8.4, discharge)
    assert rate == pytest.approx((1 - discharge.redeposited_share) * gross, rel=1e-12)
    assert causes == {"yield of Cu0.63Zn0.37": 0.5}


@given(st.floats(400, 1000), st.floats(6, 30), st.floats(1.02, 1.5))
def test_a_longer_sheath_erodes_less_and_a_higher_voltage_more(voltage_V, free_paths, factor):
    """In a sheath of a few free paths it is the other way round: many fast atoms that are still
    above the threshold sputter more together than few."""
    rate = rate_of("Fe", voltage_V=voltage_V, free_paths=free_paths)
    assert rate_of("Fe", voltage_V=voltage_V, free_paths=free_paths * factor) < rate
    assert rate_of("Fe", voltage_V=voltage_V * factor, free_paths=free_paths) > rate


def test_a_denser_layer_erodes_more_slowly():
    porous, _ = lamp_erosion_rate_nm_s({"Cr": 1}, 6.0, Discharge(**LAMP))
    dense, _ = lamp_erosion_rate_nm_s({"Cr": 1}, 7.2, Discharge(**LAMP))
    assert porous / dense == pytest.approx(7.2 / 6.0, rel=1e-12)


def test_a_mass_rate_is_a_depth_rate_on_the_area_of_the_anode():
    # 4 mm anode: 12.566 mm2 of 1 g/cm3, 1 ug/s: 1e-3 mm3/s over that area
    assert depth_rate_nm_s(1.0, 1.0, 4.0) == pytest.approx(1e3 / (4 * math.pi), rel=1e-12)
    assert depth_rate_nm_s(1.0, 1.0, 2.5) / depth_rate_nm_s(1.0, 1.0, 4.0) == pytest.approx(2.56)


def test_the_common_factor_is_as_uncertain_as_what_it_stands_for():
    unknown = common_rate_ln_sd(Discharge(**LAMP))
    sheath = common_rate_ln_sd(Discharge(**LAMP, free_paths_ln_sd=0.0))
    both = common_rate_ln_sd(Discharge(**LAMP, free_paths_ln_sd=0.0, redeposited_share_u=0.0))
    assert unknown > sheath > both > 0.15
    share = Discharge(**LAMP, redeposited_share=0.5, redeposited_share_u=0.05)
    exact = Discharge(**LAMP, redeposited_share=0.5, redeposited_share_u=0.0)
    added = common_rate_ln_sd(share) ** 2 - common_rate_ln_sd(exact) ** 2
    assert added == pytest.approx(0.1**2, rel=1e-9)


@pytest.mark.filterwarnings("ignore::craterfront.models.validity.ValidityWarning")
def test_a_voltage_that_sputters_nothing_has_no_common_factor():
    with pytest.raises(ValueError, match="voltage_V: must be large enough to sputter Fe through"):
        common_rate_ln_sd(Discharge(**(LAMP | {"voltage_V": 15.0})))


@pytest.mark.parametrize("symbol", ["Al", "Ti", "Cr", "Fe", "Ni", "Cu", "Zn", "Mo", "Ag", "W"])
def test_the_common_factor_stands_for_all_metals(symbol):
    """Rates with sheath and redeposition drawn from what is said to be uncertain spread as the
    propagated uncertainty says of iron, within a quarter."""
    rng = np.random.default_rng(7)
    rates = [
        math.log(
            rate_of(
                symbol,
                free_paths=10.0 * math.exp(0.5 * rng.standard_normal()),
                redeposited_share=rng.uniform(0.2, 0.7),
            )
        )
        for _ in range(400)
    ]
    left_out = math.hypot(LOW_ENERGY_YIELD_LN_SD, 0.105, 0.045)  # scattering and electrons
    spread = math.hypot(float(np.std(rates)), left_out)
    assert spread == pytest.approx(common_rate_ln_sd(Discharge(**LAMP)), rel=0.25)


@pytest.mark.parametrize("name", ["voltage_V", "current_mA", "anode_diameter_mm", "free_paths"])
@pytest.mark.parametrize("value", [0.0, -700.0, math.nan])
def test_lamp_settings_must_be_positive(name, value):
    with pytest.raises(ValueError, match=f"{name}: must be > 0 and finite, got"):
        rate_of("Fe", **{name: value})


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("free_paths", 80.0, "free_paths = 80: a glow-discharge lamp has 1 to 50"),
        ("voltage_V", 150.0, "voltage_V = 150: a glow-discharge lamp has 200 to 2000"),
    ],
)
def test_a_discharge_out_of_range_is_told(name, value, message):
    with pytest.warns(ValidityWarning, match=message):
        Discharge(**(LAMP | {name: value}))


@pytest.mark.parametrize("share", [-0.1, 1.0, math.nan])
def test_what_falls_back_is_a_share(share):
    with pytest.raises(ValueError, match="redeposited_share: must be >= 0 and < 1, got"):
        Discharge(**LAMP, redeposited_share=share)


def test_a_nitride_in_no_table_needs_a_measured_rate_in_any_source():
    with pytest.raises(YieldUnknown, match="with N: give erosion_rate_nm_s"):
        lamp_erosion_rate_nm_s({"Cr": 1, "N": 1}, 5.9, Discharge(**LAMP))
    with pytest.raises(YieldUnknown, match="with N: give erosion_rate_nm_s"):
        beam_erosion_rate_nm_s({"Cr": 1, "N": 1}, 5.9, **BEAM)


def test_the_beam_spreads_over_the_raster():
    # 100 nA on 0.1 mm x 0.1 mm = 1e-4 cm2: 1 mA/cm2
    assert beam_current_density_mA_cm2(100.0, (100.0, 100.0)) == pytest.approx(1.0, rel=1e-12)
    tilted = beam_current_density_mA_cm2(100.0, (100.0, 100.0), 60.0)
    assert tilted == pytest.approx(0.5, rel=1e-12)


def test_a_tilted_beam_erodes_by_yield_and_projection():
    straight, causes_straight = beam_erosion_rate_nm_s({"Cu": 1}, 8.96, **BEAM)
    tilted, causes_tilted = beam_erosion_rate_nm_s({"Cu": 1}, 8.96, angle_deg=45.0, **BEAM)
    factor = angular_factor(500.0, 45.0, "Cu") * math.cos(math.radians(45))
    assert tilted / straight == pytest.approx(factor, rel=1e-12)
    assert causes_straight == {"yield of Cu": 0.2}
    assert causes_tilted == {"yield of Cu": pytest.approx(math.hypot(0.2, U_REL_ANGLE))}


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
