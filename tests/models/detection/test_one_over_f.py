"""A 1/f spectrum from a sum of processes, drawn and averaged over readings."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.detection.noise import flicker_moments, noisy_readings
from craterfront.models.detection.one_over_f import processes


def one_over_f(frequency_Hz, rms_per_decade):
    """Every decade has the same variance: the integral of this from f to 10 f is rms^2."""
    return rms_per_decade**2 / (math.log(10.0) * frequency_Hz)


def spectral_density_per_Hz(frequency_Hz, of):
    """Of a sum of Ornstein-Uhlenbeck processes, one-sided."""
    phase = 2.0 * math.pi * frequency_Hz
    return sum(4.0 * rms**2 * time_s / (1.0 + (phase * time_s) ** 2) for rms, time_s in of)


def within_ends(frequency_Hz, shortest_s, longest_s):
    """Share of 1/f that a continuum of correlation times between two ends makes.

    Derived: the integral of 4 T / (1 + (2 pi f T)^2) over d ln T, against that without ends.
    """
    phase = 2.0 * math.pi * frequency_Hz
    return 2.0 / math.pi * (np.arctan(phase * longest_s) - np.arctan(phase * shortest_s))


@pytest.mark.parametrize(("shortest_s", "longest_s"), [(0.01, 1000.0), (0.003, 40.0), (1.0, 2e4)])
def test_the_spectrum_falls_as_one_over_f(shortest_s, longest_s):
    made = processes(0.004, shortest_s, longest_s)
    ends_Hz = 1.0 / (2.0 * math.pi * np.array([longest_s, shortest_s]))
    inside = np.geomspace(10.0 * ends_Hz[0], ends_Hz[1] / 10.0, 400)
    ratio = spectral_density_per_Hz(inside, made) / one_over_f(inside, 0.004)
    # Derived: 0.08 % of ripple, and 6.3 % that is missing a decade from either end.
    assert ratio.max() < 1.001
    assert ratio.min() > 1.0 - 2.0 / math.pi * math.atan(0.1) * 1.25
    smooth = within_ends(inside, shortest_s, longest_s)
    # Derived: the midpoint rule errs at an end by D^2 / 24 times the slope of sech(u) / pi there,
    # 0.34 % at u = ln(10) for D = ln(10) / 2.
    assert ratio == pytest.approx(smooth, rel=3.7e-3)
    everywhere = np.geomspace(0.03 * ends_Hz[0], 30.0 * ends_Hz[1], 400)
    found = spectral_density_per_Hz(everywhere, made) / one_over_f(everywhere, 0.004)
    assert found == pytest.approx(within_ends(everywhere, shortest_s, longest_s), rel=0.06)


def test_in_the_middle_of_a_wide_band_it_is_one_over_f_to_a_thousandth():
    made = processes(0.01, 1e-6, 1e6)
    middle = np.geomspace(0.01, 10.0, 300) / (2.0 * math.pi)
    ratio = spectral_density_per_Hz(middle, made) / one_over_f(middle, 0.01)
    # Derived, Poisson's summation: 2 sech(pi^2 / D) with D = ln(10) / 2 is 7.6e-4.
    assert np.abs(ratio - 1.0).max() < 8.5e-4
    assert np.ptp(ratio) > 1e-3


@given(rms=st.floats(1e-5, 0.1), shortest_s=st.floats(1e-4, 1.0), decades=st.floats(0.01, 8.0))
def test_every_decade_has_the_same_variance(rms, shortest_s, decades):
    made = processes(rms, shortest_s, shortest_s * 10.0**decades)
    total = math.fsum(each**2 for each, _ in made)
    assert total == pytest.approx(rms**2 * decades, rel=1e-9)
    times = [time_s for _, time_s in made]
    assert shortest_s < min(times) <= max(times) < shortest_s * 10.0**decades


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0.0, 0.1, 1.0), "rms_per_decade: must be > 0"),
        ((0.1, 1.0, 1.0), "longest_s: must be > shortest_s = 1, got 1"),
        ((0.1, 1.0, math.inf), "longest_s: must be > shortest_s = 1, got inf"),
    ],
)
def test_wrong_arguments_are_named(arguments, message):
    with pytest.raises(ValueError, match=message):
        processes(*arguments)


def drawn(interval_s, runs, seed, band=(0.05, 50.0)):
    """Source means over readings of the given lengths, less 1, shape (runs, N)."""
    rng, made = np.random.default_rng(seed), processes(0.02, *band)
    signal, none = np.ones((1, interval_s.size)), np.zeros(1)
    readings = [
        noisy_readings(signal, none, interval_s, rng, fluctuations=made)[0] for _ in range(runs)
    ]
    return np.array(readings) - 1.0


def test_readings_have_the_closed_moments_and_spectrum():
    """Means over intervals see S(f) sinc^2; so does their variance, summed over processes."""
    readings = drawn(np.full(256, 0.1), 1500, 3)
    expected = math.fsum(flicker_moments(r, t, 0.1)[0] for r, t in processes(0.02, 0.05, 50.0))
    assert readings.var() == pytest.approx(expected, rel=0.05)
    window = np.hanning(256)
    power = np.mean(np.abs(np.fft.rfft(readings * window)) ** 2, axis=0)
    density = 2.0 * 0.1 * power / np.sum(window**2)
    frequency = np.fft.rfftfreq(256, 0.1)
    clear = (frequency > 0.3) & (frequency < 1.5)  # of the ends of band and readings
    ratio = density[clear] / one_over_f(frequency[clear], 0.02)
    within = within_ends(frequency[clear], 0.05, 50.0) * np.sinc(0.1 * frequency[clear]) ** 2
    assert np.mean(ratio / within) == pytest.approx(1.0, abs=0.1)
    slope = np.polyfit(np.log(frequency[clear]), np.log(density[clear] / within), 1)[0]
    assert slope == pytest.approx(-1.0, abs=0.1)


def test_it_does_not_depend_on_the_sampling():
    """Means of short readings have the variance of one as long as all of them."""
    uneven = np.array([0.02, 0.3, 0.08, 0.6])
    mean = drawn(uneven, 12_000, 4) @ uneven / uneven.sum()
    expected = math.fsum(flicker_moments(r, t, 1.0)[0] for r, t in processes(0.02, 0.05, 50.0))
    assert mean.var() == pytest.approx(expected, rel=6 * math.sqrt(2 / 12_000))
