"""Straight lines through the means of slices: they keep amounts, order and sign."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.altered_layers.sloped import divide_amounts, divide_evenly, rises


@st.composite
def slices(draw):
    """Amounts of three kinds in slices, their sizes, and numbers of parts."""
    count = draw(st.integers(3, 12))

    def many(values):
        return np.array(draw(st.lists(values, min_size=count, max_size=count)))

    level = st.one_of(st.just(0.0), st.floats(0.0, 1.0))
    first = many(level)
    second = many(level) * (1.0 - first)
    size = many(st.floats(0.01, 3.0))
    shares = np.column_stack([first, second, 1.0 - first - second])
    return size[:, None] * shares, size, many(st.integers(1, 7))


@given(slices())
def test_parts_hold_what_the_slice_held_of_each_kind_and_of_all(case):
    amounts, size, parts = case
    divided = divide_amounts(amounts, size, parts)
    whole = np.add.reduceat(divided, np.cumsum(parts) - parts, axis=0)
    assert whole == pytest.approx(amounts, rel=1e-12, abs=1e-12)
    assert divided.min() >= -1e-15
    assert divided.sum(axis=1) == pytest.approx(divide_evenly(size, parts), rel=1e-12)


@given(slices())
def test_no_line_leads_below_zero_and_all_go_on_to_sum_to_one(case):
    amounts, size, _ = case
    shares = amounts / size[:, None]
    rise = rises(shares, size)
    assert np.all(shares - 0.5 * np.abs(rise) >= -1e-15)
    assert rise.sum(axis=1) == pytest.approx(np.zeros(size.size), abs=1e-14)


def test_lines_of_two_kinds_stay_between_their_neighbours():
    rng = np.random.default_rng(5)
    first = rng.uniform(0.0, 1.0, 400)
    size = rng.uniform(0.1, 2.0, 400)
    shares = np.column_stack([first, 1.0 - first])
    half = 0.5 * np.abs(rises(shares, size))
    step = np.abs(np.diff(shares, axis=0))
    assert np.all(half[1:] <= step + 1e-12)
    assert np.all(half[1:-1] <= step[1:] + 1e-12)


def test_a_straight_line_is_found_also_with_unequal_slices():
    size = np.array([1.0, 0.5, 0.5, 2.0, 1.0])
    parts = np.array([1, 2, 3, 4, 1])

    def amounts(of):
        edges = np.append(0.0, np.cumsum(of))
        first = np.diff(0.2 * edges + 0.05 * edges**2)  # share 0.2 + 0.1 x
        return np.column_stack([first, of - first])

    expected = amounts(divide_evenly(size, parts))
    assert divide_amounts(amounts(size), size, parts) == pytest.approx(expected, rel=1e-12)


def test_a_step_stays_a_step():
    amounts = np.array([[1.0, 2.0], [1.0, 2.0], [3.0, 0.0], [3.0, 0.0]])
    size, parts = np.full(4, 3.0), np.full(4, 3)
    expected = np.repeat(amounts / 3.0, 3, axis=0)
    assert divide_amounts(amounts, size, parts) == pytest.approx(expected)
