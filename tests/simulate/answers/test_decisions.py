"""Decisions on tolerance limits, out of an inversion."""

import io
import json
import math
from dataclasses import replace
from statistics import NormalDist

import pytest
from rich.console import Console

from craterfront.answers.results import answer
from craterfront.cautions import ESTIMATE
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.fitting.inversion_notes import doubts
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.reports.report import print_answer

GALVANISED = """
[[layer]]
name = "zinc"
composition = "Zn"
thickness_nm = {zinc}
erosion_rate_nm_s = {{ value = 20.0, u_rel = 0.03 }}
density_g_cm3 = {{ value = 7.14, u_rel = 0.01 }}
{of_zinc}
[[layer]]
name = "alloy"
composition = "FeZn7"
thickness_nm = {alloy}
erosion_rate_nm_s = {{ value = 10.0, u_rel = 0.03 }}
density_g_cm3 = {{ value = 7.2, u_rel = 0.01 }}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 8.0, u_rel = 0.03 }}
[roughness]
initial_nm = {{ value = 1.5, u = 0.3 }}
{more}
[detection]
sampling_s = 0.03
duration_s = 9.0
[noise]
counts_per_unit_s = 20.0
"""
LIMITS = {
    "of_zinc": "limit = { thickness_nm_min = 50.0, thickness_nm_max = 60.5,"
    " areal_mass_g_m2_max = 0.3, probability = 0.9 }",
    "more": "[[limit]]\nareal_mass_g_m2_min = 0.65\n"
    "[[limit]]\nlayers = ['zinc', 'alloy']\nthickness_nm_min = 99.0\n",
}
PHI = NormalDist().cdf


def experiment(**written):
    plain = {"zinc": "{ guess = 55.0 }", "alloy": "{ guess = 44.0 }", "of_zinc": "", "more": ""}
    return experiment_from_toml(GALVANISED.format(**(plain | written)))


@pytest.fixture(scope="module")
def profile():
    truth = experiment(zinc="60.0", alloy="40.0")
    return profile_of(simulate(truth.stack, truth.setup, seed=5), "galvanised")


@pytest.fixture(scope="module")
def inverted(profile):
    return invert(profile, experiment(**LIMITS))


@pytest.fixture(scope="module")
def found(inverted):
    return answer(inverted)


def test_every_limit_has_its_decision(found):
    said = [(each.of, each.bounds.quantity, each.decision) for each in found.rulings]
    assert said == [
        ("zinc", "thickness", "undecided"),
        ("zinc", "areal_mass", "does not conform"),
        ("all layers", "areal_mass", "conforms"),
        ("zinc + alloy", "thickness", "undecided"),
    ]


def test_the_probability_is_that_of_the_posterior(found):
    """Derived: a thickness is log-normal, so it is between two limits with a difference of two
    normal distribution functions of logarithms."""
    zinc, thickness = found.layers[0], found.rulings[0]
    ln_sd = zinc.u / zinc.value
    within = [PHI(math.log(limit / zinc.value) / ln_sd) for limit in (50.0, 60.5)]
    assert thickness.conformance == pytest.approx(within[1] - within[0], rel=1e-4)


def test_a_value_at_the_acceptance_limit_would_just_conform(found):
    """Derived: 1.6449 u inside the limit, in the logarithm, lies 95 %."""
    total = found.rulings[2]
    masses = [layer.areal_mass_g_m2 for layer in found.layers]
    assert total.value == pytest.approx(sum(masses))
    ln_sd = total.u / total.value
    assert total.acceptance == (pytest.approx(0.65 * math.exp(1.6449 * ln_sd), rel=1e-4), None)


def test_layers_together_count_with_their_joint_uncertainty(found):
    """Rates and densities are independent, but one roughness in nm tells of both rates."""
    apart = [layer.areal_mass_u_g_m2 for layer in found.layers]
    assert math.hypot(*apart) < found.rulings[2].u < sum(apart)
    last = found.layers[-1]
    both = found.rulings[3]
    assert both.value == pytest.approx(last.depth)
    assert both.value * math.exp(1.96 * both.u / both.value) == pytest.approx(
        last.depth_upper, rel=1e-4
    )


def test_no_decision_without_the_caution(found):
    assert {row["caution"] for row in found.as_dict()["decisions"]} == {ESTIMATE}


def test_values_of_several_kinds_are_printed_with_their_unit(found):
    text = io.StringIO()
    print_answer(found, Console(file=text, width=160))
    rows = [line for line in text.getvalue().splitlines() if "conform" in line and "│" in line]
    units = [line.split("│")[5].strip() for line in rows]
    assert units == ["g/m2", "g/m2"]
    assert "at least 0.65 g/m2" in rows[1]


def test_keys_of_a_decision(found):
    row = found.as_dict()["decisions"][2]
    assert row["of"] == "all layers"
    assert (row["min_g_m2"], row["max_g_m2"]) == (0.65, None)
    assert set(row) == {
        "of",
        "quantity",
        "min_g_m2",
        "max_g_m2",
        "value_g_m2",
        "u_g_m2",
        "accepted_from_g_m2",
        "accepted_to_g_m2",
        "conformance_probability",
        "probability_demanded",
        "decision",
        "caution",
    }


def test_a_value_between_two_limits_is_accepted_with_the_probability_of_both(found):
    """Derived: at an acceptance limit the share within both limits is that demanded."""
    zinc, thickness = found.layers[0], found.rulings[0]
    ln_sd = zinc.u / zinc.value
    for value in thickness.acceptance:
        below, above = (PHI(math.log(limit / value) / ln_sd) for limit in (50.0, 60.5))
        assert above - below == pytest.approx(0.9, abs=1e-4)


def test_nothing_is_decided_on_an_inversion_in_doubt(inverted):
    found = answer(replace(inverted, doubts=["the fit did not converge"]))
    assert {each.decision for each in found.rulings} == {"undecided"}
    assert {each.value for each in found.rulings} == {None}
    assert {each.why for each in found.rulings} == {"the fit did not converge"}


def test_json_tells_doubts_from_other_notes(inverted):
    found = answer(replace(inverted, doubts=["the fit did not converge"], notes=["a note"]))
    read = json.loads(found.as_json())
    assert read["doubts"] == ["the fit did not converge"]
    assert read["warnings"][:1] == read["doubts"]
    assert read["warnings"][-1] == "a note"
    assert json.loads(answer(inverted).as_json())["doubts"] == []


def test_a_fit_that_has_not_ended_well_is_in_doubt(inverted):
    """Not converged, or with a number at its bound."""
    likelihood, fit = inverted.likelihood, inverted.fit
    assert doubts(likelihood, fit, inverted.solution, []) == inverted.doubts == []
    (doubt,) = doubts(likelihood, replace(fit, converged=False), inverted.solution, [])
    assert "take no number from it" in doubt
    at_bound = fit.x.copy()
    at_bound[0] = likelihood.coordinates.bounds()[1][0]
    (doubt,) = doubts(likelihood, replace(fit, x=at_bound), inverted.solution, [])
    assert "is at a bound" in doubt


def test_nothing_is_decided_between_contradicting_ways(profile):
    limits = LIMITS | {"more": "[depth_scale]\nfinal_crater_depth_nm = { value = 220.0, u = 1.0 }"}
    found = answer(invert(profile, experiment(**limits)))
    assert any(each.contradicts for each in found.scale_disagreements)
    assert {each.decision for each in found.rulings} == {"undecided"}
    assert all("contradict each other" in each.why for each in found.rulings)


def test_times_at_nominal_rates_decide_nothing(profile):
    found = answer(invert(profile, experiment(**LIMITS), relative=True))
    assert {each.decision for each in found.rulings} == {"undecided"}
    assert {each.why for each in found.rulings} == {"no depths at nominal rates"}


def test_an_upper_limit_of_a_thickness_decides_what_it_can():
    """0.1 nm of gold below copper: it may be absent, and is thinner than its limit at 95 %."""
    text = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = 60.0
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[[layer]]
name = "gold"
composition = "Au"
thickness_nm = {gold}
erosion_rate_nm_s = {{ value = 30.0, u = 0 }}
[substrate]
composition = "Al"
erosion_rate_nm_s = {{ value = 16.0, u = 0 }}
[roughness]
initial_nm = {{ value = 3.0, u = 1.0 }}
[detection]
sampling_s = 0.02
duration_s = 4.0
[noise]
counts_per_unit_s = 20.0
"""
    truth = experiment_from_toml(text.format(gold=0.1))
    profile = profile_of(simulate(truth.stack, truth.setup, seed=1), "gold")
    said = {}
    for limit in ("thickness_nm_min = 30.0", "thickness_nm_max = 30.0", "thickness_nm_min = 0.1"):
        gold = f"{{ guess = 0.2 }}\nlimit = {{ {limit} }}"
        answers = answer(invert(profile, experiment_from_toml(text.format(gold=gold))))
        assert not answers.layers[1].resolved
        (ruling,) = answers.rulings
        assert ruling.conformance is None
        said[limit] = ruling.decision
    assert list(said.values()) == ["does not conform", "conforms", "undecided"]


def test_graded_layers_and_periods_are_decided_upon():
    """A graded layer is held as it is written, so it conforms for certain; the layers of a period
    have a decision each, and count together by their common name."""
    text = """
[[layer]]
name = "graded"
grading = [[0.0, "copper"], [1.0, "nickel"]]
thickness_nm = {{ value = 30.0, u = 0 }}
limit = {{ thickness_nm_min = 29.0 }}
[[layer]]
repeat = 2
[[layer.of]]
name = "Cr"
composition = "Cr"
thickness_nm = {chromium}
erosion_rate_nm_s = {{ value = 10.0, u_rel = 0.02 }}
limit = {{ thickness_nm_max = 40.0 }}
[[layer.of]]
name = "Ti"
composition = "Ti"
thickness_nm = {titanium}
erosion_rate_nm_s = {{ value = 10.0, u_rel = 0.02 }}
[material.copper]
composition = "Cu"
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[material.nickel]
composition = "Ni"
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[roughness]
initial_nm = {{ value = 1.0, u = 0.1 }}
[detection]
sampling_s = 0.1
duration_s = 14.0
[noise]
counts_per_unit_s = 20.0
[[limit]]
layers = ["Cr", "graded"]
thickness_nm_min = 60.0
"""
    truth = experiment_from_toml(text.format(chromium=20.0, titanium=20.0))
    profile = profile_of(simulate(truth.stack, truth.setup, seed=1), "both")
    guess = "{ guess = 18.0 }"
    known = experiment_from_toml(text.format(chromium=guess, titanium=guess))
    graded, first, second, together = answer(invert(profile, known)).rulings
    assert (graded.of, graded.value, graded.conformance) == ("graded", 30.0, 1.0)
    assert (first.of, second.of, together.of) == ("Cr #1", "Cr #2", "Cr + graded")
    assert {each.decision for each in (graded, first, second, together)} == {"conforms"}
    assert together.value == pytest.approx(30.0 + first.value + second.value)
