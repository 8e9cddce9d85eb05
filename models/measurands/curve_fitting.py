"""Least squares for a measured curve: bounds, counting noise, correlated residuals.

The abscissa of a depth profile may be a depth, a time or an ion dose, so nothing here has a unit.

Noise. The variance of a counted signal follows its expectation, so it is taken from the smooth
current model and renewed until it stands still. Weights from the data themselves would favour the
points that happen to lie low.

Uncertainty. The covariance is the inverse curvature, multiplied by two factors. One is the mean
square of the weighted residuals, over the whole curve or over the stretch that determines the
parameters, whichever is larger: a long flat baseline must not hide a misfit of the peak. The other
is the integrated autocorrelation of the residuals, at least 1: neighbouring points that err
together count as fewer points.
"""

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from craterfront.models.validity import check_positive

Array = NDArray[np.float64]

_MAX_REWEIGHTINGS = 20
_MAX_EVALUATIONS = 100
_EXACT = 1e-7  # relative misfit that no measurement would show
# Smallest signal, as a share of the largest, whose counting noise is believed.
_DYNAMIC_RANGE = 1e-6


def checked_curve(
    x: ArrayLike, y: ArrayLike, u: ArrayLike | None = None, at_least: int = 5
) -> tuple[Array, Array, Array | None]:
    """Check a measured curve and return it as arrays.

    Parameters
    ----------
    x : array_like, shape (n,)
        Abscissa, strictly increasing.
    y : array_like, shape (n,)
        Signal.
    u : array_like, scalar or shape (n,), optional
        Standard uncertainty of each point, above zero.
    at_least : int
        Number of points needed.

    Returns
    -------
    tuple
        `x`, `y` and `u` (or None), each of shape (n,).

    Raises
    ------
    ValueError
        If lengths differ, points are too few, not finite or out of order, or `u` is not positive.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"x and y: must be rows of equal length, got shapes {x.shape}, {y.shape}")
    if x.size < at_least:
        raise ValueError(f"x: must have at least {at_least} points, got {x.size}")
    if u is not None:
        u = np.asarray(u, float)
        if u.shape not in ((), x.shape):
            raise ValueError(f"u: must be one number or have the shape {x.shape}, got {u.shape}")
        u = np.full(x.shape, u) if u.ndim == 0 else u
        _refuse("u: must be > 0", u, ~(u > 0))
    for name, values in (("x", x), ("y", y), ("u", u)):
        if values is not None:
            _refuse(f"{name}: must be finite", values, ~np.isfinite(values))
    _refuse("x: must increase", x, np.append(False, np.diff(x) <= 0))
    return x, y, u


def _refuse(rule: str, values: Array, bad: NDArray[np.bool_]) -> None:
    if bad.any():
        first = int(np.argmax(bad))
        raise ValueError(f"{rule}, point {first + 1} is {values[first]}")


@dataclass(frozen=True)
class Noise:
    """What is known of the noise of a curve: give at most one of the three.

    Attributes
    ----------
    u : ndarray, shape (n,), optional
        Standard uncertainty of each point.
    poisson_scale : float, optional
        Variance per unit of signal of a counted signal: 1 for plain counts, 1/(dt * c) for a rate
        whose unit makes c counts per second in intervals of dt.
    counting : bool
        Counted signal of unknown `poisson_scale`, estimated from the point-to-point scatter.

    With none of them the noise is constant and of unknown size.
    """

    u: Array | None = None
    poisson_scale: float | None = None
    counting: bool = False

    def __post_init__(self) -> None:
        if self.u is not None and self.poisson_scale is not None:
            raise ValueError("u and poisson_scale: give one of them, not both")
        if self.poisson_scale is not None:
            check_positive("poisson_scale", self.poisson_scale)

    @property
    def known(self) -> bool:
        """Whether the size of the noise is given."""
        return self.u is not None or self.poisson_scale is not None

    def scale(self, y: Array, fitted: Array) -> float | None:
        """Variance per unit of a counted signal, given or estimated; None for other noise."""
        if self.poisson_scale is None and self.counting:
            return counting_scale(y, fitted)
        return self.poisson_scale

    def variance(self, y: Array, fitted: Array) -> Array:
        """Variance of each point, shape (n,), by the smooth model `fitted`, not by the data."""
        if self.u is not None:
            return self.u**2
        scale = self.scale(y, fitted)
        if scale is None:
            return np.ones_like(y)
        # Below one count the Poisson law is no guide to the weight of a point.
        return scale * np.maximum(fitted, max(scale, _DYNAMIC_RANGE * float(fitted.max())))


def counting_scale(y: Array, fitted: Array) -> float:
    """Variance per unit of signal, from second differences of the residuals.

    A slow misfit cancels in the differences, so only the point-to-point scatter is seen.

    Parameters
    ----------
    y, fitted : ndarray, shape (n,)
        Measured and modelled signal, evenly or smoothly sampled.

    Returns
    -------
    float
        Ratio of the summed squared differences and of their expected sum for unit scale; above
        zero even for exact data.
    """
    scatter = float(np.sum(np.diff(y - fitted, n=2) ** 2))
    signal = np.maximum(fitted, 0.0)
    expected = float(np.sum(signal[:-2] + 4 * signal[1:-1] + signal[2:]))
    least = _EXACT**2 * float(np.abs(fitted).max()) or 1.0
    return max(scatter / expected if expected > 0 else 0.0, least)


@dataclass(frozen=True)
class Model:
    """Curve with p parameters at n points.

    Attributes
    ----------
    curve : callable
        Parameters of shape (p,) to the curve of shape (n,).
    jacobian : callable
        Parameters of shape (p,) to the derivatives of shape (n, p).
    scale, low, high : ndarray, shape (p,)
        Typical size of each parameter and its bounds.
    """

    curve: Callable[[Array], Array]
    jacobian: Callable[[Array], Array]
    scale: Array
    low: Array
    high: Array

    def with_held(self, index: int, value: float) -> "Model":
        """The model of the other parameters, with one held at a value."""
        return Model(
            lambda p: self.curve(np.insert(p, index, value)),
            lambda p: np.delete(self.jacobian(np.insert(p, index, value)), index, axis=1),
            *(np.delete(row, index) for row in (self.scale, self.low, self.high)),
        )


@dataclass(frozen=True)
class CurveFit:
    """Parameters that minimise the weighted sum of squares.

    Attributes
    ----------
    parameters : ndarray, shape (p,)
    jacobian : ndarray, shape (n, p)
        Derivatives of the weighted model.
    residuals : ndarray, shape (n,)
        Weighted: (measured - model) / standard deviation.
    deviation : ndarray, shape (n,)
        Standard deviation used for each point.
    converged : bool
    """

    parameters: Array
    jacobian: Array
    residuals: Array
    deviation: Array
    converged: bool

    @property
    def sum_of_squares(self) -> float:
        """Weighted sum of squared residuals."""
        return float(self.residuals @ self.residuals)


def fit_curve(model: Model, start: Array, y: Array, noise: Noise) -> CurveFit:
    """Fit a model, renewing the variances from the model until they stand still.

    Parameters
    ----------
    model : Model
    start : ndarray, shape (p,)
        Starting values.
    y : ndarray, shape (n,)
        Measured curve.
    noise : Noise
        What is known of the noise.

    Returns
    -------
    CurveFit
    """
    deviation = np.ones_like(y) if noise.u is None else noise.u
    fit = fit_weighted(model, start, y, deviation)
    for _ in range(_MAX_REWEIGHTINGS):
        renewed = np.sqrt(noise.variance(y, model.curve(fit.parameters)))
        if not fit.converged or np.allclose(renewed, deviation, rtol=1e-5, atol=0.0):
            break
        deviation = renewed
        fit = fit_weighted(model, fit.parameters, y, deviation)
    if not fit.converged:
        warnings.warn(f"no convergence after {_MAX_EVALUATIONS} evaluations", stacklevel=3)
    return fit


def fit_weighted(model: Model, start: Array, y: Array, deviation: Array) -> CurveFit:
    """Fit a model with fixed standard deviations of shape (n,); otherwise as `fit_curve`."""
    low, high = model.low / model.scale, model.high / model.scale
    begin = np.clip(start / model.scale, low, high)

    def residuals(parameters: Array) -> Array:
        return (model.curve(parameters * model.scale) - y) / deviation

    # Residuals of unit size at the start, so that no tolerance depends on the unit of the signal.
    size = float(np.linalg.norm(residuals(begin))) or 1.0
    result = least_squares(
        lambda p: residuals(p) / size,
        begin,
        jac=lambda p: model.jacobian(p * model.scale) * model.scale / (deviation * size)[:, None],
        bounds=(low, high),
        ftol=1e-8,
        xtol=1e-8,
        gtol=1e-15,
        max_nfev=_MAX_EVALUATIONS,
    )
    # An exact fit has no minimum to settle in but may be improved without end.
    exact = size * np.linalg.norm(result.fun) <= _EXACT * np.linalg.norm(y / deviation)
    return CurveFit(
        result.x * model.scale,
        result.jac * size / model.scale,
        -result.fun * size,
        deviation,
        bool(result.status > 0 or exact),
    )


@dataclass(frozen=True)
class Uncertainty:
    """Covariance of fitted parameters and the two factors in it.

    Attributes
    ----------
    covariance : ndarray, shape (p, p)
        Zero in the rows and columns of held parameters.
    residual_scale : float
        Root mean square of the weighted residuals: 1 if the noise was known and explains them.
    correlation_factor : float
        Integrated autocorrelation of the residuals, at least 1.
    inflation : float
        Factor by which the inverse curvature was multiplied.
    """

    covariance: Array
    residual_scale: float
    correlation_factor: float
    inflation: float


def uncertainty(fit: CurveFit, free: NDArray[np.bool_], known_noise: bool) -> Uncertainty:
    """Covariance of the parameters of a fit.

    Parameters
    ----------
    fit : CurveFit
    free : ndarray of bool, shape (p,)
        Parameters that vary; the others are held where they are.
    known_noise : bool
        Whether the standard deviations were given. Then the residuals can only widen the answer;
        otherwise they set its size.

    Returns
    -------
    Uncertainty

    Raises
    ------
    ValueError
        If there are no more points than free parameters.
    """
    count, total = int(free.sum()), fit.residuals.size
    if total <= count:
        raise ValueError(f"{count} parameters need more than {count} points, got {total}")
    jacobian = fit.jacobian[:, free]
    norms = np.linalg.norm(jacobian, axis=0)
    tiny = np.finfo(float).eps
    norms = np.maximum(norms, tiny * (norms.max() or 1.0))
    left, singular, right = np.linalg.svd(jacobian / norms, full_matrices=False)
    # A direction that the data do not fix gets a huge variance, not none.
    singular = np.maximum(singular, tiny)
    root = right.T / singular / norms[:, None]
    leverage = np.sum(left**2, axis=1)
    informative = fit.residuals * np.sqrt(leverage)
    mean_square = max(
        fit.sum_of_squares / (total - count),
        float(informative @ informative / max(np.sum(leverage * (1 - leverage)), 1e-6 * count)),
    )
    correlation = correlation_factor(informative)
    inflation = correlation * (max(mean_square, 1.0) if known_noise else mean_square)
    covariance = np.zeros((free.size, free.size))
    covariance[np.ix_(free, free)] = inflation * root @ root.T
    return Uncertainty(covariance, float(np.sqrt(mean_square)), correlation, inflation)


def correlation_factor(residuals: Array) -> float:
    """Integrated autocorrelation of residuals: the number of points that err as one.

    The factor is 1 + 2 * (sum of the autocorrelations up to the first that is not positive).

    Parameters
    ----------
    residuals : ndarray, shape (n,)

    Returns
    -------
    float
        At least 1; close to 1 for independent residuals.
    """
    size = residuals.size
    spectrum = np.abs(np.fft.rfft(residuals, 2 * size)) ** 2
    covariance = np.fft.irfft(spectrum, 2 * size)[:size]
    if not covariance[0] > 0:
        return 1.0
    correlation = covariance / covariance[0]
    end = int(np.argmax(correlation <= 0)) or size
    return 1.0 + 2.0 * float(np.sum(correlation[1:end]))
