"""Dead time and rounding: what they do to readings, and what an inversion makes of them."""

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.detectors import Detectors
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
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
initial_nm = {{ value = 0.0, u = 0 }}
[detection]
sampling_s = 0.02
duration_s = 6.0
[[detection.channel]]
element = "Cu"
{copper}
[[detection.channel]]
element = "Ni"
"""
TRUTH = {"nm": 60.0, "width": 5.0}
GUESS = {"nm": "{ guess = 50.0 }", "width": "{ guess = 2.0 }"}
COUNTS = "[noise]\ncounts_per_unit_s = 2000.0\n"
FREE = "sensitivity = { guess = 1.0 }\n"


def text(which, copper):
    return SAMPLE.format(**which, copper=copper)


def simulated(content, seed=1):
    experiment = experiment_from_toml(content)
    return simulate(experiment.stack, experiment.setup, seed=seed)


def inverted(content, dataset):
    return invert(profile_of(dataset, "profile.nc"), experiment_from_toml(content))


def copper(dataset, name="intensity"):
    return dataset[name].sel(channel="Cu").values


# Copper gives 1698 atoms/nm2/s, 3.4e6 counts per second: a dead time of 1e-7 s takes a quarter.
DEAD = "dead_time_s = 1e-7\n"


def test_a_dead_time_takes_counts_and_leaves_the_clean_signal():
    plain, dead = (simulated(text(TRUTH, key) + COUNTS) for key in ("", DEAD))
    assert copper(dead, "clean") == pytest.approx(copper(plain, "clean"), rel=1e-12)
    offered = copper(dead, "clean") * 2000.0
    expected = offered / (1.0 + offered * 1e-7) / 2000.0
    # Derived: standard deviation of the counts n T / (1 + n tau)^3 of 0.02 s.
    deviation = np.sqrt(offered * 0.02 / (1.0 + offered * 1e-7) ** 3) / (2000.0 * 0.02)
    lit = offered > 1e4
    assert np.abs((copper(dead) - expected)[lit] / deviation[lit]).max() < 5.0
    assert copper(dead)[:50].mean() < 0.76 * copper(plain)[:50].mean()
    assert np.array_equal(dead["intensity"][1], plain["intensity"][1])


def test_an_inversion_corrects_for_the_dead_time():
    dataset = simulated(text(TRUTH, DEAD) + COUNTS)
    found = inverted(text(GUESS, DEAD + FREE) + COUNTS, dataset)
    (coat,) = answer(found).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)
    assert coat.width.value_nm == pytest.approx(5.0, abs=0.1)
    assert found.solution.linear[0] == pytest.approx(1.0, abs=2e-3)
    # Derived: the variance of n found from the counts of an interval T is n (1 + n tau) / T.
    offered = found.solution.model[0] * 2000.0
    variance = offered * (1.0 + offered * 1e-7) / 0.02 / 2000.0**2
    lit = offered > 1e4
    allowed = found.likelihood.noise.variance(found.solution.model, found.likelihood.interval)[0]
    assert allowed[lit] == pytest.approx(variance[lit], rel=1e-9)
    assert not found.likelihood.noise.falls_short.any()
    assert "channel Cu: readings were corrected for the dead time, which took up to 2" in str(
        found.warnings
    )


def test_readings_at_the_limit_of_a_detector_with_dead_time_are_censored():
    limited = DEAD + "saturation = 1000.0\n"
    dataset = simulated(text(TRUTH, limited) + COUNTS)
    assert copper(dataset).max() == 1000.0
    found = inverted(text(GUESS, limited + FREE) + COUNTS, dataset)
    # Derived: 1000 recorded are 2e6 counts per second, 2.5e6 offered, 1250 in intensity.
    assert found.likelihood.limit[0] == pytest.approx(1250.0, rel=1e-12)
    (coat,) = answer(found).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)


def test_readings_are_multiples_of_their_step():
    dataset = simulated(text(TRUTH, "reading_step = 0.7") + COUNTS)
    plain = simulated(text(TRUTH, "") + COUNTS)
    steps = copper(dataset) / 0.7
    assert steps == pytest.approx(np.round(steps), abs=1e-9)
    assert np.abs(copper(dataset) - copper(plain)).max() <= 0.35 + 1e-9


def test_rounding_adds_a_twelfth_of_its_square():
    """Derived: variance of an even distribution over one step."""
    step = 20.0
    dataset = simulated(text(TRUTH, f"reading_step = {step}") + COUNTS)
    found = inverted(text(GUESS, f"reading_step = {step}\n" + FREE) + COUNTS, dataset)
    noise, likelihood = found.likelihood.noise, found.likelihood
    counting = found.solution.model[0] / 2000.0 / likelihood.interval
    variance = noise.variance(found.solution.model, likelihood.interval)[0]
    lit = found.solution.model[0] > 100.0
    assert variance[lit] == pytest.approx((counting + step**2 / 12.0)[lit], rel=1e-9)
    (coat,) = answer(found).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)
    assert not noise.falls_short[0]


def test_estimated_noise_is_never_below_that_of_rounding():
    """Without any noise no reading scatters, and yet none is known better than to its step."""
    step = 20.0
    dataset = simulated(text(TRUTH, f"reading_step = {step}"))
    found = inverted(text(GUESS, f"reading_step = {step}\n" + FREE), dataset)
    noise = found.likelihood.noise
    variance = noise.variance(found.solution.model, found.likelihood.interval)[0]
    assert noise.rounding[0] == pytest.approx(step**2 / 12.0)
    assert variance.min() >= step**2 / 12.0 * (1.0 - 1e-9)
    (coat,) = answer(found).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)


def test_rounding_that_does_not_average_out_is_named():
    dataset = simulated(text(TRUTH, "reading_step = 100.0") + COUNTS)
    found = inverted(text(GUESS, "reading_step = 100.0\n" + FREE) + COUNTS, dataset)
    assert any("channel Cu: half of its readings scatter by less" in w for w in found.warnings)
    finer = simulated(text(TRUTH, "reading_step = 0.1") + COUNTS)
    found = inverted(text(GUESS, "reading_step = 0.1\n" + FREE) + COUNTS, finer)
    assert found.warnings == []


def test_limits_come_after_rounding():
    setup = experiment_from_toml(text(TRUTH, "reading_step = 0.7\nsaturation = 3.0")).setup
    detectors = Detectors.of(setup.detection.channel, setup.noise)
    found = detectors.rounded_and_limited(np.array([[0.2, 1.0, 2.9, 9.0], [0.2, 1.0, 2.9, 9.0]]))
    assert found[0] == pytest.approx([0.0, 0.7, 2.8, 3.0])
    assert found[1] == pytest.approx([0.2, 1.0, 2.9, 9.0])


@pytest.mark.parametrize(
    ("written", "noise", "message"),
    [
        (DEAD, "", 'detection.channel[1] "Cu" dead_time_s: needs counts_per_unit_s in [noise]'),
        (
            DEAD + "reading_step = 1.0",
            COUNTS,
            'channel[1] "Cu" reading_step: stands beside dead_time_s; counts are whole numbers',
        ),
        (DEAD + 'merge = ["a", "b"]', COUNTS, 'channel[1] "Cu" dead_time_s: stands beside merge'),
        (
            DEAD + "saturation = 5000.0",
            COUNTS,
            'detection.channel[1] "Cu" saturation: must be < 5000, which the dead time lets no'
            " reading reach, got 5000",
        ),
        ("dead_time_s = -1e-7", COUNTS, '"Cu" dead_time_s: must be > 0, got -1e-07'),
        ("reading_step = 0", COUNTS, '"Cu" reading_step: must be > 0, got 0'),
    ],
)
def test_what_cannot_be_is_refused(written, noise, message):
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(text(TRUTH, written) + noise)
    assert message in str(caught.value)


def test_a_dead_time_that_is_long_against_a_reading_is_refused():
    long = text(TRUTH, "dead_time_s = 1e-4") + COUNTS
    with pytest.raises(InputProblems, match=r'"Cu" dead_time_s: must be <= 2e-05, 0\.001 of the'):
        simulated(long)
    with pytest.raises(InputProblems, match=r'"Cu" dead_time_s: must be <= 2e-05'):
        inverted(long, simulated(text(TRUTH, "") + COUNTS))


def test_readings_that_the_dead_time_forbids_are_refused():
    dataset = simulated(text(TRUTH, "") + COUNTS)
    known = text(GUESS, "dead_time_s = 1e-6") + COUNTS
    with pytest.raises(
        InputProblems, match=r'"Cu": a reading of 1[67]\d\d.*every reading is below'
    ):
        inverted(known, dataset)
