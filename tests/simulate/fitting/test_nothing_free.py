"""Inversion of a file that holds every parameter: only sensitivities are left, or nothing is."""

from dataclasses import replace

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.posterior_sampling.sampled_posterior import sample_posterior
from craterfront.reports.answer_tables import answer_tables
from craterfront.reports.report import what_the_data_fix

COUNTS = 200.0
HELD = f"""
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {{ value = 60.0, u = 0 }}
interface_width_nm = {{ value = 4.0, u = 0 }}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[substrate]
composition = "Al"
erosion_rate_nm_s = {{ value = 16.0, u = 0 }}
density_g_cm3 = {{ value = 2.7, u = 0 }}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[[detection.channel]]
element = "Cu"
background = {{ value = 0.0, u = 0 }}
[[detection.channel]]
element = "Al"
background = {{ value = 0.0, u = 0 }}
[noise]
counts_per_unit_s = {COUNTS}
"""
DETECTED = "[detection]\nsampling_s = 0.02\nduration_s = 4.0\n"
RELOCATION = """
[mixing]
model = "relocation"
length_nm = { value = 1.0, u = 0 }
displacement_nm = { value = 2.0, u = 0 }
"""


def inverted(more="", held=HELD):
    experiment = experiment_from_toml(held + more)
    truth = experiment_from_toml(held + more + DETECTED)
    simulated = simulate(truth.stack, truth.setup, seed=3)
    return invert(profile_of(simulated, "profile.nc"), experiment)


def counts(found):
    """Counts of each channel, and how many are expected at a sensitivity of 1."""
    per_unit = COUNTS * found.profile.interval
    return found.profile.values @ per_unit, found.solution.rows[:2] @ per_unit


@pytest.mark.parametrize("more", ["", RELOCATION], ids=["exact slopes", "differences"])
def test_sensitivities_are_counts_over_expected_counts(more):
    """The most probable sensitivity of Poisson counts (Derived: d/ds (n ln s - s m) = 0)."""
    found = inverted(more)
    counted, expected = counts(found)
    assert found.likelihood.free == []
    assert found.solution.linear == pytest.approx([*(counted / expected), 0.0, 0.0], rel=1e-5)
    assert not found.warnings


def test_what_is_held_is_answered_with_no_uncertainty():
    found = answer(inverted()).as_dict()
    (layer,), (interface,), (mean,) = (found[k] for k in ("layers", "interfaces", "layer_means"))
    assert (layer["thickness_nm"], layer["thickness_u_nm"]) == (60.0, 0.0)
    assert layer["areal_mass_g_m2"] == pytest.approx(60.0 * 8.96e-3)
    assert (interface["width_nm"], interface["note"]) == (4.0, "held")
    assert mean["density_u_g_cm3"] == 0.0
    assert set(mean["atomic_fraction_u"].values()) == {0.0}
    assert (found["free_parameters"], found["parameters"]) == (0, [])


def test_a_file_that_holds_everything_has_no_combinations_to_fix():
    assert what_the_data_fix(answer(inverted())) == "The file holds every parameter."


def test_what_is_left_is_sampled():
    """Given n counts the sensitivity has the relative uncertainty n^-1/2 (Poisson)."""
    found = inverted()
    sampled = sample_posterior(found, draws=1000, seed=1)
    counted, expected = counts(found)
    assert [number.name for number in sampled.numbers] == ["sensitivity Cu", "sensitivity Al"]
    assert sampled.sample.evaluations == 1
    assert not sampled.warnings()
    for number, n, m in zip(sampled.numbers, counted, expected, strict=True):
        assert np.mean(number.draws) == pytest.approx(n / m, abs=0.15 * n**0.5 / m)
        assert np.std(number.draws) == pytest.approx(n**0.5 / m, rel=0.1)


@pytest.mark.parametrize(
    ("depth_nm", "shown"), [(11.58, "11.58"), (1158.0, "1158"), (12345.0, "12345")]
)
@pytest.mark.parametrize("u_nm", [0.0, np.inf])
def test_a_depth_without_uncertainty_is_rounded_as_its_interval(depth_nm, shown, u_nm):
    found = answer(inverted())
    held = {"depth": depth_nm, "depth_lower": depth_nm, "depth_upper": depth_nm, "depth_u": u_nm}
    deep = replace(found, layers=[replace(found.layers[0], **held)])
    (table,) = (each for each in answer_tables(deep) if "Interfaces" in str(each.title))
    assert [next(iter(column.cells)) for column in table.columns[-3:]] == 3 * [shown]


def test_where_nothing_is_left_the_data_are_compared_with_the_file():
    sensitivities = "sensitivity = { value = 1.0, u = 0 }\nbackground ="
    found = inverted(held=HELD.replace("background =", sensitivities))
    sampled = sample_posterior(found, draws=400, seed=1)
    assert (found.warnings, sampled.warnings(), sampled.numbers) == ([], [], [])
    assert list(found.solution.linear) == [1.0, 1.0, 0.0, 0.0]
    assert all(0.01 < p < 0.99 for check in sampled.checks for p in (check.p_scatter, check.p_slow))


def test_too_few_draws_of_what_is_left_are_not_trusted():
    (doubt,) = sample_posterior(inverted(), draws=100, seed=1).sample.doubts()
    assert doubt.startswith("the least effective sample size is 100")
