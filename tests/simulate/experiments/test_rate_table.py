"""A laboratory's own table of relative rates."""

import json
import math

import numpy as np
import pytest

from craterfront.experiments.experiment import (
    experiment_from_dict,
    experiment_from_toml,
    experiment_to_dict,
    load_experiment,
)
from craterfront.experiments.rate_table import load_rate_table
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import repeat, simulate
from craterfront.measured_files.files import profile_of
from craterfront.problems import InputProblems

LAMP = """
[source]
kind = "glow discharge"
voltage_V = 700.0
current_mA = 20.0
anode_diameter_mm = 4.0
{more}
[source.reference]
composition = "Fe"
voltage_V = 700.0
current_mA = 20.0
erosion_rate_nm_s = {{ value = 50.0, u_rel = 0.03 }}
"""
BEAM = """
[source]
kind = "ion beam"
energy_eV = 1000.0
current_nA = 100.0
raster_um = [200.0, 200.0]
{more}
"""
SAMPLE = """
[[layer]]
composition = "TiN"
thickness_nm = 100.0
{density}
[substrate]
composition = "Fe"
"""
BY_MASS = """
relative_to = "Fe"
by = "mass"
[[rate]]
composition = "TiN"
relative_rate = { value = 0.3, u_rel = 0.08 }
note = "crater depths"
"""
BY_DEPTH = BY_MASS.replace('by = "mass"', "")


@pytest.fixture
def check(tmp_path):
    """Assembly of a sample under a source with a rate table in a file."""

    def assembled(table, source=LAMP, density=""):
        (tmp_path / "rates.toml").write_text(table, encoding="utf-8")
        file = tmp_path / "sample.toml"
        text = SAMPLE.format(density=density) + source.format(more='rate_table = "rates.toml"')
        file.write_text(text, encoding="utf-8")
        loaded = load_experiment(file)
        return Assembly(loaded.stack, loaded.setup, merge_equal=False), loaded

    return assembled


def rate_of(assembly, layer=0):
    return assembly.parameters[assembly.rate_index(layer)]


def test_a_mass_rate_goes_with_the_measured_reference(check):
    rate = rate_of(check(BY_MASS)[0])
    # Derived: 0.3 times 50 nm/s of iron, times 7.874 g/cm3 over 5.21 g/cm3 of TiN.
    assert rate.value == pytest.approx(0.3 * 50.0 * 7.874 / 5.21, rel=1e-3)
    assert rate.u / rate.value == pytest.approx(0.08, rel=1e-12)
    assert (rate.logarithmic, rate.state) == (True, "assumed")
    assert rate.why.endswith("relative to Fe (crater depths)")


def test_a_rate_by_depth_goes_inversely_with_density(check):
    assert rate_of(check(BY_DEPTH)[0]).value == pytest.approx(0.3 * 50.0, rel=1e-12)
    porous = rate_of(check(BY_DEPTH, density="density_g_cm3 = 4.0")[0]).value
    assert porous == pytest.approx(0.3 * 50.0 * 5.21 / 4.0, rel=1e-12)
    measured_so = BY_DEPTH + "density_g_cm3 = 4.0\n"
    assert rate_of(check(measured_so, density="density_g_cm3 = 4.0")[0]).value == pytest.approx(15)


def test_the_uncertainty_of_the_reference_comes_on_top(check):
    rate = rate_of(check(BY_DEPTH.replace("Fe", "SiO2"), BEAM)[0])
    silica = experiment_from_toml(
        SAMPLE.format(density="").replace("TiN", "SiO2") + BEAM.format(more="")
    )
    own = rate_of(Assembly(silica.stack, silica.setup))
    assert rate.value == pytest.approx(0.3 * own.value, rel=1e-12)
    # Derived: 0.25 of silica's own rate is 0.2 of silicon's yield and 0.15 of their ratio.
    assert own.u / own.value == pytest.approx(0.25, rel=1e-12)
    assert rate.u / rate.value == pytest.approx(math.hypot(0.08, 0.25), rel=1e-12)


def test_the_table_comes_before_compounds_and_yields(check):
    iron_too = BY_DEPTH.replace('"Fe"', '"Cu"', 1) + (
        '[[rate]]\ncomposition = "Fe"\nrelative_rate = 0.5\n'
    )
    with_table, _ = check(iron_too, BEAM)
    without = experiment_from_toml(SAMPLE.format(density="") + BEAM.format(more=""))
    plain = Assembly(without.stack, without.setup)
    assert [plain.rate_origin(i) for i in (0, 1)] == [
        "from the table of compounds",
        "from sputter yields",
    ]
    for layer in (0, 1):
        assert "rate table" in with_table.rate_origin(layer)
    # Derived: u_rel of a plain number is 0.3; 0.2 of copper's yield both rows have in common.
    iron = rate_of(with_table, 1)
    assert iron.u / iron.value == pytest.approx(0.3)
    copper = with_table.parameters[with_table.index_of("shared rate factor", "yield of Cu")]
    assert copper.u == pytest.approx(0.2)


def inverted_total(layers, more=""):
    """Relative standard uncertainty of the total of layers whose rates rest on one reference."""
    text = "".join(
        f'[[layer]]\ncomposition = "{formula}"\ndensity_g_cm3 = {{ value = {density}, u = 0 }}\n'
        "thickness_nm = { guess = 20.0 }\ninterface_width_nm = { value = 0.0, u = 0 }\n"
        for formula, density in layers
    )
    text += '[substrate]\ncomposition = "Fe"\n' + BEAM.format(more="") + more
    text += "[depth_scale]\nfrom_yields = true\n[noise]\ncounts_per_unit_s = 100.0\n"
    text += "[roughness]\ninitial_nm = { value = 0.0, u = 0 }\n[detection]\nescape_depth_nm = 0.0\n"
    experiment = experiment_from_toml(text)
    dataset = simulate(experiment.stack, experiment.setup, seed=1)
    found = invert(profile_of(dataset, "profile.nc"), experiment)
    every = [found.likelihood.assembly.thickness_index(i) for i in range(len(layers))]
    total = sum(found.values[i] for i in every)
    return found.uncertainty_of_sum(dict.fromkeys(every, 1.0)) / total


# Derived: log-normal priors of four guessed thicknesses, ln 3 each, pull on the common factor, too.
SILICA_AND_GUESSES = (0.25**-2 + 4 / math.log(3.0) ** 2) ** -0.5


def test_what_rates_share_does_not_average_out_over_layers():
    nitrides = [("TiN", 5.3), ("CrN", 6.1), ("AlN", 3.2), ("ZrN", 7.1)]
    table = '[source.rate_table]\nrelative_to = "SiO2"\n' + "".join(
        f'[[source.rate_table.rate]]\ncomposition = "{formula}"\n'
        "relative_rate = { value = 0.5, u_rel = 0.02 }\n"
        for formula, _ in nitrides
    )
    expected = math.hypot(SILICA_AND_GUESSES, 0.02 / 2.0)
    assert inverted_total(nitrides, table) == pytest.approx(expected, rel=0.03)


def test_oxides_have_the_uncertainty_of_silica_in_common():
    oxides = [("SiO2", 2.2), ("TiO2", 4.2), ("Cr2O3", 5.2), ("HfO2", 9.7)]
    # The common channel of oxygen fixes the ratios of the rates, and with them all but silica's.
    assert inverted_total(oxides) == pytest.approx(SILICA_AND_GUESSES, rel=0.03)


def test_what_rates_share_cancels_where_a_measured_rate_has_it_too():
    """An oxide's rate from a measured one of another oxide needs no yield of silicon."""
    oxide = SAMPLE.format(density="").replace("TiN", "TiO2") + BEAM.format(more="")
    experiment = experiment_from_toml(oxide + MEASURED)
    rate = rate_of(Assembly(experiment.stack, experiment.setup))
    assert rate.u / rate.value == pytest.approx(0.3, rel=1e-12)


MEASURED = """
[source.reference]
composition = "SiO2"
erosion_rate_nm_s = { value = 0.08, u_rel = 0.04 }
"""


def test_a_measured_rate_under_a_beam_ties_all_others_to_it(check):
    table = BY_DEPTH.replace('relative_to = "Fe"', 'relative_to = "SiO2"')
    tied, _ = check(table, BEAM + MEASURED.replace("{", "{{").replace("}", "}}"))
    free, _ = check(table, BEAM)
    nitride, iron = rate_of(tied), rate_of(tied, 1)
    assert nitride.value == pytest.approx(0.3 * 0.08, rel=1e-12)
    assert nitride.u / nitride.value == pytest.approx(0.08, rel=1e-12)
    # Derived: the ratio of yields stays, with 0.2 of iron and 0.25 of silica.
    silica = rate_of(free).value / 0.3
    assert iron.value == pytest.approx(0.08 * rate_of(free, 1).value / silica, rel=1e-12)
    assert iron.u / iron.value == pytest.approx(math.hypot(0.2, 0.25), rel=1e-12)
    assert iron.why.endswith("tied to the measured reference")
    common = tied.parameters[tied.index_of("common rate factor")]
    assert (common.u, common.state) == (pytest.approx(0.04), "assumed")
    assert free.index_of("common rate factor") is None
    doubled = tied.nominal
    doubled[tied.index_of("common rate factor")] = 2.0
    assert tied.sample(doubled).rate_nm_s == pytest.approx(
        2.0 * tied.sample(tied.nominal).rate_nm_s
    )


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("{ value = 0.08, u_rel = 0.04 }", "{ guess = 0.1 }", "must be measured, not a guess"),
        ("erosion_rate_nm_s = { value = 0.08, u_rel = 0.04 }", "", "erosion_rate_nm_s: missing"),
        ('"SiO2"', '"UO2"', "density_g_cm3: missing; needed with erosion_rate_nm_s"),
    ],
)
def test_a_reference_that_cannot_be_is_refused(old, new, message):
    text = SAMPLE.format(density="") + BEAM.format(more="") + MEASURED.replace(old, new)
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(text)
    assert any(p.startswith("source.reference ") and message in p for p in caught.value.problems)


def test_a_written_rate_comes_before_the_table(check):
    assembly, _ = check(BY_MASS, density="erosion_rate_nm_s = 7.0")
    assert assembly.rate_origin(0) == "as written"
    assert rate_of(assembly).value == 7.0


def test_results_keep_the_numbers_and_need_no_file(check, tmp_path):
    _, loaded = check(BY_MASS)
    dataset = simulate(loaded.stack, loaded.setup, seed=3)
    (tmp_path / "rates.toml").unlink()
    again = repeat(dataset)
    np.testing.assert_array_equal(again["intensity"], dataset["intensity"])
    table = json.loads(dataset.attrs["experiment"])["source"]["rate_table"]
    assert table["rate"][0]["relative_rate"]["value"] == 0.3


def test_a_table_may_stand_in_the_experiment_itself(check):
    _, loaded = check(BY_MASS)
    written = experiment_to_dict(loaded)
    inside = experiment_from_dict(written)
    assert inside.setup == loaded.setup
    written["source"]["rate_table"]["rate"][0]["relative_rate"] = -1.0
    with pytest.raises(InputProblems) as caught:
        experiment_from_dict(written)
    place = 'source.rate_table.rate[1] "TiN" relative_rate'
    assert caught.value.problems == [f"{place}: must be > 0, got -1"]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("value = 0.3", "value = -0.3", 'rate[1] "TiN" relative_rate: value must be > 0, got -0.3'),
        ('"TiN"', '"Tin9x"', "rate[1] "),
        ("{ value = 0.3, u_rel = 0.08 }", "{ guess = 1.0 }", "must be measured, not a guess"),
        ('by = "mass"', 'by = "mas"', 'by: must be "depth" or "mass", got "mas"'),
        ('relative_to = "Fe"', "", "relative_to: missing"),
        ('relative_to = "Fe"', 'relative_to = "TiN"', "relative_to, whose rate is 1; leave this"),
        ('relative_to = "Fe"', 'relative_to = "UO2"', "reference_density_g_cm3: missing, and no"),
        ("note", "density_g_cm3 = 5.0\nnote", 'density_g_cm3: goes with by = "depth"'),
        ("[[rate]]", '[[rate]]\ncomposition = "TiN"\nrelative_rate = 1\n[[rate]]', "too"),
        ("[[rate]]", "[[rat]]", "rat: unknown key; did you mean rate?"),
        ("relative_rate = {", "relative_rate = = {", "is not valid TOML"),
    ],
)
def test_mistakes_name_file_place_and_value(check, tmp_path, old, new, message):
    with pytest.raises(InputProblems) as caught:
        check(BY_MASS.replace(old, new))
    assert caught.value.source == str(tmp_path / "sample.toml")
    first, *_ = caught.value.problems
    assert first.startswith(f"source rate_table: {tmp_path / 'rates.toml'}: ")
    assert any(message in line for line in caught.value.problems)


def test_a_missing_file_is_told(tmp_path):
    text = SAMPLE.format(density="") + BEAM.format(more='rate_table = "none.toml"')
    with pytest.raises(InputProblems, match=r"source rate_table: .*none\.toml: no such file"):
        experiment_from_toml(text, str(tmp_path / "sample.toml"))
    with pytest.raises(InputProblems, match="no such file"):
        load_rate_table(tmp_path / "none.toml")


def test_a_reference_without_yields_is_told(check):
    table = BY_DEPTH.replace('relative_to = "Fe"', 'relative_to = "CrN"')
    with pytest.raises(InputProblems, match=r"relative to CrN in the rate table: no sputter yield"):
        check(table, BEAM)
