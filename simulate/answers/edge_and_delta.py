"""The standard figures of one channel: an edge (ASTM E1636) or a delta layer (ISO 20341)."""

import warnings
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from craterfront.measured_files.axis_unit import BASE_UNITS
from craterfront.measured_files.column_selection import listed
from craterfront.measured_files.measured_profile import Axis, MeasuredProfile
from craterfront.models.measurands.delta_fit import DeltaFit, fit_delta_response
from craterfront.models.measurands.delta_response import delta_peak
from craterfront.models.measurands.edge_response import LogisticFit, fit_logistic_edge
from craterfront.models.measurands.resolution import NOMINAL_LEVELS, level_width
from craterfront.problems import InputProblems, did_you_mean, shown

Feature = Literal["edge", "delta"]
Row = tuple[str, float, float | None]

FEWEST_READINGS = 10


@dataclass(frozen=True)
class StandardFigures:
    """Resolution figures of one channel.

    Attributes
    ----------
    channel : str
    feature : str
        edge or delta.
    x, y : ndarray, shape (n,)
        The readings used.
    unit : str
        Of x, and of every length.
    axis : str
        time or depth.
    rows : list of (name, value, u)
        u is the standard uncertainty; None where the row is an upper limit at 95 %.
    fit : LogisticFit or DeltaFit
    notes : list of str
        What a reader must know of the profile and of the fit.
    """

    channel: str
    feature: Feature
    x: np.ndarray
    y: np.ndarray
    unit: str
    axis: Axis
    rows: list[Row]
    fit: LogisticFit | DeltaFit
    notes: list[str]

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers for JSON."""
        figures = [
            {"name": name, "value": value, "u": u, "unit": self.unit}
            if u is not None
            else {"name": name, "upper_limit_95": value, "unit": self.unit}
            for name, value, u in self.rows
        ]
        return {
            "channel": self.channel,
            "feature": self.feature,
            "from": float(self.x[0]),
            "to": float(self.x[-1]),
            "figures": figures,
            "notes": self.notes,
        }


def standard_figures(
    profile: MeasuredProfile,
    channel: str,
    feature: Feature,
    window: tuple[float, float] | None = None,
    counts: float | None = None,
) -> StandardFigures:
    """Resolution figures of one channel of a profile.

    Parameters
    ----------
    profile : MeasuredProfile
    channel : str
    feature : str
        ``"edge"``: widths between levels, and the extended logistic function of ASTM E1636.
        ``"delta"``: leading and trailing decay length and Gaussian broadening as in ISO 20341.
    window : tuple of float, optional
        Only readings from window[0] to window[1].
    counts : float, optional
        Counts per unit of intensity in a reading; 1 if the readings are counts. Default: the
        noise is estimated from the readings.

    Returns
    -------
    StandardFigures

    Raises
    ------
    InputProblems
    """
    seen = _seen(profile, channel, window)
    x, y = seen.middle, seen.values[0]
    notes = list(profile.notes)
    if seen.censored.any():
        notes.append("some readings are saturated: their true values are larger")
    gain = None if counts is None else 1.0 / counts
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            rows, fit = _edge(x, y, gain) if feature == "edge" else _delta(x, y, gain)
    except ValueError as error:
        raise InputProblems([f"channel {shown(channel)}: {error}"], profile.source) from None
    if isinstance(fit, LogisticFit) and fit.at_limit:
        notes.append("the extended logistic function does not fit: the edge is too narrow for it")
    notes += [str(warning.message) for warning in caught]
    if fit.correlation_factor > 3.0:
        notes.append(
            "residuals are correlated: the curve is not quite of this shape "
            f"(uncertainties are widened by {fit.correlation_factor**0.5:.2g})"
        )
    return StandardFigures(
        channel, feature, x, y, BASE_UNITS[profile.axis], profile.axis, rows, fit, notes
    )


def _seen(
    profile: MeasuredProfile, channel: str, window: tuple[float, float] | None
) -> MeasuredProfile:
    """The one channel, within the window."""
    if channel not in profile.channels:
        near = did_you_mean(channel, profile.channels)
        message = f"channel {shown(channel)}: not in the profile{near}"
        there = f"its channels are {listed(profile.channels)}"
        raise InputProblems([f"{message}; {there}"], profile.source)
    row = profile.channels.index(channel)
    first, last = (-np.inf, np.inf) if window is None else window
    inside = (profile.middle >= first) & (profile.middle <= last)
    if inside.sum() < FEWEST_READINGS:
        few = f"{int(inside.sum())} readings in the window; at least {FEWEST_READINGS} are needed"
        raise InputProblems(["; ".join([few, *profile.notes])], profile.source)
    channel_alone = replace(
        profile,
        channels=[channel],
        values=profile.values[[row]],
        censored=profile.censored[[row]],
    )
    return channel_alone.at(inside)


def _edge(x: np.ndarray, y: np.ndarray, gain: float | None) -> tuple[list[Row], LogisticFit]:
    exact, nominal = level_width(x, y), level_width(x, y, *NOMINAL_LEVELS)
    fit = fit_logistic_edge(x, y, poisson_scale=gain)
    rows: list[Row] = [
        ("position (50 %)", exact.midpoint, exact.u_midpoint),
        ("width 15.87-84.13 %, read off", exact.width, exact.u_width),
        ("width 16-84 %, read off", nominal.width, nominal.u_width),
        ("extended logistic: midpoint", fit.parameters.midpoint, fit.u.midpoint),
        ("extended logistic: half-width parameter", fit.parameters.half_width, fit.u.half_width),
        ("extended logistic: width 15.87-84.13 %", fit.width, fit.u_width),
        ("extended logistic: width 16-84 %", fit.width_nominal, fit.u_width_nominal),
    ]
    return rows, fit


def _delta(x: np.ndarray, y: np.ndarray, gain: float | None) -> tuple[list[Row], DeltaFit]:
    fit = fit_delta_response(x, y, poisson_scale=gain)
    rows: list[Row] = []
    names = {
        "leading": "leading decay length",
        "trailing": "trailing decay length",
        "sigma": "Gaussian broadening",
    }
    for key, name in names.items():
        if key in fit.upper_limits:
            rows.append((f"{name}, upper limit", fit.upper_limits[key], None))
        else:
            rows.append((name, getattr(fit.parameters, key), getattr(fit.u, key)))
    rows += [
        ("centre of the exponentials", fit.parameters.centre, fit.u.centre),
        ("position of the peak", *_peak_position(fit)),
        ("full width at half maximum", fit.fwhm, fit.u_fwhm),
        ("width 15.87-84.13 % of the cumulated response", fit.edge_width, fit.u_edge_width),
    ]
    return rows, fit


def _peak_position(fit: DeltaFit) -> tuple[float, float]:
    """Where the fitted response is highest, and its standard uncertainty (GUM, 5.2)."""
    shape = ("centre", "leading", "trailing", "sigma")
    best = np.array([getattr(fit.parameters, name) for name in shape])
    at = [fit.parameters._fields.index(name) for name in shape]
    here = delta_peak(*best)
    slopes = []
    for number, index in enumerate(at):
        # Forward, since a length may be zero but not less.
        step = 1e-3 * float(fit.covariance[index, index]) ** 0.5
        moved = best.copy()
        moved[number] += step
        slopes.append((delta_peak(*moved) - here) / step if step > 0.0 else 0.0)
    variance = np.array(slopes) @ fit.covariance[np.ix_(at, at)] @ np.array(slopes)
    return float(here), float(max(variance, 0.0)) ** 0.5
