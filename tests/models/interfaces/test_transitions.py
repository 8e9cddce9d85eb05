"""Transitions: volume fractions that sum to one and hold exactly the thickness asked for."""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ndtr, ndtri

from craterfront.models.interfaces.diffusion_profiles import (
    diffusion_thickness_nm,
    diffusion_width_nm,
)
from craterfront.models.interfaces.transition_tables import TransitionTable, stacked
from craterfront.models.interfaces.transitions import (
    CONSTANT_SOURCE,
    ERF,
    EXPONENTIAL_ABOVE,
    EXPONENTIAL_BELOW,
    EXPONENTIAL_WIDTH_PER_LENGTH,
    LIMITED_SOURCE,
    LINEAR,
    LINEAR_WIDTH_PER_LENGTH,
    LOGISTIC,
    LOGISTIC_WIDTH_PER_LENGTH,
    SHAPES,
    TABULATED,
    interface_planes_nm,
    slice_fractions,
    steepest_sd_nm,
    support_nm,
    transition_variance_nm2,
)

STEPS = TransitionTable.of([3.0, 4.0, 9.0, 9.5, 14.0], [0.0, 0.3, 0.35, 0.9, 1.0])
RAMP = TransitionTable.of([-1.0, 1.0], [0.0, 1.0])
TABLES = stacked([STEPS, RAMP])
ALL_SHAPES = range(len(SHAPES) + len(TABLES))


@st.composite
def interfaces(draw, most=5):
    """Thicknesses, widths and shapes, from sharp to far wider than the layers."""
    count = draw(st.integers(1, most))
    thickness = draw(st.lists(st.floats(0.2, 300), min_size=count, max_size=count))
    width = draw(
        st.lists(st.one_of(st.just(0.0), st.floats(0.01, 60)), min_size=count, max_size=count)
    )
    shape = draw(st.lists(st.sampled_from(ALL_SHAPES), min_size=count, max_size=count))
    return np.array(thickness), np.array(width), np.array(shape)


def sample_edges(planes, width, shape, per_width=40):
    """Slice edges down to where all is substrate, fine wherever an interface is not flat."""
    above, below = support_nm(width, shape, TABLES)
    end = max(float((planes + below).max()), 0.0) + 1.0
    cuts = [np.array([0.0, end]), planes]
    for plane, up, down, w in zip(planes, above, below, width, strict=True):
        if w > 0:
            count = math.ceil(per_width * (up + down) / (10 * w)) + 1
            cuts.append(np.linspace(plane - up, plane + down, count))
    edges = np.unique(np.concatenate(cuts))
    return edges[(edges >= 0.0) & (edges <= end)]


def one_transition(depth_nm, width_nm, shape, plane_nm=0.0):
    """T at the given depths: the substrate's share in slices far thinner than the width."""
    half = 1e-7
    edges = np.column_stack([depth_nm - half, depth_nm + half]).ravel()
    fractions = slice_fractions(
        edges, np.array([plane_nm]), np.array([width_nm]), np.array([shape]), TABLES
    )
    return fractions[::2, 1]


@settings(max_examples=60)
@given(interfaces())
def test_every_layer_holds_its_thickness_however_interfaces_overlap(case):
    thickness, width, shape = case
    planes = interface_planes_nm(thickness, width, shape, TABLES)
    edges = sample_edges(planes, width, shape)
    held = np.diff(edges) @ slice_fractions(edges, planes, width, shape, TABLES)
    assert held[:-1] == pytest.approx(thickness, abs=1e-9 * thickness.sum())


@settings(max_examples=40)
@given(interfaces(), st.floats(0.02, 50), st.floats(0.0, 1.0))
@example((np.array([1.0, 1.0]), np.array([0.0, 0.25]), np.array([ERF, ERF])), 1.0, 0.0)
@example((np.array([9.0]), np.array([0.1]), np.array([EXPONENTIAL_ABOVE])), 4.0, 0.3)
def test_slices_of_any_thickness_hold_what_the_layers_hold(case, step_nm, offset):
    # Wherever the spread of depth is wide, slices are far thicker than a narrow interface.
    thickness, width, shape = case
    planes = interface_planes_nm(thickness, width, shape, TABLES)
    _, below = support_nm(width, shape, TABLES)
    end = float((planes + below).max()) + 1.0
    step_nm = max(step_nm, end / 5000)
    edges = np.append(0.0, np.arange(step_nm * (0.1 + offset), end + 2 * step_nm, step_nm))
    held = np.diff(edges) @ slice_fractions(edges, planes, width, shape, TABLES)
    assert held[:-1] == pytest.approx(thickness, abs=1e-9 * thickness.sum())


@settings(max_examples=30)
@given(interfaces(), st.floats(0.1, 5))
def test_fractions_are_shares_that_sum_to_one(case, step_nm):
    thickness, width, shape = case
    planes = interface_planes_nm(thickness, width, shape, TABLES)
    edges = np.arange(0.0, thickness.sum() + 60.0, step_nm)
    fractions = slice_fractions(edges, planes, width, shape, TABLES)
    assert fractions.min() >= 0.0
    assert fractions.max() <= 1.0 + 1e-12
    assert fractions.sum(axis=1) == pytest.approx(np.ones(edges.size - 1), abs=1e-12)


@pytest.mark.parametrize("shape", ALL_SHAPES)
def test_one_layer_agrees_with_adaptive_quadrature(shape):
    # Independent of the package: T written out here, the integral by scipy.
    thickness, width = np.array([4.0]), np.array([9.0])
    plane = float(interface_planes_nm(thickness, width, np.array([shape]), TABLES)[0])
    length = 9.0 / math.log(ndtr(1.0) / ndtr(-1.0))
    ramp = 9.0 / (ndtr(1.0) - ndtr(-1.0))
    # The table's mean depth, by its uniform pieces: (0.3 * 3.5 + 0.05 * 6.5 + ...) / 1.
    position, share = np.array([3.0, 4.0, 9.0, 9.5, 14.0]), np.array([0.0, 0.3, 0.35, 0.9, 1.0])
    middle = 0.3 * 3.5 + 0.05 * 6.5 + 0.55 * 9.25 + 0.1 * 11.75

    def above(z):
        x = z - plane
        if shape == ERF:
            return float(ndtr(-x / 4.5))
        if shape == LINEAR:
            return float(np.clip(0.5 - x / ramp, 0.0, 1.0))
        if shape == CONSTANT_SOURCE:
            # Derived: (1 + Phi(x)) / 2 quantiles; the mean of a half-normal is sqrt(2/pi).
            sd = 9.0 / np.diff(ndtri(0.5 + 0.5 * ndtr([-1.0, 1.0])))[0]
            return math.erfc(max(x / sd + math.sqrt(2.0 / math.pi), 0.0) / math.sqrt(2.0))
        if shape == LIMITED_SOURCE:
            sd = 9.0 / np.diff(np.sqrt(-2.0 * np.log(ndtr([1.0, -1.0]))))[0]
            return math.exp(-0.5 * max(x / sd + math.sqrt(math.pi / 2.0), 0.0) ** 2)
        if shape == LOGISTIC:
            return 1.0 / (1.0 + math.exp(2.0 * x / length))
        if shape == TABULATED:
            return float(np.interp(x / (9.0 / STEPS.width_nm), position - middle, 1.0 - share))
        if shape == TABULATED + 1:
            return float(np.clip(0.5 - x / ramp, 0.0, 1.0))
        if shape == EXPONENTIAL_BELOW:
            return math.exp(-(x + length) / length) if x > -length else 1.0
        return -math.expm1((x - length) / length) if x < length else 0.0

    kinks = [plane - length, plane - ramp / 2, plane, plane + ramp / 2, plane + length]
    kinks += list(plane + (position - middle) * 9.0 / STEPS.width_nm)
    held, _ = quad(above, 0.0, 400.0, points=[k for k in kinks if k > 0], limit=400, epsabs=1e-12)
    assert held == pytest.approx(4.0, abs=1e-9)


@given(interfaces(), st.floats(20, 200))
def test_planes_of_interfaces_that_do_not_overlap_are_running_sums(case, spare_nm):
    _, width, shape = case
    above, below = support_nm(width, shape, TABLES)
    thickness = above + np.append(0.0, below[:-1]) + spare_nm
    planes = interface_planes_nm(thickness, width, shape, TABLES)
    assert planes == pytest.approx(np.cumsum(thickness), rel=1e-12)


@settings(max_examples=30)
@given(interfaces(most=3), st.floats(1.01, 1.3))
def test_a_thicker_layer_moves_its_interface_down(case, factor):
    thickness, width, shape = case
    planes = interface_planes_nm(thickness, width, shape, TABLES)
    thicker = thickness.copy()
    thicker[0] *= factor
    assert interface_planes_nm(thicker, width, shape, TABLES)[0] > planes[0]


@pytest.mark.parametrize("shape", ALL_SHAPES)
@settings(max_examples=30)
@given(width_nm=st.floats(0.1, 100))
def test_the_width_lies_between_the_levels_of_one_standard_deviation(shape, width_nm):
    # ISO 18115-1: depth range over which the signal changes by a specified amount; here from
    # Phi(-1) to Phi(+1), two standard deviations of a Gaussian edge.
    depth = np.linspace(-3 * width_nm, 3 * width_nm, 24001)
    share = one_transition(depth, width_nm, shape)
    rising = (share > 1e-9) & (share < 1 - 1e-9)
    low, high = np.interp([ndtr(-1.0), ndtr(1.0)], share[rising], depth[rising])
    assert high - low == pytest.approx(width_nm, rel=1e-5)


@pytest.mark.parametrize("shape", ALL_SHAPES)
@settings(max_examples=10)
@given(width_nm=st.floats(0.1, 100))
def test_the_variance_is_that_of_the_derivative(shape, width_nm):
    # Derived: integrating by parts, the variance of T' about its mean 0 (plane at equal area) is
    # 2 int x (H(x) - T(x)) dx with the step H.
    above, below = support_nm(np.array([width_nm]), np.array([shape]), TABLES)
    edges = np.unique(np.append(np.linspace(-above[0], below[0], 6001), 0.0))
    middle = 0.5 * (edges[1:] + edges[:-1])
    share = slice_fractions(edges, np.zeros(1), np.array([width_nm]), np.array([shape]), TABLES)[
        :, 1
    ]
    missing = np.where(middle > 0, 1.0, 0.0) - share
    variance = 2.0 * np.sum(middle * missing * np.diff(edges))
    assert np.sum(missing * np.diff(edges)) == pytest.approx(0.0, abs=1e-9 * width_nm)
    assert transition_variance_nm2(width_nm, shape, TABLES) == pytest.approx(variance, rel=2e-5)


def test_widths_of_unit_ramps_and_exponentials():
    # Derived: Phi(1) - Phi(-1) of a ramp; ln(Phi(1)/Phi(-1)) decay lengths of an exponential; of a
    # logistic edge the logits of both levels, +-ln(Phi(1)/Phi(-1)).
    assert pytest.approx(ndtr(1.0) - ndtr(-1.0), rel=1e-14) == LINEAR_WIDTH_PER_LENGTH
    assert math.log(ndtr(1.0) / ndtr(-1.0)) == pytest.approx(EXPONENTIAL_WIDTH_PER_LENGTH)
    assert pytest.approx(2.0 * EXPONENTIAL_WIDTH_PER_LENGTH) == LOGISTIC_WIDTH_PER_LENGTH


def test_a_logistic_edge_has_its_levels():
    # Derived: the share at x scale lengths is 1 / (1 + exp(-x)): 0.731059 at 1, 0.952574 at 3.
    scale = 3.0 / LOGISTIC_WIDTH_PER_LENGTH
    share = one_transition(scale * np.array([-3.0, -1.0, 0.0, 1.0, 3.0]), 3.0, LOGISTIC)
    assert share == pytest.approx([0.047426, 0.268941, 0.5, 0.731059, 0.952574], abs=1e-6)


@given(
    st.lists(st.floats(0.01, 20), min_size=1, max_size=30),
    st.data(),
    st.floats(-100, 100),
    st.floats(0.1, 50),
)
def test_a_table_holds_its_points_at_its_own_width(steps, data, origin_nm, width_nm):
    position = origin_nm + np.append(0.0, np.cumsum(steps))
    rises = np.array(data.draw(st.lists(st.floats(0, 1), min_size=len(steps), max_size=len(steps))))
    rises[data.draw(st.integers(0, len(steps) - 1))] += 1.0
    share = np.append(0.0, np.cumsum(rises)) / rises.sum()
    share = np.minimum(share, 1.0)
    share[-1] = 1.0
    table = TransitionTable.of(position, share)
    low, high = np.interp([ndtr(-1.0), ndtr(1.0)], share, position)
    assert table.width_nm == pytest.approx(high - low, rel=1e-9)
    # As much of the lower layer stands above the plane as of the upper one below it.
    points, x = stacked([table]), table.points[:, 0]
    edges = np.unique(np.append(x * width_nm, 0.0))
    one = np.zeros(1), np.array([width_nm]), np.array([TABULATED])
    held = slice_fractions(edges, *one, points)[:, 1] * np.diff(edges)
    above = held[edges[1:] <= 0].sum()
    below = (np.diff(edges) - held)[edges[1:] > 0].sum()
    assert above == pytest.approx(below, abs=1e-9 * width_nm * (x[-1] - x[0]))
    # Derived: straight lines, so each piece holds the mean of the shares at its ends.
    pieces = slice_fractions(x * width_nm, *one, points)[:, 1]
    assert pieces == pytest.approx(0.5 * (share[1:] + share[:-1]), abs=1e-9)


def test_the_table_of_a_ramp_is_the_linear_transition():
    edges = np.linspace(-10.0, 10.0, 64)
    plane, width = np.zeros(1), np.array([6.0])
    ramp = slice_fractions(edges, plane, width, np.array([TABULATED + 1]), TABLES)
    linear = slice_fractions(edges, plane, width, np.array([LINEAR]))
    assert ramp == pytest.approx(linear, abs=1e-14)


def test_slices_are_told_how_steep_a_table_is():
    # Derived: the steepest piece rises by 0.55 in 0.5 nm; a Gaussian edge by 1/sqrt(2 pi) per sd.
    steepest = 0.5 / 0.55 / math.sqrt(2.0 * math.pi)
    assert steepest_sd_nm(STEPS.width_nm, TABULATED, TABLES) == pytest.approx(steepest)
    assert steepest_sd_nm(4.0, ERF) == 2.0


@pytest.mark.parametrize(
    ("position", "share", "message"),
    [
        ([0.0], [0.0], r"position_nm must be two or more that increase"),
        ([0.0, 0.0], [0.0, 1.0], r"position_nm must be two or more that increase"),
        ([0.0, 1.0, 2.0], [0.0, 0.5, 0.4], r"share must rise"),
        ([0.0, 1.0], [0.0, 0.9], r"share must run from 0 to 1, got 0.0 to 0.9"),
    ],
)
def test_a_table_that_is_no_transition_is_refused(position, share, message):
    with pytest.raises(ValueError, match=message):
        TransitionTable.of(position, share)


def test_exponential_sides_mirror_each_other():
    depth = np.linspace(-20.0, 20.0, 401)
    below = one_transition(depth, 3.0, EXPONENTIAL_BELOW)
    above = one_transition(depth, 3.0, EXPONENTIAL_ABOVE)
    assert below == pytest.approx(1.0 - above[::-1], abs=1e-7)
    assert one_transition(np.array([15.0]), 3.0, EXPONENTIAL_BELOW)[0] < 1.0 - 1e-5
    assert one_transition(np.array([15.0]), 3.0, EXPONENTIAL_ABOVE)[0] == 1.0


@given(st.floats(0, 1e4))
def test_interdiffusion_leaves_a_gaussian_edge(diffusivity_time_nm2):
    # J. Crank, The Mathematics of Diffusion (1975), section 2.3: erfc(z/(2 sqrt(Dt)))/2. The
    # level Phi(1) is at z with z/(2 sqrt(Dt)) = 1/sqrt(2), so the width is 2 sqrt(2Dt).
    width = diffusion_width_nm(diffusivity_time_nm2)
    assert width == pytest.approx(2.0 * math.sqrt(2.0 * diffusivity_time_nm2), rel=1e-14)
    if diffusivity_time_nm2 > 1e-6:
        z = 0.5 * width
        level = 0.5 * math.erfc(-z / (2.0 * math.sqrt(diffusivity_time_nm2)))
        assert level == pytest.approx(ndtr(1.0), rel=1e-12)


@pytest.mark.parametrize("shape", [CONSTANT_SOURCE, LIMITED_SOURCE])
@given(diffusivity_time_nm2=st.floats(1e-3, 1e6))
def test_what_diffused_in_begins_at_the_top_of_its_layer(shape, diffusivity_time_nm2):
    # Derived: integrals of erfc(z/(2 sqrt(Dt))) and exp(-z^2/(4Dt)) are 2 sqrt(Dt/pi), sqrt(pi Dt).
    root = math.sqrt(diffusivity_time_nm2)
    thickness = diffusion_thickness_nm(diffusivity_time_nm2, shape)
    known = {CONSTANT_SOURCE: 2.0 / math.sqrt(math.pi), LIMITED_SOURCE: math.sqrt(math.pi)}
    assert thickness == pytest.approx(known[shape] * root, rel=1e-14)
    width, shapes = np.array([diffusion_width_nm(diffusivity_time_nm2, shape)]), np.array([shape])
    (plane,) = interface_planes_nm(np.array([thickness]), width, shapes)
    assert plane == pytest.approx(thickness, rel=1e-12)
    above, _ = support_nm(width, shapes)
    assert above[0] == pytest.approx(thickness, rel=1e-12)


def test_a_negative_diffusivity_is_named():
    with pytest.raises(ValueError, match=r"diffusivity_time_nm2 must be >= 0, got -1"):
        diffusion_width_nm(-1.0)


def test_a_slice_that_a_step_crosses_is_split_by_volume():
    # Derived: a step at 0.3 in the slice (0, 1) leaves 30 % above.
    step = np.array([0.3]), np.array([0.0]), np.array([ERF])
    fractions = slice_fractions(np.array([0.0, 1.0, 2.0]), *step)
    assert fractions == pytest.approx(np.array([[0.3, 0.7], [0.0, 1.0]]), abs=1e-14)
