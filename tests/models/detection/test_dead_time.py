"""Counting with a dead time: shares, and the distribution of the recorded counts."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from craterfront.models.detection.dead_time import recorded_counts, recorded_share, true_rate

DRAWS = 40_000


def drawn(events, dead_share, seed=1, draws=DRAWS):
    rng = np.random.default_rng(seed)
    return recorded_counts(np.full(draws, events), np.full(draws, dead_share), rng)


@given(rate=st.floats(0.0, 1e9), dead_time_s=st.floats(0.0, 1e-6))
def test_correction_undoes_the_loss(rate, dead_time_s):
    recorded = rate * recorded_share(rate, dead_time_s)
    # The loss leaves 1 / (1 + n tau) of the digits.
    tolerance = 1e-14 * (1.0 + rate * dead_time_s)
    assert true_rate(np.array(recorded), dead_time_s) == pytest.approx(rate, rel=tolerance)


@given(rate=st.floats(1.0, 1e9), more=st.floats(1.0, 10.0), dead_time_s=st.floats(1e-9, 1e-5))
def test_more_events_never_give_fewer_counts(rate, more, dead_time_s):
    fewer, greater = (n * recorded_share(n, dead_time_s) for n in (rate, rate * more))
    assert fewer <= greater * (1.0 + 1e-12)
    assert greater * dead_time_s < 1.0


@pytest.mark.parametrize("recorded", [1e6, 2e6])
def test_more_than_one_count_per_dead_time_is_refused(recorded):
    with pytest.raises(ValueError, match=r"recorded_per_s: must be < 1 / dead_time_s, got"):
        true_rate(np.array([10.0, recorded]), 1e-6)


@settings(max_examples=20)
@given(
    events=st.floats(0.0, 5.0).map(lambda power: 10.0**power),
    dead_share=st.floats(-9.0, -3.0).map(lambda power: 10.0**power),
    seed=st.integers(0, 1000),
)
def test_counts_are_whole_and_fit_into_their_time(events, dead_share, seed):
    counts = drawn(events, dead_share, seed, 200)
    assert np.array_equal(counts, np.round(counts))
    assert counts.min() >= 0
    assert (counts.max() - 1.0) * dead_share < 1.0


@pytest.mark.parametrize("events", [0.05, 3.0, 400.0, 1e6])
def test_without_dead_time_counts_are_poisson(events):
    """Mean and variance of a Poisson distribution are equal; bands of five standard errors."""
    counts = drawn(events, 0.0)
    assert counts.mean() == pytest.approx(events, abs=5 * math.sqrt(events / DRAWS))
    standard_error = math.sqrt((events + 2 * events**2) / DRAWS)
    assert counts.var() == pytest.approx(events, abs=5 * standard_error)


@pytest.mark.parametrize(("events", "dead_share"), [(100.0, 1e-3), (2000.0, 1e-3), (3e4, 1e-4)])
def test_counts_have_the_moments_of_a_renewal_process(events, dead_share):
    """Derived: mean n T / (1 + n tau), variance n T / (1 + n tau)^3 in a long interval. A detector
    that is ready at the beginning counts up to (n tau / (1 + n tau))^2 / 2 more (derived)."""
    blind = 1.0 + events * dead_share
    counts = drawn(events, dead_share)
    variance = events / blind**3
    ready = 0.5 * ((blind - 1.0) / blind) ** 2
    band = 5 * math.sqrt(variance / DRAWS)
    assert counts.mean() == pytest.approx(events / blind + ready, abs=band)
    assert counts.var() == pytest.approx(variance, rel=5 * math.sqrt(2.0 / DRAWS) + 1e-3)


@pytest.mark.parametrize(("events", "dead_share"), [(2000.0, 1e-4), (2000.0, 1e-3)])
def test_corrected_counts_have_the_variance_of_their_docstring(events, dead_share):
    """Derived: n (1 + n tau) / T; the bias of the correction is the share of the dead time."""
    counts = true_rate(drawn(events, dead_share), dead_share)
    variance = events * (1.0 + events * dead_share)
    allowed = 5 * math.sqrt(variance / DRAWS) + events * dead_share
    assert counts.mean() == pytest.approx(events, abs=allowed)
    assert counts.var() == pytest.approx(variance, rel=5 * math.sqrt(2.0 / DRAWS) + 2e-3)


def test_counts_are_those_of_waiting_times_drawn_one_by_one():
    """A plain second way: exponential waiting times, a dead time after each count."""
    rng, draws = np.random.default_rng(2), 20_000
    events, dead_share = 40.0, 0.02
    waits = rng.exponential(1.0 / events, (draws, 90))
    ends = np.cumsum(waits, axis=1) + dead_share * np.arange(90)
    one_by_one = (ends <= 1.0).sum(axis=1)
    counts = drawn(events, dead_share, draws=draws)
    error = math.sqrt((one_by_one.var() + counts.var()) / draws)
    assert counts.mean() == pytest.approx(one_by_one.mean(), abs=5 * error)
    assert counts.var() == pytest.approx(one_by_one.var(), rel=5 * math.sqrt(4.0 / draws))
