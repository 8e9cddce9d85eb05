"""Which slices a run needs, from what smooths its signal: layers, mixing, roughness, crater.

The rules of slicing themselves are in `slicing`; here stand the lengths that they follow, how deep
a run goes, when its ion budget is balanced, and how many cells its altered layer has.
"""

import math
from dataclasses import replace

import numpy as np

from craterfront.models.altered_layers.altered_layer import altered_layer, wanted_cells
from craterfront.models.altered_layers.mixing import MOST_CELLS, AlteredLayer
from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.dose_balance import balance_nodes
from craterfront.models.erosion_front.normal_shares import REACH
from craterfront.models.erosion_front.roughening import Growth
from craterfront.models.instrument import Instrument
from craterfront.models.interfaces.transitions import steepest_sd_nm, support_nm
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.slicing import Features, SlicePlan, plan_slices

_ESCAPE_REACH = 12.0
_PER_ESCAPE_DEPTH = 0.08
_LONGEST_TRANSIENT = 10.0
_MARGIN = 0.1  # of the depth, sliced below the end of a profile, for parameters that change


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
    sliced, beyond = _sliced_nm(sample, instrument, features, float(time_edges_s[-1]))
    slices = plan_slices(sample.planes_nm(), sliced, beyond, features, refine)
    # What is seen is known at slice edges, and runs along straight lines without more slices.
    parts = slices.parts if instrument.view == "collected" else np.ones_like(slices.parts)
    spread = _spread_in_time(sample, instrument, features, time_edges_s)
    nodes = balance_nodes(time_edges_s, spread, REACH)
    return replace(
        slices, parts=parts, nodes=nodes, cells=_cells(layer, sample, instrument, features)
    )


def _sliced_nm(
    sample: LayeredSample, instrument: Instrument, features: Features, end_s: float
) -> tuple[float, float]:
    """How much of the substrate a run needs in slices, and how much lies in one slice below."""
    rates = sample.rate_nm_s[sample.material]
    dose = float(np.sum(sample.thickness_nm / rates[:-1]))
    fastest = float(instrument.crater[..., :2].max())
    remaining = max(fastest * end_s - dose, 0.0) * rates[-1]
    depth = float(np.sum(sample.thickness_nm)) + remaining
    spread = rates[-1] * np.sqrt(
        features.variance[-1]
        + features.variance_per_nm[-1] * remaining
        + (features.relative * (dose + remaining / rates[-1])) ** 2
    )
    margin = features.below_nm.max(initial=0.0) + _MARGIN * depth + 1.0
    sliced = remaining + REACH * spread + margin
    return sliced, 3.0 * (depth + sliced)


def _spread_in_time(
    sample: LayeredSample, instrument: Instrument, features: Features, time_edges_s: np.ndarray
) -> np.ndarray:
    """Spread of the arrival dose of what leaves at each time edge, shape (T,).

    Where a crater has several floors, each of them is as sharp as its roughness.
    """
    rates = sample.rate_nm_s[sample.material]
    top = np.append(0.0, np.cumsum(sample.thickness_nm / rates[:-1]))
    growth = features.variance_per_nm[-1] * rates[-1]
    faces = np.append(0.0, np.cumsum(sample.thickness_nm))
    grown = features.variance - sample.relief_variance(faces, faces[1:])
    variance = np.interp(time_edges_s, top, grown)
    variance += sample.relief_variance(np.interp(time_edges_s, top, faces), faces[1:])
    variance += growth * np.maximum(time_edges_s - top[-1], 0.0)
    return np.sqrt(variance + (instrument.growth.of_rate * time_edges_s) ** 2)


def _features(
    sample: LayeredSample, instrument: Instrument, layer: AlteredLayer, interval_s: float
) -> Features:
    above, below = support_nm(sample.width_nm, sample.shape, sample.tables)
    density = sample.atomic_density_per_nm3
    decay = _decays_nm(sample, layer)
    escape = instrument.escape_depth_nm
    slowest = 1.0
    if layer.cells:
        slowest = min(instrument.preference_ratio, _LONGEST_TRANSIENT)
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


def _decays_nm(sample: LayeredSample, layer: AlteredLayer) -> np.ndarray:
    """Trailing decay length in each material [nm], shape (M,)."""
    dose = sample.dose_per_atom
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
    return min(math.ceil(wanted_cells(layer, sample, smoothing_nm)), MOST_CELLS)
