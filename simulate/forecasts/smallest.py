"""The smallest value of what may be zero that a planned measurement could tell from zero.

An inversion calls a width resolved where twice the logarithm of the likelihood ratio of the best
sample to the best one without it exceeds `ONE_SIDED_95`: of sharp interfaces 5 % are called
resolved. The root of that statistic is close to normal with a standard deviation of 1 about its
value for readings without noise (A. Wald, Trans. Am. Math. Soc. 54 (1943) 426; from memory). So a
width is called resolved in 95 % of all repeats where the noise-free root is twice the root of the
threshold. That is the minimum detectable value of ISO 11843-1 with both error probabilities at 5 %.

Readings without noise of a sample that has the width are fitted without it, as an inversion does:
all that is free adapts.
"""

import math
from dataclasses import dataclass

from craterfront.experiments.depth_scale import DepthScale
from craterfront.forecasts.information import Information
from craterfront.forecasts.planned import Planned
from craterfront.objective.curvature import quadratic_form
from craterfront.objective.estimation import Fit
from craterfront.objective.profile_likelihood import ONE_SIDED_95, profile_fit

CRITICAL = math.sqrt(ONE_SIDED_95)
"""Root of the statistic from which on a width is called resolved."""

DETECTABLE = 2.0 * CRITICAL
"""Root of the noise-free statistic with which that happens in 95 % of all repeats."""

_STEPS = 6
_NEAR = 0.02  # of a value: less than what a forecast is worth


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


def detection(base: Information, index: int, written: DepthScale) -> Detection:
    """Which values of a free parameter the measurement tells from zero.

    Parameters
    ----------
    base : Information
        Of the planned measurement.
    index : int
        The parameter; its square is a coordinate.
    written : DepthScale
        Of the experiment.
    """
    planned = base.planned
    parameter = planned.assembly.parameters[index]
    value, upper = abs(parameter.value), max(abs(parameter.lower), abs(parameter.upper))
    share = _normal_share((_root(planned, index, value, written) if value else 0.0) - CRITICAL)
    square = base.gradient_of_square(index)
    u = quadratic_form(square, base.picture(without=index).covariance) ** 0.5
    trial = min(math.sqrt(DETECTABLE * u), upper)
    for _ in range(_STEPS):
        root = _root(planned, index, trial, written)
        if trial == upper and root < DETECTABLE:
            return Detection(math.inf, share)
        # A small value enters as its square.
        better = min(trial * math.sqrt(DETECTABLE / max(root, 0.1 * CRITICAL)), upper)
        if abs(better - trial) < _NEAR * trial:
            return Detection(better, share)
        trial = better
    return Detection(trial, share)


def _root(planned: Planned, index: int, value: float, written: DepthScale) -> float:
    """Root of the statistic of noise-free readings with a value of a parameter."""
    i = planned.likelihood.free.index(index)
    coordinates = planned.likelihood.coordinates
    unit = coordinates.with_coordinate(planned.x, i, 1.0)
    true = planned.like(written, at={i: (value / unit) ** 2})
    objective = true.likelihood.objective(without_prior=index)
    best = Fit(true.x, objective.cost(true.x), True, "")
    jacobian = objective.jacobian(true.x)
    held = profile_fit(objective, best, jacobian, i, coordinates.nothing(i))
    return math.sqrt(max(held.cost - best.cost, 0.0))


def _normal_share(deviation: float) -> float:
    """Share of a normal distribution below a deviation from its mean."""
    return 0.5 * math.erfc(-deviation / math.sqrt(2.0))
