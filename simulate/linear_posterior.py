"""What each prior does to an answer: the posterior as a linear problem at its maximum.

Like `estimation` this knows no physics: rows of a Jacobian of unit-variance residuals, of which
the last ones are priors. A prior can be left out and the minimum found anew without computing the
model again, exactly so where the problem is linear.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from craterfront.estimation import curvature, quadratic_form


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
        triangle = np.linalg.qr(both[:readings], mode="r")[: jacobian.shape[1]]
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
            Infinite where what is kept does not fix it.
        """
        kept = np.asarray(kept, dtype=bool)
        rows = np.vstack([self.data, self.priors[kept]])
        residuals = np.concatenate([self.data_residuals, self.prior_residuals[kept]])
        whole = self._whole(slope)
        variance = quadratic_form(whole, curvature(rows).covariance)
        size = np.maximum(np.linalg.norm(rows, axis=0), 1e-300)
        step = np.linalg.lstsq(rows / size, -residuals, rcond=1e-9)[0] / size
        return float(whole @ step), variance

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
        covariance = curvature(np.vstack([self.data, self.priors])).covariance
        variance = quadratic_form(whole, covariance)
        if not 0.0 < variance < np.inf:
            return np.full(len(self.priors) + 1, np.nan)
        touched = whole != 0
        moved = whole[touched] @ np.where(np.isfinite(covariance), covariance, 0.0)[touched]
        shares = np.append((self.priors @ moved) ** 2, np.sum((self.data @ moved) ** 2))
        return shares / variance

    def _whole(self, slope: np.ndarray) -> np.ndarray:
        return np.append(slope, np.zeros(self.data.shape[1] - slope.size))
