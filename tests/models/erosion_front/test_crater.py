"""Crater shapes: distributions of the relative rate with mean one over the area."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.erosion_front.crater import (
    divided,
    edge_ring_share,
    edged,
    flat,
    measured,
    parabolic,
    relative_smoothing,
    seen_shares,
    tilted,
)


def relative_variance(segments):
    """Variance of g over the area."""
    low, high, weight = segments.T
    return np.sum(weight * ((0.5 * (low + high) - 1.0) ** 2 + (high - low) ** 2 / 12.0))


@st.composite
def profiles(draw):
    """Radius and depth of a measured crater, with and without a point at the centre."""
    steps = draw(st.lists(st.floats(0.05, 2), min_size=2, max_size=8))
    radius = np.cumsum(steps) - draw(st.sampled_from([0.0, 1.0])) * steps[0]
    depth = draw(st.lists(st.floats(0.3, 3), min_size=radius.size, max_size=radius.size))
    return radius, np.array(depth)


def craters():
    return st.one_of(
        st.just(flat()),
        st.floats(-1.9, 1.9).map(parabolic),
        st.floats(0, 1.9).map(tilted),
        st.builds(edged, st.floats(0, 0.95), st.floats(0.05, 20)),
        profiles().map(lambda profile: measured(*profile)),
    )


@given(craters())
def test_shares_sum_to_one_and_the_mean_rate_is_one(segments):
    first, last, weight = segments.T
    assert min(first.min(), last.min()) > 0.0
    assert weight.min() >= 0.0
    assert weight.sum() == pytest.approx(1.0, rel=1e-12)
    assert np.sum(weight * 0.5 * (first + last)) == pytest.approx(1.0, rel=1e-12)


@given(craters(), st.integers(1, 20))
def test_a_divided_crater_is_the_same_crater(segments, count):
    pieces = divided(segments, count)
    assert pieces.shape == (count * segments.shape[0], 3)
    assert relative_variance(pieces) == pytest.approx(relative_variance(segments), abs=1e-12)
    assert relative_smoothing(pieces) == pytest.approx(relative_smoothing(segments), abs=1e-12)
    assert pieces[0, 0] == segments[0, 0]
    assert pieces[-1, 1] == pytest.approx(segments[-1, 1], rel=1e-12)


@given(craters(), st.lists(st.floats(0.01, 5), min_size=2, max_size=6), st.floats(0.1, 9))
def test_a_signal_that_counts_every_radius_alike_counts_area(segments, steps, weight):
    radius = np.append(0.0, np.cumsum(steps))
    shares = seen_shares(segments, radius, np.full(radius.size, weight))
    assert shares == pytest.approx(segments[:, 2], abs=1e-12)


def test_a_signal_that_falls_off_evenly_to_the_edge():
    # Derived: of 2 r (1 - r), the inner half of the area holds 3 (1/2 - (2/3) 2^(-3/2)).
    shares = seen_shares(divided(parabolic(0.1), 2), [0.0, 2.0], [3.0, 0.0])
    assert shares == pytest.approx([1.5 - 2**-0.5, 2**-0.5 - 0.5], rel=1e-12)


@given(st.floats(-1.99, 1.99))
def test_a_paraboloid_over_its_area(curvature):
    # Derived: g = 1 + curvature (1/2 - (r/R)^2) at radii that share the area equally.
    square = (np.arange(4000) + 0.5) / 4000
    g = 1.0 + curvature * (0.5 - square)
    centre, edge, _ = parabolic(curvature)[0]
    assert centre == pytest.approx(g[0], abs=1e-3)
    assert edge == pytest.approx(g[-1], abs=1e-3)
    assert relative_variance(parabolic(curvature)) == pytest.approx(g.var(), rel=1e-4, abs=1e-12)


@given(st.floats(-1.9, 1.9), st.integers(2, 40))
def test_a_measured_paraboloid_is_a_paraboloid(curvature, points):
    radius = np.linspace(0.0, 2.0, points)
    segments = measured(radius, 300.0 * (1.0 + curvature * (0.5 - (radius / 2.0) ** 2)))
    assert relative_variance(segments) == pytest.approx(curvature**2 / 12.0, rel=1e-9, abs=1e-15)
    assert segments[:, :2].max() == pytest.approx(1.0 + 0.5 * abs(curvature), rel=1e-12)


@given(profiles(), st.floats(0.01, 100), st.floats(0.01, 100))
def test_units_of_a_measured_crater_do_not_matter(profile, radius_unit, depth_unit):
    radius, depth = profile
    scaled = measured(radius * radius_unit, depth * depth_unit)
    assert scaled == pytest.approx(measured(radius, depth), rel=1e-9)


def test_a_measured_crater_counts_from_the_centre():
    # Derived: from radius 1 to 2 a depth that rises from 1 to 3 has the mean 2; a flat centre of
    # depth 1 takes a quarter of the area, so the mean is 1.75.
    segments = measured([1.0, 2.0], [1.0, 3.0])
    assert segments == pytest.approx(
        np.array([[1.0, 1.0, 0.25 * 1.75], [1.0, 3.0, 0.75 * 1.75]]) / 1.75
    )


@given(st.floats(0.01, 0.95), st.floats(0.05, 20))
def test_an_edge_keeps_its_share_and_its_ratio(share, rate):
    (floor, _, _), (edge, _, edge_share) = edged(share, rate)
    assert edge_share == share
    assert edge / floor == pytest.approx(rate)


def test_a_tilted_plane_spreads_like_a_paraboloid_of_equal_range():
    assert np.array_equal(tilted(0.1), parabolic(0.1))


def test_a_crater_smooths_at_least_as_much_as_its_narrowest_part():
    assert relative_smoothing(edged(0.1, 0.5)) == 0.0
    assert relative_smoothing(parabolic(0.12)) == pytest.approx(0.12 / math.sqrt(12.0))
    assert relative_smoothing(measured([0, 1, 2], [1.0, 1.0, 1.2])) == 0.0


def test_half_a_ring():
    # Derived: 1 - (1 - e/R)^2
    assert edge_ring_share(1.0, 4.0) == pytest.approx(0.75)
    assert edge_ring_share(0.0, 4.0) == 0.0


@pytest.mark.parametrize("curvature", [2.0, -2.0, math.nan])
def test_a_curvature_that_leaves_no_floor_is_named(curvature):
    with pytest.raises(ValueError, match=f"curvature must be between -2 and 2, got {curvature}"):
        parabolic(curvature)


@pytest.mark.parametrize("share", [-0.1, 1.0, math.nan])
def test_an_impossible_edge_share_is_named(share):
    with pytest.raises(ValueError, match=f"edge_share must be .*got {share}"):
        edged(share, 0.5)


@pytest.mark.parametrize("rate", [0.0, -1.0, math.nan])
def test_an_impossible_edge_rate_is_named(rate):
    with pytest.raises(ValueError, match=f"edge_rate must be > 0, got {rate}"):
        edged(0.1, rate)


@pytest.mark.parametrize(
    ("radius", "depth", "message"),
    [
        ([0.0], [1.0], "at least two"),
        ([0.0, 1.0], [1.0], "at least two"),
        ([0.0, 1.0, 1.0], [1.0, 1.0, 1.0], "must increase"),
        ([-1.0, 1.0], [1.0, 1.0], "must increase from 0"),
        ([0.0, 1.0], [1.0, 0.0], "depths .* must be > 0"),
        ([0.0, 1.0], [1.0, math.nan], "depths .* must be > 0"),
    ],
)
def test_a_measured_crater_that_makes_no_sense_is_named(radius, depth, message):
    with pytest.raises(ValueError, match=message):
        measured(radius, depth)
