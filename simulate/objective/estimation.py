"""Estimation that knows no physics: least squares, and when they have converged.

The `Objective` is all that this module sees of a problem: residuals of unit variance (priors
included as residuals of their own) as a function of bounded parameters, scaled so that a step of 1
is a sensible one.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from craterfront.objective.curvature import UNDETERMINED

Residuals = Callable[[np.ndarray], np.ndarray]
Jacobian = Callable[[np.ndarray], np.ndarray]


Z95 = 1.959964
"""Standard deviations to either end of a 95 % interval of a normal distribution."""

NO_ACCOUNT = 0.01
"""Fall of the sum of squares that does not matter any more.

Derived: of residuals r and their derivatives J, the linear model promises the fall |r|^2 - |r + J
p|^2 by its best step p, which is |J p|^2 at least (and just that, where no bound stops it). J'J is
the inverse of the covariance, so no combination of parameters moves by more than the root of the
promise in its standard uncertainties: 0.1. In quadrature that adds 0.5 % to an uncertainty.
"""


_SHORTEST = 1e-8  # of the longest column: where a parameter is no longer seen in units of its own
_EVALUATIONS = 60  # of a fit
_ALONG_BOUNDS, _OFF_BOUNDS = 20, 40  # evaluations of each, in turn, where these were not enough
_TURNS = 4


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
    floor = UNDETERMINED * max(float(np.linalg.norm(scaled, 2)) ** 2, 1.0)
    inside = across.T @ residuals  # what lies across all columns stays as it is
    best = lsq_linear(
        np.vstack([scaled, floor**0.5 * np.eye(unit.size)]),
        np.append(-inside, np.zeros(unit.size)),
        bounds=(lower * unit, upper * unit),
        method="bvls",
        max_iter=10 * unit.size,
    )
    return float(inside @ inside - 2.0 * best.cost) if best.success else np.inf
