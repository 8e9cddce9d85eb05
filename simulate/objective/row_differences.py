"""Slopes by differences of sixth order, for the few directions that have no exact slopes.

With ballistic relocation and with tabulated heights these are all directions, with a rastered beam
the tilt alone.
"""

from collections.abc import Callable, Sequence

import numpy as np

from craterfront.experiments.crater_shape import ParabolicCrater
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.input_slopes import Move

_WEIGHTS = ((1, 0.75), (2, -0.15), (3, 1.0 / 60.0))
_STEP = 1e-3


def needs_differences(assembly: Assembly, index: int) -> bool:
    """Whether the slopes by a parameter are differences."""
    setup = assembly.setup
    if setup.mixing.model == "relocation" or setup.roughness.heights is not None:
        return True
    rastered = not isinstance(setup.crater_made, ParabolicCrater)
    rastered = rastered and setup.crater_made.shape == "rastered"
    return rastered and assembly.parameters[index].kind == "tilt"


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
