"""The sample as the columns of a resolved crater meet it: what lies above every depth.

The sample is cut into cells of constant composition whose faces include all sharp interfaces. Cells
hold the exact means of the true transitions. What lies between two depths, in atoms per area, then
follows from running sums, so a column takes every atom once, however it steps.
"""

from dataclasses import dataclass

import numpy as np

from craterfront.models.altered_layers.species import Species
from craterfront.models.interfaces.transitions import support_nm
from craterfront.models.layered_sample import LayeredSample

_PER_WIDTH = 400.0  # cells per width of an interface ...
_CORE_WIDTHS = 2.5  # ... to this distance from its plane ...
_GROWTH = 0.01  # ... and growing with the distance beyond
_THINNEST_NM = 1e-7


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
        held = (layers @ density) * np.diff(edges)[:, None] @ species.share
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
