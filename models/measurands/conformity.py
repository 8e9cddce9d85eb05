"""Whether a measurand is within its tolerance, by JCGM 106:2012.

What is known of it is a median and how far it may lie below and above, each as the standard
deviation of a normal distribution: for equal ones the normal distribution of JCGM 106. Of a
positive number, take logarithms.
"""

import math
from collections.abc import Callable
from statistics import NormalDist
from typing import Any, Literal

Decision = Literal["conforms", "does not conform", "undecided"]

_NORMAL = NormalDist()


def conformance_probability(
    value: float,
    u_below: float,
    u_above: float,
    lower: float = -math.inf,
    upper: float = math.inf,
) -> float:
    """Probability that the measurand lies between its tolerance limits.

    Parameters
    ----------
    value : float
        Best estimate.
    u_below, u_above : float
        Standard uncertainty towards smaller and larger values, in the unit of the value; 0 means
        exactly known, infinite that nothing is.
    lower, upper : float
        Tolerance limits.

    References
    ----------
    JCGM 106:2012, section 7 (the integral of the distribution over the tolerance interval; for
    normal ones a difference of two normal distribution functions). Halves of unequal width meet at
    the median.
    """
    below, above = (_share_below(limit, value, u_below, u_above) for limit in (lower, upper))
    if u_below == u_above == 0.0 and value == lower:
        return 1.0  # a value at its limit is within it
    return above - below


def _share_below(limit: float, value: float, u_below: float, u_above: float) -> float:
    u = u_below if limit < value else u_above
    if math.isinf(limit):
        return 0.0 if limit < 0 else 1.0
    if u == 0.0:
        return 0.0 if limit < value else 1.0
    return _NORMAL.cdf((limit - value) / u)


def decision(conformance: float, probability: float) -> Decision:
    """What a conformance probability lets one say.

    With one tolerance limit this is guarded acceptance and guarded rejection, each with the guard
    band of `guard_band`: neither statement is wrong with more than the remaining probability.

    Parameters
    ----------
    conformance : float
        Probability that the measurand is within its tolerance.
    probability : float
        Demanded of either statement, above 0.5.

    References
    ----------
    JCGM 106:2012, sections 8.3.2 (guarded acceptance) and 8.3.3 (guarded rejection).
    """
    if not 0.5 < probability < 1.0:
        raise ValueError(f"probability must be between 0.5 and 1, got {probability}")
    if conformance >= probability:
        return "conforms"
    return "does not conform" if 1.0 - conformance >= probability else "undecided"


def guard_band(u: float, probability: float) -> float:
    """Distance between a tolerance limit and the acceptance limit within it, in the unit of u.

    Parameters
    ----------
    u : float
        Standard uncertainty.
    probability : float
        Conformance probability of a value at the acceptance limit; 1.64 u for 0.95.

    References
    ----------
    JCGM 106:2012, section 8.3.2.
    """
    return _NORMAL.inv_cdf(probability) * u


def acceptance_limits(
    u_below: float, u_above: float, lower: float, upper: float, probability: float
) -> tuple[float, float] | None:
    """Values between which, ends included, the conformance probability is that demanded or more.

    Parameters
    ----------
    u_below, u_above : float
        Standard uncertainty towards smaller and larger values; the same for all values.
    lower, upper : float
        Tolerance limits; infinite where there is none.
    probability : float
        Demanded; more than 0.5.

    Returns
    -------
    tuple of float, or None
        None where no value reaches the probability.

    References
    ----------
    JCGM 106:2012, section 8.3. With one tolerance limit, it moved in by the guard band. With two
    the probability is less than half outside of them, and has one maximum between them, since the
    logarithm of the ratio of the two densities that make its slope falls from one limit to the
    other (derived); on either side of it lies one acceptance limit.
    """
    first = lower if math.isinf(lower) else lower + guard_band(u_below, probability)
    last = upper if math.isinf(upper) else upper - guard_band(u_above, probability)
    if not -math.inf < first <= last < math.inf:
        # One limit, or the guard band of each reaches beyond that of the other.
        unknown = first == math.inf or last == -math.inf
        return None if unknown or math.isfinite(lower + upper) else (first, last)
    if 0.0 in (u_below, u_above):
        return first, last

    def excess(value: float) -> float:
        return conformance_probability(value, u_below, u_above, lower, upper) - probability

    def slope(value: float) -> float:
        far = 0.5 * ((upper - value) / u_above) ** 2 - 0.5 * ((value - lower) / u_below) ** 2
        return far + math.log(u_above / u_below)

    # Beyond its guard band each limit alone leaves too little.
    best = first
    if slope(last) >= 0.0:
        best = last
    elif slope(first) > 0.0:
        best = _root(slope, first, last)
    if excess(best) < 0.0:
        return None
    return (
        first if excess(first) >= 0.0 else _root(excess, first, best),
        last if excess(last) >= 0.0 else _root(excess, best, last),
    )


def _root(function: Callable[[float], float], start: float, end: float) -> float:
    """Where a function changes its sign."""
    from scipy.optimize import brentq

    root: Any = brentq(function, start, end, xtol=1e-14)
    return float(root)
