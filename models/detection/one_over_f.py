"""Source noise whose spectrum falls as 1/f, as a sum of processes that forget exponentially.

In a 1/f spectrum every decade of frequency has the same variance s^2:

    S(f) = s^2 / (ln(10) f)     (one-sided)

An Ornstein-Uhlenbeck process of variance r^2 and correlation time T has the density
4 r^2 T / (1 + (2 pi f T)^2). With correlation times that follow on each other evenly in the
logarithm, at a distance D, and variances r^2 = s^2 D / ln(10), the sum of many is the 1/f spectrum
times

    1 + 2 sum_n sech(pi^2 n / D) cos(2 pi n ln(f T) / D)

(derived, Poisson's summation): with two in a decade it is off by at most 0.08 %, far from the ends.
Towards the ends it falls as the arc tangent that is left of the integral: to a half at
f = 1 / (2 pi T) of the shortest and longest time, by 6.3 % a decade inside. That a sum of
relaxations is 1/f: A. van der Ziel, Physica 16 (1950) 359 (from memory).
"""

import math

import numpy as np

from craterfront.models.validity import check_positive

_PER_DECADE = 2


def processes(
    rms_per_decade: float, shortest_s: float, longest_s: float
) -> list[tuple[float, float]]:
    """Standard deviations and correlation times [s] of the processes that make up the noise.

    Parameters
    ----------
    rms_per_decade
        Standard deviation in every decade of frequency, > 0, relative to the mean.
    shortest_s, longest_s
        Ends of the correlation times [s]: 1/f holds between the frequencies 1 / (2 pi T). The
        variance is that of all decades between them, exactly.
    """
    check_positive("rms_per_decade", rms_per_decade)
    check_positive("shortest_s", shortest_s)
    if not shortest_s < longest_s < math.inf:
        raise ValueError(f"longest_s: must be > shortest_s = {shortest_s:g}, got {longest_s:g}")
    decades = math.log10(longest_s / shortest_s)
    count = math.ceil(_PER_DECADE * decades)
    rms = rms_per_decade * math.sqrt(decades / count)
    steps = (np.arange(count) + 0.5) * decades / count
    return [(rms, float(time_s)) for time_s in shortest_s * 10.0**steps]
