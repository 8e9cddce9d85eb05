"""What the numbers of the experiment file become: fixed, with a prior, assumed or free."""

import pytest

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.models.validity import ValidityWarning
from craterfront.problems import InputProblems

SAMPLE = """
[[layer]]
composition = "Cu"
thickness_nm = 60.0
erosion_rate_nm_s = 20.0
[substrate]
composition = "Al"
erosion_rate_nm_s = 16.0
"""
GRAINS = '[roughness]\ngrowth = "grains"\nrelative_spread = 0.05\ngrain_nm = '
MIXING = '[mixing]\nmodel = "diffusive"\nlength_nm = 2.0\n'
BEAM = '[source]\nkind = "ion beam"\nenergy_eV = 500\ncurrent_nA = 50\nraster_um = [300, 300]\n'


def assembled(text):
    experiment = experiment_from_toml(SAMPLE + text)
    return Assembly(experiment.stack, experiment.setup, merge_equal=False)


def the(assembly, kind):
    return assembly.parameters[assembly.index_of(kind)]


@pytest.mark.parametrize(
    ("written", "state", "u"),
    [
        ("20.0", "assumed", 6.0),  # 30 %, as for all roughness
        ("{ value = 20.0, u = 2.0 }", "prior", 2.0),
        ("{ value = 20.0, u = 0 }", "fixed", 0.0),
        ("{ guess = 20.0, max = 90.0 }", "free", 0.0),
    ],
)
def test_what_is_known_of_the_grain_size(written, state, u):
    grain = the(assembled(GRAINS + written), "grain size")
    assert (grain.value, grain.state, grain.u) == (20.0, state, pytest.approx(u))


@pytest.mark.parametrize(
    ("written", "state", "u"),
    [
        ("4.0", "fixed", 0.0),
        ("{ value = 4.0, u = 0.5 }", "prior", 0.5),
        ("{ guess = 4.0, max = 8.0 }", "free", 0.0),
    ],
)
def test_what_is_known_of_the_mixing_range(written, state, u):
    assembly = assembled(f"{MIXING}range_nm = {written}\n")
    reach = the(assembly, "mixing range")
    assert (reach.value, reach.state, reach.u) == (4.0, state, u)
    assert assembly.instrument(assembly.nominal).mixing_range_nm == 4.0
    # A fit may try any values: the zone stays deep enough for the length.
    values = assembly.nominal
    values[assembly.index_of("mixing range")] = 1.0
    tried = assembly.instrument(values)
    assert tried.mixing_length_nm < 0.97 * tried.mixing_range_nm


def test_a_default_mixing_range_is_told():
    """1.5 lengths, as no ions are known."""
    assembly = assembled(MIXING)
    assert assembly.index_of("mixing range") is None
    assert the(assembly, "mixing length").why == "within 1.5 times as much"


def test_a_mixing_range_from_the_ions_is_no_exact_ruler():
    """Theory: the projected range is good to 30 to 50 %."""
    assembly = assembled(BEAM + '[mixing]\nmodel = "diffusive"\n')
    length, reach = the(assembly, "mixing length"), the(assembly, "mixing range")
    assert (length.state, reach.state) == ("assumed", "assumed")
    assert reach.value == pytest.approx(2.0 * length.value)
    assert reach.u == pytest.approx(0.4 * reach.value)


def test_a_mixing_range_shorter_than_the_ion_range_is_refused():
    with pytest.raises(InputProblems, match=r"^mixing range_nm: must be > length_nm / 0.97 .*0.5$"):
        assembled(f'{BEAM}[mixing]\nmodel = "diffusive"\nrange_nm = 0.5\n')


# --- numbers that layers share ------------------------------------------------------------------


LIKE = """
[[layer]]
name = "a"
composition = "Cu"
thickness_nm = 40.0
[[layer]]
composition = "Ni"
thickness_nm = 30.0
[[layer]]
name = "c"
composition = "Cu"
thickness_nm = 40.0
[substrate]
composition = "Al"
"""


def test_like_layers_share_the_error_of_yields_and_table():
    experiment = experiment_from_toml(LIKE + BEAM)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    assert assembly.rate_index(0) == assembly.rate_index(2) != assembly.rate_index(1)
    assert assembly.density_index(0) == assembly.density_index(2) != assembly.density_index(1)
    names = [p.name for p in assembly.parameters if p.kind in ("rate", "density")]
    kinds = ("density", "erosion rate")
    assert names == [f"{kind} of {of}" for kind in kinds for of in ("all Cu", "Ni", "Al")]


def test_every_layer_without_a_rate_is_named_once():
    """Nothing is known of the yield of chromium nitride."""
    nitride = 'composition = "CrN"\ndensity_g_cm3 = 5.3\nthickness_nm = 9.0\n'
    text = "".join(
        [
            f'[[layer]]\nname = "a"\n{nitride}[[layer]]\nname = "b"\n{nitride}',
            f'[[layer]]\nrepeat = 3\n[[layer.of]]\nname = "c"\n{nitride}',
            f'[substrate]\ncomposition = "Al"\n{BEAM}',
        ]
    )
    experiment = experiment_from_toml(text)
    with pytest.raises(InputProblems) as caught:
        Assembly(experiment.stack, experiment.setup)
    places = [problem.split(":")[0] for problem in caught.value.problems]
    assert places == [f'layer "{name}" erosion_rate_nm_s' for name in "abc"]


# --- rates in a lamp ----------------------------------------------------------------------------


LAMP = """
[source]
kind = "glow discharge"
anode_diameter_mm = 4.0
"""
RUNS = LAMP + "voltage_V = 700\ncurrent_mA = 20\n"
POINT = """
[source.reference]
composition = "Cu"
voltage_V = 700
current_mA = 20
pressure_hPa = 6
"""


def lamp(text):
    experiment = experiment_from_toml(LIKE + text)
    return Assembly(experiment.stack, experiment.setup, merge_equal=False)


def factor(text):
    return the(lamp(text), "common rate factor").u


def test_the_common_factor_knows_what_is_written_of_the_lamp():
    assert factor(RUNS) == pytest.approx(0.44, abs=0.01)
    assert factor(RUNS + "pressure_hPa = 6\n") == pytest.approx(0.34, abs=0.01)
    known = "sheath_free_paths = { value = 8, u_rel = 0.1 }\n"
    known += "redeposited_share = { value = 0.5, u = 0.02 }\n"
    assert 0.15 < factor(RUNS + known) < 0.22


def test_redeposition_and_pressure_change_the_rates():
    bare = lamp(RUNS).nominal_rate_nm_s(0)
    assert lamp(RUNS + "redeposited_share = 0.0\n").nominal_rate_nm_s(0) == pytest.approx(
        bare / 0.55
    )
    high, low = (lamp(RUNS + f"pressure_hPa = {p}\n").nominal_rate_nm_s(0) for p in (10, 5))
    assert high < low


@pytest.mark.parametrize(
    "rate",
    [
        "erosion_rate_nm_s = { value = 90, u_rel = 0.05 }",
        # Derived: 90 nm/s of 8.96 g/cm3 on 12.566 mm2
        "mass_rate_ug_s = { value = 10.134, u_rel = 0.05 }",
    ],
)
@pytest.mark.parametrize("law", ["sheath", "linear", "power"])
def test_a_measured_rate_is_the_rate_of_its_material(law, rate):
    assembly = lamp(RUNS + f'rate_law = "{law}"\n' + POINT + rate)
    assert assembly.nominal_rate_nm_s(0) == pytest.approx(90.0, rel=1e-3)
    assert the(assembly, "common rate factor").u == pytest.approx(0.05)
    copper, nickel = (assembly.parameters[assembly.rate_index(i)] for i in (0, 1))
    assert copper.state == "fixed"
    assert (nickel.state, nickel.u) == ("assumed", pytest.approx(0.2 * nickel.value))
    # The yield of copper, in the ratios of both others, is common to them.
    index = assembly.index_of("shared rate factor", "yield of Cu")
    assert assembly.parameters[index].u == pytest.approx(0.2)
    doubled = assembly.nominal
    doubled[index] = 2.0
    before, after = (assembly.sample(v).rate_nm_s for v in (assembly.nominal, doubled))
    assert after / before == pytest.approx([1.0, *[0.5] * (len(before) - 1)])


def test_a_plain_measured_rate_is_known_to_a_tenth():
    assert factor(RUNS + POINT + "erosion_rate_nm_s = 90") == pytest.approx(0.1)


def test_an_exact_measured_rate_leaves_no_common_factor():
    text = RUNS + POINT + "erosion_rate_nm_s = { value = 90, u = 0 }"
    common = the(lamp(text), "common rate factor")
    assert (common.state, common.value) == ("fixed", 1.0)


def test_the_laws_part_away_from_the_measured_voltage():
    runs = RUNS.replace("700", "900")
    measured = POINT + "erosion_rate_nm_s = { value = 90, u = 1 }"
    sheath, linear = (
        lamp(f'{runs}rate_law = "{law}"\n{measured}').nominal_rate_nm_s(0)
        for law in ("sheath", "linear")
    )
    assert linear == pytest.approx(90.0 * 600 / 400)
    assert 90.0 < sheath < linear


def test_a_missing_current_or_voltage_follows_from_the_measured_point():
    at_point = lamp(LAMP + "voltage_V = 700\npressure_hPa = 6\n" + POINT)
    same = lamp(RUNS + "pressure_hPa = 6\n")
    assert at_point.nominal_rate_nm_s(0) == pytest.approx(same.nominal_rate_nm_s(0), rel=1e-9)
    by_current = lamp(LAMP + "current_mA = 20\npressure_hPa = 6\n" + POINT)
    assert by_current.nominal_rate_nm_s(0) == pytest.approx(same.nominal_rate_nm_s(0), rel=1e-9)
    away = factor(LAMP + "voltage_V = 700\npressure_hPa = 8\n" + POINT)
    assert away > factor(LAMP + "voltage_V = 700\npressure_hPa = 6\n" + POINT)


def test_a_law_below_its_threshold_is_a_problem_of_the_layer():
    text = RUNS.replace("700", "350") + 'rate_law = "power"\n' + POINT + "erosion_rate_nm_s = 90"
    with pytest.raises(InputProblems, match=r'layer "a" erosion_rate_nm_s: voltage_V: must be > 4'):
        lamp(text)


def test_radio_frequency_without_a_current_gives_no_rate():
    text = LAMP + 'voltage_V = 700\nsupply = "RF"\npower_W = 40\n'
    with pytest.raises(InputProblems, match="a rate cannot be estimated from RF power"):
        lamp(text)


def test_mixing_goes_by_the_mean_energy_of_the_ions():
    """A lamp's ions of 700 V and 10 free paths have 126 eV: as the beam of that energy."""
    mixing = '[mixing]\nmodel = "uniform"\n'
    beam = BEAM.replace("500", "126.0006")
    assert the(lamp(RUNS + mixing), "mixing length").value == pytest.approx(
        the(lamp(beam + mixing), "mixing length").value, rel=1e-4
    )


# --- formulas outside their range ---------------------------------------------------------------

FAST = BEAM.replace("energy_eV = 500", "energy_eV = 1e5")


def test_formulas_outside_their_range_are_told_once():
    """A beam of 100 keV: yields are known up to 10 keV, as are ranges."""
    experiment = experiment_from_toml(LIKE + FAST + '[mixing]\nmodel = "uniform"\n')
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    told = [text.split(":")[0] for text in assembly.warnings]
    yields = [f"yield of {symbol} under Ar" for symbol in ("Al", "Cu", "Ni")]
    assert sorted(told) == ["projected range", *yields]
    assembly.instrument(assembly.nominal)  # says nothing more
    known = experiment_from_toml(LIKE + BEAM)
    assert Assembly(known.stack, known.setup).warnings == []


def test_a_simulation_warns_of_it_and_an_inversion_notes_it():
    experiment = experiment_from_toml(LIKE + FAST)
    with pytest.warns(ValidityWarning) as caught:
        dataset = simulate(experiment.stack, experiment.setup, seed=1)
    told = {str(each.message) for each in caught}
    assert "yield of Cu under Ar: 100000 eV is above 10000 eV" in told
    found = invert(profile_of(dataset, "profile.nc"), experiment, relative=True)
    assert told <= set(found.warnings)


def test_a_transition_too_wide_for_slices_is_named():
    text = """
[[layer]]
name = "film"
composition = "Ti"
thickness_nm = 10
erosion_rate_nm_s = 3
interface_shape = "tabulated"
interface_table = [[0, 0], [1, 0.99], [100000, 1]]
[substrate]
composition = "Si"
erosion_rate_nm_s = 10.0
"""
    experiment = experiment_from_toml(text)
    message = r'more than 400000 slices: .*; layer "film" interface_table: reaches over 1e\+05 nm'
    with pytest.raises(ValueError, match=message):
        simulate(experiment.stack, experiment.setup)
