"""Sputter rates of compounds against what is published or said of them."""

import pytest

from craterfront.models.materials.elements import parse_formula, solid_density_g_cm3
from craterfront.models.materials.sputtering import layer_yield
from craterfront.models.materials.tables import read_table
from craterfront.models.sources.lamp import Discharge, lamp_erosion_rate_nm_s

ATOMS_PER_NM3 = {"SiO2": 66.15, "GaAs": 44.23}
"""Of silica with 2.20 and GaAs with 5.31 g/cm3, mean masses 20.03 and 72.3 u (derived)."""

IONS_PER_NA_S = 6.241509e9
"""Of one nA s, 1e-9 / 1.602176634e-19 (exact constant of the SI)."""


@pytest.mark.published
@pytest.mark.parametrize(
    ("formula", "um3_per_nA_s", "rel"),
    [
        # Public data page on argon ion polishing, 500 eV, looked up: SiO2 0.0667, 0.065 and 0.0617
        # in three lists. Yields here are 8 % lower than its rates convert to, as for metals: the
        # list is higher than the yields of Wehner by 10 % throughout.
        ("SiO2", 0.065, 0.1),
        ("GaAs", 0.266667, 0.1),
    ],
)
def test_yields_at_500_eV_are_those_of_the_milling_rates(formula, um3_per_nA_s, rel):
    converted = um3_per_nA_s * 1e9 * ATOMS_PER_NM3[formula] / IONS_PER_NA_S
    assert layer_yield(parse_formula(formula), 500.0)[0] == pytest.approx(converted, rel=rel)


@pytest.mark.published
def test_oxides_differ_from_silica_by_up_to_a_factor_of_two_usually_lower():
    """D. R. Baer et al., J. Vac. Sci. Technol. A 28 (2010) 1060, abstract: the oxides examined."""
    table = {r["formula"]: float(r["relative_rate"]) for r in read_table("compound_rates.csv")}
    oxides = ["Al2O3", "CeO2", "Cr2O3", "Fe2O3", "HfO2", "In2O3", "Ta2O5", "TiO2", "ZnO"]
    rates = [table[formula] for formula in oxides]
    assert all(0.5 <= rate <= 2.0 for rate in rates)
    assert sum(rate < 1.0 for rate in rates) > len(rates) / 2


@pytest.mark.recalled
@pytest.mark.parametrize("formula", ["SiO2", "Al2O3", "TiN", "TiO2", "Si3N4"])
def test_oxides_and_nitrides_in_a_lamp_lose_a_tenth_to_four_tenths_of_the_mass_of_iron(formula):
    """From memory: relative mass rates of oxides and nitrides 0.1 to 0.4, iron 1."""
    lamp = Discharge(700.0, 20.0, 4.0)
    density = solid_density_g_cm3(parse_formula(formula)).value_g_cm3
    rate = lamp_erosion_rate_nm_s(parse_formula(formula), density, lamp)[0] * density
    iron = lamp_erosion_rate_nm_s({"Fe": 1.0}, 7.874, lamp)[0] * 7.874
    assert 0.1 <= rate / iron <= 0.4
