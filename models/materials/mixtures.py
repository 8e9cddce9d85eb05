"""Which mixture of known materials has a given composition, and what follows for rates.

A composition between those of materials is made of the materials nearest to it: of all mixtures
that have it, the one with the smallest mean square distance of its parts. Between materials that
span a simplex that is linear interpolation, among more of them interpolation on their Delaunay
triangulation (K. Q. Brown, Inf. Process. Lett. 9 (1979) 223, from memory).
"""

import numpy as np

_FIRM = 1e3  # weight of the composition against that of nearness
_NEAR = 1e-3
_USED = 1e-9  # share from which on a material is part of a mixture


def nearest_mixtures(composition: np.ndarray, materials: np.ndarray) -> np.ndarray:
    """Shares of the materials, by atoms.

    Parameters
    ----------
    composition : ndarray, shape (K, E)
        Atomic fractions, rows sum to 1.
    materials : ndarray, shape (M, E)
        Of each material, likewise.

    Returns
    -------
    ndarray, shape (K, M)
        Not negative, rows sum to 1. What no mixture has is replaced by the nearest that one has.
    """
    from scipy.optimize import nnls

    count = len(materials)
    rows = np.vstack([_FIRM * materials.T, np.full((1, count), _FIRM), np.zeros((1, count))])
    shares = np.empty((len(composition), count))
    for k, wanted in enumerate(composition):
        # Least squares of x q + 1 adds 2 x q and little else: the mean square distance counts.
        rows[-1] = _NEAR * np.sum((materials - wanted) ** 2, axis=1)
        target = np.append(_FIRM * wanted, [_FIRM, -1.0])
        shares[k] = nnls(rows, target, maxiter=30 * count + 100)[0]
    return shares / shares.sum(axis=1, keepdims=True)


def slopes(shares: np.ndarray, materials: np.ndarray, of_material: np.ndarray) -> np.ndarray:
    """How a mean over the atoms of a mixture changes with its composition.

    Parameters
    ----------
    shares : ndarray, shape (K, M)
        From `nearest_mixtures`.
    materials : ndarray, shape (M, E)
    of_material : ndarray, shape (M,)
        What is averaged.

    Returns
    -------
    ndarray, shape (K, E)
        Derivatives by the atomic fractions, up to what cancels in changes that sum to zero.
    """
    out = np.empty((len(shares), materials.shape[1]))
    for k, share in enumerate(shares):
        part = share > _USED
        mean = float(share @ of_material)
        out[k] = mean + np.linalg.lstsq(materials[part], of_material[part] - mean, rcond=1e-9)[0]
    return out
