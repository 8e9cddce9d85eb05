"""The floor of the crater: how much dose each piece of it has used after a supply of dose.

A piece of the area whose relative rate is g has used g D, wherever it is; with a crater that
differs from material to material it takes the supply

    T_k = sum_j<=k dose_j / g_j

to get through k slices, so the dose that it has used is the inverse of this function. A rough
surface puts columns ahead by an offset of dose: a valley lacks what a hill has to use in addition.

Across a piece the dose changes evenly from `first` to `last`.
"""

import math
from dataclasses import dataclass

import numpy as np

from craterfront.models.crater import divided

_PIECES = 32  # at least, of a crater under heights that are not normal


@dataclass(frozen=True)
class Floor:
    """Pieces of the analysed area.

    Attributes
    ----------
    rate : ndarray, shape (M, P, 2)
        Relative rate at the first and at the last point of each piece, in each material; M = 1 if
        it is the same in all of them.
    area, seen : ndarray, shape (P,)
        Share of the area, and of the signal; each sums to 1.
    offset : ndarray, shape (P, 2)
        Dose by which the lowest and the highest column of each piece are ahead.
    reached : ndarray, shape (K + 1, P, 2)
        Supply at which either end passes each slice edge; empty where M = 1.
    edges : ndarray, shape (K + 1,)
        Dose at the slice edges.
    """

    rate: np.ndarray
    area: np.ndarray
    seen: np.ndarray
    offset: np.ndarray
    reached: np.ndarray
    edges: np.ndarray

    @classmethod
    def of(
        cls,
        crater: np.ndarray,
        slice_dose: np.ndarray,
        seen: np.ndarray | None = None,
        heights: np.ndarray | None = None,
    ) -> "Floor":
        """Place a crater on the dose axis.

        Parameters
        ----------
        crater : ndarray, shape (P, 3) or (M, P, 3)
            See `crater`.
        slice_dose : ndarray, shape (K,), or (K, M) where each material has its crater
            Dose used by each slice, of each material.
        seen : ndarray, shape (P,), optional
            Share of the signal from each segment. Default: as the area.
        heights : ndarray, shape (Q, 3), optional
            Lowest and highest dose offset, and share of the area, of classes of columns.
        """
        crater = crater if crater.ndim == 3 else crater[None]
        seen = crater[0, :, 2] if seen is None else seen
        offset = np.zeros((seen.size, 2))
        if heights is not None:
            crater, seen, offset = _with_heights(crater, seen, heights)
        rate, area = crater[..., :2], crater[0, :, 2]
        reached, edges = np.zeros((0, area.size, 2)), np.zeros(0)
        if rate.shape[0] > 1:
            supply = np.einsum("km,mpe->kpe", slice_dose, 1.0 / rate)
            reached = np.concatenate([np.zeros((1, area.size, 2)), np.cumsum(supply, axis=0)])
            edges = np.append(0.0, np.cumsum(slice_dose.sum(axis=1)))
        return cls(rate, area, seen, offset, reached, edges)

    @property
    def has_offsets(self) -> bool:
        """Whether columns are ahead of others from the first ion on."""
        return bool(np.any(self.offset))

    @property
    def furthest_offset(self) -> float:
        """Dose by which the column in the deepest valley is ahead, or the highest hill behind."""
        return float(np.max(np.abs(self.offset), initial=0.0))

    def used(self, supply: np.ndarray) -> np.ndarray:
        """Dose used at either end of each piece, offsets apart, shape (N, P, 2)."""
        supply = np.asarray(supply, dtype=float)
        if self.rate.shape[0] == 1:
            return supply[:, None, None] * self.rate[0]
        used = np.empty((supply.size, *self.rate.shape[1:]))
        for piece, end in np.ndindex(used.shape[1:]):
            used[:, piece, end] = np.interp(supply, self.reached[:, piece, end], self.edges)
        return used

    def mean_used(self, supply: np.ndarray) -> np.ndarray:
        """Mean over the area of the dose used, shape (N,)."""
        return self.used(supply).mean(axis=2) @ self.area

    def pieces(self, supply: np.ndarray, share: np.ndarray) -> np.ndarray:
        """Least and largest dose used in each piece, offsets included, and its share: (N, P, 3)."""
        used = self.used(supply)
        pieces = np.empty((used.shape[0], share.size, 3))
        middle = 0.5 * (used + self.offset).sum(axis=2)
        # The variance of both ranges is what counts.
        half = 0.5 * np.hypot(used[..., 1] - used[..., 0], self.offset[:, 1] - self.offset[:, 0])
        pieces[..., 0], pieces[..., 1], pieces[..., 2] = middle - half, middle + half, share
        return pieces

    def even(self, relative: float) -> "Floor":
        """The same floor in pieces across which the rate differs by no more than this."""
        rate = self.rate
        change = np.abs(rate[..., 1] - rate[..., 0]) / (rate[..., 0] + rate[..., 1])
        count = np.maximum(np.ceil(change.max(axis=0) / relative), 1).astype(np.int64)
        start = np.concatenate([np.arange(n) / n for n in count])[:, None]
        part = start + np.array([0.0, 1.0]) / np.repeat(count, count)[:, None]

        def cut(ends: np.ndarray) -> np.ndarray:
            ends = np.repeat(ends, count, axis=-2)
            return ends[..., :1] + part * (ends[..., 1:] - ends[..., :1])

        return Floor(
            cut(rate),
            np.repeat(self.area / count, count),
            np.repeat(self.seen / count, count),
            np.repeat(self.offset, count, axis=0),
            cut(self.reached),
            self.edges,
        )


def _with_heights(
    crater: np.ndarray, seen: np.ndarray, heights: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every class of columns in every piece of the crater: crater, share of the signal, offsets."""
    if np.any(crater[..., 0] != crater[..., 1]):
        count = math.ceil(_PIECES / seen.size)
        crater = np.stack([divided(segments, count) for segments in crater])
        seen = np.repeat(seen / count, count)
    pieces, classes = seen.size, heights.shape[0]
    crater = np.repeat(crater, classes, axis=1)
    crater[..., 2] *= np.tile(heights[:, 2], pieces)
    seen = np.repeat(seen, classes) * np.tile(heights[:, 2], pieces)
    return crater, seen, np.tile(heights[:, :2], (pieces, 1))
