"""The exposure matrix: shares in order, in closed form, and a balanced budget of ions."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ndtr

from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.arrival import Arrival
from craterfront.models.erosion_front.floor import Floor
from craterfront.models.erosion_front.roughening import LAWS, Growth, dose_spread

DENSITY = 80.0

CRATERS = {
    "flat": crater.flat(),
    "parabolic": crater.parabolic(0.15),
    "steep": crater.parabolic(1.2),
    "tilted": crater.tilted(0.05),
    "edged": crater.edged(0.1, 0.6),
    "measured": crater.measured([0.0, 0.5, 1.0, 2.0], [1.1, 1.05, 1.07, 0.9]),
}

LAW_SETTINGS = {"relative_spread": 0.08, "grain_nm": 30.0, "final_nm": 4.0, "settling_nm": 20.0}


def arrival_of(thickness_nm, rate_nm, law, initial_nm, segments, scale=1.0):
    """Slices of the given rates; relative_spread and grains as in LAW_SETTINGS."""
    thickness, rate = np.asarray(thickness_nm, float), np.asarray(rate_nm, float)
    dose = thickness / rate
    settings = LAW_SETTINGS | {"relative_spread": scale * LAW_SETTINGS["relative_spread"]}
    spread = dose_spread(
        DENSITY * thickness, thickness, dose, 1.0 / rate[0], Growth(law, **settings), initial_nm,
    )  # fmt: skip
    return dose, Arrival.of(dose, spread, Floor.of(segments))


def layered(slices):
    """Three layers whose rates differ by up to 20, a law of growth, a start, a crater."""
    return st.tuples(
        st.lists(st.floats(1, 80), min_size=3, max_size=3),
        st.lists(st.floats(1, 20), min_size=3, max_size=3),
        slices,
        st.sampled_from(LAWS),
        st.sampled_from([0.0, 1.0, 8.0]),
        st.sampled_from(sorted(CRATERS)),
    )


COARSE = layered(st.integers(3, 25))
FINE = layered(st.integers(150, 250))


def built(case, bottom=0):
    thicknesses, rates, slices, law, initial_nm, shape = case
    thickness = np.repeat(np.array(thicknesses) / slices, slices)
    below = thickness[-1] * 1.05 ** np.arange(bottom)
    rate = np.append(np.repeat(rates, slices), np.full(bottom, rates[-1]))
    return arrival_of(np.append(thickness, below), rate, law, initial_nm, CRATERS[shape])


@settings(max_examples=80)
@given(COARSE, st.integers(2, 30))
def test_shares_are_in_order(case, count):
    slice_dose, arrival = built(case)
    doses = np.linspace(0.0, 3.0 * slice_dose.sum(), count)
    share = arrival.exposure(doses)
    assert share.min() >= 0.0
    assert share.max() <= 1.0 + 1e-9
    # the tables interpolate to 1e-6: what is monotone may waver by as little
    assert np.diff(share, axis=1).min() >= -2e-6  # more dose, more has left
    assert np.diff(share, axis=0).max() <= 1e-12  # no slice leaves before the one above it


@settings(max_examples=60)
@given(COARSE)
def test_everything_that_is_held_is_collected(case):
    slice_dose, arrival = built(case)
    rng = np.random.default_rng(3)
    columns = rng.uniform(0.1, 5.0, (slice_dose.size, 2))
    end = np.array([0.0, 1e4 * slice_dose.sum()])
    collected = arrival.collected(columns, end)
    assert collected[0] == pytest.approx(np.zeros(2), abs=1e-12)
    assert collected[1] == pytest.approx(columns.sum(axis=0), rel=1e-9)


@settings(max_examples=40)
@given(FINE, st.integers(2, 120))
def test_the_dose_used_is_the_dose_supplied(case, count):
    # Slices as thin as the plan makes them, and a substrate that no column passes.
    slice_dose, arrival = built(case, bottom=220)
    supplied = np.linspace(0.0, slice_dose[:-220].sum(), count)
    balanced = arrival.balanced_dose(slice_dose, supplied)
    assert np.all(np.diff(balanced) >= 0.0)
    assert arrival.exposure(balanced[-1:])[-1, 0] < 1e-9
    used = arrival.collected(slice_dose[:, None], balanced)[:, 0]
    assert used == pytest.approx(supplied, abs=2e-3 * supplied[1])


def by_definition(segments, dose, d0, d1, sigma):
    """Mean of P(g D + delta >= d) over the area and the slice, by adaptive quadrature."""

    def over_slice(g):
        if sigma == 0.0:
            return min(max((g * dose - d0) / (d1 - d0), 0.0), 1.0)
        points = [d for d in (g * dose - 5 * sigma, g * dose, g * dose + 5 * sigma) if d0 < d < d1]
        total, _ = quad(
            lambda d: float(ndtr((g * dose - d) / sigma)), d0, d1, points=points or None,
            epsabs=1e-11, epsrel=1e-11,
        )  # fmt: skip
        return total / (d1 - d0)

    share = 0.0
    for first, last, weight in segments:
        low, high = min(first, last), max(first, last)
        if high == low:
            share += weight * over_slice(low)
            continue
        kinks = [d / dose for d in (d0 - 6 * sigma, d0, d1, d1 + 6 * sigma)]
        mean, _ = quad(
            over_slice, low, high, points=[k for k in kinks if low < k < high] or None,
            epsabs=1e-10, epsrel=1e-10, limit=200,
        )  # fmt: skip
        share += weight * mean / (high - low)
    return share


@pytest.mark.parametrize("shape", sorted(CRATERS))
@pytest.mark.parametrize("sigma", [0.0, 0.01, 0.3, 1.0, 6.0])
@pytest.mark.parametrize("size", [0.01, 0.5, 4.0])
def test_closed_form_against_its_definition(shape, sigma, size):
    # One slice from dose 20 on, below a single slice; constant spread, so that nothing limits.
    slice_dose = np.array([20.0, size])
    arrival = Arrival.of(slice_dose, np.full(3, sigma), Floor.of(CRATERS[shape]))
    doses = 20.0 + 0.5 * size + np.array([-2.0, -0.5, 0.0, 0.4, 1.5]) * (0.5 + sigma + size)
    doses = doses[doses > 0]
    share = arrival.exposure(doses)[1]
    expected = [by_definition(CRATERS[shape], d, 20.0, 20.0 + size, sigma) for d in doses]
    assert share == pytest.approx(expected, abs=2e-6)


@settings(max_examples=30)
@given(
    sigma=st.floats(0.001, 10),
    size=st.floats(0.001, 10),
    curvature=st.floats(-1.5, 1.5).map(lambda c: round(c, 6)),  # quadrature needs a range
    dose=st.floats(5, 40),
)
def test_closed_form_of_a_paraboloid_for_any_ratio_of_widths(sigma, size, curvature, dose):
    segments = crater.parabolic(curvature)
    slice_dose = np.array([20.0, size])
    arrival = Arrival.of(slice_dose, np.full(3, sigma), Floor.of(segments))
    expected = by_definition(segments, dose, 20.0, 20.0 + size, sigma)
    assert arrival.exposure(np.array([dose]))[1, 0] == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize("shape", sorted(CRATERS))
@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("initial_nm", [0.0, 2.0])
def test_a_uniform_sample_gives_a_constant_signal_from_the_first_sample_on(shape, law, initial_nm):
    thickness = np.full(4000, 0.1)
    slice_dose, arrival = arrival_of(thickness, np.full(4000, 2.0), law, initial_nm, CRATERS[shape])
    supplied = np.linspace(0.0, 60.0, 241)
    balanced = arrival.balanced_dose(slice_dose, supplied)
    signal = np.diff(arrival.collected(slice_dose[:, None], balanced)[:, 0]) / np.diff(supplied)
    assert signal == pytest.approx(np.ones(240), abs=1e-3)


def test_a_flat_crater_without_roughness_is_a_clock():
    slice_dose, arrival = arrival_of([1.0, 2.0, 4.0], [1.0, 1.0, 1.0], "none", 0.0, crater.flat())
    share = arrival.exposure(np.array([0.5, 2.0, 5.0, 7.0]))
    assert share == pytest.approx(
        np.array([[0.5, 1.0, 1.0, 1.0], [0.0, 0.5, 1.0, 1.0], [0.0, 0.0, 0.5, 1.0]])
    )
    assert np.array_equal(arrival.balanced_dose(slice_dose, np.array([1.0, 3.0])), [1.0, 3.0])


def test_mirror_slices_make_up_for_what_a_rough_start_has_lost():
    # Derived: with a constant spread the mirror image is exact and nothing must be balanced.
    dose = np.full(400, 0.1)
    arrival = Arrival.of(dose, np.full(401, 1.0), Floor.of(crater.flat()))
    signal = np.diff(arrival.collected(dose[:, None], np.linspace(0, 10, 101))[:, 0])
    assert signal == pytest.approx(np.full(100, 0.1), rel=1e-5)


@given(COARSE)
@settings(max_examples=20)
def test_collected_is_the_exposure_times_what_slices_hold(case):
    slice_dose, arrival = built(case)
    doses = np.linspace(0.0, 1.5 * slice_dose.sum(), 7)
    full = Arrival(
        arrival.edges, arrival.sigma, arrival.sigma_above, np.arange(arrival.sigma.size),
        np.ones(arrival.sigma.size), arrival.first, arrival.floor, arrival.balanced,
    )  # fmt: skip
    rng = np.random.default_rng(4)
    held = rng.uniform(0, 1, (arrival.sigma.size, 1))
    share = full.exposure(doses)
    assert share.shape == (slice_dose.size, 7)
    mirrored = held.copy()
    mirrored[: arrival.first] = 0.0
    collected = full.collected(mirrored, doses)[:, 0]
    expected = (share - full.exposure(np.zeros(1))).T @ held[arrival.first :, 0]
    assert collected == pytest.approx(expected, abs=1e-8)
