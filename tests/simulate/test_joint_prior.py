"""Joint normal priors, and what follows for a chain of measurements and for drifts.

Expected numbers follow from the algebra of normal distributions; the derivation stands beside each.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kstest

from craterfront.instrument_drift import drift_of
from craterfront.joint_prior import JointPrior, coordinate_of, slope_of

COORDINATES = ("linear", "logarithm", "square")
seeds = st.integers(min_value=0, max_value=10_000)


def covariance_of(rng, count):
    """A covariance with strong correlations and very different sizes."""
    root = rng.normal(size=(count, count + 1)) * np.exp(rng.normal(size=(count, 1)))
    return root @ root.T


def prior_of(rng, parameters=3, linear=2):
    count = parameters + linear
    coordinates = (*rng.choice(COORDINATES, parameters), *rng.choice(COORDINATES[:2], linear))
    covariance = covariance_of(rng, count)
    mean = rng.normal(size=count)
    indices = tuple(rng.permutation(parameters + 2)[:parameters].tolist())
    linear_indices = tuple(rng.permutation(linear + 1)[:linear].tolist())
    prior = JointPrior.normal(indices, linear_indices, coordinates, mean, covariance)
    return prior, mean, covariance


def numbers(rng, prior):
    """Values of all parameters and linear numbers, and the coordinates of those in the prior."""
    values, linear = rng.uniform(0.5, 2.0, 5), rng.uniform(0.5, 2.0, 3)
    taken = [*values[list(prior.parameters)], *linear[list(prior.linear)]]
    return values, linear, np.array(list(map(coordinate_of, taken, prior.coordinates)))


@given(seeds)
def test_the_square_sum_is_the_mahalanobis_distance(seed):
    rng = np.random.default_rng(seed)
    prior, mean, covariance = prior_of(rng)
    values, linear, at = numbers(rng, prior)
    expected = (at - mean) @ np.linalg.solve(covariance, at - mean)
    found = prior.residuals(values, linear)
    assert found @ found == pytest.approx(expected, rel=1e-6)


@given(seeds)
def test_what_is_left_of_the_parameters_is_their_marginal(seed):
    """The marginal of a normal distribution has the block of its covariance."""
    rng = np.random.default_rng(seed)
    prior, mean, covariance = prior_of(rng)
    values, _, at = numbers(rng, prior)
    deviation = (at - mean)[:3]
    expected = deviation @ np.linalg.solve(covariance[:3, :3], deviation)
    found = prior.of_parameters(values)
    assert found @ found == pytest.approx(expected, rel=1e-6)


@given(seeds)
def test_slopes_are_the_derivatives_of_the_residuals(seed):
    rng = np.random.default_rng(seed)
    prior, _, _ = prior_of(rng)
    values, linear, _ = numbers(rng, prior)
    for index in range(linear.size):
        step = np.eye(linear.size)[index] * 1e-6
        change = prior.residuals(values, linear + step) - prior.residuals(values, linear - step)
        scale = np.abs(prior.root).max()
        found = prior.slopes(linear, linear.size)[:, index]
        assert change / 2e-6 == pytest.approx(found, rel=1e-5, abs=1e-6 * scale)


@given(seeds)
def test_the_linearised_prior_has_its_residuals_where_it_was_taken(seed):
    rng = np.random.default_rng(seed)
    prior, _, _ = prior_of(rng)
    values, linear, _ = numbers(rng, prior)
    matrix, target = prior.linearised(values, linear, linear.size)
    residuals = prior.residuals(values, linear)
    assert matrix @ linear - target == pytest.approx(residuals, rel=1e-6, abs=1e-9)


@given(seeds)
def test_naming_a_parameter_says_nothing_of_it(seed):
    rng = np.random.default_rng(seed)
    prior, _, _ = prior_of(rng)
    values, linear, _ = numbers(rng, prior)
    named = prior.naming(range(5))
    assert set(named.parameters) == set(range(5))
    assert named.residuals(values, linear) == pytest.approx(prior.residuals(values, linear))
    assert named.slopes(linear, 3) == pytest.approx(prior.slopes(linear, 3))


@pytest.mark.parametrize("coordinate", COORDINATES)
def test_slope_of_a_coordinate(coordinate):
    change = coordinate_of(1.7 + 1e-6, coordinate) - coordinate_of(1.7 - 1e-6, coordinate)
    assert change / 2e-6 == pytest.approx(slope_of(1.7, coordinate), rel=1e-8)


# --- drift -------------------------------------------------------------------------------------


def update(mean, covariance, readings, noise):
    """Posterior of a normal prior with readings of all numbers."""
    gain = covariance @ np.linalg.inv(covariance + noise)
    return mean + gain @ (readings - mean), covariance - gain @ covariance


def chance(seed, looseness, shift=0.0):
    """Probability that is reported for one simulated calibration and measurement."""
    rng = np.random.default_rng(seed)
    calibration, noise = covariance_of(rng, 4), 0.1 * covariance_of(rng, 4)
    truth = np.zeros(4)
    calibrated = rng.multivariate_normal(truth, calibration)
    readings = rng.multivariate_normal(truth, noise)
    readings[0] += shift * (calibration[0, 0] + noise[0, 0]) ** 0.5
    prior = calibration * looseness**2
    mean, left = update(calibrated, prior, readings, noise)
    return drift_of(list("abcd"), mean - calibrated, prior, left, looseness)


@pytest.mark.parametrize("looseness", [1.0, 10.0])
def test_without_a_drift_every_probability_is_as_likely(looseness):
    probabilities = [chance(seed, looseness).probability for seed in range(400)]
    assert kstest(probabilities, "uniform").pvalue > 1e-3


@pytest.mark.parametrize("looseness", [1.0, 10.0])
def test_a_large_drift_is_noticed(looseness):
    noticed = [chance(seed, looseness, shift=30.0).is_noticed for seed in range(50)]
    assert np.mean(noticed) > 0.9  # where readings hardly bear on a number they tell of no drift


def test_without_readings_there_is_no_drift():
    covariance = covariance_of(np.random.default_rng(1), 3)
    found = drift_of(list("abc"), np.zeros(3), covariance, covariance)
    assert (found.probability, found.is_noticed) == (1.0, False)
