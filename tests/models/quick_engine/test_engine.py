"""The quick engine: what must hold for every sample and every instrument."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.roughening import Growth
from craterfront.models.instrument import Instrument
from craterfront.models.interfaces.transition_tables import TransitionTable, stacked
from craterfront.models.interfaces.transitions import ERF, SHAPES, TABULATED
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.engine import run
from craterfront.models.quick_engine.slice_plan import plan

ELEMENTS = 3
BETWEEN_RUNS = 2e-3  # of full scale; the slices differ, and each run may err by 1e-3

CRATERS = {
    "flat": crater.flat(),
    "parabolic": crater.parabolic(0.1),
    "tilted": crater.tilted(0.06),
    "edged": crater.edged(0.1, 0.7),
    "measured": crater.measured([0.0, 0.7, 1.4, 2.0], [1.0, 1.04, 1.02, 0.93]),
}

ROUGHNESS = [
    {},
    {"initial_nm": 2.0},
    {"growth": Growth("statistical")},
    {"growth": Growth("grains", 0.08, 15.0), "initial_nm": 1.0},
    {"growth": Growth("columns", 0.14)},
    {"growth": Growth("columns", 0.04)},
    {"growth": Growth("saturating", final_nm=1.5, settling_nm=10.0)},
]

MIXING = [
    {},
    {"mixing": "uniform", "mixing_length_nm": 1.2},
    {"mixing": "diffusive", "mixing_length_nm": 1.2, "mixing_range_nm": 2.5},
]

fractions = st.sampled_from(
    [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.5, 0.5, 0.0), (0.2, 0.3, 0.5), (0.02, 0.0, 0.98)]
)


@st.composite
def samples(draw, most=3):
    count = draw(st.integers(1, most))
    numbers = {"min_size": count, "max_size": count}
    one_more = {"min_size": count + 1, "max_size": count + 1}
    thickness = np.array(draw(st.lists(st.floats(0.3, 40), **numbers)))
    relative = draw(st.lists(st.sampled_from([0.0, 0.1, 0.6]), **numbers))
    rate = np.array(draw(st.lists(st.floats(0.5, 10), **one_more)))
    below = np.append(thickness[1:], np.inf) * rate[:-1] / rate[1:]  # what lasts as long above
    share = draw(st.sampled_from([0.0, 0.1]))
    return LayeredSample(
        thickness_nm=thickness,
        width_nm=np.minimum(thickness, 30.0) * relative,
        shape=np.array(draw(st.lists(st.sampled_from(range(len(SHAPES))), **numbers))),
        material=np.arange(count + 1),
        atomic_density_per_nm3=np.array(draw(st.lists(st.floats(30, 120), **one_more))),
        rate_nm_s=rate,
        composition=np.array(draw(st.lists(fractions, **one_more))),
        relief_nm=share * np.minimum(thickness, below),
    )


@st.composite
def instruments(draw, **fixed):
    preference = draw(st.sampled_from([None, (1.0, 2.5, 0.5)]))
    return Instrument(
        CRATERS[draw(st.sampled_from(sorted(CRATERS)))],
        preference=None if preference is None else np.array(preference),
        **draw(st.sampled_from(MIXING)),
        **draw(st.sampled_from(ROUGHNESS)),
        **fixed,
    )


def by_element(sample):
    return np.broadcast_to(np.eye(ELEMENTS), (sample.rate_nm_s.size, ELEMENTS, ELEMENTS))


def by_species(sample):
    """One channel for each pair of material and element."""
    count = sample.rate_nm_s.size * ELEMENTS
    return np.eye(count).reshape(-1, ELEMENTS, count)


def nominal_s(sample):
    return float(np.sum(sample.thickness_nm / sample.rate_nm_s[sample.material[:-1]]))


@settings(max_examples=25)
@given(samples(), instruments())
def test_every_atom_is_collected_once(sample, instrument):
    # Until layers, altered layer and slow columns are gone: 12 times the nominal time, and 500 nm
    # of substrate for the altered layer, whose slowest element decays over 5 ranges of 2.5 nm:
    # exp(-28) is left where the crater is shallowest, at 0.72 of the mean.
    end = 12.0 * nominal_s(sample) + 500.0 / sample.rate_nm_s[-1]
    edges = end * np.array([0.0, 0.01, 0.03, 0.1, 0.5, 1.0])
    signals = run(sample, instrument, edges, by_species(sample))
    assert signals.signal.min() >= -1e-9 * signals.signal.max()
    collected = signals.signal.sum(axis=0).reshape(-1, ELEMENTS)[:-1]
    n = sample.atomic_density_per_nm3[:-1, None]
    held = sample.thickness_nm[:, None] * n * sample.composition[:-1]
    assert collected == pytest.approx(held, abs=1e-9 * held.sum())


@settings(max_examples=15)
@given(
    instruments(),
    st.sampled_from([0.3, 1.5]),
    st.floats(0.5, 10),
    st.lists(st.floats(40, 120), min_size=3, max_size=3),
)
def test_a_buried_layer_is_collected_once_through_an_escape_depth(
    instrument, escape_nm, rate, densities
):
    # 20 escape depths and more below the surface.
    sample = LayeredSample(
        np.array([40.0, 5.0]), np.array([0.0, 1.0]), np.zeros(2, dtype=int), np.arange(3),
        np.array(densities), np.array([2.0, rate, 1.0]),
        np.array([[1.0, 0.0, 0.0], [0.2, 0.3, 0.5], [0.0, 1.0, 0.0]]),
    )  # fmt: skip
    instrument = replace(instrument, escape_depth_nm=escape_nm)
    edges = (12.0 * nominal_s(sample) + 150.0) * np.array([0.0, 0.01, 0.03, 0.1, 0.5, 1.0])
    collected = run(sample, instrument, edges, by_species(sample)).signal.sum(axis=0)
    held = 5.0 * densities[1] * sample.composition[1]
    assert collected.reshape(3, ELEMENTS)[1] == pytest.approx(held, rel=1e-3)


@pytest.mark.parametrize("view", ["collected", "viewed"])
def test_a_steep_table_is_a_layer_between_sharp_interfaces(view):
    # Derived: between two steps the volume is half of each material, as in a layer with the mean
    # of their densities and, since every atom keeps its cost, with the mean of their doses per nm.
    step = 1e-4
    points = TransitionTable.of([0.0, step, 12.0, 12.0 + step], [0.0, 0.5, 0.5, 1.0])
    density, rate = np.array([60.0, 90.0]), np.array([2.0, 1.0])
    table = LayeredSample(
        np.array([26.0]), np.array([points.width_nm]), np.array([TABULATED]), np.arange(2),
        density, rate, np.eye(2, ELEMENTS), stacked([points]),
    )  # fmt: skip
    share = density / density.sum()
    layers = LayeredSample(
        np.array([20.0, 12.0]), np.zeros(2), np.zeros(2, dtype=int), np.array([0, 2, 1]),
        np.append(density, density.mean()), np.append(rate, 1.0 / np.mean(1.0 / rate)),
        np.vstack([np.eye(2, ELEMENTS), [*share, 0.0]]),
    )  # fmt: skip
    instrument = Instrument(CRATERS["parabolic"], initial_nm=1.0, view=view)
    edges = np.linspace(0.0, 60.0, 121)
    expected = run(layers, instrument, edges, by_element(layers)).signal
    found = run(table, instrument, edges, by_element(table)).signal
    assert found == pytest.approx(expected, abs=1e-3 * expected.max())


def test_a_table_of_an_erf_transition_gives_its_profile():
    # Straight lines between 121 points, 0.1 standard deviations apart, are off by less than
    # 0.1^2 / 8 times the largest curvature, 0.242: 3e-4.
    x = np.linspace(-6.0, 6.0, 121)
    share = ndtr(x)
    share[[0, -1]] = 0.0, 1.0
    table = TransitionTable.of(2.0 * x, share)
    erf = LayeredSample(
        np.array([26.0]), np.array([4.0]), np.array([ERF]), np.arange(2),
        np.array([60.0, 90.0]), np.array([2.0, 1.0]), np.eye(2, ELEMENTS),
    )  # fmt: skip
    tabulated = replace(
        erf,
        shape=np.array([TABULATED]),
        tables=stacked([table]),
        width_nm=np.array([table.width_nm]),
    )
    edges = np.linspace(0.0, 60.0, 121)
    instrument = Instrument(CRATERS["parabolic"], initial_nm=1.0)
    expected = run(erf, instrument, edges, by_element(erf)).signal
    found = run(tabulated, instrument, edges, by_element(erf)).signal
    assert found == pytest.approx(expected, abs=3e-4 * expected.max())


def test_an_escape_depth_changes_nothing_suddenly():
    sample = LayeredSample(
        np.array([20.0]), np.array([0.0]), np.zeros(1, dtype=int), np.arange(2), np.full(2, 70.0),
        np.array([2.0, 1.0]), np.array([[0.5, 0.5, 0.0], [0.0, 0.0, 1.0]]),
    )  # fmt: skip
    edges = np.linspace(0.0, 20.0, 101)
    for mixing in MIXING:
        instrument = Instrument(crater.flat(), preference=np.array([3.0, 1.0, 1.0]), **mixing)
        without = run(sample, instrument, edges, by_element(sample)).signal
        short = replace(instrument, escape_depth_nm=0.01)
        assert run(sample, short, edges, by_element(sample)).signal == pytest.approx(
            without, abs=0.06 * without.max()
        )


@settings(max_examples=20)
@given(samples(), instruments(view="collected"), st.sampled_from([0.0, 1.0]))
def test_doubling_all_rates_halves_all_times(sample, instrument, escape_nm):
    instrument = replace(instrument, escape_depth_nm=escape_nm)
    edges = np.linspace(0.0, 1.3 * nominal_s(sample) + 1.0, 30)
    once = run(sample, instrument, edges, by_element(sample))
    fast = replace(sample, rate_nm_s=2.0 * sample.rate_nm_s)
    twice = run(fast, instrument, 0.5 * edges, by_element(sample))
    assert twice.signal == pytest.approx(once.signal, rel=1e-9, abs=1e-9 * once.signal.max())
    assert twice.mean_depth_nm == pytest.approx(once.mean_depth_nm, rel=1e-9, abs=1e-9)


@settings(max_examples=20)
@given(samples(), instruments(), st.permutations(range(ELEMENTS)), st.booleans())
def test_names_of_elements_do_not_matter(sample, instrument, order, viewed):
    if viewed:
        instrument = replace(instrument, view="viewed", escape_depth_nm=0.8)
    edges = np.linspace(0.0, 1.3 * nominal_s(sample) + 1.0, 20)
    once = run(sample, instrument, edges, by_element(sample)).signal
    renamed = replace(sample, composition=sample.composition[:, order])
    preference = instrument.preference
    again = run(
        renamed,
        replace(instrument, preference=None if preference is None else preference[order]),
        edges,
        by_element(sample),
    ).signal
    assert again == pytest.approx(once[:, order], rel=1e-9, abs=1e-9 * once.max())


@settings(max_examples=20)
@given(samples(), instruments(), st.data())
def test_a_layer_may_be_written_as_two_halves(sample, instrument, data):
    # Sharp, flat interfaces: a transition or heights too large for a half make it another sample.
    sample = replace(sample, width_nm=np.zeros(sample.width_nm.size), relief_nm=None)
    edges = np.linspace(0.0, 1.3 * nominal_s(sample) + 1.0, 40)
    once = run(sample, instrument, edges, by_element(sample)).signal
    j = data.draw(st.integers(0, sample.thickness_nm.size - 1))
    thickness = np.insert(sample.thickness_nm, j, 0.5 * sample.thickness_nm[j])
    thickness[j + 1] *= 0.5
    halves = replace(
        sample,
        thickness_nm=thickness,
        width_nm=np.insert(sample.width_nm, j, 0.0),
        shape=np.insert(sample.shape, j, 0),
        material=np.insert(sample.material, j, sample.material[j]),
    )
    again = run(halves, instrument, edges, by_element(sample)).signal
    assert np.all(np.abs(again - once) <= BETWEEN_RUNS * once.max(axis=0))


@settings(max_examples=20)
@given(
    samples(),
    instruments(view="viewed"),
    st.sampled_from([0.0, 0.7, 3.0]),
    st.sampled_from(["continuous", "cycle"]),
)
def test_what_is_seen_are_shares_that_sum_to_one(sample, instrument, escape_nm, timing):
    instrument = replace(instrument, escape_depth_nm=escape_nm, timing=timing)
    edges = np.linspace(0.0, 1.5 * nominal_s(sample) + 1.0, 25)
    seen = run(sample, instrument, edges, by_element(sample)).signal
    assert seen.shape == (25 if timing == "cycle" else 24, ELEMENTS)
    # A snapshot is a difference over 1e-4 of an interval, which amplifies rounding.
    tolerance = 1e-7 if timing == "cycle" else 1e-9
    assert seen.sum(axis=1) == pytest.approx(np.ones(seen.shape[0]), abs=tolerance)
    assert seen.min() >= -tolerance


@settings(max_examples=20)
@given(instruments(view="viewed", timing="cycle"), st.sampled_from([0.0, 0.5]))
def test_the_first_snapshot_shows_the_surface_as_it_was(instrument, escape_nm):
    # Before any dose nothing has been mixed or depleted; a layer much thicker than the altered
    # layer, the escape depth and the roughness.
    sample = LayeredSample(
        np.array([200.0]), np.array([1.0]), np.array([0]), np.arange(2), np.array([80.0, 60.0]),
        np.array([2.0, 1.0]), np.array([[0.2, 0.3, 0.5], [1.0, 0.0, 0.0]]),
    )  # fmt: skip
    # With preferences the mean over the first slice is shown, which is depleted already.
    instrument = replace(instrument, escape_depth_nm=escape_nm, preference=None)
    seen = run(sample, instrument, np.linspace(0.0, 100.0, 41), by_element(sample)).signal
    # The snapshot lasts 1e-4 of an interval: 5e-4 nm, against an altered layer of 1.2 nm.
    assert seen[0] == pytest.approx([0.2, 0.3, 0.5], abs=1e-3)


@settings(max_examples=20)
@given(
    instruments(),
    st.sampled_from(["collected", "viewed"]),
    st.sampled_from([0.0, 1.0]),
    st.sampled_from([1.5, 30.0]),
)
def test_a_uniform_sample_gives_a_constant_signal(instrument, view, escape_nm, end_s):
    # Without preferences, which have their own transient.
    sample = LayeredSample(
        np.array([30.0]), np.array([0.0]), np.array([0]), np.zeros(2, dtype=int), np.array([80.0]),
        np.array([2.0]), np.array([[0.2, 0.3, 0.5]]),
    )  # fmt: skip
    instrument = replace(instrument, preference=None, view=view, escape_depth_nm=escape_nm)
    edges = np.linspace(0.0, end_s, 91)
    signals = run(sample, instrument, edges, by_element(sample))
    atoms = 80.0 * 2.0 * edges[1] if view == "collected" else 1.0
    expected = np.array([0.2, 0.3, 0.5]) * atoms
    assert signals.signal == pytest.approx(np.tile(expected, (90, 1)), rel=1e-3)
    assert signals.mean_depth_nm == pytest.approx(2.0 * edges, rel=1e-3, abs=1e-9)


@settings(max_examples=15)
@given(samples(), instruments())
def test_the_mean_depth_follows_from_what_is_collected(sample, instrument):
    # Equal densities: atoms collected are density times depth removed.
    sample = replace(sample, atomic_density_per_nm3=np.full(sample.rate_nm_s.size, 80.0))
    edges = np.linspace(0.0, 1.3 * nominal_s(sample) + 1.0, 20)
    signals = run(sample, instrument, edges, by_element(sample))
    depth = np.append(0.0, np.cumsum(signals.signal.sum(axis=1))) / 80.0
    assert signals.mean_depth_nm == pytest.approx(depth, rel=1e-9, abs=1e-9)


@settings(max_examples=15)
@given(samples(), instruments())
def test_finer_sampling_sums_to_coarser_sampling(sample, instrument):
    edges = np.linspace(0.0, 1.3 * nominal_s(sample) + 1.0, 61)
    fine = run(sample, instrument, edges, by_element(sample)).signal
    coarse = run(sample, instrument, edges[::3], by_element(sample)).signal
    summed = fine.reshape(20, 3, ELEMENTS).sum(axis=1)
    assert np.all(np.abs(summed - coarse) <= BETWEEN_RUNS * coarse.max(axis=0))


@settings(max_examples=10)
@given(samples(), instruments(), st.floats(0.5, 2.0))
def test_a_common_scale_of_rates_and_lengths_cannot_be_seen(sample, instrument, factor):
    # Derived: time alone is measured. An inversion must not take slices for a ruler.
    growth = instrument.growth
    if growth.law == "statistical":  # a monolayer has its own size
        growth = Growth()
    instrument = replace(instrument, growth=growth)
    edges = np.linspace(0.0, 1.3 * nominal_s(sample) + 1.0, 61)
    slices = plan(sample, instrument, edges)
    once = run(sample, instrument, edges, by_element(sample), slices).signal
    larger = replace(
        sample,
        thickness_nm=factor * sample.thickness_nm,
        width_nm=factor * sample.width_nm,
        relief_nm=factor * sample.relief_nm,
        rate_nm_s=factor * sample.rate_nm_s,
    )
    instrument = replace(
        instrument,
        initial_nm=factor * instrument.initial_nm,
        growth=replace(
            growth,
            grain_nm=factor * growth.grain_nm,
            final_nm=factor * growth.final_nm,
            settling_nm=factor * growth.settling_nm,
        ),
        mixing_length_nm=factor * instrument.mixing_length_nm,
        mixing_range_nm=factor * instrument.mixing_range_nm,
    )
    again = run(larger, instrument, edges, by_element(sample), slices).signal
    assert again / factor == pytest.approx(once, abs=1e-9 * once.max())


def test_a_thickness_derivative_exists_for_a_sharp_interface():
    # An inversion needs it: the signal moves in proportion to a small change of thickness, with
    # the slices of the first run and with its own.
    sample = LayeredSample(
        np.array([20.0]), np.array([0.0]), np.array([0]), np.arange(2), np.array([80.0, 60.0]),
        np.array([2.0, 1.0]), np.eye(3)[:2],
    )  # fmt: skip
    instrument = Instrument(crater.parabolic(0.1))
    edges = np.linspace(0.0, 20.0, 101)
    base = run(sample, instrument, edges, by_element(sample)).signal
    changes = []
    for step in (1e-3, 1e-2):
        moved = replace(sample, thickness_nm=sample.thickness_nm + step)
        changes.append((run(moved, instrument, edges, by_element(sample)).signal - base) / step)
    assert np.abs(changes[0]).max() > 1.0
    assert changes[0] == pytest.approx(changes[1], abs=0.05 * np.abs(changes[0]).max())


def test_snapshots_change_smoothly_with_a_thickness_where_nothing_smooths():
    # A flat crater and no roughness: what a snapshot shows between slice edges must be a line, or
    # derivatives are noise. Readings 15 times as dense as slices.
    sample = LayeredSample(
        np.array([4.0]), np.array([0.8]), np.array([0]), np.arange(2), np.array([80.0, 60.0]),
        np.array([0.5, 0.3]), np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
    )  # fmt: skip
    instrument = Instrument(
        crater=crater.flat(), mixing="diffusive", mixing_length_nm=0.9, mixing_range_nm=2.5,
        view="viewed", timing="cycle", escape_depth_nm=0.6,
    )  # fmt: skip
    edges = np.linspace(0.0, 20.0, 4001)
    slices = plan(sample, instrument, edges)

    def slope(step_nm):
        up, down = (
            run(replace(sample, thickness_nm=np.array([t])), instrument, edges,
                by_element(sample), slices).signal
            for t in (4.0 + step_nm, 4.0 - step_nm)
        )  # fmt: skip
        return (up - down) / (2.0 * step_nm)

    fine, coarse = slope(1e-5), slope(1e-3)
    assert np.max(np.abs(fine - coarse)) < 0.05 * np.abs(coarse).max()


@pytest.mark.parametrize("ratio", [5.0, 8.0])
def test_a_spread_that_begins_to_grow_suddenly_is_followed(ratio):
    # A fast layer of a few monolayers on a slow one, removed at random: the spread of the slow
    # layer reaches up to the surface. Against four times as many slices.
    sample = LayeredSample(
        np.array([1.0]), np.array([0.0]), np.array([0]), np.arange(2), np.array([30.0, 30.0]),
        np.array([ratio, 1.0]), np.array([[1.0, 0.0, 0.0], [1.0, 0.0, 0.0]]),
    )  # fmt: skip
    instrument = Instrument(crater=crater.edged(0.1, 0.7), growth=Growth("statistical"))
    edges = np.linspace(0.0, 1.5, 40)
    once, fine = (
        run(
            sample, instrument, edges, by_element(sample), plan(sample, instrument, edges, refine)
        ).signal[:, 0]
        for refine in (1.0, 4.0)
    )
    assert np.abs(once - fine).max() < 1e-3 * fine.max()
