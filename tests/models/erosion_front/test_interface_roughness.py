"""Rough buried interfaces: what their heights do to the arrival of what lies above and below."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr, ndtri

from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.roughening import relief_variance
from craterfront.models.instrument import Instrument
from craterfront.models.interfaces.transitions import ERF, EXPONENTIAL_BELOW
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.engine import run
from craterfront.models.quick_engine.slice_plan import plan

DENSITY = 50.0
FLAT = Instrument(crater.flat())


def sample_of(thickness_nm, rate_nm_s, relief_nm, width_nm=0.0, shape=ERF):
    """Layers of one density, each of a material of its own."""
    count = len(thickness_nm)
    return LayeredSample(
        thickness_nm=np.array(thickness_nm, dtype=float),
        width_nm=np.full(count, width_nm),
        shape=np.full(count, shape),
        material=np.arange(count + 1),
        atomic_density_per_nm3=np.full(count + 1, DENSITY),
        rate_nm_s=np.array(rate_nm_s, dtype=float),
        composition=np.eye(count + 1),
        relief_nm=np.array(relief_nm, dtype=float),
    )


def collected(sample, time_s, instrument=FLAT):
    """What each interval collects of each material, as depth at its own rate [nm]."""
    count = sample.rate_nm_s.size
    projection = np.broadcast_to(np.eye(count), (count, count, count))
    slices = plan(sample, instrument, time_s, refine=2.0)
    return run(sample, instrument, time_s, projection, slices).signal / DENSITY


def drawn(sample, time_s, count=20_000, seed=4):
    """The same from columns drawn one by one, whose layers erode at their rates."""
    rng = np.random.default_rng(seed)
    planes = np.cumsum(sample.thickness_nm)
    planes = planes + sample.relief_nm * rng.standard_normal((count, planes.size))
    thickness = np.diff(planes, prepend=0.0, axis=1)
    assert thickness.min() > 0.0
    ends = np.cumsum(thickness / sample.rate_nm_s[:-1], axis=1)
    starts = np.column_stack([np.zeros(count), ends])
    ends = np.column_stack([ends, np.full(count, np.inf)])
    spent = [
        np.clip(time_s[:, None] - a, 0.0, b - a).mean(axis=1)
        for a, b in zip(starts.T, ends.T, strict=True)
    ]
    return np.diff(np.array(spent), axis=1).T * sample.rate_nm_s


def edge_s(time_s, upper):
    """Mean and standard deviation of the time at which the signal of the top layer ends."""
    edge = -np.diff(upper) / upper[:20].mean()
    inner = time_s[1:-1]
    mean = edge @ inner
    # Differences of means over intervals are wider than the edge by 1/6 of an interval squared.
    return mean, math.sqrt(edge @ (inner - mean) ** 2 - (time_s[1] - time_s[0]) ** 2 / 6.0)


# --- variance of the arrival --------------------------------------------------------------------


@st.composite
def stacks(draw, least=1):
    count = draw(st.integers(least, 5))
    lists = {"min_size": count, "max_size": count}
    planes = np.cumsum(draw(st.lists(st.floats(1, 100), **lists)))
    relief = np.array(draw(st.lists(st.one_of(st.just(0.0), st.floats(0.01, 10)), **lists)))
    rate = np.array(draw(st.lists(st.floats(0.1, 20), min_size=count + 1, max_size=count + 1)))
    return planes, relief, rate


@given(stacks())
def test_at_the_interfaces_it_is_that_of_independent_heights(stack):
    """Derived: the arrival at interface j is the sum over i <= j of (h_i - h_{i-1}) / r_i."""
    planes, relief, rate = stack
    for j, plane in enumerate(planes):
        weights = 1.0 / rate[: j + 1]
        weights[:-1] -= 1.0 / rate[1 : j + 1]
        expected = np.sum((weights * relief[: j + 1]) ** 2)
        found = relief_variance(np.array([plane]), planes, relief, rate)[0]
        assert found == pytest.approx(expected, rel=1e-9, abs=1e-15)


@given(stacks(), st.floats(0.1, 20))
def test_at_one_rate_only_the_neighbouring_interfaces_are_seen(stack, rate):
    # Derived: (h / r)^2 at an interface itself, and nothing at any other.
    planes, relief, _ = stack
    found = relief_variance(planes, planes, relief, np.full(planes.size + 1, rate))
    assert found == pytest.approx((relief / rate) ** 2, rel=1e-9, abs=1e-15)


@given(stacks())
def test_the_surface_is_flat_and_the_substrate_ends_nothing(stack):
    planes, relief, rate = stack
    assert relief_variance(np.zeros(1), planes, relief, rate)[0] == 0.0
    deep = relief_variance(planes[-1] + np.array([0.0, 1.0, 1e4]), planes, relief, rate)
    assert np.ptp(deep) == 0.0


@given(stacks(), st.floats(0, 1))
def test_it_changes_nowhere_suddenly(stack, share):
    planes, relief, rate = stack
    close = planes + np.array([[-1e-9], [1e-9]])
    above, below = (relief_variance(depth, planes, relief, rate) for depth in close)
    assert above == pytest.approx(below, rel=1e-5, abs=1e-6)
    anywhere = relief_variance(share * planes, planes, relief, rate)
    assert np.all(anywhere >= 0.0)


@given(stacks(), st.floats(0.1, 10), st.floats(0.1, 10))
def test_units_do_not_matter(stack, length, time):
    planes, relief, rate = stack
    once = relief_variance(0.7 * planes, planes, relief, rate)
    other = relief_variance(
        0.7 * length * planes, length * planes, length * relief, length / time * rate
    )
    assert other == pytest.approx(time**2 * once, rel=1e-9, abs=1e-12)


@given(stacks(least=2))
def test_independent_interfaces_add(stack):
    planes, relief, rate = stack
    depth = np.linspace(0.0, 1.2 * planes[-1], 30)
    first = np.arange(relief.size) == 0
    parts = [
        relief_variance(depth, planes, np.where(m, relief, 0.0), rate) for m in (first, ~first)
    ]
    whole = relief_variance(depth, planes, relief, rate)
    # Two rough neighbours share the layer between them: their offsets there are independent.
    assert whole == pytest.approx(sum(parts), rel=1e-9, abs=1e-15)


# --- signals ------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_below", [1.0, 5.0, 10.0, 30.0])
@pytest.mark.parametrize("relief_nm", [0.5, 3.0])
def test_one_rough_interface_is_a_normal_edge_whatever_lies_below(relief_nm, rate_below):
    # Derived: the share of columns that have not reached the interface, at (80 + height) / 10 s.
    time_s = np.linspace(0.0, 16.0, 3201)
    signal = collected(sample_of([80.0], [10.0, rate_below], [relief_nm]), time_s)
    per_s = signal / np.diff(time_s)[:, None]
    sharp = relief_nm / 10.0
    left = sharp * np.array([_passed((t - 8.0) / sharp) for t in time_s])
    share = np.diff(left) / np.diff(time_s)
    assert per_s[:, 1] == pytest.approx(rate_below * share, abs=1e-3 * rate_below)
    assert per_s[:, 0] == pytest.approx(10.0 * (1.0 - share), abs=1e-2)
    mean, deviation = edge_s(time_s, per_s[:, 0])
    assert mean == pytest.approx(8.0, rel=1e-5)
    assert deviation == pytest.approx(sharp, rel=(relief_nm / 80.0) ** 2 + 1e-3)


def _passed(u):
    """Integral of the normal distribution function up to u."""
    return u * float(ndtr(u)) + math.exp(-0.5 * u * u) / math.sqrt(2.0 * math.pi)


@pytest.mark.parametrize(
    ("thickness_nm", "rate_nm_s", "relief_nm"),
    [
        ([80.0, 60.0], [10.0, 10.0, 10.0], [4.0, 0.0]),
        ([80.0, 60.0], [10.0, 3.0, 8.0], [4.0, 0.0]),
        ([60.0, 80.0, 60.0], [5.0, 15.0, 8.0, 2.0], [3.0, 2.0, 4.0]),
    ],
)
def test_the_interfaces_below_are_those_of_drawn_columns(thickness_nm, rate_nm_s, relief_nm):
    sample = sample_of(thickness_nm, rate_nm_s, relief_nm)
    end_s = 1.4 * np.sum(sample.thickness_nm / sample.rate_nm_s[:-1])
    time_s = np.linspace(0.0, end_s, 601)
    per_s = np.diff(time_s)[:, None]
    signal, expected = (f(sample, time_s) / per_s for f in (collected, drawn))
    # 20,000 columns know a share to 0.0035; the model errs by (relief / thickness)^2.
    most = 4 * 0.0035 + (np.max(relief_nm) / min(thickness_nm)) ** 2
    assert signal == pytest.approx(expected, abs=most * sample.rate_nm_s.max())


def test_a_flat_interface_below_a_rough_one_stays_sharp():
    # Derived: at one rate all columns arrive there together.
    sample = sample_of([80.0, 60.0], [10.0, 10.0, 10.0], [4.0, 0.0])
    time_s = np.linspace(0.0, 20.0, 2001)
    substrate = collected(sample, time_s)[:, 2] / 0.1
    assert substrate[time_s[1:] <= 13.99] == pytest.approx(0.0, abs=1e-3)
    assert substrate[time_s[:-1] >= 14.01] == pytest.approx(1.0, abs=1e-3)


@settings(max_examples=20)
@given(
    st.lists(st.floats(5, 80), min_size=3, max_size=3),
    st.lists(st.floats(0, 0.25), min_size=3, max_size=3),
    st.lists(st.floats(1, 20), min_size=4, max_size=4),
)
def test_heights_move_no_atoms(thickness_nm, shares, rate_nm_s):
    thickness = np.array(thickness_nm)
    sample = sample_of(thickness, rate_nm_s, np.array(shares) * thickness)
    nominal_s = float(np.sum(thickness / sample.rate_nm_s[:-1]))
    spread_s = float(np.sum(sample.relief_nm) / min(rate_nm_s))
    signal = collected(sample, np.linspace(0.0, 1.5 * nominal_s + 12.0 * spread_s, 200))
    assert signal.sum(axis=0)[:-1] == pytest.approx(thickness, rel=1e-8)


@pytest.mark.parametrize("shape", [ERF, EXPONENTIAL_BELOW])
def test_at_one_rate_roughness_widens_a_transition_as_a_convolution(shape):
    """Derived: variances of independent shifts add; a flat one of 2 sd gives the same Gaussian."""
    time_s = np.linspace(0.0, 16.0, 1601)
    rates = [10.0, 10.0]
    if shape == ERF:
        rough = collected(sample_of([80.0], rates, [2.0], width_nm=3.0), time_s)
        flat = collected(sample_of([80.0], rates, [0.0], width_nm=5.0), time_s)
        assert rough == pytest.approx(flat, abs=2e-3 * flat.max())
    both = collected(sample_of([80.0], rates, [2.0], 3.0, shape), time_s)[:, 0]
    alone = collected(sample_of([80.0], rates, [0.0], 3.0, shape), time_s)[:, 0]
    expected = math.hypot(0.2, edge_s(time_s, alone)[1])
    assert edge_s(time_s, both)[1] == pytest.approx(expected, rel=5e-3)


def test_it_adds_to_the_roughness_of_the_outer_surface():
    # Derived: independent shifts of one arrival, 0.3 and 0.4 s.
    time_s = np.linspace(0.0, 16.0, 3201)
    sample = sample_of([80.0], [10.0, 25.0], [4.0])
    signal = collected(sample, time_s, replace(FLAT, initial_nm=3.0))
    assert edge_s(time_s, signal[:, 0])[1] == pytest.approx(0.5, rel=3e-3)


def test_what_is_viewed_is_the_share_of_columns():
    # Derived: with no depth of view, the share of the area below the interface.
    time_s = np.linspace(0.0, 16.0, 401)
    sample = sample_of([80.0], [10.0, 3.0], [4.0])
    projection = np.broadcast_to(np.eye(2), (2, 2, 2))
    viewed = replace(FLAT, view="viewed", timing="cycle")
    signal = run(sample, viewed, time_s, projection).signal
    assert signal[:, 1] == pytest.approx(ndtr((10.0 * time_s - 80.0) / 4.0), abs=3e-3)


def test_half_a_layer_has_lost_half_of_what_it_lacks():
    # Derived: half-way through a layer of 60 nm below an interface that lies x deep.
    x = 3.0 * ndtri((np.arange(100_000) + 0.5) / 100_000)
    late_s = (80.0 + x) / 10.0 + 0.5 * (60.0 - x) / 4.0
    found = relief_variance(
        np.array([110.0]), np.array([80.0, 140.0]), np.array([3.0, 0.0]), np.array([10.0, 4.0, 1.0])
    )
    assert found[0] == pytest.approx(late_s.var(), rel=1e-3)
