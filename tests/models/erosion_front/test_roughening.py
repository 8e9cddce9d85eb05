"""How the spread of depth grows, and that it is carried in doses."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.erosion_front.roughening import LAWS, Growth, dose_spread

DENSITY = 64.0  # a monolayer of 0.25 nm


def uniform(law, depth_nm, rate_nm=2.0, slices=500, *, initial_nm=0.0, spread=0.05, grain_nm=20.0):
    """Spread in nm at the end of a uniform sample."""
    thickness = np.full(slices, depth_nm / slices)
    growth = Growth(law, spread, grain_nm, final_nm=3.0, settling_nm=25.0)
    sigma = dose_spread(
        DENSITY * thickness, thickness, thickness / rate_nm, 1.0 / rate_nm, growth, initial_nm
    )
    return float(sigma[-1]) * rate_nm


@pytest.mark.derived
def test_statistical_growth_is_a_poisson_spread_of_monolayers():
    """Source: sequential layer sputtering, sigma = sqrt(d z): A. Benninghoven, Z. Phys. 230 (1970)
    403 (from memory); 5 nm at 100 nm for d = 0.25 nm."""
    assert uniform("statistical", 100.0) == pytest.approx(5.0, rel=1e-3)


@pytest.mark.derived
def test_statistical_growth_against_drawn_monolayers():
    # Derived: on a site of one atom per layer, Z/d atoms have left after Z on average; Poisson.
    rng = np.random.default_rng(1)
    removed_nm = 0.25 * rng.poisson(100.0 / 0.25, 40_000)
    assert uniform("statistical", 100.0) == pytest.approx(removed_nm.std(), rel=0.02)


def test_grains_against_drawn_grains():
    # Derived: 20 grains of 20 nm one after the other, each with its own yield: the time that a
    # column needs scatters by spread * grain / rate * sqrt(20).
    rng = np.random.default_rng(2)
    times = (20.0 / 2.0 * (1.0 + 0.05 * rng.standard_normal((20_000, 20)))).sum(axis=1)
    assert uniform("grains", 400.0) == pytest.approx(2.0 * times.std(), rel=0.02)


@given(st.floats(1, 1000), st.floats(1, 9))
def test_growth_with_depth(depth_nm, factor):
    for law, power in (("statistical", 0.5), ("grains", 0.5), ("columns", 1.0)):
        ratio = uniform(law, factor * depth_nm) / uniform(law, depth_nm)
        assert ratio == pytest.approx(factor**power, rel=1e-9)


@given(st.floats(1, 1000), st.floats(0.001, 0.3))
def test_a_grain_as_large_as_the_depth_is_a_column(depth_nm, spread):
    grains = uniform("grains", depth_nm, spread=spread, grain_nm=depth_nm)
    assert grains == pytest.approx(uniform("columns", depth_nm, spread=spread), rel=1e-9)


@given(st.floats(1, 1000))
def test_monolayers_that_leave_or_stay_at_random_are_grains_of_one_monolayer(depth_nm):
    # Derived: the time to remove one is exponential, of a relative standard deviation of 1.
    grains = uniform("grains", depth_nm, spread=1.0, grain_nm=0.25)
    assert grains == pytest.approx(uniform("statistical", depth_nm), rel=1e-9)


@given(st.floats(1, 1000), st.floats(0.01, 100), st.sampled_from(LAWS))
def test_a_faster_source_changes_no_depth(depth_nm, rate_nm, law):
    assert uniform(law, depth_nm, rate_nm) == pytest.approx(uniform(law, depth_nm), rel=1e-9)


@given(st.floats(1, 1000), st.floats(0.001, 0.3), st.floats(1, 5))
def test_a_spread_of_rates_counts_in_proportion(depth_nm, spread, factor):
    for law in ("grains", "columns"):
        once = uniform(law, depth_nm, spread=spread)
        assert uniform(law, depth_nm, spread=factor * spread) == pytest.approx(factor * once)


@given(st.floats(0.1, 1000), st.floats(0, 20))
def test_nothing_grows_without_a_law(depth_nm, initial_nm):
    assert uniform("none", depth_nm, initial_nm=initial_nm) == pytest.approx(initial_nm)


@pytest.mark.parametrize("law", LAWS)
def test_the_start_adds_in_quadrature(law):
    grown = uniform(law, 100.0)
    assert uniform(law, 100.0, initial_nm=3.0) == pytest.approx(math.hypot(3.0, grown), rel=1e-9)


def test_columns_spread_in_proportion_to_the_dose():
    # Derived: a column whose yield is 5 % above the mean is 5 % ahead, whatever the layers are.
    thickness = np.array([10.0, 5.0, 20.0])
    dose = np.array([5.0, 50.0, 4.0])
    sigma = dose_spread(64 * thickness, thickness, dose, 0.5, Growth("columns", 0.05), 0.0)
    assert sigma == pytest.approx([0.0, 0.25, 2.75, 2.95], rel=1e-12)


@st.composite
def stacks(draw):
    slices = draw(st.integers(2, 30))
    thickness = draw(st.lists(st.floats(0.01, 10), min_size=slices, max_size=slices))
    per_nm = draw(st.lists(st.floats(0.05, 20), min_size=slices, max_size=slices))
    density = draw(st.lists(st.floats(20, 150), min_size=slices, max_size=slices))
    return np.array(density) * thickness, np.array(thickness), np.array(thickness) * per_nm


def law_of(law):
    return Growth(law, relative_spread=0.1, grain_nm=30.0, final_nm=2.0, settling_nm=15.0)


@given(stacks(), st.sampled_from(LAWS), st.sampled_from([0.0, 0.1, 5.0]))
def test_the_spread_never_decreases(stack, law, initial_nm):
    # A column that is ahead by a dose stays ahead, however slowly the next layer erodes.
    sigma = dose_spread(*stack, 1.0, law_of(law), initial_nm)
    assert np.all(np.diff(sigma) >= 0.0)
    assert sigma[0] >= initial_nm * (1 - 1e-12)


@given(stacks(), st.sampled_from(LAWS))
def test_a_slice_may_be_split(stack, law):
    atoms, thickness, dose = stack
    once = dose_spread(atoms, thickness, dose, 1.0, law_of(law), 1.0)
    halves = [np.repeat(0.5 * x, 2) for x in (atoms, thickness, dose)]
    twice = dose_spread(*halves, 1.0, law_of(law), 1.0)
    assert twice[0::2] == pytest.approx(once, rel=1e-9)


def test_roughness_saturates():
    # Derived: 3 nm (1 - exp(-z / 25 nm)); linear at first, constant at last.
    assert uniform("saturating", 0.1) == pytest.approx(3.0 * 0.1 / 25.0, rel=3e-3)
    assert uniform("saturating", 25.0) == pytest.approx(3.0 * (1.0 - math.exp(-1.0)), rel=1e-9)
    assert uniform("saturating", 1000.0) == pytest.approx(3.0, rel=1e-9)


def test_an_unknown_law_is_named():
    with pytest.raises(ValueError, match="unknown law of roughness growth 'linear': one of none"):
        uniform("linear", 10.0)
