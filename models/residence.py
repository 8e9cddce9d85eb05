"""Residence of sputtered atoms in the gas of a lamp, where they shine before they are lost.

An atom stays for an exponential time of mean tau, so the number that is there follows
dn/dt = flux - n/tau and the emission n/tau lags behind the flux. Over an interval of length t with
an even flux f,

    e(end) = f + (e(start) - f) exp(-t/tau),    emitted = f t - tau (e(end) - e(start)) (derived).

What is not emitted in an interval is emitted later. Residence in a lamp is of the order of
milliseconds (from memory).
"""

import numpy as np
from numba import njit


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
