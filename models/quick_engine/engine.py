"""The quick engine: from a layered sample and an instrument to what is collected or seen.

Every slice of the sample has an arrival time. The sample is cut into slices (`slice_plan`,
`cut_sample`); the altered layer turns what each slice holds into what leaves with it (`mixing`),
and that into what the slice contributes to the signal (`contributions`); each atom costs a dose,
which gives the clock; roughness and crater spread the arrival (`places`); what has arrived is
recorded (`recorded`). Dose is counted in seconds at the nominal current.
"""

from dataclasses import dataclass

import numpy as np

from craterfront.models.altered_layers.mixing import leaving_atoms
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine import contributions
from craterfront.models.quick_engine.cut_sample import CutSample
from craterfront.models.quick_engine.places import Place, places_of, summed_places
from craterfront.models.quick_engine.recorded import recorded
from craterfront.models.quick_engine.removed import Removed
from craterfront.models.quick_engine.slice_plan import plan
from craterfront.models.quick_engine.slicing import SlicePlan


@dataclass(frozen=True)
class Signals:
    """Result of a run.

    Attributes
    ----------
    signal : ndarray, shape (N, Q)
        Collected: the projected atoms per area of each interval [1/nm^2]. Viewed: the projected
        fraction seen.
    mean_depth_nm : ndarray, shape (T,)
        Depth removed, averaged over the analysed area, at each time edge.
    edges_nm : ndarray, shape (K + 1,)
        Slice edges.
    planes_nm : ndarray, shape (L,)
        Interface planes.
    places : list of Place
        Parts of the analysed area, each with a clock of its own.
    """

    signal: np.ndarray
    mean_depth_nm: np.ndarray
    edges_nm: np.ndarray
    planes_nm: np.ndarray
    places: list[Place]

    def left(self) -> np.ndarray:
        """Share of every slice that has left the area at each time edge, shape (K, T)."""
        return summed_places(p.seen * p.arrival.left(p.balanced_dose) for p in self.places)


def run(
    sample: LayeredSample,
    instrument: Instrument,
    time_edges_s: np.ndarray,
    projection: np.ndarray,
    slices: SlicePlan | None = None,
) -> Signals:
    """Simulate one profile.

    Parameters
    ----------
    sample, instrument : LayeredSample, Instrument
    time_edges_s : ndarray, shape (T,)
        Edges of the sampling intervals [s], from 0; T - 1 intervals, or T snapshots for a viewed
        signal with cycle timing.
    projection : ndarray, shape (M, E, Q)
        What one atom of element e out of material m contributes to each of Q quantities.
    slices : SlicePlan, optional
        Default: `plan` for these arguments.

    Returns
    -------
    Signals
    """
    time_edges_s = np.asarray(time_edges_s, dtype=float)
    slices = slices or plan(sample, instrument, time_edges_s)
    cut = CutSample.of(sample, instrument, slices)
    viewed = instrument.view == "viewed"
    leaving, states = leaving_atoms(
        cut.atoms,
        cut.layer,
        cut.species.preference,
        cut.species.dose_per_atom,
        keep_states=viewed and instrument.escape_depth_nm > 0,
    )
    escape_nm = instrument.escape_depth_nm
    if viewed:
        columns = contributions.viewed(cut, leaving, states, sample, escape_nm)
    else:
        columns = cut.divided(contributions.collected(cut, leaving, sample, escape_nm))
    columns = columns @ cut.species.project(projection, sample.composition)
    removed = Removed.of(cut, leaving)
    places = list(places_of(sample, instrument, cut.species, removed, time_edges_s, slices.nodes))
    each = [
        recorded(place, instrument, columns, removed.thickness_nm, time_edges_s) for place in places
    ]
    signal = summed_places(place.seen * part for place, (part, _) in zip(places, each, strict=True))
    depth = summed_places(place.area * part for place, (_, part) in zip(places, each, strict=True))
    return Signals(signal, depth, removed.edges_nm, cut.planes_nm, places)
