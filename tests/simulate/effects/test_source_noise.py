"""1/f noise of the source, in profiles and inversions."""

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.experiments.noise import Flicker, Noise, OneOverF
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import repeat, simulate
from craterfront.measured_files.files import profile_of
from craterfront.models.detection.one_over_f import processes
from craterfront.problems import InputProblems

SAMPLE = """
[[layer]]
composition = "Cu"
thickness_nm = {nm}
interface_width_nm = {{ guess = 4.0 }}
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[substrate]
composition = "Ni"
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
density_g_cm3 = {{ value = 8.9, u = 0 }}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[detection]
sampling_s = 0.05
duration_s = 10.0
[noise]
counts_per_unit_s = 1e4
{more}
"""
PINK = "one_over_f = { rms_per_decade = 0.01, shortest_s = 0.02, longest_s = 100.0 }"


def simulated(more=PINK, seed=1):
    experiment = experiment_from_toml(SAMPLE.format(nm=50.0, more=more))
    return simulate(experiment.stack, experiment.setup, seed=seed)


def relative(dataset):
    return (dataset["intensity"] / dataset["clean"]).values - 1.0


def test_all_channels_fluctuate_alike():
    """The background is 0, and 1e4 counts per unit leave a count noise of 0.1 to 0.2 %."""
    dataset = simulated()
    early, late = relative(dataset)[0, :60], relative(dataset)[1, -60:]
    assert 0.005 < np.hypot(early.std(), early.mean()) < 0.1
    assert late.std() > 0.004
    np.testing.assert_array_equal(repeat(dataset)["intensity"], dataset["intensity"])
    assert not np.array_equal(simulated(seed=2)["intensity"], dataset["intensity"])


def test_an_experiment_without_it_draws_the_same_noise_as_ever():
    flicker = "flicker = { rms = 0.01, correlation_s = 0.5 }"
    none = "\none_over_f = { rms_per_decade = 0.0 }"
    np.testing.assert_array_equal(
        simulated(flicker)["intensity"], simulated(flicker + none)["intensity"]
    )


def test_both_kinds_add_up():
    written = Noise(
        flicker=Flicker(rms=0.01, correlation_s=0.5),
        one_over_f=OneOverF(rms_per_decade=0.003),
    )
    assert written.fluctuations == [(0.01, 0.5), *processes(0.003, 0.01, 1000.0)]
    assert Noise().fluctuations == []


@pytest.mark.thorough
def test_intervals_allow_for_it():
    """Mean square error of the depth of the interface in standard uncertainties."""
    known = experiment_from_toml(SAMPLE.format(nm="{ guess = 45.0 }", more=PINK))
    ignored = experiment_from_toml(
        SAMPLE.format(nm="{ guess = 45.0 }", more="flicker = { rms = 0.0, correlation_s = 1.0 }")
    )
    errors, naive, notes = [], [], []
    for seed in range(20, 26):
        profile = profile_of(simulated(seed=seed), "profile.nc")
        found = invert(profile, known)
        (coat,) = answer(found).layers
        errors.append((coat.value - 50.0) / coat.u)
        notes += [note for note in found.warnings if "falls short" in note]
        if seed < 22:
            naive.append(answer(invert(profile, ignored)).warnings)
    # Derived: chi-square of 6 lies between 0.87 and 16.8 in 98 %.
    assert 0.87 / 6 < np.mean(np.square(errors)) < 16.8 / 6
    assert notes == []
    assert all(any("falls short" in note for note in each) for each in naive)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("0.01,", "1.5,", "noise.one_over_f rms_per_decade: must be >= 0 and <= 1, got 1.5"),
        ("100.0", "0.02", "noise.one_over_f longest_s: must be > shortest_s = 0.02, got 0.02"),
        ("rms_per_decade = 0.01, ", "", "noise.one_over_f rms_per_decade: missing"),
    ],
)
def test_what_cannot_be_is_refused(old, new, message):
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(SAMPLE.format(nm=50.0, more=PINK.replace(old, new, 1)))
    assert message in str(caught.value)
