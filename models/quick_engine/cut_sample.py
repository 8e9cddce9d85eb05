"""A sample cut into slices: how much of each species every slice holds."""

from dataclasses import dataclass, replace

import numpy as np

from craterfront.models.altered_layers.altered_layer import altered_layer
from craterfront.models.altered_layers.mixing import AlteredLayer
from craterfront.models.altered_layers.sloped import divide_amounts
from craterfront.models.altered_layers.species import Species
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.slicing import SlicePlan


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
        species = Species.of(sample, instrument.preference)
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

    def divided(self, amounts: np.ndarray) -> np.ndarray:
        """Amounts in the slices (K, S) as amounts in the parts of the slices."""
        if self.parts.max() == 1:
            return amounts
        return divide_amounts(amounts, self.atoms.sum(axis=1), self.parts)
