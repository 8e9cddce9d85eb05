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

from craterfront.models.erosion_front.arrival import Arrival, add_products, bands, sudden_growth
from craterfront.models.erosion_front.floor import Floor
from craterfront.models.erosion_front.normal_shares import (
    NARROW,
    as_normals,
    mean_share,
    mean_share_and_slopes,
    mean_shares_and_slopes,
)
from craterfront.models.slopes.slice_moves import SliceMoves

_BLOCK = 64  # doses


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
        """Slopes of what the slices of an arrival hold, mirror slices included, (K', P, Q).

        Parameters
        ----------
        arrival : Arrival
        columns, slopes : ndarray, shapes (K, Q) and (P, K, Q)
        """
        head = 2 * arrival.first
        return _held(arrival.source, arrival.weight, head, columns, slopes, self.weight)


@njit(cache=True, nogil=True)
def _held(source, weight, head, columns, slopes, weight_slopes):
    """See `ArrivalSlopes.held`; only slices before `head` have weights that change."""
    directions, width = slopes.shape[0], slopes.shape[2]
    out = np.empty((source.size, directions, width))
    for j in range(source.size):
        for p in range(directions):
            for q in range(width):
                out[j, p, q] = slopes[p, source[j], q] * weight[j]
                if j < head:
                    out[j, p, q] += columns[source[j], q] * weight_slopes[j, p]
    return out


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
        normal = as_normals(edges, sigma)
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
def windows(start, end, earliest, latest):
    """The slices that are arriving between each two states of the pieces: from one, to another."""
    doses, slices = start.shape[0], earliest.size
    starts, stops = np.zeros(doses, dtype=np.int64), np.zeros(doses, dtype=np.int64)
    first, stop = 0, 0
    for n in range(doses):
        lowest, highest = start[n, :, 0].min(), end[n, :, 1].max()
        while first < slices and lowest >= latest[first]:
            first += 1
        stop = max(stop, first)
        while stop < slices and earliest[stop] < highest:
            stop += 1
        starts[n], stops[n] = first, stop
    return starts, stops


@njit(cache=True, nogil=True)
def _hold(at, waits, k, face, face_slopes, own, of_piece, slopes):
    """Give to what is held back by a face of slice k, or by the slice, the slopes of that."""
    if k < 0:
        for a in range(of_piece.shape[0]):
            of_piece[a, 2] += waits
    else:
        _, by_middle, by_size, by_inverse = mean_share_and_slopes(
            at, face[0, k], face[1, k], face[2, k], own
        )
        for p in range(slopes.shape[0]):
            change = by_middle * face_slopes[0, k, p] + by_size * face_slopes[1, k, p]
            change += by_inverse * face_slopes[2, k, p]
            for q in range(waits.size):
                slopes[p, q] += waits[q] * change
        for a in range(own.shape[0]):
            for i in range(3):
                for q in range(waits.size):
                    of_piece[a, i, q] += own[a, i] * waits[q]
    waits[:] = 0.0


@njit(cache=True, nogil=True)
def _block(
    pieces, starts, stops, first, normal, normal_slopes, upper, upper_slopes, sudden, held, settled,
    total, shares, of_piece, slopes,
):  # fmt: skip
    """Shares in a block of doses, and their slopes; sums over the slices into `total`.

    `shares`, shape (4, B, W), takes the shares of the slices from the first one on, and their
    slopes by middle, size and inverse; `of_piece`, shape (B, A, 3, Q), the slopes of the sums by
    each piece of the area; `slopes`, shape (B, P, Q), those of slices that are held back.
    """
    width, areas = held.shape[1], pieces.shape[1]
    waits, here_held = np.zeros(width), held[first : first + shares.shape[2]]
    face_own, own = np.zeros((areas, 3)), np.zeros((areas, 3, shares.shape[2]))
    all_own = own.reshape(3 * areas, shares.shape[2])
    for n in range(pieces.shape[0]):
        at, out, by_piece = pieces[n], total[n], of_piece[n]
        full = at[:, 2].sum()
        start, stop = starts[n], stops[n]
        for q in range(width):
            out[q] = full * settled[start, q]
            for a in range(areas):
                by_piece[a, 2, q] = settled[start, q]
        for k in range(first, start):
            shares[0, n, k - first] = full
        here = shares[:, n, start - first : stop - first]
        own[:] = 0.0
        mine = own[:, :, start - first : stop - first]
        mean_shares_and_slopes(
            at, normal[0, start:stop], normal[1, start:stop], normal[2, start:stop], here[0],
            here[1:], mine,
        )  # fmt: skip
        limit = full
        holds, above, waiting = -1, False, False
        for k in range(start, stop):
            i = k - start
            share = here[0, i]
            if sudden[k]:
                upper_share = mean_share(at, upper[0, k], 0.0, upper[2, k])
                if upper_share < limit:
                    if waiting:
                        face, moves = (upper, upper_slopes) if above else (normal, normal_slopes)
                        _hold(at, waits, holds, face, moves, face_own, by_piece, slopes[n])
                    limit, holds, above, waiting = upper_share, k, True, False
            if share <= limit:
                if waiting:
                    face, moves = (upper, upper_slopes) if above else (normal, normal_slopes)
                    _hold(at, waits, holds, face, moves, face_own, by_piece, slopes[n])
                limit, holds, above, waiting = share, k, False, False
            else:
                waiting = True
                for q in range(width):
                    waits[q] += held[k, q]
                here[0, i] = limit
                here[1:, i] = 0.0
                mine[:, :, i] = 0.0
        if waiting:
            face, moves = (upper, upper_slopes) if above else (normal, normal_slopes)
            _hold(at, waits, holds, face, moves, face_own, by_piece, slopes[n])
        add_products(here[0], held[start:stop], out)
        by_piece += np.dot(all_own, here_held).reshape(areas, 3, width)


@dataclass(frozen=True)
class Sum:
    """Sums over the slices of what has left.

    Attributes
    ----------
    value : ndarray, shape (N, Q)
        The very numbers that `Arrival` gives.
    by_dose : ndarray, shape (N, Q)
        Derivatives by the dose.
    slopes : ndarray, shape (P, N, Q)
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
    held, held_slopes : ndarray, shapes (K', Q) and (K', P, Q)
        What the slices hold, mirror slices included.
    """
    faces = Faces.of(arrival, slopes)
    pieces = arrival.floor.pieces(doses, share)
    starts, stops = windows(pieces, pieces, *bands(arrival.edges, arrival.sigma))
    sudden = sudden_growth(arrival.edges, arrival.sigma, arrival.sigma_above)
    moves = SliceMoves.of(held, held_slopes, faces.slopes)
    held, count, directions = moves.held, held.shape[1], held_slopes.shape[1]
    settled = np.vstack([np.zeros((1, count)), np.cumsum(held, axis=0)])
    lasting, until = np.zeros((directions, count)), 0
    moving = np.union1d(slopes.floor.moving(), np.flatnonzero(share_slopes.any(axis=0)))
    full = pieces[0, :, 2].sum() if doses.size else 0.0
    value, by_dose = np.empty((doses.size, count)), np.empty((doses.size, count))
    out = np.empty((doses.size, directions, count))
    for begin in range(0, doses.size, _BLOCK):
        part = slice(begin, min(begin + _BLOCK, doses.size))
        first, last = int(starts[part][0]), int(stops[part][-1])
        size = part.stop - begin
        shares = np.zeros((4, size, last - first))
        of_piece = np.zeros((size, pieces.shape[1], 3, count))
        block = out[part]
        lasting, until = lasting + moves.lost(until, first), first
        block[:] = full * lasting
        _block(
            pieces[part], starts[part], stops[part], first, faces.normal, faces.slopes, faces.upper,
            faces.upper_slopes, sudden, held, settled, value[part], shares, of_piece, block,
        )  # fmt: skip
        moves.add(shares, first, block)
        of_pieces = _of_pieces(slopes.floor, share_slopes, moving, doses[part], of_piece)
        block[:, moving] += np.swapaxes(of_pieces, 0, 1)
        by_dose[part] = _by_dose(arrival.floor, doses[part], of_piece)
    return Sum(value, by_dose, np.swapaxes(out, 0, 1))


def _by_dose(floor: Floor, doses: np.ndarray, of_piece: np.ndarray) -> np.ndarray:
    """Derivatives of the sums by the dose, shape (N, Q)."""
    middle = 0.5 * floor.rate.sum(axis=1)
    square = 2.0 * doses[:, None] * (floor.rate[:, 1] - floor.rate[:, 0]) ** 2
    return middle @ of_piece[:, :, 0] + (square[:, None] @ of_piece[:, :, 1])[:, 0]


def _of_pieces(
    slopes: FloorSlopes,
    share_slopes: np.ndarray,
    moving: np.ndarray,
    doses: np.ndarray,
    of_piece: np.ndarray,
) -> np.ndarray:
    """What comes of the pieces of the area in the directions in which they move, (P', N, Q)."""
    supply = doses[:, None]
    middle = supply * slopes.rate.T[moving, None] + slopes.offset.T[moving, None]
    square = supply**2 * slopes.rate_square.T[moving, None]
    square = square + slopes.offset_square.T[moving, None]
    out = middle[:, :, None] @ of_piece[:, :, 0] + square[:, :, None] @ of_piece[:, :, 1]
    return out[:, :, 0] + np.tensordot(share_slopes.T[moving], of_piece[:, :, 2], (1, 1))
