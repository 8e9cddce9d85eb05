"""Craters from stylus traces: invented ones whose mean depth is known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from craterfront.models.erosion_front.crater import measured, parabolic
from craterfront.models.erosion_front.stylus import stylus_crater
from craterfront.models.validity import ValidityWarning

X = np.linspace(-4.0, 4.0, 1601)
RADIUS = 2.0


def trace(x=X, depth=10.0, curvature=0.1, centre=0.0, tilt=0.0, noise=0.0, seed=0, memory=1):
    """A paraboloid with steep walls; its mean depth over radius 2 mm is `depth` (physics of g)."""
    r = np.abs(x - centre)
    floor = depth * (1.0 + curvature * (0.5 - (r / RADIUS) ** 2))
    wall = np.clip((RADIUS + 0.06 - r) / 0.02, 0.0, 1.0)
    z = -floor * wall + tilt * x + 0.3
    if noise:
        white = np.random.default_rng(seed).normal(size=x.size + memory - 1)
        z = z + noise * np.convolve(white, np.ones(memory), "valid") / memory**0.5
    return z


def test_a_clean_paraboloid_is_found():
    found = stylus_crater(X, trace(), RADIUS)
    assert found.mean_depth_um == pytest.approx(10.0, rel=2e-5)
    assert found.curvature == pytest.approx(0.1, rel=1e-3)
    assert found.edges_mm == pytest.approx((-2.05, 2.05), abs=0.01)
    assert found.u_um < 1e-3


def test_its_shape_is_the_crater_that_the_engine_takes():
    """Rates at the ends of the pieces are those of the paraboloid."""
    found = stylus_crater(X, trace(), RADIUS)
    segments = measured(found.radius_mm, found.depth_um)
    ends = parabolic(0.1)[0, :2]
    assert sorted([segments[0, 0], segments[-1, 1]]) == pytest.approx(sorted(ends), rel=2e-3)


@settings(max_examples=25)
@given(st.floats(-0.5, 0.5), st.floats(-0.2, 0.2), st.floats(-0.3, 0.3), st.floats(0.1, 100.0))
def test_tilt_place_and_size_do_not_matter(tilt, centre, curvature, depth):
    z = trace(depth=depth, curvature=curvature, centre=centre, tilt=tilt)
    found = stylus_crater(X, z, RADIUS)
    assert found.mean_depth_um == pytest.approx(depth, rel=1e-3)
    assert found.centre_mm == pytest.approx(centre, abs=0.01)


@given(st.integers(0, 1000))
@settings(max_examples=15)
def test_a_mirrored_trace_gives_the_same(seed):
    z = trace(noise=0.05, seed=seed, tilt=0.1)
    found, mirrored = stylus_crater(X, z, RADIUS), stylus_crater(-X[::-1], z[::-1], RADIUS)
    assert mirrored.mean_depth_um == pytest.approx(found.mean_depth_um, rel=1e-9)
    assert mirrored.u_um == pytest.approx(found.u_um, rel=1e-6)
    assert mirrored.curvature == pytest.approx(found.curvature, rel=1e-6)


@pytest.mark.parametrize("memory", [1, 15])
def test_the_standard_uncertainty_is_that_of_repeated_traces(memory):
    """Deviations from the truth over their u scatter by 1, also where noise is correlated."""
    found = [
        stylus_crater(X, trace(noise=0.1, seed=seed, memory=memory), RADIUS) for seed in range(150)
    ]
    ratio = np.array([(each.mean_depth_um - 10.0) / each.u_um for each in found])
    assert abs(ratio.mean()) < 0.3
    assert 0.6 < np.sqrt(np.mean(ratio**2)) < 1.25
    bends = np.array([(each.curvature - 0.1) / each.curvature_u for each in found])
    assert 0.5 < np.median(np.abs(bends)) / 0.6745 < 1.4


def test_the_scale_counts_in_proportion():
    found = stylus_crater(X, trace(), RADIUS, scale_u_rel=0.01)
    assert found.parts_um["scale"] == pytest.approx(0.1, rel=1e-4)
    assert found.u_um == pytest.approx(0.1, rel=1e-3)


def test_a_slanted_floor_is_asymmetry():
    """Depth 1 + a x: the halves differ by 2 a times the mean of r over the area, 2 R / 3."""
    z = trace(curvature=0.0) - 0.1 * X * (np.abs(X) < RADIUS)
    found = stylus_crater(X, z, RADIUS)
    assert found.mean_depth_um == pytest.approx(10.0, rel=1e-3)
    assert found.parts_um["asymmetry"] == pytest.approx(0.1 * 2.0 * RADIUS / 3.0, rel=0.02)


def test_dust_and_a_rim_do_not_lift_the_surface():
    z = trace(noise=0.02)
    z[[50, 51, 1500]] += 5.0
    z += 1.5 * np.exp(-(((np.abs(X) - 2.15) / 0.05) ** 2))
    assert stylus_crater(X, z, RADIUS).mean_depth_um == pytest.approx(10.0, abs=0.03)


@pytest.mark.parametrize(("radius", "reaches"), [(None, 2.05), (2.05, 2.05), (2.5, 2.5)])
def test_an_area_with_the_wall_in_it_is_told(radius, reaches):
    """The wall of the trace begins 2.04 mm from the centre; by default the area ends in it."""
    with pytest.warns(ValidityWarning, match="a part of the crater's wall, which begins 2.0"):
        found = stylus_crater(X, trace(), radius)
    assert found.area_radius_mm == pytest.approx(reaches, abs=0.01)


def test_a_shape_with_the_wall_in_it_does_not_ring():
    """Derived: between the depths of the pieces beside it a node is off by what one piece falls."""
    with pytest.warns(ValidityWarning, match="wall"):
        found = stylus_crater(X, trace(), 2.05)
    floor = 10.0 * (1.0 + 0.1 * (0.5 - (found.radius_mm / RADIUS) ** 2))
    fall = floor[0] - floor[1]
    assert found.depth_um[:-1] == pytest.approx(floor[:-1], abs=fall)
    assert found.depth_um[-1] < floor[-1] - fall


@pytest.mark.parametrize(
    ("x", "z", "message"),
    [
        (X[:20], trace(X[:20]), "at least 50 points"),
        (X[::-1], trace(), "x_mm must increase"),
        (X, 0.0 * X, "no crater with surface on both sides"),
        (
            X[400:],
            trace(X[400:]),
            "no crater with surface|points of surface on the left|no straight line",
        ),
    ],
)
def test_what_is_no_trace_of_a_crater(x, z, message):
    with pytest.raises(ValueError, match=message):
        stylus_crater(x, z, RADIUS)


@pytest.mark.parametrize(("radius", "u"), [(-1.0, 0.0), (1.0, -0.1)])
def test_wrong_arguments(radius, u):
    with pytest.raises(ValueError, match="must be >"):
        stylus_crater(X, trace(), radius, u)
