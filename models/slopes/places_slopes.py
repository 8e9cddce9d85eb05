"""Slopes of places: of their shares of the area, of what slices cost there and when they arrive."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from craterfront.models.altered_layers.species import Species
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.places import (
    OVERLAP,
    Part,
    Place,
    spread_at_faces,
    spread_within,
)
from craterfront.models.quick_engine.removed import Removed
from craterfront.models.slopes.arrival_slopes import ArrivalSlopes, FloorSlopes
from craterfront.models.slopes.directions import Directions
from craterfront.models.slopes.dose_axis_slopes import arrival_slopes, sharp
from craterfront.models.slopes.removed_slopes import RemovedSlopes
from craterfront.models.slopes.roughening_slopes import gained_slopes, relief_slopes

_UNEVEN = 1e-12  # of the largest change of a variance


@dataclass(frozen=True)
class PartSlopes:
    """Slopes of a `Part` in P directions.

    Attributes
    ----------
    rate : ndarray, shape (M, 2, P)
    area, seen : ndarray, shape (P,)
    """

    rate: np.ndarray
    area: np.ndarray
    seen: np.ndarray


def part_slopes(
    sample: LayeredSample, instrument: Instrument, directions: Directions
) -> Iterator[PartSlopes]:
    """Slopes of what `places.parts_of` gives."""
    if instrument.crater.ndim == 2:
        nothing = np.zeros(directions.count)
        yield PartSlopes(np.zeros((sample.rate_nm_s.size, 2, directions.count)), nothing, nothing)
        return
    for number in range(instrument.crater.shape[1]):
        area = directions.crater[0, number, 2]
        seen = area if instrument.seen_share is None else directions.seen_share[number]
        yield PartSlopes(directions.crater[:, number, :2], area, seen)


@dataclass(frozen=True)
class PlaceSlopes:
    """Slopes of a `Place` in P directions.

    Attributes
    ----------
    slice_dose : ndarray, shape (K, P)
    arrival : ArrivalSlopes
    uneven : ndarray of bool, shape (P,)
        Whether D* then differs from D.
    sets_in : ndarray of bool, shape (P,)
        Whether there is a spread then where there is none.
    """

    slice_dose: np.ndarray
    arrival: ArrivalSlopes
    uneven: np.ndarray
    sets_in: np.ndarray

    @classmethod
    def of(
        cls,
        place: Place,
        sample: LayeredSample,
        part: Part,
        part_slopes: PartSlopes,
        species: Species,
        removed: Removed,
        slopes: RemovedSlopes,
        directions: Directions,
        least_spread: float,
    ) -> "PlaceSlopes":
        """Slopes of what `places.place_of` gives."""
        instrument, rate, rate_slopes = part.instrument, part.rate, part_slopes.rate
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
        return cls(
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
