"""Slopes of straight lines through slices against differences of sixth order."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from craterfront.models.altered_layers.sloped import divide_amounts, rises
from craterfront.models.slopes.sloped_slopes import divided_slopes, rise_slopes
from tests.reference.differences import deviation


@st.composite
def profiles(draw):
    """Shares and sizes of slices, and how they change; steep ones run into every limit."""
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    slices, kinds = draw(st.integers(2, 9)), draw(st.integers(2, 4))
    steepness = draw(st.sampled_from([0.3, 5.0]))
    shares = rng.dirichlet(np.full(kinds, 1.0 / steepness), slices)
    moves = rng.normal(size=shares.shape) * shares
    moves -= shares * moves.sum(axis=1, keepdims=True)
    size = rng.uniform(1.0, 3.0, slices)
    return shares, moves, size, rng.normal(size=slices)


@settings(max_examples=25)
@given(profiles())
def test_rises_of_the_lines(profile):
    shares, moves, size, size_moves = profile

    def moved(by):
        return rises(shares + by * moves, size + by * size_moves)

    slopes = rise_slopes(shares, size, moves[..., None], size_moves[:, None])[..., 0]
    assume(np.any(slopes))
    error, apart = deviation(slopes, moved, 0.01)
    assume(apart < 1e-7)  # where one limit gives way to another is a kink
    assert error < 1e-6
    assert slopes.sum(axis=1) == pytest.approx(np.zeros(len(slopes)), abs=1e-9)


@settings(max_examples=25)
@given(profiles(), st.integers(0, 10_000))
def test_amounts_in_the_parts_of_slices(profile, seed):
    shares, moves, size, size_moves = profile
    parts = np.random.default_rng(seed).integers(1, 5, size.size)
    amounts = shares * size[:, None]
    change = moves * size[:, None] + shares * size_moves[:, None]

    def moved(by):
        return divide_amounts(amounts + by * change, size + by * size_moves, parts)

    arguments = amounts, size, change[..., None], size_moves[:, None], parts
    slopes = divided_slopes(*arguments)[..., 0]
    error, apart = deviation(slopes, moved, 0.01)
    assume(apart < 1e-7)
    assert error < 1e-6
    first = np.cumsum(parts) - parts
    assert np.add.reduceat(slopes, first) == pytest.approx(change, abs=1e-12)
