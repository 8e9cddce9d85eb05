"""Estimation that knows no physics: least squares, covariance, profile likelihood.

The `Objective` is all that this module sees of a problem: residuals of unit variance (priors
included as residuals of their own) as a function of bounded parameters, scaled so that a step of 1
is a sensible one.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

Residuals = Callable[[np.ndarray], np.ndarray]
Jacobian = Callable[[np.ndarray], np.ndarray]

ONE_SIDED_95 = 2.706
"""Threshold of twice the log-likelihood ratio for the null hypothesis at a bound, at 95 % (half a
chi-square distribution of one degree of freedom, half a point mass at 0; H. Chernoff, Ann. Math.
Stat. 25 (1954) 573)."""

TWO_SIDED_95 = 3.841
"""Threshold for an interval at 95 %: chi-square of one degree of freedom."""

Z95 = 1.959964
"""Standard deviations to either end of a 95 % interval of a normal distribution."""

NO_ACCOUNT = 0.01
"""Fall of the sum of squares that does not matter any more.

Derived: of residuals r and their derivatives J, the linear model promises the fall |r|^2 - |r + J
p|^2 by its best step p, which is |J p|^2 at least (and just that, where no bound stops it). J'J is
the inverse of the covariance, so no combination of parameters moves by more than the root of the
promise in its standard uncertainties: 0.1. In quadrature that adds 0.5 % to an uncertainty.
"""

_UNDETERMINED = 1e-9
"""Information of a direction that neither data nor priors fix, as a share of the largest.

With every parameter in units of its own information. It is what differences and rounding leave of a
direction without any.
"""

_SHORTEST = 1e-8  # of the longest column: where a parameter is no longer seen in units of its own
_EVALUATIONS = 60  # of a fit
_ALONG_BOUNDS, _OFF_BOUNDS = 20, 40  # evaluations of each, in turn, where these were not enough
_TURNS = 4
_NEXT_TO_NOTHING = 0.1  # of what is of no account
_MOST_CORRECTIONS = 8  # with one Jacobian
_SAFELY = 1.05  # so far beyond where a line leads a crossing is sought from within
_FAR = 30.0  # thresholds, beyond which an excess is not taken for a parabola


@dataclass(frozen=True)
class Objective:
    """Residuals, their derivatives and bounds.

    Attributes
    ----------
    residuals : callable
        From parameters, shape (P,), to residuals of unit variance, shape (R,); infinite where there
        is no model.
    jacobian : callable
        From parameters to the derivatives of the residuals, shape (R, P).
    lower, upper : ndarray, shape (P,)
        Bounds; may be infinite.
    """

    residuals: Residuals
    jacobian: Jacobian
    lower: np.ndarray
    upper: np.ndarray

    def cost(self, x: np.ndarray) -> float:
        """Twice the negative logarithm of the posterior, up to a constant."""
        r = self.residuals(x)
        return float(r @ r)

    def of_some(self, x: np.ndarray, moved: np.ndarray) -> "Objective":
        """The same with only some of the parameters to move.

        Parameters
        ----------
        x : ndarray, shape (P,)
            Where the others are held.
        moved : ndarray of int
            Which parameters the new objective takes, in this order.
        """

        def whole(part: np.ndarray) -> np.ndarray:
            put = x.copy()
            put[moved] = part
            return put

        return Objective(
            lambda part: self.residuals(whole(part)),
            lambda part: self.jacobian(whole(part))[:, moved],
            self.lower[moved],
            self.upper[moved],
        )


@dataclass(frozen=True)
class Fit:
    """A minimum of an objective.

    Attributes
    ----------
    x : ndarray, shape (P,)
    cost : float
        Sum of squared residuals.
    converged : bool
        Nothing of account (`NO_ACCOUNT`) is left to gain, as far as derivatives tell; of a
        `profile_fit`, also that it was sure to be below what was asked for.
    message : str
        Why it stopped; of one that has not converged, what is left to gain.
    """

    x: np.ndarray
    cost: float
    converged: bool
    message: str


def minimise(
    objective: Objective,
    start: np.ndarray,
    *,
    max_evaluations: int = _EVALUATIONS,
    tolerance: float = 1e-6,
) -> Fit:
    """Minimise the sum of squared residuals within bounds (trust region reflective).

    Parameters
    ----------
    objective : Objective
    start : ndarray, shape (P,)
    max_evaluations : int
        Steps tried; Jacobians come on top.
    tolerance : float
        Relative change of cost and parameters at which it stops.
    """
    return _stepped(objective, start, "trf", max_evaluations, tolerance)


def minimise_patiently(objective: Objective, start: np.ndarray, *, tolerance: float) -> Fit:
    """As `minimise`, but up to five times as many evaluations where there is something to gain.

    Steps of a trust region that keeps off the bounds become short beside one; those of a
    rectangular trust region move along it, but may end at its corners. So they take turns, until
    one gains nothing: the next would be the same.

    Parameters
    ----------
    objective : Objective
    start : ndarray, shape (P,)
    tolerance : float
        Relative change of cost and parameters at which either of them stops.
    """
    fit = minimise(objective, start, tolerance=tolerance)
    for _ in range(_TURNS):
        if fit.converged:
            break
        along = _stepped(objective, fit.x, "dogbox", _ALONG_BOUNDS, tolerance)
        off = _stepped(objective, along.x, "trf", _OFF_BOUNDS, tolerance)
        if off.cost >= fit.cost:
            break
        fit = off
    return fit


def _stepped(
    objective: Objective,
    start: np.ndarray,
    method: Literal["trf", "dogbox"],
    max_evaluations: int,
    tolerance: float,
) -> Fit:
    """Where steps of a trust region lead."""
    if start.size == 0:
        return Fit(start, objective.cost(start), True, "nothing to fit")
    from scipy.optimize import least_squares

    result = least_squares(
        objective.residuals,
        np.clip(start, objective.lower, objective.upper),
        jac=objective.jacobian,
        bounds=(objective.lower, objective.upper),
        method=method,
        x_scale="jac",
        xtol=tolerance,
        ftol=tolerance,
        gtol=1e-10,
        max_nfev=max_evaluations,
    )
    left = promised_fall(
        result.jac, result.fun, objective.lower - result.x, objective.upper - result.x
    )
    converged = left <= NO_ACCOUNT
    message = result.message if converged else f"chi-square would fall by another {left:.2g}"
    return Fit(result.x, float(2.0 * result.cost), converged, message)


def promised_fall(
    jacobian: np.ndarray, residuals: np.ndarray, lower: np.ndarray, upper: np.ndarray
) -> float:
    """By how much the sum of squares would fall within bounds if residuals were linear.

    What is undetermined promises nothing. Its derivatives are rounding, which points anywhere, and
    without bounds a long enough step would take away whatever part of the residuals lies that way.
    So a step s, with every parameter in units of its own information, costs f |s|^2, where f is the
    floor of `curvature`. Derived: along a direction of information v that leaves v / (v + f) of
    the fall, half of it at the floor and all but a thousandth at a thousand times as much; and so
    among those that may move where others stand at their bounds.

    A column that is nothing but rounding would, in units of its own, look like any other. Rounding
    is some ten parts in 1e16 of what derivatives are sums of, and so of the longest column, since a
    step of 1 is sensible for every parameter (`Objective`). In units of 1e-8 of that its
    information is some 1e-14, which leaves 1e-5 of the fall. A column that is short for other
    reasons keeps half of its own down to 3e-13 of the longest.

    Parameters
    ----------
    jacobian : ndarray, shape (R, P)
    residuals : ndarray, shape (R,)
    lower, upper : ndarray, shape (P,)
        Bounds of the step, around 0.

    Returns
    -------
    float
        Infinite where derivatives or residuals are not finite, or the best step is not found.
    """
    from scipy.optimize import lsq_linear

    if not (np.all(np.isfinite(jacobian)) and np.all(np.isfinite(residuals))):
        return np.inf
    across, triangle = np.linalg.qr(jacobian)
    length = np.linalg.norm(triangle, axis=0)
    unit = np.maximum(length, _SHORTEST * np.max(length))
    unit[unit == 0.0] = 1.0
    scaled = triangle / unit
    floor = _UNDETERMINED * max(float(np.linalg.norm(scaled, 2)) ** 2, 1.0)
    inside = across.T @ residuals  # what lies across all columns stays as it is
    best = lsq_linear(
        np.vstack([scaled, floor**0.5 * np.eye(unit.size)]),
        np.append(-inside, np.zeros(unit.size)),
        bounds=(lower * unit, upper * unit),
        method="bvls",
        max_iter=10 * unit.size,
    )
    return float(inside @ inside - 2.0 * best.cost) if best.success else np.inf


@dataclass(frozen=True)
class Curvature:
    """Second-order picture of the posterior at its maximum.

    Attributes
    ----------
    covariance : ndarray, shape (P, P)
        Laplace covariance; infinite variance along directions that nothing fixes.
    undetermined : list of ndarray
        Unit directions (in scaled parameters) that neither data nor priors fix.
    """

    covariance: np.ndarray
    undetermined: list[np.ndarray]


def curvature(jacobian: np.ndarray) -> Curvature:
    """Covariance from a Jacobian of unit-variance residuals.

    A direction whose information is below 1e-9 of the largest, with every parameter in units of its
    own information, is undetermined; it is named, not smoothed over with a pseudo-inverse. So is
    every parameter that has a part in it. That floor is what differences and rounding leave of a
    direction without any information; by first-order perturbation they turn an eigenvector towards
    the k-th firm one by no more than floor / eigenvalue k, and a part within that is none.
    """
    information = jacobian.T @ jacobian
    of_each = np.diag(information)
    scale = np.sqrt(np.where(of_each > 0.0, of_each, 1.0))
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
    floor = _UNDETERMINED * np.max(values, initial=1.0)
    loose = values <= floor
    firm = vectors[:, ~loose] / values[~loose]
    covariance = firm @ vectors[:, ~loose].T / np.outer(scale, scale)
    rounding = floor * np.linalg.norm(firm, axis=1)
    touched = np.any(np.abs(vectors[:, loose]) > rounding[:, None], axis=1)
    covariance[touched, touched] = np.inf
    directions = [vectors[:, i] / scale for i in np.flatnonzero(loose)]
    return Curvature(covariance, [d / np.linalg.norm(d) for d in directions])


@dataclass(frozen=True)
class DataRank:
    """What the data alone say of the parameters.

    Attributes
    ----------
    rank : int
        Number of independent combinations that the data fix better than the priors do.
    resting : list of ndarray
        Unit directions, in units of the priors, that rest on the priors.
    """

    rank: int
    resting: list[np.ndarray]


def data_rank(rows: np.ndarray, count: int, units: np.ndarray) -> DataRank:
    """Rank of the Fisher information of the data, with nuisance parameters marginalised.

    Parameters
    ----------
    rows : ndarray, shape (R, P + L)
        Derivatives of the residuals of the data alone, by parameters and nuisance parameters.
    count : int
        Number P of parameters; the rest is marginalised.
    units : ndarray, shape (P,)
        Standard deviation of each prior, or a sensible step where there is none.
    """
    information = rows.T @ rows
    own, cross = information[:count, :count], information[:count, count:]
    nuisance = information[count:, count:]
    marginal = (own - cross @ pseudo_inverse(nuisance) @ cross.T) * np.outer(units, units)
    values, vectors = np.linalg.eigh(marginal)
    fixed = values > 1.0
    return DataRank(int(fixed.sum()), [vectors[:, i] for i in np.flatnonzero(~fixed)])


def pseudo_inverse(information: np.ndarray) -> np.ndarray:
    """Of an information matrix, with every number in units of its own information.

    What less than 1e-12 of the largest is known of is left out, as if it were held.
    """
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    units = np.outer(scale, scale)
    return np.linalg.pinv(information / units, rcond=1e-12, hermitian=True) / units


def quadratic_form(slope: np.ndarray, covariance: np.ndarray) -> float:
    """Variance of a linear combination; infinite where it touches what nothing fixes."""
    touched = slope != 0
    return float(slope[touched] @ covariance[np.ix_(touched, touched)] @ slope[touched])


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
