"""Noise: its moments are what was asked for, and do not depend on the sampling."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import dblquad

from craterfront.models.detection.noise import flicker, flicker_moments, noisy_readings

DRAWS = 40_000


def readings_of(level, interval_s, *, background=0.0, draws=DRAWS, seed=1, **noise):
    """Many readings of one channel at a constant level."""
    signal = np.full((1, draws), level)
    interval = np.full(draws, interval_s)
    rng = np.random.default_rng(seed)
    return noisy_readings(signal, np.array([background]), interval, rng, **noise)[0]


@pytest.mark.parametrize("counts_per_unit_s", [0.5, 30.0, 1e5])
def test_counts_are_poisson(counts_per_unit_s):
    # Mean and variance of a Poisson distribution are equal; bands of five standard errors.
    expected = (2.0 + 0.5) * counts_per_unit_s * 0.1
    readings = readings_of(2.0, 0.1, background=0.5, counts_per_unit_s=counts_per_unit_s)
    counts = readings * counts_per_unit_s * 0.1
    assert np.array_equal(np.round(counts), np.round(counts, 6))
    assert counts.mean() == pytest.approx(expected, abs=5 * math.sqrt(expected / DRAWS))
    standard_error = math.sqrt((expected + 2 * expected**2) / DRAWS)
    assert counts.var() == pytest.approx(expected, abs=5 * standard_error)


def test_readout_noise_is_white():
    readings = readings_of(2.0, 0.04, readout_per_sqrt_s=0.3)
    assert readings.mean() == pytest.approx(2.0, abs=5 * 1.5 / math.sqrt(DRAWS))
    assert readings.std() == pytest.approx(0.3 / math.sqrt(0.04), rel=0.02)
    assert abs(np.corrcoef(readings[1:], readings[:-1])[0, 1]) < 5 / math.sqrt(DRAWS)


def test_no_noise_leaves_the_signal_and_its_background():
    assert np.array_equal(readings_of(2.0, 0.1, background=0.5, draws=3), np.full(3, 2.5))


@pytest.mark.parametrize("noise", [{"counts_per_unit_s": 200.0}, {"readout_per_sqrt_s": 0.3}])
def test_faster_sampling_brings_no_information(noise):
    # The mean of ten short readings has the variance of one long reading.
    long = readings_of(3.0, 0.5, draws=20_000, **noise)
    short = readings_of(3.0, 0.05, draws=200_000, seed=2, **noise).reshape(-1, 10).mean(axis=1)
    assert short.mean() == pytest.approx(long.mean(), abs=5 * math.sqrt(2) * long.std() / 141)
    assert short.var() == pytest.approx(long.var(), rel=0.07)


# --- flicker --------------------------------------------------------------------------------------


@settings(max_examples=25)
@given(x=st.floats(1e-3, 50))
def test_flicker_moments_are_integrals_of_the_autocorrelation(x):
    # Definition: covariance of means over intervals, for a correlation exp(-|t - s|/tau).
    variance, correlation = flicker_moments(0.2, 2.0, 2.0 * x)
    inner, _ = dblquad(lambda s, t: 2 * math.exp(-(t - s)), 0, x, 0, lambda t: t, epsabs=1e-12)
    cross, _ = dblquad(lambda s, t: math.exp(-(t - s)), x, 2 * x, 0, x, epsabs=1e-14)
    assert variance == pytest.approx(0.04 * inner / x**2, rel=1e-6)
    assert correlation == pytest.approx(cross / inner, rel=1e-5, abs=1e-12)


@given(st.floats(1e-12, 2e-4))
def test_flicker_of_short_intervals_is_that_of_one_moment(x):
    # Derived: 2 (x - 1 + exp(-x))/x^2 = 1 - x/3 + ..., correlation 1 - 2x/3 + ...
    variance, correlation = flicker_moments(1.0, 1.0, x)
    assert variance == pytest.approx(1.0 - x / 3.0, abs=1e-7)
    assert correlation == pytest.approx(1.0 - 2.0 * x / 3.0, abs=1e-7)
    assert correlation <= 1.0


def test_flicker_of_long_intervals_averages_out():
    # Derived: variance 2 tau/T for T much longer than tau.
    variance, correlation = flicker_moments(1.0, 0.01, 100.0)
    assert variance == pytest.approx(2e-4, rel=1e-3)
    assert correlation == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("x", [1e-4, 0.05, 1.0, 8.0])
def test_drawn_flicker_has_the_closed_moments(x):
    # Independent processes: 2000 of 40 intervals; later intervals decay by exp(-x) each.
    rng = np.random.default_rng(5)
    runs = np.array([flicker(0.3, 1.0, np.full(40, x), rng) for _ in range(2000)])
    variance, correlation = flicker_moments(0.3, 1.0, x)
    effective = runs.size * min(1.0, max(x, 1 / 40))
    assert runs.var() == pytest.approx(variance, rel=6 * math.sqrt(2 / effective))
    for lag in (1, 2, 3):
        seen = np.mean(runs[:, lag:] * runs[:, :-lag]) / runs.var()
        expected = correlation * math.exp(-(lag - 1) * x)
        assert seen == pytest.approx(expected, abs=6 / math.sqrt(effective))


def test_drawn_flicker_is_a_finely_drawn_process_averaged():
    # An Ornstein-Uhlenbeck process stepped 200 times per correlation time, averaged by hand.
    rng = np.random.default_rng(6)
    step, runs, per = 0.005, 1500, 160
    state = rng.standard_normal(runs)
    means = np.zeros((3, runs))
    for n in range(3 * per):
        following = state * math.exp(-step)
        following += math.sqrt(-math.expm1(-2 * step)) * rng.standard_normal(runs)
        means[n // per] += 0.5 * (state + following) / per
        state = following
    drawn = np.array([flicker(1.0, 1.0, np.full(3, per * step), rng) for _ in range(6000)]).T
    assert np.cov(drawn) == pytest.approx(np.cov(means), abs=0.1)
    variance, correlation = flicker_moments(1.0, 1.0, per * step)
    assert means.var() == pytest.approx(variance, rel=0.1)
    assert np.corrcoef(means)[0, 1] == pytest.approx(correlation, abs=0.1)


def test_flicker_does_not_depend_on_the_sampling():
    # Ten intervals averaged have the moments of one interval ten times as long, uneven ones too.
    rng = np.random.default_rng(7)
    uneven = np.tile([0.02, 0.3, 0.08, 0.1, 0.5], 2)
    runs = np.array([flicker(1.0, 0.7, uneven, rng) for _ in range(20_000)])
    mean = runs @ uneven / uneven.sum()
    variance, _ = flicker_moments(1.0, 0.7, uneven.sum())
    assert mean.var() == pytest.approx(variance, rel=6 * math.sqrt(2 / 20_000))


def test_flicker_is_common_to_all_channels_and_spares_the_background():
    rng = np.random.default_rng(8)
    signal = np.outer([1.0, 5.0, 0.0], np.ones(500))
    background = np.array([0.0, 2.0, 3.0])
    readings = noisy_readings(
        signal, background, np.full(500, 0.1), rng, fluctuations=[(0.01, 0.5)]
    )
    assert (readings[1] - 2.0) / 5.0 == pytest.approx(readings[0], rel=1e-12)
    assert readings[0].std() > 0.005
    assert np.array_equal(readings[2], np.full(500, 3.0))


def test_equal_seeds_give_equal_noise():
    noise = {"counts_per_unit_s": 50.0, "fluctuations": [(0.02, 1.0)], "readout_per_sqrt_s": 0.1}
    assert np.array_equal(readings_of(1.0, 0.1, **noise), readings_of(1.0, 0.1, **noise))
