"""Draws of the posterior against nested sampling, with planted mistakes that must be seen.

A record of the two cases with a formula for the signal is kept. The largest of all differences, in
Monte Carlo standard deviations, must be one that chance exceeds in more than 1 of 100 studies.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from studies.nested import CASES, FIGURES, Draws, compare, nested, planted, sampled

RECORD = Path(__file__).parents[2] / "benchmarks" / "nested.json"
NUMBERS = {"few_counts": 6, "analogue": 10}  # that are compared


@pytest.mark.derived
@pytest.mark.parametrize("name", NUMBERS)
def test_recorded_draws_agree(name):
    found = json.loads(RECORD.read_text(encoding="utf-8"))["cases"][name]
    assert len(found["rows"]) == NUMBERS[name] * len(FIGURES)
    largest = max(abs(row["z"]) for row in found["rows"])
    assert found["largest_z"] == pytest.approx(largest)
    assert found["p_largest"] > 0.01
    assert found["p_distributions"] > 0.01


def test_a_wrong_prior_of_a_width_near_zero_would_have_been_seen():
    record = json.loads(RECORD.read_text(encoding="utf-8"))["cases"]["few_counts"]
    assert record["planted"]["width flat in its square"]["p_largest"] < 0.001


def drawn(seed, mean, sd=1.0):
    values = np.random.default_rng(seed).normal(mean, sd, 2000)
    return Draws({"x": values}, np.full(2000, 1.0 / 2000), 2000.0)


def test_the_comparison_sees_a_shift_a_spread_and_nothing_else():
    """Of four runs of 2000 draws each, the error of a mean is 0.011 standard deviations."""
    own = [drawn(seed, 0.0) for seed in range(4)]
    assert compare(own, [drawn(seed, 0.0) for seed in range(10, 14)]).holds
    assert not compare(own, [drawn(seed, 0.15) for seed in range(10, 14)]).holds
    assert not compare(own, [drawn(seed, 0.0, 1.2) for seed in range(10, 14)]).holds


@pytest.mark.slow
def test_few_counts_live():
    pytest.importorskip("dynesty", reason="the extra crosscheck is not installed")
    case = CASES["few_counts"]()
    own = [sampled(case, seed) for seed in range(11, 15)]
    other = [nested(case, seed) for seed in range(11, 15)]
    assert compare(own, other).holds
    wrong = planted(case, other)["width flat in its square"]
    assert not compare(own, wrong).holds
