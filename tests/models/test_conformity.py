"""Decisions on tolerance limits: what must always hold."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.conformity import conformance_probability, decision, guard_band

values = st.floats(-10.0, 10.0)
uncertainties = st.floats(0.01, 10.0)
probabilities = st.floats(0.51, 0.999)


@given(values, uncertainties, uncertainties, values, values)
def test_the_parts_around_two_limits_add_up_to_one(value, below, above, a, b):
    lower, upper = sorted((a, b))
    known = value, below, above
    parts = [
        conformance_probability(*known, upper=lower),
        conformance_probability(*known, lower, upper),
        conformance_probability(*known, lower=upper),
    ]
    assert sum(parts) == pytest.approx(1.0)
    assert min(parts) >= 0.0


@given(values, uncertainties, values, probabilities)
def test_one_limit_is_guarded_by_the_guard_band_on_both_sides(value, u, limit, probability):
    """Derived: Phi((y - T)/u) >= p is y >= T + z_p u, and 1 - Phi >= p is y <= T - z_p u."""
    band = guard_band(u, probability)
    if min(abs(value - limit - band), abs(value - limit + band)) < 1e-6:
        return  # rounding decides
    found = decision(conformance_probability(value, u, u, lower=limit), probability)
    if value > limit + band:
        assert found == "conforms"
    elif value < limit - band:
        assert found == "does not conform"
    else:
        assert found == "undecided"


@given(values, uncertainties, values)
def test_a_minimum_and_the_same_maximum_are_each_other_s_opposite(value, u, limit):
    at_least = conformance_probability(value, u, u, lower=limit)
    at_most = conformance_probability(value, u, u, upper=limit)
    assert at_least + at_most == pytest.approx(1.0)


def test_each_half_counts_on_its_own_side():
    """Derived: half lies above the median; of the lower half, Phi(-1) lies beyond its 1 u."""
    known = 5.0, 1.0, 4.0
    assert conformance_probability(*known, lower=5.0) == pytest.approx(0.5)
    assert conformance_probability(*known, lower=4.0) == pytest.approx(0.8413, abs=1e-4)
    assert conformance_probability(*known, upper=9.0) == pytest.approx(0.8413, abs=1e-4)


def test_what_is_exactly_known_is_decided_for_certain():
    assert conformance_probability(5.0, 0.0, 0.0, lower=5.0) == 1.0
    assert conformance_probability(5.0, 0.0, 0.0, lower=5.1) == 0.0
    assert conformance_probability(5.0, 0.0, 0.0, 4.0, 6.0) == 1.0


def test_what_is_not_known_at_all_is_never_decided():
    chance = conformance_probability(5.0, math.inf, math.inf, lower=1.0)
    assert decision(chance, 0.95) == "undecided"


@pytest.mark.parametrize("probability", [0.5, 1.0, 0.2])
def test_a_decision_demands_more_than_even_odds(probability):
    with pytest.raises(ValueError, match="must be between"):
        decision(0.7, probability)
