"""Have chains of draws converged, and how many independent draws are they worth?

Rank-normalised split R-hat, and effective sample sizes of the bulk and of the tails (A. Vehtari, A.
Gelman, D. Simpson, B. Carpenter, P.-C. Bürkner, Bayesian Analysis 16 (2021) 667).
"""

import numpy as np

MOST_R_HAT = 1.01
"""R-hat up to which chains agree (the same paper, section 4)."""

LEAST_EFFECTIVE = 400.0
"""Effective sample size from which quantiles and R-hat itself are reliable (the same paper: 100 for
each of four chains)."""


def r_hat(draws: np.ndarray) -> float:
    """How much larger the scatter of all chains is than that within halves of chains.

    The larger one of that of the ranks, which compares places, and of the ranks of the distances
    from the median, which compares spreads.

    Parameters
    ----------
    draws : ndarray, shape (M, N)
        M chains of N draws.

    Returns
    -------
    float
        1 where they agree; nan for draws that do not vary or are not finite.
    """
    if not _varies(draws):
        return float("nan")
    halves = _halves(draws)
    folded = np.abs(halves - np.median(halves))
    return max(_scale_reduction(_normal_scores(each)) for each in (halves, folded))


def bulk_ess(draws: np.ndarray) -> float:
    """Effective sample size for places, such as the median, shape (M, N) to a number."""
    return _ess(_normal_scores(_halves(draws))) if _varies(draws) else float("nan")


def tail_ess(draws: np.ndarray) -> float:
    """Effective sample size for the ends of intervals: the smaller one of the 5 and 95 % ends."""
    if not _varies(draws):
        return float("nan")
    ends = np.quantile(draws, [0.05, 0.95])
    return min(_ess(_halves((draws <= end).astype(float))) for end in ends)


def _varies(draws: np.ndarray) -> bool:
    return bool(np.all(np.isfinite(draws)) and np.ptp(draws) > 0 and draws.shape[1] >= 10)


def _halves(draws: np.ndarray) -> np.ndarray:
    """Chains split in two; of an odd number of draws without the one in the middle."""
    half = draws.shape[1] // 2
    return np.vstack([draws[:, :half], draws[:, -half:]])


def _normal_scores(draws: np.ndarray) -> np.ndarray:
    """Ranks over all chains as quantiles of the normal distribution (G. Blom's fractions)."""
    from scipy.special import ndtri
    from scipy.stats import rankdata

    ranks = rankdata(draws, method="average").reshape(draws.shape)
    return ndtri((ranks - 0.375) / (draws.size + 0.25))


def _scale_reduction(draws: np.ndarray) -> float:
    count = draws.shape[1]
    within = float(draws.var(axis=1, ddof=1).mean())
    between = float(draws.mean(axis=1).var(ddof=1))
    if within == 0:
        return float("nan")
    return float(np.sqrt((count - 1) / count + between / within))


def _ess(draws: np.ndarray) -> float:
    """Number of draws over the sum of autocorrelations, by Geyer's initial monotone sequence."""
    chains, count = draws.shape
    total = chains * count
    covariance = np.array([_autocovariance(chain) for chain in draws])
    within = covariance[:, 0].mean() * count / (count - 1.0)
    pooled = within * (count - 1.0) / count
    if chains > 1:
        pooled += float(draws.mean(axis=1).var(ddof=1))
    if pooled == 0:
        return float(total)
    rho = 1.0 - (within - covariance.mean(axis=0)) / pooled
    rho[0] = 1.0
    pairs = rho[: 2 * (count // 2)].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs < 0)
    stop = min(int(negative[0]) if negative.size else pairs.size, (count - 3) // 2)
    pairs = np.minimum.accumulate(pairs[:stop])
    after = max(float(rho[2 * stop]), 0.0)
    time = -1.0 + 2.0 * float(pairs.sum()) + after
    return float(total / max(time, 1.0 / np.log10(total)))


def _autocovariance(chain: np.ndarray) -> np.ndarray:
    """At all lags, over the number of draws."""
    size = chain.size
    padded = np.fft.rfft(chain - chain.mean(), 2 * size)
    return np.fft.irfft(padded * padded.conj(), 2 * size)[:size] / size
