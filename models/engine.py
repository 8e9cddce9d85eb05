"""The quick engine: from a layered sample and a source to what is collected or seen.

Every slice of the sample has an arrival time. The sample is cut into slices (`slicing`,
`transitions`); the altered layer turns what each slice holds into what leaves with it (`mixing`);
each atom costs a dose, which gives the clock; roughness and crater spread the arrival
(`roughening`, `crater`, `arrival`). Dose is counted in seconds at the nominal current.

A *species* is what the altered layer tells apart: the materials, since rates and sensitivities
belong to materials; with preferential sputtering, each element of each material.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from craterfront.models import crater
from craterfront.models.arrival import Arrival
from craterfront.models.dose_balance import balance_nodes
from craterfront.models.floor import Floor
from craterfront.models.mixing import MOST_CELLS, AlteredLayer, leaving_atoms, relative_mixing
from craterfront.models.normal_shares import REACH
from craterfront.models.roughening import Growth, dose_spread, relief_variance
from craterfront.models.slicing import Features, SlicePlan, plan_slices
from craterfront.models.sloped import divide_amounts, divide_evenly, rises
from craterfront.models.transitions import (
    NO_TABLES,
    interface_planes_nm,
    slice_fractions,
    steepest_sd_nm,
    support_nm,
)
from craterfront.models.viewing import collected_atoms, seen_fractions

_ESCAPE_REACH = 12.0
_PER_ESCAPE_DEPTH = 0.08
_LONGEST_TRANSIENT = 10.0
_MARGIN = 0.1  # of the depth, sliced below the end of a profile, for parameters that change
_CELLS_PER_SMOOTHING = 8.0  # cells of the altered layer against what smooths the signal ...
_FINER = 2.5  # ... but no more than so many times as many as without
OVERLAP = 0.42  # standard deviation of a segment, of its extent, that leaves no ripple
FIRST_PARTS = (32, 16, 8, 4, 2)  # of the first intervals of a viewed signal


@dataclass(frozen=True)
class LayeredSample:
    """Layers from the surface down; the last one is the substrate.

    Attributes
    ----------
    thickness_nm : ndarray, shape (L,)
        Layers above the substrate [nm].
    width_nm, shape : ndarray, shape (L,)
        Interface below each of them: width [nm] and index into `transitions.SHAPES`, or the
        number of a table.
    relief_nm : ndarray, shape (L,), optional
        Standard deviation of its height against the outer surface [nm]; flat by default.
    material : ndarray of int, shape (L + 1,)
        Material of each layer and of the substrate.
    atomic_density_per_nm3, rate_nm_s : ndarray, shape (M,)
        Of each material [1/nm^3], [nm/s].
    composition : ndarray, shape (M, E)
        Atomic fractions of each material, rows sum to 1.
    tables : ndarray, shape (N, P, 2)
        Points of tabulated transitions, see `transitions.stacked`.
    """

    thickness_nm: np.ndarray
    width_nm: np.ndarray
    shape: np.ndarray
    material: np.ndarray
    atomic_density_per_nm3: np.ndarray
    rate_nm_s: np.ndarray
    composition: np.ndarray
    tables: np.ndarray = field(default_factory=lambda: NO_TABLES)
    relief_nm: np.ndarray | None = None

    def planes_nm(self) -> np.ndarray:
        """Interface planes [nm], shape (L,)."""
        return interface_planes_nm(self.thickness_nm, self.width_nm, self.shape, self.tables)

    def layers_in(self, edges_nm: np.ndarray, planes_nm: np.ndarray) -> np.ndarray:
        """Mean volume fraction of every layer between the edges, see `slice_fractions`."""
        return slice_fractions(edges_nm, planes_nm, self.width_nm, self.shape, self.tables)

    def relief_variance(self, depth_nm: np.ndarray, planes_nm: np.ndarray) -> np.ndarray:
        """Variance of the arrival dose by rough interfaces, see `roughening` [s^2]."""
        if self.relief_nm is None:
            return np.zeros_like(depth_nm)
        rate = self.rate_nm_s[self.material]
        return relief_variance(depth_nm, planes_nm, self.relief_nm, rate)


@dataclass(frozen=True)
class Instrument:
    """How the sample is sputtered and what is recorded.

    Attributes
    ----------
    crater : ndarray, shape (P, 3) or (M, P, 3)
        Distribution of the relative rate, of each material where they differ, see `crater`.
    mixing : str
        none, uniform, diffusive or relocation.
    mixing_length_nm, mixing_range_nm : float
        Referred to the first layer [nm].
    mixing_lengths_nm : ndarray, shape (M,), optional
        Mixing length in each material [nm], nan for one that mixes per ion as the first layer
        does; by default all do.
    displacement : str
        Law of displacement by relocation, one of `relocation.LAWS`.
    displacement_nm : float
        Its standard deviation along the depth, in the first layer [nm].
    preference : ndarray, shape (E,)
        Relative readiness of each element to leave; all equal for none.
    initial_nm : float
        Roughness of the outer surface over flat interfaces, standard deviation [nm].
    growth : Growth
        How roughness grows with depth.
    heights : ndarray, shape (Q, 3), optional
        Distribution of the initial heights, see `roughening.height_classes`. Default: normal.
    view : str
        collected (what left the surface) or viewed (what is seen at the surface).
    timing : str
        For a viewed signal: continuous (mean over the interval) or cycle (a snapshot).
    escape_depth_nm : float
        Depth from which the signal comes, along the normal [nm]; 0 for the outermost atoms.
    seen_share : ndarray, shape (P,), optional
        Share of the signal that comes from each segment of the crater. Default: as the area.
    """

    crater: np.ndarray
    mixing: str = "none"
    mixing_length_nm: float = 0.0
    mixing_range_nm: float = 0.0
    mixing_lengths_nm: np.ndarray | None = None
    displacement: str = "exponential"
    displacement_nm: float = 0.0
    preference: np.ndarray | None = None
    initial_nm: float = 0.0
    growth: Growth = field(default_factory=Growth)
    heights: np.ndarray | None = None
    view: str = "collected"
    timing: str = "continuous"
    escape_depth_nm: float = 0.0
    seen_share: np.ndarray | None = None


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
    places: "list[Place]"

    def left(self) -> np.ndarray:
        """Share of every slice that has left the area at each time edge, shape (K, T)."""
        return summed_places(p.seen * p.arrival.left(p.balanced_dose) for p in self.places)


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
class Removed:
    """What is removed, slice by slice, wherever it is removed."""

    species: np.ndarray  # (K, S) atoms per area that leave with each slice
    atoms: np.ndarray  # (K,)
    thickness_nm: np.ndarray  # (K,)
    edges_nm: np.ndarray  # (K + 1,)
    surface: np.ndarray  # (S,) atoms per volume at the top of the undisturbed sample


@dataclass(frozen=True)
class Species:
    """What the altered layer tells apart, from materials (and elements) to flat arrays."""

    share: np.ndarray  # (M, S): species of one atom of each material
    material: np.ndarray  # (S,)
    element: np.ndarray | None  # (S,), None when the species are the materials
    preference: np.ndarray  # (S,)
    dose_per_atom: np.ndarray  # (S,)

    def project(self, projection: np.ndarray, composition: np.ndarray) -> np.ndarray:
        """Projection (M, E, Q) of atoms onto quantities, per species: (S, Q)."""
        if self.element is None:
            return np.einsum("me,meq->mq", composition, projection)
        return projection[self.material, self.element]


def steady_dose_per_atom(sample: LayeredSample) -> np.ndarray:
    return 1.0 / (sample.atomic_density_per_nm3 * sample.rate_nm_s)


def species_of(sample: LayeredSample, preference: np.ndarray | None) -> Species:
    dose = steady_dose_per_atom(sample)
    if preference is None or np.ptp(preference) == 0.0:
        count = dose.size
        return Species(np.eye(count), np.arange(count), None, np.ones(count), dose)
    material, element = np.nonzero(sample.composition > 0)
    share = np.zeros((dose.size, material.size))
    share[material, np.arange(material.size)] = sample.composition[material, element]
    # Doses scale as 1 / preference such that the steady state of each material costs what its
    # rate says: there the flux has the bulk composition.
    steady = (sample.composition / preference).sum(axis=1)
    cost = dose[material] / (preference[element] * steady[material])
    return Species(share, material, element, preference[element], cost)


def _preference_ratio(instrument: Instrument) -> float:
    if instrument.preference is None:
        return 1.0
    return float(instrument.preference.max() / instrument.preference.min())


def altered_layer(sample: LayeredSample, instrument: Instrument) -> AlteredLayer:
    """Altered layer of a run, in atoms per area; the first layer sets it, but for the mixing per
    ion of materials with a length of their own."""
    order = np.append(sample.material[0], np.arange(sample.rate_nm_s.size))
    density = float(sample.atomic_density_per_nm3[sample.material[0]])
    if instrument.mixing == "none" or instrument.mixing_length_nm == 0.0:
        return AlteredLayer()
    if instrument.mixing == "uniform":
        return AlteredLayer.uniform(instrument.mixing_length_nm, density)
    dose, relative = steady_dose_per_atom(sample), None
    if instrument.mixing == "relocation":
        return AlteredLayer.relocated(
            instrument.mixing_length_nm,
            instrument.mixing_range_nm,
            instrument.displacement,
            instrument.displacement_nm,
            density,
            dose[order],
        )
    if instrument.mixing_lengths_nm is not None:
        relative = relative_mixing(
            instrument.mixing_lengths_nm,
            instrument.mixing_range_nm,
            sample.atomic_density_per_nm3,
            dose,
            int(sample.material[0]),
        )
    layer = AlteredLayer.diffusive(
        instrument.mixing_length_nm,
        instrument.mixing_range_nm,
        density,
        dose[order],
        _preference_ratio(instrument),
        None if relative is None else relative[order],
    )
    return replace(layer, relative_mixing=relative)


def _decays_nm(sample: LayeredSample, layer: AlteredLayer) -> np.ndarray:
    """Trailing decay length in each material [nm], shape (M,)."""
    dose = steady_dose_per_atom(sample)
    relative = np.ones(dose.size) if layer.relative_mixing is None else layer.relative_mixing
    each = zip(sample.atomic_density_per_nm3, dose, relative, strict=True)
    return np.array([layer.decay_nm(*numbers) for numbers in each])


def _dose_growth(sample: LayeredSample, growth: Growth) -> np.ndarray:
    """Variance of dose gained per nm of each layer, and of as much of the substrate."""
    thickness = np.append(sample.thickness_nm, max(float(np.sum(sample.thickness_nm)), 1.0))
    depth = np.cumsum(thickness) - thickness
    atoms = sample.atomic_density_per_nm3[sample.material] * thickness
    gained = growth.gained_nm2(depth, thickness, atoms) / thickness
    return gained / sample.rate_nm_s[sample.material] ** 2


def _features(
    sample: LayeredSample, instrument: Instrument, layer: AlteredLayer, interval_s: float
) -> Features:
    above, below = support_nm(sample.width_nm, sample.shape, sample.tables)
    density = sample.atomic_density_per_nm3
    decay = _decays_nm(sample, layer)
    escape = instrument.escape_depth_nm
    slowest = 1.0
    if layer.cells:
        slowest = min(_preference_ratio(instrument), _LONGEST_TRANSIENT)
    zone_nm = layer.zone_atoms_nm2 / float(density[sample.material[0]])
    reached = bool(np.any(np.cumsum(sample.thickness_nm) - above < zone_nm))
    changing = slowest > 1.0 or (layer.cells > 1 and reached)  # from the first ion on
    rate = sample.rate_nm_s[sample.material]
    dose_growth = _dose_growth(sample, instrument.growth)
    faces = np.append(0.0, np.cumsum(sample.thickness_nm))
    relief = sample.relief_variance(faces, faces[1:])
    variance = (instrument.initial_nm / rate[0]) ** 2 + relief
    variance += np.append(0.0, np.cumsum(dose_growth[:-1] * sample.thickness_nm))
    dose_growth[:-1] += np.diff(relief) / sample.thickness_nm
    return Features(
        above_nm=above,
        below_nm=below,
        onset_nm=float(layer.zone_atoms_nm2 / density.min() + _ESCAPE_REACH * escape),
        decay_nm=float(decay.max() * slowest),
        length_nm=_feature_nm(sample, instrument, decay[sample.material[1:]]),
        surface_decay_nm=float(decay.max() * slowest) if changing else 0.0,
        rate_nm=rate,
        sampling_dose=interval_s,
        variance=variance,
        variance_per_nm=dose_growth,
        relative=float(
            np.hypot(instrument.growth.of_rate, crater.relative_smoothing(instrument.crater))
        ),
        spread_grows=bool(dose_growth.any() or instrument.growth.of_rate > 0),
        coarsest_nm=_PER_ESCAPE_DEPTH * escape if escape > 0 else np.inf,
    )


def _feature_nm(sample: LayeredSample, instrument: Instrument, decay_nm: np.ndarray) -> np.ndarray:
    """What the altered layer and the true transition make of each interface."""
    edge_nm = [
        steepest_sd_nm(width, shape, sample.tables)
        for width, shape in zip(sample.width_nm, sample.shape, strict=True)
    ]
    leaving_nm = np.hypot(decay_nm, edge_nm)
    escape_nm = instrument.escape_depth_nm
    if instrument.view == "viewed":
        return np.hypot(leaving_nm, escape_nm)
    # An escape depth does not smooth the part that leaves the altered layer.
    return np.where(leaving_nm > 0.0, leaving_nm, escape_nm)


def _cells(
    layer: AlteredLayer, sample: LayeredSample, instrument: Instrument, features: Features
) -> int:
    """Cells of the altered layer: more of them where nothing smooths what they show."""
    if layer.cells <= 1 or sample.thickness_nm.size == 0:
        return layer.cells
    rate = np.minimum(features.rate_nm[:-1], features.rate_nm[1:])
    dose = np.cumsum(sample.thickness_nm / features.rate_nm[:-1])
    variance = features.variance[1:] + (features.relative * dose) ** 2
    smoothing_nm = float(np.min(rate * np.hypot(np.sqrt(variance), 0.5 * features.sampling_dose)))
    if instrument.view == "viewed":
        smoothing_nm = math.hypot(smoothing_nm, instrument.escape_depth_nm)
    zone_nm = layer.zone_atoms_nm2 / float(sample.atomic_density_per_nm3[sample.material[0]])
    wanted = _CELLS_PER_SMOOTHING * zone_nm / max(smoothing_nm, 1e-9)
    return min(math.ceil(min(max(layer.cells, wanted), _FINER * layer.cells)), MOST_CELLS)


@dataclass(frozen=True)
class CutSample:
    """A sample cut into slices, as the altered layer takes it.

    Attributes
    ----------
    planes_nm : ndarray, shape (L,)
        Interface planes.
    kept : ndarray of bool
        Slices of the plan that have a thickness; K of them.
    edges_nm : ndarray, shape (K + 1,)
    thickness_nm : ndarray, shape (K,)
    parts : ndarray of int, shape (K,)
        See `SlicePlan`.
    fractions : ndarray, shape (K, L + 1)
        Volume fractions of the layers.
    atoms : ndarray, shape (K, S)
        Atoms per area of each species.
    species : Species
    layer : AlteredLayer
        For the species.
    """

    planes_nm: np.ndarray
    kept: np.ndarray
    edges_nm: np.ndarray
    thickness_nm: np.ndarray
    parts: np.ndarray
    fractions: np.ndarray
    atoms: np.ndarray
    species: Species
    layer: AlteredLayer

    @classmethod
    def of(cls, sample: LayeredSample, instrument: Instrument, slices: SlicePlan) -> "CutSample":
        planes = sample.planes_nm()
        edges = slices.edges_nm(planes, float(sample.rate_nm_s[sample.material[-1]]))
        kept = np.diff(edges) > 1e-12
        edges = edges[np.append(kept, True)]
        thickness = np.diff(edges)
        fractions = sample.layers_in(edges, planes)
        density_of = np.eye(sample.rate_nm_s.size)[sample.material] * sample.atomic_density_per_nm3
        atoms = (fractions @ density_of) * thickness[:, None]
        species = species_of(sample, instrument.preference)
        layer = replace(altered_layer(sample, instrument), cells=slices.cells)
        return cls(
            planes,
            kept,
            edges,
            thickness,
            slices.parts[kept],
            fractions,
            atoms @ species.share,
            species,
            layer.for_species(species.material),
        )

    @property
    def surface(self) -> np.ndarray:
        """Atoms of each species per volume at the top, shape (S,)."""
        return self.atoms[0] / self.thickness_nm[0]


def plan(
    sample: LayeredSample,
    instrument: Instrument,
    time_edges_s: np.ndarray,
    refine: float = 1.0,
    interval_s: float | None = None,
) -> SlicePlan:
    """Choose the slices for a run; runs with similar parameters may share them.

    Parameters
    ----------
    sample, instrument : LayeredSample, Instrument
    time_edges_s : ndarray, shape (T,)
        Edges of the sampling intervals [s].
    refine : float
        Slices are thinner by this factor than the rules of `slicing` ask.
    interval_s : float, optional
        The shortest reading, where the edges divide readings [s]. Default: the shortest interval.
    """
    layer = altered_layer(sample, instrument)
    if interval_s is None:
        interval_s = float(np.min(np.diff(time_edges_s))) if time_edges_s.size > 1 else 0.0
    features = _features(sample, instrument, layer, interval_s)
    planes = sample.planes_nm()
    rates = sample.rate_nm_s[sample.material]
    dose = float(np.sum(sample.thickness_nm / rates[:-1]))
    fastest = float(instrument.crater[..., :2].max())
    remaining = max(fastest * float(time_edges_s[-1]) - dose, 0.0) * rates[-1]
    depth = float(np.sum(sample.thickness_nm)) + remaining
    spread = rates[-1] * np.sqrt(
        features.variance[-1]
        + features.variance_per_nm[-1] * remaining
        + (features.relative * (dose + remaining / rates[-1])) ** 2
    )
    margin = features.below_nm.max(initial=0.0) + _MARGIN * depth + 1.0
    needed = remaining + REACH * spread + margin
    slices = plan_slices(planes, needed, 3.0 * (depth + needed), features, refine)
    top = np.append(0.0, np.cumsum(sample.thickness_nm / rates[:-1]))
    growth = features.variance_per_nm[-1] * rates[-1]
    faces = np.append(0.0, np.cumsum(sample.thickness_nm))
    grown = features.variance - sample.relief_variance(faces, faces[1:])
    variance = np.interp(time_edges_s, top, grown)
    variance += sample.relief_variance(np.interp(time_edges_s, top, faces), faces[1:])
    variance += growth * np.maximum(time_edges_s - top[-1], 0.0)
    # Where a crater has several floors, each of them is as sharp as its roughness.
    spread = np.sqrt(variance + (instrument.growth.of_rate * time_edges_s) ** 2)
    # What is seen is known at slice edges, and runs along straight lines without more slices.
    parts = slices.parts if instrument.view == "collected" else np.ones_like(slices.parts)
    nodes = balance_nodes(time_edges_s, spread, REACH)
    return replace(
        slices, parts=parts, nodes=nodes, cells=_cells(layer, sample, instrument, features)
    )


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
    species = cut.species
    viewed = instrument.view == "viewed"
    atoms, thickness, edges = cut.atoms, cut.thickness_nm, cut.edges_nm
    removed, states = leaving_atoms(
        atoms,
        cut.layer,
        species.preference,
        species.dose_per_atom,
        keep_states=viewed and instrument.escape_depth_nm > 0,
    )
    see = _seen if viewed else collected_columns
    columns = see(cut, removed, states, sample, instrument.escape_depth_nm)
    total = atoms.sum(axis=1)
    if cut.parts.max() > 1:
        columns = divide_amounts(columns, total, cut.parts)
        removed = divide_amounts(removed, total, cut.parts)
        thickness, total = divide_evenly(thickness, cut.parts), divide_evenly(total, cut.parts)
        edges = np.append(edges[0], edges[0] + np.cumsum(thickness))
    columns = columns @ species.project(projection, sample.composition)
    left = Removed(removed, total, thickness, edges, cut.surface)
    places = list(places_of(sample, instrument, species, left, time_edges_s, slices.nodes))
    each = [_recorded(place, instrument, columns, thickness, time_edges_s) for place in places]
    signal = summed_places(place.seen * part for place, (part, _) in zip(places, each, strict=True))
    depth = summed_places(place.area * part for place, (_, part) in zip(places, each, strict=True))
    return Signals(signal, depth, edges, cut.planes_nm, places)


def summed_places(parts: Iterable[np.ndarray]) -> np.ndarray:
    return np.sum(list(parts), axis=0)


def places_of(
    sample: LayeredSample,
    instrument: Instrument,
    species: Species,
    removed: Removed,
    time_edges_s: np.ndarray,
    nodes: np.ndarray | None,
) -> Iterator[Place]:
    """All of the area, or each segment by itself where it has another rate in each material."""
    common = time_edges_s, nodes
    if instrument.crater.ndim == 2:
        alike = np.ones((sample.rate_nm_s.size, 2))
        yield place_of(sample, instrument, species, removed, alike, *common)
        return
    seen, there = instrument.seen_share, replace(instrument, crater=crater.flat(), seen_share=None)
    for number, area in enumerate(instrument.crater[0, :, 2]):
        rate = instrument.crater[:, number, :2]
        place = place_of(sample, there, species, removed, rate, *common)
        yield replace(place, area=area, seen=area if seen is None else seen[number])


def place_of(
    sample: LayeredSample,
    instrument: Instrument,
    species: Species,
    removed: Removed,
    rate: np.ndarray,
    time_edges_s: np.ndarray,
    nodes: np.ndarray | None,
    least_spread: float = 0.0,
) -> Place:
    """A place with its relative rates, first and last, in each material (M, 2).

    With a least spread of the arrival dose, if one is given.
    """
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
    return Place(1.0, 1.0, slice_dose, arrival, balanced)


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


def _seen(
    cut: CutSample,
    removed: np.ndarray,
    states: np.ndarray,
    sample: LayeredSample,
    escape_depth_nm: float,
) -> np.ndarray:
    """Seen fraction of each species at the top and at the bottom of each slice, (2, K, S)."""
    atoms, layer, species = cut.atoms, cut.layer, cut.species
    if escape_depth_nm > 0:
        volume = 1.0 / sample.atomic_density_per_nm3[species.material]
        seen = seen_fractions(atoms, states, layer.zone_atoms_nm2, volume, escape_depth_nm)
        return np.stack([seen[:-1], seen[1:]])
    # Atoms leave in proportion to their preference and to what is at the surface.
    surface = removed if layer.cells == 0 else removed / species.preference
    shares = surface / surface.sum(axis=1, keepdims=True)
    half = 0.5 * rises(shares, atoms.sum(axis=1))
    return np.stack([shares - half, shares + half])


def collected_columns(
    cut: CutSample,
    removed: np.ndarray,
    _: np.ndarray,
    sample: LayeredSample,
    escape_depth_nm: float,
) -> np.ndarray:
    """Atoms of each species that are collected while each slice is removed, shape (K, S)."""
    if escape_depth_nm == 0:
        return removed
    escape_atoms = escape_depth_nm * float(sample.atomic_density_per_nm3[sample.material[0]])
    return collected_atoms(cut.atoms, removed, cut.layer.zone_atoms_nm2, escape_atoms)


def _recorded(
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
    parts = FIRST_PARTS[: dose.size - 1] if arrival.balanced else ()
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
