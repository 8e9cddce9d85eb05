"""Start-up: the dose supplied while erosion settles, and what decays meanwhile."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from craterfront.models.erosion_front.start_up import (
    mean_remainder,
    supplied_dose_s,
    time_of_dose_s,
)

deficits = st.floats(0.0, 0.99)
decays = st.floats(1e-2, 10.0)
times = st.floats(0.0, 1e3)


def dose(time_s, deficit, decay_s):
    return float(supplied_dose_s(np.array(time_s), deficit, decay_s))


@pytest.mark.parametrize(("deficit", "decay_s"), [(0.0, 1.0), (0.3, 0.2), (0.9, 3.0)])
@pytest.mark.parametrize("time_s", [1e-6, 0.1, 1.0, 20.0])
def test_dose_is_the_integral_of_the_rate(deficit, decay_s, time_s):
    """Source: derived, numerical integration of 1 - a exp(-t / tau)."""
    integral, _ = quad(lambda t: 1.0 - deficit * np.exp(-t / decay_s), 0.0, time_s, epsrel=1e-12)
    assert dose(time_s, deficit, decay_s) == pytest.approx(integral, rel=1e-11)


@given(deficit=deficits, decay_s=decays, time_s=times, more=st.floats(1e-6, 100.0))
def test_dose_rises_between_the_slowest_and_the_final_rate(deficit, decay_s, time_s, more):
    gained = dose(time_s + more, deficit, decay_s) - dose(time_s, deficit, decay_s)
    rounding = 1e-13 * (time_s + more)
    assert (1.0 - deficit) * more - rounding <= gained <= more + rounding
    assert dose(0.0, deficit, decay_s) == 0.0


@given(deficit=deficits, decay_s=decays)
def test_in_the_end_what_was_missing_is_deficit_times_decay(deficit, decay_s):
    """Derived: the integral of a exp(-t / tau) over all times is a tau."""
    late = 60.0 * decay_s
    assert late - dose(late, deficit, decay_s) == pytest.approx(deficit * decay_s, abs=1e-12 * late)


@given(deficit=deficits, decay_s=decays, time_s=times)
def test_the_time_of_a_dose_is_found_again(deficit, decay_s, time_s):
    found = float(time_of_dose_s(np.array(dose(time_s, deficit, decay_s)), deficit, decay_s))
    # Near the beginning the rate is 1 - a, and digits are lost beside tau.
    tolerance = 1e-12 * (time_s + decay_s) / (1.0 - deficit)
    assert found == pytest.approx(time_s, abs=tolerance)


@given(decay_s=decays, cut=st.floats(0.01, 0.99), end=st.floats(1e-3, 50.0))
def test_what_decays_does_not_depend_on_the_sampling(decay_s, cut, end):
    """Derived: over both parts and over the whole the integral is tau (1 - exp(-t / tau))."""
    edges = np.array([0.0, cut * end, end])
    parts = mean_remainder(edges, decay_s) @ np.diff(edges)
    whole = mean_remainder(edges[[0, 2]], decay_s)[0] * end
    assert parts == pytest.approx(whole, rel=1e-12)
    assert whole == pytest.approx(-decay_s * np.expm1(-end / decay_s), rel=1e-12)
