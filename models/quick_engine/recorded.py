"""What is recorded in a place: sums over its slices, at the doses that its columns have used."""

import numpy as np

from craterfront.models.instrument import Instrument
from craterfront.models.quick_engine.places import Place

_FIRST_PARTS = (32, 16, 8, 4, 2)  # of the first intervals of a viewed signal


def recorded(
    place: Place,
    instrument: Instrument,
    columns: np.ndarray,
    thickness: np.ndarray,
    time_edges_s: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Signal of every interval (or snapshot), and mean depth at every edge."""
    arrival, dose = place.arrival, place.balanced_dose
    if instrument.view == "collected" and instrument.seen_share is None:
        up_to = arrival.collected(np.column_stack([columns, thickness]), dose)
        return np.diff(up_to[:, :-1], axis=0), up_to[:, -1]
    depth = arrival.collected(thickness[:, None], dose, arrival.floor.area)[:, 0]
    if instrument.view == "collected":
        return np.diff(arrival.collected(columns, dose), axis=0), depth
    if instrument.timing == "cycle":
        return arrival.seen(columns[0], columns[1], dose, dose), depth
    return _mean_seen(place, columns, time_edges_s), depth


def _mean_seen(place: Place, columns: np.ndarray, time_edges_s: np.ndarray) -> np.ndarray:
    """Mean over each interval, during which D* is taken to rise evenly."""
    bounds, counts, _ = interval_bounds(place, time_edges_s)
    seen = place.arrival.seen(columns[0], columns[1], bounds[:-1], bounds[1:])
    starts = np.cumsum(counts) - counts
    return np.add.reduceat(seen, starts, axis=0) / counts[:, None]


def interval_bounds(
    place: Place, time_edges_s: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """D* at the ends of the parts of all intervals, how many each has, and the first supplies.

    From a rough surface D* does not rise evenly at first: the first intervals have several parts.
    Those supplies are the ones for which D* is found anew.
    """
    arrival, dose = place.arrival, place.balanced_dose
    parts = _FIRST_PARTS[: dose.size - 1] if arrival.balanced else ()
    counts = np.append(parts, np.ones(dose.size - 1 - len(parts))).astype(np.int64)
    if not parts:
        return dose, counts, np.zeros(0)
    early = np.concatenate(
        [
            np.linspace(start, end, count, endpoint=False)
            for start, end, count in zip(time_edges_s, time_edges_s[1:], parts, strict=False)
        ]
    )
    bounds = arrival.balanced_dose(place.slice_dose, early)
    return np.append(bounds, dose[len(parts) :]), counts, early
