"""Uncertainty of a fitted length that cannot be negative and may be zero.

A signal follows such a length through its second or a higher power, so the curvature at the best
fit tells little about the way down to zero, and nothing at zero itself. The sum of squares is
therefore followed by refits with the length held: at zero, and upwards until it has risen by
1.645^2, the one-sided 95 % limit. Where that shows a wider uncertainty than the curvature, the
refit itself, scaled to one standard deviation, is a direction in which all parameters are
uncertain.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from craterfront.models.measurands.curve_fitting import Array

ONE_SIDED_95 = 1.645
# If the signal follows the third power, the curvature puts zero three times as far away, in
# standard uncertainties, as it is. So much is needed to forgo a closer look.
_CLEAR = 20.0
_HALVINGS = 6

Hold = Callable[[float, Array], tuple[float, Array]]


@dataclass(frozen=True)
class Excursion:
    """Parameters refitted with one of them held away from its best value.

    Attributes
    ----------
    index : int
        Which parameter.
    parameters : ndarray, shape (p,)
    deviations : float
        Standard deviations between the best fit and these parameters.
    replaces : bool
        Whether the curvature is useless for this parameter, so that it must be held for the
        covariance of the others.
    upper_limit : float or None
        One-sided 95 % upper limit, if zero is not excluded at that level.
    """

    index: int
    parameters: Array
    deviations: float
    replaces: bool
    upper_limit: float | None

    def share_missing_in(self, covariance: Array, best: Array) -> float:
        """Share of the squared step that a covariance does not yet contain, 0 to 1."""
        step = (self.parameters[self.index] - best[self.index]) / self.deviations
        return float(max(0.0, 1.0 - covariance[self.index, self.index] / step**2)) if step else 0.0


def excursion(
    hold: Hold, best: Array, index: int, deviation: float, step: float, end: float
) -> Excursion | None:
    """Look at the way of one parameter to zero and, if zero is possible, upwards.

    Parameters
    ----------
    hold : callable
        Refit with the parameter held at a value, from given starting parameters: returns the rise
        of the sum of squares in units of the variance, and the refitted parameters.
    best : ndarray, shape (p,)
        Parameters of the best fit.
    index : int
        Which parameter, >= 0 in `best`.
    deviation : float
        Its standard uncertainty by the curvature.
    step, end : float
        First step upwards and largest value tried.

    Returns
    -------
    Excursion or None
        None if the curvature suffices.

    References
    ----------
    S. G. Self, K.-Y. Liang, J. Am. Stat. Assoc. 82 (1987) 605 (likelihood ratio at a boundary; from
    memory).
    """
    value = float(best[index])
    if value > _CLEAR * deviation:
        return None
    rise, target = hold(0.0, best)
    deviations = max(1.0, float(np.sqrt(max(rise, 0.0))))
    limit = None
    if rise < ONE_SIDED_95**2:
        highest = _upper_limit(hold, best, value, step, end)
        limit = float(highest[index])
        if (limit - value) / ONE_SIDED_95 > value / deviations:
            target, deviations = highest, ONE_SIDED_95
    return Excursion(index, target, deviations, value <= deviation, limit)


def _upper_limit(hold: Hold, start: Array, low: float, step: float, end: float) -> Array:
    """Parameters where the sum of squares has risen to the limit, or at the end."""
    at, high, rise = start, low, 0.0
    while rise < ONE_SIDED_95**2 and high < end:
        low, high, step = high, min(high + step, end), 2 * step
        rise, at = hold(high, at)
    if rise < ONE_SIDED_95**2:
        return at
    # Halving, not a root finder: a refit may settle elsewhere and break the monotone rise.
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        rise, there = hold(middle, at)
        if rise < ONE_SIDED_95**2:
            low = middle
        else:
            high, at = middle, there
    return at
