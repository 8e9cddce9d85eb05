"""Decisions on tolerance limits: what must always hold."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.measurands.conformity import (
    acceptance_limits,
    conformance_probability,
    decision,
    guard_band,
)

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


ends = st.one_of(values, st.sampled_from([-math.inf, math.inf]))


@given(uncertainties, uncertainties, ends, ends, probabilities, st.floats(-25.0, 25.0))
def test_a_value_is_accepted_exactly_between_the_acceptance_limits(below, above, a, b, p, value):
    lower, upper = sorted((a, b))
    if lower == upper:
        return
    limits = acceptance_limits(below, above, lower, upper, p)
    chance = conformance_probability(value, below, above, lower, upper)
    if abs(chance - p) < 1e-9:
        return  # rounding decides
    accepted = limits is not None and limits[0] <= value <= limits[1]
    assert (decision(chance, p) == "conforms") == accepted


@given(uncertainties, uncertainties, probabilities)
def test_the_demanded_probability_is_reached_at_both_acceptance_limits(below, above, p):
    lower, upper = -4.0 * below, 4.0 * above
    limits = acceptance_limits(below, above, lower, upper, p)
    assert limits is not None
    for limit in limits:
        found = conformance_probability(limit, below, above, lower, upper)
        assert found == pytest.approx(p, abs=1e-9)


def test_two_limits_may_accept_no_value():
    """Derived: in the middle of a tolerance 2 u wide lies 2 Phi(1) - 1 = 68.3 %."""
    assert acceptance_limits(1.0, 1.0, -1.0, 1.0, 0.69) is None
    low, high = acceptance_limits(1.0, 1.0, -1.0, 1.0, 0.68)
    assert low < 0.0 < high


def test_nothing_is_accepted_where_nothing_is_known():
    assert acceptance_limits(math.inf, 1.0, 0.0, math.inf, 0.95) is None
    assert acceptance_limits(1.0, math.inf, 0.0, 9.0, 0.95) is None
    assert acceptance_limits(0.0, 0.0, 0.0, 9.0, 0.95) == (0.0, 9.0)
