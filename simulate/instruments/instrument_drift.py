"""Whether an instrument is still as it was calibrated."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

_CHANCE = 0.0027  # of a normal deviation by more than 3 standard deviations
_INFORMED = 0.05  # share of a prior variance that the readings must take away to have a say
_MOST_NAMED = 4


@dataclass(frozen=True)
class Drift:
    """How far an instrument is from its calibration.

    Attributes
    ----------
    probability : float
        Of a difference at least as large by chance, all numbers taken together.
    farthest : list of str
        The numbers that make up the combination that is farthest away, the weightiest first.
    deviation : float
        How far that is, in standard deviations of the difference.
    """

    probability: float
    farthest: list[str]
    deviation: float

    @property
    def is_noticed(self) -> bool:
        """As improbable as 3 standard deviations."""
        return self.probability < _CHANCE

    def words(self) -> str:
        """What is where."""
        names = " with ".join(self.farthest)
        return (
            f"probability by chance {self.probability:.1g}; farthest is {names}, by"
            f" {self.deviation:.2g} standard deviations"
        )


def drift_of(
    labels: Sequence[str],
    change: np.ndarray,
    prior: np.ndarray,
    posterior: np.ndarray,
    looseness: float = 1.0,
) -> Drift:
    """Compare a calibration with the posterior to which it led.

    Parameters
    ----------
    labels : sequence of str
    change : ndarray, shape (K,)
        Posterior less prior mean.
    prior, posterior : ndarray, shape (K, K)
        Covariances; that of the prior may have been loosened.
    looseness : float
        Factor by which the standard uncertainties of the prior are larger than the calibration's.

    Notes
    -----
    With the prior covariance W, the calibration's C = W / looseness^2 and the posterior Q, the
    readings y, of covariance S with 1/S = 1/Q - 1/W, enter with the weight K = 1 - Q / W, so the
    change is K (y - calibration). Without a drift its covariance is K (C + S) K' = K C K' + K Q
    (derived for normal distributions; W - Q where nothing is loosened). Combinations on which the
    readings hardly bear are left out.
    """
    from scipy.stats import chi2

    if not labels:
        return Drift(1.0, [], 0.0)
    u = np.sqrt(np.diag(prior))
    root = np.linalg.inv(np.linalg.cholesky(prior / np.outer(u, u))) / u
    left, directions = np.linalg.eigh(root @ posterior @ root.T)
    weight = 1.0 - np.clip(left, 0.0, 1.0)
    # In these directions, scaled to W = 1, all matrices are diagonal.
    variance = (weight / looseness) ** 2 + weight * (1.0 - weight)
    seen = weight > _INFORMED
    if not seen.any():
        return Drift(1.0, [], 0.0)
    deviation = (directions.T @ (root @ change))[seen] / np.sqrt(variance[seen])
    far = int(np.argmax(np.abs(deviation)))
    share = np.abs(root.T @ directions[:, seen][:, far]) * u
    weighty = [k for k in np.argsort(-share) if share[k] > 0.5 * share.max()][:_MOST_NAMED]
    return Drift(
        float(chi2.sf(deviation @ deviation, deviation.size)),
        [labels[k] for k in weighty],
        float(abs(deviation[far])),
    )
