"""Profile likelihood of one parameter: the best fit where it is held, and its interval."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from craterfront.objective.estimation import NO_ACCOUNT, Fit, Objective, minimise

ONE_SIDED_95 = 2.706
"""Threshold of twice the log-likelihood ratio for the null hypothesis at a bound, at 95 % (half a
chi-square distribution of one degree of freedom, half a point mass at 0; H. Chernoff, Ann. Math.
Stat. 25 (1954) 573)."""

TWO_SIDED_95 = 3.841
"""Threshold for an interval at 95 %: chi-square of one degree of freedom."""

_NEXT_TO_NOTHING = 0.1  # of what is of no account
_MOST_CORRECTIONS = 8  # with one Jacobian
_SAFELY = 1.05  # so far beyond where a line leads a crossing is sought from within
_FAR = 30.0  # thresholds, beyond which an excess is not taken for a parabola


def profile_fit(
    objective: Objective,
    fit: Fit,
    jacobian: np.ndarray,
    index: int,
    value: float,
    *,
    sure_below: float = 0.0,
) -> Fit:
    """The minimum with one parameter held.

    Gauss-Newton on the others from the linear prediction, or from the minimum if that is better.
    The Jacobian at the minimum serves until it makes no more progress; then it is taken anew,
    unless the cost is already so low that it does not matter. Where even that promises more than
    it keeps, `minimise` goes on with steps of a trust region.

    Parameters
    ----------
    objective, fit, jacobian
        The problem, its minimum and the Jacobian there.
    index : int
        Parameter to hold.
    value : float
        At this value.
    sure_below : float
        Excess over the minimum below which no refinement is needed; it counts as converged.
    """
    others = np.flatnonzero(np.arange(fit.x.size) != index)
    start = fit.x.copy()
    start[index] = value
    if not others.size:
        return Fit(start, objective.cost(start), True, "nothing to fit")
    held = objective.of_some(start, others)
    slope, moved = jacobian[:, others], jacobian[:, index] * (value - fit.x[index])
    step = _solve(slope, -moved)
    place = _Place.of(held, np.clip(start[others] + step, held.lower, held.upper))
    expected = float(np.sum((moved + slope @ step) ** 2))
    # Along a direction that hardly anything fixes the prediction may lead far astray.
    if not place.cost - fit.cost <= 2.0 * expected + 1.0:
        place = min(place, _Place.of(held, start[others]), key=lambda each: each.cost)
    place, _ = _descended(held, place, slope)
    converged = True
    if np.isfinite(place.cost) and place.cost - fit.cost >= sure_below:
        place, converged = _descended(held, place, held.jacobian(place.x))
    found = Fit(place.x, place.cost, converged, "")
    if not converged:
        tolerance = 0.1 * NO_ACCOUNT / max(found.cost, 1.0)
        farther = minimise(held, found.x, tolerance=tolerance)
        found = min(found, farther, key=lambda each: each.cost)
    start[others] = found.x
    return replace(found, x=start)


@dataclass(frozen=True)
class _Place:
    """Parameters with their residuals."""

    x: np.ndarray
    residuals: np.ndarray

    @classmethod
    def of(cls, objective: Objective, x: np.ndarray) -> "_Place":
        return cls(x, objective.residuals(x))

    @property
    def cost(self) -> float:
        """Infinite where there is no model."""
        return float(self.residuals @ self.residuals)


def _descended(objective: Objective, place: _Place, slope: np.ndarray) -> tuple[_Place, bool]:
    """Gauss-Newton steps within the bounds with one Jacobian, for as long as they help.

    What stands at a bound and would leave it is held. It has converged where the next step promises
    nothing of account; one that promises next to nothing is not even tried.
    """
    promised = np.inf
    for _ in range(_MOST_CORRECTIONS if np.isfinite(place.cost) else 0):
        x, residuals = place.x, place.residuals
        downhill = -(slope.T @ residuals)
        inside = np.where(downhill < 0, x > objective.lower, x < objective.upper)
        trial = x.copy()
        trial[inside] += _solve(slope[:, inside], -residuals)
        trial = np.clip(trial, objective.lower, objective.upper)
        expected = residuals + slope @ (trial - x)
        promised = place.cost - float(expected @ expected)
        if 0.0 <= promised < _NEXT_TO_NOTHING * NO_ACCOUNT:
            break
        new = _Place.of(objective, trial)
        gain = place.cost - new.cost
        if gain > 0:
            place = new
        if not gain >= NO_ACCOUNT:
            break
    return place, promised < NO_ACCOUNT


def _solve(slope: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Least-squares step; a whiff of damping keeps loose directions at rest."""
    scale = np.maximum(np.linalg.norm(slope, axis=0), 1e-12)
    scaled = slope / scale
    normal = scaled.T @ scaled
    normal[np.diag_indices_from(normal)] += 1e-10
    return np.linalg.solve(normal, scaled.T @ target) / scale


@dataclass(frozen=True)
class Interval:
    """Interval of one non-negative parameter from its profile likelihood.

    Attributes
    ----------
    lower, upper : float
        At 95 %; `lower` is 0 and `upper` a limit where it is not resolved.
    resolved : bool
        The lower end is above 0.
    at_zero : float
        How much larger the cost is at 0 than at the minimum.
    """

    lower: float
    upper: float
    resolved: bool
    at_zero: float


def profile_interval(
    objective: Objective, fit: Fit, jacobian: np.ndarray, index: int, u: float
) -> Interval:
    """Interval of a parameter that cannot be negative, by profile likelihood.

    The null hypothesis "it is zero" lies on the bound, where twice the log-likelihood ratio is
    distributed as an even mixture of zero and a chi-square of one degree of freedom. A value well
    above is excluded from above and below, by the chi-square distribution alone: that is the upper
    end, whether zero is excluded or not. A limit from one side only, where it is not, would miss
    values some two standard deviations from zero too often (G. J. Feldman, R. D. Cousins, Phys.
    Rev. D 57 (1998) 3873; from memory).

    Parameters
    ----------
    objective, fit, jacobian
        The problem, its minimum and the Jacobian there.
    index : int
        The parameter; its lower bound is taken for zero.
    u : float
        Its Laplace standard uncertainty, to choose the points to look at.
    """
    zero, top = float(objective.lower[index]), float(objective.upper[index])

    def excess(value: float) -> float:
        near = 0.3 * ONE_SIDED_95
        held = profile_fit(objective, fit, jacobian, index, value, sure_below=near)
        return max(held.cost - fit.cost, 0.0)

    best = float(fit.x[index])
    at_zero = excess(zero) if best > zero else 0.0
    resolved = at_zero > ONE_SIDED_95
    u = u if np.isfinite(u) and u > 0 else 0.05 * max(best - zero, 1e-3)
    upper = _crossing(excess, best, u, top, TWO_SIDED_95)
    if not resolved:
        return Interval(zero, upper, False, at_zero)
    low_threshold = min(TWO_SIDED_95, 0.5 * (at_zero + ONE_SIDED_95))
    lower = _crossing(excess, best, -u, zero, low_threshold)
    return Interval(lower, upper, True, at_zero)


def _crossing(
    excess: Callable[[float], float], start: float, u: float, bound: float, threshold: float
) -> float:
    """Where the excess cost passes the threshold, between `start` and `bound`.

    The root of the excess is close to linear in the parameter: it is 1 a standard uncertainty `u`,
    with the sign of the direction, away from the start.
    """
    root = threshold**0.5
    inner, f_inner = start, 0.0
    outer, step = start, root * u
    for _ in range(40):
        outer = min(outer + step, bound) if u > 0 else max(outer + step, bound)
        f_outer = excess(outer)
        if _is_at(f_outer, threshold):
            return float(outer)
        if f_outer >= threshold:
            break
        if outer == bound:
            return bound
        rise = (f_outer**0.5 - f_inner**0.5) / (outer - inner)
        wanted = _SAFELY * (root - f_outer**0.5) / rise if rise * step > 0 else 2.0 * step
        step = float(np.sign(u)) * min(max(abs(wanted), 0.1 * abs(step)), 2.0 * abs(step))
        inner, f_inner = outer, f_outer
    for _ in range(30):
        a, b = f_inner**0.5, f_outer**0.5
        share = np.clip((root - a) / max(b - a, 1e-12), 0.05, 0.95)
        if f_outer > _FAR * threshold:
            share = 0.5
        middle = inner + share * (outer - inner)
        value = excess(middle)
        if _is_at(value, threshold):
            return float(middle)
        if value < threshold:
            inner, f_inner = middle, value
        else:
            outer, f_outer = middle, value
        if abs(outer - inner) < 1e-6 * (abs(outer) + abs(inner)):
            break
    return float(0.5 * (inner + outer))


def _is_at(excess: float, threshold: float) -> bool:
    return abs(excess - threshold) < 0.04 * threshold
