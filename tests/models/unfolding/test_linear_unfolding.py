"""Unfolding of linear readings: evidence, posterior, resolution, bounds."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import lsq_linear
from scipy.special import erfc
from scipy.stats import multivariate_normal

from craterfront.models.unfolding.linear_unfolding import (
    LinearReadings,
    Trial,
    contrasts,
    most_evident_prior,
)
from craterfront.models.unfolding.quadratic_program import Bounds, bounded_minimum
from craterfront.models.unfolding.smoothness import LAWS, Smoothness, candidates

CELLS, READINGS = 60, 120
DEPTH = (np.arange(CELLS) + 0.5) / CELLS
TIME = (np.arange(READINGS) + 0.5) / READINGS


def blurring(sd):
    """A Gaussian response of constant width, rows sum to 1."""
    matrix = np.exp(-0.5 * ((TIME[:, None] - DEPTH) / sd) ** 2)
    return matrix / matrix.sum(axis=1, keepdims=True)


def design_of(matrix, noise, contrast):
    return np.vstack([np.kron(row[None], matrix) for row in contrast]) / noise


def readings_of(fractions, matrix, noise, seed=0, scatter=1.0):
    """Noisy readings of fractions that sum to one, one channel each."""
    rng = np.random.default_rng(seed)
    contrast, count = contrasts(len(fractions)), len(fractions)
    values = fractions @ matrix.T
    values = values + scatter * noise * rng.standard_normal(values.shape)
    design = design_of(matrix, noise, contrast)
    target = ((values - matrix.sum(axis=1) / count) / noise).ravel()
    readings = LinearReadings(
        design.T @ design,
        design.T @ target,
        contrast,
        np.full(count, 1.0 / count),
        np.ones(count, dtype=bool),
        np.zeros(0),
        np.zeros((design.shape[1], 0)),
    )
    return readings, design, target


def pair(first):
    return np.stack([first, 1.0 - first])


EDGE = pair(0.5 * erfc((DEPTH - 0.5) / 0.1))


def test_contrasts_keep_the_sum():
    for count in (2, 3, 7):
        found = contrasts(count)
        assert np.allclose(found.sum(axis=0), 0.0)
        assert np.allclose(found.T @ found, np.eye(count - 1))


@pytest.mark.parametrize("law", LAWS)
def test_priors_have_unit_variance_and_their_correlation(law):
    smoothness = Smoothness.of(law, 6.0, CELLS)
    basis = smoothness.basis[:, smoothness.varied > 0]
    covariance = basis @ basis.T
    assert np.diag(covariance) == pytest.approx(1.0, abs=1e-6)
    assert covariance[10, 22] == pytest.approx(float(LAWS[law](np.array(2.0))), abs=1e-6)


@pytest.mark.derived
def test_laws_are_those_of_the_modified_bessel_function():
    """Derived: the definition 2^(1-v)/G(v) (sqrt(2v) r)^v K_v(sqrt(2v) r), evaluated by scipy."""
    from scipy.special import gamma, kv

    for law, order in (("matern 7/2", 3.5), ("matern 5/2", 2.5), ("matern 3/2", 1.5)):
        r = np.array([0.1, 0.7, 2.0])
        x = math.sqrt(2.0 * order) * r
        assert LAWS[law](r) == pytest.approx(
            2.0 ** (1 - order) / gamma(order) * x**order * kv(order, x)
        )


@pytest.mark.derived
def test_evidence_is_that_of_a_normal_distribution():
    """Derived: the readings are normal with covariance 1 + X C X'; only differences count."""
    readings, design, target = readings_of(EDGE, blurring(0.04), 0.05)
    amplitudes = (np.log([0.3, 0.3]), np.log([0.05, 1.0]))
    found, expected = [], []
    for law, length in (("matern 5/2", 10.0), ("matern 3/2", 4.0)):
        smoothness = Smoothness.of(law, length, CELLS)
        for log_amplitude in amplitudes:
            found.append(Trial(readings, smoothness).log_evidence(log_amplitude)[0])
            variance = 1.0 / np.sum(readings.contrast[:, 0] ** 2 * np.exp(-2.0 * log_amplitude))
            size = np.where(smoothness.varied > 0, variance, 1.0)
            shape = design @ smoothness.basis
            covariance = np.eye(target.size) + (shape * size) @ shape.T
            expected.append(multivariate_normal(np.zeros(target.size), covariance).logpdf(target))
    assert np.diff(found) == pytest.approx(np.diff(expected), rel=1e-6)


def test_derivatives_of_the_evidence():
    three = np.stack([0.5 * EDGE[0], 0.5 * EDGE[1], np.full(CELLS, 0.5)])
    readings, *_ = readings_of(three, blurring(0.04), 0.02)
    trial, at = Trial(readings, Smoothness.of("matern 5/2", 8.0, CELLS)), np.log([0.2, 0.4, 0.1])
    slope, step = trial.log_evidence(at)[1], 1e-4
    for i, unit in enumerate(np.eye(3)):
        up, down = (trial.log_evidence(at + s * step * unit)[0] for s in (1.0, -1.0))
        assert slope[i] == pytest.approx((up - down) / (2.0 * step), rel=1e-4, abs=1e-5)


@pytest.fixture(scope="module")
def posterior():
    """Of an edge that stays away from the bounds, with its readings and prior."""
    fractions = 0.3 + 0.4 * EDGE
    fractions /= fractions.sum(axis=0)
    readings, design, target = readings_of(fractions, blurring(0.04), 0.02)
    smoothness, log_amplitude = most_evident_prior(readings, np.log([0.1, 0.1]))
    found = Trial(readings, smoothness).posterior(log_amplitude)
    return found, smoothness, log_amplitude, design, target


def regularised(smoothness, log_amplitude, contrast, design, target):
    """y by least squares of readings and prior together, with the library's solver."""
    precision = np.sum(contrast[:, 0] ** 2 * np.exp(-2.0 * log_amplitude))
    prior = np.diag(np.where(smoothness.varied > 0, math.sqrt(precision), 1.0))
    rows = np.vstack([design @ smoothness.basis, prior])
    solved = np.linalg.lstsq(rows, np.append(target, np.zeros(len(prior))), rcond=None)[0]
    return smoothness.basis @ solved


def test_away_from_bounds_it_is_regularised_least_squares(posterior):
    found, smoothness, log_amplitude, design, target = posterior
    contrast = found.readings.contrast
    y = regularised(smoothness, log_amplitude, contrast, design, target)
    assert found.w == pytest.approx(y, abs=1e-7)


def test_averaging_kernel_is_the_response_to_a_changed_truth(posterior):
    found, smoothness, log_amplitude, design, target = posterior
    contrast = found.readings.contrast
    kernel = found.averaging_kernel(0)
    for cell in (5, 30):
        changed = target + design[:, cell]
        before, after = (
            regularised(smoothness, log_amplitude, contrast, design, t) for t in (target, changed)
        )
        assert kernel[:, cell] == pytest.approx(after - before, abs=1e-7)
    assert kernel.sum(axis=1) == pytest.approx(1.0, abs=2e-3)
    assert found.degrees_of_freedom()[0] == pytest.approx(np.trace(kernel))


def test_covariance_without_nuisances_is_that_of_the_unknowns(posterior):
    found, *_ = posterior
    assert found.within == pytest.approx(found.covariance, abs=1e-10)
    assert found.standard_uncertainty(nuisances=False) == pytest.approx(
        found.standard_uncertainty()
    )


def test_numbers_that_are_held_widen_the_band_by_what_they_do(posterior):
    """Linear: what one standard uncertainty does to the answer is what is added in quadrature."""
    from dataclasses import replace

    found, smoothness, log_amplitude, design, target = posterior
    change = design @ np.sin(3.0 * DEPTH)  # of the readings
    readings = replace(found.readings, considered=(design.T @ change)[:, None])
    wider = Trial(readings, smoothness).posterior(log_amplitude)
    contrast = readings.contrast
    before, after = (
        regularised(smoothness, log_amplitude, contrast, design, t)
        for t in (target, target + change)
    )
    added = np.abs(np.outer(contrast[:, 0], after - before))
    expected = np.hypot(found.standard_uncertainty(), added)
    assert wider.standard_uncertainty() == pytest.approx(expected, rel=1e-6)
    assert np.array_equal(wider.fractions, found.fractions)


def test_a_sharp_edge_shows_the_resolution():
    """Derived: the slope of an unfolded step is the height of the kernel (of cells: 2 %)."""
    step = np.clip(0.1 + 0.8 * (DEPTH > 0.5), 0, 1)
    readings, *_ = readings_of(pair(step), blurring(0.05), 0.01, scatter=0.0)
    found = Trial(readings, Smoothness.of("matern 5/2", 9.0, CELLS)).posterior(np.log([0.3, 0.3]))
    slope = np.max(np.diff(found.fractions[0]))
    shown = 0.8 * math.sqrt(2.0 / math.pi) / slope
    assert shown == pytest.approx(found.resolution_cells()[0, CELLS // 2], rel=0.03)


def test_ends_do_not_pretend_to_resolve_better():
    readings, *_ = readings_of(EDGE, blurring(0.05), 0.02)
    smoothness, log_amplitude = most_evident_prior(readings, np.log([0.1, 0.1]))
    size = Trial(readings, smoothness).posterior(log_amplitude).resolution_cells()[0]
    inside = size[CELLS // 4 : -CELLS // 4]
    assert size[0] > 0.5 * inside.min()
    assert np.all(size <= CELLS)


@pytest.mark.parametrize("noise", [0.003, 0.03])
def test_evidence_chooses_nearly_as_well_as_the_truth_would(noise):
    """Against the smallest error over all laws, lengths and amplitudes, in the mean over seeds."""
    ratios = []
    for seed in range(3):
        readings, *_ = readings_of(EDGE, blurring(0.03), noise, seed)

        def error(found):
            return float(np.sqrt(np.mean((found.fractions - EDGE) ** 2)))

        grid = [
            Trial(readings, smoothness).posterior(np.log([a, a]))
            for smoothness in list(candidates(CELLS))[::2]
            for a in (0.03, 0.3, 3.0)
        ]
        smoothness, log_amplitude = most_evident_prior(readings, np.log([0.1, 0.1]))
        chosen = Trial(readings, smoothness).posterior(log_amplitude)
        ratios.append(error(chosen) / min(map(error, grid)))
    assert np.mean(ratios) < 1.6


@pytest.mark.thorough
def test_the_band_holds_smooth_truths_as_often_as_it_says():
    """In the mean over depth; 9 profiles of some 10 degrees of freedom: 0.95 +/- 0.023 (derived:
    binomial, of independent numbers). The band of a smooth truth may be a little wide."""
    truths = (
        EDGE,
        pair(0.5 + 0.3 * np.sin(12.0 * DEPTH)),
        pair(0.8 * np.exp(-(((DEPTH - 0.4) / 0.12) ** 2))),
    )
    held = []
    for seed in range(9):
        truth = truths[seed % 3]
        readings, *_ = readings_of(truth, blurring(0.03), 0.02, seed)
        smoothness, log_amplitude = most_evident_prior(readings, np.log([0.1, 0.1]))
        found = Trial(readings, smoothness).posterior(log_amplitude)
        reach = 1.96 * found.standard_uncertainty()
        held.append(np.mean(np.abs(found.fractions - truth) <= reach))
    assert 0.904 < np.mean(held) < 0.995


def test_the_rest_is_what_the_sum_leaves():
    """One element measured of two: its fraction, and what is left to one."""
    matrix, noise, truth = blurring(0.03), 0.01, EDGE[0]
    rng = np.random.default_rng(1)
    target = (matrix @ truth + noise * rng.standard_normal(READINGS)) / noise
    design = matrix / noise
    readings = LinearReadings(
        design.T @ design,
        design.T @ target,
        np.array([[1.0], [-1.0]]),
        np.array([0.0, 1.0]),
        np.array([True, False]),
        np.zeros(0),
        np.zeros((CELLS, 0)),
    )
    smoothness, log_amplitude = most_evident_prior(readings, np.log([0.1]))
    found = Trial(readings, smoothness).posterior(log_amplitude)
    assert found.fractions.sum(axis=0) == pytest.approx(1.0, abs=1e-12)
    assert found.fractions.min() >= 0.0
    assert found.fractions[0] == pytest.approx(truth, abs=0.03)


@given(st.integers(0, 2**32 - 1), st.integers(2, 4))
def test_fractions_are_never_negative_and_sum_to_one(seed, elements):
    rng = np.random.default_rng(seed)
    truth = rng.dirichlet(np.full(elements, 0.1), size=CELLS // 10).T.repeat(10, axis=1)
    readings, *_ = readings_of(truth, blurring(0.02), 0.02, seed)
    smoothness = Smoothness.of("matern 3/2", 3.0, CELLS)
    found = Trial(readings, smoothness).posterior(np.log(np.full(elements, 0.5)))
    assert found.fractions.min() >= 0.0
    assert found.fractions.sum(axis=0) == pytest.approx(1.0, abs=1e-9)


@given(st.integers(0, 2**32 - 1))
def test_bounded_minimum_is_that_of_the_library(seed):
    """Against scipy.optimize.lsq_linear, active sets."""
    rng = np.random.default_rng(seed)
    rows, target = rng.standard_normal((30, 12)), rng.standard_normal(30)
    expected = lsq_linear(rows, target, (0.0, np.inf), method="bvls").x
    bounds = Bounds(np.eye(1), np.eye(12), np.zeros((1, 1)))
    found = bounded_minimum(rows.T @ rows, rows.T @ target, bounds)
    assert found == pytest.approx(expected, abs=1e-5)
