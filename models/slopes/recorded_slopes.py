"""Slopes of what is recorded in a place: sums over its slices, at doses that move themselves."""

import numpy as np

from craterfront.models.instrument import Instrument
from craterfront.models.quick_engine.places import Place
from craterfront.models.quick_engine.recorded import interval_bounds
from craterfront.models.quick_engine.removed import Removed
from craterfront.models.slopes.arrival_slopes import Sum, summed
from craterfront.models.slopes.balance_slopes import balanced_slopes
from craterfront.models.slopes.places_slopes import PlaceSlopes
from craterfront.models.slopes.removed_slopes import RemovedSlopes
from craterfront.models.slopes.seen_slopes import seen

Recorded = tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
"""Signal of every interval (N, Q) and mean depth at every edge (T,); their slopes (P, ...)."""


def recorded(
    place: Place,
    slopes: PlaceSlopes,
    instrument: Instrument,
    columns: np.ndarray,
    column_slopes: np.ndarray,
    removed: Removed,
    removed_slopes: RemovedSlopes,
    time_edges_s: np.ndarray,
    dose_slopes: np.ndarray,
    nodes: np.ndarray | None,
) -> Recorded:
    """Signal of every interval and mean depth at every edge; their slopes."""
    if instrument.view == "viewed":
        return _viewed(
            place, slopes, instrument, columns, column_slopes, removed, removed_slopes,
            time_edges_s, dose_slopes, nodes,
        )  # fmt: skip
    dose, count = place.balanced_dose, columns.shape[1]
    floor, moving = place.arrival.floor, slopes.arrival.floor
    # What is used, beside, tells how D* moves.
    depth, of_depth = _depth_and_used(place, slopes, removed, removed_slopes)
    if instrument.seen_share is None:
        both = np.concatenate([columns, depth], axis=1)
        of_both = np.concatenate([column_slopes, of_depth], axis=2)
        up_to = _up_to(place, slopes, dose, floor.area, moving.area, both, of_both)
    else:
        own = _up_to(place, slopes, dose, floor.seen, moving.seen, columns, column_slopes)
        other = _up_to(place, slopes, dose, floor.area, moving.area, depth, of_depth)
        up_to = Sum(
            np.concatenate([own.value, other.value], axis=1),
            np.concatenate([own.by_dose, other.by_dose], axis=1),
            np.concatenate([own.slopes, other.slopes], axis=2),
        )
    moved = _balanced(place, slopes, time_edges_s, dose_slopes, nodes, up_to)
    change = up_to.slopes + up_to.by_dose * moved[..., None]
    signal, depth_nm = np.diff(up_to.value[:, :count], axis=0), up_to.value[:, count]
    return (signal, depth_nm), (np.diff(change[..., :count], axis=1), change[..., count])


def _depth_and_used(
    place: Place, slopes: PlaceSlopes, removed: Removed, removed_slopes: RemovedSlopes
) -> tuple[np.ndarray, np.ndarray]:
    """Thickness and dose of the slices, (K, 2), and their slopes, (P, K, 2)."""
    return np.column_stack([removed.thickness_nm, place.slice_dose]), np.stack(
        [removed_slopes.thickness_nm.T, slopes.slice_dose.T], axis=2
    )


def _up_to(
    place: Place,
    slopes: PlaceSlopes,
    dose: np.ndarray,
    share: np.ndarray,
    share_slopes: np.ndarray,
    columns: np.ndarray,
    column_slopes: np.ndarray,
) -> Sum:
    """What has been collected up to each dose, counted from D = 0."""
    arrival = place.arrival
    found = summed(
        arrival,
        slopes.arrival,
        np.append(0.0, dose),
        share,
        share_slopes,
        columns[arrival.source] * arrival.weight[:, None],
        slopes.arrival.held(arrival, columns, column_slopes),
    )
    value = found.value[1:] - found.value[0]
    return Sum(value, found.by_dose[1:], found.slopes[:, 1:] - found.slopes[:, :1])


def _balanced(
    place: Place,
    slopes: PlaceSlopes,
    supplied: np.ndarray,
    supplied_slopes: np.ndarray,
    nodes: np.ndarray | None,
    used: Sum,
    dose: np.ndarray | None = None,
) -> np.ndarray:
    """Slopes of D*, (P, N); what is used is the last quantity of a sum, at D* or a given dose."""
    moved = supplied_slopes.T.copy()
    solved = np.flatnonzero(slopes.uneven | place.arrival.balanced)
    if solved.size:
        moved[solved] = balanced_slopes(
            place.balanced_dose if dose is None else dose,
            supplied,
            supplied_slopes[:, solved],
            nodes,
            used.by_dose[:, -1],
            used.slopes[solved, :, -1].T,
        ).T
    return moved


def _viewed(
    place: Place,
    slopes: PlaceSlopes,
    instrument: Instrument,
    columns: np.ndarray,
    column_slopes: np.ndarray,
    removed: Removed,
    removed_slopes: RemovedSlopes,
    time_edges_s: np.ndarray,
    dose_slopes: np.ndarray,
    nodes: np.ndarray | None,
) -> Recorded:
    """The same of a viewed signal."""
    arrival, dose = place.arrival, place.balanced_dose
    area, of_area = arrival.floor.area, slopes.arrival.floor.area
    depth, of_depth = _depth_and_used(place, slopes, removed, removed_slopes)
    up_to = _up_to(place, slopes, dose, area, of_area, depth, of_depth)
    moved = _balanced(place, slopes, time_edges_s, dose_slopes, nodes, up_to)
    change = up_to.slopes + up_to.by_dose * moved[..., None]
    depth_nm, of_depth_nm = up_to.value[:, 0], change[..., 0]
    sides = columns[0], columns[1], column_slopes[:, 0], column_slopes[:, 1]
    if instrument.timing == "cycle":
        shown = seen(arrival, slopes.arrival, *sides, dose, dose)
        of_shown = shown.slopes + (shown.by_start + shown.by_end) * moved[..., None]
        return (shown.value, depth_nm), (of_shown, of_depth_nm)
    bounds, counts, early = interval_bounds(place, time_edges_s)
    if early.size:
        between = np.array([np.interp(early, time_edges_s, each) for each in dose_slopes.T]).T
        first = bounds[: early.size]
        used = _up_to(place, slopes, first, area, of_area, depth, of_depth)
        ahead = _balanced(place, slopes, early, between, None, used, first)
        moved = np.concatenate([ahead, moved[:, dose.size - bounds.size + early.size :]], axis=1)
    shown = seen(arrival, slopes.arrival, *sides, bounds[:-1], bounds[1:])
    of_shown = shown.slopes + shown.by_start * moved[:, :-1, None]
    of_shown += shown.by_end * moved[:, 1:, None]
    starts = np.cumsum(counts) - counts
    value = np.add.reduceat(shown.value, starts, axis=0) / counts[:, None]
    of_value = np.add.reduceat(of_shown, starts, axis=1) / counts[:, None]
    return (value, depth_nm), (of_value, of_depth_nm)
