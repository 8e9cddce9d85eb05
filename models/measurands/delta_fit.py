"""Fit of the delta-layer response to a measured peak.

The fit works with the mean of the response instead of its centre. About a fixed mean the signal
depends on each of the three lengths through its square, to lowest order, so a length may pass
through zero and its absolute value counts: no bound at zero stops the search.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from craterfront.models.measurands.curve_fitting import (
    Array,
    CurveFit,
    Model,
    Noise,
    checked_curve,
    fit_curve,
    fit_weighted,
    uncertainty,
)
from craterfront.models.measurands.delta_response import (
    delta_derivatives,
    delta_edge_width,
    delta_fwhm,
    delta_response,
)
from craterfront.models.measurands.near_zero import Excursion, excursion

_LENGTHS = slice(2, 5)


class DeltaParameters(NamedTuple):
    """Parameters of a measured delta response.

    `area` has the unit of signal times x, `background` that of the signal; `centre`, `leading`,
    `trailing` and `sigma` are those of `delta_response`, in the unit of x.
    """

    area: float
    centre: float
    leading: float
    trailing: float
    sigma: float
    background: float


@dataclass(frozen=True)
class DeltaFit:
    """Delta response fitted to a measured peak.

    Attributes
    ----------
    parameters, u : DeltaParameters
        Values and standard uncertainties.
    covariance : ndarray, shape (6, 6)
        In the order of `DeltaParameters`; the background's row is zero if it was not fitted.
    upper_limits : dict
        One-sided 95 % upper limits of those lengths that the data cannot tell from zero (name to
        limit); at most the width of the window.
    fwhm, u_fwhm : float
        Full width at half maximum of the fitted response and its standard uncertainty [x].
    edge_width, u_edge_width : float
        Width of the cumulated response between the exact levels (two standard deviations if it
        were Gaussian), and its standard uncertainty [x].
    residual_scale : float
        Root mean square of the weighted residuals, about 1 if the noise explains them.
    correlation_factor : float
        Integrated autocorrelation of the residuals, at least 1, contained in the covariance.
    poisson_scale : float or None
        Variance per unit of signal, given or estimated; None if `u` was given.
    """

    parameters: DeltaParameters
    u: DeltaParameters
    covariance: Array
    upper_limits: dict[str, float]
    fwhm: float
    u_fwhm: float
    edge_width: float
    u_edge_width: float
    residual_scale: float
    correlation_factor: float
    poisson_scale: float | None


def fit_delta_response(
    x: ArrayLike,
    y: ArrayLike,
    u: ArrayLike | None = None,
    background: bool = True,
    *,
    poisson_scale: float | None = None,
    window: tuple[float, float] | None = None,
) -> DeltaFit:
    """Fit area, position, decay lengths, Gaussian broadening and background of one peak.

    Parameters
    ----------
    x : array_like, shape (n,)
        Depth, time or dose, strictly increasing.
    y : array_like, shape (n,)
        Signal with one peak that rises above the rest.
    u : array_like, scalar or shape (n,), optional
        Standard uncertainty of the points. Without it the signal is taken as counted: the variance
        is proportional to the fitted curve.
    background : bool
        Whether to fit a constant background; otherwise it is zero.
    poisson_scale : float, optional
        Variance per unit of signal (1 for plain counts). By default estimated from the scatter
        from point to point.
    window : tuple of float, optional
        Use only points with window[0] <= x <= window[1].

    Returns
    -------
    DeltaFit
        The uncertainties include residuals that are larger than the noise or correlated, see
        `craterfront.models.measurands.curve_fitting`. They cannot make up for a peak of another
        shape, such as one with two different decays: a `residual_scale` well above 1 (with known
        noise) or a `correlation_factor` of several tells of it.

    Warns
    -----
    UserWarning
        If the fit did not converge; its uncertainties are then unreliable.

    Raises
    ------
    ValueError
        If the input is unusable, the window holds fewer than 10 points, or there is no peak.

    References
    ----------
    ISO 20341:2003 (parameters); S. G. Self, K.-Y. Liang, J. Am. Stat. Assoc. 82 (1987) 605
    (likelihood ratio at a boundary, from memory).
    """
    x, y, u = _windowed(*checked_curve(x, y, u), window)
    noise = Noise(u=u, poisson_scale=poisson_scale, counting=u is None)
    outline = _outline(x, y, background)
    model = _model(x, outline, background)
    deviation = np.ones_like(y) if u is None else u
    tries = [fit_weighted(model, s, y, deviation) for s in _starts(outline, background)]
    nearest = min(tries, key=lambda fit: fit.sum_of_squares).parameters
    fit = _upright(fit_curve(model, nearest, y, noise))
    return _report(model, fit, outline.peak, y, noise)


def _windowed(
    x: Array, y: Array, u: Array | None, window: tuple[float, float] | None
) -> tuple[Array, Array, Array | None]:
    low, high = (-np.inf, np.inf) if window is None else window
    if not low < high:
        raise ValueError(f"window: must be (lower, upper), got {window}")
    inside = (x >= low) & (x <= high)
    if inside.sum() < 10:
        raise ValueError(f"window: must hold at least 10 points, got {inside.sum()}")
    return x[inside], y[inside], None if u is None else u[inside]


@dataclass(frozen=True)
class _Outline:
    """A peak by inspection: position, half widths at half maximum, height, background."""

    peak: float
    before: float
    after: float
    height: float
    base: float


def _outline(x: Array, y: Array, background: bool) -> _Outline:
    # A running mean over three points keeps one stray point from making the peak.
    smooth = np.convolve(np.pad(y, 1, mode="edge"), np.full(3, 1 / 3), mode="valid")
    top = int(np.argmax(smooth))
    base = float(np.quantile(y, 0.1)) if background else 0.0
    height = float(smooth[top]) - base
    if not height > 0:
        raise ValueError(f"y: shows no peak, largest {smooth[top]:.6g} and background {base:.6g}")
    low = smooth < base + height / 2
    left = int(np.flatnonzero(low[:top])[-1]) if low[:top].any() else 0
    right = top + int(np.argmax(low[top:])) if low[top:].any() else x.size - 1
    spacing = float(np.median(np.diff(x)))
    before, after = max(x[top] - x[left], spacing), max(x[right] - x[top], spacing)
    return _Outline(float(x[top]), float(before), float(after), height, base)


def _model(x: Array, outline: _Outline, background: bool) -> Model:
    """Model of (area, mean, leading, trailing, sigma[, background]), mean counted from the peak."""

    def natural(p: Array) -> tuple[float, float, float, float]:
        leading, trailing, sigma = np.abs(p[_LENGTHS]).tolist()
        return outline.peak + float(p[1]) + leading - trailing, leading, trailing, sigma

    def curve(p: Array) -> Array:
        signal = p[0] * delta_response(x, *natural(p))
        return signal + p[5] if background else signal

    def jacobian(p: Array) -> Array:
        centre, leading, trailing, sigma = p[0] * delta_derivatives(x, *natural(p))
        sign = np.where(p[_LENGTHS] < 0, -1.0, 1.0)
        lengths = (leading + centre, trailing - centre, sigma) * sign[:, None]
        rows = [delta_response(x, *natural(p)), centre, *lengths, np.ones_like(x)]
        return np.column_stack(rows[: p.size])

    width, span = outline.before + outline.after, float(np.ptp(x))
    height = outline.height
    scale = np.array([height * width, width, width, width, width, height])
    high = np.array([np.inf, span, span, span, span, np.inf])
    low = np.append(0.0, -high[1:])
    size = 6 if background else 5
    return Model(curve, jacobian, scale[:size], low[:size], high[:size])


def _starts(outline: _Outline, background: bool) -> list[Array]:
    """Two starting points: mainly Gaussian, mainly exponential."""
    before, after = outline.before, outline.after
    width = before + after
    shapes = [
        (0.2 * width, 0.2 * width, 0.35 * width),
        (before, after, 0.3 * min(before, after)),
    ]
    size = 6 if background else 5
    return [
        np.array([outline.height * width, shape[1] - shape[0], *shape, outline.base])[:size]
        for shape in shapes
    ]


def _upright(fit: CurveFit) -> CurveFit:
    """The same fit with its lengths, and their derivatives, turned positive."""
    sign = np.ones_like(fit.parameters)
    sign[_LENGTHS] = np.where(fit.parameters[_LENGTHS] < 0, -1.0, 1.0)
    return replace(fit, parameters=fit.parameters * sign, jacobian=fit.jacobian * sign)


def _report(model: Model, fit: CurveFit, peak: float, y: Array, noise: Noise) -> DeltaFit:
    best = fit.parameters
    ways = _excursions(model, fit, y, noise.known) if fit.converged else []
    held = [way.index for way in ways if way.replaces]
    spread = uncertainty(fit, ~np.isin(np.arange(best.size), held), noise.known)
    shares = [way.share_missing_in(spread.covariance, best) for way in ways]
    covariance = spread.covariance.copy()
    for way, share in zip(ways, shares, strict=True):
        step = (way.parameters - best) / way.deviations
        covariance += share * np.outer(step, step)

    def derived(function: Callable[..., float]) -> tuple[float, float]:
        value, variance = _propagated(function, best, spread.covariance, model.scale)
        for way, share in zip(ways, shares, strict=True):
            # The whole way, not its slope: a width is flat where a length vanishes.
            change = function(*way.parameters[_LENGTHS]) - value
            variance += share * (change / way.deviations) ** 2
        return value, float(np.sqrt(variance))

    # From the mean to the centre, and a background of zero if it was not fitted.
    to_centre = np.eye(6)[:, : best.size]
    to_centre[1, 2:4] = 1.0, -1.0
    covariance = to_centre @ covariance @ to_centre.T
    values = to_centre @ best + peak * np.eye(6)[1]
    names = DeltaParameters._fields
    return DeltaFit(
        DeltaParameters(*values.tolist()),
        DeltaParameters(*np.sqrt(np.diag(covariance)).tolist()),
        covariance,
        {names[way.index]: way.upper_limit for way in ways if way.upper_limit is not None},
        *derived(delta_fwhm),
        *derived(delta_edge_width),
        spread.residual_scale,
        spread.correlation_factor,
        noise.scale(y, model.curve(best)),
    )


def _excursions(model: Model, fit: CurveFit, y: Array, known_noise: bool) -> list[Excursion]:
    """Ways of those lengths whose uncertainty the curvature might understate."""
    best = fit.parameters
    first = uncertainty(fit, np.ones(best.size, bool), known_noise)

    def rise(index: int, length: float, start: Array) -> tuple[float, Array]:
        held = model.with_held(index, length)
        refit = fit_weighted(held, np.delete(start, index), y, fit.deviation)
        parameters = np.insert(refit.parameters, index, length)
        parameters[_LENGTHS] = np.abs(parameters[_LENGTHS])
        return (refit.sum_of_squares - fit.sum_of_squares) / first.inflation, parameters

    ways = []
    for index in range(best.size)[_LENGTHS]:
        deviation = float(np.sqrt(first.covariance[index, index]))
        step, end = 0.1 * float(model.scale[index]), float(model.high[index])
        ways.append(excursion(partial(rise, index), best, index, deviation, step, end))
    return [way for way in ways if way is not None]


def _propagated(
    function: Callable[..., float], best: Array, covariance: Array, scale: Array
) -> tuple[float, float]:
    """Value and variance of a function of the three lengths."""
    lengths = best[_LENGTHS]
    gradient = np.zeros(3)
    for i, shift in enumerate(np.diag(1e-4 * scale[_LENGTHS])):
        below, above = np.maximum(lengths - shift, 0.0), lengths + shift
        gradient[i] = (function(*above) - function(*below)) / (above - below)[i]
    return function(*lengths), float(gradient @ covariance[_LENGTHS, _LENGTHS] @ gradient)
