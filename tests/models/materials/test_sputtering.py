"""Sputter yields: shapes, limits, alloy rules and messages."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from craterfront.models.materials.causes import u_rel
from craterfront.models.materials.elements import FormulaError
from craterfront.models.materials.sputtering import (
    alloy_yield,
    component_yields,
    elemental_yield,
    erosion_rate_nm_s,
    layer_yield,
    measured_factor,
    preferential_decay_length_nm,
    spectrum_yield,
    surface_fractions_steady,
    yield_u_rel,
)
from craterfront.models.materials.tables import read_table
from craterfront.models.materials.yield_formulas import (
    YieldUnknown,
    angular_factor,
    eckstein_yield,
    optimum_angle_deg,
    reduced_energy,
    target_parameters,
    threshold_energy_eV,
    yamamura_yield,
)
from craterfront.models.validity import ValidityWarning

TARGETS = [row["symbol"] for row in read_table("yamamura.csv")]
TABULATED = [row["symbol"] for row in read_table("yamamura.csv") if row["kind"] == "table"]

targets = st.sampled_from(TARGETS)
fractions = st.floats(0.01, 1)
component = st.floats(0.05, 10)


# --- formulas -------------------------------------------------------------------------------------


@given(targets, st.floats(1e-3, 1))
def test_nothing_is_sputtered_up_to_the_threshold(symbol, share):
    assert yamamura_yield(share * threshold_energy_eV(symbol), symbol) == 0.0


@given(targets)
def test_the_yield_sets_in_above_the_threshold(symbol):
    assert yamamura_yield(1.5 * threshold_energy_eV(symbol), symbol) > 0


@pytest.mark.parametrize("symbol", TARGETS)
def test_the_yield_rises_with_energy_to_one_kilovolt(symbol):
    yields = yamamura_yield(np.linspace(1.01 * threshold_energy_eV(symbol), 1000, 200), symbol)
    assert np.all(np.diff(yields) > 0)


@given(targets, st.floats(1, 1e4))
def test_a_number_gives_a_number_and_an_array_the_same_values(symbol, energy_eV):
    single = yamamura_yield(energy_eV, symbol)
    array = yamamura_yield(np.full((2, 3), energy_eV), symbol)
    assert isinstance(single, float)
    assert array.shape == (2, 3)
    assert array == pytest.approx(np.full((2, 3), single), rel=1e-14)  # vectorised exp may differ


def test_the_reduced_energy_is_proportional_to_the_energy():
    energies_eV = np.array([1.0, 10.0, 1e4])
    assert reduced_energy(energies_eV, "Cu") == pytest.approx(
        energies_eV * reduced_energy(1.0, "Cu"), rel=1e-14
    )


@pytest.mark.parametrize("energy_eV", [0.0, -5.0, math.nan, math.inf])
def test_energies_must_be_positive(energy_eV):
    for function in (yamamura_yield, eckstein_yield):
        with pytest.raises(ValueError, match="energy_eV: must be > 0 and finite, got"):
            function(np.array([100.0, energy_eV]), "W")


def test_formulas_without_parameters_say_so():
    with pytest.raises(YieldUnknown, match="element N"):
        target_parameters("N")
    with pytest.raises(YieldUnknown, match="only Zn, W, Ta, Th"):
        eckstein_yield(500.0, "Fe")
    with pytest.raises(FormulaError, match="did you mean Fe"):
        yamamura_yield(500.0, "fe")


# --- oblique incidence ----------------------------------------------------------------------------


@given(st.sampled_from(TABULATED), st.floats(200, 5000))
def test_the_largest_yield_is_at_the_optimum_angle(symbol, energy_eV):
    best_deg = optimum_angle_deg(energy_eV, symbol)
    assume(1 < best_deg < 74)
    best = angular_factor(energy_eV, best_deg, symbol)
    assert best >= 1
    assert best > angular_factor(energy_eV, best_deg - 0.5, symbol)
    assert best > angular_factor(energy_eV, best_deg + 0.5, symbol)


def test_normal_incidence_has_factor_one():
    assert angular_factor(1000.0, 0.0, "Cu") == 1.0
    assert angular_factor(1000.0, 1e-4, "Cu") == pytest.approx(1, abs=1e-9)


def test_the_exponent_stays_finite_at_the_threshold():
    energy_eV = threshold_energy_eV("Cu")
    assert 0 < angular_factor(energy_eV, 30.0, "Cu") < 100
    assert 0 < angular_factor(1.0001 * energy_eV, 30.0, "Cu") < 100


@pytest.mark.parametrize("angle_deg", [-1.0, 90.0, 120.0, math.nan])
def test_angles_must_be_below_ninety_degrees(angle_deg):
    with pytest.raises(ValueError, match="angle_deg: must be >= 0 and < 90, got"):
        angular_factor(1000.0, angle_deg, "Cu")


def test_what_the_angular_formula_does_not_cover():
    with pytest.warns(ValidityWarning, match="above 75 degrees"):
        angular_factor(1000.0, 80.0, "Cu")
    with pytest.raises(ValueError, match="light ion He"):
        angular_factor(1000.0, 45.0, "Cu", "He")


def test_the_angle_scales_the_elemental_yield():
    energies_eV = np.array([500.0, 1000.0])
    expected = [
        elemental_yield("Cu", e) * angular_factor(e, 45.0, "Cu") for e in energies_eV.tolist()
    ]
    assert elemental_yield("Cu", energies_eV, angle_deg=45.0) == pytest.approx(expected, rel=1e-12)


# --- elements -------------------------------------------------------------------------------------


def test_a_measured_factor_serves_other_ions_too():
    ratio = elemental_yield("Cu", 500.0, "Kr") / yamamura_yield(500.0, "Cu", "Kr")
    assert ratio == pytest.approx(measured_factor("Cu"), rel=1e-12)
    assert measured_factor("Sn") == 1.0


def test_zinc_follows_its_fit_under_argon_only():
    assert elemental_yield("Zn", 300.0) == eckstein_yield(300.0, "Zn")
    assert elemental_yield("Zn", 300.0, "Kr") == yamamura_yield(300.0, "Zn", "Kr")


def test_tungsten_follows_the_measurements():
    assert elemental_yield("W", 500.0) == pytest.approx(0.57, rel=1e-12)


def test_uncertainties_grow_with_ignorance():
    assert [yield_u_rel(s) for s in ("Cu", "Zn", "C", "La")] == [0.2, 0.3, 0.5, 1.0]
    with pytest.raises(YieldUnknown):
        yield_u_rel("O")


@pytest.mark.parametrize(
    ("symbol", "energy_eV", "ion", "part"),
    [
        ("Cu", 10.0, "Ar", "10 eV is below the sputtering threshold"),
        ("Zn", 5.0, "Ar", "5 eV is below the sputtering threshold"),
        ("Cu", 2e4, "Ar", "20000 eV is above 10000 eV"),
        ("Cu", 1000.0, "O", "reacts with the target"),
    ],
)
def test_results_outside_the_validity_range_warn(symbol, energy_eV, ion, part):
    with pytest.warns(ValidityWarning, match=part):
        elemental_yield(symbol, energy_eV, ion)


def test_a_spectrum_sputters_as_its_energies_do():
    energies, numbers = np.array([500.0, 200.0, 5.0]), np.array([2.0, 3.0, 100.0])
    expected = 2 * elemental_yield("Cu", 500.0) + 3 * elemental_yield("Cu", 200.0)
    assert spectrum_yield("Cu", energies, numbers) == pytest.approx(expected, rel=1e-12)
    with pytest.raises(YieldUnknown, match="the element N"):
        spectrum_yield("N", energies, numbers)


# --- alloys ---------------------------------------------------------------------------------------


@given(fractions, fractions, component, component)
def test_the_flux_has_the_composition_of_the_bulk(c_ni, c_cu, y_ni, y_cu):
    bulk = {"Ni": c_ni, "Cu": c_cu}
    yields = {"Ni": y_ni, "Cu": y_cu}
    surface = surface_fractions_steady(bulk, yields)
    flux = {symbol: surface[symbol] * yields[symbol] for symbol in bulk}
    total = sum(flux.values())
    assert sum(surface.values()) == pytest.approx(1, abs=1e-12)
    assert total == pytest.approx(alloy_yield(bulk, yields), rel=1e-12)
    assert flux["Ni"] / total == pytest.approx(c_ni / (c_ni + c_cu), rel=1e-12)


@given(fractions, fractions, component, component)
def test_an_alloy_yields_between_its_components(c_ni, c_cu, y_ni, y_cu):
    total = alloy_yield({"Ni": c_ni, "Cu": c_cu}, {"Ni": y_ni, "Cu": y_cu})
    assert min(y_ni, y_cu) * (1 - 1e-12) <= total <= max(y_ni, y_cu) * (1 + 1e-12)


def test_a_component_that_stays_stops_the_erosion():
    assert alloy_yield({"Ni": 0.9, "Cu": 0.1}, {"Ni": 0.0, "Cu": 1.0}) == 0.0
    with pytest.raises(ValueError, match="yield of Ni: must be > 0"):
        surface_fractions_steady({"Ni": 0.9, "Cu": 0.1}, {"Ni": 0.0, "Cu": 1.0})


@pytest.mark.parametrize(("bulk", "ratio"), [(0.5, 2.0), (0.3, 0.5), (0.2, 3.0), (0.7, 1.0)])
def test_the_transient_ends_with_the_decay_length(bulk, ratio):
    """Integrates the mixed zone dc/dz = [bulk - r c/(1 + (r - 1) c)]/w by Runge-Kutta steps."""
    zone_nm, step_nm = 2.0, 0.01

    def slope(c):
        return (bulk - ratio * c / (1 + (ratio - 1) * c)) / zone_nm

    steady = bulk / (ratio - (ratio - 1) * bulk)
    c, distance = bulk + 0.05, []  # starts off the steady state even where the ratio is 1
    for _ in range(2000):
        k1 = slope(c)
        k2 = slope(c + step_nm / 2 * k1)
        k3 = slope(c + step_nm / 2 * k2)
        k4 = slope(c + step_nm * k3)
        c += step_nm / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        distance.append(abs(c - steady))
    measured_nm = 500 * step_nm / math.log(distance[900] / distance[1400])
    assert preferential_decay_length_nm(bulk, ratio, zone_nm) == pytest.approx(
        measured_nm, rel=2e-3
    )


@given(st.floats(0, 1), st.floats(0.1, 10))
def test_equal_yields_relax_over_the_zone(bulk, zone_nm):
    assert preferential_decay_length_nm(bulk, 1.0, zone_nm) == pytest.approx(zone_nm, rel=1e-12)


def test_decay_length_arguments_are_checked():
    with pytest.raises(ValueError, match="bulk_fraction"):
        preferential_decay_length_nm(1.2, 1.0, 1.0)
    with pytest.raises(ValueError, match="yield_ratio"):
        preferential_decay_length_nm(0.5, 0.0, 1.0)


def test_one_metal_is_its_elemental_yield():
    assert layer_yield({"Cu": 7.0}, 500.0) == (
        elemental_yield("Cu", 500.0),
        {"yield of Cu": 0.2},
    )


def test_an_alloy_is_less_certain():
    total, causes = layer_yield({"Cu": 0.63, "Zn": 0.37}, 300.0)
    assert elemental_yield("Cu", 300.0) < total < elemental_yield("Zn", 300.0)
    assert u_rel(causes) == 0.5
    assert u_rel(layer_yield({"Cu": 0.9, "La": 0.1}, 300.0)[1]) == 1.0


def test_dissolved_carbon_follows_its_host():
    steel = {"Fe": 0.94, "Cr": 0.05, "C": 0.01}
    yields = component_yields(steel, 300.0)
    host = alloy_yield({"Fe": 0.94, "Cr": 0.05}, yields)
    assert yields["C"] == host
    total, causes = layer_yield(steel, 300.0)
    assert (total, u_rel(causes)) == (pytest.approx(host, rel=1e-12), 0.5)
    assert layer_yield({"Fe": 0.99, "C": 0.01}, 300.0)[1] == {"yield of Fe": 0.2}


@pytest.mark.parametrize(
    ("composition", "named"),
    [
        ({"Cr": 0.5, "N": 0.5}, "N"),
        ({"Si": 1, "O": 1}, "O"),
        ({"W": 0.5, "C": 0.5}, "C"),
        ({"In": 0.5, "As": 0.5}, "As"),
        ({"C": 0.4, "H": 0.4, "F": 0.2}, "C, H, F"),
        ({"N": 1}, "N"),
    ],
)
def test_compounds_need_an_erosion_rate(composition, named):
    with pytest.raises(YieldUnknown) as caught:
        layer_yield(composition, 500.0)
    assert f"with {named}: give erosion_rate_nm_s" in str(caught.value)


def test_carbon_alone_has_a_yield():
    total, causes = layer_yield({"C": 1.0}, 500.0)
    assert total == pytest.approx(0.12, rel=1e-12)
    assert causes == {"yield of C": 0.5}


# --- erosion --------------------------------------------------------------------------------------


@given(st.floats(1e-3, 500), st.floats(0, 10), st.floats(20, 150))
def test_erosion_is_proportional_to_current_and_yield(current, per_ion, atoms_per_nm3):
    rate = erosion_rate_nm_s(current, per_ion, atoms_per_nm3)
    assert erosion_rate_nm_s(2 * current, per_ion, atoms_per_nm3) == pytest.approx(2 * rate)
    assert erosion_rate_nm_s(current, per_ion, 2 * atoms_per_nm3) == pytest.approx(rate / 2)


def test_the_atomic_density_must_be_positive():
    with pytest.raises(ValueError, match="atomic_density_per_nm3: must be > 0"):
        erosion_rate_nm_s(1.0, 1.0, 0.0)
