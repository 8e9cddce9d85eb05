"""A sample of layers as the engines take it: sizes, interfaces, densities, rates, composition."""

from dataclasses import dataclass, field

import numpy as np

from craterfront.models.erosion_front.roughening import relief_variance
from craterfront.models.interfaces.transitions import (
    NO_TABLES,
    interface_planes_nm,
    slice_fractions,
)


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
        Points of tabulated transitions, see `transition_tables.stacked`.
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

    @property
    def dose_per_atom(self) -> np.ndarray:
        """Dose that an atom of each material costs in the steady state [s nm^2], shape (M,)."""
        return 1.0 / (self.atomic_density_per_nm3 * self.rate_nm_s)

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
