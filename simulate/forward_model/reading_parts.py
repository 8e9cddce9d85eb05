"""Readings, divided where what happens within one of them shows in its mean.

The engine gives what is collected, or the mean of what is seen, between doses. A lag behind that,
and a rate that changes within a reading, take more than the two doses at its ends.
"""

from dataclasses import dataclass

import numpy as np

from craterfront.models.sources import residence

_PER_FACTOR = 32.0
"""Parts of a reading in which the rate changes by a factor e: means over dose within them, instead
of time, are wrong by less than 1e-3 of full scale (computed, with rates that change tenfold)."""


@dataclass(frozen=True)
class ReadingParts:
    """When the engine is asked, and how to come back to readings.

    Attributes
    ----------
    edges_s : ndarray, shape (M + 1,)
        Ends of all parts.
    ends : ndarray of int, shape (N + 1,)
        Which of them are ends of readings; what is before the first is before all readings.
    """

    edges_s: np.ndarray
    ends: np.ndarray

    @classmethod
    def whole(cls, edges_s: np.ndarray) -> "ReadingParts":
        """One part each; or the moments of snapshots."""
        return cls(edges_s, np.arange(edges_s.size))

    @classmethod
    def lagging(cls, edges_s: np.ndarray, residence_s: float) -> "ReadingParts":
        """For emission that lags behind, with all that was sputtered before the first reading."""
        early = edges_s[0] > 0.0
        start = np.append(0.0, edges_s) if early else edges_s
        share, parts = residence.shares(np.diff(start), residence_s)
        return cls._divided(start, share, parts, int(early))

    @classmethod
    def by_rate(cls, edges_s: np.ndarray, rate: np.ndarray) -> "ReadingParts":
        """For a rate that changes, given at the edges."""
        change = np.abs(np.diff(np.log(rate)))
        parts = np.maximum(np.ceil(_PER_FACTOR * change), 1.0).astype(np.int64)
        nth = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
        return cls._divided(edges_s, nth / np.repeat(parts, parts), parts, 0)

    @classmethod
    def _divided(
        cls, edges_s: np.ndarray, share: np.ndarray, parts: np.ndarray, skipped: int
    ) -> "ReadingParts":
        reading = np.repeat(np.arange(parts.size), parts)
        inner = edges_s[reading] + share * np.diff(edges_s)[reading]
        ends = np.append(0, np.cumsum(parts))[skipped:]
        return cls(np.append(inner, edges_s[-1]), ends)

    @property
    def interval_s(self) -> np.ndarray:
        """Length of every part [s], shape (M,)."""
        return np.diff(self.edges_s)

    def means(self, of_parts: np.ndarray) -> np.ndarray:
        """Mean over time in each reading, shape (Q, N), from means in parts, shape (Q, M)."""
        if self.ends.size == self.edges_s.size:
            return of_parts
        first, last = self.ends[0], self.ends[-1]
        inside = slice(first, last)
        interval_s = self.interval_s[inside]
        starts = self.ends[:-1] - first
        sums = np.add.reduceat(of_parts[:, inside] * interval_s, starts, axis=1)
        return sums / np.add.reduceat(interval_s, starts)
