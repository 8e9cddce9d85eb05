"""Counting with a dead time: after each count the detector is blind for a while.

Of a non-paralysable detector the dead time tau follows recorded counts only. It is blind for the
share m tau of the time, so of n events per second it records m = n (1 - m tau), that is

    m = n / (1 + n tau),    n = m / (1 - m tau)

(derived; in textbooks since W. Feller, Courant Anniversary Volume, 1948, from memory). The times
between counts have the mean tau + 1/n and the standard deviation 1/n. So the counts of an interval
T much longer than tau have the variance n T / (1 + n tau)^3 (derived from the central limit theorem
of renewal processes), and the n found from them has the variance n (1 + n tau) / T: that of
undisturbed counting and (n^2 tau) / T beside it.
"""

import numpy as np
from scipy.special import pdtr

LARGEST_SHARE = 1e-3
"""Dead time over interval up to which the asymptotic mean and variance hold, to that share."""

_REACH = 12.0  # standard deviations within which a count is sought


def recorded_share(rate_per_s: float, dead_time_s: float) -> float:
    """Share of the events that is recorded."""
    return 1.0 / (1.0 + rate_per_s * dead_time_s)


def true_rate(recorded_per_s: np.ndarray, dead_time_s: np.ndarray | float) -> np.ndarray:
    """Events per second behind recorded counts per second; arguments broadcast.

    Raises
    ------
    ValueError
        From one count per dead time on, which no detector records.
    """
    live = 1.0 - recorded_per_s * dead_time_s
    if np.any(live <= 0.0):
        most = float(np.max(recorded_per_s))
        raise ValueError(f"recorded_per_s: must be < 1 / dead_time_s, got {most:g}")
    return recorded_per_s / live


def recorded_counts(
    events: np.ndarray, dead_share: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Counts that a detector records in intervals, from their exact distribution.

    It is ready at the beginning of each interval. The (k + 1)th count comes after k + 1 waiting
    times and k dead times; so at most k are recorded with the probability that a Poisson number of
    mean ``events * (1 - k dead_share)`` is at most k (derived).

    Parameters
    ----------
    events : ndarray, shape (N,)
        Mean number of events in each interval.
    dead_share : ndarray, shape (N,)
        Dead time over length of the interval.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of float, shape (N,)
        Whole numbers.
    """
    quantile = rng.random(events.shape)
    blind = 1.0 + events * dead_share
    mean, reach = events / blind, _REACH * (np.sqrt(events / blind**3) + 1.0)
    below = np.maximum(np.floor(mean - reach), -1.0)
    above = np.ceil(mean + reach)
    while np.any(above - below > 1.0):
        middle = np.floor(0.5 * (below + above))
        live = np.maximum(1.0 - middle * dead_share, 0.0)
        enough = (middle >= 0.0) & (pdtr(np.maximum(middle, 0.0), events * live) >= quantile)
        above = np.where(enough, middle, above)
        below = np.where(enough, below, middle)
    return above
