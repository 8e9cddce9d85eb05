"""Exact slopes of the quick engine against differences of sixth order, on drawn samples.

Errors are largest deviations in all of the profile, over the largest slope in the same direction.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.roughening import Growth
from craterfront.models.instrument import Instrument
from craterfront.models.interfaces.transitions import SHAPES
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.engine import run
from craterfront.models.quick_engine.slice_plan import plan
from craterfront.models.slopes.directions import Directions
from craterfront.models.slopes.engine_slopes import run_with_slopes
from tests.reference.differences import most_certain

ELEMENTS = 3
ERROR = 1e-6
BELIEVED = 3e-7  # disagreement of the differences among themselves

CRATERS = {
    "flat": crater.flat(),
    "parabolic": crater.parabolic(0.097),
    "edged": crater.edged(0.1, 0.7),
    "measured": crater.measured([0.0, 0.7, 1.4, 2.0], [1.0, 1.04, 1.02, 0.93]),
}
ROUGHNESS = [
    {"initial_nm": 1.5},
    {"growth": Growth("statistical")},
    {"growth": Growth("grains", 0.08, 15.0), "initial_nm": 1.0},
    {"growth": Growth("columns", 0.05), "initial_nm": 1.0},
    {"growth": Growth("saturating", final_nm=1.5, settling_nm=10.0), "initial_nm": 0.5},
]
MIXING = [
    {},
    {"mixing": "uniform", "mixing_length_nm": 1.2},
    {"mixing": "diffusive", "mixing_length_nm": 1.2, "mixing_range_nm": 2.5},
]
VIEWS = [
    {},
    {"escape_depth_nm": 0.6},
    {"view": "viewed"},
    {"view": "viewed", "escape_depth_nm": 1.0},
    {"view": "viewed", "escape_depth_nm": 1.0, "timing": "cycle"},
]

# What changes with a number of the instrument: the slope, and its factor for the value.
NUMBERS = {
    "mixing_length_nm": ("mixing_length_nm", lambda value: 1.0),
    "mixing_range_nm": ("mixing_range_nm", lambda value: 1.0),
    "initial_nm": ("initial_square_nm2", lambda value: 2.0 * value),
    "escape_depth_nm": ("escape_depth_nm", lambda value: 1.0),
}
OF_GROWTH = {
    "relative_spread": ("spread_square", lambda value: 2.0 * value),
    "grain_nm": ("grain_nm", lambda value: 1.0),
    "final_nm": ("final_square_nm2", lambda value: 2.0 * value),
    "settling_nm": ("settling_nm", lambda value: 1.0),
}


@st.composite
def samples(draw, fewest=2, most=8):
    count = draw(st.integers(fewest, most))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    thickness = rng.uniform(4.0, 30.0, count)
    relief = draw(st.sampled_from([0.0, 0.05])) * thickness
    return LayeredSample(
        thickness_nm=thickness,
        width_nm=thickness * rng.choice([0.0, 0.1, 0.5], count),
        shape=rng.integers(0, len(SHAPES), count),
        material=np.arange(count + 1),
        atomic_density_per_nm3=rng.uniform(40.0, 100.0, count + 1),
        rate_nm_s=rng.uniform(4.0, 12.0, count + 1),
        composition=rng.dirichlet(np.ones(ELEMENTS), count + 1),
        relief_nm=relief if relief.any() else None,
    )


@st.composite
def instruments(draw):
    preference = draw(st.sampled_from([None, (1.0, 2.0, 0.6)]))
    options = {
        **draw(st.sampled_from(MIXING)),
        **draw(st.sampled_from(ROUGHNESS)),
        **draw(st.sampled_from(VIEWS)),
    }
    return Instrument(
        CRATERS[draw(st.sampled_from(sorted(CRATERS)))],
        preference=None if preference is None else np.array(preference),
        **options,
    )


def changes(sample, instrument, edges_s):
    """Every number that may change: its name, its size, what it makes of the input, its slope."""
    out = []

    def of_sample(name, i, value):
        def moved(by):
            numbers = getattr(sample, name).copy()
            numbers[i] += by
            return replace(sample, **{name: numbers}), instrument, edges_s

        def slope(directions):
            getattr(directions, name)[i, 0] = 1.0

        out.append((f"{name}[{i}]", value, moved, slope))

    for name in ("thickness_nm", "width_nm", "relief_nm", "atomic_density_per_nm3", "rate_nm_s"):
        numbers = getattr(sample, name)
        for i, value in enumerate([] if numbers is None else numbers):
            if value > 0:
                of_sample(name, i, value)

    def of_number(name, owner, field, slope_name, factor):
        value = getattr(owner, name)

        def moved(by):
            changed = {name: value + by}
            if field:
                return sample, replace(instrument, growth=replace(owner, **changed)), edges_s
            return sample, replace(instrument, **changed), edges_s

        def slope(directions):
            getattr(directions, slope_name)[0] = factor(value)

        if value > 0:
            out.append((name, value, moved, slope))

    for name, (slope_name, factor) in NUMBERS.items():
        if name != "mixing_range_nm" or instrument.mixing == "diffusive":
            of_number(name, instrument, "", slope_name, factor)
    used = {"grains": 2, "columns": 1, "saturating": 4}.get(instrument.growth.law, 0)
    names = list(OF_GROWTH)[2:4] if used == 4 else list(OF_GROWTH)[:used]
    for name in names:
        of_number(name, instrument.growth, "growth", *OF_GROWTH[name])

    segments = instrument.crater
    rng = np.random.default_rng(3)
    change = np.zeros_like(segments)
    change[:, :2] = rng.normal(size=(len(segments), 2)) * 0.3
    change[:, 2] = rng.normal(size=len(segments)) * 0.1
    change[:, 2] -= change[:, 2].mean()

    def bent(by):
        return sample, replace(instrument, crater=segments + by * change), edges_s

    def of_bent(directions):
        directions.crater[..., 0] = change
        across = segments[:, 1] - segments[:, 0]
        directions.crater_square[:, 0] = 2.0 * across * (change[:, 1] - change[:, 0])

    if np.all(segments[:, 0] != segments[:, 1]):
        out.append(("crater", 0.01, bent, of_bent))
    late = edges_s * (edges_s[-1] - edges_s) / edges_s[-1]

    def delayed(by):
        return sample, instrument, edges_s + by * late

    def of_delayed(directions):
        directions.dose_s[:, 0] = late

    out.append(("doses", 0.1, delayed, of_delayed))
    return out


def by_element(sample):
    weights = np.linspace(0.5, 1.0, sample.rate_nm_s.size)[:, None, None]
    return weights * np.eye(ELEMENTS)


def times_s(sample, count):
    whole = float(np.sum(sample.thickness_nm / sample.rate_nm_s[:-1]))
    return np.linspace(0.0, 1.15 * whole, count)


@settings(max_examples=6, suppress_health_check=[HealthCheck.filter_too_much])
@given(samples(), instruments(), st.data())
@pytest.mark.thorough
def test_slopes_are_those_of_the_signal(sample, instrument, data):
    edges_s, projection = times_s(sample, 61), by_element(sample)
    slices = plan(sample, instrument, edges_s)
    name, scale, moved, slope = data.draw(
        st.sampled_from(changes(sample, instrument, edges_s)).filter(lambda change: change)
    )
    directions = Directions.none(sample, instrument, edges_s.size, 1)
    slope(directions)
    signals, slopes = run_with_slopes(sample, instrument, edges_s, projection, slices, directions)
    plain = run(sample, instrument, edges_s, projection, slices)
    assert signals.signal == pytest.approx(plain.signal, rel=1e-12, abs=1e-12)
    assert np.array_equal(signals.mean_depth_nm, plain.mean_depth_nm)
    found, apart = most_certain(lambda by: run(*moved(by), projection, slices).signal, scale)
    peak = np.abs(found).max()
    assume(apart <= BELIEVED * peak)
    assert np.abs(slopes.signal[0] - found).max() <= ERROR * peak, name
