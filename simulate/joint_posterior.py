"""Several numbers after an inversion: their values and their joint covariance."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from craterfront.instrument_numbers import InstrumentNumber
from craterfront.inversion import Inversion
from craterfront.joint_prior import Coordinate, coordinate_of, slope_of

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
        In which they are taken to be normal. None: the square of a broadening that the data do not
        tell from zero, else the logarithm of what is positive, else the number itself.

    Notes
    -----
    With x the coordinates of the fit and l the linear numbers, which follow x and have a scatter of
    their own about that: the covariance of a number with the derivatives g by x and h by l is
    ``(g + h dl/dx) C (g + h dl/dx)' + h E h'``, C the Laplace covariance of x (spread over
    intervals where a broadening is not resolved), and E that of l at given x. Where the square of a
    width stopped at zero, the mean is where it would have gone: then several measurements of a
    sharp interface do not add up to a wide one.
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
    fixed = inversion.curvature.covariance[np.ix_(known, known)]
    covariance = part @ fixed @ part.T + own @ _scatter_of_linear(inversion) @ own.T
    covariance[loose, loose] = np.inf
    mean = at_fit + part @ (fixed @ _pull(inversion)[known])
    return JointPosterior(chosen, mean, covariance)


def _pull(inversion: Inversion) -> np.ndarray:
    """What pulls squares of widths below zero, where they stopped, shape (P,)."""
    likelihood, objective, x = inversion.likelihood, inversion.objective, inversion.fit.x
    parameters = likelihood.assembly.parameters
    stopped = np.array(
        [
            parameters[index].kind == "width" and x[i] <= objective.lower[i] + _STOPPED
            for i, index in enumerate(likelihood.free)
        ],
        dtype=bool,
    )
    if not stopped.any():
        return np.zeros(x.size)
    downhill = -objective.jacobian(x).T @ objective.residuals(x)
    return np.where(stopped, np.minimum(downhill, 0.0), 0.0)


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
    information = rows.T @ rows
    size = np.sqrt(np.maximum(np.diag(information), 1e-300))
    inverse = np.linalg.pinv(information / np.outer(size, size), rcond=1e-12, hermitian=True)
    return inverse / np.outer(size, size)


def _rows(inversion: Inversion) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives of the residuals by the coordinates, and by the linear numbers that move."""
    count = len(inversion.likelihood.free)
    return inversion.jacobian[:, :count], inversion.jacobian[:, count:]
