"""The share of a normal distribution within bounds, and draws from that share.

One number after the other is placed within its bounds, given those before it (A. Genz, J. Comput.
Graph. Stat. 1 (1992) 141). Independent numbers, or a single one, come out exactly; for correlated
ones a mean over a lattice is taken, always the same, so that the share is a smooth function of
centre and covariance.
"""

import math

import numpy as np

_POINTS = 512
_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71)
_NEAR = 6.0  # standard deviations from a bound within which it is allowed for


def log_probability(
    centre: np.ndarray, covariance: np.ndarray, lower: np.ndarray, upper: np.ndarray
) -> float:
    """Logarithm of the probability that a normal vector is within bounds.

    Parameters
    ----------
    centre, lower, upper : ndarray, shape (Q,)
    covariance : ndarray, shape (Q, Q)
    """
    near = _near(centre, covariance, lower, upper)
    if not near.any():
        return 0.0
    _, log_share = _placed(centre, covariance, lower, upper, near, _lattice(int(near.sum())))
    largest = float(log_share.max())
    return largest + math.log(float(np.exp(log_share - largest).mean()))


def draw(
    centre: np.ndarray,
    covariance: np.ndarray,
    lower: np.ndarray,
    upper: np.ndarray,
    count: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Normal vectors within bounds, shape (count, Q)."""
    near = _near(centre, covariance, lower, upper)
    drawn = np.tile(centre, (count, 1))
    rest, shift = covariance, np.zeros_like(drawn)
    if near.any():
        size = int(near.sum())
        lattice = (_lattice(size) + rng.random(size)) % 1.0
        placed, log_share = _placed(centre, covariance, lower, upper, near, lattice)
        share = np.exp(log_share - log_share.max())
        drawn[:, near] = placed[rng.choice(len(share), count, p=share / share.sum())]
        slope = np.linalg.solve(covariance[np.ix_(near, near)], covariance[near]).T
        shift = (drawn - centre)[:, near] @ slope.T
        rest = covariance - slope @ covariance[near]
    root = np.linalg.cholesky(rest[np.ix_(~near, ~near)]) if not near.all() else np.zeros((0, 0))
    free = centre[~near] + shift[:, ~near] + rng.standard_normal((count, len(root))) @ root.T
    drawn[:, ~near] = np.clip(free, lower[~near], upper[~near])
    return drawn


def _near(
    centre: np.ndarray, covariance: np.ndarray, lower: np.ndarray, upper: np.ndarray
) -> np.ndarray:
    reach = _NEAR * np.sqrt(np.diag(covariance))
    return (centre - lower < reach) | (upper - centre < reach)


def _lattice(count: int) -> np.ndarray:
    """Points of the unit cube, shape (_POINTS, count): multiples of irrational numbers, folded.

    Folding makes a function periodic, of which a lattice gives the mean the sooner.
    """
    if count > len(_PRIMES):
        raise ValueError(f"at most {len(_PRIMES)} numbers near their bounds, got {count}")
    roots = np.sqrt(np.array(_PRIMES[:count], dtype=float))
    return np.abs(2.0 * ((np.arange(1, _POINTS + 1)[:, None] * roots) % 1.0) - 1.0)


def _placed(
    centre: np.ndarray,
    covariance: np.ndarray,
    lower: np.ndarray,
    upper: np.ndarray,
    near: np.ndarray,
    points: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Places within bounds of what is near them, and the logarithm of the share of each.

    Returns
    -------
    placed : ndarray, shape (_POINTS, K)
    log_share : ndarray, shape (_POINTS,)
    """
    root = np.linalg.cholesky(covariance[np.ix_(near, near)])
    normal = np.zeros(points.shape)
    log_share = np.zeros(len(points))
    low, high = (lower - centre)[near], (upper - centre)[near]
    for i in range(len(root)):
        before = normal[:, :i] @ root[i, :i]
        first, last = (low[i] - before) / root[i, i], (high[i] - before) / root[i, i]
        normal[:, i], own = _within(first, last, points[:, i])
        log_share += own
    placed = centre[near] + normal @ root.T
    return np.clip(placed, lower[near], upper[near]), log_share


def _within(
    first: np.ndarray, last: np.ndarray, level: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Standard normal quantiles between two ends, and the logarithm of the probability there.

    Computed in the lower tail, where the probabilities of far ends keep their digits.
    """
    from scipy.special import log_ndtr, ndtri_exp

    flip = first > 0
    low, high = np.where(flip, -last, first), np.where(flip, -first, last)
    log_low, log_high = log_ndtr(low), log_ndtr(high)
    log_share = log_high + np.log1p(-np.exp(np.minimum(log_low - log_high, 0.0)))
    # The level is counted from the end that is nearer to the centre.
    ratio = -np.expm1(log_low - log_high)
    found = ndtri_exp(log_high + np.log1p(-ratio * level))
    return np.where(flip, -found, found), log_share
