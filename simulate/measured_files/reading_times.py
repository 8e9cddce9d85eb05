"""When the readings of a measured profile were taken."""

from typing import NamedTuple, Self

import numpy as np

from craterfront.measured_files.measured_profile import MeasuredProfile


class ReadingTimes(NamedTuple):
    """Of all channels alike, in the unit of the axis.

    Attributes
    ----------
    edges : ndarray
        Ends of the readings, shape (N + 1,), or the moments of snapshots, shape (N,).
    middle, interval : ndarray, shape (N,)
        Middles and lengths of the readings.
    """

    edges: np.ndarray
    middle: np.ndarray
    interval: np.ndarray

    @classmethod
    def of_snapshots(cls, profile: MeasuredProfile) -> Self:
        """Each reading is a moment between two cycles of sputtering."""
        moments = np.asarray(profile.axis_values, dtype=float)
        return cls(moments, moments, np.asarray(profile.interval, dtype=float))

    @classmethod
    def of_means(cls, profile: MeasuredProfile) -> Self:
        """Each reading is the mean over an interval; they are contiguous, and not before 0."""
        middle = profile.middle
        inner = 0.5 * (middle[1:] + middle[:-1])
        first = max(middle[0] - 0.5 * profile.interval[0], 0.0)
        edges = np.concatenate([[first], inner, [middle[-1] + 0.5 * profile.interval[-1]]])
        edges = np.maximum.accumulate(edges)
        return cls(edges, 0.5 * (edges[1:] + edges[:-1]), np.diff(edges))
