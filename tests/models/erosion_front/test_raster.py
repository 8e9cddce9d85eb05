"""The crater of a rastered beam: closed forms, symmetry, and ions thrown one by one."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.erosion_front.raster import (
    FWHM_PER_SD,
    edge_deficit,
    mean_relative_rate,
    rastered,
    side_profile,
)
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.engine import run

sides = st.tuples(st.floats(10, 1000), st.floats(10, 1000))
shares = st.tuples(st.floats(0.01, 1), st.floats(0.01, 1))


def scaled(widths, factors):
    return tuple(width * factor for width, factor in zip(widths, factors, strict=True))


def mean_rate(segments):
    return segments[:, 2] @ (0.5 * (segments[:, 0] + segments[:, 1]))


def rate_variance(segments):
    low, high, weight = segments.T
    return weight @ ((0.5 * (low + high) - 1.0) ** 2 + (high - low) ** 2 / 12.0)


@given(sides, shares, shares, st.floats(0, 1.9))
def test_rates_are_positive_with_mean_one_and_shares_that_add_up(raster, gate, beam, tilt):
    segments = rastered(raster, scaled(raster, gate), scaled(raster, beam), tilt)
    low, high, weight = segments.T
    assert np.all(low > 0)
    assert np.all(low <= high)
    assert weight.min() > 0
    assert weight.sum() == pytest.approx(1.0, rel=1e-12)
    assert mean_rate(segments) == pytest.approx(1.0, rel=1e-12)


@given(sides, shares, shares)
def test_the_variance_of_the_rate_is_that_of_two_independent_sides(raster, gate, beam):
    """Derived: for g = X Y, <g^2> = <X^2> <Y^2> / (<X>^2 <Y>^2); by Gauss-Legendre."""
    gate, beam = scaled(raster, gate), scaled(raster, beam)
    nodes, weights = np.polynomial.legendre.leggauss(200)
    expected = 1.0
    for width, gated, fwhm in zip(raster, gate, beam, strict=True):
        # The points lie in two pieces, as the profile may be flat and steep.
        edge = np.clip(0.5 * width - 6 * fwhm / FWHM_PER_SD, 0.0, 0.5 * gated)
        places = [(0.0, edge), (edge, 0.5 * gated)]
        moments = np.zeros(2)
        for start, stop in places:
            x = side_profile(0.5 * (stop + start) + 0.5 * (stop - start) * nodes, width, fwhm)
            moments += (stop - start) * np.array([weights @ x, weights @ x**2])
        expected *= gated * moments[1] / moments[0] ** 2
    assert rate_variance(rastered(raster, gate, beam)) == pytest.approx(
        expected - 1.0, rel=2e-3, abs=1e-9
    )


@given(sides, shares, st.floats(0, 1.9))
def test_the_shape_is_a_matter_of_ratios(raster, gate, tilt):
    """So an inclined surface, which stretches one direction by 1/cos(angle), changes nothing."""
    beam = (8.0, 5.0)
    gate = scaled(raster, gate)
    stretched = [(a / math.cos(math.radians(60)), b) for a, b in (raster, gate, beam)]
    first, second = rastered(raster, gate, beam, tilt), rastered(*stretched, tilt)
    assert rate_variance(second) == pytest.approx(rate_variance(first), rel=1e-6, abs=1e-12)
    assert mean_relative_rate(*stretched) == pytest.approx(mean_relative_rate(raster, gate, beam))


@given(sides, shares, shares)
def test_which_side_comes_first_does_not_matter(raster, gate, beam):
    arguments = (raster, scaled(raster, gate), scaled(raster, beam))
    swapped = rastered(*(widths[::-1] for widths in arguments))
    assert swapped == pytest.approx(rastered(*arguments), rel=1e-6, abs=1e-9)


@given(st.floats(-500, 500), st.floats(1, 500), st.floats(0.1, 500))
def test_a_side_is_symmetric(place, raster, fwhm):
    assert side_profile(place, raster, fwhm) == side_profile(-place, raster, fwhm)
    assert 0 <= side_profile(place, raster, fwhm) <= 1


def test_a_sharp_beam_makes_a_flat_crater():
    """A limit: the rate is 1 everywhere in the raster, and so is its mean."""
    assert np.array_equal(rastered((300, 300), (250, 200), (1, 1)), [[1.0, 1.0, 1.0]])
    assert mean_relative_rate((300, 300), (250, 200), (1, 1)) == pytest.approx(1.0, abs=1e-12)
    assert rate_variance(rastered((300, 300), (300, 300), (0.01, 0.01))) < 1e-4


def test_a_narrow_gate_sees_the_centre():
    arguments = ((100.0, 80.0), (1e-3, 1e-3), (90.0, 40.0))
    centre = side_profile(0.0, 100.0, 90.0) * side_profile(0.0, 80.0, 40.0)
    assert mean_relative_rate(*arguments) == pytest.approx(float(centre), rel=1e-6)
    assert rate_variance(rastered(*arguments)) < 1e-12


def test_the_whole_raster_loses_what_falls_beside_it():
    """Derived: a Gaussian of standard deviation s carries s / sqrt(2 pi) per unit of length across
    each of two edges, 2 s / (W sqrt(2 pi)) of a side, where s << W."""
    sd = 20.0 / FWHM_PER_SD
    lost = 2.0 * sd / (300.0 * math.sqrt(2.0 * math.pi))
    found = mean_relative_rate((300.0, 300.0), (300.0, 300.0), (20.0, 20.0))
    assert found == pytest.approx((1.0 - lost) ** 2, rel=1e-12)


def test_half_the_beam_reaches_the_edge():
    assert side_profile(150.0, 300.0, 20.0) == pytest.approx(0.5, rel=1e-12)
    assert edge_deficit((300, 300), (300, 100), (20, 20)) == pytest.approx(0.5, rel=1e-9)


def test_twice_the_beam_keeps_away_from_the_edge():
    """Derived: a margin of one FWHM on either side is 2.355 s: Phi(-2.355) = 0.93 %."""
    assert edge_deficit((300, 300), (260, 260), (20, 20)) == pytest.approx(0.0093, abs=1e-4)


def test_a_tilt_alone_is_uniform():
    """Derived: along a plane floor the rate is uniform on 1 -/+ tilt/2, with variance tilt^2/12."""
    segments = rastered((300, 300), (100, 100), (5, 5), tilt=0.3)
    assert rate_variance(segments) == pytest.approx(0.3**2 / 12, rel=1e-4)
    assert segments[:, 1].max() == pytest.approx(1.15, abs=2e-3)
    assert segments[:, 0].min() == pytest.approx(0.85, abs=2e-3)


def test_ions_thrown_at_a_raster():
    """Monte Carlo: even beam positions, Gaussian ions; share of ions and spread within the gate."""
    rng = np.random.default_rng(3)
    raster, gate, beam = (300.0, 200.0), (260.0, 180.0), (60.0, 30.0)
    ions = 10_000_000
    place = [
        np.abs(rng.uniform(-0.5, 0.5, ions) * width + rng.normal(0, fwhm / FWHM_PER_SD, ions))
        for width, fwhm in zip(raster, beam, strict=True)
    ]
    counts = np.histogram2d(*place, bins=(26, 18), range=[(0, 130), (0, 90)])[0]
    evenly = ions * gate[0] * gate[1] / (raster[0] * raster[1])
    mean = mean_relative_rate(raster, gate, beam)
    assert counts.sum() / evenly == pytest.approx(mean, abs=4 / math.sqrt(ions))
    rates = counts.ravel() / counts.mean()
    low, high, weight = rastered(raster, gate, beam).T
    # 1.5e4 ions in each of 468 cells: 1 % noise of a rate, and some 40 cells that a level divides.
    for rate in (0.6, 0.8, 0.95):
        below = weight @ np.clip((rate - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
        assert np.mean(rates < rate) == pytest.approx(below, abs=0.015)
    assert rates.var() == pytest.approx(rate_variance(rastered(raster, gate, beam)), rel=0.02)


def profile_of(segments):
    """Share of the substrate in what is collected across a sharp interface 1000 nm deep."""
    sample = LayeredSample(
        np.array([1000.0]), np.zeros(1), np.zeros(1, dtype=int), np.arange(2),
        np.full(2, 80.0), np.full(2, 10.0), np.eye(2),
    )  # fmt: skip
    projection = np.zeros((2, 2, 1))
    projection[1, 1] = 1.0
    time = np.linspace(0.0, 200.0, 2001)
    collected = run(sample, Instrument(segments, initial_nm=0.25), time, projection).signal[:, 0]
    return collected / (800.0 * np.diff(time))


@pytest.mark.parametrize(
    ("raster", "gate", "beam", "tilt"),
    [
        ((300, 300), (300, 300), (50, 50), 0.0),
        ((300, 300), (250, 250), (50, 50), 0.0),
        ((300, 200), (240, 100), (60, 30), 0.0),
        ((300, 300), (290, 290), (10, 10), 0.0),
        ((300, 300), (300, 300), (300, 300), 0.0),
        ((300, 300), (220, 220), (50, 50), 0.1),
    ],
)
def test_profiles_are_converged(raster, gate, beam, tilt, monkeypatch):
    """To 1e-3 of full scale, against many more segments on a finer grid."""
    profile = profile_of(rastered(raster, gate, beam, tilt))
    monkeypatch.setattr("craterfront.models.erosion_front.raster._CELLS", 700)
    finer = profile_of(rastered(raster, gate, beam, tilt, segments=1500))
    assert np.abs(profile - finer).max() < 1e-3


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (((300, 300), (310, 300), (50, 50)), "gate_um: must be <= raster_um = 300, got 310"),
        (((300, 0), (300, 300), (50, 50)), "raster_um: must be > 0 and finite, got 0"),
        (((300, 300), (300, 300), (50, math.nan)), "beam_fwhm_um: must be > 0 and finite, got nan"),
        (((300, 300), (300, -1), (50, 50)), "gate_um: must be > 0 and finite, got -1"),
        (((300, 300), (300, 300), (50, 50), 2.0), "tilt must be between -2 and 2, got 2"),
    ],
)
def test_what_makes_no_crater_is_named(arguments, message):
    with pytest.raises(ValueError, match=message):
        rastered(*arguments)
