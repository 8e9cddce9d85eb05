"""Slopes of what is removed with every slice."""

from dataclasses import dataclass

import numpy as np

from craterfront.models.quick_engine.cut_sample import CutSample
from craterfront.models.slopes.cut_slopes import CutSlopes


@dataclass(frozen=True)
class RemovedSlopes:
    """Slopes of a `Removed` in P directions, and of what else its places need.

    Attributes
    ----------
    species : ndarray, shape (K, S, P)
    atoms, thickness_nm : ndarray, shape (K, P)
    edges_nm : ndarray, shape (K + 1, P)
    surface : ndarray, shape (S, P)
    planes_nm : ndarray, shape (L, P)
    dose_per_atom : ndarray, shape (S, P)
    """

    species: np.ndarray
    atoms: np.ndarray
    thickness_nm: np.ndarray
    edges_nm: np.ndarray
    surface: np.ndarray
    planes_nm: np.ndarray
    dose_per_atom: np.ndarray

    @classmethod
    def of(
        cls, cut: CutSample, slopes: CutSlopes, leaving: np.ndarray, leaving_slopes: np.ndarray
    ) -> "RemovedSlopes":
        """From what leaves the altered layer with each slice, (K, S), and its slopes (K, S, P)."""
        thickness, total, edges = slopes.thickness_nm, slopes.atoms.sum(axis=1), slopes.edges_nm
        if cut.parts.max() > 1:
            thickness, total = (
                np.repeat(each / cut.parts[:, None], cut.parts, axis=0)
                for each in (thickness, total)
            )
            top = edges[:1]
            edges = np.concatenate([top, top + np.cumsum(thickness, axis=0)])
        return cls(
            slopes.divided(cut, leaving, leaving_slopes),
            total,
            thickness,
            edges,
            slopes.surface(cut),
            slopes.planes_nm,
            slopes.dose_per_atom,
        )
