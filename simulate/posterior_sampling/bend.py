"""The ridge of a posterior, where it is not straight; knows no physics.

Numbers that readings hardly fix on their own, such as a rate that rests on its prior, take others
along: those lie on a ridge that is narrow where readings are many. Draws about a straight line
through its top miss a bent ridge at both ends, and their weights do not tell, as none of them is
there. To second order the ridge is found from the residuals alone.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

_STEP = 1.5  # standard deviations along the ridge at which residuals are looked at
_STRAIGHT = 0.3  # standard deviations across it by which it may bend within one along it
_MOST = 6  # numbers that the ridge may run along


@dataclass(frozen=True)
class Bend:
    """By how much a ridge leaves its tangent.

    Attributes
    ----------
    along : ndarray of int, shape (K,)
        The numbers that it runs along.
    origin : ndarray, shape (K,)
        Their values where it has the tangent.
    second : ndarray, shape (K, K, D)
        Second derivatives of all numbers by these; zero for these themselves.
    """

    along: np.ndarray
    origin: np.ndarray
    second: np.ndarray

    @property
    def follows(self) -> np.ndarray:
        """The numbers that leave the tangent, shape (D,)."""
        return np.any(self.second != 0.0, axis=(0, 1))

    def shift(self, points: np.ndarray) -> np.ndarray:
        """From the tangent to the ridge, shape (S, D); the same for points on either."""
        off = points[:, self.along] - self.origin
        return 0.5 * np.einsum("sk,kld,sl->sd", off, self.second, off)


def bend(
    residuals: Callable[[np.ndarray], np.ndarray],
    top: np.ndarray,
    jacobian: np.ndarray,
    follows: np.ndarray,
    leads: np.ndarray,
) -> Bend | None:
    """The bend of the ridge of a sum of squares at its minimum, if there is one worth it.

    Along a tangent d the residuals are r + h J d + h^2 r'' / 2; the numbers that follow keep their
    sum of squares least if they leave the tangent by h^2 c / 2 with c = -pinv(J) r'' (derived: the
    term of second order in h is to be orthogonal to the columns of J).

    Parameters
    ----------
    residuals : callable
        From numbers, shape (D,), to residuals of unit variance, priors included; infinite where
        there is no model.
    top : ndarray, shape (D,)
        Where their sum of squares is least.
    jacobian : ndarray, shape (R, D)
        Derivatives there.
    follows, leads : ndarray of bool, shape (D,)
        Which numbers may be taken along by others, and which may take along others.

    Returns
    -------
    Bend or None
    """
    ridge = _Ridge(residuals, top, jacobian, follows)
    single = [np.array([k]) for k in np.flatnonzero(leads)]
    sagging = [ridge.sagging(along, ridge.second(along)) for along in single]
    most = sorted(zip(sagging, np.flatnonzero(leads), strict=True), reverse=True)[:_MOST]
    along = np.array(sorted(k for each, k in most if each > _STRAIGHT), dtype=int)
    if not along.size:
        return None
    second = ridge.second(along)
    if not ridge.sagging(along, second) > _STRAIGHT:
        return None
    return Bend(along, top[along], second)


class _Ridge:
    """A minimum seen along some numbers, the others following as far as they may."""

    def __init__(
        self,
        residuals: Callable[[np.ndarray], np.ndarray],
        top: np.ndarray,
        jacobian: np.ndarray,
        follows: np.ndarray,
    ) -> None:
        self._residuals, self._top, self._jacobian = residuals, top, jacobian
        self._follows = follows
        self._at_top = residuals(top)

    def sagging(self, along: np.ndarray, second: np.ndarray) -> float:
        """By how many standard deviations across it the ridge bends within one along it."""
        length = self._lengths(along)
        steps = 0.5 * second * np.outer(length, length)[..., None]
        return float(np.linalg.norm(steps @ self._jacobian.T, axis=-1).max())

    def second(self, along: np.ndarray) -> np.ndarray:
        """Second derivatives of all numbers by those along the ridge, shape (K, K, D)."""
        others = self._others(along)
        across = np.linalg.pinv(self._jacobian[:, others])
        length, tangents = _STEP * self._lengths(along), self._tangents(along, others, across)
        count = along.size
        second = np.zeros((count, count, self._top.size))
        own = [self._bent(length[k] * tangents[k]) for k in range(count)]
        for k in range(count):
            second[k, k, others] = -across @ own[k] / length[k] ** 2
            for m in range(k):
                both = self._bent(length[k] * tangents[k] + length[m] * tangents[m])
                mixed = (both - own[k] - own[m]) / (2.0 * length[k] * length[m])
                second[k, m, others] = second[m, k, others] = -across @ mixed
        return second

    def _others(self, along: np.ndarray) -> np.ndarray:
        others = self._follows.copy()
        others[along] = False
        return np.flatnonzero(others)

    def _tangents(self, along: np.ndarray, others: np.ndarray, across: np.ndarray) -> np.ndarray:
        """Directions of the ridge, shape (K, D)."""
        tangents = np.zeros((along.size, self._top.size))
        tangents[np.arange(along.size), along] = 1.0
        tangents[:, others] = -(across @ self._jacobian[:, along]).T
        return tangents

    def _lengths(self, along: np.ndarray) -> np.ndarray:
        """Standard deviations of the numbers along the ridge, all others free."""
        moved = np.union1d(self._others(along), along)
        information = self._jacobian[:, moved].T @ self._jacobian[:, moved]
        covariance = np.linalg.pinv(information, hermitian=True)
        return np.sqrt(np.diag(covariance)[np.searchsorted(moved, along)])

    def _bent(self, step: np.ndarray) -> np.ndarray:
        """Second difference of the residuals; none where there is no model at either end."""
        ends = self._residuals(self._top + step), self._residuals(self._top - step)
        difference = ends[0] + ends[1] - 2.0 * self._at_top
        return difference if np.isfinite(difference).all() else np.zeros_like(self._at_top)
