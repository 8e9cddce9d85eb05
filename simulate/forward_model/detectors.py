"""What the detectors make of the intensity that they are offered: dead time, rounding, limits."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from craterfront.experiments.channel import Channel
from craterfront.experiments.noise import Noise
from craterfront.models.detection.dead_time import LARGEST_SHARE, true_rate
from craterfront.problems import InputProblems, shown


@dataclass(frozen=True)
class Detectors:
    """The detectors of C channels.

    Attributes
    ----------
    names : tuple of str
    counts_per_unit_s : float
        Counts per second for one unit of intensity; nan where nothing is counted.
    dead_time_s, step, limit : ndarray, shape (C,)
        Dead time [s] (0: none), step of the readings (0: not rounded), saturation (inf: none).
    """

    names: tuple[str, ...]
    counts_per_unit_s: float
    dead_time_s: np.ndarray
    step: np.ndarray
    limit: np.ndarray

    @classmethod
    def of(cls, channels: Sequence[Channel], noise: Noise) -> Self:
        """As the experiment file describes them."""
        counts = noise.counts_per_unit_s
        return cls(
            tuple(channel.name for channel in channels),
            np.nan if counts is None else float(counts),
            np.array([float(c.dead_time_s or 0.0) for c in channels]),
            np.array([float(c.reading_step or 0.0) for c in channels]),
            np.array([np.inf if c.saturation is None else float(c.saturation) for c in channels]),
        )

    def rounded_and_limited(self, readings: np.ndarray) -> np.ndarray:
        """Readings as they are written down, shape (C, N)."""
        written = readings.copy()
        for row, step in enumerate(self.step):
            if step > 0:
                written[row] = step * np.round(readings[row] / step)
        return np.minimum(written, self.limit[:, None])

    @property
    def limit_offered(self) -> np.ndarray:
        """The offered intensity at which readings end, shape (C,)."""
        limit = self.limit.copy()
        for row in np.flatnonzero((self.dead_time_s > 0) & np.isfinite(limit)):
            limit[row] = self._without_loss(limit[row], self.dead_time_s[row])
        return limit

    def offered(self, readings: np.ndarray, source: str = "") -> np.ndarray:
        """Readings without the loss to the dead time, shape (C, N).

        Raises
        ------
        InputProblems
            Where a reading is larger than the dead time allows.
        """
        offered, problems = readings.copy(), []
        for row in np.flatnonzero(self.dead_time_s > 0):
            below_limit = np.minimum(readings[row], self.limit[row])
            most = 1.0 / (self.counts_per_unit_s * self.dead_time_s[row])
            if below_limit.max() < most:
                offered[row] = self._without_loss(below_limit, self.dead_time_s[row])
                continue
            problems.append(
                f"channel {shown(self.names[row])}: a reading of {below_limit.max():.6g}; with"
                f" dead_time_s = {self.dead_time_s[row]:g} and counts_per_unit_s ="
                f" {self.counts_per_unit_s:g} every reading is below {most:.6g}"
            )
        if problems:
            raise InputProblems(problems, source)
        return offered

    def _without_loss(self, readings: np.ndarray, dead_time_s: float) -> np.ndarray:
        return true_rate(readings * self.counts_per_unit_s, dead_time_s) / self.counts_per_unit_s

    def require_short_dead_times(self, interval_s: np.ndarray, source: str = "") -> None:
        """Stop where a dead time is not short against a reading.

        Raises
        ------
        InputProblems
        """
        longest = LARGEST_SHARE * float(np.min(interval_s))
        problems = [
            f"channel {shown(name)} dead_time_s: must be <= {longest:g}, {LARGEST_SHARE:g} of the"
            f" shortest reading, got {dead_time_s:g}"
            for name, dead_time_s in zip(self.names, self.dead_time_s, strict=True)
            if dead_time_s > longest
        ]
        if problems:
            raise InputProblems(problems, source)
