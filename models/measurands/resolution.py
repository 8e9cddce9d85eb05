"""Width of a measured edge between two levels, without assuming its shape.

The depth resolution is the distance over which the signal of a sharp interface goes from 16 to
84 % of its change, equal to two standard deviations for a Gaussian edge (IUPAC Compendium of
Chemical Terminology, "depth resolution", D01607). Those two statements agree only at the exact
levels Phi(-1) = 15.87 % and Phi(+1) = 84.13 %, so these are the default here.

The abscissa may be a depth, a time or an ion dose: it is called x and has no unit here.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import isotonic_regression

from craterfront.models.measurands.curve_fitting import Array, checked_curve

EXACT_LEVELS = (0.5 * math.erfc(math.sqrt(0.5)), 0.5 * math.erfc(-math.sqrt(0.5)))
"""Levels at one standard deviation before and after the middle of a Gaussian edge."""
NOMINAL_LEVELS = (0.16, 0.84)
"""The rounded levels, as written in most papers."""

_REPLICATES = 200
_PLATEAU_SHARE = 0.1
_PLATEAU_POINTS = 5
_FLAT = 0.05  # share of the change up to which the signal counts as flat


@dataclass(frozen=True)
class EdgeWidth:
    """Width and position of a measured edge, in units of x.

    Attributes
    ----------
    width, u_width : float
        Distance between the two levels and its standard uncertainty.
    midpoint, u_midpoint : float
        Where half of the change has happened, and its standard uncertainty.
    plateaus : tuple of float
        Signal before and after the edge.
    rising : bool
        Whether the signal increases with x.
    """

    width: float
    u_width: float
    midpoint: float
    u_midpoint: float
    plateaus: tuple[float, float]
    rising: bool


def check_levels(low: float, high: float) -> None:
    """Raise ValueError unless 0 < low < high < 1."""
    if not 0 < low < high < 1:
        raise ValueError(f"levels: must satisfy 0 < low < high < 1, got {low}, {high}")


def level_width(
    x: ArrayLike,
    y: ArrayLike,
    low: float = EXACT_LEVELS[0],
    high: float = EXACT_LEVELS[1],
    *,
    plateaus: tuple[float, float] | None = None,
    u: ArrayLike | None = None,
    seed: int = 0,
) -> EdgeWidth:
    """Distance between two levels of a measured edge, rising or falling.

    A monotone curve is laid through the points (least squares, by pooling neighbours that run the
    wrong way), so that noise makes no false crossings and no shape is assumed. The standard
    uncertainty comes from repeating the evaluation on that curve with fresh noise. The noise is
    taken as independent from point to point, which it is not after smoothing or summing up.

    Parameters
    ----------
    x : array_like, shape (n,)
        Depth, time or dose, strictly increasing. The window should hold the edge and both
        plateaus, not other edges.
    y : array_like, shape (n,)
        Signal.
    low, high : float
        Levels as fractions of the change, low < high; for a falling edge they count from the
        lower plateau too.
    plateaus : tuple of float, optional
        Signal before and after the edge, taken as exact. By default the medians of the first and
        the last tenth of the points (at least five points each).
    u : array_like, scalar or shape (n,), optional
        Standard uncertainty of the points. By default estimated from the second differences where
        the signal is within 5 % of a plateau, and between taken linear in the signal, as for
        counting.
    seed : int
        Seed of the repetitions.

    Returns
    -------
    EdgeWidth
        In units of x.

    Raises
    ------
    ValueError
        If the input is unusable, the plateaus coincide, or the data do not reach a level.

    References
    ----------
    Barlow, Bartholomew, Bremner, Brunk, Statistical Inference under Order Restrictions, Wiley 1972
    (monotone regression).
    """
    check_levels(low, high)
    x, y, u = checked_curve(x, y, u, at_least=2 * _PLATEAU_POINTS)
    before, after = outer_medians(y) if plateaus is None else plateaus
    if before == after:
        raise ValueError(f"y: shows no edge, both plateaus are {before}")
    levels = (low, 0.5, high)
    positions, values = _monotone_curve(x, y, after > before)
    fractions = (values - before) / (after - before)
    for level in levels:
        # A falling edge reaches the lower levels last.
        if not fractions[0] <= (level if after > before else 1 - level) <= fractions[-1]:
            raise ValueError(
                f"y: the signal runs from {values[0]:.6g} to {values[-1]:.6g} and does not reach "
                f"the level {level:.4g} between the plateaus {before:.6g} and {after:.6g}"
            )
    width, midpoint = _width_and_midpoint(positions, values, before, after, levels)

    smooth = np.interp(x, positions, values)
    deviation = _noise_along(y, smooth, before, after) if u is None else u
    generator = np.random.default_rng(seed)
    repeats = np.empty((_REPLICATES, 2))
    for repeat in repeats:
        noisy = smooth + deviation * generator.standard_normal(x.size)
        ends = outer_medians(noisy) if plateaus is None else (before, after)
        repeat[:] = _width_and_midpoint(*_monotone_curve(x, noisy, after > before), *ends, levels)
    u_width, u_midpoint = np.std(repeats, axis=0, ddof=1)
    return EdgeWidth(
        width, float(u_width), midpoint, float(u_midpoint), (before, after), after > before
    )


def outer_medians(y: Array) -> tuple[float, float]:
    """Medians of the first and the last tenth of a curve, at least five points each."""
    count = _plateau_count(y)
    return float(np.median(y[:count])), float(np.median(y[-count:]))


def _plateau_count(y: Array) -> int:
    return max(_PLATEAU_POINTS, round(_PLATEAU_SHARE * y.size))


def _monotone_curve(x: Array, y: Array, rising: bool) -> tuple[Array, Array]:
    """Nodes of the monotone regression: the pooled stretches' mean position and mean signal."""
    pooled = isotonic_regression(y, increasing=rising)
    starts = pooled.blocks[:-1]
    return np.add.reduceat(x, starts) / np.diff(pooled.blocks), pooled.x[starts]


def _width_and_midpoint(
    positions: Array,
    values: Array,
    before: float,
    after: float,
    levels: tuple[float, float, float],
) -> tuple[float, float]:
    fractions = (values - before) / (after - before)
    wanted = levels if after > before else tuple(1 - level for level in reversed(levels))
    first, middle, last = np.interp(wanted, fractions, positions)
    return float(last - first), float(middle)


def _noise_along(y: Array, smooth: Array, before: float, after: float) -> Array:
    """Standard deviation of each point: from the flat stretches, linear in the signal between."""
    share = np.clip((smooth - before) / (after - before), 0, 1)
    count = _plateau_count(y)
    first = max(count, int(np.sum(share < _FLAT)))
    last = max(count, int(np.sum(share > 1 - _FLAT)))
    ends = [np.mean(np.diff(part, n=2) ** 2) / 6 for part in (y[:first], y[-last:])]
    return np.sqrt(ends[0] + (ends[1] - ends[0]) * share)
