"""The depth below which a content stays under a level."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.measurands.case_depth import deepest_crossing_nm

GRID = np.linspace(0.0, 100.0, 51)


def means_of(integral):
    """Means between edges of what has this integral."""
    return lambda edges: np.diff(integral(edges)) / np.diff(edges)


@given(st.floats(2.0, 97.0), st.floats(0.01, 0.99))
def test_a_step_is_found_wherever_it_lies(step, level):
    means = means_of(lambda z: np.minimum(z, step))
    assert deepest_crossing_nm(means, GRID, level) == pytest.approx(step, abs=1e-5)


@given(st.floats(8.0, 20.0), st.floats(0.05, 0.7))
def test_an_exponential_is_found_at_its_logarithm(decay, level):
    """Derived: exp(-z/L) = c at z = L ln(1/c)."""
    means = means_of(lambda z: -decay * np.exp(-z / decay))
    expected = decay * math.log(1.0 / level)
    assert deepest_crossing_nm(means, GRID, level) == pytest.approx(expected, abs=1e-5)


def test_the_last_of_several_falls_counts():
    means = means_of(lambda z: np.minimum(z, 20.0) + np.clip(z - 40.0, 0.0, 25.0))
    assert deepest_crossing_nm(means, GRID, 0.5) == pytest.approx(65.0, abs=1e-5)


def test_what_is_never_or_always_reached():
    low, high = means_of(lambda z: 0.1 * z), means_of(lambda z: z)
    assert math.isnan(deepest_crossing_nm(low, GRID, 0.5))
    assert deepest_crossing_nm(high, GRID, 0.5) == math.inf
