"""What each prior does to an answer: the posterior as a linear problem at its maximum.

Like `estimation` this knows no physics: rows of a Jacobian of unit-variance residuals, of which
the last ones are priors. A prior can be left out and the minimum found anew without computing the
model again, exactly so where the problem is linear.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

_LOOSE = 3e-5  # singular value against the largest below which a direction is not fixed
_PART_OF_NONE = 1e-6  # of a slope along what is not fixed


@dataclass(frozen=True)
class LinearPosterior:
    """A linear problem: residuals and their derivatives, of the data in as few rows as do.

    Attributes
    ----------
    data : ndarray, shape (Q, Q)
        Derivatives of the data, reduced to a triangle, which has the same sums of squares.
    data_residuals : ndarray, shape (Q,)
    priors : ndarray, shape (K, Q)
        Derivatives of the priors.
    prior_residuals : ndarray, shape (K,)
    """

    data: np.ndarray
    data_residuals: np.ndarray
    priors: np.ndarray
    prior_residuals: np.ndarray

    @classmethod
    def of(cls, jacobian: np.ndarray, residuals: np.ndarray, readings: int) -> "LinearPosterior":
        """The problem at a point.

        Parameters
        ----------
        jacobian : ndarray, shape (R, Q)
        residuals : ndarray, shape (R,)
        readings : int
            How many of the rows are data; the rest are priors.
        """
        both = np.column_stack([jacobian, residuals])
        triangle = np.asarray(np.linalg.qr(both[:readings], mode="r"))[: jacobian.shape[1]]
        return cls(triangle[:, :-1], triangle[:, -1], both[readings:, :-1], both[readings:, -1])

    def estimate(self, slope: np.ndarray, kept: Sequence[bool] | np.ndarray) -> tuple[float, float]:
        """An answer with some of the priors only.

        Parameters
        ----------
        slope : ndarray, shape (P,)
            Derivative of the answer by the first parameters; the others have no part in it.
        kept : sequence of bool, shape (K,)
            Which priors are kept.

        Returns
        -------
        shift : float
            By how much the answer differs from that at the point.
        variance : float
            Infinite where what is kept does not fix it; then there is no shift, nan.
        """
        kept = np.asarray(kept, dtype=bool)
        rows = np.vstack([self.data, self.priors[kept]])
        residuals = np.concatenate([self.data_residuals, self.prior_residuals[kept]])
        whole = self._whole(slope)
        moved = _times_covariance(rows, whole)
        if moved is None:
            return np.nan, np.inf
        return -float(moved @ (rows.T @ residuals)), float(moved @ whole)

    def variance(self, slope: np.ndarray) -> float:
        """Variance of an answer with all priors, see `estimate`."""
        return self.estimate(slope, np.ones(len(self.priors), dtype=bool))[1]

    def variance_shares(self, slope: np.ndarray) -> np.ndarray:
        """Which share of the variance of an answer comes from each prior, and from the data.

        An estimate moves with the mean of a prior by V J, its covariance times the derivative of
        the prior's residual; times the standard uncertainty of that prior this is its
        contribution. Their squares, with those of the readings, add up to the variance (derived:
        the sum of J' J is the inverse of V). GUM, JCGM 100:2008, 5.1.2.

        Parameters
        ----------
        slope : ndarray, shape (P,)
            See `estimate`.

        Returns
        -------
        ndarray, shape (K + 1,)
            The last one is of the data; they sum to 1. All nan where nothing fixes the answer.
        """
        whole = self._whole(slope)
        moved = _times_covariance(np.vstack([self.data, self.priors]), whole)
        if moved is None or not moved @ whole > 0.0:
            return np.full(len(self.priors) + 1, np.nan)
        shares = np.append((self.priors @ moved) ** 2, np.sum((self.data @ moved) ** 2))
        return shares / float(moved @ whole)

    def _whole(self, slope: np.ndarray) -> np.ndarray:
        return np.append(slope, np.zeros(self.data.shape[1] - slope.size))


def _times_covariance(rows: np.ndarray, slope: np.ndarray) -> np.ndarray | None:
    """The covariance that rows leave, times a slope; None where nothing fixes that combination."""
    size = np.maximum(np.linalg.norm(rows, axis=0), 1e-300)
    _, values, directions = np.linalg.svd(rows / size, full_matrices=False)
    firm = directions[values > _LOOSE * values[0]]
    along = firm @ (slope / size)
    beside = slope / size - firm.T @ along
    if np.linalg.norm(beside) > _PART_OF_NONE * np.linalg.norm(slope / size):
        return None
    return firm.T @ (along / values[: len(firm)] ** 2) / size
