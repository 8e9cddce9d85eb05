"""Slopes by differences of sixth order, for what has no exact slopes yet.

Of an instrument that views the surface, has an escape depth, tabulated heights, relocation or a
rastered beam.
"""

from collections.abc import Callable, Sequence

import numpy as np

from craterfront.input_slopes import Move
from craterfront.models.engine import Instrument

_WEIGHTS = ((1, 0.75), (2, -0.15), (3, 1.0 / 60.0))
_STEP = 1e-3


def needs_differences(instrument: Instrument) -> bool:
    """Whether the slopes of a signal of this instrument are not exact yet."""
    return (
        instrument.view == "viewed"
        or instrument.escape_depth_nm > 0.0
        or instrument.heights is not None
        or instrument.mixing == "relocation"
    )


def differences(
    rows: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]],
    values: np.ndarray,
    along: Sequence[Move],
) -> tuple[np.ndarray, np.ndarray]:
    """Slopes (P, Q, N) and (P, T) of rows and depths, as functions of all values."""
    of_rows, of_depth = [], []
    for move in along:
        step = _STEP * (abs(values[move.index]) or 0.1)
        row_slope, depth_slope = 0.0, 0.0
        for k, weight in _WEIGHTS:
            ends = []
            for sign in (1.0, -1.0):
                moved = values.copy()
                moved[move.index] += sign * k * step
                ends.append(rows(moved))
            row_slope += weight * (ends[0][0] - ends[1][0]) / step
            depth_slope += weight * (ends[0][1] - ends[1][1]) / step
        of_rows.append(row_slope * move.unit)
        of_depth.append(depth_slope * move.unit)
    return np.array(of_rows), np.array(of_depth)
