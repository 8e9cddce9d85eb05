"""Transitions of any shape, as tables: straight lines between points."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from craterfront.models.interfaces.transitions import ABOVE, BELOW


@dataclass(frozen=True)
class TransitionTable:
    """A transition of any shape: straight lines between points.

    Attributes
    ----------
    points : ndarray, shape (P, 2)
        Distances below the plane, in units of the width, and shares of what lies below. The plane
        is at equal area: as much of the lower layer is above it as of the upper layer below it.
    width_nm : float
        Width of the table as it was given, between the levels Phi(-1) and Phi(+1) [nm].
    """

    points: np.ndarray
    width_nm: float

    @classmethod
    def of(cls, position_nm: ArrayLike, share: ArrayLike) -> "TransitionTable":
        """Table from positions of any origin.

        Parameters
        ----------
        position_nm : ndarray, shape (P,)
            Increasing [nm].
        share : ndarray, shape (P,)
            Share of what lies below at each of them, never falling, from 0 to 1.

        Raises
        ------
        ValueError
            When positions do not increase, or shares fall or do not run from 0 to 1.

        Examples
        --------
        >>> ramp = TransitionTable.of([10.0, 20.0], [0.0, 1.0])
        >>> round(ramp.width_nm, 3)
        6.827
        >>> ramp.points[:, 0] * ramp.width_nm
        array([-5.,  5.])
        """
        position, level = np.asarray(position_nm, dtype=float), np.asarray(share, dtype=float)
        if position.size < 2 or not np.all(np.diff(position) > 0):
            raise ValueError(f"position_nm must be two or more that increase, got {position}")
        if level.shape != position.shape or np.any(np.diff(level) < 0):
            raise ValueError(f"share must rise with every position_nm, got {level}")
        if level[0] != 0.0 or level[-1] != 1.0:
            raise ValueError(f"share must run from 0 to 1, got {level[0]} to {level[-1]}")
        x = position - position[0]
        plane = np.sum(0.5 * (x[1:] + x[:-1]) * np.diff(level))
        width = float(np.diff(np.interp([BELOW, ABOVE], level, x))[0])
        return cls(np.column_stack([(x - plane) / width, level]), width)


def stacked(tables: Sequence[TransitionTable]) -> np.ndarray:
    """The points of all tables of a sample, shape (N, P, 2); short ones repeat their last point."""
    most = max((len(table.points) for table in tables), default=1)
    filled = [
        np.vstack([table.points, np.repeat(table.points[-1:], most - len(table.points), axis=0)])
        for table in tables
    ]
    return np.array(filled).reshape(-1, most, 2)
