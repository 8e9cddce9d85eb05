"""The standard figures of one channel: an edge (ASTM E1636) or a delta layer (ISO 20341)."""

import warnings
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from craterfront.measured_profile import MeasuredProfile
from craterfront.models.delta_fit import DeltaFit, fit_delta_response
from craterfront.models.edge_response import LogisticFit, fit_logistic_edge
from craterfront.models.resolution import NOMINAL_LEVELS, EdgeWidth, level_width
from craterfront.problems import InputProblems, did_you_mean, shown

Feature = Literal["edge", "delta"]


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
    rows : list of (name, value, u)
        u is the standard uncertainty; None where the row is an upper limit at 95 %.
    fit : LogisticFit or DeltaFit
    notes : list of str
        What a reader must know of the fit.
    """

    channel: str
    feature: Feature
    x: np.ndarray
    y: np.ndarray
    unit: str
    rows: list[tuple[str, float, float | None]]
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
    if channel not in profile.channels:
        near = did_you_mean(channel, profile.channels)
        raise InputProblems([f"channel {shown(channel)}: not in the profile{near}"], profile.source)
    x = profile.middle
    y = profile.values[profile.channels.index(channel)]
    inside = np.ones(x.size, dtype=bool)
    if window is not None:
        inside = (x >= window[0]) & (x <= window[1])
    if inside.sum() < 10:
        raise InputProblems(
            [f"{int(inside.sum())} readings in the window; at least 10 are needed"], profile.source
        )
    x, y = x[inside], y[inside]
    unit = "s" if profile.axis == "time" else "nm"
    notes = []
    if profile.censored[profile.channels.index(channel)][inside].any():
        notes.append("some readings are saturated: their true values are larger")
    gain = None if counts is None else 1.0 / counts
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            found = _edge(x, y, gain) if feature == "edge" else _delta(x, y, gain)
    except ValueError as error:
        raise InputProblems([f"channel {shown(channel)}: {error}"], profile.source) from None
    rows, fit, own = found
    notes += own + [str(warning.message) for warning in caught]
    if fit.correlation_factor > 3.0:
        notes.append(
            "residuals are correlated: the curve is not quite of this shape "
            f"(uncertainties are widened by {fit.correlation_factor**0.5:.2g})"
        )
    return StandardFigures(channel, feature, x, y, unit, rows, fit, notes)


def _edge(x: np.ndarray, y: np.ndarray, gain: float | None):
    exact: EdgeWidth = level_width(x, y)
    nominal = level_width(x, y, *NOMINAL_LEVELS)
    fit = fit_logistic_edge(x, y, poisson_scale=gain)
    rows: list[tuple[str, float, float | None]] = [
        ("position (50 %)", exact.midpoint, exact.u_midpoint),
        ("width 15.87-84.13 %, read off", exact.width, exact.u_width),
        ("width 16-84 %, read off", nominal.width, nominal.u_width),
        ("extended logistic: midpoint", fit.parameters.midpoint, fit.u.midpoint),
        ("extended logistic: half-width parameter", fit.parameters.half_width, fit.u.half_width),
        ("extended logistic: width 15.87-84.13 %", fit.width, fit.u_width),
        ("extended logistic: width 16-84 %", fit.width_nominal, fit.u_width_nominal),
    ]
    notes = []
    if fit.at_limit:
        notes.append("the extended logistic function does not fit: the edge is too narrow for it")
    return rows, fit, notes


def _delta(x: np.ndarray, y: np.ndarray, gain: float | None):
    fit = fit_delta_response(x, y, poisson_scale=gain)
    rows: list[tuple[str, float, float | None]] = []
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
        ("centre", fit.parameters.centre, fit.u.centre),
        ("full width at half maximum", fit.fwhm, fit.u_fwhm),
        ("width 15.87-84.13 % of the cumulated response", fit.edge_width, fit.u_edge_width),
    ]
    return rows, fit, []
