"""The extended logistic function for the signal across an interface (ASTM E1636).

    y = [A + As d] / (1 + exp(u)) + [B + Bs d] / (1 + exp(-u)),   d = x - midpoint,
    u = d / D,   D = 2 half_width / (1 + exp(asymmetry d))

A and B are the plateaus before and after the interface, As and Bs their slopes. The forms of D and
of the slopes are given from memory of the standard; the base form and the meaning of the three
shape parameters are those of W. H. Kirchhoff, G. P. Chambers, J. Fine, J. Vac. Sci. Technol. A 4
(1986) 1666. The abscissa may be a depth, a time or a dose: it is called x and has no unit here.
"""

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import expit

from craterfront.models.measurands.curve_fitting import (
    Array,
    Model,
    Noise,
    checked_curve,
    fit_curve,
    uncertainty,
)
from craterfront.models.measurands.resolution import (
    EXACT_LEVELS,
    NOMINAL_LEVELS,
    check_levels,
    level_width,
    outer_medians,
)
from craterfront.models.validity import check_positive

# exp() of more than this changes nothing that a double can show, and its square is still finite.
_LARGEST_EXPONENT = 300.0
_LARGEST_ASYMMETRY = 20.0


class LogisticParameters(NamedTuple):
    """Parameters of the extended logistic function, in the order of its arguments.

    `midpoint` and `half_width` have the unit of x, `asymmetry` its inverse, the plateaus `a`
    (before) and `b` (after) the unit of the signal, the slopes signal per x.
    """

    midpoint: float
    half_width: float
    asymmetry: float
    a: float
    b: float
    a_slope: float
    b_slope: float


def _check_shape(half_width: float, asymmetry: float) -> None:
    check_positive("half_width", half_width)
    if not math.isfinite(asymmetry):
        raise ValueError(f"asymmetry: must be finite, got {asymmetry}")


def logistic_edge(
    x: ArrayLike,
    midpoint: float,
    half_width: float,
    asymmetry: float = 0.0,
    a: float = 0.0,
    b: float = 1.0,
    a_slope: float = 0.0,
    b_slope: float = 0.0,
) -> Array:
    """Extended logistic function, safe from overflow for every asymmetry.

    Parameters
    ----------
    x : array_like
        Depth, time or dose.
    midpoint : float
        Where the signal is half-way between the two plateaus [x].
    half_width : float
        Width parameter D0 [x], > 0. Without asymmetry the edge is 3.3365 D0 wide between the exact
        levels.
    asymmetry : float
        Q [1/x]. With Q > 0 the edge is drawn out before the midpoint, with Q < 0 behind it.
    a, b : float
        Plateaus before and after the edge.
    a_slope, b_slope : float
        Slopes of the plateaus [signal per x].

    Returns
    -------
    ndarray
        Signal, with the shape of `x`.

    Raises
    ------
    ValueError
        If `half_width` is not positive or `asymmetry` not finite.

    References
    ----------
    ASTM E1636 (form of the asymmetry and slopes from memory); Kirchhoff, Chambers, Fine, J. Vac.
    Sci. Technol. A 4 (1986) 1666.
    """
    _check_shape(half_width, asymmetry)
    distance = np.asarray(x, float) - midpoint
    stretch = 1 + np.exp(np.clip(asymmetry * distance, None, _LARGEST_EXPONENT))
    argument = distance * stretch / (2 * half_width)
    before, after = expit(-argument), expit(argument)
    return (a + a_slope * distance) * before + (b + b_slope * distance) * after


def _logistic_jacobian(distance: Array, p: Array) -> Array:
    """Derivatives of `logistic_edge` by its seven parameters, shape (n, 7)."""
    _, half_width, asymmetry, a, b, a_slope, b_slope = p
    grown = np.exp(np.clip(asymmetry * distance, None, _LARGEST_EXPONENT))
    argument = distance * (1 + grown) / (2 * half_width)
    before, after = expit(-argument), expit(argument)
    by_argument = (b - a + (b_slope - a_slope) * distance) * before * after
    by_distance = by_argument * (1 + grown * (1 + asymmetry * distance)) / (2 * half_width)
    return np.column_stack(
        [
            -by_distance - a_slope * before - b_slope * after,
            -by_argument * argument / half_width,
            by_argument * distance**2 * grown / (2 * half_width),
            before,
            after,
            distance * before,
            distance * after,
        ]
    )


def logistic_width(
    half_width: float,
    asymmetry: float = 0.0,
    low: float = EXACT_LEVELS[0],
    high: float = EXACT_LEVELS[1],
) -> float:
    """Width of the extended logistic function between two levels, plateau slopes left out.

    Parameters
    ----------
    half_width : float
        D0 [x], > 0.
    asymmetry : float
        Q [1/x].
    low, high : float
        Levels of the part that changes from 0 to 1, 0 < low < high < 1.

    Returns
    -------
    float
        Width [x]; D0 * ln[high (1 - low) / (low (1 - high))] for Q = 0.

    Raises
    ------
    ValueError
        If an argument is out of range.
    """
    _check_shape(half_width, asymmetry)
    check_levels(low, high)
    product = asymmetry * half_width
    return half_width * (_reduced_level(product, high) - _reduced_level(product, low))


def _logit(level: float) -> float:
    return math.log(level / (1 - level))


def _reduced_level(product: float, level: float) -> float:
    """Distance of a level from the midpoint over D0: the root s of s (1 + exp(Q D0 s))/2 = t."""
    target = _logit(level)
    if product == 0 or target == 0:
        return target

    def excess(s: float) -> float:
        return s * (1 + math.exp(min(product * s, _LARGEST_EXPONENT))) / 2 - target

    # The left side increases with s for every Q D0 and at s = 2 t it lies beyond t.
    root: Any = brentq(excess, min(0.0, 2 * target), max(0.0, 2 * target), xtol=1e-15)
    return float(root)


def _width_gradient(half_width: float, asymmetry: float, low: float, high: float) -> Array:
    """Derivatives of the width with respect to half_width and asymmetry, shape (2,)."""
    product = asymmetry * half_width

    def slope(level: float) -> float:
        # Implicit derivative of the root s with respect to Q D0.
        s = _reduced_level(product, level)
        grown = math.exp(min(product * s, _LARGEST_EXPONENT))
        return -(s**2) * grown / (1 + grown * (1 + product * s))

    by_product = slope(high) - slope(low)
    width = logistic_width(half_width, asymmetry, low, high)
    return np.array([width / half_width + product * by_product, half_width**2 * by_product])


@dataclass(frozen=True)
class LogisticFit:
    """Extended logistic function fitted to a measured edge.

    Attributes
    ----------
    parameters, u : LogisticParameters
        Values and standard uncertainties.
    covariance : ndarray, shape (7, 7)
        In the order of `LogisticParameters`.
    width, u_width : float
        Width between the exact levels (two standard deviations of a Gaussian edge) and its
        standard uncertainty [x].
    width_nominal, u_width_nominal : float
        The same between 16 and 84 %.
    residual_scale : float
        Root mean square of the weighted residuals: about 1 if the noise was given and explains
        them; in units of the signal if nothing was given.
    correlation_factor : float
        Integrated autocorrelation of the residuals, at least 1, contained in the covariance.
    at_limit : bool
        Whether half-width or asymmetry ended at the limit of its range: then the edge is narrower
        than the points can tell, or not of this shape, and the uncertainties mean little.
    """

    parameters: LogisticParameters
    u: LogisticParameters
    covariance: Array
    width: float
    u_width: float
    width_nominal: float
    u_width_nominal: float
    residual_scale: float
    correlation_factor: float
    at_limit: bool


def fit_logistic_edge(
    x: ArrayLike,
    y: ArrayLike,
    u: ArrayLike | None = None,
    poisson_scale: float | None = None,
) -> LogisticFit:
    """Fit the extended logistic function to a rising or falling edge.

    Parameters
    ----------
    x : array_like, shape (n,)
        Depth, time or dose, strictly increasing, n >= 10; the window should hold one edge and both
        plateaus.
    y : array_like, shape (n,)
        Signal.
    u : array_like, scalar or shape (n,), optional
        Standard uncertainty of the points.
    poisson_scale : float, optional
        Variance per unit of signal, for a counted signal (1 for plain counts). The variance then
        follows the fitted curve. Without `u` and `poisson_scale` the noise is taken as constant and
        its size from the residuals.

    Returns
    -------
    LogisticFit
        The uncertainties include residuals that are larger than the stated noise or correlated,
        see `craterfront.models.measurands.curve_fitting`.

    Warns
    -----
    UserWarning
        If the fit did not converge; its uncertainties are then unreliable.

    Raises
    ------
    ValueError
        If the input is unusable or shows no edge.

    References
    ----------
    ASTM E1636; uncertainties of derived quantities by JCGM 100 (GUM), 5.1.
    """
    x, y, u = checked_curve(x, y, u, at_least=10)
    noise = Noise(u=u, poisson_scale=poisson_scale)
    a, b = outer_medians(y)
    rough = level_width(x, y, 0.25, 0.75, plateaus=(a, b))
    spacing = float(np.median(np.diff(x)))
    length = max(rough.width / (2 * _logit(0.75)), 0.2 * spacing)
    change = abs(b - a)

    origin = rough.midpoint
    scale = np.array([length, length, 1 / length, change, change, *2 * [change / np.ptp(x)]])
    start = np.array([0.0, length, 0.0, a, b, 0.0, 0.0])
    low, high = np.full(7, -np.inf), np.full(7, np.inf)
    low[0], high[0] = x[0] - origin, x[-1] - origin
    low[1], high[1] = 0.01 * min(spacing, length), 10 * np.ptp(x)
    low[2], high[2] = -_LARGEST_ASYMMETRY / length, _LARGEST_ASYMMETRY / length
    model = Model(
        lambda p: logistic_edge(x - origin, *p),
        lambda p: _logistic_jacobian(x - origin - p[0], p),
        scale,
        low,
        high,
    )
    fit = fit_curve(model, start, y, noise)
    spread = uncertainty(fit, np.ones(7, bool), noise.known)
    parameters = LogisticParameters(*(fit.parameters + origin * np.eye(7)[0]).tolist())
    shape = (parameters.half_width, parameters.asymmetry)

    def width(levels: tuple[float, float]) -> tuple[float, float]:
        gradient = _width_gradient(*shape, *levels)
        variance = float(gradient @ spread.covariance[1:3, 1:3] @ gradient)
        return logistic_width(*shape, *levels), math.sqrt(variance)

    limits = np.concatenate([fit.parameters[1:3] - low[1:3], high[1:3] - fit.parameters[1:3]])
    return LogisticFit(
        parameters,
        LogisticParameters(*np.sqrt(np.diag(spread.covariance)).tolist()),
        spread.covariance,
        *width(EXACT_LEVELS),
        *width(NOMINAL_LEVELS),
        spread.residual_scale,
        spread.correlation_factor,
        bool(np.any(limits < 1e-3 * np.tile(scale[1:3], 2))),
    )
