"""Derivatives of residuals by the model against differences of sixth order."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.detection.readings import (
    censored_residuals,
    censored_slopes,
    deviance_residuals,
    deviance_scores,
    deviance_slopes,
    rounded_residuals,
    rounded_slopes,
)


def differences(function, model, step):
    weights = {1: 45.0 / 60.0, 2: -9.0 / 60.0, 3: 1.0 / 60.0}
    rises = (
        w * (function(model + k * step) - function(model - k * step)) for k, w in weights.items()
    )
    return sum(rises) / step


@given(
    counts=st.integers(0, 5000),
    mean=st.floats(0.05, 5000.0),
    gain=st.floats(1e-3, 1e3),
    readout=st.floats(0.0, 10.0),
)
def test_of_counts(counts, mean, gain, readout):
    readings, model, gains, variance = (
        np.array([each]) for each in (counts * gain, mean * gain, gain, readout * gain**2)
    )
    found = deviance_slopes(readings, model, gains, variance)

    def residuals(trial):
        return deviance_residuals(readings, trial, gains, variance)

    assert found == pytest.approx(differences(residuals, model, 1e-3 * model), rel=1e-5)
    score, bend = deviance_scores(readings, model, gains, variance)
    assert score == pytest.approx(found * residuals(model), rel=1e-6, abs=1e-9 / gain)

    def scores(trial):
        return deviance_scores(readings, trial, gains, variance)[0]

    exact = differences(scores, model, 1e-3 * model)
    assert bend == pytest.approx(exact, rel=1e-6, abs=1e-12 / (mean * gain**2))


@pytest.mark.parametrize("excess", [-2e-3, -9e-4, 0.0, 9e-4, 2e-3])
def test_of_counts_near_the_reading(excess):
    """Derived: at the reading itself it is one over the standard deviation."""
    one, none = np.ones(1), np.zeros(1)
    mean = np.array([400.0])
    found = deviance_slopes(mean * (1.0 + excess), mean, one, none)
    assert found == pytest.approx([-(1.0 + excess / 6.0 - excess**2 / 24.0) / 20.0], rel=1e-8)


@given(above=st.floats(-20.0, 3.0), deviation=st.floats(0.1, 10.0))
def test_of_saturated_readings(above, deviation):
    model, sd = np.array([above * deviation]), np.array([deviation])
    found = censored_slopes(0.0, model, sd)
    exact = differences(lambda trial: censored_residuals(0.0, trial, sd), model, 1e-3 * sd)
    assert found == pytest.approx(exact, rel=1e-5)


@given(distance=st.floats(0.01, 3.0), deviation=st.floats(0.05, 0.6), sign=st.sampled_from([-1, 1]))
def test_of_rounded_readings(distance, deviation, sign):
    reading, model, sd = np.zeros(1), np.array([sign * distance]), np.array([deviation])
    found = rounded_slopes(reading, model, sd, 1.0)
    step = np.array([2e-4])
    exact = differences(lambda trial: rounded_residuals(reading, trial, sd, 1.0), model, step)
    assert found == pytest.approx(exact, rel=2e-4, abs=1e-7)
