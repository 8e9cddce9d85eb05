"""Atoms that stay in the gas: everything shines once, later by their mean time."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.sources.residence import lagged, shares


@given(
    st.lists(st.tuples(st.floats(0, 50), st.floats(0.01, 2)), min_size=1, max_size=30),
    st.floats(1e-3, 3),
)
def test_every_atom_shines_once(intervals, residence_s):
    flux, interval_s = np.array(intervals).T
    flux, interval_s = np.append(flux, 0.0), np.append(interval_s, 60.0 * residence_s)
    emission = lagged(flux[None], interval_s, residence_s)[0]
    assert emission.min() >= -1e-12 * max(flux.max(), 1.0)
    assert emission @ interval_s == pytest.approx(flux @ interval_s, rel=1e-9, abs=1e-12)


def test_a_pulse_decays_with_the_residence():
    # Derived: a short pulse of one atom leaves exp(-t/tau)/tau; its mean time is tau.
    edges = np.append([0.0, 1e-5], np.linspace(0.01, 4.0, 400))
    flux = np.zeros(edges.size - 1)
    flux[0] = 1e5
    emitted = lagged(flux[None], np.diff(edges), 0.2)[0] * np.diff(edges)
    expected = np.exp(-edges[1:-1] / 0.2) - np.exp(-edges[2:] / 0.2)
    assert emitted[1:] == pytest.approx(expected, rel=1e-4)


@given(st.floats(1e-3, 1), st.integers(1, 40))
def test_the_sampling_makes_no_difference(residence_s, parts):
    coarse = lagged(np.array([[2.0, 7.0]]), np.array([0.5, 0.5]), residence_s)
    fine = lagged(
        np.repeat([[2.0, 7.0]], parts, axis=1), np.full(2 * parts, 0.5 / parts), residence_s
    )
    assert fine.reshape(2, parts).mean(axis=1) == pytest.approx(coarse[0], rel=1e-9)


def test_no_residence_changes_nothing():
    flux = np.array([[1.0, 2.0, 0.0]])
    assert np.array_equal(lagged(flux, np.ones(3), 0.0), flux)


@given(st.floats(-3, 4), st.floats(0.01, 0.99))
def test_a_step_within_a_reading_shows_within_a_thousandth(log_ratio, at):
    """Derived: after a step at s, the emission is 1 - exp(-(t - s)/tau)."""
    interval_s, residence_s = 1.0, 10.0**-log_ratio
    start, parts = shares(np.ones(2), residence_s)
    assert parts.max() <= 15
    edges = np.append(start[: parts[0]], 1.0 + np.append(start[parts[0] :], 1.0))
    flux = np.diff(np.maximum(edges - at, 0.0)) / np.diff(edges)
    found = lagged(flux[None], np.diff(edges), residence_s)[0] @ (
        np.diff(edges)[:, None] * (edges[:-1, None] // 1 == np.arange(2))
    )
    left = np.exp(-np.maximum(np.array([0.0, 1.0, 2.0]) - at, 0.0) / residence_s)
    expected = np.array([1.0 - at, interval_s]) - residence_s * -np.diff(left)
    assert found == pytest.approx(expected, abs=1e-3)
