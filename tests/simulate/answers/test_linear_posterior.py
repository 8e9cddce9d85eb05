"""Priors left out of a linear problem, against closed forms of pooled estimates."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.answers.linear_posterior import LinearPosterior


def pooled(values, uncertainties):
    """Weighted mean of independent numbers, and its variance."""
    weights = 1.0 / np.square(uncertainties)
    return float(weights @ values / weights.sum()), float(1.0 / weights.sum())


def scalar(values, uncertainties, readings=1):
    """One number x that several sources tell, as residuals x/u - value/u at x = 0."""
    jacobian = 1.0 / np.array(uncertainties)[:, None]
    return LinearPosterior.of(jacobian, -np.array(values) / uncertainties, readings)


sources = st.lists(
    st.tuples(st.floats(-5.0, 5.0), st.floats(0.1, 3.0)), min_size=3, max_size=6
).map(lambda rows: np.array(rows).T)


@given(sources)
def test_an_estimate_with_some_priors_is_the_pooled_one(rows):
    values, u = rows
    problem = scalar(values, u)
    kept = np.arange(values.size - 1) != 1
    mine = np.append(True, kept)
    assert problem.estimate(np.ones(1), kept) == pytest.approx(pooled(values[mine], u[mine]))


@given(sources)
def test_shares_of_one_number_are_the_weights(rows):
    """Derived: the weighted mean moves by w_i u_i with source i, so its variance has the share
    w_i / sum w from it."""
    values, u = rows
    weights = 1.0 / u**2
    expected = np.append(weights[1:], weights[0]) / weights.sum()
    assert scalar(values, u).variance_shares(np.ones(1)) == pytest.approx(expected)


def test_shares_are_what_moving_each_prior_does():
    """Independent check: the minimum found anew with every prior moved by its uncertainty."""
    rng = np.random.default_rng(2)
    jacobian, residuals = rng.normal(size=(40, 4)), rng.normal(size=40)
    jacobian[37:, 3] = 0.0
    problem = LinearPosterior.of(jacobian, residuals, 37)
    slope = np.array([0.3, -1.0, 0.5])
    whole = np.append(slope, 0.0)

    def answer(r):
        return whole @ np.linalg.lstsq(jacobian, -r, rcond=None)[0]

    moved = [answer(residuals + np.eye(40)[row]) - answer(residuals) for row in range(37, 40)]
    variance = whole @ np.linalg.inv(jacobian.T @ jacobian) @ whole
    shares = problem.variance_shares(slope)
    assert shares[:-1] == pytest.approx(np.square(moved) / variance)
    assert shares.sum() == pytest.approx(1.0)
    assert problem.variance(slope) == pytest.approx(variance)


def test_what_nothing_fixes_has_infinite_variance():
    """The data tell a sum of two numbers; a prior tells one of them."""
    jacobian = np.array([[1.0, 1.0], [1.0, 0.0]])
    problem = LinearPosterior.of(jacobian, np.zeros(2), 1)
    second = np.array([0.0, 1.0])
    assert problem.estimate(second, [True])[1] == pytest.approx(2.0)
    assert problem.estimate(second, [False])[1] == np.inf
    assert problem.estimate(np.ones(2), [False])[1] == pytest.approx(1.0)
