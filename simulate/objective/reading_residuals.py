"""Deviations of readings from a model as residuals of unit variance, and their derivatives.

Variances come from a smooth model, never from the readings, and are held while a fit moves. What is
counted counts with its own probability (Poisson), what is rounded with that of all that rounds to
it, what is saturated with that of reaching the limit.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from craterfront.models.detection.readings import (
    LEAST_TO_STEP,
    censored_residuals,
    censored_slopes,
    deviance_residuals,
    deviance_scores,
    deviance_slopes,
    rounded_residuals,
    rounded_slopes,
)
from craterfront.objective.noise_model import LEAST_DITHER, NoiseModel

_VERY_MANY = 1e10
"""Counts, those that stand for readout included, from which on Poisson's distribution is normal:
its skewness is one over their root, and that many digits the deviance loses to rounding."""


@dataclass(frozen=True)
class ReadingResiduals:
    """Readings of all channels with their noise.

    Attributes
    ----------
    values : ndarray, shape (C, N)
        Readings, corrected for dead time.
    interval : ndarray, shape (N,)
    censored : ndarray of bool, shape (C, N)
        Readings known only to be at least the limit.
    limit, step : ndarray, shape (C,)
        Saturation (inf for none), and the step to which readings are rounded (0 for none).
    noise : NoiseModel
    about : ndarray, shape (C, N)
        The model that the variances are those of.
    signal : ndarray, shape (C, N)
        What a fluctuation of the source multiplies.
    """

    values: np.ndarray
    interval: np.ndarray
    censored: np.ndarray
    limit: np.ndarray
    step: np.ndarray
    noise: NoiseModel
    about: np.ndarray
    signal: np.ndarray

    @cached_property
    def variance(self) -> np.ndarray:
        """Of every reading, shape (C, N)."""
        return self.noise.variance(self.about, self.interval)

    @cached_property
    def loads(self) -> np.ndarray:
        """How strongly a common fluctuation enters each standardised reading, shape (C, N)."""
        variance = self.variance * self.noise.correlation[:, None]
        return np.where(self.censored, 0.0, self.signal / np.sqrt(variance))

    @cached_property
    def added(self) -> np.ndarray:
        """The part of the variance that is not counting, shape (C, N)."""
        return self.noise.added_variance(self.about, self.interval)

    @cached_property
    def gain(self) -> np.ndarray:
        """Intensity per count in each reading, 0 where nothing is counted, shape (C, N)."""
        return self.noise.kappa[:, None] / self.interval

    @cached_property
    def counted(self) -> np.ndarray:
        """Channels whose readings are counts, as far as they can be and as it shows, shape (C,)."""
        possible = np.all(self.values * self.gain + self.added >= 0.0, axis=1)
        few = np.any(self.variance < _VERY_MANY * self.gain**2, axis=1)
        return possible & few

    @cached_property
    def coarse(self) -> np.ndarray:
        """Readings that scatter too little for rounding to be noise, shape (C, N)."""
        return self._own_deviation < LEAST_DITHER * self.step[:, None]

    @cached_property
    def _own_deviation(self) -> np.ndarray:
        """Standard deviation before rounding, as far as readings can tell it, shape (C, N)."""
        step = self.step[:, None]
        own = self.variance - step**2 / 12.0
        return np.sqrt(np.maximum(own, (LEAST_TO_STEP * step) ** 2))

    @property
    def linear(self) -> bool:
        """Whether the residuals are linear in the model."""
        return not (self.counted.any() or self.coarse.any() or self.censored.any())

    def of(self, model: np.ndarray) -> np.ndarray:
        """Residuals about a model, shape (C, N)."""
        out = (self.values - model) / np.sqrt(self.variance)
        out[self.counted] = deviance_residuals(*self._as_counts(model))
        return self._with_special(out, model, rounded_residuals, censored_residuals)

    def slopes(self, model: np.ndarray) -> np.ndarray:
        """Derivatives of `of` by the model, shape (C, N)."""
        out = -1.0 / np.sqrt(self.variance)
        out[self.counted] = deviance_slopes(*self._as_counts(model))
        return self._other_slopes(out, model)

    def score(self, model: np.ndarray) -> np.ndarray:
        """Derivatives of half the square of each residual by the model, shape (C, N)."""
        out = (model - self.values) / self.variance
        out[self.counted], _ = deviance_scores(*self._as_counts(model))
        if self._any_special:
            both = self.slopes(model) * self.of(model)
            out[self._special] = both[self._special]
        return out

    def bend(self, model: np.ndarray, step: np.ndarray) -> np.ndarray:
        """Second derivatives of half the square of each residual by the model, shape (C, N).

        Of rounded and saturated readings by differences over a step, shape (C, N).
        """
        out = 1.0 / self.variance
        _, out[self.counted] = deviance_scores(*self._as_counts(model))
        if self._any_special:
            rise = (self.score(model + step) - self.score(model - step)) / (2.0 * step)
            out[self._special] = rise[self._special]
        return out

    @cached_property
    def _special(self) -> np.ndarray:
        """Readings that are rounded coarsely or saturated, shape (C, N)."""
        return self.coarse | self.censored

    @cached_property
    def _any_special(self) -> bool:
        return bool(self._special.any())

    def expected_slopes(self, model: np.ndarray) -> np.ndarray:
        """Derivatives whose squares are the expected information of each reading, shape (C, N).

        A few counts scatter, and so do the derivatives by the model of what was counted.
        """
        return self._other_slopes(-1.0 / np.sqrt(self.variance), model)

    def scoring_weights(self, model: np.ndarray) -> np.ndarray:
        """Roots of the information that readings are expected to hold about a model, (C, N).

        Unlike `expected_slopes` with the counts of this very model: weights for a step of Fisher
        scoring (P. McCullagh, J. A. Nelder, Generalized Linear Models (1989), section 2.5).
        """
        return -self._other_slopes(-1.0 / np.sqrt(self._variance_about(model)), model)

    def _variance_about(self, model: np.ndarray) -> np.ndarray:
        """Variances, of what is counted with the counts of this model."""
        counting = self.noise.counting_variance(model, self.interval) + self.added
        return np.where(self.counted[:, None], counting, self.variance)

    def _as_counts(
        self, model: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Readings, model, gain and readout variance of the channels that count, (C', N) each."""
        readings, gain, added = self._of_counts
        return readings, model[self.counted], gain, added

    @cached_property
    def _of_counts(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        mine = self.counted
        return self.values[mine], self.gain[mine], self.added[mine]

    def _other_slopes(self, slopes: np.ndarray, model: np.ndarray) -> np.ndarray:
        """Put in those of rounded and saturated readings."""
        return self._with_special(slopes, model, rounded_slopes, censored_slopes)

    def _with_special(
        self,
        out: np.ndarray,
        model: np.ndarray,
        rounded: Callable[..., np.ndarray],
        censored: Callable[..., np.ndarray],
    ) -> np.ndarray:
        """Put in what rounded and saturated readings have instead, shape (C, N)."""
        for c, mine, step in self._coarse_channels:
            deviation = self._own_deviation[c, mine]
            out[c, mine] = rounded(self.values[c, mine], model[c, mine], deviation, step)
        for c, hidden in self._censored_channels:
            deviation = np.sqrt(self.variance[c, hidden])
            out[c, hidden] = censored(self.limit[c], model[c, hidden], deviation)
        return out

    @cached_property
    def _coarse_channels(self) -> list[tuple[int, np.ndarray, float]]:
        rows = np.flatnonzero(self.coarse.any(axis=1))
        return [(int(c), self.coarse[c], float(self.step[c])) for c in rows]

    @cached_property
    def _censored_channels(self) -> list[tuple[int, np.ndarray]]:
        return [(int(c), self.censored[c]) for c in np.flatnonzero(self.censored.any(axis=1))]
