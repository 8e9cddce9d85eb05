"""Residuals of readings: derivatives, and the information that they hold."""

import numpy as np
import pytest

from craterfront.objective.noise_model import NoiseModel
from craterfront.objective.reading_residuals import ReadingResiduals


def readings(seed, counts, *, censored=False, step=0.0, readout=0.0):
    """Two channels about a falling and a rising model."""
    rng = np.random.default_rng(seed)
    interval = np.full(40, 0.1)
    falls = counts * (0.02 + 0.98 / (1.0 + np.exp(np.linspace(-4.0, 4.0, 40))))
    model = np.array([falls, falls[::-1]])
    values = rng.poisson(model).astype(float)
    values += np.sqrt(readout) * rng.standard_normal(values.shape)
    limit = np.array([0.8 * counts if censored else np.inf, np.inf])
    if step:
        values = step * np.round(values / step)
    noise = NoiseModel(
        kappa=np.zeros(2) if step else 0.1 * np.ones(2),
        rho2=0.1 * np.full(2, readout),
        dead_time_s=np.zeros(2),
        rounding=np.full(2, step**2 / 12.0),
        fluctuation=None,
        shortfall=np.zeros(2),
        correlation=np.ones(2),
        counted=True,
    )
    hidden = values >= limit[:, None]
    made = ReadingResiduals(
        np.minimum(values, limit[:, None]),
        interval,
        hidden,
        limit,
        np.full(2, step),
        noise,
        model,
        model,
    )
    return made, model


CASES = {
    "many counts": {"counts": 1e4},
    "few counts": {"counts": 3.0},
    "readout": {"counts": 20.0, "readout": 4.0},
    "saturated": {"counts": 500.0, "censored": True},
    "rounded": {"counts": 100.0, "step": 20.0, "readout": 25.0},
}


@pytest.mark.parametrize("case", CASES)
def test_slopes_are_the_derivatives(case):
    made, model = readings(1, **CASES[case])
    trial, step = 1.03 * model, 1e-5 * model
    numeric = (made.of(trial + step) - made.of(trial - step)) / (2.0 * step)
    assert made.slopes(trial) == pytest.approx(numeric, rel=1e-4, abs=1e-8)


@pytest.mark.parametrize("case", CASES)
def test_score_and_bend_are_the_derivatives_of_half_the_squares(case):
    made, model = readings(1, **CASES[case])
    trial, step = 1.03 * model, 1e-4 * model
    assert made.score(trial) == pytest.approx(made.slopes(trial) * made.of(trial), rel=1e-9)
    numeric = (made.score(trial + step) - made.score(trial - step)) / (2.0 * step)
    assert made.bend(trial, step) == pytest.approx(numeric, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("case", CASES)
def test_scoring_leads_to_the_least_sum_of_squares(case):
    """Scale and background of one channel: where the steps end, the gradient is zero."""
    made, model = readings(2, **CASES[case])
    terms = np.column_stack([model[0] / model[0].max(), np.ones(model.shape[1])])
    numbers = np.array([model[0].max(), 0.3])
    for _ in range(100):
        trial = np.array([terms @ numbers, model[1]])
        weighted = made.scoring_weights(trial)[0, :, None] * terms
        score = made.score(trial)[0] @ terms
        numbers = numbers - np.linalg.solve(weighted.T @ weighted, score)
    scale = np.abs(made.slopes(trial)[0]) @ np.abs(terms)
    assert np.abs(score) / scale == pytest.approx(0.0, abs=1e-6)


def test_expected_information_of_counts_is_one_over_the_mean():
    """Fisher information of a Poisson mean (textbook), here for 30,000 readings of 2 counts."""
    rng = np.random.default_rng(5)
    mean, interval = np.full((1, 30_000), 2.0), np.ones(30_000)
    noise = NoiseModel(
        np.ones(1), np.zeros(1), np.zeros(1), np.zeros(1), None, np.zeros(1), np.ones(1), True
    )
    made = ReadingResiduals(
        rng.poisson(mean).astype(float),
        interval,
        np.zeros(mean.shape, dtype=bool),
        np.full(1, np.inf),
        np.zeros(1),
        noise,
        mean,
        mean,
    )
    assert made.expected_slopes(mean) ** 2 == pytest.approx(0.5 * np.ones(mean.shape))
    score = made.score(mean)
    assert np.mean(score) == pytest.approx(0.0, abs=0.015)
    assert np.mean(score**2) == pytest.approx(0.5, rel=0.03)
