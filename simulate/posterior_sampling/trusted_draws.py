"""Draws of equal weight from a density, and how far to trust them."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Self

import numpy as np

from craterfront.posterior_sampling.convergence import LEAST_EFFECTIVE, MOST_R_HAT
from craterfront.posterior_sampling.ensemble import ENSEMBLES
from craterfront.posterior_sampling.pareto_smoothing import MOST_K

CHAINS = ENSEMBLES

Points = Callable[[np.ndarray], np.ndarray]
"""A function of points, shape (S, D)."""


def everywhere(points: np.ndarray) -> np.ndarray:
    """True for all points, shape (S,)."""
    return np.ones(len(points), dtype=bool)


_BY_CHANCE = 3.0  # standard deviations by which R-hat may exceed what chance makes of it


@dataclass(frozen=True)
class Sample:
    """Draws of equal weight, and how far to trust them.

    Attributes
    ----------
    points : ndarray, shape (M, N, D)
        M chains of N draws.
    log_density : ndarray, shape (M, N)
    method : str
        "importance sampling" or "ensemble sampling".
    pareto_k : float
        Of the importance weights, also of those that were not good enough.
    effective : float
        What the draws are worth, as a number of independent ones.
    r_hat, bulk, tail : ndarray, shape (K,)
        Of the quantities: R-hat, and effective sample sizes for places and for the ends of
        intervals.
    evaluations : int
        Of the density.
    """

    points: np.ndarray
    log_density: np.ndarray
    method: Literal["importance sampling", "ensemble sampling"]
    pareto_k: float
    effective: float
    r_hat: np.ndarray
    bulk: np.ndarray
    tail: np.ndarray
    evaluations: int

    @classmethod
    def of_one_point(cls, log_density: float, draws: int) -> Self:
        """Draws where no number is free: the point without dimensions, again and again."""
        per_chain, none = -(-draws // CHAINS), np.zeros(0)
        return cls(
            np.zeros((CHAINS, per_chain, 0)),
            np.full((CHAINS, per_chain), log_density),
            "importance sampling",
            -np.inf,  # all weights are equal
            float(CHAINS * per_chain),
            none,
            none,
            none,
            1,
        )

    def doubts(self) -> list[str]:
        """Why not to trust the draws, in words; empty if there is no reason."""
        found = []
        if self.method == "importance sampling" and self.pareto_k > MOST_K:
            found.append(f"Pareto k of the weights is {self.pareto_k:.2f}, above {MOST_K}")
        least = float(np.nanmin([self.effective, *self.bulk, *self.tail]))
        if least < LEAST_EFFECTIVE:
            found.append(
                f"the least effective sample size is {least:.0f}, below {LEAST_EFFECTIVE:.0f}"
            )
        above = self.r_hat[self.r_hat > r_hat_limit(self.bulk)]
        if above.size:
            found.append(f"R-hat is up to {above.max():.3f}, above {MOST_R_HAT}")
        return found


def r_hat_limit(effective: np.ndarray) -> np.ndarray:
    """R-hat above which chains differ by more than chance.

    Of 2 M halves of chains that are worth n independent draws together, R^2 - 1 is about 2 M / n
    times a chi-square of 2 M - 1 degrees of freedom over their number (derived: variance of 2 M
    means over that within), but never is less than 1.01 demanded.
    """
    halves = 2 * CHAINS
    mean = halves / np.maximum(effective, 1.0)
    by_chance = mean * (1.0 + _BY_CHANCE * np.sqrt(2.0 / (halves - 1)))
    return np.maximum(MOST_R_HAT, np.sqrt(1.0 + by_chance))
