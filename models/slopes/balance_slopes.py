"""Slopes of the balanced dose D*, by the theorem on implicit functions.

The columns together have used what is supplied, used(D*, p) = D, so D* moves by
(dD - used_p dp) / used_D. Where D* - D is interpolated between nodes, so are its slopes, with
the nodes themselves in motion where the supply depends on a parameter.
"""

import numpy as np

from craterfront.models.erosion_front.dose_balance import interpolated

_COMPLEX_STEP = 1e-150


def balanced_slopes(
    doses: np.ndarray,
    supplied: np.ndarray,
    supplied_slopes: np.ndarray,
    nodes: np.ndarray | None,
    used_by_dose: np.ndarray,
    used_slopes: np.ndarray,
) -> np.ndarray:
    """Slopes of D*.

    Parameters
    ----------
    doses, supplied : ndarray, shape (N,)
        D* and D.
    supplied_slopes : ndarray, shape (N, P)
    nodes : ndarray of int or None
        See `Arrival.balanced_dose`.
    used_by_dose, used_slopes : ndarray, shapes (N,) and (N, P)
        Derivatives of what is used at D*.

    Returns
    -------
    ndarray, shape (N, P)
    """
    at = np.arange(doses.size) if nodes is None else nodes
    rise = np.where(used_by_dose[at] > 0.0, used_by_dose[at], 1.0)[:, None]
    solved = (supplied_slopes[at] - used_slopes[at]) / rise
    if nodes is None:
        return solved
    ahead, ahead_slopes = doses[at] - supplied[at], solved - supplied_slopes[at]
    step = 1j * _COMPLEX_STEP
    between = [
        interpolated(supplied + step * moves, supplied[at] + step * moves[at], ahead + step * now)
        for moves, now in zip(supplied_slopes.T, ahead_slopes.T, strict=True)
    ]
    out = supplied_slopes + np.array(between).T.imag / _COMPLEX_STEP
    # Where D* would fall it stays where it was.
    raw = supplied + interpolated(supplied, supplied[at], ahead)
    rising = raw >= np.maximum.accumulate(raw)
    return out[np.maximum.accumulate(np.where(rising, np.arange(doses.size), 0))]
