"""Yields of compounds from relative rates."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.materials.causes import of_ratio, u_rel
from craterfront.models.materials.compound_rates import SILICA_TO_SILICON_RATE, compound_yield
from craterfront.models.materials.elements import (
    atomic_density_per_nm3,
    parse_formula,
    solid_density_g_cm3,
)
from craterfront.models.materials.sputtering import elemental_yield, erosion_rate_nm_s, layer_yield
from craterfront.models.materials.tables import read_table
from craterfront.models.sources.lamp import Discharge, lamp_erosion_rate_nm_s
from craterfront.models.validity import ValidityWarning

ROWS = read_table("compound_rates.csv")
FORMULAS = [row["formula"] for row in ROWS]


def rate_nm_s(formula, energy_eV, density_g_cm3=None, angle_deg=0.0):
    """Depth per time at 1 mA/cm2."""
    fractions = parse_formula(formula)
    density = density_g_cm3 or solid_density_g_cm3(fractions).value_g_cm3
    per_ion, _ = layer_yield(fractions, energy_eV, angle_deg=angle_deg)
    return erosion_rate_nm_s(1.0, per_ion, atomic_density_per_nm3(fractions, density))


@given(st.sampled_from(ROWS), st.floats(500.0, 4000.0), st.floats(0.0, 50.0))
def test_rates_stand_to_that_of_silica_as_in_the_table(row, energy_eV, angle_deg):
    ratio = rate_nm_s(row["formula"], energy_eV, angle_deg=angle_deg) / rate_nm_s(
        "SiO2", energy_eV, angle_deg=angle_deg
    )
    assert ratio == pytest.approx(float(row["relative_rate"]), rel=1e-12)


def test_silica_stands_to_silicon_as_in_the_list_of_milling_rates():
    ratio = rate_nm_s("SiO2", 500.0) / rate_nm_s("Si", 500.0)
    assert ratio == pytest.approx(SILICA_TO_SILICON_RATE, rel=1e-12)


@given(st.sampled_from(FORMULAS), st.floats(0.5, 2.0))
def test_a_porous_film_erodes_faster_by_what_it_lacks(formula, porous):
    bulk = solid_density_g_cm3(parse_formula(formula)).value_g_cm3
    assert rate_nm_s(formula, 1e3, porous * bulk) * porous == pytest.approx(
        rate_nm_s(formula, 1e3), rel=1e-12
    )


@pytest.mark.parametrize("row", ROWS, ids=FORMULAS)
def test_uncertainties_add_up(row):
    known = compound_yield(parse_formula(row["formula"]))
    assert known is not None
    _, causes = layer_yield(parse_formula(row["formula"]), 1000.0)
    # 0.2 of silicon and 0.15 of silica to silicon are common to all rows.
    assert u_rel(causes) ** 2 == pytest.approx(float(row["u_rel"]) ** 2 + 0.2**2 + 0.15**2)
    assert row["source"]


def test_what_is_nearly_the_compound_is_it():
    assert compound_yield({"Ti": 0.5004, "N": 0.4996}) == compound_yield({"Ti": 1, "N": 1})
    assert compound_yield({"Ti": 0.55, "N": 0.45}) is None
    assert compound_yield({"Ti": 0.5, "N": 0.49, "O": 0.01}) is None


@pytest.mark.parametrize(("energy_eV", "angle_deg"), [(300.0, 0.0), (5000.0, 0.0), (1000.0, 60.0)])
def test_an_extrapolation_is_told(energy_eV, angle_deg):
    with pytest.warns(ValidityWarning, match="yield of TiN: its ratio to that of silicon is known"):
        layer_yield({"Ti": 1, "N": 1}, energy_eV, angle_deg=angle_deg)


def test_in_a_lamp_the_rates_go_with_that_of_silicon():
    lamp = Discharge(700.0, 20.0, 4.0)
    silica, causes = lamp_erosion_rate_nm_s({"Si": 1, "O": 2}, 2.2, lamp)
    silicon, _ = lamp_erosion_rate_nm_s({"Si": 1}, 2.33, lamp)
    known = compound_yield({"Si": 1, "O": 2})
    assert known is not None
    atoms = atomic_density_per_nm3({"Si": 1, "O": 2}, 2.2) / atomic_density_per_nm3({"Si": 1}, 2.33)
    assert silica / silicon * atoms == pytest.approx(known.to_silicon, rel=1e-12)
    assert of_ratio(causes, known.causes) == {"yield of Si": 0.2}
    assert known.to_silicon * elemental_yield("Si", 500.0) == layer_yield({"Si": 1, "O": 2}, 500)[0]
