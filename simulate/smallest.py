"""The smallest value of what may be zero that a planned measurement could tell from zero.

An inversion calls a width resolved where twice the logarithm of the likelihood ratio of the best
sample to the best one without it exceeds `ONE_SIDED_95`: of sharp interfaces 5 % are called
resolved. The root of that statistic is close to normal with a standard deviation of 1 about its
value for readings without noise (A. Wald, Trans. Am. Math. Soc. 54 (1943) 426; from memory). So a
width is called resolved in 95 % of all repeats where the noise-free root is twice the root of the
threshold. That is the minimum detectable value of ISO 11843-1 with both error probabilities at 5 %.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from craterfront.estimation import ONE_SIDED_95
from craterfront.information import Information
from craterfront.planned import Planned

CRITICAL = math.sqrt(ONE_SIDED_95)
"""Root of the statistic from which on a width is called resolved."""

DETECTABLE = 2.0 * CRITICAL
"""Root of the noise-free statistic with which that happens in 95 % of all repeats."""

_STEPS = 15
_NEAR = 0.01  # of a value: far less than what a forecast is worth


@dataclass(frozen=True)
class Detection:
    """What a planned measurement can tell of a number that may be zero.

    Attributes
    ----------
    smallest : float
        Told from zero in 95 % of all repeats; infinite where no value that the file allows is.
    share : float
        Share of the repeats in which the planned value is told from zero.
    """

    smallest: float
    share: float


def detection(at_zero: Planned, i: int, planned_value: float, upper: float) -> Detection:
    """Which values of a free parameter the measurement tells from zero.

    All other numbers, which a fit adapts, are taken as linear.

    Parameters
    ----------
    at_zero : Planned
        With free parameter i at zero.
    i : int
        Its position among the free parameters.
    planned_value : float
        As planned.
    upper : float
        Largest value.
    """
    root = _root_of_statistic(at_zero, i)
    share = _normal_share((root(planned_value) if planned_value > 0 else 0.0) - CRITICAL)
    scale = at_zero.likelihood.coordinates.with_coordinate(at_zero.x, i, 1.0)
    value = min(planned_value or abs(scale), upper)
    for _ in range(_STEPS):
        now = root(value)
        # A small value enters as its square.
        better = min(value * math.sqrt(DETECTABLE / max(now, 1e-3 * DETECTABLE)), upper)
        if value == upper and now < DETECTABLE:
            return Detection(math.inf, share)
        if abs(better - value) < _NEAR * value:
            return Detection(better, share)
        value = better
    return Detection(value, share)


def _root_of_statistic(at_zero: Planned, i: int) -> Callable[[float], float]:
    """Root of the noise-free statistic as a function of the value of free parameter i."""
    likelihood = at_zero.likelihood
    coordinates, noise = likelihood.coordinates, likelihood.noise
    information = Information.of(at_zero)
    index = likelihood.free[i]
    others = np.arange(at_zero.slopes.shape[-1]) != i
    rows = at_zero.white(at_zero.slopes[..., others], noise)
    known = [
        prior.row[: others.size][others] for prior in information.priors if prior.index != index
    ]
    basis = np.linalg.qr(np.vstack([rows, *known]))[0]
    unit = coordinates.with_coordinate(at_zero.x, i, 1.0)

    def root(value: float) -> float:
        x = at_zero.x.copy()
        x[i] += max((value / unit) ** 2 - coordinates.nothing(i), 0.0)
        likelihood.replan(x)  # slices that are fine enough for both
        change = np.where(
            likelihood.censored, 0.0, at_zero.expected(x) - at_zero.expected(at_zero.x)
        )
        white = np.pad(at_zero.white(change[..., None], noise)[:, 0], (0, len(known)))
        left = white - basis @ (basis.T @ white)
        return float(np.linalg.norm(left))

    return root


def _normal_share(deviation: float) -> float:
    """Share of a normal distribution below a deviation from its mean."""
    return 0.5 * math.erfc(-deviation / math.sqrt(2.0))
