"""Fluctuations that forget themselves exponentially, averaged over readings.

A sum of independent Ornstein-Uhlenbeck processes of standard deviations r and correlation times T.
Its mean u over a reading of length d is, with x = d / T and the states s of unit variance (derived,
by integrating the process),

    u = sum r (g / x s + v),   g = 1 - exp(-x),
    s' = exp(-x) s + w,

where v and w are normal with var v = (2x - 2g - g^2) / x^2, var w = 1 - exp(-2x), cov(v, w) =
g^2 / x. So readings of any lengths have their exact covariance, and a filter with one state for
each process knows it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

_SHORT = 1e-3  # of a correlation time, below which series are used


@dataclass(frozen=True)
class AveragedProcesses:
    """How states carry a fluctuation from reading to reading.

    Attributes
    ----------
    decay : ndarray, shape (K, N)
        exp(-x) of each process and reading.
    sight : ndarray, shape (K, N)
        Mean over a reading per state before it, r g / x.
    shared : ndarray, shape (K, N)
        Covariance of the state after a reading with the part of its mean that is new, r g^2 / x.
    own : ndarray, shape (N,)
        Variance of that part.
    spread : ndarray, shape (N,)
        Standard deviation of the mean over a reading.
    """

    decay: np.ndarray
    sight: np.ndarray
    shared: np.ndarray
    own: np.ndarray
    spread: np.ndarray

    @classmethod
    def of(
        cls, processes: Sequence[tuple[float, float]], interval_s: np.ndarray
    ) -> "AveragedProcesses":
        """From standard deviations and correlation times [s], for readings of given lengths [s]."""
        rms, correlation_s = np.array(processes, dtype=float).reshape(-1, 2).T[:, :, None]
        x = np.asarray(interval_s, dtype=float) / correlation_s
        gone = -np.expm1(-x)
        sight = rms * gone / x
        long = np.maximum(x, _SHORT)
        gone_long = -np.expm1(-long)
        new = (2.0 * long - 2.0 * gone_long - gone_long**2) / long**2
        own = rms**2 * np.where(x > _SHORT, new, 2.0 / 3.0 * x - 0.5 * x**2 + 7.0 / 30.0 * x**3)
        return cls(
            decay=1.0 - gone,
            sight=sight,
            shared=sight * gone,
            own=own.sum(axis=0),
            spread=np.sqrt((sight**2 + own).sum(axis=0)),
        )
