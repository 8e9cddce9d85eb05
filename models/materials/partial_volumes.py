"""The volume that an element adds to a sample: its own, or what it adds to a compound."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class PartialVolumes:
    """Volume per mass that each of E elements adds to whatever it is part of.

    Attributes
    ----------
    value_cm3_g : ndarray, shape (E,)
        May be negative: some compounds are denser than the metal in them.
    covariance : ndarray, shape (E, E)
    own : ndarray of bool, shape (E,)
        Elements that have the volume of the pure solid; between these the mixing rule errs.
    u_rel_mixing : float
        Relative standard uncertainty of the volume of an even mixture of pure solids.
    """

    value_cm3_g: np.ndarray
    covariance: np.ndarray
    own: np.ndarray
    u_rel_mixing: float

    def mixedness(self, mass_fraction: np.ndarray) -> np.ndarray:
        """How far the mixing rule is used, from 0 (one element) to 1 (two in equal parts).

        Parameters
        ----------
        mass_fraction : ndarray, shape (E, T)

        Returns
        -------
        ndarray, shape (T,)
            2 (1 - sum c_i^2) over the pure solids, at most 1: an excess volume vanishes for each
            pure element and is largest in between, as in a regular solution. The scale is common
            practice, no source.
        """
        part = np.clip(mass_fraction[self.own], 0.0, None)
        total = part.sum(axis=0)
        share = part / np.where(total > 0.0, total, 1.0)
        return np.where(total > 0.0, np.clip(2.0 * (1.0 - np.sum(share**2, axis=0)), 0.0, 1.0), 0.0)


def partial_volumes(
    density_g_cm3: np.ndarray,
    u_density_g_cm3: np.ndarray,
    compounds: Sequence[np.ndarray | None],
    u_rel_mixing: float,
) -> PartialVolumes:
    """Volumes from densities of solids and of compounds.

    Parameters
    ----------
    density_g_cm3, u_density_g_cm3 : ndarray, shape (E,)
        Of the element or, where it has a compound, of that compound [g/cm3].
    compounds : sequence of ndarray, shape (E,), or None
        Mass fractions, sum 1, of the compound through which an element's volume is known. Its
        other elements must have no compound themselves.
    u_rel_mixing : float
        See `PartialVolumes`.

    Notes
    -----
    Volumes of a mixture add: 1/rho = sum c_i v_i (the mixing rule by mass fractions, common
    practice). For an element with a compound of mass fractions s, v_i follows from
    1/rho_compound = sum s_j v_j (derived): nitrogen in TiN has what is left of the volume of TiN
    when titanium has that of the metal. A reading of the composition of the compound then has the
    density of the compound, and one with less nitrogen is a mixture of compound and metal.
    """
    count = density_g_cm3.size
    volume = 1.0 / density_g_cm3
    weights = np.eye(count)
    for i, shares in enumerate(compounds):
        if shares is not None:
            weights[i] = -shares / shares[i]
            weights[i, i] = 1.0 / shares[i]
    doubt = weights * (u_density_g_cm3 * volume**2)
    own = np.array([shares is None for shares in compounds])
    return PartialVolumes(weights @ volume, doubt @ doubt.T, own, u_rel_mixing)
