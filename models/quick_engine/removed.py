"""What is removed with every slice, wherever it is removed."""

from dataclasses import dataclass

import numpy as np

from craterfront.models.altered_layers.sloped import divide_evenly
from craterfront.models.quick_engine.cut_sample import CutSample


@dataclass(frozen=True)
class Removed:
    """What is removed, slice by slice; slices that a plan divides count as their parts.

    Attributes
    ----------
    species : ndarray, shape (K, S)
        Atoms per area that leave with each slice.
    atoms, thickness_nm : ndarray, shape (K,)
        Of each slice: atoms per area [1/nm^2] and thickness.
    edges_nm : ndarray, shape (K + 1,)
    surface : ndarray, shape (S,)
        Atoms per volume at the top of the undisturbed sample.
    """

    species: np.ndarray
    atoms: np.ndarray
    thickness_nm: np.ndarray
    edges_nm: np.ndarray
    surface: np.ndarray

    @classmethod
    def of(cls, cut: CutSample, leaving: np.ndarray) -> "Removed":
        """From what leaves the altered layer with each slice of a cut sample, shape (K, S)."""
        thickness, total, edges = cut.thickness_nm, cut.atoms.sum(axis=1), cut.edges_nm
        if cut.parts.max() > 1:
            thickness, total = divide_evenly(thickness, cut.parts), divide_evenly(total, cut.parts)
            edges = np.append(edges[0], edges[0] + np.cumsum(thickness))
        return cls(cut.divided(leaving), total, thickness, edges, cut.surface)
