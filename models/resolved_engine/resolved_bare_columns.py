"""Columns of a resolved crater without an altered layer: what is removed leaves.

What such a column has lost follows from its dose alone, by a line between the faces of the cells of
the sample.
"""

import numpy as np
from numba import njit

from craterfront.models.resolved_engine.resolved_annuli import Annuli
from craterfront.models.resolved_engine.resolved_sample import Cells


class BareColumns:
    """Columns without an altered layer: what is removed leaves."""

    def __init__(self, cells: Cells, dose_per_atom: np.ndarray, annuli: Annuli) -> None:
        self._table = np.column_stack([cells.above, cells.depth_nm])
        self._clock = cells.above @ dose_per_atom
        self._areas = (annuli.inner, annuli.outer, annuli.share)
        self._dose = np.zeros(annuli.rate.size)
        self._saved = self._dose
        self.longest_dose = np.inf

    def first_rates(self) -> np.ndarray:
        step = self._table[1, :-1] - self._table[0, :-1]
        return step / self._clock[1]

    def save(self) -> None:
        self._saved = self._dose.copy()

    def restore(self) -> None:
        self._dose = self._saved.copy()

    def advance(self, dose: np.ndarray, _: np.ndarray) -> None:
        self._dose = self._dose + dose

    def mean(self) -> np.ndarray:
        out = np.empty(self._table.shape[1])
        _area_mean(*self._areas, self._dose, self._clock, self._table, out)
        return out

    def depth_nm(self) -> np.ndarray:
        return _at(self._clock, self._table, self._dose)[:, -1]

    def check(self) -> None:
        """Nothing can be wrong: a column loses what lies above its depth."""


@njit(cache=True, nogil=True)
def _clock_cell(clock, dose):
    return min(max(np.searchsorted(clock, dose, side="right") - 1, 0), clock.size - 2)


@njit(cache=True, nogil=True)
def _at_dose(clock, table, dose, q):
    k = _clock_cell(clock, dose)
    rise = (table[k + 1, q] - table[k, q]) / (clock[k + 1] - clock[k])
    return table[k, q] + rise * (dose - clock[k])


@njit(cache=True, nogil=True)
def _at(clock, table, doses):
    """What columns without an altered layer have lost, shape (J, Q): a line between the faces."""
    out = np.empty((doses.size, table.shape[1]))
    for j in range(doses.size):
        for q in range(table.shape[1]):
            out[j, q] = _at_dose(clock, table, doses[j], q)
    return out


@njit(cache=True, nogil=True)
def _area_mean(inner, outer, share, doses, clock, table, out):
    """Mean of the same over the area, the dose being linear in the area within annuli."""
    out[:] = 0.0
    for a in range(share.size):
        low, high = doses[inner[a]], doses[outer[a]]
        if low > high:
            low, high = high, low
        for q in range(table.shape[1]):
            at = _at_dose(clock, table, low, q)
            if high - low <= 1e-14 * high:
                out[q] += share[a] * at
                continue
            position, k = low, _clock_cell(clock, low)
            while True:
                inside = k < clock.size - 2
                stop = min(high, clock[k + 1]) if inside else high
                then = (
                    table[k + 1, q] if inside and stop < high else _at_dose(clock, table, stop, q)
                )
                out[q] += share[a] * 0.5 * (at + then) * (stop - position) / (high - low)
                if stop >= high:
                    break
                position, at = stop, then
                k += 1
