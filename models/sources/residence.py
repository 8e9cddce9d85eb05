"""Residence of sputtered atoms in the gas of a lamp, where they shine before they are lost.

An atom stays for an exponential time of mean tau, so the number that is there follows
dn/dt = flux - n/tau and the emission n/tau lags behind the flux. Over an interval of length t with
an even flux f,

    e(end) = f + (e(start) - f) exp(-t/tau),    emitted = f t - tau (e(end) - e(start)) (derived).

What is not emitted in an interval is emitted later. The delay has the mean tau and the variance
tau^2. Residence in a lamp is of the order of milliseconds (from memory).

A flux that is not even within a reading is divided (`shares`): a step in it, taken as even over a
part of length h that ends at y before the end of a reading of length T, makes that reading wrong by
at most h^2 exp(-y/tau) / (8 tau T) of the step, where h is small against tau (derived). Parts that
grow as exp(y / 2 tau) towards the start have equal errors.
"""

import numpy as np
from numba import njit

_PART_ERROR = 5e-4
"""Of a step of the flux; where parts are not small against tau up to twice as much (computed)."""


@njit(cache=True, nogil=True)
def _lagged(flux, interval_s, residence_s):
    out = np.empty_like(flux)
    emission = np.zeros(flux.shape[0])
    for n in range(flux.shape[1]):
        left = np.exp(-interval_s[n] / residence_s)
        for q in range(flux.shape[0]):
            end = flux[q, n] + (emission[q] - flux[q, n]) * left
            out[q, n] = flux[q, n] - residence_s * (end - emission[q]) / interval_s[n]
            emission[q] = end
    return out


def lagged(flux: np.ndarray, interval_s: np.ndarray, residence_s: float) -> np.ndarray:
    """Mean emission in each interval.

    Parameters
    ----------
    flux : ndarray, shape (Q, N)
        Mean flux into the gas in each interval; before the first one there is nothing in it.
    interval_s : ndarray, shape (N,)
        Length of each interval [s].
    residence_s : float
        Mean time in the gas [s]; 0 for none.

    Returns
    -------
    ndarray, shape (Q, N)
        In the unit of the flux.
    """
    if residence_s == 0.0 or flux.shape[1] == 0:
        return flux
    return _lagged(np.ascontiguousarray(flux, dtype=float), interval_s, float(residence_s))


@njit(cache=True, nogil=True)
def _lagged_slope(flux, interval_s, residence_s):
    out = np.empty_like(flux)
    emission, slope = np.zeros(flux.shape[0]), np.zeros(flux.shape[0])
    for n in range(flux.shape[1]):
        left = np.exp(-interval_s[n] / residence_s)
        left_slope = left * interval_s[n] / residence_s**2
        for q in range(flux.shape[0]):
            ahead = emission[q] - flux[q, n]
            end, end_slope = flux[q, n] + ahead * left, slope[q] * left + ahead * left_slope
            lost = end - emission[q] + residence_s * (end_slope - slope[q])
            out[q, n] = -lost / interval_s[n]
            emission[q], slope[q] = end, end_slope
    return out


def lagged_slope(flux: np.ndarray, interval_s: np.ndarray, residence_s: float) -> np.ndarray:
    """Derivative of `lagged` by the residence time, which is > 0."""
    return _lagged_slope(np.ascontiguousarray(flux, dtype=float), interval_s, float(residence_s))


def shares(interval_s: np.ndarray, residence_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Where to divide readings so that a step of the flux shows within 1e-3 of its height.

    Parameters
    ----------
    interval_s : ndarray, shape (N,)
        Length of each reading [s].
    residence_s : float
        Mean time in the gas [s], > 0.

    Returns
    -------
    start : ndarray, shape (M,)
        Start of every part, as a share of its reading.
    parts : ndarray of int, shape (N,)
        Parts of each reading; M together, at most 15 each.
    """
    ratio = np.asarray(interval_s, dtype=float) / residence_s
    whole = -np.expm1(-0.5 * ratio)
    parts = np.ceil(2.0 * whole / np.sqrt(8.0 * _PART_ERROR * ratio)).astype(np.int64)
    reading = np.repeat(np.arange(parts.size), parts)
    nth = np.arange(reading.size) - np.repeat(np.cumsum(parts) - parts, parts)
    before_end = (1.0 - nth / parts[reading]) * whole[reading]
    inside = nth > 0
    start = np.zeros(reading.size)
    start[inside] = 1.0 + 2.0 * np.log1p(-before_end[inside]) / ratio[reading[inside]]
    return start, parts
