"""Species: what the altered layer tells apart.

They are the materials, since rates and sensitivities belong to materials; with preferential
sputtering, each element of each material.
"""

from dataclasses import dataclass

import numpy as np

from craterfront.models.layered_sample import LayeredSample


@dataclass(frozen=True)
class Species:
    """From materials (and elements) to flat arrays.

    Attributes
    ----------
    share : ndarray, shape (M, S)
        Species of one atom of each material.
    material : ndarray of int, shape (S,)
    element : ndarray of int, shape (S,), or None
        None where the species are the materials.
    preference : ndarray, shape (S,)
        Relative readiness to leave a mixed surface.
    dose_per_atom : ndarray, shape (S,)
        Such that the steady state of each material costs what its rate says [s nm^2].
    """

    share: np.ndarray
    material: np.ndarray
    element: np.ndarray | None
    preference: np.ndarray
    dose_per_atom: np.ndarray

    @classmethod
    def of(cls, sample: LayeredSample, preference: np.ndarray | None) -> "Species":
        """Species of a sample; `preference` by element, shape (E,), or None for none."""
        dose = sample.dose_per_atom
        if preference is None or np.ptp(preference) == 0.0:
            count = dose.size
            return cls(np.eye(count), np.arange(count), None, np.ones(count), dose)
        material, element = np.nonzero(sample.composition > 0)
        share = np.zeros((dose.size, material.size))
        share[material, np.arange(material.size)] = sample.composition[material, element]
        # In the steady state the flux has the composition x of the bulk, and costs sum_i x_i d_i.
        steady = (sample.composition / preference).sum(axis=1)
        cost = dose[material] / (preference[element] * steady[material])
        return cls(share, material, element, preference[element], cost)

    def project(self, projection: np.ndarray, composition: np.ndarray) -> np.ndarray:
        """What one atom of each species contributes to each of Q quantities, shape (S, Q).

        Parameters
        ----------
        projection : ndarray, shape (M, E, Q)
            The same of each element in each material.
        composition : ndarray, shape (M, E)
        """
        if self.element is None:
            return np.einsum("me,meq->mq", composition, projection)
        return projection[self.material, self.element]
