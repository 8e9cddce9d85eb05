"""Elements, compositions, densities: properties, limits and messages."""

import math
import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from craterfront.models.materials.elements import (
    DensityUnknown,
    FormulaError,
    areal_mass_g_m2,
    atomic_density_per_nm3,
    atomic_mass_u,
    atomic_to_mass_fractions,
    mass_to_atomic_fractions,
    mean_mass_u,
    normalised,
    parse_formula,
    solid_density_g_cm3,
    split_dissolved,
    thickness_from_areal_mass_nm,
)
from craterfront.models.materials.tables import read_table

SYMBOLS = ("H", "C", "N", "O", "Al", "Ti", "Cr", "Fe", "Zn", "Au", "U")
METALS = ("Al", "Ti", "Cr", "Fe", "Ni", "Cu", "Zn", "Mo", "Au")

compositions = st.dictionaries(
    st.sampled_from(SYMBOLS), st.floats(1e-6, 1e6), min_size=1, max_size=6
)
alloys = st.dictionaries(st.sampled_from(METALS), st.floats(0.05, 1), min_size=2, max_size=5)


def test_the_library_is_not_loaded_before_it_is_needed():
    code = (
        "import sys, craterfront.models.materials.elements; print('periodictable' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("TiN", {"Ti": 0.5, "N": 0.5}),
        ("SiO2", {"Si": 1 / 3, "O": 2 / 3}),
        (" Fe0.94 Cr0.05 C0.01 ", {"Fe": 0.94, "Cr": 0.05, "C": 0.01}),
        ("Fe3(PO4)2", {"Fe": 3 / 13, "P": 2 / 13, "O": 8 / 13}),
        ("Ti.5Al.5N", {"Ti": 0.25, "Al": 0.25, "N": 0.5}),
        ("CoCO", {"Co": 1 / 3, "C": 1 / 3, "O": 1 / 3}),
    ],
)
def test_formulas_give_atomic_fractions(text, expected):
    assert parse_formula(text) == pytest.approx(expected, abs=1e-15)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "at least one element"),
        ("   ", "at least one element"),
        (None, "at least one element"),
        ("Fe[56]", "isotopes"),
        ("D2O", "isotope"),
        ("Fe{2+}", "ions"),
        ("Fe2+", "ions"),
        ("SiO2@2.2", "density"),
        ("Fe//Ni", "mixture"),
        ("50%Fe", "mixture"),
        ("Xx", "did you mean Xe"),
        ("fe", "did you mean Fe"),
        ("Titanium", "did you mean Ti"),
        ("0.5Ti0.5N", "count must follow"),
        ("Ti 0.5 N", "count must follow"),
        ("Ti0N", "count of Ti must be > 0"),
        ("Ti99999999N", "count of Ti must be > 0 and <="),
        ("Ti1.5.5", "cannot be read"),
        ("Ti..5", "cannot be read"),
        ("Ti(N", "cannot be read"),
        ("()", "cannot be read"),
        ("Ti-N", "'-' is not allowed"),
        ("NaCl·H2O", "'·' is not allowed"),
        ("(" * 80 + "TiN" + ")" * 79, "cannot be read"),
        ("TiN" * 100, "at most 200 characters, got 300"),
    ],
)
def test_unreadable_formulas_say_why(text, part):
    with pytest.raises(FormulaError) as caught:
        parse_formula(text)
    assert part in str(caught.value)
    assert len(str(caught.value)) < 350


@settings(deadline=None)
@given(st.text(alphabet="TiNOFe0123456789.()[]{}@+-/ \t\né", max_size=30))
def test_any_text_is_a_composition_or_a_formula_error(text):
    try:
        fractions = parse_formula(text)
    except FormulaError:
        return
    assert math.fsum(fractions.values()) == pytest.approx(1, abs=1e-12)
    assert all(x > 0 for x in fractions.values())


@given(compositions, st.floats(1e-3, 1e3))
def test_only_ratios_count(fractions, factor):
    scaled = {symbol: factor * x for symbol, x in fractions.items()}
    assert normalised(scaled) == pytest.approx(normalised(fractions), rel=1e-12)
    assert math.fsum(normalised(fractions).values()) == pytest.approx(1, abs=1e-12)


def test_elements_of_which_there_is_none_are_left_out():
    assert normalised({"Fe": 2.0, "N": 0.0}) == {"Fe": 1.0}


@pytest.mark.parametrize(
    ("fractions", "part"),
    [
        ({"Fe": -0.1, "Cr": 1.1}, "fraction of Fe must be finite and >= 0, got -0.1"),
        ({"Fe": math.nan}, "fraction of Fe"),
        ({"Fe": math.inf}, "fraction of Fe"),
        ({"Fe": 0.0}, "positive"),
        ({}, "positive"),
        ({"Irn": 1.0}, "'Irn': did you mean Fe"),
    ],
)
def test_bad_fractions_are_named(fractions, part):
    with pytest.raises(FormulaError) as caught:
        normalised(fractions)
    assert part in str(caught.value)


@given(compositions)
def test_mass_and_atomic_fractions_are_inverse(fractions):
    there_and_back = mass_to_atomic_fractions(atomic_to_mass_fractions(fractions))
    assert there_and_back == pytest.approx(normalised(fractions), rel=1e-12)


@given(compositions)
def test_the_mean_mass_lies_between_the_masses(fractions):
    masses = [atomic_mass_u(symbol) for symbol in fractions]
    assert min(masses) * (1 - 1e-12) <= mean_mass_u(fractions) <= max(masses) * (1 + 1e-12)


def test_unknown_symbols_get_a_suggestion():
    with pytest.raises(FormulaError, match="unknown element 'iron': did you mean Fe"):
        atomic_mass_u("iron")


# --- densities ------------------------------------------------------------------------------------


@given(alloys)
def test_an_alloy_is_between_its_elements(fractions):
    densities = [solid_density_g_cm3({symbol: 1}).value_g_cm3 for symbol in fractions]
    value = solid_density_g_cm3(fractions).value_g_cm3
    assert min(densities) * (1 - 1e-12) <= value <= max(densities) * (1 + 1e-12)


@given(alloys)
def test_atoms_of_an_alloy_keep_their_volume(fractions):
    atomic = normalised(fractions)
    volume_nm3 = sum(
        x / atomic_density_per_nm3({s: 1}, solid_density_g_cm3({s: 1}).value_g_cm3)
        for s, x in atomic.items()
    )
    density = solid_density_g_cm3(fractions).value_g_cm3
    assert atomic_density_per_nm3(fractions, density) == pytest.approx(1 / volume_nm3, rel=1e-12)


def test_steel_takes_its_carbon_in_solution():
    steel = {"Fe": 0.94, "Cr": 0.05, "C": 0.01}
    density = solid_density_g_cm3(steel)
    assert 7.6 < density.value_g_cm3 < 7.9
    assert "C dissolved" in density.source
    host, dissolved = split_dissolved(steel)
    assert (set(host), set(dissolved)) == ({"Fe", "Cr"}, {"C"})


def test_more_than_five_percent_of_non_metals_make_a_compound():
    assert split_dissolved({"Fe": 0.96, "C": 0.03, "N": 0.01})[1]
    assert not split_dissolved({"Fe": 0.94, "C": 0.03, "N": 0.03})[1]
    assert not split_dissolved({"C": 1.0})[1]


@pytest.mark.parametrize(
    ("fractions", "named"),
    [
        ({"Ti": 0.6, "N": 0.4}, ["N"]),
        ({"C": 1.0}, ["C"]),
        ({"Fe": 0.9, "C": 0.1}, ["C"]),
        ({"Ar": 1.0}, ["Ar"]),
        ({"Na": 0.5, "Cl": 0.5}, ["Na", "Cl"]),
        ({"Fe": 0.999, "Cl": 0.001}, ["Cl"]),
        ({"P": 0.02}, ["P"]),
    ],
)
def test_where_no_rule_holds_the_density_must_be_given(fractions, named):
    with pytest.raises(DensityUnknown) as caught:
        solid_density_g_cm3(fractions)
    assert f"with {', '.join(named)}: give density_g_cm3" in str(caught.value)


def test_compounds_match_by_composition():
    assert solid_density_g_cm3({"N": 1.0, "Ti": 1.0}) == solid_density_g_cm3(parse_formula("TiN"))
    assert solid_density_g_cm3({"Ti": 0.5009, "N": 0.4991}).value_g_cm3 == 5.21
    with pytest.raises(DensityUnknown):
        solid_density_g_cm3({"Ti": 0.502, "N": 0.498})


def test_open_structured_elements_widen_the_uncertainty():
    assert solid_density_g_cm3({"Al": 0.9, "Si": 0.1}).u_rel == 0.05
    assert solid_density_g_cm3({"Ti": 1, "Si": 2}).u_rel == 0.25


def test_every_row_of_the_density_table_is_sound():
    rows = read_table("compound_densities.csv")
    compositions = [frozenset(parse_formula(row["formula"]).items()) for row in rows]
    assert len(set(compositions)) == len(rows)
    for row in rows:
        assert 1 < float(row["density_g_cm3"]) < 20
        assert 0 < float(row["u_rel"]) <= 0.1
        assert row["form"]
        assert "looked up" in row["source"] or row["source"] == "from memory"


# --- mass and thickness ---------------------------------------------------------------------------


@given(st.floats(1e-2, 1e6), st.floats(0.1, 25))
def test_thickness_and_areal_mass_are_inverse(thickness_nm, density_g_cm3):
    mass = areal_mass_g_m2(thickness_nm, density_g_cm3)
    back = thickness_from_areal_mass_nm(mass, density_g_cm3)
    assert back == pytest.approx(thickness_nm, rel=1e-12)


def test_one_micrometre_of_water_weighs_one_gram_per_square_metre():
    assert areal_mass_g_m2(1000.0, 1.0) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize("density", [0.0, -1.0, math.nan, math.inf])
def test_densities_must_be_positive(density):
    for function in (areal_mass_g_m2, thickness_from_areal_mass_nm):
        with pytest.raises(ValueError, match="density_g_cm3: must be > 0"):
            function(10.0, density)
    with pytest.raises(ValueError, match="density_g_cm3: must be > 0"):
        atomic_density_per_nm3({"Fe": 1}, density)
