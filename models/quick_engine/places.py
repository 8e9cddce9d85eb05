"""Places: parts of the analysed area whose pieces go through the layers in proportion.

Each place has a clock of its own: what its slices cost there, when they arrive, and the dose that
all of its columns together have used.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from craterfront.models.altered_layers.species import Species
from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.arrival import Arrival
from craterfront.models.erosion_front.floor import Floor
from craterfront.models.erosion_front.roughening import dose_spread
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.removed import Removed

OVERLAP = 0.42  # standard deviation of a segment, of its extent, that leaves no ripple


@dataclass(frozen=True)
class Place:
    """A part of the analysed area whose pieces go through the layers in proportion.

    Attributes
    ----------
    area, seen : float
        Share of the area, and of the signal.
    slice_dose : ndarray, shape (K,)
        Dose that removes each slice there [s].
    arrival : Arrival
    balanced_dose : ndarray, shape (T,)
        D* at each time edge [s].
    """

    area: float
    seen: float
    slice_dose: np.ndarray
    arrival: Arrival
    balanced_dose: np.ndarray


@dataclass(frozen=True)
class Part:
    """A part of the analysed area, before anything is known of the sample there.

    Attributes
    ----------
    rate : ndarray, shape (M, 2)
        Relative rates, first and last, in each material.
    instrument : Instrument
        The instrument there.
    area, seen : float
        Share of the area, and of the signal.
    """

    rate: np.ndarray
    instrument: Instrument
    area: float
    seen: float


def parts_of(sample: LayeredSample, instrument: Instrument) -> Iterator[Part]:
    """All of the area, or each segment by itself where it has another rate in each material."""
    if instrument.crater.ndim == 2:
        yield Part(np.ones((sample.rate_nm_s.size, 2)), instrument, 1.0, 1.0)
        return
    seen, there = instrument.seen_share, replace(instrument, crater=crater.flat(), seen_share=None)
    for number, area in enumerate(instrument.crater[0, :, 2]):
        rate = instrument.crater[:, number, :2]
        yield Part(rate, there, area, area if seen is None else seen[number])


def places_of(
    sample: LayeredSample,
    instrument: Instrument,
    species: Species,
    removed: Removed,
    time_edges_s: np.ndarray,
    nodes: np.ndarray | None,
) -> Iterator[Place]:
    """The places of all parts of the area."""
    for part in parts_of(sample, instrument):
        yield place_of(sample, part, species, removed, time_edges_s, nodes)


def place_of(
    sample: LayeredSample,
    part: Part,
    species: Species,
    removed: Removed,
    time_edges_s: np.ndarray,
    nodes: np.ndarray | None,
    least_spread: float = 0.0,
) -> Place:
    """The place of a part of the area, with a least spread of the arrival dose if one is given."""
    instrument, rate = part.instrument, part.rate
    cost = species.dose_per_atom / rate.mean(axis=1)[species.material]
    slice_dose = removed.species @ cost
    surface_dose_per_nm = float(removed.surface @ cost)
    spread = spread_at_faces(sample, instrument, removed, rate, slice_dose, surface_dose_per_nm)
    spread = np.maximum(spread, least_spread)
    heights = _offsets(instrument, surface_dose_per_nm)
    arrival = Arrival.of(
        slice_dose,
        spread,
        Floor.of(instrument.crater, instrument.seen_share, heights),
        spread_within(species, removed, rate),
    )
    balanced = arrival.balanced_dose(slice_dose, time_edges_s, nodes)
    return Place(part.area, part.seen, slice_dose, arrival, balanced)


def spread_at_faces(
    sample: LayeredSample,
    instrument: Instrument,
    removed: Removed,
    rate: np.ndarray,
    slice_dose: np.ndarray,
    surface_dose_per_nm: float,
) -> np.ndarray:
    """Spread of the arrival dose at the faces of the slices in a place, shape (K + 1,)."""
    there = replace(sample, rate_nm_s=sample.rate_nm_s * rate.mean(axis=1))
    spread = dose_spread(
        removed.atoms,
        removed.thickness_nm,
        slice_dose,
        surface_dose_per_nm,
        instrument.growth,
        instrument.initial_nm if instrument.heights is None else 0.0,
    )
    relief = there.relief_variance(removed.edges_nm, sample.planes_nm())
    spread = np.sqrt(spread**2 + relief)
    # The last slice only keeps columns from running out of material; its end is far below.
    spread[-1] = spread[-2]
    return spread


def spread_within(species: Species, removed: Removed, rate: np.ndarray) -> np.ndarray | None:
    """Spread of the supply at which a segment passes each face, which makes it meet the next."""
    if np.all(rate == 1.0):
        return None
    first, last = (species.dose_per_atom / end[species.material] for end in rate.T)
    across = np.abs(np.cumsum(removed.species @ (first - last)))
    return OVERLAP * np.append(0.0, across)


def _offsets(instrument: Instrument, surface_dose_per_nm: float) -> np.ndarray | None:
    """Dose by which columns are ahead whose heights are tabulated, (Q, 3)."""
    if instrument.heights is None or instrument.initial_nm == 0.0:
        return None
    lowest, highest, share = instrument.heights.T
    relief = instrument.initial_nm * surface_dose_per_nm
    return np.column_stack([-relief * highest, -relief * lowest, share])


def summed_places(parts: Iterable[np.ndarray]) -> np.ndarray:
    return np.sum(list(parts), axis=0)
