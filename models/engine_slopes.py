"""The quick engine with exact slopes: a run, and its derivatives in P directions, in one pass.

Forward mode: every number that the engine makes of its input has its slopes beside it, from the
slices to what is recorded (`transition_slopes`, `cut_slopes`, `layer_slopes`, `placed_slopes`,
`arrival_slopes`, `balance_slopes`). The plan of the slices is held; where the engine takes the
larger of two numbers, the slopes are those of the one it takes.

Where there is no spread at all, neither roughness nor one that grows, a signal is made of kinks. By
the square of a roughness that sets in there, the slopes are those at a spread of half an interval.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from craterfront.models import contribution_slopes, crater
from craterfront.models.arrival_slopes import FloorSlopes
from craterfront.models.cut_sample import CutSample
from craterfront.models.cut_slopes import CutSlopes
from craterfront.models.directions import Directions
from craterfront.models.engine import Signals
from craterfront.models.instrument import Instrument
from craterfront.models.layer_slopes import LayerSlopes, leaving_slopes
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.placed_slopes import arrival_slopes, sharp
from craterfront.models.places import (
    OVERLAP,
    Place,
    place_of,
    spread_at_faces,
    spread_within,
    summed_places,
)
from craterfront.models.recorded_slopes import PlaceSlopes, Recorded, recorded
from craterfront.models.removed import Removed
from craterfront.models.removed_slopes import RemovedSlopes
from craterfront.models.roughening_slopes import gained_slopes, relief_slopes
from craterfront.models.slicing import SlicePlan
from craterfront.models.species import Species

_UNEVEN = 1e-12  # of the largest change of a variance
_OF_INTERVAL = 0.5  # spread at which the slopes are found of one that sets in on none


@dataclass(frozen=True)
class SignalSlopes:
    """Slopes of `engine.Signals` in P directions.

    Attributes
    ----------
    signal : ndarray, shape (P, N, Q)
    mean_depth_nm : ndarray, shape (P, T)
    """

    signal: np.ndarray
    mean_depth_nm: np.ndarray


def run_with_slopes(
    sample: LayeredSample,
    instrument: Instrument,
    time_edges_s: np.ndarray,
    projection: np.ndarray,
    slices: SlicePlan,
    directions: Directions,
) -> tuple[Signals, SignalSlopes]:
    """Simulate one profile, with its derivatives.

    Parameters
    ----------
    sample, instrument, time_edges_s, projection, slices
        See `engine.run`.
    directions : Directions
        How the input changes.

    Returns
    -------
    Signals
        As `engine.run` gives it.
    SignalSlopes
    """
    time_edges_s = np.asarray(time_edges_s, dtype=float)
    cut = CutSample.of(sample, instrument, slices)
    cut_slopes = CutSlopes.of(cut, sample, slices, directions)
    layer_slopes = LayerSlopes.of(cut.layer, sample, instrument, directions)
    layer_slopes = layer_slopes.for_species(cut.species.material)
    view = contribution_slopes.view_of(cut, sample, instrument, directions)
    leaving = leaving_slopes(
        cut.atoms,
        cut_slopes.atoms,
        cut.layer,
        layer_slopes,
        cut.species.preference,
        cut.species.dose_per_atom,
        cut_slopes.dose_per_atom,
        view,
    )
    removed = Removed.of(cut, leaving.removed)
    removed_slopes = RemovedSlopes.of(cut, cut_slopes, leaving.removed, leaving.removed_slopes)
    if instrument.view == "viewed":
        columns, column_slopes = contribution_slopes.viewed(
            cut, cut_slopes, layer_slopes, leaving, view
        )
    else:
        columns, column_slopes = contribution_slopes.collected(
            cut, cut_slopes, layer_slopes, leaving, sample, instrument, directions
        )
        column_slopes = cut_slopes.divided(cut, columns, column_slopes)
        columns = cut.divided(columns)
    projected = cut.species.project(projection, sample.composition)
    columns, column_slopes = columns @ projected, np.moveaxis(projected.T @ column_slopes, -1, 0)
    places, each = [], []
    for rate, rate_slopes, part, area, seen in _parts_of(instrument, directions, sample):

        def found(
            least: float,
            rate: np.ndarray = rate,
            rate_slopes: np.ndarray = rate_slopes,
            part: Instrument = part,
        ) -> tuple[Place, PlaceSlopes, Recorded]:
            """A place with at least so much spread, and what is recorded there."""
            place = place_of(
                sample, part, cut.species, removed, rate, time_edges_s, slices.nodes, least
            )
            slopes = _place_slopes(
                sample, part, cut.species, removed, removed_slopes, rate, rate_slopes, directions,
                place, least,
            )  # fmt: skip
            return place, slopes, recorded(
                place, slopes, part, columns, column_slopes, removed, removed_slopes,
                time_edges_s, directions.dose_s, slices.nodes,
            )  # fmt: skip

        place, slopes, (value, change) = found(0.0)
        if slopes.sets_in.any():
            _, _, (_, other) = found(_OF_INTERVAL * time_edges_s[-1] / time_edges_s.size)
            for own, rough in zip(change, other, strict=True):
                own[slopes.sets_in] = rough[slopes.sets_in]
        places.append(replace(place, area=area[0], seen=seen[0]))
        each.append((value, change, area, seen))
    signal = summed_places(seen[0] * v[0] for v, _, _, seen in each)
    depth = summed_places(area[0] * v[1] for v, _, area, _ in each)
    of_signal = summed_places(
        seen[0] * c[0] + v[0] * seen[1][:, None, None] for v, c, _, seen in each
    )
    of_depth = summed_places(area[0] * c[1] + v[1] * area[1][:, None] for v, c, area, _ in each)
    signals = Signals(signal, depth, removed.edges_nm, cut.planes_nm, places)
    return signals, SignalSlopes(of_signal, of_depth)


def _parts_of(
    instrument: Instrument, directions: Directions, sample: LayeredSample
) -> Iterator[tuple]:
    """Places: rates in each material with slopes, the instrument there, area and seen share.

    All of the area, or each segment by itself where it has another rate in each material.
    """
    nothing = np.zeros(directions.count)
    if instrument.crater.ndim == 2:
        alike = np.ones((sample.rate_nm_s.size, 2))
        still = np.zeros((*alike.shape, directions.count))
        yield alike, still, instrument, (1.0, nothing), (1.0, nothing)
        return
    for number in range(instrument.crater.shape[1]):
        rate, slopes = instrument.crater[:, number, :2], directions.crater[:, number, :2]
        there = replace(instrument, crater=crater.flat(), seen_share=None)
        area = instrument.crater[0, number, 2], directions.crater[0, number, 2]
        seen = area
        if instrument.seen_share is not None:
            seen = instrument.seen_share[number], directions.seen_share[number]
        yield rate, slopes, there, area, seen


def _place_slopes(
    sample: LayeredSample,
    instrument: Instrument,
    species: Species,
    removed: Removed,
    slopes: RemovedSlopes,
    rate: np.ndarray,
    rate_slopes: np.ndarray,
    directions: Directions,
    place: Place,
    least_spread: float,
) -> PlaceSlopes:
    """Slopes of a place with its relative rates, first and last, in each material (M, 2)."""
    mean, mean_slopes = rate.mean(axis=1), rate_slopes.mean(axis=1)
    cost = species.dose_per_atom / mean[species.material]
    of_mean = (mean_slopes / mean[:, None])[species.material]
    cost_slopes = slopes.dose_per_atom / mean[species.material, None] - cost[:, None] * of_mean
    dose_slopes = cost @ slopes.species + removed.species @ cost_slopes
    surface = float(removed.surface @ cost)
    surface_slopes = cost @ slopes.surface + removed.surface @ cost_slopes
    spread = spread_at_faces(sample, instrument, removed, rate, place.slice_dose, surface)
    spread = np.maximum(spread, least_spread)
    variance = _variance_slopes(
        instrument, directions, removed, slopes, place.slice_dose, dose_slopes, surface,
        surface_slopes,
    )  # fmt: skip
    if sample.relief_nm is not None and (sample.relief_nm.any() or directions.relief_nm.any()):
        there = sample.rate_nm_s * mean
        of_rate = directions.rate_nm_s * mean[:, None] + sample.rate_nm_s[:, None] * mean_slopes
        variance += relief_slopes(
            removed.edges_nm,
            sample.planes_nm(),
            sample.relief_nm,
            there[sample.material],
            slopes.edges_nm,
            slopes.planes_nm,
            directions.relief_nm,
            of_rate[sample.material],
        )
    variance[-1] = variance[-2]
    size = np.abs(variance)
    uneven = np.ptp(variance, axis=0) > _UNEVEN * size.max(axis=0)
    within = spread_within(species, removed, rate)
    if within is not None:
        spread = np.hypot(spread, within)
        variance = variance + _within_slopes(species, removed, slopes, rate, rate_slopes)
    floor = _floor_slopes(instrument, directions)
    is_sharp = sharp(place.slice_dose, spread)
    return PlaceSlopes(
        dose_slopes,
        arrival_slopes(place.arrival, place.slice_dose, spread, dose_slopes, variance, floor),
        uneven,
        np.any(variance[is_sharp] > 0.0, axis=0),
    )


def _variance_slopes(
    instrument: Instrument,
    directions: Directions,
    removed: Removed,
    slopes: RemovedSlopes,
    dose: np.ndarray,
    dose_slopes: np.ndarray,
    surface: float,
    surface_slopes: np.ndarray,
) -> np.ndarray:
    """Slopes of the square of `roughening.dose_spread`, shape (K + 1, P)."""
    growth, thickness = instrument.growth, removed.thickness_nm
    variance = np.zeros((thickness.size + 1, directions.count))
    if instrument.heights is None:
        square = instrument.initial_nm**2
        variance += surface**2 * directions.initial_square_nm2
        variance += 2.0 * square * surface * surface_slopes
    if growth.law == "columns":
        up_to = np.append(0.0, np.cumsum(dose))[:, None]
        of_dose = np.concatenate([np.zeros_like(dose_slopes[:1]), np.cumsum(dose_slopes, axis=0)])
        variance += up_to**2 * directions.spread_square
        variance += 2.0 * growth.of_rate**2 * up_to * of_dose
    elif growth.law != "none":
        depth = np.cumsum(thickness) - thickness
        depth_slopes = np.cumsum(slopes.thickness_nm, axis=0) - slopes.thickness_nm
        arguments = depth, thickness, removed.atoms
        gained = growth.gained_nm2(*arguments)[:, None]
        changes = depth_slopes, slopes.thickness_nm, slopes.atoms
        of_gained = gained_slopes(growth, directions, *arguments, *changes)
        per_nm = (dose / thickness)[:, None]
        of_per_nm = (dose_slopes - per_nm * slopes.thickness_nm) / thickness[:, None]
        change = per_nm**2 * of_gained + 2.0 * per_nm * of_per_nm * gained
        variance[1:] += np.cumsum(change, axis=0)
    return variance


def _within_slopes(
    species: Species,
    removed: Removed,
    slopes: RemovedSlopes,
    rate: np.ndarray,
    rate_slopes: np.ndarray,
) -> np.ndarray:
    """Slopes of the square of `places.spread_within`, shape (K + 1, P)."""
    per_end, change = [], []
    for end in (0, 1):
        own = rate[species.material, end]
        per_end.append(species.dose_per_atom / own)
        of_rate = rate_slopes[species.material, end] / own[:, None]
        change.append(slopes.dose_per_atom / own[:, None] - per_end[end][:, None] * of_rate)
    differs, of_differs = per_end[0] - per_end[1], change[0] - change[1]
    across = np.append(0.0, np.cumsum(removed.species @ differs))[:, None]
    steps = differs @ slopes.species + removed.species @ of_differs
    of_across = np.concatenate([np.zeros_like(steps[:1]), np.cumsum(steps, axis=0)])
    return 2.0 * OVERLAP**2 * across * of_across


def _floor_slopes(instrument: Instrument, directions: Directions) -> FloorSlopes:
    if directions.crater.ndim > 3:
        return FloorSlopes.none(1, directions.count)  # of a place by itself
    segments = directions.crater
    still = np.zeros_like(directions.crater_square)
    seen = segments[:, 2] if instrument.seen_share is None else directions.seen_share
    return FloorSlopes(
        0.5 * (segments[:, 0] + segments[:, 1]),
        directions.crater_square,
        segments[:, 2],
        seen,
        still,
        still,
    )
