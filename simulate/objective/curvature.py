"""Covariance and rank of a least-squares problem, from its Jacobian."""

from dataclasses import dataclass

import numpy as np

UNDETERMINED = 1e-9
"""Information of a direction that neither data nor priors fix, as a share of the largest.

With every parameter in units of its own information. It is what differences and rounding leave of a
direction without any.
"""


@dataclass(frozen=True)
class Curvature:
    """Second-order picture of the posterior at its maximum.

    Attributes
    ----------
    covariance : ndarray, shape (P, P)
        Laplace covariance; infinite variance along directions that nothing fixes.
    undetermined : list of ndarray
        Unit directions (in scaled parameters) that neither data nor priors fix.
    """

    covariance: np.ndarray
    undetermined: list[np.ndarray]


def curvature(jacobian: np.ndarray) -> Curvature:
    """Covariance from a Jacobian of unit-variance residuals.

    A direction whose information is below 1e-9 of the largest, with every parameter in units of its
    own information, is undetermined; it is named, not smoothed over with a pseudo-inverse. So is
    every parameter that has a part in it. That floor is what differences and rounding leave of a
    direction without any information; by first-order perturbation they turn an eigenvector towards
    the k-th firm one by no more than floor / eigenvalue k, and a part within that is none.
    """
    information = jacobian.T @ jacobian
    of_each = np.diag(information)
    scale = np.sqrt(np.where(of_each > 0.0, of_each, 1.0))
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
    floor = UNDETERMINED * np.max(values, initial=1.0)
    loose = values <= floor
    firm = vectors[:, ~loose] / values[~loose]
    covariance = firm @ vectors[:, ~loose].T / np.outer(scale, scale)
    rounding = floor * np.linalg.norm(firm, axis=1)
    touched = np.any(np.abs(vectors[:, loose]) > rounding[:, None], axis=1)
    covariance[touched, touched] = np.inf
    directions = [vectors[:, i] / scale for i in np.flatnonzero(loose)]
    return Curvature(covariance, [d / np.linalg.norm(d) for d in directions])


@dataclass(frozen=True)
class DataRank:
    """What the data alone say of the parameters.

    Attributes
    ----------
    rank : int
        Number of independent combinations that the data fix better than the priors do.
    resting : list of ndarray
        Unit directions, in units of the priors, that rest on the priors.
    """

    rank: int
    resting: list[np.ndarray]


def data_rank(rows: np.ndarray, count: int, units: np.ndarray) -> DataRank:
    """Rank of the Fisher information of the data, with nuisance parameters marginalised.

    Parameters
    ----------
    rows : ndarray, shape (R, P + L)
        Derivatives of the residuals of the data alone, by parameters and nuisance parameters.
    count : int
        Number P of parameters; the rest is marginalised.
    units : ndarray, shape (P,)
        Standard deviation of each prior, or a sensible step where there is none.
    """
    information = rows.T @ rows
    own, cross = information[:count, :count], information[:count, count:]
    nuisance = information[count:, count:]
    marginal = (own - cross @ pseudo_inverse(nuisance) @ cross.T) * np.outer(units, units)
    values, vectors = np.linalg.eigh(marginal)
    fixed = values > 1.0
    return DataRank(int(fixed.sum()), [vectors[:, i] for i in np.flatnonzero(~fixed)])


def pseudo_inverse(information: np.ndarray) -> np.ndarray:
    """Of an information matrix, with every number in units of its own information.

    What less than 1e-12 of the largest is known of is left out, as if it were held.
    """
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    units = np.outer(scale, scale)
    return np.linalg.pinv(information / units, rcond=1e-12, hermitian=True) / units


def quadratic_form(slope: np.ndarray, covariance: np.ndarray) -> float:
    """Variance of a linear combination; infinite where it touches what nothing fixes."""
    touched = slope != 0
    return float(slope[touched] @ covariance[np.ix_(touched, touched)] @ slope[touched])
