"""The start-up of a discharge in profiles and inversions.

Derived checks: the dose supplied up to t is t - a tau (1 - exp(-t / tau)), and the sample is where
a steady source would be at that time.
"""

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import repeat, simulate
from craterfront.measured_files.files import profile_of
from craterfront.measured_files.measured import MeasuredProfile
from craterfront.models.quick_engine.engine import run
from craterfront.problems import InputProblems

SAMPLE = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {nm}
interface_width_nm = {width}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[substrate]
composition = "Ni"
erosion_rate_nm_s = {{ value = 16.0, u = 0 }}
[roughness]
initial_nm = {{ value = {rough}, u = 0 }}
[detection]
sampling_s = 0.02
{duration}
[[detection.channel]]
element = "Cu"
{copper}
[[detection.channel]]
element = "Ni"
"""
TRUTH = {"nm": 60.0, "width": 5.0, "rough": 0.0, "copper": "", "duration": "duration_s = 8.0"}
FREE = "sensitivity = { guess = 1.0 }\n"
GUESS = {**TRUTH, "nm": "{ guess = 50.0 }", "width": "{ guess = 2.0 }", "copper": FREE}
SLOW = "[start_up]\nrate_deficit = 0.4\ndecay_s = 0.8\n"
KNOWN = """
[start_up]
rate_deficit = { value = 0.4, u = 0 }
decay_s = { value = 0.8, u = 0 }
"""
UNKNOWN = "[start_up]\nrate_deficit = { guess = 0.2 }\ndecay_s = { guess = 1.2 }\n"
COUNTS = "[noise]\ncounts_per_unit_s = 200.0\n"


def text(which, **changes):
    return SAMPLE.format(**{**which, **changes})


def simulated(content, seed=1):
    experiment = experiment_from_toml(content)
    return simulate(experiment.stack, experiment.setup, seed=seed)


def inverted(content, dataset, **options):
    return invert(profile_of(dataset, "profile.nc"), experiment_from_toml(content), **options)


def clean(dataset, channel):
    return dataset["clean"].sel(channel=channel).values


@pytest.mark.parametrize("rough", [0.0, 6.0])
def test_every_atom_still_arrives_once(rough):
    """Nothing is gained or lost: the copper collected is the copper of the coat."""
    steady, slow = (simulated(text(TRUTH, rough=rough) + more) for more in ("", SLOW))
    collected = clean(slow, "Cu").sum() * 0.02
    assert collected == pytest.approx(clean(steady, "Cu").sum() * 0.02, rel=1e-9)
    # 8.96 g/cm3 over 63.546 u (IUPAC 2021) are 84.91 atoms/nm3.
    assert collected == pytest.approx(60.0 * 8.96 / 63.546 * 602.214076, rel=1e-6)


def test_erosion_begins_slowly_and_settles():
    slow = simulated(text(TRUTH) + SLOW)
    time = slow["time"].values
    early = time < 2.0
    plateau = 20.0 * 8.96 / 63.546 * 602.214076
    edges = 0.02 * np.arange(time.size + 1)
    mean_rate = np.diff(edges + 0.4 * 0.8 * np.expm1(-edges / 0.8)) / 0.02
    assert clean(slow, "Cu")[early] == pytest.approx(plateau * mean_rate[early], rel=1e-9)
    # Derived: depth 20 nm/s times the dose, up to the interface.
    dose = time + 0.4 * 0.8 * np.expm1(-time / 0.8)
    assert slow["mean_depth"].values[early] == pytest.approx(20.0 * dose[early], abs=1e-3)


def test_the_sample_is_where_a_steady_source_would_be_at_that_dose():
    experiment = experiment_from_toml(text(TRUTH, rough=3.0) + SLOW)
    assembly = Assembly(experiment.stack, experiment.setup)
    values = assembly.nominal
    edges = 0.02 * np.arange(401)
    dose = edges + 0.4 * 0.8 * np.expm1(-edges / 0.8)
    projection = np.stack([r.projection for r in assembly.responses], axis=-1)
    found = run(assembly.sample(values), assembly.instrument(values), dose, projection)
    slow = simulate(experiment.stack, experiment.setup, seed=1)
    assert clean(slow, "Ni") == pytest.approx(found.signal[:, 1] / 0.02, rel=1e-9, abs=1e-9)


def test_the_default_duration_supplies_the_dose_that_a_steady_source_needs():
    steady, slow = (simulated(text(TRUTH, duration="") + more) for more in ("", SLOW))
    # Derived: later by a tau = 0.32 s, within one reading of 0.02 s.
    later = slow["time"].values[-1] - steady["time"].values[-1]
    assert later == pytest.approx(0.32, abs=0.0201)


def test_contamination_decays_on_its_channel_alone():
    start = "[start_up]\ndecay_s = 0.5\n"
    plain = simulated(text(TRUTH) + start)
    dirty = simulated(text(TRUTH, copper="contamination = 300.0") + start)
    edges = 0.02 * np.arange(401)
    expected = -300.0 * 0.5 * np.diff(np.exp(-edges / 0.5)) / 0.02
    assert clean(dirty, "Cu") - clean(plain, "Cu") == pytest.approx(expected, abs=1e-8)
    assert np.array_equal(clean(dirty, "Ni"), clean(plain, "Ni"))
    assert np.array_equal(repeat(dirty)["intensity"], dirty["intensity"])


def test_a_known_start_up_moves_no_thickness():
    dataset = simulated(text(TRUTH) + SLOW + COUNTS)
    (coat,) = answer(inverted(text(GUESS) + KNOWN + COUNTS, dataset)).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)
    assert coat.u < 0.1
    # Derived: whoever ignores it takes the delay of 0.32 s for 6.4 nm.
    naive = inverted(text(GUESS) + COUNTS, dataset)
    assert answer(naive).layers[0].value == pytest.approx(66.4, abs=0.5)
    assert any("falls short" in note for note in naive.warnings)


def test_an_unknown_start_up_and_a_contamination_are_found():
    dirty = "contamination = 300.0"
    dataset = simulated(text(TRUTH, copper=dirty) + SLOW + COUNTS)
    free = FREE + "contamination = { guess = 10.0 }"
    found = inverted(text(GUESS, copper=free) + KNOWN + COUNTS, dataset)
    linear = dict(zip(found.likelihood.linear_names(), found.solution.linear, strict=True))
    assert linear["contamination Cu"] == pytest.approx(300.0, abs=15.0)
    (coat,) = answer(found).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)

    dataset = simulated(text(TRUTH) + SLOW + COUNTS)
    found = inverted(text(GUESS) + UNKNOWN + COUNTS, dataset)
    for kind, truth in (("start-up rate deficit", 0.4), ("start-up decay time", 0.8)):
        index = found.likelihood.assembly.index_of(kind)
        assert index is not None
        assert found.values[index] == pytest.approx(
            truth, abs=4.0 * found.standard_uncertainty(index)
        )
    (coat,) = answer(found).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)
    assert coat.u < 0.3


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (
            text(TRUTH, copper="contamination = 3.0"),
            'detection.channel[1] "Cu" contamination: needs [start_up], whose decay_s',
        ),
        (text(TRUTH) + "[start_up]\nrate_deficit = 0.3\n", "start_up decay_s: missing"),
        (
            text(TRUTH) + "[start_up]\nrate_deficit = 1.0\ndecay_s = 1.0\n",
            "start_up rate_deficit: must be >= 0 and < 1, got 1",
        ),
        (text(TRUTH) + "[start_up]\ndecay_s = 0\n", "start_up decay_s: must be > 0, got 0"),
        (
            text(TRUTH, duration='view = "viewed"\nescape_depth_nm = 1.0') + SLOW,
            'start_up: only with view = "collected"',
        ),
    ],
)
def test_what_cannot_be_is_refused(content, message):
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(content)
    assert message in str(caught.value)


def test_unusual_and_useless_start_ups_are_named():
    unusual = experiment_from_toml(text(TRUTH) + "[start_up]\nrate_deficit = 0.1\ndecay_s = 9.0\n")
    assert unusual.warnings() == ["start_up decay_s: 9 is outside 0.2 to 3, as discharges start up"]
    useless = experiment_from_toml(text(TRUTH) + "[start_up]\ndecay_s = 1.0\n")
    assert useless.warnings() == [
        "start_up decay_s: unused without rate_deficit and contamination of a channel"
    ]


def test_a_depth_axis_has_no_start_up():
    profile = MeasuredProfile(
        axis="depth",
        axis_values=np.arange(20.0),
        interval=np.ones(20),
        values=np.ones((2, 20)),
        channels=["Cu", "Ni"],
        values_kind="intensity",
        censored=np.zeros((2, 20), dtype=bool),
        notes=[],
        source="film.csv",
    )
    with pytest.raises(InputProblems, match="start_up: means intensities against time"):
        invert(profile, experiment_from_toml(text(GUESS) + SLOW))
