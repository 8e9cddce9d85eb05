"""A rate that settles with depth, in profiles and inversions.

Derived checks: at the time t the sample is where a steady source is at
t + T ln(1 + a (1 - exp(-t / T))), T = z_tr / v, and ahead by z_tr ln(1 + a) in the end.
"""

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import repeat, simulate
from craterfront.measured_files.files import profile_of
from craterfront.measured_files.measured import MeasuredProfile
from craterfront.problems import InputProblems

SAMPLE = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {nm}
interface_width_nm = {{ value = {width}, u = 0 }}
erosion_rate_nm_s = {{ value = 2.0, u = 0 }}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[substrate]
composition = "Ni"
erosion_rate_nm_s = {{ value = 2.0, u = 0 }}
density_g_cm3 = {{ value = 8.9, u = 0 }}
[detection]
sampling_s = 0.05
{detection}
[[detection.channel]]
element = "Cu"
{copper}
[[detection.channel]]
element = "Ni"
"""
TRUTH = {"nm": 30.0, "width": 2.0, "copper": "", "detection": "duration_s = 30.0"}
FAST = "[surface_transient]\nrate_excess = 3.0\ndecay_nm = 4.0\n"
SLOW = "[surface_transient]\nrate_excess = -0.6\ndecay_nm = 4.0\n"
START = "[start_up]\nrate_deficit = 0.4\ndecay_s = 0.8\n"
COUNTS = "[noise]\ncounts_per_unit_s = 200.0\n"


def text(**changes):
    return SAMPLE.format(**{**TRUTH, **changes})


def simulated(content, seed=1):
    experiment = experiment_from_toml(content)
    return simulate(experiment.stack, experiment.setup, seed=seed)


def clean(dataset, channel):
    return dataset["clean"].sel(channel=channel).values


def half_time(dataset):
    """When nickel reaches half of its plateau [s]."""
    nickel = clean(dataset, "Ni")
    return float(np.interp(0.5 * nickel[-1], nickel, dataset["time"].values))


@pytest.mark.parametrize(("more", "excess"), [(FAST, 3.0), (SLOW, -0.6)])
def test_the_interface_comes_earlier_by_the_depth_shift(more, excess):
    """With z_tr = 2 nm the transient is over at 30 nm."""
    steady, settling = simulated(text()), simulated(text() + more.replace("4.0", "2.0"))
    shift_nm = 2.0 * (half_time(steady) - half_time(settling))
    assert shift_nm == pytest.approx(2.0 * np.log1p(excess), abs=1e-4)


@pytest.mark.parametrize("more", [FAST, SLOW, FAST + START])
def test_every_atom_still_arrives_once(more):
    settling = simulated(text() + more)
    # 8.96 g/cm3 over 63.546 u (IUPAC 2021) are 84.91 atoms/nm3.
    expected = 30.0 * 8.96 / 63.546 * 602.214076
    assert clean(settling, "Cu").sum() * 0.05 == pytest.approx(expected, rel=1e-6)


def test_the_first_signal_is_as_much_higher_as_the_rate():
    dataset = simulated(text() + FAST)
    edges = 0.05 * np.arange(601)
    ahead = 2.0 * np.log1p(-3.0 * np.expm1(-edges / 2.0))
    gained = np.diff(edges + ahead) / 0.05
    plateau = 2.0 * 8.96 / 63.546 * 602.214076
    early = dataset["time"].values < 4.0
    assert clean(dataset, "Cu")[early] == pytest.approx(plateau * gained[early], rel=1e-6)
    assert dataset["mean_depth"].values[0] == pytest.approx(edges[1] + ahead[1], rel=1e-3)
    np.testing.assert_array_equal(repeat(dataset)["intensity"], dataset["intensity"])


def test_a_viewed_signal_settles_too():
    view = 'view = "viewed"\nescape_depth_nm = 1.0\nduration_s = 30.0'
    steady, settling = (simulated(text(detection=view) + more) for more in ("", FAST))
    shift_nm = 2.0 * (half_time(steady) - half_time(settling))
    assert shift_nm == pytest.approx(4.0 * np.log(4.0), abs=0.01)


def test_the_default_duration_is_shorter_by_the_shift():
    steady, settling = (simulated(text(detection="") + more) for more in ("", FAST))
    earlier = steady["time"].values[-1] - settling["time"].values[-1]
    assert earlier == pytest.approx(2.0 * np.log(4.0), abs=0.0501)


def test_an_inversion_finds_it():
    dataset = simulated(text() + FAST + COUNTS)
    unknown = FAST.replace("3.0", "{ guess = 1.0 }").replace("4.0", "{ guess = 2.5 }")
    copper = "sensitivity = { guess = 1.0 }"
    content = text(nm="{ guess = 25.0 }", copper=copper) + unknown + COUNTS
    found = invert(profile_of(dataset, "profile.nc"), experiment_from_toml(content))
    for kind, truth in (("excess", 3.0), ("depth", 4.0)):
        index = found.likelihood.assembly.index_of(f"surface transient {kind}")
        assert index is not None
        u = found.standard_uncertainty(index)
        assert u < 0.05 * truth
        assert found.values[index] == pytest.approx(truth, abs=4.0 * u)
    (coat,) = answer(found).layers
    assert coat.value == pytest.approx(30.0, abs=4.0 * coat.u)
    assert coat.u < 0.2
    naive = text(nm="{ guess = 25.0 }", copper=copper) + COUNTS
    without = answer(invert(profile_of(dataset, "profile.nc"), experiment_from_toml(naive)))
    # Derived: whoever ignores it takes what comes earlier for a layer thinner by 5.5 nm.
    assert without.layers[0].value == pytest.approx(30.0 - 4.0 * np.log(4.0), abs=0.5)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("3.0", "-1.0", "surface_transient rate_excess: must be > -1 and <= 100, got -1"),
        ("decay_nm = 4.0", "decay_nm = 0", "surface_transient decay_nm: must be > 0, got 0"),
        ("decay_nm = 4.0", "", "surface_transient decay_nm: missing"),
    ],
)
def test_what_cannot_be_is_refused(old, new, message):
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(text() + FAST.replace(old, new))
    assert message in str(caught.value)


SEEN = """
[[layer]]
composition = "Cu"
thickness_nm = 3.0
erosion_rate_nm_s = 1.0
[substrate]
composition = "Si"
erosion_rate_nm_s = 1.0
[surface_transient]
rate_excess = {excess}
decay_nm = 2.0
[detection]
view = "viewed"
escape_depth_nm = 1.5
sampling_s = {step}
duration_s = 12.0
"""


@pytest.mark.parametrize("excess", [10.0, 3.0, -0.9])
@pytest.mark.parametrize("step", [0.5, 2.0])
def test_what_is_seen_is_a_mean_over_time(excess, step):
    coarse = clean(simulated(SEEN.format(excess=excess, step=step)), ["Cu", "Si"])
    fine = clean(simulated(SEEN.format(excess=excess, step=0.005)), ["Cu", "Si"])
    means = fine.reshape(2, coarse.shape[1], -1).mean(axis=2)
    assert coarse == pytest.approx(means, abs=1e-3)


def test_what_was_seen_with_a_transient_comes_out():
    made = SEEN.format(excess=10.0, step=0.5) + COUNTS.replace("200.0", "1e6")
    known = made.replace("thickness_nm = 3.0", "thickness_nm = { guess = 4.0 }")
    for number in ("erosion_rate_nm_s = 1.0", "decay_nm = 2.0", "rate_excess = 10.0"):
        key, value = number.split(" = ")
        known = known.replace(number, f"{key} = {{ value = {value}, u = 0 }}")
    (film,) = answer(
        invert(profile_of(simulated(made), "x.nc"), experiment_from_toml(known))
    ).layers
    assert film.value == pytest.approx(3.0, abs=0.01)


@pytest.mark.parametrize(
    ("place", "lines", "tables"),
    [
        ("surface_transient", "", FAST),
        ("start_up", "", START),
        ("detection residence_s", "residence_s = 0.01", ""),
        ("noise flicker", "", "[noise]\nflicker = { rms = 0.01, correlation_s = 0.1 }\n"),
        ("noise one_over_f", "", "[noise]\none_over_f = { rms_per_decade = 0.01 }\n"),
    ],
)
def test_what_lasts_for_seconds_is_refused_with_a_depth_axis(place, lines, tables):
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
    with pytest.raises(InputProblems, match=f"{place}: means intensities against time"):
        invert(profile, experiment_from_toml(text(detection=lines) + tables))
