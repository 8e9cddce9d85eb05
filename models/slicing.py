"""Cut a layered sample into slices: thin where something changes, thick where nothing does.

Interface planes always lie on slice edges, and a slice keeps its relative position inside its
layer. So a signal computed on a given plan is a smooth function of every thickness, which an
inversion needs, and a sharp interface is exact.

What limits the slice thickness h. Replacing a profile by its means over slices adds, after
smoothing, a variance of h^2/4 at most. Near an interface h is a fourteenth of what the edge will
be: the feature length l (mixing length and interface width) and the spread by roughness and
crater together. Where spread and sampling smooth less than l, h is smaller: the staircase itself
would show. Along a trailing edge h grows as the signal decays. Where the composition is uniform,
slices only follow the spread of depth, since its growth is carried slice by slice.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

MAX_SLICES = 400_000

_PER_FEATURE = 14.0  # slices per length of the smoothed edge
_FINEST = 200.0  # ... and never more than this
_PER_SMOOTHING = 4.0
_TAIL = 14.0  # trailing edge followed for so many decay lengths (8e-7)
_CORE = 3.0  # ... the first few at full resolution
_PER_SPREAD = 0.4  # slices in uniform material against the spread of depth


@dataclass(frozen=True)
class Features:
    """What a plan has to resolve around each interface, and between them.

    Attributes
    ----------
    above_nm, below_nm : ndarray, shape (L,)
        How far the true transition reaches above and below its plane [nm].
    onset_nm : ndarray, shape (L,)
        How far ahead of the plane the altered layer brings it to the surface [nm].
    decay_nm : ndarray, shape (L,)
        Decay length of the trailing edge [nm].
    length_nm : ndarray, shape (L,)
        Feature length [nm]; 0 for a sharp interface without mixing, which needs no thin slices.
    surface_decay_nm : float
        Decay length of a transient at the surface [nm]; 0 for none.
    spread_nm : ndarray, shape (L,)
        Spread of depth by roughness and crater at each interface, standard deviation [nm].
    sampling_nm : float or ndarray, shape (L,)
        Depth removed in a sampling interval [nm].
    spread : tuple of float
        (initial_nm, growth_nm, relative): the spread of depth at depth z has the variance
        initial^2 + growth * z, and relative * z is its part from the crater.
    """

    above_nm: np.ndarray
    below_nm: np.ndarray
    onset_nm: np.ndarray
    decay_nm: np.ndarray
    length_nm: np.ndarray
    surface_decay_nm: float
    spread_nm: np.ndarray
    sampling_nm: np.ndarray
    spread: tuple[float, float, float]


@dataclass(frozen=True)
class SlicePlan:
    """Relative slice edges of every layer, and the part of the substrate that is sliced.

    Attributes
    ----------
    fractions : ndarray
        Upper edges of all slices as a fraction of their layer, 0 <= fraction < 1.
    layer : ndarray of int, same shape
        The layer of each slice; the number of layers stands for the substrate.
    substrate_nm : float
        Thickness of the sliced part of the substrate [nm].
    """

    fractions: np.ndarray
    layer: np.ndarray
    substrate_nm: float

    def edges_nm(self, planes_nm: np.ndarray) -> np.ndarray:
        """Slice edges for the given interface planes, shape (slices + 1,) [nm]."""
        top = np.concatenate([[0.0], np.maximum.accumulate(np.maximum(planes_nm, 0.0))])
        end = top[-1] + self.substrate_nm
        size = np.diff(np.append(top, end))
        return np.append(top[self.layer] + self.fractions * size[self.layer], end)


@njit(cache=True, nogil=True)
def _step_nm(z, planes, onset, above, below, decay, fine, surface_decay, surface_fine, spread):
    """Largest admissible slice thickness at depth z."""
    step = np.inf
    for j in range(planes.size):
        if fine[j] <= 0.0:
            continue
        ahead = planes[j] - onset[j] - above[j] - z
        behind = z - planes[j] - below[j] - _CORE * decay[j]
        if ahead > 0.0:
            step = min(step, fine[j] + 0.3 * ahead)
        elif behind <= 0.0:
            step = min(step, fine[j])
        elif behind <= (_TAIL - _CORE) * decay[j]:
            step = min(step, fine[j] * (1.0 + 0.5 * behind / decay[j]))
        else:
            past = behind - (_TAIL - _CORE) * decay[j]
            step = min(step, fine[j] * (1.0 + 0.5 * (_TAIL - _CORE)) + 0.3 * past)
    if surface_decay > 0.0:
        behind = max(z - _CORE * surface_decay, 0.0)
        step = min(step, surface_fine * (1.0 + 0.5 * behind / surface_decay))
    initial, growth, relative = spread
    if initial > 0.0 or growth > 0.0:
        width = math.sqrt(initial**2 + growth * z + (relative * z) ** 2)
        # At the very surface a growing spread starts from nothing.
        floor = 0.25 * growth if growth > 0.0 else 0.1 * initial
        step = min(step, max(_PER_SPREAD * width, floor, 1e-3))
    return step


@njit(cache=True, nogil=True)
def _march(
    top, end, planes, onset, above, below, decay, fine, surface_decay, surface_fine, spread, limit
):
    """Upper edges of the slices of one layer as fractions of its thickness."""
    size = end - top
    edges = [0.0]
    z = top
    while True:
        step = _step_nm(
            z, planes, onset, above, below, decay, fine, surface_decay, surface_fine, spread
        )
        # Look ahead so that a thick slice does not jump into a region that wants thin ones.
        for _ in range(60):
            if z + step >= end:
                ahead = end
            else:
                ahead = z + step
            there = _step_nm(
                ahead, planes, onset, above, below, decay, fine, surface_decay, surface_fine, spread
            )
            if step <= 2.0 * there or step <= 1e-4:
                break
            step *= 0.6
        z += step
        if z >= end or len(edges) >= limit:
            break
        edges.append((z - top) / size)
    if len(edges) > 1 and 1.0 - edges[-1] < 0.5 * (edges[-1] - edges[-2]):
        edges.pop()
    return edges


def plan_slices(
    planes_nm: np.ndarray, substrate_nm: float, beyond_nm: float, features: Features
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
    fine = np.where(
        features.length_nm > 0,
        np.clip(
            np.hypot(features.spread_nm, 0.5 * features.sampling_nm) / _PER_SMOOTHING,
            features.length_nm / _FINEST,
            np.hypot(features.length_nm, features.spread_nm) / _PER_FEATURE,
        ),
        0.0,
    )
    surface_fine = features.surface_decay_nm / _PER_FEATURE
    fractions, layers = [], []
    total = 0
    for index in range(bounds.size - 1):
        if bounds[index + 1] - bounds[index] <= 0.0:
            edges = [0.0]
        else:
            edges = _march(
                bounds[index],
                bounds[index + 1],
                planes_nm,
                features.onset_nm,
                features.above_nm,
                features.below_nm,
                np.maximum(features.decay_nm, 1e-9),
                fine,
                features.surface_decay_nm,
                surface_fine,
                features.spread,
                MAX_SLICES,
            )
        total += len(edges)
        if total > MAX_SLICES:
            raise ValueError(
                f"the sample needs more than {MAX_SLICES} slices: its thinnest feature "
                f"({float(fine[fine > 0].min()) if (fine > 0).any() else 0:.3g} nm) is too fine "
                f"for its depth ({bounds[-1]:.3g} nm)"
            )
        fractions.append(np.asarray(edges))
        layers.append(np.full(len(edges), index))
    sliced = substrate_nm / (substrate_nm + beyond_nm)
    fractions[-1] = np.append(fractions[-1] * sliced, sliced)
    layers[-1] = np.append(layers[-1], layers[-1][-1])
    return SlicePlan(
        np.concatenate(fractions), np.concatenate(layers), float(substrate_nm + beyond_nm)
    )
