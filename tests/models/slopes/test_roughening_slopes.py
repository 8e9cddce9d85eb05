"""Slopes of the growth of roughness and of rough interfaces against differences of sixth order."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.roughening import Growth, relief_variance
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.slopes.directions import Directions
from craterfront.models.slopes.roughening_slopes import gained_slopes, relief_slopes
from tests.reference.differences import deviation

ONE_LAYER = LayeredSample(
    np.ones(1), np.ones(1), np.zeros(1, int), np.arange(2), np.ones(2), np.ones(2), np.eye(2)
)
LAWS = {
    law: Growth(law, relative_spread=0.08, grain_nm=15.0, final_nm=1.5, settling_nm=10.0)
    for law in ("none", "statistical", "grains", "saturating")
}


def directions(**slopes):
    """A single one."""
    nothing = Directions.none(ONE_LAYER, Instrument(crater.flat()), 2, 1)
    return replace(nothing, **{name: np.array([value]) for name, value in slopes.items()})


@pytest.mark.parametrize("law", LAWS)
@settings(max_examples=20)
@given(seed=st.integers(0, 10_000))
def test_what_is_gained_in_slices_that_change(law, seed):
    growth, rng = LAWS[law], np.random.default_rng(seed)
    depth, thickness = np.arange(6.0) * 4.0, rng.uniform(1.0, 4.0, 6)
    numbers = depth, thickness, thickness * rng.uniform(40.0, 100.0, 6)
    moves = [rng.normal(size=6) for _ in numbers]

    def gained(by):
        here = (n + by * move for n, move in zip(numbers, moves, strict=True))
        return replace(
            growth,
            relative_spread=np.sqrt(growth.relative_spread**2 + 0.01 * by),
            grain_nm=growth.grain_nm + 2.0 * by,
            final_nm=np.sqrt(growth.final_nm**2 + 0.3 * by),
            settling_nm=growth.settling_nm + by,
        ).gained_nm2(*here)

    along = directions(spread_square=0.01, grain_nm=2.0, final_square_nm2=0.3, settling_nm=1.0)
    slopes = gained_slopes(growth, along, *numbers, *(move[:, None] for move in moves))[:, 0]
    error, _ = deviation(slopes, gained, 0.1)
    assert error < 1e-6


@given(st.floats(0.0, 50.0), st.floats(0.1, 20.0), st.floats(2.0, 40.0))
def test_a_final_roughness_of_none_has_a_slope_by_its_square(depth, thickness, settling):
    """Derived: what is gained is in proportion to the square of the final roughness."""
    growth = Growth("saturating", final_nm=0.0, settling_nm=settling)
    arguments = np.array([depth]), np.array([thickness]), np.ones(1)
    still = np.zeros((1, 1))
    slope = gained_slopes(growth, directions(final_square_nm2=1.0), *arguments, *[still] * 3)
    expected = replace(growth, final_nm=1.0).gained_nm2(*arguments)
    assert slope[:, 0] == pytest.approx(expected, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("law", ["grains", "saturating"])
def test_slices_and_their_slopes_add_up(law):
    """What two halves gain is what the whole does, also by the numbers of the law."""
    growth = LAWS[law]
    along = directions(spread_square=1.0, grain_nm=1.0, final_square_nm2=1.0, settling_nm=1.0)

    def of(depth, thickness):
        depth, thickness = np.array(depth), np.array(thickness)
        still = np.zeros((depth.size, 1))
        return gained_slopes(growth, along, depth, thickness, thickness, *[still] * 3).sum()

    assert of([3.0, 5.0], [2.0, 4.0]) == pytest.approx(of([3.0], [6.0]), rel=1e-12)


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.integers(1, 5))
def test_the_spread_that_rough_interfaces_add(seed, count):
    rng = np.random.default_rng(seed)
    planes = np.cumsum(rng.uniform(4.0, 20.0, count))
    depth = rng.uniform(0.0, 1.3 * planes[-1], 12)
    numbers = depth, planes, rng.uniform(0.1, 1.0, count), rng.uniform(1.0, 10.0, count + 1)
    moves = [rng.normal(size=n.size) for n in numbers]

    def variance(by):
        return relief_variance(*(n + by * m for n, m in zip(numbers, moves, strict=True)))

    slopes = relief_slopes(*numbers, *(move[:, None] for move in moves))[:, 0]
    error, apart = deviation(slopes, variance, 0.01)
    assume(apart < 1e-7)  # a depth where the thickness begins to change sees a kink
    assert error < 1e-6
