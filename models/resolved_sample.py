"""The sample as the columns of a resolved crater meet it: what lies above every depth.

The sample is cut into cells of constant composition whose faces include all sharp interfaces. Cells
hold the exact means of the true transitions. What lies between two depths, in atoms per area, then
follows from running sums, so a column takes every atom once, however it steps.
"""

from dataclasses import dataclass

import numpy as np

from craterfront.models.engine import LayeredSample
from craterfront.models.transitions import support_nm

_PER_WIDTH = 400.0  # cells per width of an interface ...
_CORE_WIDTHS = 2.5  # ... to this distance from its plane ...
_GROWTH = 0.01  # ... and growing with the distance beyond
_THINNEST_NM = 1e-7


@dataclass(frozen=True)
class Species:
    """What an altered layer tells apart: the materials, or each element of each material.

    Attributes
    ----------
    material : ndarray of int, shape (S,)
    element : ndarray of int, shape (S,)
        -1 where a species is a whole material.
    of_material : ndarray, shape (M, S)
        Species of one atom of each material.
    preference : ndarray, shape (S,)
        Relative readiness to leave a mixed surface.
    dose_per_atom : ndarray, shape (S,)
        Such that the steady state of each material costs what its rate says [s nm^2].
    """

    material: np.ndarray
    element: np.ndarray
    of_material: np.ndarray
    preference: np.ndarray
    dose_per_atom: np.ndarray

    @classmethod
    def of(cls, sample: LayeredSample, preference: np.ndarray | None) -> "Species":
        """Species of a sample; `preference` by element, shape (E,), or None for none."""
        steady = 1.0 / (sample.atomic_density_per_nm3 * sample.rate_nm_s)
        count = steady.size
        if preference is None or np.ptp(preference) == 0.0:
            return cls(np.arange(count), np.full(count, -1), np.eye(count), np.ones(count), steady)
        material, element = np.nonzero(sample.composition > 0)
        share = np.zeros((count, material.size))
        share[material, np.arange(material.size)] = sample.composition[material, element]
        own = np.asarray(preference, dtype=float)[element]
        # In the steady state the flux has the bulk composition x, and costs sum_i x_i d_i.
        cost = (sample.composition / preference).sum(axis=1)[material]
        return cls(material, element, share, own, steady[material] / (own * cost))

    def projected(self, sample: LayeredSample, projection: np.ndarray) -> np.ndarray:
        """What one atom of each species contributes to each of Q quantities, shape (S, Q).

        Parameters
        ----------
        sample : LayeredSample
        projection : ndarray, shape (M, E, Q)
        """
        if self.element[0] < 0:
            return np.einsum("me,meq->mq", sample.composition, projection)
        return projection[self.material, self.element]


@dataclass(frozen=True)
class Cells:
    """Cells of constant composition from the surface down; the last one goes on for ever.

    Attributes
    ----------
    depth_nm : ndarray, shape (K + 1,)
        Faces of the cells.
    atoms : ndarray, shape (K + 1,)
        Atoms per area above each face [1/nm^2].
    above : ndarray, shape (K + 1, S)
        The same by species.
    """

    depth_nm: np.ndarray
    atoms: np.ndarray
    above: np.ndarray

    @classmethod
    def of(cls, sample: LayeredSample, species: Species) -> "Cells":
        """Cut a sample."""
        planes = sample.planes_nm()
        edges = _faces_nm(sample, planes)
        layers = sample.layers_in(edges, planes)
        materials = np.eye(sample.rate_nm_s.size)[sample.material]
        density = materials * sample.atomic_density_per_nm3
        held = (layers @ density) * np.diff(edges)[:, None] @ species.of_material
        above = np.vstack([np.zeros(held.shape[1]), np.cumsum(held, axis=0)])
        return cls(edges, np.append(0.0, np.cumsum(held.sum(axis=1))), above)


def _faces_nm(sample: LayeredSample, planes_nm: np.ndarray) -> np.ndarray:
    """Faces at all planes, and close together where an interface is graded."""
    above, below = support_nm(sample.width_nm, sample.shape, sample.tables)
    faces = [np.zeros(1), planes_nm]
    for plane, width, up, down in zip(planes_nm, sample.width_nm, above, below, strict=True):
        if width > 0:
            faces.append(plane - width * _distances(up / width))
            faces.append(plane + width * _distances(down / width))
    found = np.unique(np.concatenate(faces))
    found = found[found >= 0.0]
    kept = np.append(True, np.diff(found) > _THINNEST_NM)
    found = found[kept]
    # The undisturbed substrate below all of this: a last cell of any size.
    deepest = float(np.max(planes_nm + below, initial=float(found[-1])))
    return np.append(found, deepest + 1.0)


def _distances(reach: float) -> np.ndarray:
    """Distances of faces from the plane of an interface, in widths, up to where it ends."""
    core = np.arange(1, int(_PER_WIDTH * min(_CORE_WIDTHS, reach)) + 1) / _PER_WIDTH
    if reach <= _CORE_WIDTHS:
        return np.append(core, reach)
    wide = _GROWTH * _PER_WIDTH * (reach - _CORE_WIDTHS)
    steps = int(np.log1p(wide) / np.log1p(_GROWTH)) + 1
    grown = np.expm1(np.log1p(_GROWTH) * np.arange(1, steps + 1)) / (_GROWTH * _PER_WIDTH)
    return np.append(core, np.minimum(_CORE_WIDTHS + grown, reach))
