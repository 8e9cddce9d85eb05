"""What a run of the resolved engine tells: signal, history of the crater, balance of atoms."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Balance:
    """Where the atoms of each element are at the end, mean over the area, shape (E,) [1/nm^2].

    Attributes
    ----------
    sputtered : ndarray
        All that has left the surface; twice, if it fell back and left again.
    detected : ndarray
        What left for good, at the time when it was sputtered.
    redeposited : ndarray
        What has fallen back.
    suspended : ndarray
        What will fall back but has not yet.
    eroded : ndarray
        What the sample has lost: sputtered less redeposited.
    """

    sputtered: np.ndarray
    detected: np.ndarray
    redeposited: np.ndarray
    suspended: np.ndarray
    eroded: np.ndarray


@dataclass(frozen=True)
class Crater:
    """Result of a run.

    Attributes
    ----------
    signal : ndarray, shape (N, Q)
        The projected atoms per area of each interval [1/nm^2].
    mean_depth_nm : ndarray, shape (N + 1,)
        Depth removed, averaged over the area, at each edge of the intervals.
    frames : ndarray of int, shape (F,)
        Edges at which the crater is kept, the first and the last among them.
    depth_nm : ndarray, shape (F, J)
        Depth of each column there.
    current : ndarray, shape (N,)
        Current relative to the one for which rates are given, mean of each interval.
    balance : Balance
    steps : int
        How many steps in time were taken.
    """

    signal: np.ndarray
    mean_depth_nm: np.ndarray
    frames: np.ndarray
    depth_nm: np.ndarray
    current: np.ndarray
    balance: Balance
    steps: int
