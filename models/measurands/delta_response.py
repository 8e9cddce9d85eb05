"""Response to a layer of no thickness: two-sided exponential, broadened by a Gaussian.

Its three lengths are the depth-resolution parameters of ISO 20341: the leading decay length, the
trailing decay length and the Gaussian broadening. The response to a sharp interface is its
integral. Beside it stands the response that follows from a fully mixed zone seen through a finite
escape depth. Both are built from one function, a one-sided exponential smeared by a Gaussian.

The abscissa may be a depth, a time or a dose: it is called x and has no unit here. Values belong to
points; averaging over an interval h adds h^2/12 to the variance.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import erfc, erfcx, ndtr

from craterfront.models.measurands.curve_fitting import Array
from craterfront.models.measurands.resolution import EXACT_LEVELS, check_levels

# A length smaller than this share of another one is zero for every purpose.
_NEGLIGIBLE = 1e-100
# A Gaussian narrower than this share of the decay lengths moves peak and half-height points by less
# than a part in 10^8, and is too narrow for a root finder.
_SHARP = 1e-9
# Decay lengths shorter than this share of the Gaussian leave it symmetric, its mode at the mean.
_BLUNT = 1e-6
# Up to this share of the Gaussian, four terms in the decay length give 12 digits.
_SHORT = 1e-3


def _check_lengths(**lengths: float) -> None:
    for name, value in lengths.items():
        if not 0 <= value < math.inf:
            raise ValueError(f"{name}: must be >= 0 and finite, got {value}")
    if not any(lengths.values()):
        raise ValueError(f"{', '.join(lengths)}: at least one must be > 0")


@np.errstate(over="ignore")
def _gaussian(t: Array, sigma: float) -> Array:
    return np.exp(-0.5 * (t / sigma) ** 2) / (sigma * math.sqrt(2 * math.pi))


@np.errstate(over="ignore")  # an infinite exponent is a vanished exponential
def _smeared(t: Array, length: float, sigma: float) -> Array:
    """Length times the density of a decay exp(-t/length), t > 0, smeared by sigma.

    Written in two branches, since exp() or erfc() alone would over- or underflow.
    """
    if length <= _NEGLIGIBLE * sigma:
        return np.zeros_like(t)
    if sigma <= _NEGLIGIBLE * length:
        return np.where(t > 0, np.exp(-np.maximum(t, 0.0) / length), np.where(t == 0, 0.5, 0.0))
    reduced, ratio = t / sigma, sigma / length
    z = (ratio - reduced) / math.sqrt(2)
    before = np.exp(-0.5 * reduced**2) * erfcx(np.maximum(z, 0.0))
    after = np.exp(np.minimum(-ratio * (reduced - ratio / 2), 0.0)) * erfc(np.minimum(z, 0.0))
    return 0.5 * np.where(z >= 0, before, after)


def _density(t: Array, length: float, sigma: float) -> Array:
    """Density of the smeared one-sided decay; a Gaussian for length 0."""
    if length <= _NEGLIGIBLE * sigma:
        return _gaussian(t, sigma)
    return _smeared(t, length, sigma) / length


def delta_response(
    x: ArrayLike, centre: float, leading: float, trailing: float, sigma: float
) -> Array:
    """Signal of a delta layer of unit amount.

    Parameters
    ----------
    x : array_like
        Depth, time or dose.
    centre : float
        Position of the apex before smearing [x]. It is neither the mean nor the peak, see
        `delta_mean` and `delta_peak`.
    leading, trailing : float
        Lengths over which the signal grows and decays by a factor e, >= 0 [x].
    sigma : float
        Standard deviation of the Gaussian, >= 0 [x]. At least one length must be above zero.

    Returns
    -------
    ndarray
        Signal of unit area [1/x], with the shape of `x`.

    Raises
    ------
    ValueError
        If a length is negative or not finite, or all are zero.

    References
    ----------
    ISO 20341:2003 for the three parameters; the formula is the convolution, derived.
    """
    _check_lengths(leading=leading, trailing=trailing, sigma=sigma)
    t = np.asarray(x, float) - centre
    total = leading + trailing
    if total <= _NEGLIGIBLE * sigma:
        return _gaussian(t, sigma)
    return (_smeared(-t, leading, sigma) + _smeared(t, trailing, sigma)) / total


def delta_derivatives(
    x: ArrayLike, centre: float, leading: float, trailing: float, sigma: float
) -> Array:
    """Derivatives of `delta_response` with respect to centre, leading, trailing and sigma.

    Parameters
    ----------
    x, centre, leading, trailing, sigma
        As in `delta_response`; `x` of shape (n,).

    Returns
    -------
    ndarray, shape (4, n)
        [1/x^2]. At sigma = 0 without the jumps at the centre.

    Raises
    ------
    ValueError
        As in `delta_response`.

    References
    ----------
    Derived: a decay q of length l smeared by a Gaussian G obeys l q' = G - q, and the Gaussian
    obeys dG/dsigma = sigma G''.
    """
    _check_lengths(leading=leading, trailing=trailing, sigma=sigma)
    t = np.asarray(x, float) - centre
    total = leading + trailing
    if total <= _SHARP * sigma:
        _, slope, bend, *_ = _gaussian_derivatives(t, sigma)
        return np.array([-slope, slope, -slope, sigma * bend])
    before, before_slope, before_growth = _decay(-t, leading, sigma)
    after, after_slope, after_growth = _decay(t, trailing, sigma)
    response = (leading * before + trailing * after) / total
    return np.array(
        [
            (after - before) / total,
            (before_growth - response) / total,
            (after_growth - response) / total,
            -sigma * (before_slope + after_slope) / total,
        ]
    )


def _decay(t: Array, length: float, sigma: float) -> tuple[Array, Array, Array]:
    """Smeared decay, its derivative by t, and the derivative of length * decay by length."""
    if length == sigma == 0:
        return np.zeros_like(t), np.zeros_like(t), np.zeros_like(t)
    if length <= _SHORT * sigma:
        # The difference of decay and Gaussian loses its digits: expand it in the length.
        g0, g1, g2, g3, g4 = _gaussian_derivatives(t, sigma)
        q, q1 = (
            a - length * (b - length * (c - length * d))
            for a, b, c, d in ((g0, g1, g2, g3), (g1, g2, g3, g4))
        )
        return q, q1, g0 - length * (2 * g1 - length * (3 * g2 - length * 4 * g3))
    q = _smeared(t, length, sigma) / length
    gaussian = _gaussian(t, sigma) if sigma > _NEGLIGIBLE * length else 0.0
    q1 = (gaussian - q) / length
    return q, q1, (t * q + sigma**2 * q1) / length


def _gaussian_derivatives(t: Array, sigma: float) -> tuple[Array, ...]:
    """Gaussian density and its first four derivatives."""
    u = np.clip(t / sigma, -40, 40)  # beyond, all are zero
    g = _gaussian(t, sigma)
    factors = (1.0, -u, u**2 - 1, u * (3 - u**2), u**2 * (u**2 - 6) + 3)
    return tuple(factor * g / sigma**order for order, factor in enumerate(factors))


def step_response(
    x: ArrayLike, centre: float, leading: float, trailing: float, sigma: float
) -> Array:
    """Signal of a sharp interface at `centre`: the integral of `delta_response` up to `x`.

    Parameters
    ----------
    x, centre, leading, trailing, sigma
        As in `delta_response`.

    Returns
    -------
    ndarray
        Between 0 and 1, with the shape of `x`.

    Raises
    ------
    ValueError
        As in `delta_response`.
    """
    _check_lengths(leading=leading, trailing=trailing, sigma=sigma)
    t = np.asarray(x, float) - centre
    total = leading + trailing
    gaussian_part = np.heaviside(t, 0.5) if sigma <= _NEGLIGIBLE * total else ndtr(t / sigma)
    if total <= _NEGLIGIBLE * sigma:
        return gaussian_part
    rest = leading * _smeared(-t, leading, sigma) - trailing * _smeared(t, trailing, sigma)
    return gaussian_part + rest / total


def delta_mean(centre: float, leading: float, trailing: float) -> float:
    """Mean position of `delta_response`: centre + trailing - leading."""
    return centre + trailing - leading


def delta_variance(leading: float, trailing: float, sigma: float) -> float:
    """Variance of `delta_response`: leading^2 + trailing^2 + sigma^2."""
    return leading**2 + trailing**2 + sigma**2


def delta_peak(centre: float, leading: float, trailing: float, sigma: float) -> float:
    """Position of the maximum of `delta_response` [x]; arguments and errors as there."""
    _check_lengths(leading=leading, trailing=trailing, sigma=sigma)
    if leading == trailing or sigma <= _SHARP * (leading + trailing):
        return centre
    short, long = sorted((leading, trailing))
    if long <= _BLUNT * sigma:
        return delta_mean(centre, leading, trailing)
    size = math.sqrt(delta_variance(short, long, sigma))

    def slope(s: float) -> float:
        # At the maximum both smeared decays are equally high (set the derivative to zero).
        t = np.array(s * size)
        return float(_density(-t, short, sigma) - _density(t, long, sigma)) * size

    # Mode and mean of a unimodal law are at most sqrt(3) standard deviations apart, and the mode
    # lies on the side of the longer decay.
    top = (long - short) / size + math.sqrt(3)
    root: Any = brentq(slope, 0.0, top, xtol=1e-14) if slope(0.0) > 0 else 0.0
    shift = size * float(root)
    return centre + math.copysign(shift, trailing - leading)


def delta_fwhm(leading: float, trailing: float, sigma: float) -> float:
    """Full width at half maximum of `delta_response` [x]; arguments and errors as there."""
    peak = delta_peak(0.0, leading, trailing, sigma)
    if sigma <= _SHARP * (leading + trailing):
        return (leading + trailing) * math.log(2)
    height = float(delta_response(peak, 0.0, leading, trailing, sigma))

    def above_half(s: float) -> float:
        there = delta_response(peak + s / height, 0.0, leading, trailing, sigma)
        return float(there) / height - 0.5

    # A unimodal law of unit area is at half its maximum for at most 2/height.
    ends: list[Any] = [brentq(above_half, 0.0, end, xtol=1e-14) for end in (-2.0, 2.0)]
    return (ends[1] - ends[0]) / height


def delta_edge_width(
    leading: float,
    trailing: float,
    sigma: float,
    low: float = EXACT_LEVELS[0],
    high: float = EXACT_LEVELS[1],
) -> float:
    """Width of `step_response` between two levels.

    Parameters
    ----------
    leading, trailing, sigma : float
        As in `delta_response` [x].
    low, high : float
        Levels, 0 < low < high < 1.

    Returns
    -------
    float
        Width [x].

    Raises
    ------
    ValueError
        If an argument is out of range.
    """
    check_levels(low, high)
    _check_lengths(leading=leading, trailing=trailing, sigma=sigma)
    size = math.sqrt(delta_variance(leading, trailing, sigma))
    mean = delta_mean(0.0, leading, trailing) / size

    def position(level: float) -> float:
        def excess(s: float) -> float:
            return float(step_response(s * size, 0.0, leading, trailing, sigma)) - level

        # Cantelli's inequality bounds every quantile by mean and standard deviation.
        start = mean - math.sqrt(1 / level - 1) - 1e-6
        end = mean + math.sqrt(level / (1 - level)) + 1e-6
        root: Any = brentq(excess, start, end, xtol=1e-14)
        return float(root)

    return size * (position(high) - position(low))


def zone_escape_response(
    x: ArrayLike, centre: float, mixing_length: float, escape_depth: float, sigma: float
) -> Array:
    """Signal of a delta layer of unit amount, mixed in a zone and seen through an escape depth.

    Before the fully mixed zone reaches the layer, the layer shines through from below; afterwards
    it is spread over the zone, and the zone is seen through the escape depth. Roughness smears
    both.

    Parameters
    ----------
    x : array_like
        Sputtered depth (or time or dose).
    centre : float
        True position of the layer [x].
    mixing_length : float
        Thickness w of the mixed zone, >= 0 [x].
    escape_depth : float
        Attenuation length of the signal along the surface normal, >= 0 [x].
    sigma : float
        Standard deviation of the roughness, >= 0 [x]. At least one length must be above zero.

    Returns
    -------
    ndarray
        Signal of unit area [1/x], with the shape of `x`. Its mean is
        centre - exp(-w/escape_depth) * (w + escape_depth).

    Raises
    ------
    ValueError
        If a length is negative or not finite, or all are zero.

    References
    ----------
    Derived; the same assumptions as in S. Hofmann, Y. Liu, J. Y. Wang, J. Kovac, Appl. Surf. Sci.
    314 (2014) 942.
    """
    _check_lengths(mixing_length=mixing_length, escape_depth=escape_depth, sigma=sigma)
    t = np.asarray(x, float) - centre + mixing_length
    # Share of the signal that arrives before the zone touches the layer.
    exponent = -mixing_length / escape_depth if escape_depth > 0 else -math.inf
    early, late = math.exp(exponent), -math.expm1(exponent)
    signal = np.zeros_like(t)
    if late > 0:
        signal = signal + late * _density(t, mixing_length, sigma)
    if early > 0:
        signal = signal + early * _density(-t, escape_depth, sigma)
    return signal
