"""Shares of neighbouring slices, found together, against those of one slice after the other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.erosion_front.normal_shares import (
    REACH,
    as_normals,
    mean_share,
    mean_share_and_slopes,
    mean_shares,
    mean_shares_and_slopes,
)


@given(
    seed=st.integers(0, 2**32 - 1),
    across=st.floats(0.0, 5.0),
    spread_grows=st.booleans(),
    pieces=st.integers(1, 3),
)
def test_slices_together_and_one_by_one(seed, across, spread_grows, pieces):
    """Some slices are wide against the spread, most are narrow; the outer ones are settled."""
    rng = np.random.default_rng(seed)
    size = np.where(rng.random(60) < 0.1, 1.0, rng.uniform(0.01, 0.5, 60))
    edges = np.append(0.0, np.cumsum(size))
    sigma = np.linspace(0.3, 3.0, 60) if spread_grows else np.full(60, 0.8)
    middle, width, inverse = as_normals(edges, sigma)
    low = rng.uniform(0.0, edges[-1], pieces)
    at = np.column_stack([low, low + across, rng.uniform(0.1, 1.0, pieces)])
    shares, by_slice, by_piece = np.empty(60), np.empty((3, 60)), np.empty((pieces, 3, 60))
    own = np.empty((pieces, 3))
    mean_shares_and_slopes(at, middle, width, inverse, shares, by_slice, by_piece)
    for k in range(60):
        single = mean_share_and_slopes(at, middle[k], width[k], inverse[k], own)
        assert shares[k] == pytest.approx(single[0], rel=1e-12, abs=1e-13)
        assert by_slice[:, k] == pytest.approx(single[1:], rel=1e-9, abs=1e-11)
        assert by_piece[:, :, k] == pytest.approx(own, rel=1e-9, abs=1e-11)
    alone = np.empty(60)
    mean_shares(at, middle, width, inverse, alone)
    assert np.array_equal(alone, shares)


def test_what_has_been_passed_is_passed_exactly_however_sharp():
    """Rounding of a dose is much against a spread of 1e-13 of it."""
    edges, sigma = np.linspace(0.0, 1.0, 4), np.full(3, 1e-13)
    middle, width, inverse = as_normals(edges, sigma)
    shares = np.empty(3)
    at = np.array([[0.7, 0.7 + 3e-14, 0.25]])
    mean_shares(at, middle, np.zeros_like(width), inverse, shares)
    assert list(shares) == [0.25, 0.25, 0.0]


def test_beyond_the_reach_all_or_nothing_is_passed():
    at = np.array([[-0.5, 0.5, 1.0]])
    assert mean_share(at, -REACH - 0.5, 0.0, 1.0) == 1.0
    assert mean_share(at, REACH + 0.5, 0.0, 1.0) == 0.0
