"""Where the uncertainty of an answer comes from, and how well causes of broadening are known."""

import io
import math

import numpy as np
import pytest
from rich.console import Console

from craterfront.answers.budget import broadening
from craterfront.answers.origins import READINGS, Origin
from craterfront.answers.prior_rows import PriorRow
from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.posterior_sampling.draws import laplace_draws
from craterfront.reports.report import print_answer, print_priors

COAT = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {thickness}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {rate}
density_g_cm3 = {{ value = 8.96, u_rel = 0.02 }}
[substrate]
composition = "Al"
erosion_rate_nm_s = {{ value = 16.0, u = 0 }}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[crater]
shape = "parabolic"
curvature = {curvature}
[detection]
sampling_s = 0.02
duration_s = 4.0
[noise]
counts_per_unit_s = 2e4
{more}
"""
RATE_SHARE = 1.0 / (1.0 + (0.1 / math.log(3.0)) ** 2)
"""Of a rate that is known to 10 %, beside a guess that is good to a factor of 3 (derived: weights
of two normal numbers)."""

CRATER = "[depth_scale]\nfinal_crater_depth_nm = { value = 76.0, u = 0.6 }"


def coat(**written):
    plain = {"thickness": 60.0, "rate": 20.0, "curvature": "{ value = 0.1, u = 0.02 }", "more": ""}
    return experiment_from_toml(COAT.format(**(plain | written)))


@pytest.fixture(scope="module")
def profile():
    truth = coat()
    return profile_of(simulate(truth.stack, truth.setup, seed=4), "coat")


@pytest.fixture(scope="module")
def by_rate(profile):
    """A plain rate is assumed to be known to 10 %, a guessed thickness to a factor of 3."""
    return invert(profile, coat(thickness="{ guess = 55.0 }"))


def origin(found, name):
    return next(each for each in found.origins if each.answer == name)


def test_an_assumed_rate_dominates_in_words(by_rate):
    found = answer(by_rate)
    thickness = origin(found, "thickness of coat")
    assert thickness.shares["erosion rate of coat"] == pytest.approx(RATE_SHARE, rel=1e-3)
    assert thickness.sentence() == (
        "thickness of coat: 99 % of its variance comes from the assumed erosion rate of coat"
        " (10 %); measure that rate"
    )
    text = io.StringIO()
    print_answer(found, Console(file=text, width=200))
    assert thickness.sentence() in text.getvalue()


def test_what_would_help_most_is_told_where_nothing_dominates():
    rate = PriorRow("erosion rate of coat", "rate", "prior", 0.05)
    by_rate = Origin("thickness of coat", {rate.name: 0.48, READINGS: 0.4}, rate)
    assert by_rate.advice() == "measure that rate (48 %)"
    assert by_rate.sentence() == ""
    by_readings = Origin("thickness of coat", {READINGS: 0.52, rate.name: 0.48}, rate)
    assert by_readings.advice() == "more counts (52 %)"
    assert Origin("thickness of coat", {READINGS: 1.0}, None).advice() == "more counts (100 %)"


def test_shares_of_a_mass_are_those_of_thickness_and_density(by_rate):
    """Derived: the relative variances of thickness and density add."""
    mass = origin(answer(by_rate), "mass of coat")
    thickness = 0.1**2 * RATE_SHARE
    of_density = 0.02**2 / (0.02**2 + thickness)
    assert mass.shares["density of coat"] == pytest.approx(of_density, rel=5e-3)
    of_rate = RATE_SHARE * (1.0 - of_density)
    assert mass.shares["erosion rate of coat"] == pytest.approx(of_rate, rel=1e-3)


def test_shares_of_two_ways_are_their_weights(profile):
    """Derived: 0.6 of 60 nm are 1 %, the rate is known to 2 %: weights of 4 to 1."""
    known = coat(thickness="{ guess = 55.0 }", rate="{ value = 20.0, u_rel = 0.02 }", more=CRATER)
    thickness = origin(answer(invert(profile, known)), "thickness of coat")
    assert next(iter(thickness.shares)) == "final crater depth"
    assert thickness.shares["final crater depth"] == pytest.approx(0.8, abs=0.02)
    assert thickness.shares["erosion rate of coat"] == pytest.approx(0.2, abs=0.02)
    assert "measure the crater's depth more closely" in thickness.sentence()


def test_posterior_to_prior(by_rate):
    """Nothing tells the rate; the shape of the edge tells the curvature."""
    found = answer(by_rate)
    ratio = {each.name: each.posterior_to_prior for each in found.estimates}
    assert ratio["erosion rate of coat"] == pytest.approx(1.0, abs=0.01)
    assert ratio["crater curvature"] < 0.5
    rows = {row["name"]: row for row in found.as_dict()["parameters"]}
    assert rows["crater curvature"]["prior_u"] == 0.02
    text = io.StringIO()
    print_priors(found, Console(file=text, width=200))
    lines = [line for line in text.getvalue().splitlines() if "erosion rate of coat" in line]
    assert "rests on its prior" in lines[0]


def test_causes_of_broadening_have_the_uncertainty_of_draws(by_rate):
    """Independent check: the spread of the budget over draws from the posterior."""
    (budget,) = answer(by_rate).budgets
    assembly = by_rate.likelihood.assembly
    drawn = [
        broadening(assembly, values, 0.02, with_mixing=False)[0].two_sd_nm
        for values in laplace_draws(by_rate).values
    ]
    for cause in ("crater", "sampling"):
        spread = float(np.std([each[cause] for each in drawn]))
        assert budget.u_nm[cause] == pytest.approx(spread, rel=0.12)
        assert budget.u_nm[cause] > 0.01 * budget.two_sd_nm[cause]
    assert budget.limits_nm == {}


def test_a_cause_that_may_be_none_has_a_limit(profile):
    """A roughness of 0.2 nm with u = 0.2 nm, where there is none."""
    text = COAT.replace(
        "{{ value = 0.0, u = 0 }}\n[crater]", "{{ value = 0.2, u = 0.2 }}\n[crater]"
    )
    assert text != COAT
    known = experiment_from_toml(
        text.format(
            thickness="{ guess = 55.0 }",
            rate="{ value = 20.0, u_rel = 0.02 }",
            curvature="{ value = 0.1, u = 0.02 }",
            more="",
        )
    )
    found = answer(invert(profile, known))
    (budget,) = found.budgets
    limit = budget.limits_nm["roughness"]
    roughness = next(each for each in found.estimates if each.name == "initial roughness")
    assert limit == pytest.approx(2.0 * math.sqrt(16.0 / 20.0) * roughness.upper, rel=0.02)
    (row,) = found.as_dict()["broadening_two_sd"]
    assert row["roughness, upper limit 95 % (nm)"] == pytest.approx(limit)
    assert math.isfinite(row["crater, u (nm)"])
