"""A rate that settles with depth."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from craterfront.models.erosion_front import start_up
from craterfront.models.erosion_front.surface_transient import (
    eroded_dose_s,
    relative_rate,
    supplied_dose_s,
)

excesses = st.floats(-0.95, 20.0)
decays = st.floats(1e-2, 10.0)
times = st.floats(0.0, 1e3)


def eroded(time_s, excess, decay_s):
    return float(eroded_dose_s(np.array(time_s), excess, decay_s))


@pytest.mark.parametrize("excess", [-0.8, -0.2, 0.3, 12.0])
def test_depth_follows_the_rate(excess):
    """Source: derived, numerical integration of dz/dt = v (1 + a exp(-z / z_tr))."""
    rate, decay_nm, times_s = 0.7, 2.5, np.array([0.5, 2.0, 10.0, 40.0])
    found = solve_ivp(
        lambda _, z: rate * (1.0 + excess * np.exp(-z / decay_nm)),
        (0.0, 40.0),
        [0.0],
        t_eval=times_s,
        rtol=1e-11,
        atol=1e-12,
        method="DOP853",
    )
    depth = rate * eroded_dose_s(times_s, excess, decay_nm / rate)
    assert depth == pytest.approx(found.y[0], rel=1e-8)


@given(excess=excesses, decay_s=decays)
def test_in_the_end_the_sample_is_ahead_by_the_logarithm(excess, decay_s):
    """Derived: by T ln(1 + a)."""
    late = 60.0 * decay_s
    ahead = eroded(late, excess, decay_s) - late
    assert ahead == pytest.approx(decay_s * math.log1p(excess), abs=1e-12 * late)


@given(excess=excesses, decay_s=decays, time_s=times)
def test_the_relative_rate_is_the_slope_of_the_dose(excess, decay_s, time_s):
    step = 1e-4 * decay_s
    slope = (eroded(time_s + step, excess, decay_s) - eroded(time_s, excess, decay_s)) / step
    middle = float(relative_rate(np.array(time_s + 0.5 * step), excess, decay_s))
    assert slope == pytest.approx(middle, rel=1e-6, abs=1e-14 * (time_s + decay_s) / step)


@given(excess=excesses, decay_s=decays, time_s=times)
def test_the_dose_supplied_is_found_again(excess, decay_s, time_s):
    found = float(supplied_dose_s(np.array(eroded(time_s, excess, decay_s)), excess, decay_s))
    slowest = min(1.0 + excess, 1.0)
    tolerance = 1e-12 * (time_s + decay_s) * max(1.0 + excess, 1.0) / slowest
    assert found == pytest.approx(time_s, abs=tolerance)


@given(excess=excesses, decay_s=decays, time_s=times, more=st.floats(1e-6, 100.0))
def test_depth_grows_between_the_first_and_the_final_rate(excess, decay_s, time_s, more):
    gained = eroded(time_s + more, excess, decay_s) - eroded(time_s, excess, decay_s)
    rounding = 1e-12 * (time_s + more + decay_s)
    slowest, fastest = sorted([1.0, 1.0 + excess])
    assert slowest * more - rounding <= gained <= fastest * more + rounding


@pytest.mark.parametrize("excess", [-0.01, 0.001, 0.02])
def test_a_small_excess_is_a_start_up_with_the_opposite_deficit(excess):
    """Derived: both agree to first order in a, and are a^2 T / 2 apart in the end."""
    time_s = np.linspace(0.0, 30.0, 31)
    settled = start_up.supplied_dose_s(time_s, -excess, 1.5)
    difference = settled - eroded_dose_s(time_s, excess, 1.5)
    assert np.abs(difference).max() <= 1.02 * 0.5 * excess**2 * 1.5
    assert difference[-1] == pytest.approx(0.5 * excess**2 * 1.5, rel=0.02)
