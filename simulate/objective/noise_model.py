"""The noise of measured readings, and how far a model falls short of them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from craterfront.experiments.noise import Noise
from craterfront.forward_model.detectors import Detectors
from craterfront.models.detection.averaged_processes import AveragedProcesses
from craterfront.models.detection.readings import (
    noise_level,
    restricted_log_likelihood,
    rounded_noise_level,
)

NOISE_FLOOR = 1e-4
"""Data without visible noise are taken to be good to this share of the channel's largest value."""

LEAST_DITHER = 0.5
"""Noise over the step of rounding from which on rounding errors hardly depend on the signal: with
the ratio x their mean is at most exp(-2 pi^2 x^2) / pi steps (derived: first harmonic), 0.2 %."""

_LEAST_COUNTS = 0.05  # where the model is dark, a reading has the variance of this many counts

_CLEARLY_BETTER = math.log(20.0)
"""Of a wrong explanation over the right one, in at most 1 of 20 profiles: the expectation of a
ratio of likelihoods under its denominator is 1 (Markov's inequality)."""

_MANY_READINGS = 2.0  # over which residuals are correlated: more than chance does

_SHORTEST = 3.0  # in readings; what is faster cannot be told from the noise of single readings
_LONGEST = 1.0 / 3.0  # of the profile; what is slower cannot be told from sensitivities
_LARGEST_RMS = 0.05  # sources fluctuate by 0.3 to 1 % (common practice, no source): a misfit then
_TIMES = 6
_RMS = np.geomspace(1e-3, 0.3, 15)


@dataclass(frozen=True)
class Fluctuation:
    """Fluctuation of the source, averaged over readings: common to all channels.

    Attributes
    ----------
    processes : tuple of (float, float)
        Relative standard deviation at one moment and correlation time [s] of each process.
    averaged : AveragedProcesses
        Their means over the readings.
    found : bool
        In the data, as a single process; otherwise it was written in the file.
    """

    processes: tuple[tuple[float, float], ...]
    averaged: AveragedProcesses
    found: bool

    @classmethod
    def of(
        cls, processes: Sequence[tuple[float, float]], interval_s: np.ndarray, found: bool
    ) -> Self:
        """For readings of the given lengths [s]."""
        return cls(tuple(processes), AveragedProcesses.of(processes, interval_s), found)

    @property
    def spread(self) -> np.ndarray:
        """Relative standard deviation of each reading, shape (N,)."""
        return self.averaged.spread


@dataclass(frozen=True)
class NoiseModel:
    """Variance of the readings, and the discrepancy: how far the model itself falls short.

    Attributes
    ----------
    kappa, rho2 : ndarray, shape (C,)
        Variance of a reading: (kappa * model + rho2) / interval.
    dead_time_s : ndarray, shape (C,)
        Of counting detectors [s], for which the readings have been corrected; 0 for none.
    rounding : ndarray, shape (C,)
        Variance of rounding, step^2 / 12: an error anywhere within half a step is as likely.
    fluctuation : Fluctuation or None
        Common to all channels.
    shortfall : ndarray, shape (C,)
        How far the model misses each channel, as a standard deviation in units of intensity that
        is the same for all its readings; 0 where the noise explains the residuals.
    correlation : ndarray, shape (C,)
        Number of readings over which residuals are correlated, at least 1: so much larger is the
        variance that they count with.
    counted : bool
        The gain was written in the file; otherwise it is estimated.
    """

    kappa: np.ndarray
    rho2: np.ndarray
    dead_time_s: np.ndarray
    rounding: np.ndarray
    fluctuation: Fluctuation | None
    shortfall: np.ndarray
    correlation: np.ndarray
    counted: bool

    @property
    def falls_short(self) -> np.ndarray:
        """Whether the noise does not explain the residuals of a channel, shape (C,)."""
        return (self.shortfall > 0) | (self.correlation > _MANY_READINGS)

    def variance(self, model: np.ndarray, interval_s: np.ndarray) -> np.ndarray:
        """Variance of every reading about the model, shape (C, N)."""
        return self.counting_variance(model, interval_s) + self.added_variance(model, interval_s)

    def counting_variance(self, model: np.ndarray, interval_s: np.ndarray) -> np.ndarray:
        """Of undisturbed counting, shape (C, N)."""
        gain = self.kappa[:, None] / interval_s
        return gain * np.maximum(model, _LEAST_COUNTS * gain)

    def added_variance(self, model: np.ndarray, interval_s: np.ndarray) -> np.ndarray:
        """Beside undisturbed counting: readout, dead time, rounding and shortfall, shape (C, N).

        The correction for a dead time adds model^2 dead_time / interval (see
        `models.detection.dead_time`) and stretches what is added after counting by its slope, (1 +
        model dead_time / kappa)^2.
        """
        readout = self.rho2[:, None] / interval_s
        fixed = self.rounding[:, None] + self.shortfall[:, None] ** 2
        if not self.dead_time_s.any():
            return readout + fixed
        dead, signal = self.dead_time_s[:, None], np.maximum(model, 0.0)
        gain = np.where(dead > 0.0, self.kappa[:, None], 1.0)
        return readout * (1.0 + signal * dead / gain) ** 4 + signal**2 * dead / interval_s + fixed


def noise_about(
    model: np.ndarray,
    readings: np.ndarray,
    interval_s: np.ndarray,
    usable: np.ndarray,
    written: Noise,
    detectors: Detectors,
) -> NoiseModel:
    """Noise level as written in the file, or from the scatter of the readings about a model.

    Parameters
    ----------
    model, readings : ndarray, shape (C, N)
    interval_s : ndarray, shape (N,)
    usable : ndarray of bool, shape (C, N)
        Readings that are not censored.
    written : Noise
        Of the experiment.
    detectors : Detectors
        With the steps to which readings are rounded.
    """
    channels = len(model)
    counts = written.counts_per_unit_s
    counted = counts is not None
    kappa, rho2 = np.zeros(channels), np.zeros(channels)
    rounding = detectors.step**2 / 12.0
    for c in range(channels):
        if counts is not None:
            kappa[c] = 1.0 / float(counts)
            rho2[c] = float(written.readout_per_sqrt_s) ** 2
            continue
        deviation = readings[c] - model[c]
        step, seen = float(detectors.step[c]), usable[c]
        kappa[c], rho2[c] = noise_level(deviation, model[c], interval_s, seen, rounding[c])
        own = (kappa[c] * np.maximum(model[c], 0.0) + rho2[c]) / interval_s
        if np.median(own) < (LEAST_DITHER * step) ** 2:
            kappa[c], rho2[c] = rounded_noise_level(
                readings[c][seen], model[c][seen], interval_s[seen], step
            )
        largest = float(np.max(np.abs(readings[c]))) or 1.0
        typical = float(interval_s.mean())
        if (kappa[c] * largest + rho2[c]) / typical < (NOISE_FLOOR * largest) ** 2:
            rho2[c] = (NOISE_FLOOR * largest) ** 2 * typical
    fluctuation = None
    if written.fluctuations:
        fluctuation = Fluctuation.of(written.fluctuations, interval_s, found=False)
    none, single = np.zeros(channels), np.ones(channels)
    return NoiseModel(
        kappa, rho2, detectors.dead_time_s, rounding, fluctuation, none, single, counted
    )


def find_fluctuation(
    columns: np.ndarray, priors: np.ndarray, loads: np.ndarray, interval_s: np.ndarray
) -> Fluctuation | None:
    """A fluctuation common to all channels, where the residuals are likelier with one than without.

    A model that falls short leaves residuals, too. It is no common fluctuation if the channel that
    it concerns, or all channels but each in its own way, explain the residuals clearly better.

    Parameters
    ----------
    columns, priors : ndarray, shape (C, N, P + 1) and (M, P + 1)
        See `restricted_log_likelihood`.
    loads : ndarray, shape (C, N)
        Signal over the standard deviation of a reading.
    interval_s : ndarray, shape (N,)
    """
    channels = len(loads)
    if channels == 1:
        return None
    evidence, found = _evidence(columns, priors, [loads], interval_s)
    if evidence <= 0.0 or found.processes[0][0] > _LARGEST_RMS:
        return None
    own = [np.where(np.arange(channels)[:, None] == c, loads, 0.0) for c in range(channels)]
    for explanation in (*([each] for each in own), own):
        other, _ = _evidence(columns, priors, explanation, interval_s)
        if other > evidence + _CLEARLY_BETTER:
            return None
    return found


def _evidence(
    columns: np.ndarray, priors: np.ndarray, loads: list[np.ndarray], interval_s: np.ndarray
) -> tuple[float, Fluctuation]:
    """Logarithm of how much likelier fluctuations make the residuals, and what they are like.

    Both are means over fluctuations of all sizes and times, each scale as probable as any other:
    a few correlation times in a profile leave a factor of two open, and the most likely one alone
    would be too small in half of the cases.
    """
    none = AveragedProcesses.of([], interval_s)
    log_none = restricted_log_likelihood(columns, priors, [], none)
    shortest, longest = _SHORTEST * float(np.median(interval_s)), _LONGEST * interval_s.sum()
    times = np.geomspace(shortest, max(longest, shortest), _TIMES)
    log_ratio = np.empty((times.size, _RMS.size))
    for i, time_s in enumerate(times):
        unit = AveragedProcesses.of([(1.0, time_s)], interval_s)
        for j, rms in enumerate(_RMS):
            entering = [rms * load for load in loads]
            log_likelihood = restricted_log_likelihood(columns, priors, entering, unit)
            log_ratio[i, j] = log_likelihood - log_none
    largest = log_ratio.max()
    weight = np.exp(log_ratio - largest)
    evidence = float(largest + np.log(weight.mean()))
    weight /= weight.sum()
    rms = math.sqrt(weight.sum(axis=0) @ _RMS**2)
    time_s = math.exp(weight.sum(axis=1) @ np.log(times))
    return evidence, Fluctuation.of([(rms, time_s)], interval_s, found=True)


def shortfall(deviation: np.ndarray, variance: np.ndarray, leverage: np.ndarray) -> float:
    """Standard deviation to add to the noise of a channel so that it explains the residuals.

    Residuals count with what their reading contributes to the answer (its leverage h). The fit
    takes up part of the noise: their mean square is 1 - h if the noise explains them. A shortfall
    is added where it exceeds that by more than three standard deviations.

    Parameters
    ----------
    deviation, variance, leverage : ndarray, shape (N,)
        Readings minus model, variance of the noise, and h between 0 and 1.
    """
    total = float(leverage.sum())
    if deviation.size < 8 or total <= 0:
        return 0.0
    effective = total**2 / float(np.sum(leverage**2))
    expected = max(float(leverage @ (1.0 - leverage)), 1e-12)

    def size(added: float) -> float:
        return float(leverage @ (deviation**2 / (variance + added))) / expected

    if size(0.0) <= 1.0 + 3.0 * np.sqrt(2.0 / effective):
        return 0.0
    low, high = 0.0, float(np.max(deviation**2)) * total / expected
    for _ in range(100):
        added = 0.5 * (low + high)
        low, high = (added, high) if size(added) > 1.0 else (low, added)
    return float(np.sqrt(high))
