"""The model at one set of parameters, and its derivatives."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np


@dataclass(frozen=True)
class Solution:
    """The model at one set of parameters.

    Attributes
    ----------
    model : ndarray, shape (C, N)
        Intensities with background.
    signal : ndarray, shape (C, N)
        Without.
    linear : ndarray, shape (Q,)
        The linear numbers, in the order of `Assembly.linear_numbers`.
    rows : ndarray, shape (Q, N)
        What each of them multiplies; of a sensitivity, what is collected, as hydrogen changes its
        light and as far as that gets out.
    mean_depth_nm : ndarray
        At the edges.
    """

    model: np.ndarray
    signal: np.ndarray
    linear: np.ndarray
    rows: np.ndarray
    mean_depth_nm: np.ndarray


class Slopes(NamedTuple):
    """Derivatives by the coordinates, for given linear numbers.

    Attributes
    ----------
    model : ndarray, shape (C, N, P)
    depth : ndarray, shape (P,)
        Of the mean depth at the end.
    """

    model: np.ndarray
    depth: np.ndarray
