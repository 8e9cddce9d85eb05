"""The quick engine with exact slopes: a run, and its derivatives in P directions, in one pass.

Forward mode: every number that the engine makes of its input has its slopes beside it, from the
slices to what is recorded (`transition_slopes`, `cut_slopes`, `layer_slopes`, `places_slopes`,
`dose_axis_slopes`, `arrival_slopes`, `balance_slopes`). The plan of the slices is held; where the
engine takes the larger of two numbers, the slopes are those of the one it takes.

Where there is no spread at all, neither roughness nor one that grows, a signal is made of kinks. By
the square of a roughness that sets in there, the slopes are those at a spread of half an interval.
"""

from dataclasses import dataclass

import numpy as np

from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.cut_sample import CutSample
from craterfront.models.quick_engine.engine import Signals
from craterfront.models.quick_engine.places import Part, Place, parts_of, place_of, summed_places
from craterfront.models.quick_engine.removed import Removed
from craterfront.models.quick_engine.slicing import SlicePlan
from craterfront.models.slopes import contribution_slopes
from craterfront.models.slopes.cut_slopes import CutSlopes
from craterfront.models.slopes.directions import Directions
from craterfront.models.slopes.layer_slopes import LayerSlopes, leaving_slopes
from craterfront.models.slopes.places_slopes import PartSlopes, PlaceSlopes, part_slopes
from craterfront.models.slopes.recorded_slopes import Recorded, recorded
from craterfront.models.slopes.removed_slopes import RemovedSlopes

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
    for part, moves in zip(
        parts_of(sample, instrument), part_slopes(sample, instrument, directions), strict=True
    ):

        def found(
            least: float, part: Part = part, moves: PartSlopes = moves
        ) -> tuple[Place, PlaceSlopes, Recorded]:
            """A place with at least so much spread, and what is recorded there."""
            place = place_of(sample, part, cut.species, removed, time_edges_s, slices.nodes, least)
            slopes = PlaceSlopes.of(
                place, sample, part, moves, cut.species, removed, removed_slopes, directions, least
            )
            return place, slopes, recorded(
                place, slopes, part.instrument, columns, column_slopes, removed, removed_slopes,
                time_edges_s, directions.dose_s, slices.nodes,
            )  # fmt: skip

        place, slopes, (value, change) = found(0.0)
        if slopes.sets_in.any():
            _, _, (_, other) = found(_OF_INTERVAL * time_edges_s[-1] / time_edges_s.size)
            for own, rough in zip(change, other, strict=True):
                own[slopes.sets_in] = rough[slopes.sets_in]
        places.append(place)
        each.append((part, moves, value, change))
    signal = summed_places(part.seen * value[0] for part, _, value, _ in each)
    depth = summed_places(part.area * value[1] for part, _, value, _ in each)
    of_signal = summed_places(
        part.seen * change[0] + value[0] * moves.seen[:, None, None]
        for part, moves, value, change in each
    )
    of_depth = summed_places(
        part.area * change[1] + value[1] * moves.area[:, None]
        for part, moves, value, change in each
    )
    signals = Signals(signal, depth, removed.edges_nm, cut.planes_nm, places)
    return signals, SignalSlopes(of_signal, of_depth)
