"""Several numbers after an inversion: their values and their joint covariance."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from craterfront.fitting.inversion import Inversion
from craterfront.instruments.instrument_numbers import InstrumentNumber
from craterfront.objective.curvature import pseudo_inverse
from craterfront.objective.joint_prior import Coordinate, SquarePrior, coordinate_of, slope_of

_STOPPED = 1e-6  # of the scale of a square: at its bound
_HARDLY = 1e-3  # of a linear number, per unit of a coordinate that nothing fixes


@dataclass(frozen=True)
class JointPosterior:
    """Normal distribution in stated coordinates.

    Attributes
    ----------
    coordinates : tuple of str
    mean : ndarray, shape (K,)
    covariance : ndarray, shape (K, K)
        Infinite variance of what neither data nor priors fix.
    """

    coordinates: tuple[Coordinate, ...]
    mean: np.ndarray
    covariance: np.ndarray


def joint_posterior(
    inversion: Inversion,
    numbers: Sequence[InstrumentNumber],
    coordinates: Sequence[Coordinate | None],
) -> JointPosterior:
    """Values and covariance of numbers of an inversion.

    Parameters
    ----------
    inversion : Inversion
    numbers : sequence of InstrumentNumber
        Each of which was moved by the fit.
    coordinates : sequence of str or None
        In which they are taken to be normal. None: the square of a width, and of a broadening that
        the data do not tell from zero, else the logarithm of what is positive, else the number
        itself.

    Notes
    -----
    With x the coordinates of the fit and l the linear numbers, which follow x and have a scatter of
    their own about that: the covariance of a number with the derivatives g by x and h by l is
    ``(g + h dl/dx) C (g + h dl/dx)' + h E h'``, C the Laplace covariance of x (spread over
    intervals where a broadening is not resolved; with the exact curvature of what was written of a
    square's root), and E that of l at given x. Where the square of what broadens stopped at zero,
    the mean is where it would have gone: then several measurements of a sharp interface do not add
    up to a wide one.
    """
    chosen = tuple(
        each or _coordinate(inversion, number)
        for number, each in zip(numbers, coordinates, strict=True)
    )
    linear = inversion.solution.linear
    at_fit = np.array(
        [
            coordinate_of(number.value(inversion.values, linear), each)
            for number, each in zip(numbers, chosen, strict=True)
        ]
    )
    slope, own = _derivatives(inversion, numbers, chosen)
    known = np.isfinite(np.diag(inversion.curvature.covariance))
    loose = np.abs(slope[:, ~known]).max(axis=1, initial=0.0) > _HARDLY
    part = slope[:, known]
    fixed = _covariance(inversion)[np.ix_(known, known)]
    covariance = part @ fixed @ part.T + own @ _scatter_of_linear(inversion) @ own.T
    covariance[loose, loose] = np.inf
    mean = at_fit + part @ (fixed @ _pull(inversion)[known])
    return JointPosterior(chosen, mean, covariance)


def _pull(inversion: Inversion) -> np.ndarray:
    """What pulls squares of broadening below zero, where they stopped, shape (P,)."""
    likelihood, objective, x = inversion.likelihood, inversion.objective, inversion.fit.x
    parameters = likelihood.assembly.parameters
    stopped = np.array(
        [
            parameters[index].may_be_zero and x[i] <= objective.lower[i] + _STOPPED
            for i, index in enumerate(likelihood.free)
        ],
        dtype=bool,
    )
    if not stopped.any():
        return np.zeros(x.size)
    downhill = -objective.jacobian(x).T @ objective.residuals(x)
    downhill -= sum(own.more_slope * own.along for own in _priors_of_squares(inversion))
    return np.where(stopped, np.minimum(downhill, 0.0), 0.0)


@dataclass(frozen=True)
class _PriorOfSquare:
    """What the residual of a written prior gets wrong of it, as a function of the square.

    Attributes
    ----------
    along : ndarray, shape (P,)
        Derivative of the square by x.
    more_slope, more_bend : float
        By which the exact slope and curvature by the square exceed those of the residual.
    """

    along: np.ndarray
    more_slope: float
    more_bend: float


def _priors_of_squares(inversion: Inversion) -> list[_PriorOfSquare]:
    """Of all parameters that have a prior of their own and are moved by their squares."""
    likelihood, x = inversion.likelihood, inversion.fit.x
    rows, residuals = likelihood.priors.own_slopes(x), likelihood.priors.own(x)
    chain = likelihood.coordinates.jacobian(x)
    parameters = [likelihood.assembly.parameters[index] for index in likelihood.free]
    own = [i for i, parameter in enumerate(parameters) if parameter.has_own_prior]
    found = []
    for i, row, residual in zip(own, rows, residuals, strict=True):
        p, along = parameters[i], chain[i]
        if p.may_be_zero:
            exact = SquarePrior.at(inversion.values[likelihood.free[i]] ** 2, p.value, p.u)
            slope = float(row @ along) / float(along @ along)
            found.append(
                _PriorOfSquare(along, exact.slope - slope * residual, exact.bend - slope**2)
            )
    return found


def _covariance(inversion: Inversion) -> np.ndarray:
    """Of x, with the exact curvature of what was written of a number by whose square it is moved.

    Adding d g g' to the inverse of C takes C g g' C d / (1 + d g' C g) from it (Sherman-Morrison).
    """
    covariance = inversion.curvature.covariance.copy()
    known = np.isfinite(np.diag(covariance))
    for own in _priors_of_squares(inversion):
        if np.any(own.along[~known]):
            continue
        moved = covariance[np.ix_(known, known)] @ own.along[known]
        left = 1.0 + own.more_bend * float(moved @ own.along[known])
        covariance[np.ix_(known, known)] -= own.more_bend * np.outer(moved, moved) / left
    return covariance


def _coordinate(inversion: Inversion, number: InstrumentNumber) -> Coordinate:
    parameters = inversion.likelihood.assembly.parameters
    for index in number.powers:
        near_zero = inversion.broadening.get(index)
        if parameters[index].kind == "width":
            return "square"
        if near_zero is not None and not near_zero.resolved:
            return "square"
    value = number.value(inversion.values, inversion.solution.linear)
    return number.natural_coordinate(value)


def _derivatives(
    inversion: Inversion, numbers: Sequence[InstrumentNumber], coordinates: Sequence[Coordinate]
) -> tuple[np.ndarray, np.ndarray]:
    """Of the numbers in their coordinates: by x, and by the linear numbers that move, at given x.

    Returns
    -------
    slope : ndarray, shape (K, P)
        With the linear numbers following x.
    own : ndarray, shape (K, L)
    """
    likelihood, solution = inversion.likelihood, inversion.solution
    moving = likelihood.moving_linear(solution)
    slope = np.zeros((len(numbers), len(likelihood.free)))
    own = np.zeros((len(numbers), len(moving)))
    following = _following(inversion) if any(n.linear is not None for n in numbers) else None
    for k, (number, each) in enumerate(zip(numbers, coordinates, strict=True)):
        if number.linear is not None and following is not None:
            by_number = slope_of(solution.linear[number.linear], each)
            slope[k] = by_number * following[number.linear]
            own[k] = by_number * (np.array(moving) == number.linear)
        else:
            slope[k] = _slope(inversion, number, each)
    return slope, own


def _slope(inversion: Inversion, number: InstrumentNumber, coordinate: Coordinate) -> np.ndarray:
    """Derivative of a product of parameters, in its coordinate, by x."""
    coordinates, values = inversion.likelihood.coordinates, inversion.values
    free = inversion.likelihood.free
    powers = {index: power for index, power in number.powers.items() if index in free}
    if coordinate == "square":
        (index,) = powers
        return coordinates.jacobian(inversion.fit.x)[free.index(index)]
    relative = sum(
        (power * coordinates.gradient(index, values) / values[index])
        for index, power in powers.items()
        if coordinate == "logarithm"
    )
    if coordinate == "logarithm":
        return np.asarray(relative) + np.zeros(len(free))
    (index,) = powers
    return coordinates.gradient(index, values)


def _following(inversion: Inversion) -> np.ndarray:
    """Derivatives of all linear numbers, which follow x, by x, shape (Q, P)."""
    own, linear = _rows(inversion)
    following = np.zeros((inversion.solution.linear.size, own.shape[1]))
    moving = inversion.likelihood.moving_linear(inversion.solution)
    following[moving] = -_scatter_of_linear(inversion) @ (linear.T @ own)
    return following


def _scatter_of_linear(inversion: Inversion) -> np.ndarray:
    """Covariance of the linear numbers that move, at given x, shape (L, L)."""
    _, rows = _rows(inversion)
    return pseudo_inverse(rows.T @ rows)


def _rows(inversion: Inversion) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives of the residuals by the coordinates, and by the linear numbers that move."""
    count = len(inversion.likelihood.free)
    return inversion.jacobian[:, :count], inversion.jacobian[:, count:]
