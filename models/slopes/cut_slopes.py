"""Slopes of a sample cut into slices: how edges and atoms move when layers change."""

from dataclasses import dataclass

import numpy as np

from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.cut_sample import CutSample
from craterfront.models.quick_engine.slicing import SlicePlan
from craterfront.models.slopes.directions import Directions
from craterfront.models.slopes.sloped_slopes import divided_slopes
from craterfront.models.slopes.transition_slopes import fraction_slopes, plane_slopes


@dataclass(frozen=True)
class CutSlopes:
    """Slopes of a `CutSample` in P directions, with the plan of its slices held.

    Attributes
    ----------
    planes_nm : ndarray, shape (L, P)
    edges_nm : ndarray, shape (K + 1, P)
    thickness_nm : ndarray, shape (K, P)
    atoms : ndarray, shape (K, S, P)
    dose_per_atom : ndarray, shape (S, P)
        Of each species.
    """

    planes_nm: np.ndarray
    edges_nm: np.ndarray
    thickness_nm: np.ndarray
    atoms: np.ndarray
    dose_per_atom: np.ndarray

    @classmethod
    def of(
        cls, cut: CutSample, sample: LayeredSample, slices: SlicePlan, directions: Directions
    ) -> "CutSlopes":
        """Slopes of a cut sample along the directions."""
        planes = plane_slopes(
            cut.planes_nm,
            sample.width_nm,
            sample.shape,
            sample.tables,
            directions.thickness_nm,
            directions.width_nm,
        )
        edges = _edge_slopes(cut, sample, slices, directions, planes)
        thickness = np.diff(edges, axis=0)
        fractions = fraction_slopes(
            cut.edges_nm,
            cut.planes_nm,
            sample.width_nm,
            sample.shape,
            sample.tables,
            cut.fractions,
            edges,
            planes,
            directions.width_nm,
            directions.width_square_nm2,
        )
        species, material = cut.species, sample.material
        # Atoms per volume of each species out of each layer.
        per_volume = species.share[material] * sample.atomic_density_per_nm3[material, None]
        density = directions.atomic_density_per_nm3[material]
        per_volume_slopes = species.share[material][..., None] * density[:, None]
        by_volume = cut.fractions @ per_volume
        atoms = per_volume.T @ fractions
        atoms += np.tensordot(cut.fractions, per_volume_slopes, 1)
        atoms *= cut.thickness_nm[:, None, None]
        atoms += by_volume[..., None] * thickness[:, None]
        dose = directions.atom_dose(sample)[species.material] * species.dose_per_atom[:, None]
        return cls(planes, edges, thickness, atoms, dose)

    def surface(self, cut: CutSample) -> np.ndarray:
        """Slopes of `CutSample.surface`, shape (S, P)."""
        size = cut.thickness_nm[0]
        return self.atoms[0] / size - cut.surface[:, None] / size * self.thickness_nm[0]

    def divided(self, cut: CutSample, amounts: np.ndarray, slopes: np.ndarray) -> np.ndarray:
        """Slopes of `CutSample.divided`, from amounts (K, S) and their slopes (K, S, P)."""
        if cut.parts.max() == 1:
            return slopes
        total, total_slopes = cut.atoms.sum(axis=1), self.atoms.sum(axis=1)
        return divided_slopes(amounts, total, slopes, total_slopes, cut.parts)


def _edge_slopes(
    cut: CutSample,
    sample: LayeredSample,
    slices: SlicePlan,
    directions: Directions,
    planes: np.ndarray,
) -> np.ndarray:
    """Slopes of the slice edges: each keeps its relative place in its layer."""
    raised = np.append(0.0, np.maximum(cut.planes_nm, 0.0))
    above = np.where((cut.planes_nm > 0.0)[:, None], planes, 0.0)
    above = np.concatenate([np.zeros((1, directions.count)), above])
    # A plane above an upper one lies where that lies.
    is_top = raised >= np.maximum.accumulate(raised)
    top = above[np.maximum.accumulate(np.where(is_top, np.arange(raised.size), 0))]
    substrate = slices.substrate_dose * directions.rate_nm_s[sample.material[-1]]
    size = np.concatenate([np.diff(top, axis=0), substrate[None]])
    edges = top[slices.layer] + slices.fractions[:, None] * size[slices.layer]
    return np.concatenate([edges[cut.kept], (top[-1] + substrate)[None]])
