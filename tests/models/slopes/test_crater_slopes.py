"""Slopes of crater shapes against differences of sixth order."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from craterfront.models.erosion_front import crater
from craterfront.models.slopes.crater_slopes import (
    edged_slopes,
    parabolic_slopes,
    seen_share_slopes,
)
from tests.reference.differences import deviation, sixth_order


@given(st.floats(-1.5, 1.5))
def test_a_parabolic_and_a_tilted_bottom(curvature):
    for shape in (crater.parabolic, crater.tilted):
        found = sixth_order(lambda by, shape=shape: shape(curvature + by), 1e-2)
        assert parabolic_slopes() == pytest.approx(found, abs=1e-12)


@given(st.floats(0.05, 0.9), st.floats(0.2, 3.0))
def test_a_floor_with_an_edge(share, rate):
    by_share, by_rate = edged_slopes(share, rate)
    found = sixth_order(lambda by: crater.edged(share + by, rate), 1e-4)
    assert by_share == pytest.approx(found, abs=1e-8)
    found = sixth_order(lambda by: crater.edged(share, rate + by), 1e-4)
    assert by_rate == pytest.approx(found, abs=1e-8)


@settings(max_examples=25)
@given(st.integers(0, 10_000), st.integers(2, 6))
def test_shares_of_a_signal_that_weighs_the_radius(seed, count):
    rng = np.random.default_rng(seed)
    segments = np.ones((count, 3))
    segments[:, 2] = rng.dirichlet(np.full(count, 5.0))
    moved = rng.normal(size=count)
    moved -= moved.mean()
    radius, weight = np.array([0.0, 0.3, 1.1, 2.0]), rng.uniform(0.1, 1.0, 4)

    def seen(by):
        other = segments.copy()
        other[:, 2] += by * moved
        return crater.seen_shares(other, radius, weight)

    slopes = seen_share_slopes(segments, moved, radius, weight)
    error, apart = deviation(slopes, seen, 0.1 * segments[:, 2].min())
    assume(apart < 1e-7)  # a bound that lies on a point of the table sees a kink
    assert error < 1e-6
    assert slopes.sum() == pytest.approx(0.0, abs=1e-12)


@given(st.floats(0.05, 0.95))
def test_of_an_even_weight_what_is_seen_is_the_area(share):
    segments = crater.edged(share, 0.7)
    slopes = seen_share_slopes(segments, np.array([-1.0, 1.0]), [0.0, 2.0], [0.4, 0.4])
    assert slopes == pytest.approx([-1.0, 1.0])
