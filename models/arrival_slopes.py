"""Slopes of the lateral sum: how sums over slices of what has left change with every parameter.

A share E[k](D) depends on the middle of slice k on the dose axis, on its size and on the inverse
spread, and on where the pieces of the crater are (`normal_shares`). So in the direction p

    d sum_k c[k] E[k] = sum_k (E[k] dc[k] + c[k] (E_middle dmiddle + E_size dsize
                        + E_inverse dinverse)) + by the pieces,

which for many directions and quantities is a few products of matrices, dose by dose in blocks.
What does not change near the slices that arrive in a block is left out: a layer moves nothing
above it, and few things spread or stretch what lies below.

Where a slice is held back by one above it (`arrival`), its share has the slopes of that one.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from craterfront.models.arrival import Arrival, bands, sudden_growth
from craterfront.models.floor import Floor
from craterfront.models.normal_shares import NARROW, as_normal, mean_share_and_slopes

_BLOCK = 32  # doses
_ROUNDING = 1e-13  # of the largest change in a direction


@dataclass(frozen=True)
class FloorSlopes:
    """Slopes of the pieces of a `Floor` in P directions.

    Attributes
    ----------
    rate : ndarray, shape (A, P)
        Of the relative rate in the middle of each of A pieces.
    rate_square : ndarray, shape (A, P)
        Of the square of the difference of the rates at its ends.
    area, seen : ndarray, shape (A, P)
    offset : ndarray, shape (A, P)
        Of its middle.
    offset_square : ndarray, shape (A, P)
        Of the square of its width.
    """

    rate: np.ndarray
    rate_square: np.ndarray
    area: np.ndarray
    seen: np.ndarray
    offset: np.ndarray
    offset_square: np.ndarray

    @classmethod
    def none(cls, pieces: int, directions: int) -> "FloorSlopes":
        """Of a floor that stays as it is."""
        return cls(*(np.zeros((pieces, directions)) for _ in range(6)))

    def moving(self) -> np.ndarray:
        """Directions in which any piece changes."""
        every = (self.rate, self.rate_square, self.area, self.seen, self.offset, self.offset_square)
        return np.flatnonzero(np.any([np.any(each, axis=0) for each in every], axis=0))


@dataclass(frozen=True)
class ArrivalSlopes:
    """Slopes of an `Arrival` in P directions.

    Attributes
    ----------
    edges : ndarray, shape (K' + 1, P)
    variance, variance_above : ndarray, shape (K', P)
        Of the squares of `sigma` and `sigma_above`.
    weight : ndarray, shape (K', P)
    floor : FloorSlopes
    """

    edges: np.ndarray
    variance: np.ndarray
    variance_above: np.ndarray
    weight: np.ndarray
    floor: FloorSlopes

    def held(self, arrival: Arrival, columns: np.ndarray, slopes: np.ndarray) -> np.ndarray:
        """Slopes of what the slices of an arrival hold, mirror slices included, (K', Q, P)."""
        source = arrival.source
        of_columns = slopes[source] * arrival.weight[:, None, None]
        first = arrival.first * 2
        of_columns[:first] += columns[source[:first], :, None] * self.weight[:first, None, :]
        return of_columns


@dataclass(frozen=True)
class Faces:
    """What the shares of slices depend on, and its slopes: middle, size and inverse spread.

    Attributes
    ----------
    normal : ndarray, shape (3, K')
        Middle, size and inverse, see `normal_shares.as_normal`.
    slopes : ndarray, shape (3, K', P)
    upper, upper_slopes : ndarray, shapes (3, K') and (3, K', P)
        The same of the upper faces, whose size is none.
    """

    normal: np.ndarray
    slopes: np.ndarray
    upper: np.ndarray
    upper_slopes: np.ndarray

    @classmethod
    def of(cls, arrival: Arrival, slopes: ArrivalSlopes) -> "Faces":
        edges, sigma = arrival.edges, arrival.sigma
        size = np.diff(edges)
        narrow = size / sigma <= NARROW
        normal = np.array([as_normal(*each) for each in zip(edges, edges[1:], sigma, strict=False)])
        normal = np.ascontiguousarray(normal.T)
        inverse = normal[2][:, None]
        middle_slope = 0.5 * (slopes.edges[1:] + slopes.edges[:-1])
        grows = np.diff(slopes.edges, axis=0)
        within = np.where(narrow[:, None], size[:, None] * grows / 6.0, 0.0)
        inverse_slope = -0.5 * inverse**3 * (slopes.variance + within)
        size_slope = grows * inverse + (inverse_slope / inverse) * normal[1][:, None]
        size_slope[narrow] = 0.0
        above = 1.0 / arrival.sigma_above
        return cls(
            normal,
            np.stack([middle_slope, size_slope, inverse_slope]),
            np.stack([edges[:-1], np.zeros_like(size), above]),
            np.stack(
                [
                    slopes.edges[:-1],
                    np.zeros_like(grows),
                    -0.5 * above[:, None] ** 3 * slopes.variance_above,
                ]
            ),
        )


@njit(cache=True, nogil=True)
def _windows(pieces, earliest, latest):
    """The slices that are arriving at each dose: from one, up to another."""
    doses, slices = pieces.shape[0], earliest.size
    starts, stops = np.zeros(doses, dtype=np.int64), np.zeros(doses, dtype=np.int64)
    start, stop = 0, 0
    for n in range(doses):
        lowest, highest = pieces[n, :, 0].min(), pieces[n, :, 1].max()
        while start < slices and lowest >= latest[start]:
            start += 1
        stop = max(stop, start)
        while stop < slices and earliest[stop] < highest:
            stop += 1
        starts[n], stops[n] = start, stop
    return starts, stops


@njit(cache=True, nogil=True)
def _hold(n, waits, source, k, faces_slopes, by_piece, slopes, of_piece):
    """Give to what is held back by a face of slice k, or by the slice, the slopes of that."""
    waiting = False
    for q in range(waits.size):
        waiting |= waits[q] != 0.0
    if not waiting:
        return
    for p in range(slopes.shape[2] if k >= 0 else 0):
        change = 0.0
        for i in range(3):
            change += source[i] * faces_slopes[i, k, p]
        for q in range(waits.size):
            slopes[n, q, p] += waits[q] * change
    for q in range(waits.size):
        for a in range(by_piece.shape[0]):
            for i in range(3):
                of_piece[n, a, i, q] += waits[q] * by_piece[a, i]
        waits[q] = 0.0


@njit(cache=True, nogil=True)
def _block(
    pieces, starts, stops, first, normal, normal_slopes, upper, upper_slopes, sudden, held, settled,
    total, shares, of_piece, slopes,
):  # fmt: skip
    """Shares in a block of doses, and their slopes; sums over the slices into `total`.

    `shares`, shape (4, B, W), takes the shares of the slices from the first one on, and their
    slopes by middle, size and inverse; `of_piece`, shape (B, A, 3, Q), the slopes of the sums by
    each piece of the area; `slopes`, shape (B, Q, P), those of slices that are held back.
    """
    width, areas = held.shape[1], pieces.shape[1]
    waits = np.zeros(width)
    own, limits = np.zeros((areas, 3)), np.zeros((areas, 3))
    source = np.zeros(3)
    for n in range(pieces.shape[0]):
        at = pieces[n]
        full = at[:, 2].sum()
        start = starts[n]
        for q in range(width):
            total[n, q] = full * settled[start, q]
            for a in range(areas):
                of_piece[n, a, 2, q] = settled[start, q]
        for k in range(first, start):
            shares[0, n, k - first] = full
        limit = full
        limits[:, :2] = 0.0
        limits[:, 2] = 1.0
        holds, holds_above = -1, False
        for k in range(start, stops[n]):
            if sudden[k]:
                share, by_middle, by_size, by_inverse = mean_share_and_slopes(
                    at, upper[0, k], 0.0, upper[2, k], own
                )
                if share < limit:
                    faces = upper_slopes if holds_above else normal_slopes
                    _hold(n, waits, source, holds, faces, limits, slopes, of_piece)
                    limit, holds, holds_above = share, k, True
                    limits[:] = own
                    source[0], source[1], source[2] = by_middle, 0.0, by_inverse
            share, by_middle, by_size, by_inverse = mean_share_and_slopes(
                at, normal[0, k], normal[1, k], normal[2, k], own
            )
            if share <= limit:
                faces = upper_slopes if holds_above else normal_slopes
                _hold(n, waits, source, holds, faces, limits, slopes, of_piece)
                limit, holds, holds_above = share, k, False
                if limit <= 0.0:
                    break
                limits[:] = own
                source[0], source[1], source[2] = by_middle, by_size, by_inverse
                for i in range(3):
                    shares[1 + i, n, k - first] = source[i]
                for a in range(areas):
                    for i in range(3):
                        for q in range(width):
                            of_piece[n, a, i, q] += own[a, i] * held[k, q]
            else:
                if limit <= 0.0:
                    break
                for q in range(width):
                    waits[q] += held[k, q]
            shares[0, n, k - first] = limit
            for q in range(width):
                total[n, q] += limit * held[k, q]
        faces = upper_slopes if holds_above else normal_slopes
        _hold(n, waits, source, holds, faces, limits, slopes, of_piece)


@dataclass(frozen=True)
class Sum:
    """Sums over the slices of what has left.

    Attributes
    ----------
    value : ndarray, shape (N, Q)
        The very numbers that `Arrival` gives.
    by_dose : ndarray, shape (N, Q)
        Derivatives by the dose.
    slopes : ndarray, shape (N, Q, P)
        Derivatives in P directions, at given dose.
    """

    value: np.ndarray
    by_dose: np.ndarray
    slopes: np.ndarray


def summed(
    arrival: Arrival,
    slopes: ArrivalSlopes,
    doses: np.ndarray,
    share: np.ndarray,
    share_slopes: np.ndarray,
    held: np.ndarray,
    held_slopes: np.ndarray,
) -> Sum:
    """Sums over the slices at some doses, with their slopes.

    Parameters
    ----------
    arrival, slopes : Arrival, ArrivalSlopes
    doses : ndarray, shape (N,)
        Non-decreasing.
    share, share_slopes : ndarray, shapes (A,) and (A, P)
        What each piece of the area counts.
    held, held_slopes : ndarray, shapes (K', Q) and (K', Q, P)
        What the slices hold, mirror slices included.
    """
    faces = Faces.of(arrival, slopes)
    pieces = arrival.floor.pieces(doses, share)
    starts, stops = _windows(pieces, *bands(arrival.edges, arrival.sigma))
    sudden = sudden_growth(arrival.edges, arrival.sigma, arrival.sigma_above)
    held = np.ascontiguousarray(held)
    count, directions = held.shape[1], held_slopes.shape[2]
    settled = np.vstack([np.zeros((1, count)), np.cumsum(held, axis=0)])
    lasting = np.concatenate([np.zeros((1, count, directions)), np.cumsum(held_slopes, axis=0)])
    moves = [_without_rounding(held_slopes), *(_without_rounding(f) for f in faces.slopes)]
    near = [_extents(each) for each in moves]
    full = pieces[0, :, 2].sum() if doses.size else 0.0
    value, by_dose = np.empty((doses.size, count)), np.empty((doses.size, count))
    out = np.empty((doses.size, count, directions))
    for begin in range(0, doses.size, _BLOCK):
        part = slice(begin, min(begin + _BLOCK, doses.size))
        first, last = int(starts[part][0]), int(stops[part][-1])
        size = part.stop - begin
        shares = np.zeros((4, size, last - first))
        of_piece = np.zeros((size, pieces.shape[1], 3, count))
        block = out[part]
        block[:] = full * lasting[first]
        _block(
            pieces[part], starts[part], stops[part], first, faces.normal, faces.slopes, faces.upper,
            faces.upper_slopes, sudden, held, settled, value[part], shares, of_piece, block,
        )  # fmt: skip
        for i, (move, (top, bottom)) in enumerate(zip(moves, near, strict=True)):
            active = np.flatnonzero((top < last) & (bottom > first))
            if active.size == 0:
                continue
            change = move[first:last, ..., active]
            if i > 0:
                change = held[first:last, :, None] * change[:, None, :]
            product = shares[i] @ change.reshape(last - first, count * active.size)
            block[:, :, active] += product.reshape(size, count, active.size)
        _add_pieces(arrival.floor, slopes.floor, share_slopes, doses[part], of_piece, block)
        by_dose[part] = _by_dose(arrival.floor, doses[part], of_piece)
    return Sum(value, by_dose, out)


def _without_rounding(change: np.ndarray) -> np.ndarray:
    """Changes of slices, (K', ..., P), without those that are mere rounding in their direction."""
    size = np.abs(change)
    largest = size.max(axis=tuple(range(change.ndim - 1)), initial=0.0)
    return np.where(size > _ROUNDING * largest, change, 0.0)


def _extents(change: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The first slice that changes in each direction, and the one after the last."""
    any_change = np.any(change != 0.0, axis=1) if change.ndim == 3 else change != 0.0
    changes = any_change.any(axis=0)
    first = np.where(changes, any_change.argmax(axis=0), any_change.shape[0])
    last = np.where(changes, any_change.shape[0] - any_change[::-1].argmax(axis=0), 0)
    return first, last


def _by_dose(floor: Floor, doses: np.ndarray, of_piece: np.ndarray) -> np.ndarray:
    """Derivatives of the sums by the dose, shape (N, Q)."""
    middle = 0.5 * floor.rate.sum(axis=1)
    square = 2.0 * doses[:, None] * (floor.rate[:, 1] - floor.rate[:, 0]) ** 2
    return np.einsum("a,naq->nq", middle, of_piece[:, :, 0]) + np.einsum(
        "na,naq->nq", square, of_piece[:, :, 1]
    )


def _add_pieces(
    floor: Floor,
    slopes: FloorSlopes,
    share_slopes: np.ndarray,
    doses: np.ndarray,
    of_piece: np.ndarray,
    out: np.ndarray,
) -> None:
    """Add what comes of the pieces of the area, to slopes (N, Q, P)."""
    for p in np.union1d(slopes.moving(), np.flatnonzero(share_slopes.any(axis=0))):
        supply = doses[:, None]
        middle = supply * slopes.rate[:, p] + slopes.offset[:, p]
        square = supply**2 * slopes.rate_square[:, p] + slopes.offset_square[:, p]
        out[:, :, p] += np.einsum("na,naq->nq", middle, of_piece[:, :, 0])
        out[:, :, p] += np.einsum("na,naq->nq", square, of_piece[:, :, 1])
        out[:, :, p] += np.einsum("a,naq->nq", share_slopes[:, p], of_piece[:, :, 2])
