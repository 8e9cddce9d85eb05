"""The bent ridge of a posterior, and draws about it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from reference.rough_interface import ROUGH

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.posterior_sampling.bend import Bend, bend
from craterfront.posterior_sampling.importance_sampling import Weighted
from craterfront.posterior_sampling.posterior import Posterior
from craterfront.posterior_sampling.proposal import Proposal

KAPPA, NARROW = 0.8, 0.05
SECOND = [[KAPPA, -0.3], [-0.3, 0.5]]


def banana(point):
    """Two numbers of unit variance, and a third that follows their squares and product."""
    a, b, c = point
    ridge = 0.5 * KAPPA * a**2 - 0.3 * a * b + 0.25 * b**2 + 0.2 * b
    return np.array([a, b, (c - ridge) / NARROW])


JACOBIAN = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, -0.2 / NARROW, 1.0 / NARROW]])
ALL, TWO = np.ones(3, dtype=bool), np.array([True, True, False])


def test_the_bend_of_a_known_ridge():
    found = bend(banana, np.zeros(3), JACOBIAN, ALL, TWO)
    assert found is not None
    assert list(found.along) == [0, 1]
    expected = np.zeros((2, 2, 3))
    expected[:, :, 2] = SECOND
    np.testing.assert_allclose(found.second, expected, atol=1e-9)


def test_a_straight_ridge_has_none():
    assert bend(lambda point: JACOBIAN @ point, np.zeros(3), JACOBIAN, ALL, TWO) is None


def test_what_may_not_follow_does_not():
    follows = np.array([True, False, False])
    assert bend(banana, np.zeros(3), JACOBIAN, follows, TWO) is None


def test_no_model_at_an_end_means_no_bend():
    def walled(point):
        return banana(point) if abs(point[0]) < 1.0 else np.full(3, np.inf)

    found = bend(walled, np.zeros(3), JACOBIAN, ALL, np.array([True, False, False]))
    assert found is None


def proposal(second, squared=False):
    """About the banana, or about a ridge of a square that is far from zero."""
    centre = np.array([0.0, 0.0, 2.0 if squared else 0.0])
    covariance = np.linalg.inv(JACOBIAN.T @ JACOBIAN)
    bent = Bend(np.array([0, 1]), np.zeros(2), second)
    limits = np.array([-np.inf, -np.inf, 0.0 if squared else -np.inf]), np.full(3, np.inf)
    return Proposal(centre, covariance, np.array([False, False, squared]), *limits, bent)


@pytest.mark.parametrize("squared", [False, True])
def test_draws_have_the_density_that_is_claimed(squared):
    """Derived: the mean over draws of one over the density, in a region, is its volume.

    Regions about the ridge of equal size in the number, or in its square.
    """
    second = np.zeros((2, 2, 3))
    second[:, :, 2] = SECOND
    about = proposal(second, squared)
    draws = about.draw(20_000, np.random.default_rng(3))
    entering, per_unit = about.entering(draws) - about.centre, np.ones(len(draws))
    if squared:
        per_unit = 2.0 * draws[:, 2]
    across = banana(entering.T)[2]
    found = []
    for a in (-1.5, 0.0, 1.5):
        inside = np.abs(entering[:, 0] - a) < 0.5
        inside &= (np.abs(entering[:, 1]) < 1.0) & (np.abs(across) < 1.5)
        volume = np.where(inside, per_unit * np.exp(-about.log_density(draws)), 0.0)
        found.append((volume.mean(), volume.std() / math.sqrt(len(draws))))
    means, errors = np.array(found).T
    assert np.all(errors < 0.04 * means)
    assert np.ptp(means) < 4.0 * errors.max()


def test_a_width_beside_a_known_roughness_has_all_the_spread_that_the_rate_gives_it():
    """Derived: w^2 + (2 R)^2 over the product of the rates is known well, and so is their ratio.

    So w follows the prior of their mean; its quantiles at one standard deviation are where that is
    off by exp(0.08 / sqrt(2)).
    """
    truth = experiment_from_toml(ROUGH.format(thickness=400.0, width=60.0, u_rel=0.0, counts=2e4))
    profile = profile_of(simulate(truth.stack, truth.setup, seed=1), "rough")
    guesses = {"thickness": "{ guess = 350.0 }", "width": "{ guess = 40.0 }"}
    known = experiment_from_toml(ROUGH.format(**guesses, u_rel=0.08, counts=2e4))
    posterior = Posterior(invert(profile, known))
    about = posterior.proposal()
    names = [p.kind for p in posterior.parameters]
    spread = 2.0 * math.sqrt(math.log1p(0.08**2) / 2.0)
    expected = [math.sqrt((60.0**2 + 60.0**2) * math.exp(s * spread) - 60.0**2) for s in (-1, 1)]
    spreads = []
    for each in (about, replace(about, bend=None)):
        drawn = Weighted.of(posterior.log_densities, each, 400, np.random.default_rng(2), print_no)
        width = posterior.values(drawn.points)[:, names.index("width")]
        order = np.argsort(width)
        levels = np.cumsum(np.exp(drawn.log_weights)[order])
        spreads.append(np.interp([0.1587, 0.8413], levels, width[order]))
    assert np.diff(spreads[0]) == pytest.approx(np.diff(expected), rel=0.2)
    assert np.diff(spreads[1]) < 0.8 * np.diff(expected)


def print_no(share):
    """No progress."""
