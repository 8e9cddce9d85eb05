"""The floor of the crater: how much dose each piece of it has used after a supply of dose.

A piece of the area whose relative rate is g has used g D, from `first` to `last` across the piece.
A rough surface puts columns ahead by an offset of dose: a valley lacks what a hill has to use in
addition.
"""

import math
from dataclasses import dataclass

import numpy as np

from craterfront.models.erosion_front.crater import divided, merged

_PIECES = 32  # of a crater under heights that are not normal


@dataclass(frozen=True)
class Floor:
    """Pieces of the analysed area.

    Attributes
    ----------
    rate : ndarray, shape (P, 2)
        Relative rate at the first and at the last point of each piece.
    area, seen : ndarray, shape (P,)
        Share of the area, and of the signal; each sums to 1.
    offset : ndarray, shape (P, 2)
        Dose by which the lowest and the highest column of each piece are ahead.
    """

    rate: np.ndarray
    area: np.ndarray
    seen: np.ndarray
    offset: np.ndarray

    @classmethod
    def of(
        cls,
        segments: np.ndarray,
        seen: np.ndarray | None = None,
        heights: np.ndarray | None = None,
    ) -> "Floor":
        """Place a crater on the dose axis.

        Parameters
        ----------
        segments : ndarray, shape (P, 3)
            See `crater`.
        seen : ndarray, shape (P,), optional
            Share of the signal from each segment. Default: as the area.
        heights : ndarray, shape (Q, 3), optional
            Lowest and highest dose offset, and share of the area, of classes of columns.
        """
        seen = segments[:, 2] if seen is None else seen
        if heights is not None:
            return cls._with_heights(segments, seen, heights)
        return cls(segments[:, :2], segments[:, 2], seen, np.zeros((seen.size, 2)))

    @classmethod
    def _with_heights(cls, segments: np.ndarray, seen: np.ndarray, heights: np.ndarray) -> "Floor":
        """Every class of columns in every piece of the crater."""
        if seen.size > _PIECES:
            segments, seen = merged(segments, seen, _PIECES)
        elif np.any(segments[:, 0] != segments[:, 1]):
            count = math.ceil(_PIECES / seen.size)
            segments, seen = divided(segments, count), np.repeat(seen / count, count)
        pieces, classes = seen.size, heights.shape[0]
        segments = np.repeat(segments, classes, axis=0)
        share = np.tile(heights[:, 2], pieces)
        return cls(
            segments[:, :2],
            segments[:, 2] * share,
            np.repeat(seen, classes) * share,
            np.tile(heights[:, :2], (pieces, 1)),
        )

    @property
    def has_offsets(self) -> bool:
        """Whether columns are ahead of others from the first ion on."""
        return bool(np.any(self.offset))

    @property
    def furthest_offset(self) -> float:
        """Dose by which the column in the deepest valley is ahead, or the highest hill behind."""
        return float(np.max(np.abs(self.offset), initial=0.0))

    def pieces(self, supply: np.ndarray, share: np.ndarray) -> np.ndarray:
        """Least and largest dose used in each piece, offsets included, and its share: (N, P, 3)."""
        supply = np.asarray(supply, dtype=float)[:, None]
        middle = 0.5 * (supply * self.rate.sum(axis=1) + self.offset.sum(axis=1))
        # The variance of both ranges is what counts.
        across = supply * (self.rate[:, 1] - self.rate[:, 0])
        half = 0.5 * np.hypot(across, self.offset[:, 1] - self.offset[:, 0])
        pieces = np.empty((*middle.shape, 3))
        pieces[..., 0], pieces[..., 1], pieces[..., 2] = middle - half, middle + half, share
        return pieces

    def even(self, relative: float) -> "Floor":
        """The same floor in pieces across which the rate differs by no more than this."""
        count = self.even_count(relative)
        start = np.concatenate([np.arange(n) / n for n in count])[:, None]
        part = start + np.array([0.0, 1.0]) / np.repeat(count, count)[:, None]
        ends = np.repeat(self.rate, count, axis=0)
        return Floor(
            ends[:, :1] + part * (ends[:, 1:] - ends[:, :1]),
            np.repeat(self.area / count, count),
            np.repeat(self.seen / count, count),
            np.repeat(self.offset, count, axis=0),
        )

    def even_count(self, relative: float) -> np.ndarray:
        """Into how many pieces `even` divides each, shape (P,)."""
        change = np.abs(self.rate[:, 1] - self.rate[:, 0]) / self.rate.sum(axis=1)
        return np.maximum(np.ceil(change / relative), 1).astype(np.int64)
