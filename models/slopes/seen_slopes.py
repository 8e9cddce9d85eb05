"""Slopes of what is seen, averaged over the area and over each interval (`Arrival.seen`).

As of what is collected (`arrival_slopes`), with two kinds of columns: what jumps at the upper edge
of a slice, and what rises within it. Means over time depend on the dose at both ends.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from craterfront.models.erosion_front.arrival import EVEN, Arrival, bands, sudden_growth
from craterfront.models.erosion_front.floor import Floor
from craterfront.models.erosion_front.normal_shares import mean_share_of_time_and_slopes
from craterfront.models.slopes.arrival_slopes import (
    ArrivalSlopes,
    Faces,
    FloorSlopes,
    windows,
)
from craterfront.models.slopes.slice_moves import SliceMoves

_BLOCK = 64  # intervals


@dataclass(frozen=True)
class Seen:
    """What is seen.

    Attributes
    ----------
    value : ndarray, shape (N, Q)
        The very numbers that `Arrival.seen` gives.
    by_start, by_end : ndarray, shape (N, Q)
        Derivatives by the doses at the ends of the intervals.
    slopes : ndarray, shape (P, N, Q)
        Derivatives in P directions, at given doses.
    """

    value: np.ndarray
    by_start: np.ndarray
    by_end: np.ndarray
    slopes: np.ndarray


@njit(cache=True, nogil=True)
def _hold(first_at, last_at, waits, k, face, face_slopes, own, of_piece, slopes):
    """Give to what is held back by a face of slice k, or by the slice, the slopes of that."""
    if k < 0:
        waits[:] = 0.0
        return
    _, by_middle, by_size, by_inverse = mean_share_of_time_and_slopes(
        first_at, last_at, face[0, k], face[1, k], face[2, k], own
    )
    for p in range(slopes.shape[0]):
        change = by_middle * face_slopes[0, k, p] + by_size * face_slopes[1, k, p]
        change += by_inverse * face_slopes[2, k, p]
        for q in range(waits.size):
            slopes[p, q] += waits[q] * change
    for a in range(own.shape[0]):
        for i in range(4):
            for q in range(waits.size):
                of_piece[a, i, q] += own[a, i] * waits[q]
    waits[:] = 0.0


@njit(cache=True, nogil=True)
def _block(
    start, end, starts, stops, first, upper, upper_slopes, normal, normal_slopes, jumping, rising,
    jumps, rises, settled, total, shares, of_piece, slopes,
):  # fmt: skip
    """Shares in a block of intervals and their slopes; sums over the slices into `total`.

    `shares`, shape (2, 4, B, W), takes those of upper edges and of slices, each with slopes by
    middle, size and inverse; `of_piece`, shape (B, A, 4, Q), the slopes by each piece of the area;
    `slopes`, shape (B, P, Q), those of what is held back.
    """
    width, areas = jumps.shape[1], start.shape[1]
    waits, own = np.zeros(width), np.zeros((areas, 4))
    for n in range(start.shape[0]):
        first_at, last_at, out, by_piece = start[n], end[n], total[n], of_piece[n]
        for q in range(width):
            out[q] = settled[starts[n], q]
        for k in range(first, starts[n]):
            shares[0, 0, n, k - first], shares[1, 0, n, k - first] = 1.0, 1.0
        limit, holds, above, waiting = 1.0, -1, False, False
        for k in range(starts[n], stops[n]):
            for kind in range(2):
                if not (jumping[k] if kind == 0 else rising[k]):
                    continue
                held = jumps if kind == 0 else rises
                face = upper if kind == 0 else normal
                share, by_middle, by_size, by_inverse = mean_share_of_time_and_slopes(
                    first_at, last_at, face[0, k], face[1, k], face[2, k], own
                )
                if share <= limit:
                    if waiting:
                        source, moves = (upper, upper_slopes) if above else (normal, normal_slopes)
                        _hold(
                            first_at, last_at, waits, holds, source, moves, own, by_piece,
                            slopes[n],
                        )  # fmt: skip
                        mean_share_of_time_and_slopes(
                            first_at, last_at, face[0, k], face[1, k], face[2, k], own
                        )
                    limit, holds, above, waiting = share, k, kind == 0, False
                    shares[kind, 1, n, k - first] = by_middle
                    shares[kind, 2, n, k - first] = by_size
                    shares[kind, 3, n, k - first] = by_inverse
                    for a in range(areas):
                        for i in range(4):
                            for q in range(width):
                                by_piece[a, i, q] += own[a, i] * held[k, q]
                else:
                    waiting = True
                    for q in range(width):
                        waits[q] += held[k, q]
                shares[kind, 0, n, k - first] = limit
                for q in range(width):
                    out[q] += limit * held[k, q]
        if waiting:
            source, moves = (upper, upper_slopes) if above else (normal, normal_slopes)
            _hold(
                first_at, last_at, waits, holds, source, moves, own, by_piece, slopes[n]
            )  # fmt: skip


def _even_slopes(floor: Floor, slopes: FloorSlopes) -> FloorSlopes:
    """Slopes of a floor divided into more even pieces, see `Floor.even`."""
    counts = floor.even_count(EVEN)
    owner = np.repeat(np.arange(counts.size), counts)
    nth = np.arange(owner.size) - np.repeat(np.cumsum(counts) - counts, counts)
    across = floor.rate[:, 1] - floor.rate[:, 0]
    sloped = across != 0.0
    change = np.zeros_like(slopes.rate)
    change[sloped] = 0.5 * slopes.rate_square[sloped] / across[sloped, None]
    place = ((nth + 0.5) / counts[owner] - 0.5)[:, None]
    number = counts[owner, None]
    return FloorSlopes(
        slopes.rate[owner] + place * change[owner],
        slopes.rate_square[owner] / number**2,
        slopes.area[owner] / number,
        slopes.seen[owner] / number,
        slopes.offset[owner],
        slopes.offset_square[owner],
    )


def seen(
    arrival: Arrival,
    slopes: ArrivalSlopes,
    top: np.ndarray,
    bottom: np.ndarray,
    top_slopes: np.ndarray,
    bottom_slopes: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
) -> Seen:
    """What is seen in intervals, with its slopes.

    Parameters
    ----------
    arrival, slopes : Arrival, ArrivalSlopes
    top, bottom, start, end
        See `Arrival.seen`.
    top_slopes, bottom_slopes : ndarray, shape (P, K, Q)
    """
    even = arrival.floor.even(EVEN)
    moving = _even_slopes(arrival.floor, slopes.floor)
    faces = Faces.of(arrival, slopes)
    jumps, rises = arrival.jumps_and_rises(top, bottom)
    jump_slopes, rise_slopes = arrival.jumps_and_rises(top_slopes, bottom_slopes)
    first_at, last_at = even.pieces(start, even.seen), even.pieces(end, even.seen)
    limits = bands(arrival.edges, np.maximum(arrival.sigma, arrival.sigma_above))
    starts, stops = windows(first_at, last_at, *limits)
    jumping, rising = np.any(jumps != 0.0, axis=1), np.any(rises != 0.0, axis=1)
    jumping |= sudden_growth(arrival.edges, arrival.sigma, arrival.sigma_above)
    nothing = np.zeros((1, jumps.shape[1]))
    settled = np.vstack([nothing, np.cumsum(jumps + rises, axis=0)])
    directions, count = len(jump_slopes), jumps.shape[1]
    kinds = [
        SliceMoves.of(held, np.swapaxes(held_slopes, 0, 1), of_faces)
        for held, held_slopes, of_faces in (
            (jumps, jump_slopes, faces.upper_slopes),
            (rises, rise_slopes, faces.slopes),
        )
    ]
    lasting, until = np.zeros((directions, count)), 0
    value, out = np.empty((start.size, count)), np.empty((start.size, directions, count))
    by_start, by_end = np.empty_like(value), np.empty_like(value)
    for begin in range(0, start.size, _BLOCK):
        part = slice(begin, min(begin + _BLOCK, start.size))
        first, last = int(starts[part][0]), int(stops[part][-1])
        size = part.stop - begin
        shares = np.zeros((2, 4, size, last - first))
        of_piece = np.zeros((size, even.seen.size, 4, count))
        block = out[part]
        for moves in kinds:
            lasting = lasting + moves.lost(until, first)
        block[:], until = lasting, first
        _block(
            first_at[part], last_at[part], starts[part], stops[part], first, faces.upper,
            faces.upper_slopes, faces.normal, faces.slopes, jumping, rising, jumps, rises, settled,
            value[part], shares, of_piece, block,
        )  # fmt: skip
        for own, moves in zip(shares, kinds, strict=True):
            moves.add(own, first, block)
        ends = start[part], end[part]
        by_start[part], by_end[part] = _by_doses(even, *ends, of_piece)
        _add_pieces(even, moving, *ends, of_piece, block)
    return Seen(value, by_start, by_end, np.swapaxes(out, 0, 1))


def _widths(floor: Floor, dose: np.ndarray) -> np.ndarray:
    """Width of the pieces after a dose, shape (N, A)."""
    across = dose[:, None] * (floor.rate[:, 1] - floor.rate[:, 0])
    return np.hypot(across, floor.offset[:, 1] - floor.offset[:, 0])


def _by_doses(
    floor: Floor, start: np.ndarray, end: np.ndarray, of_piece: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives of the means by the doses at both ends, shapes (N, Q)."""
    middle = 0.5 * floor.rate.sum(axis=1)
    widths = _widths(floor, start), _widths(floor, end)
    mean = 0.5 * (widths[0] + widths[1])
    square = (floor.rate[:, 1] - floor.rate[:, 0]) ** 2
    out = []
    for dose, width, sign in ((start, widths[0], -1.0), (end, widths[1], 1.0)):
        grows = np.divide(dose[:, None] * square, width, out=np.zeros_like(width), where=width > 0)
        by_middle = 0.5 * of_piece[:, :, 0] + sign * of_piece[:, :, 2]
        by_width = ((mean * grows)[:, None] @ of_piece[:, :, 1])[:, 0]
        out.append(middle @ by_middle + by_width)
    return out[0], out[1]


def _add_pieces(
    floor: Floor,
    slopes: FloorSlopes,
    start: np.ndarray,
    end: np.ndarray,
    of_piece: np.ndarray,
    out: np.ndarray,
) -> None:
    """Add what comes of the pieces of the area, to slopes (N, P, Q)."""
    widths = _widths(floor, start), _widths(floor, end)
    for p in slopes.moving():
        middles = [dose[:, None] * slopes.rate[:, p] + slopes.offset[:, p] for dose in (start, end)]
        squares = [
            dose[:, None] ** 2 * slopes.rate_square[:, p] + slopes.offset_square[:, p]
            for dose in (start, end)
        ]
        grows = [
            np.divide(0.5 * square, width, out=np.zeros_like(width), where=width > 0)
            for square, width in zip(squares, widths, strict=True)
        ]
        # Of the square of the mean width; a piece that is level grows from nothing.
        of_square = 0.5 * (widths[0] + widths[1]) * (grows[0] + grows[1])
        roots = [np.sqrt(np.maximum(square, 0.0)) for square in squares]
        level = (widths[0] == 0.0) & (widths[1] == 0.0)
        of_square = np.where(level, (0.5 * (roots[0] + roots[1])) ** 2, of_square)
        halfway, way = 0.5 * (middles[0] + middles[1]), middles[1] - middles[0]
        change = halfway[:, None] @ of_piece[:, :, 0] + of_square[:, None] @ of_piece[:, :, 1]
        change = change + way[:, None] @ of_piece[:, :, 2]
        out[:, p] += change[:, 0] + np.tensordot(slopes.seen[:, p], of_piece[:, :, 3], (0, 1))
