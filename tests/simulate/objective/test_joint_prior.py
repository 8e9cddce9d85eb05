"""Joint normal priors, and what follows for a chain of measurements and for drifts.

Expected numbers follow from the algebra of normal distributions; the derivation stands beside each.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kstest

from craterfront.instruments.instrument_drift import drift_of
from craterfront.objective.joint_prior import JointPrior, SquarePrior, coordinate_of, slope_of

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


# --- what was written of a width, and is a part of what is known jointly ------------------------


@given(st.floats(0.5, 4.0), st.floats(0.0, 3.0), st.floats(0.2, 3.0))
def test_slope_of_a_prior_by_the_square(root, value, u):
    def half_cost(square):
        return 0.5 * ((square**0.5 - value) / u) ** 2

    step = 1e-4
    expected = (half_cost(root**2 + step) - half_cost(root**2 - step)) / (2.0 * step)
    assert SquarePrior.at(root**2, value, u).slope == pytest.approx(expected, rel=1e-5, abs=1e-6)


@given(st.floats(1.0, 50.0), st.floats(0.01, 0.3))
def test_far_from_zero_it_is_normal_in_the_square(value, u_rel):
    """The standard uncertainty of a square is 2 w u (GUM, JCGM 100:2008, 5.1.2)."""
    found = SquarePrior.at(value**2, value, value * u_rel)
    assert (found.slope, found.bend**-0.5) == pytest.approx((0.0, 2.0 * value**2 * u_rel))


def test_around_zero_it_is_almost_a_straight_line():
    """Half of w^2 / u^2 is s / (2 u^2): the prior of a sharp interface is no sharper than that."""
    found = SquarePrior.at(0.0, 0.0, 4.0)
    assert found.slope == pytest.approx(1.0 / 32.0)
    assert found.bend**-0.5 > 3.0 * 32.0


def test_what_was_written_can_be_left_out_again():
    """Informations of independent statements add up."""
    mean, covariance = np.array([9.0, 0.2]), np.array([[4.0, 0.1], [0.1, 0.01]])
    written = SquarePrior.at(9.0, 3.0, 0.5)
    information = np.linalg.inv(covariance)
    information[0, 0] += written.bend
    joint = JointPrior.normal((3, 1), (), ("square", "linear"), mean, np.linalg.inv(information))
    left = replace(joint, within={3: (3.0, 0.5)}).without(3)
    assert np.linalg.inv(left.root.T @ left.root) == pytest.approx(covariance)
    assert left.mean == pytest.approx(mean)


def test_a_square_that_follows_a_rate_is_known_in_time():
    """A profile fixes w^2 / rate^2 however large the error of the rate is."""
    mean, relative = np.array([16.0, np.log(2.0)]), 1e-3
    slope = np.array([1.0, -2.0 * 16.0]) / (16.0 * relative)
    information = np.outer(slope, slope) + np.diag([0.0, 0.2**-2])
    joint = JointPrior.normal(
        (0, 1), (), ("square", "logarithm"), mean, np.linalg.inv(information)
    ).following({0: {1: 2.0}})
    assert joint.mean == pytest.approx(mean)
    residuals = joint.residuals(np.array([4.0 * np.exp(0.2), 2.0 * np.exp(0.2)]), np.zeros(0))
    assert residuals @ residuals == pytest.approx(1.0, rel=1e-4)
