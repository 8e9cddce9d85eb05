"""Cut a layered sample into slices: thin where something changes, thick where nothing does.

Interface planes always lie on slice edges, and a slice keeps its relative position inside its
layer. So a signal computed on a given plan is a smooth function of every thickness, which an
inversion needs, and a sharp interface is exact.

What limits the slice thickness h. Replacing a profile by its means over slices adds, after
smoothing, a variance of h^2/4 at most. Near an interface h is 1/30 of what the edge will
be: the feature length l (mixing length and interface width) and the spread by roughness and
crater together. Along a trailing edge h grows as the signal decays. Where the composition is
uniform, slices only follow the spread of depth, since its growth is carried slice by slice.

Where spread and sampling smooth less than l, the staircase itself would show. There h is 1/60 of l,
and what leaves with a slice is divided further (`sloped`), on straight lines through the
neighbours; the altered layer, the dearest part of a run, does not have to follow the sampling.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

MAX_SLICES = 400_000

_PER_FEATURE = 30
_PER_UNSMOOTHED = 60.0  # ... where little smooths it
_FINEST = 200.0  # ... and parts of slices at most
_PER_SMOOTHING = 8.0
_TAIL = 14.0  # trailing edge followed for so many decay lengths (8e-7)
_CORE = 3.0  # ... the first few at full resolution
_AT_ONCE = 0.02  # first slice, against the scale on which the surface starts to change ...
_GROWING = 0.08  # ... and the growth of the next ones
_PER_SPREAD = 0.2  # slices in uniform material against the spread of depth ...
_PER_GROWTH = 0.1  # ... and growth of its variance within a slice


@dataclass(frozen=True)
class Features:
    """What a plan has to resolve around each interface, and between them.

    L interfaces, L + 1 layers including the substrate.

    Attributes
    ----------
    above_nm, below_nm : ndarray, shape (L,)
        How far the true transition reaches above and below its plane [nm].
    onset_nm : float
        How far ahead of its plane the altered layer brings an interface to the surface [nm].
    decay_nm : float
        Decay length of trailing edges [nm].
    length_nm : ndarray, shape (L,)
        Feature length [nm]; 0 for a sharp interface without mixing, which needs no thin slices.
    surface_decay_nm : float
        Decay length of a transient at the surface [nm]; 0 for none.
    rate_nm : ndarray, shape (L + 1,)
        Depth removed per dose in each layer [nm].
    sampling_dose : float
        Dose of a sampling interval.
    variance : ndarray, shape (L + 1,)
        Variance of the arrival dose at the top of each layer.
    variance_per_nm : ndarray, shape (L + 1,)
        Its growth in each layer, or its fall where a rough interface ends [1/nm].
    relative : float
        A spread in proportion to the dose: crater, and columns of different yield.
    spread_grows : bool
        Whether the spread of the arrival dose varies with depth.
    coarsest_nm : float
        Bound on slices around interfaces [nm], for a signal from below the surface.
    """

    above_nm: np.ndarray
    below_nm: np.ndarray
    onset_nm: float
    decay_nm: float
    length_nm: np.ndarray
    surface_decay_nm: float
    rate_nm: np.ndarray
    sampling_dose: float
    variance: np.ndarray
    variance_per_nm: np.ndarray
    relative: float
    spread_grows: bool
    coarsest_nm: float = math.inf


@dataclass(frozen=True)
class SlicePlan:
    """Relative slice edges of every layer, and the part of the substrate that is sliced.

    Attributes
    ----------
    fractions : ndarray
        Upper edges of all slices as a fraction of their layer, 0 <= fraction < 1.
    layer : ndarray of int, same shape
        The layer of each slice; the number of layers stands for the substrate.
    substrate_dose : float
        Dose that the sliced part of the substrate costs. As a dose, it keeps its time when all
        rates and lengths change alike, which then leaves a profile exactly as it was.
    parts : ndarray of int, same shape
        Into how many each slice is divided after the altered layer.
    nodes : ndarray of int, optional
        Times at which the ion budget is balanced, see `dose_balance.balance_nodes`. They belong
        to the plan so that they do not jump when parameters change a little.
    cells : int, optional
        Cells of the altered layer; in the plan for the same reason.
    """

    fractions: np.ndarray
    layer: np.ndarray
    substrate_dose: float
    parts: np.ndarray
    nodes: np.ndarray | None = None
    cells: int = 0

    def edges_nm(self, planes_nm: np.ndarray, substrate_rate_nm: float) -> np.ndarray:
        """Slice edges, shape (slices + 1,) [nm].

        Parameters
        ----------
        planes_nm : ndarray
            Interface planes [nm].
        substrate_rate_nm : float
            Erosion rate of the substrate [nm per unit of dose].
        """
        top = np.concatenate([[0.0], np.maximum.accumulate(np.maximum(planes_nm, 0.0))])
        end = top[-1] + self.substrate_dose * substrate_rate_nm
        size = np.diff(np.append(top, end))
        return np.append(top[self.layer] + self.fractions * size[self.layer], end)


@njit(cache=True, nogil=True)
def _stair(spread, sampling):
    """What spread and sampling smooth so well that its steps do not show."""
    return math.hypot(spread, 0.5 * sampling) / _PER_SMOOTHING


@njit(cache=True, nogil=True)
def _fine(length, spread, sampling, coarsest, refine):
    """Slice thickness that resolves a feature after smoothing."""
    unsmoothed = max(_stair(spread, sampling), length / _PER_UNSMOOTHED)
    step = min(math.hypot(length, spread) / _PER_FEATURE, unsmoothed)
    return min(step, coarsest) / refine


@njit(cache=True, nogil=True)
def _parts(length, spread, sampling, coarsest, refine):
    """Into how many such a slice has to be divided so that its steps do not show."""
    part = max(_stair(spread, sampling), length / _FINEST) / refine
    return max(math.ceil(_fine(length, spread, sampling, coarsest, refine) / part), 1)


@njit(cache=True, nogil=True)
def _step_nm(
    z, spread, sampling, coarsest, refine, planes, above, below, onset, decay, length, surface_decay
):
    """Largest admissible slice thickness at depth z for the features around it, and its parts."""
    step, parts = np.inf, 1
    for j in range(planes.size):
        ahead = planes[j] - onset - above[j] - z
        if length[j] <= 0.0 or 0.3 * ahead >= step:
            continue
        fine = _fine(length[j], spread, sampling, coarsest, refine)
        behind = (z - planes[j] - below[j]) / decay - _CORE
        if ahead > 0.0:
            wanted = fine + 0.3 * ahead
        elif behind <= 0.0:
            wanted = fine
        else:
            followed = min(behind, _TAIL - _CORE)
            past = (behind - followed) * decay
            wanted = fine * (1.0 + 0.5 * followed) + 0.3 * past
        if wanted < step:
            step = wanted
            parts = _parts(length[j], spread, sampling, coarsest, refine)
    if surface_decay > 0.0:
        behind = max(z / surface_decay - _CORE, 0.0)
        fine = _fine(surface_decay, spread, sampling, coarsest, refine)
        # The first atoms change the surface most: in proportion to the root of their number.
        start = max(_AT_ONCE * fine, _GROWING * z / refine)
        wanted = min(start, fine * (1.0 + 0.5 * behind))
        if wanted < step:
            step = wanted
            parts = _parts(surface_decay, spread, sampling, coarsest, refine)
    return step, parts


@njit(cache=True, nogil=True)
def _step_by_growth(spread, growth):
    """Largest slice over which a spread [nm] that grows [nm^2/nm] may count as one."""
    step = _PER_SPREAD * spread
    if growth > 0.0:
        step = min(step, _PER_GROWTH * spread**2 / growth)
    # At the very surface a growing spread starts from nothing.
    return max(step, _AT_ONCE * growth, 1e-3)


@njit(cache=True, nogil=True)
def _march(
    top,
    end,
    variance,
    growth,
    first_dose,
    relative,
    rate,
    sampling,
    coarsest,
    grows,
    refine,
    features,
):
    """Upper edges of the slices of one layer as fractions of its thickness, and their parts."""
    size = end - top
    edges = [0.0]
    divided = [1]
    z = top
    limit = MAX_SLICES
    while len(edges) <= limit:
        dose = first_dose + (z - top) / rate
        grown = max(variance + growth * (z - top), 0.0)
        spread = rate * math.sqrt(grown + (relative * dose) ** 2)
        step, parts = _step_nm(z, spread, sampling, coarsest, refine, *features)
        divided[-1] = parts
        if grows:
            step = min(step, _step_by_growth(spread, growth * rate * rate) / refine)
        # Look ahead so that a thick slice does not jump into a region that wants thin ones.
        for _ in range(60):
            there, _ = _step_nm(min(z + step, end), spread, sampling, coarsest, refine, *features)
            if step <= 2.0 * there or step <= 1e-4:
                break
            step *= 0.6
        z += step
        if z >= end:
            break
        edges.append((z - top) / size)
        divided.append(1)
    if len(edges) > 1 and 1.0 - edges[-1] < 0.5 * (edges[-1] - edges[-2]):
        edges.pop()
        divided.pop()
    if len(edges) == 1:
        edges.append(0.5)  # the arrival spreads differently at the two faces even of a thin layer
        divided.append(divided[0])
    return edges, divided


def _has_spread(features: Features, layer: int) -> bool:
    """Whether there is any spread in a layer, or it begins there: else nothing grows."""
    begins = features.variance_per_nm[layer] > 0.0 or features.relative > 0.0
    return bool(features.variance[layer] > 0.0 or begins)


def plan_slices(
    planes_nm: np.ndarray,
    substrate_nm: float,
    beyond_nm: float,
    features: Features,
    refine: float = 1.0,
) -> SlicePlan:
    """Choose slices for a sample.

    Parameters
    ----------
    planes_nm : ndarray, shape (L,)
        Interface planes [nm].
    substrate_nm : float
        How much of the substrate to slice [nm], > 0.
    beyond_nm : float
        Thickness of one more slice below [nm], > 0, so that no column runs out of material.
    features : Features
        What has to be resolved.
    refine : float
        Slices are thinner by this factor.

    Returns
    -------
    SlicePlan

    Raises
    ------
    ValueError
        When more than `MAX_SLICES` slices would be needed.
    """
    top = np.concatenate([[0.0], np.maximum.accumulate(np.maximum(planes_nm, 0.0))])
    bounds = np.append(top, top[-1] + substrate_nm)
    doses = np.append(0.0, np.cumsum(np.diff(bounds) / features.rate_nm))
    around = (
        planes_nm,
        features.above_nm,
        features.below_nm,
        features.onset_nm,
        max(features.decay_nm, 1e-9),
        features.length_nm,
        features.surface_decay_nm,
    )
    fractions, layers, parts = [], [], []
    total = 0
    for index in range(bounds.size - 1):
        edges, divided = [0.0], [1]
        if bounds[index + 1] > bounds[index]:
            rate = float(features.rate_nm[index])
            edges, divided = _march(
                bounds[index],
                bounds[index + 1],
                float(features.variance[index]),
                float(features.variance_per_nm[index]),
                doses[index],
                features.relative,
                rate,
                features.sampling_dose * rate,
                features.coarsest_nm,
                features.spread_grows and _has_spread(features, index),
                refine,
                around,
            )
        total += sum(divided)
        if total > MAX_SLICES:
            raise ValueError(
                f"the sample needs more than {MAX_SLICES} slices: its thinnest feature is too "
                f"fine for its depth of {bounds[-1]:.3g} nm"
            )
        fractions.append(np.asarray(edges))
        layers.append(np.full(len(edges), index))
        parts.append(np.asarray(divided))
    sliced = substrate_nm / (substrate_nm + beyond_nm)
    fractions[-1] = np.append(fractions[-1] * sliced, sliced)
    layers[-1] = np.append(layers[-1], layers[-1][-1])
    parts[-1] = np.append(parts[-1], 1)
    return SlicePlan(
        np.concatenate(fractions),
        np.concatenate(layers),
        float((substrate_nm + beyond_nm) / features.rate_nm[-1]),
        np.concatenate(parts),
    )
