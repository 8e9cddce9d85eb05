"""The quick engine against an independent reference that sums over thousands of columns.

'Agree' means, for every layer and element as a channel of its own: within 0.1 % of full scale,
and, down to 1e-5 of the channel's peak, within 2 % of the local value or of what a shift of the
reference by up to 0.02 sampling intervals covers.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from reference import brute_force

from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.roughening import LAWS, Growth
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine import engine

FULL_SCALE, LOCAL, SHIFT, LOWEST = 1e-3, 0.02, 0.02, 1e-5

SHAPES = ("erf", "linear", "exponential")
SIDES = ("below", "above")
ELEMENTS = 3
INTERVALS = 80


@dataclass(frozen=True)
class Case:
    """A sample and an instrument in the words of the reference, and the time edges."""

    sample: brute_force.Sample
    instrument: brute_force.Instrument
    edges_s: np.ndarray


def random_case(index):
    """Craters, mixing models, laws of growth and views in turn; everything else is drawn."""
    rng = np.random.default_rng([20, index])
    count = int(rng.integers(1, 5))
    thickness = rng.uniform(2.0, 60.0, count)
    neighbour = np.minimum(thickness, np.append(thickness[1:], 60.0))
    width = rng.uniform(0.1, 0.5, count) * neighbour * (rng.random(count) > 0.3)
    rate = rng.uniform(0.6, 2.0, count + 1)
    sample = brute_force.Sample(
        thickness_nm=thickness,
        width_nm=width,
        shape=[SHAPES[k] for k in rng.integers(0, 3, count)],
        side=[SIDES[k] for k in rng.integers(0, 2, count)],
        atomic_density_per_nm3=rng.uniform(40.0, 110.0, count + 1),
        composition=rng.dirichlet(np.full(ELEMENTS, 0.7), count + 1),
        rate_nm_s=rate,
    )
    radius = 2.0 * np.sqrt(np.linspace(0.0, 1.0, 5))
    shapes = [
        ("flat",),
        ("parabolic", float(rng.uniform(-0.2, 0.2))),
        ("tilted", float(rng.uniform(0.01, 0.2))),
        ("edged", float(rng.uniform(0.02, 0.2)), float(rng.uniform(0.5, 1.5))),
        ("measured", radius, rng.uniform(0.93, 1.07, 5)),
    ]
    length = float(rng.uniform(0.3, 4.0))
    mixing = [("none",), ("uniform", length), ("diffusive", length, length * rng.uniform(1.1, 3.0))]
    instrument = brute_force.Instrument(
        crater=shapes[index % 5],
        mixing=mixing[index % 3],
        preference=None if rng.random() < 0.6 else 5.0 ** rng.uniform(-0.5, 0.5, ELEMENTS),
        initial_nm=float(rng.choice([0.0, 1.0, 3.0])),
        growth=LAWS[index % 4],
        relative_spread=float(rng.uniform(0.01, 0.08)),
        grain_nm=float(rng.uniform(5.0, 50.0)),
        escape_depth_nm=float(rng.choice([0.0, 0.0, 1.5])),
        view=("collected", "viewed")[(index // 4) % 2],
    )
    return Case(sample, instrument, end_of(sample) * np.linspace(0.0, 1.4, INTERVALS + 1))


def end_of(sample):
    return float(np.sum(np.asarray(sample.thickness_nm) / np.asarray(sample.rate_nm_s)[:-1]))


def stack(thickness_nm, width_nm, composition, rate_nm_s, density):
    count = len(thickness_nm)
    return brute_force.Sample(
        thickness_nm, width_nm, ["erf"] * count, ["below"] * count, density, composition, rate_nm_s
    )


def special_cases():
    delta = stack(
        [25.0, 0.3, 25.0], [0.0] * 3, [[1, 0, 0], [0, 1, 0], [1, 0, 0], [0, 0, 1]],
        [2.0, 1.0, 2.0, 1.5], [65.0, 85.0, 65.0, 85.0],
    )  # fmt: skip
    coating = stack(
        [20_000.0, 300.0], [200.0, 5.0], [[1, 0, 0], [0.5, 0.5, 0], [0, 0, 1]],
        [60.0, 30.0, 40.0], [65.0, 85.0, 85.0],
    )  # fmt: skip
    alloy = stack(
        [20.0, 12.0], [1.0, 0.0], [[0.5, 0.5, 0], [0.2, 0.4, 0.4], [0, 0, 1]],
        [2.0, 1.0, 1.5], [70.0, 90.0, 85.0],
    )  # fmt: skip
    thin = stack(
        [1.0, 8.0], [0.0, 0.2], [[1, 0, 0], [0, 1, 0], [0, 0, 1]], [2.0, 1.0, 2.0],
        [65.0, 50.0, 100.0],
    )  # fmt: skip
    rough = {"growth": "statistical", "initial_nm": 0.5}
    grains = {"growth": "grains", "relative_spread": 0.08, "grain_nm": 500.0, "initial_nm": 50.0}
    fivefold = {"preference": np.array([5.0, 1.0, 2.0]), "growth": "statistical"}
    saturating = {"growth": "saturating", "final_nm": 2.0, "settling_nm": 15.0}
    parabolic, edged = ("parabolic", 0.04), ("edged", 0.08, 0.8)
    setups = {
        "delta of 0.3 nm, none": (delta, parabolic, ("none",), rough),
        "delta of 0.3 nm, uniform": (delta, parabolic, ("uniform", 1.5), rough),
        "delta of 0.3 nm, diffusive": (delta, parabolic, ("diffusive", 1.2, 3.0), rough),
        "coating of 20 um, none": (coating, edged, ("none",), grains),
        "coating of 20 um, uniform": (coating, parabolic, ("uniform", 5.0), grains),
        "roughness that saturates": (alloy, parabolic, ("uniform", 1.5), saturating),
        "nothing smooths, diffusive": (thin, ("flat",), ("diffusive", 1.0, 2.5), {}),
        "nothing smooths, long escape depth": (
            thin,
            ("flat",),
            ("uniform", 1.2),
            {"escape_depth_nm": 6.0},
        ),
        "yields 5 to 1, uniform": (alloy, parabolic, ("uniform", 1.5), fivefold),
        "yields 5 to 1, diffusive": (alloy, parabolic, ("diffusive", 1.5, 3.0), fivefold),
    }
    for name, (sample, shape, mixing, others) in setups.items():
        instrument = brute_force.Instrument(crater=shape, mixing=mixing, **others)
        edges = end_of(sample) * np.linspace(0.0, 1.4, INTERVALS + 1)
        yield name, Case(sample, instrument, edges)
        if "yields" in name:
            seen = brute_force.Instrument(crater=shape, mixing=mixing, view="viewed", **others)
            yield name + ", viewed", Case(sample, seen, edges)


def name_of(index, instrument):
    words = [instrument.crater[0], instrument.mixing[0], instrument.growth, instrument.view]
    preferences = [] if instrument.preference is None else ["preferences"]
    return " ".join([str(index), *words, *preferences])


RANDOM = {name_of(k, random_case(k).instrument): random_case(k) for k in range(30)}
CASES = RANDOM | dict(special_cases())


def quick(case):
    """The quick engine, a material for every layer and a channel for every layer and element."""
    s, i = case.sample, case.instrument
    layers = len(s.rate_nm_s)
    code = {"erf": 0, "linear": 1, ("exponential", "below"): 2, ("exponential", "above"): 3}
    shape = [
        code.get(name, code.get((name, side))) for name, side in zip(s.shape, s.side, strict=True)
    ]
    sample = LayeredSample(
        thickness_nm=np.asarray(s.thickness_nm, dtype=float),
        width_nm=np.asarray(s.width_nm, dtype=float),
        shape=np.array(shape),
        material=np.arange(layers),
        atomic_density_per_nm3=np.asarray(s.atomic_density_per_nm3, dtype=float),
        rate_nm_s=np.asarray(s.rate_nm_s, dtype=float),
        composition=np.asarray(s.composition, dtype=float),
    )
    name, *numbers = i.crater
    mixing, *lengths = i.mixing
    instrument = Instrument(
        crater=getattr(crater, name)(*numbers),
        mixing=mixing,
        mixing_length_nm=lengths[0] if lengths else 0.0,
        mixing_range_nm=lengths[-1] if lengths else 0.0,
        preference=i.preference,
        initial_nm=i.initial_nm,
        growth=Growth(i.growth, i.relative_spread, i.grain_nm, i.final_nm, i.settling_nm),
        view=i.view,
        escape_depth_nm=i.escape_depth_nm,
    )
    channels = np.eye(layers * ELEMENTS).reshape(layers, ELEMENTS, -1)
    return engine.run(sample, instrument, case.edges_s, channels).signal


def reference(case):
    """The reference, and two more shifted in time; shape (3, intervals, channels)."""
    step = case.edges_s[1]
    shifted = np.maximum(case.edges_s + step * np.array([[0.0], [-SHIFT], [SHIFT]]), 0.0)
    edges = np.unique(shifted)
    result = brute_force.simulate(case.sample, case.instrument, edges)
    for name in ("removed_sum", "seen_sum", "ion_budget"):
        assert result.checks[name] < 1e-6
    signal = result.signal.reshape(edges.size - 1, -1)
    mean = case.instrument.view == "viewed"
    parts = signal * np.diff(edges)[:, None] if mean else signal
    up_to = np.vstack([np.zeros(parts.shape[1]), np.cumsum(parts, axis=0)])
    whole = np.diff(up_to[np.searchsorted(edges, shifted)], axis=1)
    return whole / np.diff(shifted, axis=1)[:, :, None] if mean else whole


def disagreement(signal, expected):
    """Largest errors: of full scale, and of the local value where no shift explains them."""
    value = expected[0]
    peak = value.max(axis=0)
    error = np.abs(signal - value)
    low, high = expected.min(axis=0), expected.max(axis=0)
    by_shift = (signal >= low) & (signal <= high)
    matters = (value >= LOWEST * peak) & ~by_shift
    local = np.divide(error, value, out=np.zeros_like(error), where=matters & (value > 0))
    full = np.divide(error, peak, out=np.zeros_like(error), where=peak > 0)
    return full.max(), local.max()


@pytest.mark.parametrize("name", CASES)
def test_the_quick_engine_agrees_with_brute_force(name):
    case = CASES[name]
    full, local = disagreement(quick(case), reference(case))
    assert full <= FULL_SCALE, f"{full:.2e} of full scale, {local:.2e} of the local value"
    assert local <= LOCAL, f"{full:.2e} of full scale, {local:.2e} of the local value"


def test_agreement_notices_what_it_should():
    # Negative control of the yardstick itself.
    case = CASES["delta of 0.3 nm, uniform"]
    expected = reference(case)
    signal = expected[0]
    assert disagreement(signal, expected) == (0.0, 0.0)
    assert disagreement(1.002 * signal, expected)[0] > FULL_SCALE
    tail = np.where(signal < 1e-3 * signal.max(axis=0), 1.04, 1.0)
    assert disagreement(tail * signal, expected)[1] > LOCAL
    moved = signal + 0.1 * np.gradient(signal, axis=0)
    assert disagreement(moved, expected)[1] > LOCAL
    assert disagreement(expected[1], expected)[1] == 0.0
