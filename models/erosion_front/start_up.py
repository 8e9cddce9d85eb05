"""The first seconds of a discharge: erosion settles, and what lies on surfaces comes off.

Pressure and current settle and the plasma cleans itself, so that erosion begins slowly; water and
hydrocarbons leave the surfaces meanwhile. Both are taken for exponential with one decay time tau:

    rate(t) = final rate * (1 - deficit exp(-t / tau))
    dose supplied up to t = t - deficit tau (1 - exp(-t / tau))

in seconds at the final current (derived: the integral). Decay times are 0.2 to 3 s (from memory).
"""

import numpy as np
from scipy.special import exprel, lambertw

from craterfront.models.detection.emission import escaping_share_slope

USUAL_DECAY_S = (0.2, 3.0)
"""Decay times of lamps (from memory)."""


def supplied_dose_s(time_s: np.ndarray, deficit: float, decay_s: float) -> np.ndarray:
    """Dose supplied since the beginning.

    Parameters
    ----------
    time_s : ndarray
        Any shape, at least 0 [s].
    deficit : float
        Share of the final rate that is missing at first, from 0 to below 1.
    decay_s : float
        Time after which exp(-1) of it is still missing [s], > 0.

    Returns
    -------
    ndarray
        In seconds at the final rate.
    """
    return time_s * (1.0 - deficit * exprel(-time_s / decay_s))


def supplied_dose_slopes(
    time_s: np.ndarray, deficit: float, decay_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives of `supplied_dose_s` by the deficit and by the decay time."""
    settled = -np.expm1(-time_s / decay_s)
    late = time_s / decay_s * np.exp(-time_s / decay_s)
    return -decay_s * settled, -deficit * (settled - late)


def time_of_dose_s(dose_s: np.ndarray, deficit: float, decay_s: float) -> np.ndarray:
    """Time at which a dose has been supplied: the inverse of `supplied_dose_s`.

    Notes
    -----
    With q = dose / tau the time is tau (q + a + W(-a exp(-q - a))), a the deficit and W the
    principal branch of Lambert's function (derived).
    """
    late = dose_s / decay_s + deficit
    return decay_s * (late + lambertw(-deficit * np.exp(-late)).real)


def mean_remainder(time_edges_s: np.ndarray, decay_s: float) -> np.ndarray:
    """Mean of exp(-t / decay_s) over successive intervals.

    Parameters
    ----------
    time_edges_s : ndarray, shape (N + 1,)
        Edges of the intervals, increasing [s].
    decay_s : float
        [s], > 0.

    Returns
    -------
    ndarray, shape (N,)
    """
    start = np.exp(-time_edges_s[:-1] / decay_s)
    return start * exprel(-np.diff(time_edges_s) / decay_s)


def mean_remainder_slope(time_edges_s: np.ndarray, decay_s: float) -> np.ndarray:
    """Derivative of `mean_remainder` by the decay time, shape (N,)."""
    start, ratio = time_edges_s[:-1] / decay_s, np.diff(time_edges_s) / decay_s
    change = start * exprel(-ratio) - ratio * escaping_share_slope(ratio)
    return np.exp(-start) * change / decay_s
