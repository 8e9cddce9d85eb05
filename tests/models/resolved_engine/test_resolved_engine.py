"""The resolved engine without couplings: against the quick engine, the crater, and itself."""

from dataclasses import replace

import numpy as np
import pytest
from reference.sharp_layers import layered

from craterfront.models.altered_layers import altered_layer
from craterfront.models.erosion_front import crater
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine import engine
from craterfront.models.quick_engine.slice_plan import plan
from craterfront.models.resolved_engine import (
    resolved_annuli,
    resolved_engine,
    resolved_mixed_columns,
)
from craterfront.models.resolved_engine.resolved_couplings import Couplings

FULL_SCALE, LOCAL, SHIFT, LOWEST = 1e-3, 0.02, 0.02, 1e-5
ELEMENTS, INTERVALS = 3, 80
SHAPES = ("parabolic", "edged", "flat", "measured")
MIXING = ("none", "uniform", "diffusive")
NONE = Couplings()


def drawn_case(index):
    """Craters and mixing models in turn; everything else is drawn."""
    rng = np.random.default_rng([61, index])
    count = int(rng.integers(1, 5))
    thickness = rng.uniform(5.0, 80.0, count)
    neighbour = np.minimum(thickness, np.append(thickness[1:], 60.0))
    width = rng.uniform(0.1, 0.5, count) * neighbour * (rng.random(count) > 0.3)
    sample = LayeredSample(
        thickness_nm=thickness,
        width_nm=width,
        shape=rng.integers(0, 5, count),
        material=np.arange(count + 1),
        atomic_density_per_nm3=rng.uniform(40.0, 110.0, count + 1),
        rate_nm_s=rng.uniform(0.6, 2.0, count + 1),
        composition=rng.dirichlet(np.full(ELEMENTS, 0.7), count + 1),
    )
    name = SHAPES[index % 4]
    numbers = {
        "parabolic": (float(rng.uniform(-0.2, 0.2)),),
        "edged": (float(rng.uniform(0.02, 0.2)), float(rng.uniform(0.5, 1.5))),
        "flat": (),
        "measured": (2.0 * np.sqrt(np.linspace(0.0, 1.0, 5)), rng.uniform(0.93, 1.07, 5)),
    }[name]
    length = float(rng.uniform(0.5, 4.0))
    instrument = Instrument(
        crater=getattr(crater, name)(*numbers),
        mixing=MIXING[index % 3],
        mixing_length_nm=length,
        mixing_range_nm=length * rng.uniform(1.1, 3.0),
        preference=None if rng.random() < 0.5 else 5.0 ** rng.uniform(-0.5, 0.5, ELEMENTS),
    )
    end = 1.4 * float(np.sum(thickness / sample.rate_nm_s[:-1]))
    annuli = getattr(resolved_annuli, name)(*numbers, count=32)
    return sample, instrument, annuli, np.linspace(0.0, end, INTERVALS + 1)


def every_atom(sample):
    """A channel for every layer and element."""
    layers, elements = sample.composition.shape
    return np.eye(layers * elements).reshape(layers, elements, -1)


def quick_and_shifted(sample, instrument, edges):
    """The quick engine on its own slices, and as the clock runs a little late and early."""
    shifted = np.maximum(edges + edges[1] * np.array([[0.0], [-SHIFT], [SHIFT]]), 0.0)
    every = np.unique(shifted)
    slices = plan(sample, instrument, edges)
    signal = engine.run(sample, instrument, every, every_atom(sample), slices).signal
    up_to = np.vstack([np.zeros(signal.shape[1]), np.cumsum(signal, axis=0)])
    return np.diff(up_to[np.searchsorted(every, shifted)], axis=1)


@pytest.mark.parametrize("index", range(10))
def test_both_engines_agree(index):
    sample, instrument, annuli, edges = drawn_case(index)
    expected = quick_and_shifted(sample, instrument, edges)
    result = resolved_engine.run(sample, instrument, annuli, NONE, edges, every_atom(sample))
    value, peak = expected[0], expected[0].max(axis=0)
    error = np.abs(result.signal - value)
    assert np.all(error <= FULL_SCALE * peak)
    low, high = expected.min(axis=0), expected.max(axis=0)
    by_shift = (result.signal >= low) & (result.signal <= high)
    matters = (value >= LOWEST * peak) & (value > 0) & ~by_shift
    assert np.all(error[matters] <= LOCAL * value[matters])


THREE = layered([30.0, 20.0], [2.0, 0.7, 1.2], [60.0, 90.0, 75.0])
SMOOTH = Instrument(crater.flat(), "diffusive", 1.5, 3.0)
EDGES = np.linspace(0.0, 60.0, 241)


def depth_of_a_flat_crater(doses, instrument=SMOOTH):
    """H(D), on a fine clock."""
    annuli = resolved_annuli.flat(1)
    result = resolved_engine.run(THREE, instrument, annuli, NONE, doses, every_atom(THREE))
    return result.mean_depth_nm


@pytest.mark.parametrize("mixing", ["none", "diffusive"])
def test_every_place_is_as_deep_as_a_flat_crater_after_its_own_dose(mixing, monkeypatch):
    monkeypatch.setattr(altered_layer, "_FINER", 1.0)  # the same cells, whatever smooths
    instrument = replace(SMOOTH, mixing=mixing)
    annuli = resolved_annuli.parabolic(0.4, 8)
    result = resolved_engine.run(THREE, instrument, annuli, NONE, EDGES, every_atom(THREE))
    doses = np.outer(EDGES[result.frames], annuli.rate)
    every = np.unique(doses)
    expected = np.interp(doses, every, depth_of_a_flat_crater(every, instrument))
    assert np.abs(result.depth_nm - expected).max() <= 1e-6 * expected.max()


def test_the_column_is_of_second_order_in_its_steps(monkeypatch):
    doses = np.linspace(0.0, 60.0, 13)  # wide intervals, so that columns choose their steps

    def depth(steps):
        monkeypatch.setattr(resolved_mixed_columns, "_STEPS_PER_ZONE", steps)
        return depth_of_a_flat_crater(doses)

    best = depth(1024)
    errors = [np.abs(depth(steps) - best).max() for steps in (16, 32, 64)]
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all(orders > 1.6)


def test_annuli_interpolate_a_curved_rate_in_second_order():
    # The shape of the rate is not linear in r^2 here; there is no mixing that would hide the steps.
    def pieces(count):
        place = np.linspace(0.0, 1.0, count + 1)
        rate = 1.0 + 0.3 * np.cos(2.0 * place)
        ends = zip(place, place[1:], rate, rate[1:], strict=False)
        annuli = resolved_annuli.Annuli.of(list(ends), count)
        bare = replace(SMOOTH, mixing="none")
        return resolved_engine.run(THREE, bare, annuli, NONE, EDGES, every_atom(THREE)).signal

    best = pieces(1024)
    errors = [np.abs(pieces(count) - best).mean() for count in (8, 16, 32)]
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all(orders > 1.7)


def test_few_annuli_are_enough_where_the_rate_is_linear_in_the_area():
    signals = [
        resolved_engine.run(
            THREE, SMOOTH, resolved_annuli.parabolic(0.2, n), NONE, EDGES, every_atom(THREE)
        ).signal
        for n in (2, 64)
    ]
    assert np.abs(signals[0] - signals[1]).max() <= 1e-3 * signals[1].max()


def test_every_atom_of_a_layer_is_collected():
    sample = layered([10.0, 8.0], [2.0, 0.7, 1.2], [60.0, 90.0, 75.0])
    for mixing in ("none", "uniform", "diffusive"):
        instrument = replace(SMOOTH, mixing=mixing)
        annuli = resolved_annuli.parabolic(0.3, 6)
        edges = np.linspace(0.0, 90.0, 91)
        result = resolved_engine.run(sample, instrument, annuli, NONE, edges, every_atom(sample))
        held = np.array([600.0, 720.0])
        collected = result.signal.sum(axis=0)[[0, 4]]
        np.testing.assert_allclose(collected, held, rtol=1e-9)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"view": "viewed"}, "view is 'viewed'"),
        ({"escape_depth_nm": 0.4}, "escape_depth_nm is 0.4"),
        ({"initial_nm": 1.0}, "there is roughness"),
    ],
)
def test_what_it_does_not_do_is_refused(changed, words):
    instrument = replace(SMOOTH, **changed)
    annuli = resolved_annuli.flat(1)
    with pytest.raises(ValueError, match=words):
        resolved_engine.run(THREE, instrument, annuli, NONE, EDGES, every_atom(THREE))


# --- annuli --------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 5, 64])
def test_annuli_cover_the_area_with_a_mean_rate_of_one(count):
    radius, depth = np.array([0.5, 1.0, 2.0]), np.array([1.0, 1.4, 0.8])
    for annuli in (
        resolved_annuli.flat(count),
        resolved_annuli.parabolic(-0.7, count),
        resolved_annuli.edged(0.13, 1.6, count),
        resolved_annuli.measured(radius, depth, count),
    ):
        square = annuli.radius**2
        np.testing.assert_allclose(annuli.share, (square[annuli.outer] - square[annuli.inner]))
        assert annuli.share.sum() == pytest.approx(1.0, abs=1e-14)
        assert annuli.mean(annuli.rate) == pytest.approx(1.0, abs=1e-14)


def test_annuli_have_the_rates_of_the_distribution_that_the_quick_engine_has():
    radius, depth = np.array([0.0, 1.0, 2.0]), np.array([1.0, 1.4, 0.8])
    for annuli, segments in (
        (resolved_annuli.edged(0.13, 1.6, 9), crater.edged(0.13, 1.6)),
        (resolved_annuli.measured(radius, depth, 9), crater.measured(radius, depth)),
        (resolved_annuli.parabolic(0.3, 9), crater.parabolic(0.3)),
    ):
        assert annuli.rate.min() == pytest.approx(segments[:, :2].min())
        assert annuli.rate.max() == pytest.approx(segments[:, :2].max())
        low, high, weight = segments.T
        variance = np.sum(weight * (low**2 + low * high + high**2)) / 3.0
        inner, outer = annuli.rate[annuli.inner], annuli.rate[annuli.outer]
        assert annuli.share @ (inner**2 + inner * outer + outer**2) / 3.0 == pytest.approx(variance)


def test_bad_craters_are_refused():
    with pytest.raises(ValueError, match="annuli must be >= 1"):
        resolved_annuli.flat(0)
    with pytest.raises(ValueError, match="curvature"):
        resolved_annuli.parabolic(2.0, 4)
    with pytest.raises(ValueError, match="edge_share"):
        resolved_annuli.edged(1.0, 1.0, 4)
    with pytest.raises(ValueError, match="edge_rate"):
        resolved_annuli.edged(0.1, 0.0, 4)
    for radius, depth in (([1.0], [1.0]), ([1.0, 0.5], [1.0, 1.0]), ([0.0, 1.0], [1.0, 0.0])):
        with pytest.raises(ValueError, match="measured crater"):
            resolved_annuli.measured(np.array(radius), np.array(depth), 4)
