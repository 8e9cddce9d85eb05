"""Craters that differ by material, heights that are not normal, signals that weigh the radius.

The reference is a plain average: a column of a crater is a flat crater with other rates, a class of
heights a sample whose first layer is thicker by the height.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.floor import Floor
from craterfront.models.erosion_front.roughening import Growth, height_classes
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.engine import run

AGREES = 1e-3  # of full scale

SAMPLE = LayeredSample(
    thickness_nm=np.array([20.0, 12.0, 30.0]),
    width_nm=np.array([1.0, 2.0, 1.5]),
    shape=np.zeros(3, int),
    material=np.array([0, 1, 0, 2]),
    atomic_density_per_nm3=np.array([80.0, 50.0, 90.0]),
    rate_nm_s=np.array([2.0, 1.0, 3.0]),
    composition=np.array([[1.0, 0.0, 0.0], [0.3, 0.7, 0.0], [0.0, 0.0, 1.0]]),
)
EDGES_S = np.linspace(0.0, 60.0, 401)
PROJECTION = np.broadcast_to(np.eye(3), (3, 3, 3))
CURVATURES = (0.2, -0.1, 0.05)
SKEWED = height_classes(np.array([-2.0, -1.0, 7.0]), np.array([0.0, 1.0, 0.0]))


def by_material(curvatures, pieces=32):
    return np.stack([crater.divided(crater.parabolic(c), pieces) for c in curvatures])


def signal_of(sample, instrument):
    return run(sample, instrument, EDGES_S, PROJECTION).signal


def averaged(samples, weights, instrument):
    """Mean signal of flat craters, one sample for each class of columns."""
    return sum(w * signal_of(s, instrument) for s, w in zip(samples, weights, strict=True))


def columns_of(curvatures, count=60):
    """A sample for each radius, all of equal area, with the rates that the crater has there."""
    square = (np.arange(count) + 0.5) / count
    for u in square:
        g = 1.0 + np.array(curvatures) * (0.5 - u)
        yield replace(SAMPLE, rate_nm_s=SAMPLE.rate_nm_s * g)


@pytest.mark.parametrize("view", ["collected", "viewed"])
@pytest.mark.parametrize("mixing", [{}, {"mixing": "uniform", "mixing_length_nm": 1.5}])
def test_a_crater_that_differs_by_material_is_an_average_of_columns(view, mixing):
    instrument = Instrument(by_material(CURVATURES), view=view, **mixing)
    expected = averaged(
        columns_of(CURVATURES), np.full(60, 1 / 60), replace(instrument, crater=crater.flat())
    )
    signal = signal_of(SAMPLE, instrument)
    assert np.abs(signal - expected).max() < AGREES * expected.max()


@pytest.mark.parametrize("view", ["collected", "viewed"])
def test_one_curvature_for_each_material_is_one_curvature(view):
    instrument = Instrument(crater.parabolic(0.15), view=view, initial_nm=1.0)
    one = signal_of(SAMPLE, instrument)
    each = signal_of(SAMPLE, replace(instrument, crater=by_material((0.15,) * 3)))
    assert np.abs(one - each).max() < AGREES * one.max()


@pytest.mark.parametrize("curvatures", [(0.1, 0.1, 0.1), CURVATURES])
@pytest.mark.parametrize("view", ["collected", "viewed"])
def test_a_signal_that_weighs_the_radius_is_a_weighted_average(view, curvatures):
    segments = by_material(curvatures)
    shares = crater.seen_shares(segments[0], [0.0, 1.0], [1.0, 0.2])
    instrument = Instrument(segments, seen_share=shares, view=view)
    # Weights of 60 rings between their bounds, by the closed form of the linear weight.
    r = np.sqrt(np.linspace(0.0, 1.0, 61))
    weight = np.diff(r**2 - 0.8 * 2 / 3 * r**3)
    flat = Instrument(crater.flat(), view=view)
    expected = averaged(columns_of(curvatures), weight / weight.sum(), flat)
    signal = signal_of(SAMPLE, instrument)
    assert np.abs(signal - expected).max() < AGREES * expected.max()


def test_the_mean_depth_is_that_of_the_area_whatever_is_seen():
    instrument = Instrument(by_material(CURVATURES))
    shares = crater.seen_shares(instrument.crater[0], [0.0, 1.0], [1.0, 0.0])
    plain = run(SAMPLE, instrument, EDGES_S, PROJECTION)
    weighed = run(SAMPLE, replace(instrument, seen_share=shares), EDGES_S, PROJECTION)
    assert weighed.mean_depth_nm == pytest.approx(plain.mean_depth_nm, rel=1e-12)
    assert np.abs(weighed.signal - plain.signal).max() > 0.01 * plain.signal.max()


@pytest.mark.parametrize("view", ["collected", "viewed"])
@pytest.mark.parametrize("curvature", [0.0, 0.1])
def test_heights_that_are_not_normal_are_an_average_of_thicknesses(view, curvature):
    classes, sd_nm = SKEWED
    flat = Instrument(crater.parabolic(curvature), view=view)
    low, high, share = classes.T
    inside = np.array([0.25, 0.75])
    height_nm = (sd_nm * (low + (high - low) * inside[:, None])).ravel()
    samples = [
        replace(SAMPLE, thickness_nm=SAMPLE.thickness_nm + np.array([h, 0.0, 0.0]))
        for h in height_nm
    ]
    expected = averaged(samples, np.tile(share / 2, 2), flat)
    signal = signal_of(SAMPLE, replace(flat, initial_nm=sd_nm, heights=classes))
    assert np.abs(signal - expected).max() < AGREES * expected.max()


def test_a_table_of_normal_heights_is_the_normal_roughness():
    height = np.linspace(-8.0, 8.0, 257)
    classes, sd_nm = height_classes(height, np.exp(-0.5 * (height / 2.0) ** 2))
    assert sd_nm == pytest.approx(2.0, rel=1e-3)  # cut off at 4 sd
    for view in ("collected", "viewed"):
        normal = Instrument(crater.flat(), initial_nm=sd_nm, view=view)
        signal = signal_of(SAMPLE, normal)
        tabulated = signal_of(SAMPLE, replace(normal, heights=classes))
        assert np.abs(signal - tabulated).max() < AGREES * signal.max()


def test_skewed_heights_as_they_were_measured():
    # Derived: a triangle from a over c to b has the variance (a^2 + b^2 + c^2 - ab - ac - bc) / 18.
    classes, sd_nm = SKEWED
    assert sd_nm == pytest.approx(np.sqrt((4 + 49 + 1 + 14 - 2 + 7) / 18), rel=2e-3)
    assert classes[:, 2].sum() == pytest.approx(1.0)
    assert np.sum(classes[:, 2] * classes[:, :2].mean(axis=1)) == pytest.approx(0.0, abs=1e-12)


@settings(max_examples=25)
@example(2.0, (-5.0, 4.0, 5.0), {}, {})  # of a mirror image stands less than rounding leaves
@example(1.6, (-5.0, 4.0, 5.0), {"mixing": "uniform", "mixing_length_nm": 1.5}, {})
@given(
    st.floats(0.2, 8.0),
    st.sampled_from([(-2.0, -1.0, 7.0), (-5.0, 4.0, 5.0), (-1.0, 0.0, 1.0)]),
    st.sampled_from([{}, {"mixing": "uniform", "mixing_length_nm": 1.5}]),
    st.sampled_from([{}, {"growth": Growth("grains", 0.05, 20.0)}]),
)
def test_every_atom_is_collected_once_from_any_surface(initial_nm, corners, mixing, growth):
    classes, _ = height_classes(np.array(corners), np.array([0.0, 1.0, 0.0]))
    instrument = Instrument(
        by_material(CURVATURES, 2), initial_nm=initial_nm, heights=classes, **mixing, **growth
    )
    edges = np.linspace(0.0, 400.0, 201)
    signal = run(SAMPLE, instrument, edges, PROJECTION).signal
    held = (SAMPLE.thickness_nm * np.array([80.0, 50.0, 80.0])) @ SAMPLE.composition[[0, 1, 0]]
    assert signal[:, :2].sum(axis=0) == pytest.approx(held[:2], rel=1e-9)


@pytest.mark.parametrize("corners", [(-2.0, -1.0, 7.0), (-5.0, 4.0, 5.0)])
def test_a_uniform_sample_gives_a_constant_signal_from_the_first_reading_on(corners):
    classes, sd_nm = height_classes(np.array(corners), np.array([0.0, 1.0, 0.0]))
    sample = replace(SAMPLE, composition=np.eye(3)[[0, 0, 0]], rate_nm_s=np.full(3, 2.0))
    sample = replace(sample, atomic_density_per_nm3=np.full(3, 80.0))
    for segments in (crater.flat(), crater.parabolic(0.1)):
        instrument = Instrument(segments, initial_nm=sd_nm, heights=classes)
        signal = signal_of(sample, instrument)[:, 0]
        assert signal == pytest.approx(np.full(signal.size, 80.0 * 2.0 * 0.15), rel=1e-3)


@given(st.floats(-1.5, 1.5), st.floats(0.1, 20.0))
def test_narrower_pieces_are_the_same_floor(curvature, supply):
    floor = Floor.of(crater.parabolic(curvature))
    even = floor.even(0.002)
    low, high, share = even.pieces(np.array([supply]), even.area)[0].T
    assert np.all(low <= high)
    assert np.sum(0.5 * (low + high) * share) == pytest.approx(supply, rel=1e-9)


DEVIATES = np.linspace(-4.4, 4.4, 45)


@pytest.mark.parametrize("view", ["collected", "viewed"])
@pytest.mark.parametrize("initial_nm", [1.0, 3.0])
def test_roughness_goes_through_each_layer_at_the_rate_of_its_place(view, initial_nm):
    """A column of a rough surface has a thicker or thinner top layer, wherever it stands."""
    curvatures = (0.2, -0.2, 0.05)
    flat = Instrument(crater.flat(), view=view)
    samples, weights = [], []
    for column in columns_of(curvatures, 16):
        for u in DEVIATES:
            extra = np.array([u * initial_nm, 0.0, 0.0])
            samples.append(replace(column, thickness_nm=column.thickness_nm + extra))
            weights.append(np.exp(-0.5 * u * u))
    expected = averaged(samples, np.array(weights) / np.sum(weights), flat)
    signal = signal_of(
        SAMPLE, Instrument(by_material(curvatures), initial_nm=initial_nm, view=view)
    )
    assert np.abs(signal - expected).max() < 2 * AGREES * expected.max()


@pytest.mark.parametrize("seconds", [0.5, 2.0])
def test_a_long_reading_over_an_interface_between_unlike_craters(seconds):
    edges = np.arange(0.0, 60.0 + 0.5 * seconds, seconds)
    instrument = Instrument(by_material(CURVATURES), view="viewed")
    flat = Instrument(crater.flat(), view="viewed")
    expected = sum(
        run(sample, flat, edges, PROJECTION).signal / 60 for sample in columns_of(CURVATURES)
    )
    signal = run(SAMPLE, instrument, edges, PROJECTION).signal
    assert np.abs(signal - expected).max() < AGREES * expected.max()


@pytest.mark.parametrize(
    ("height_nm", "density"),
    [
        ([-1.0, 0.9, 1.0, 3.0, 3.1, 10.0], [0.0, 1.0, 0.02, 0.02, 0.0, 0.0]),
        ([-9.0, -8.9, -8.0, -1.0, 1.0, 1.2], [0.0, 0.3, 0.0, 0.0, 1.0, 0.0]),  # pits
        ([-3.0, -2.9, -2.8, 2.8, 2.9, 3.0], [0.0, 1.0, 0.0, 0.0, 1.0, 0.0]),  # terraces
    ],
)
@pytest.mark.parametrize("view", ["collected", "viewed"])
def test_plateaux_with_pits_and_spikes_and_terraces(height_nm, density, view):
    """The reference is drawn from the table itself, by its quantiles."""
    classes, sd_nm = height_classes(np.array(height_nm), np.array(density))
    fine = np.linspace(height_nm[0], height_nm[-1], 100_001)
    up_to = np.cumsum(np.interp(fine, height_nm, density))
    drawn = np.interp((np.arange(400) + 0.5) / 400 * up_to[-1], up_to, fine)
    drawn -= drawn.mean()
    assert sd_nm == pytest.approx(drawn.std(), rel=2e-2)
    flat = Instrument(crater.flat(), view=view)
    samples = [
        replace(SAMPLE, thickness_nm=SAMPLE.thickness_nm + np.array([h, 0.0, 0.0])) for h in drawn
    ]
    expected = averaged(samples, np.full(400, 1 / 400), flat)
    signal = signal_of(SAMPLE, replace(flat, initial_nm=sd_nm, heights=classes))
    assert np.abs(signal - expected).max() < 4 * AGREES * expected.max()
