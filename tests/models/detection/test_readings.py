"""Statistics of readings: residuals, whitening and noise levels do what they promise."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.linalg import cho_solve, cholesky
from scipy.stats import kstest, norm, poisson

from craterfront.models.detection.averaged_processes import AveragedProcesses
from craterfront.models.detection.noise import flicker_moments
from craterfront.models.detection.readings import (
    censored_residuals,
    correlation_time,
    deviance_residuals,
    high_pass,
    noise_level,
    restricted_log_likelihood,
    rounded_noise_level,
    rounded_residuals,
    whiten,
)

# --- deviance -------------------------------------------------------------------------------------


@pytest.mark.parametrize("counts", [50.0, 1e3, 1e6])
@pytest.mark.parametrize("gain", [0.01, 7.0])
def test_deviance_residuals_of_many_counts_are_standard_normal(counts, gain):
    # P. McCullagh, J. A. Nelder, Generalized Linear Models (1989), section 2.4: mean
    # -1/(6 sqrt(mu)) and unit variance to order 1/mu.
    rng = np.random.default_rng(1)
    model = np.full(20_000, gain * counts)
    readings = gain * rng.poisson(counts, model.size)
    residuals = deviance_residuals(readings, model, np.full(model.size, gain), np.zeros(model.size))
    assert residuals.mean() == pytest.approx(-1 / (6 * math.sqrt(counts)), abs=0.03)
    assert residuals.var() == pytest.approx(1.0, abs=0.05)
    if counts >= 1e3:
        assert kstest(residuals, norm.cdf).pvalue > 1e-4


@pytest.mark.parametrize("level", [0.5, 20.0, 1000.0])
def test_deviance_residuals_with_readout_have_unit_variance(level):
    # Readout variance 400 at gain 2: gain * model + readout is the variance of a reading.
    rng = np.random.default_rng(2)
    gain, readout = 2.0, 400.0
    model = np.full(20_000, level)
    readings = gain * rng.poisson(level / gain, model.size)
    readings = readings + math.sqrt(readout) * rng.standard_normal(model.size)
    size = np.ones(model.size)
    residuals = deviance_residuals(readings, model, gain * size, readout * size)
    assert residuals.mean() == pytest.approx(0.0, abs=0.05)
    assert residuals.var() == pytest.approx(1.0, abs=0.06)


@given(st.integers(0, 1000), st.floats(0.01, 1000), st.floats(0.01, 100))
def test_half_the_sum_of_squares_is_the_poisson_likelihood(counts, mean, gain):
    residual = deviance_residuals(
        np.array([gain * counts]), np.array([gain * mean]), np.array([gain]), np.zeros(1)
    )[0]
    best = poisson.logpmf(counts, max(counts, 1e-300))
    assert 0.5 * residual**2 == pytest.approx(best - poisson.logpmf(counts, mean), abs=1e-7)
    assert residual * (counts - mean) >= 0.0


def test_nothing_read_where_nothing_is_expected_is_no_residual():
    zero = np.zeros(1)
    assert deviance_residuals(zero, zero, np.ones(1), zero)[0] == pytest.approx(0.0, abs=2e-3)


@given(st.floats(-5, 5))
def test_censored_residuals_are_the_likelihood_of_being_above_the_limit(deviations):
    model, limit, spread = 100.0 + 3.0 * deviations, 100.0, np.array([3.0])
    residual = censored_residuals(limit, np.array([model]), spread)[0]
    assert 0.5 * residual**2 == pytest.approx(-norm.logsf((limit - model) / 3.0), rel=1e-9)


# --- noise level ----------------------------------------------------------------------------------


def test_second_differences_keep_white_noise_and_drop_curves():
    rng = np.random.default_rng(3)
    assert high_pass(rng.standard_normal((3, 50_000))).var() == pytest.approx(1.0, abs=0.03)
    ramp = 2.0 + 3.0 * np.arange(50.0)
    assert high_pass(ramp) == pytest.approx(np.zeros(48), abs=1e-12)


@pytest.mark.parametrize(
    ("kappa", "rho2"), [(0.02, 0.0), (0.0, 4e-3), (0.02, 4e-3), (1e-4, 1.0), (50.0, 1e-3)]
)
def test_noise_level_recovers_gain_and_readout(kappa, rho2):
    rng = np.random.default_rng(4)
    count = 6000
    model = 5.0 * (1.0 + np.sin(np.linspace(0.0, 40.0, count)))
    interval = np.full(count, 0.1)
    spread = np.sqrt((kappa * model + rho2) / interval)
    smooth_misfit = 0.3 * np.cos(np.linspace(0.0, 9.0, count))
    residuals = smooth_misfit + spread * rng.standard_normal(count)
    found_kappa, found_rho2 = noise_level(residuals, model, interval, np.ones(count, dtype=bool))
    # What matters is the variance that the two give together, at every level.
    truth, found = kappa * model + rho2, found_kappa * model + found_rho2
    assert np.median(found / truth) == pytest.approx(1.0, abs=0.08)
    if kappa * model.max() > 10 * rho2:
        assert found_kappa == pytest.approx(kappa, rel=0.12)
    if rho2 > 10 * kappa * model.max():
        assert found_rho2 == pytest.approx(rho2, rel=0.12)


def test_noise_level_leaves_out_what_is_not_usable():
    rng = np.random.default_rng(5)
    model = np.linspace(1.0, 10.0, 2000)
    residuals = np.sqrt(0.1 * model) * rng.standard_normal(2000)
    usable = np.ones(2000, dtype=bool)
    usable[500:700] = False
    residuals[500:700] = 1e3
    kappa, rho2 = noise_level(residuals, model, np.ones(2000), usable)
    # 1800 squared second differences: relative standard deviation 0.05 (derived and drawn)
    assert kappa * 5.0 + rho2 == pytest.approx(0.5, rel=0.2)


def test_readings_without_a_count_do_not_spoil_the_gain():
    """A quarter of the readings is bright, the foot of the edge has few counts, the rest none.

    Derived: 50 bright second differences give the gain to sqrt(1.94 * 2 / 50) = 28 %, so the median
    of 600 draws to 1.4 %. Readings with few counts must not make that worse.
    """
    rng = np.random.default_rng(6)
    gain, interval, usable = 2.5, np.full(200, 0.02), np.ones(200, dtype=bool)
    model = gain * 400.0 * norm.cdf((np.arange(200) - 150.0) / 5.0)
    found = []
    for _ in range(600):
        kappa, rho2 = noise_level(gain * rng.poisson(model / gain) - model, model, interval, usable)
        found.append((kappa * model.max() + rho2) / (gain * model.max() * 0.02))
    assert np.median(found) == pytest.approx(1.0, abs=0.04)
    assert np.std(found) < 0.29


def test_noise_level_of_a_handful_of_readings_is_their_scatter():
    kappa, rho2 = noise_level(np.array([0.1, -0.1, 0.1]), np.ones(3), np.ones(3), np.ones(3, bool))
    assert kappa == 0.0
    assert rho2 == pytest.approx(0.01)


# --- whitening ------------------------------------------------------------------------------------


@st.composite
def fluctuations(draw):
    """Loads of uneven readings, and one to three processes."""
    channels, readings = draw(st.integers(1, 4)), draw(st.integers(1, 12))
    entries = st.floats(-3, 3)
    loads = draw(st.lists(entries, min_size=channels * readings, max_size=channels * readings))
    lengths = draw(st.lists(st.floats(0.05, 3.0), min_size=readings, max_size=readings))
    each = st.tuples(st.floats(0.1, 2.0), st.floats(-2, 3).map(lambda exponent: 10.0**exponent))
    processes = draw(st.lists(each, min_size=1, max_size=3))
    return np.array(loads).reshape(channels, readings), processes, np.array(lengths)


def averaged(processes, lengths):
    return AveragedProcesses.of(processes, lengths)


def covariance_of(loads, processes, lengths):
    """Dense: unit noise, and processes in all channels, averaged over the readings.

    Derived: exp(-|t - s| / T) averaged over two readings that a gap parts is exp(-gap / T) times
    (1 - exp(-x)) / x of either.
    """
    channels, readings = loads.shape
    process, end = np.zeros((readings, readings)), np.cumsum(lengths)
    for rms, time_s in processes:
        x = lengths / time_s
        share = -np.expm1(-x) / x
        for n in range(readings):
            process[n, n] += flicker_moments(rms, time_s, lengths[n])[0]
            for m in range(n):
                gap = end[n] - lengths[n] - end[m]
                common = rms**2 * share[n] * share[m] * math.exp(-max(gap, 0.0) / time_s)
                process[n, m] += common
                process[m, n] += common
    whole = np.eye(loads.size).reshape(channels, readings, channels, readings)
    whole = whole + loads[:, :, None, None] * process[None, :, None, :] * loads[None, None]
    return whole.reshape(loads.size, loads.size)


@settings(max_examples=60)
@given(fluctuations())
def test_whitened_residuals_have_unit_covariance(case):
    loads, *_ = case
    identity = np.eye(loads.size).reshape(*loads.shape, loads.size)
    operator, log_determinant = whiten(identity, loads, averaged(*case[1:]))
    operator = operator.reshape(loads.size, loads.size)
    covariance = operator @ covariance_of(*case) @ operator.T
    assert covariance == pytest.approx(np.eye(loads.size), abs=1e-9)
    assert log_determinant == pytest.approx(np.linalg.slogdet(covariance_of(*case))[1], abs=1e-9)


@settings(max_examples=60)
@given(fluctuations(), st.integers(0, 1000))
def test_the_quadratic_form_is_that_of_the_dense_covariance(case, seed):
    loads, *_ = case
    residuals = np.random.default_rng(seed).normal(0, 3, (*loads.shape, 2))
    white = whiten(residuals, loads, averaged(*case[1:]))[0].reshape(loads.size, 2)
    factor = cholesky(covariance_of(*case), lower=True)
    flat = residuals.reshape(loads.size, 2)
    dense = flat.T @ cho_solve((factor, True), flat)
    assert white.T @ white == pytest.approx(dense, rel=1e-9, abs=1e-9)


@settings(max_examples=20)
@given(fluctuations())
def test_whitening_is_linear_and_leaves_its_input_alone(case):
    loads, *_ = case
    residuals = np.random.default_rng(9).normal(0, 1, (*loads.shape, 3))
    before = residuals.copy()
    white, _ = whiten(residuals, loads, averaged(*case[1:]))
    assert np.array_equal(residuals, before)
    both, _ = whiten(residuals[..., :1] + 2.0 * residuals[..., 1:2], loads, averaged(*case[1:]))
    assert both[..., 0] == pytest.approx(white[..., 0] + 2.0 * white[..., 1], abs=1e-10)


def test_channels_that_do_not_fluctuate_stay_as_they_are():
    residuals = np.random.default_rng(10).normal(0, 1, (2, 30, 1))
    white, log_determinant = whiten(
        residuals, np.zeros((2, 30)), averaged([(1.0, 2.0)], np.ones(30))
    )
    assert np.array_equal(white, residuals)
    assert log_determinant == 0.0


# --- likelihood of a fluctuation ------------------------------------------------------------------


@settings(max_examples=30)
@given(fluctuations(), st.integers(0, 1000))
def test_restricted_likelihood_is_that_of_the_readings_with_a_flat_prior_integrated_out(case, seed):
    # Derived: a parameter with a prior of standard deviation s, wide against all that the readings
    # tell, adds s^2 J J' to the covariance; its likelihood is s times smaller.
    loads, *_ = case
    rng = np.random.default_rng(seed)
    slopes, residuals = rng.normal(0, 1, (loads.size, 1)), rng.normal(0, 2, loads.size)
    columns = np.column_stack([slopes, residuals]).reshape(*loads.shape, 2)
    wide = 1e4
    covariance = covariance_of(*case) + wide**2 * slopes @ slopes.T
    dense = -0.5 * np.linalg.slogdet(covariance)[1] + math.log(wide)
    dense -= 0.5 * residuals @ np.linalg.solve(covariance, residuals)
    none = np.zeros((0, 2))
    found = restricted_log_likelihood(columns, none, [loads], averaged(*case[1:]))
    assert found == pytest.approx(dense, rel=1e-5, abs=1e-5)


def test_a_prior_is_a_reading_that_does_not_fluctuate():
    rng = np.random.default_rng(12)
    columns, prior = rng.normal(0, 1, (2, 20, 3)), rng.normal(0, 1, (1, 3))
    steps, loads = averaged([(1.0, 4.0)], np.ones(20)), rng.normal(0, 1, (2, 20))
    apart = np.concatenate([columns, np.zeros((1, 20, 3))])
    apart[2, 0] = prior
    still = np.vstack([loads, np.zeros(20)])
    expected = restricted_log_likelihood(apart, np.zeros((0, 3)), [still], steps)
    found = restricted_log_likelihood(columns, prior, [loads], steps)
    assert found == pytest.approx(expected)


# --- correlation time -----------------------------------------------------------------------------


@pytest.mark.parametrize("rho", [0.3, 0.6, 0.9])
def test_correlation_time_of_a_first_order_process(rho):
    # Derived: 1 + 2 sum rho^k = (1 + rho)/(1 - rho).
    rng = np.random.default_rng(11)
    sequence = np.empty(40_000)
    sequence[0] = rng.standard_normal()
    innovation = math.sqrt(1 - rho**2) * rng.standard_normal(sequence.size)
    for n in range(1, sequence.size):
        sequence[n] = rho * sequence[n - 1] + innovation[n]
    assert correlation_time(sequence) == pytest.approx((1 + rho) / (1 - rho), rel=0.1)


def test_correlation_time_of_independent_values_is_one():
    values = np.random.default_rng(12).standard_normal(10_000)
    assert correlation_time(values) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("sequence", [np.zeros(100), np.ones(3)])
def test_correlation_time_without_information_is_one(sequence):
    assert correlation_time(sequence) == 1.0


# --- rounded readings --------------------------------------------------------------------------


@given(st.floats(-40.0, 40.0), st.floats(0.05, 30.0), st.floats(0.5, 20.0), st.integers(-5, 5))
def test_residuals_of_rounded_readings_are_their_probability(model, deviation, step, number):
    """Definition: what is rounded is normal about the model."""
    reading = step * number
    near, far = ((reading + side * 0.5 * step - model) / deviation for side in (1.0, -1.0))
    best = norm.cdf(0.5 * step / deviation) - norm.cdf(-0.5 * step / deviation)
    probability = norm.cdf(near) - norm.cdf(far)
    assume(probability > 1e-6)
    (found,) = rounded_residuals(*(np.array([a]) for a in (reading, model, deviation)), step)
    assert found**2 == pytest.approx(-2.0 * np.log(probability / best), rel=1e-5, abs=1e-7)
    assert found * (reading - model) >= 0.0


def test_far_residuals_of_rounded_readings_are_finite():
    found = rounded_residuals(np.array([1e4]), np.array([0.0]), np.array([0.1]), 1.0)
    assert found == pytest.approx((1e4 - 0.5) / 0.1, rel=1e-3)


def test_noise_above_the_step_makes_residuals_of_a_normal_distribution():
    """Derived: rounding adds a twelfth of the square of the step to the variance."""
    model = np.linspace(-3.0, 3.0, 61)
    found = rounded_residuals(np.zeros(61), model, np.full(61, 1.0), 1.0)
    assert found == pytest.approx(-model / np.sqrt(1.0 + 1.0 / 12.0), abs=0.02)


@pytest.mark.parametrize("to_step", [0.1, 0.2, 0.4])
@pytest.mark.parametrize("where", ["slope", "plateau"])
def test_noise_below_the_step_is_found_behind_the_rounding(to_step, where):
    """Its scatter alone is wrong: 0.29 steps on a slope, none in the middle of a plateau."""
    n, step = 4000, 10.0
    model = np.linspace(0.0, 400.0, n) if where == "slope" else np.full(n, 203.5)
    noise = np.random.default_rng(3).normal(0.0, to_step * step, n)
    readings = step * np.round((model + noise) / step)
    kappa, rho2 = rounded_noise_level(readings, model, np.full(n, 0.1), step)
    variance = (kappa * model.mean() + rho2) / 0.1
    assert variance**0.5 == pytest.approx(to_step * step, rel=0.1)


def test_the_scatter_of_rounding_is_taken_off():
    """Derived: noise of one step and rounding add in quadrature."""
    n, step = 20_000, 2.0
    model = np.linspace(0.0, 500.0, n)
    noise = np.random.default_rng(4).normal(0.0, step, n)
    residuals = step * np.round((model + noise) / step) - model
    usable = np.ones(n, dtype=bool)
    kappa, rho2 = noise_level(residuals, model, np.ones(n), usable, step**2 / 12.0)
    assert kappa * model.mean() + rho2 == pytest.approx(step**2, rel=0.03)
