"""Slopes of the place of slices on the dose axis: of an `Arrival` by what it is made of."""

from dataclasses import replace

import numpy as np
from numba import njit

from craterfront.models.erosion_front.arrival import SHARPEST, Arrival, can_gain, sudden_growth
from craterfront.models.erosion_front.normal_shares import mean_share_and_slopes
from craterfront.models.slopes.arrival_slopes import ArrivalSlopes, Faces, FloorSlopes


def arrival_slopes(
    arrival: Arrival,
    slice_dose: np.ndarray,
    spread: np.ndarray,
    dose_slopes: np.ndarray,
    variance_slopes: np.ndarray,
    floor: FloorSlopes,
) -> ArrivalSlopes:
    """Slopes of an arrival.

    Parameters
    ----------
    arrival : Arrival
    slice_dose, spread : ndarray, shapes (K,) and (K + 1,)
        Of which `Arrival.of` has made it; the spread with all that is even.
    dose_slopes, variance_slopes : ndarray, shapes (K, P) and (K + 1, P)
        Slopes of the doses and of the squares of the spreads.
    floor : FloorSlopes
    """
    count, directions = dose_slopes.shape
    mirrored = arrival.first
    is_sharp = sharp(slice_dose, spread)
    variance_slopes = np.where(is_sharp[:, None], 0.0, variance_slopes)
    edges = np.concatenate([np.zeros((1, directions)), np.cumsum(dose_slopes, axis=0)])
    order = arrival.source
    above = np.append(np.arange(mirrored, 0, -1), np.arange(count))
    slopes = ArrivalSlopes(
        np.concatenate([-edges[mirrored:0:-1], edges]),
        0.5 * (variance_slopes[1:] + variance_slopes[:-1])[order],
        variance_slopes[above],
        np.zeros((order.size, directions)),
        floor,
    )
    if not mirrored:
        return slopes
    return replace(slopes, weight=_weight_slopes(arrival, slopes))


def sharp(slice_dose: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """At which faces of the slices there is no spread, shape (K + 1,)."""
    return spread <= SHARPEST * float(np.sum(slice_dose))


def _weight_slopes(arrival: Arrival, slopes: ArrivalSlopes) -> np.ndarray:
    """Of the mirror slices, which gain what the slices themselves have lost at D = 0."""
    first = arrival.first
    share, change = shares_at_start(arrival, slopes)
    lost, gained = share[first:], arrival.floor.area.sum() - share[first - 1 :: -1]
    lost_slopes, gained_slopes = change[first:], -change[first - 1 :: -1]
    stands = can_gain(lost, gained)
    out = np.zeros_like(slopes.weight)
    ratio = np.divide(lost, gained, out=np.ones(first), where=stands)
    inverse = np.divide(1.0, gained, out=np.zeros(first), where=stands)
    by_ratio = (lost_slopes - ratio[:, None] * gained_slopes) * inverse[:, None]
    out[:first] = by_ratio[::-1]
    missing = 1.0 / (1.0 - lost[~stands])
    out[first : 2 * first][~stands] = lost_slopes[~stands] * missing[:, None] ** 2
    return out


def shares_at_start(arrival: Arrival, slopes: ArrivalSlopes) -> tuple[np.ndarray, np.ndarray]:
    """Shares of the first slices, and as many mirror slices, that have left at D = 0; slopes.

    Returns
    -------
    ndarray, shapes (2 first,) and (2 first, P)
    """
    head = 2 * arrival.first
    cut = replace(
        arrival,
        edges=arrival.edges[: head + 1],
        sigma=arrival.sigma[:head],
        sigma_above=arrival.sigma_above[:head],
    )
    cut_slopes = replace(
        slopes,
        edges=slopes.edges[: head + 1],
        variance=slopes.variance[:head],
        variance_above=slopes.variance_above[:head],
    )
    faces = Faces.of(cut, cut_slopes)
    floor = slopes.floor
    moving = floor.moving()
    pieces = np.stack([floor.offset, floor.offset_square, floor.area], axis=1)[:, :, moving]
    return _shares_at_start(
        arrival.floor.pieces(np.zeros(1), arrival.floor.area)[0],
        pieces,
        moving,
        sudden_growth(cut.edges, cut.sigma, cut.sigma_above),
        faces.normal,
        faces.slopes,
        faces.upper,
        faces.upper_slopes,
    )


@njit(cache=True, nogil=True)
def _shares_at_start(
    pieces, piece_slopes, moving, sudden, normal, normal_slopes, upper, upper_slopes
):
    slices, directions = normal_slopes.shape[1:]
    share, slopes = np.empty(slices), np.zeros((slices, directions))
    own = np.zeros((pieces.shape[0], 3))
    limit, now = np.inf, np.zeros(directions)
    for k in range(slices):
        for is_upper in (True, False):
            if is_upper and not sudden[k]:
                continue
            face, face_slopes = (upper, upper_slopes) if is_upper else (normal, normal_slopes)
            found, by_middle, by_size, by_inverse = mean_share_and_slopes(
                pieces, face[0, k], face[1, k], face[2, k], own
            )
            if found > limit:
                continue
            limit = found
            for p in range(directions):
                now[p] = by_middle * face_slopes[0, k, p] + by_size * face_slopes[1, k, p]
                now[p] += by_inverse * face_slopes[2, k, p]
            for m in range(moving.size):
                for a in range(pieces.shape[0]):
                    for i in range(3):
                        now[moving[m]] += own[a, i] * piece_slopes[a, i, m]
        share[k] = limit
        slopes[k] = now
    return share, slopes
