"""Figures of depth resolution: its causes, its function, and its measurement."""

from collections.abc import Callable, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from craterfront.answers.budget import CAUSES, RESIDENCE, Budget
from craterfront.answers.edge_and_delta import StandardFigures
from craterfront.answers.rounding import in_brackets
from craterfront.models.measurands.delta_fit import DeltaFit
from craterfront.models.measurands.delta_response import delta_peak, delta_response
from craterfront.models.measurands.edge_response import LogisticFit, logistic_edge
from craterfront.models.measurands.resolution import EXACT_LEVELS
from craterfront.objective.estimation import Z95
from craterfront.problems import InputProblems
from craterfront.reports.figure_style import (
    GREY,
    INK,
    PALETTE,
    draw_residuals,
    fits,
    legend_height_mm,
    legend_outside,
    length_unit,
    new_figure,
    rasterised,
    strokes,
    styled,
    three_digits,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

CAUSE_COLOURS = ("#b8864f", "#e7d4f8", "#8a906a", "#c3f5d8", "#c3c97f", "#dcf2a6", "#f5f591")
"""Of `CAUSES` and residence; found as `PALETTE`, but far from the colours of elements and tints."""

_OPEN: dict[str, Any] = {
    "facecolor": "white",
    "edgecolor": INK,
    "linewidth": 0.7,
    "linestyle": (0, (3, 2)),
}
_HATCHES = ("", "....", "////", "\\\\\\\\", "xxxx", "----", "oooo")
_RESPONSE_MM = 104.0
_NAME_CHARACTERS = 30
_MOST_LABELLED = 40  # interfaces
_BUDGET_PANEL_MM = 92.0
_LOGARITHMIC_FROM = 50.0  # peak over background
_CURVES = 5
_SIDES = 3.5  # standard deviations of the resolution function that are shown


@styled
def budget_figure(budgets: Sequence[Budget], unit: str = "nm") -> "Figure":
    """Draw how much every cause broadens every interface.

    Parameters
    ----------
    budgets : sequence of Budget
        From the surface down.
    unit : str
        "nm", or "s" for results at nominal rates.

    Returns
    -------
    matplotlib.figure.Figure
        On the left two standard deviations of all causes together; on the right the share of each
        cause in the variance, with its own two standard deviations written into it, in brackets
        their standard uncertainty in units of the last digit. Where nothing but a limit of the
        true transition is known its bars are open: it may have any part of them.

    Raises
    ------
    InputProblems
        Without any interface.
    """
    count = len(budgets)
    if count == 0:
        raise InputProblems(["no interface, so no broadening to draw"])
    row_mm = min(7.0, 200.0 / count)
    keys = {cause: _bar(cause) for cause in budgets[0].two_sd_nm}
    if any(budget.transition_limit_nm is not None for budget in budgets):
        keys["true transition, at most"] = _patch(_OPEN)
    figure = new_figure(26.0 + row_mm * max(count, 2) + legend_height_mm(list(keys)))
    left, right = figure.subplots(1, 2, sharey=True, width_ratios=(1.0, 2.2))
    rows = np.arange(count)
    _draw_totals(left, budgets)
    _draw_shares(right, budgets)
    every = -(-count // _MOST_LABELLED)
    left.set_yticks(rows[::every], [f"below {b.layer}" for b in budgets[::every]])
    left.set_ylim(count - 0.5, -0.5)
    left.set_xlabel(f"all causes, 2 SD ({unit})")
    right.set_xlim(0.0, 100.0)
    right.set_xlabel(
        f"share of the variance (%), with 2 SD ({unit}) of each cause\nvariances add, widths do not"
    )
    for axes in (left, right):
        tidy(axes)
        axes.tick_params(axis="y", length=0)
    legend_outside(figure, keys, "upper")
    return figure


def _bar_look(cause: str) -> dict[str, Any]:
    number = (*CAUSES, RESIDENCE).index(cause)
    look = {"facecolor": CAUSE_COLOURS[number], "hatch": _HATCHES[number]}
    return {**look, "edgecolor": INK, "linewidth": 0.5}


def _bar(cause: str) -> Any:
    return _patch(_bar_look(cause))


def _patch(look: dict[str, Any]) -> Any:
    from matplotlib.patches import Patch

    return Patch(**look)


def _draw_totals(axes: "Axes", budgets: Sequence[Budget]) -> None:
    """All causes together, and open on top of it what a true transition may add."""
    rows = np.arange(len(budgets))
    total = np.array([budget.total_nm for budget in budgets])
    largest = np.array([_largest(budget) for budget in budgets])
    axes.barh(rows, total, height=0.68, color=GREY)
    limited = largest > total
    axes.barh(rows[limited], (largest - total)[limited], left=total[limited], height=0.68, **_OPEN)
    if len(budgets) <= _MOST_LABELLED:
        for row, budget in enumerate(budgets):
            place = {"xytext": (2, 0), "textcoords": "offset points", "va": "center"}
            axes.annotate(_total(budget), (largest[row], row), **place)
    axes.set_xlim(0.0, (2.2 if limited.any() else 1.3) * max(float(largest.max()), 1e-9))


def _largest(budget: Budget) -> float:
    """The largest sum that can be drawn."""
    return budget.largest_total_nm if np.isfinite(budget.largest_total_nm) else budget.total_nm


def _total(budget: Budget) -> str:
    if budget.transition_limit_nm is None:
        return three_digits(budget.total_nm)
    if not np.isfinite(budget.transition_limit_nm):
        return f"{three_digits(budget.total_nm)} or more"
    return f"{three_digits(budget.total_nm)} to {three_digits(budget.largest_total_nm)}"


def _draw_shares(axes: "Axes", budgets: Sequence[Budget]) -> None:
    """Share of every cause in the largest variance; that of a limit is open."""
    rows = np.arange(len(budgets))
    numbered = len(budgets) <= _MOST_LABELLED
    largest = np.maximum([_largest(budget) for budget in budgets], 1e-300)
    limits = [budget.transition_limit_nm for budget in budgets]
    limits = np.array([0.0 if x is None or not np.isfinite(x) else x for x in limits])
    causes = budgets[0].two_sd_nm
    parts = [
        (_bar_look(c), np.array([b.two_sd_nm[c] for b in budgets]), [_part(b, c) for b in budgets])
        for c in causes
    ]
    if limits.any():
        parts.insert(1, (_OPEN, limits, [f"< {three_digits(each)}" for each in limits]))
    start = np.zeros(len(budgets))
    for look, part, numbers in parts:
        share = 100.0 * (part / largest) ** 2
        bars = axes.barh(rows, share, left=start, height=0.68, **look)
        start = start + share
        if numbered:
            room = share / 100.0 * _BUDGET_PANEL_MM
            numbers = [n if fits(n, mm) else "" for n, mm in zip(numbers, room, strict=True)]
            _on_ground(axes.bar_label(bars, numbers, label_type="center"))


def _part(budget: Budget, cause: str) -> str:
    """Two standard deviations of a cause, with their own standard uncertainty where it is known."""
    u = budget.u_nm.get(cause, 0.0)
    if np.isfinite(u) and u > 0.0:
        return in_brackets(budget.two_sd_nm[cause], u)
    return three_digits(budget.two_sd_nm[cause])


def _on_ground(texts: Sequence[Any]) -> None:
    """Light ground behind numbers that stand on a hatched area."""
    for text in texts:
        if text.get_text():
            text.set_bbox({"facecolor": "white", "alpha": 0.8, "linewidth": 0, "pad": 0.8})


# --- the resolution function -------------------------------------------------------------------


@styled
def exposure_figure(dataset: "Dataset") -> "Figure":
    """Draw from which depths the signal of an instant comes.

    This is the depth resolution function of crater, roughness and sampling; mixing and the true
    transitions come on top of it.

    Parameters
    ----------
    dataset : xarray.Dataset
        From ``craterfront.simulate(..., exposure=True)``.

    Returns
    -------
    matplotlib.figure.Figure
        Density of the depth of origin, about its mean, for the instants at which the interfaces
        are reached (at most five of them). Each step is one slice.

    Raises
    ------
    InputProblems
        If the dataset holds no exposure matrix.
    """
    if "exposure" not in dataset:
        raise InputProblems(["the dataset has no exposure matrix: simulate with exposure=True"])
    thickness, middle = dataset["slice_thickness"].values, dataset["slice_depth"].values
    edges = np.append(middle - 0.5 * thickness, middle[-1] + 0.5 * thickness[-1])
    curves = []
    for interval in _intervals_shown(dataset):
        volume = dataset["exposure"].values[:, interval] * thickness
        share = volume / volume.sum()
        mean = float(share @ middle)
        spread = float(share @ ((middle - mean) ** 2 + thickness**2 / 12.0)) ** 0.5
        curves.append((interval, share, mean, spread))
    reach = _SIDES * max(spread for *_, spread in curves)
    unit, factor = length_unit(edges[-1])
    wide, small = length_unit(reach)
    figure = new_figure(85.0)
    axes = figure.subplots()
    keys: dict[str, Any] = {}
    for look, (interval, share, mean, spread) in zip(
        strokes(range(len(curves))).values(), curves, strict=True
    ):
        instant, width = three_digits(_instant_s(dataset, interval)), 2.0 * spread * small
        label = f"{instant} s, {mean * factor:.4g} {unit}: 2 SD {three_digits(width)} {wide}"
        keys[label] = axes.stairs(
            share / (thickness * small),
            (edges - mean) * small,
            baseline=None,
            color=look.colour,
            linestyle=look.dash,
            linewidth=1.2,
        )
    axes.set_xlim(-reach * small, reach * small)
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel(f"depth of origin minus its mean ({wide})")
    axes.set_ylabel(f"depth resolution function (1/{wide})\ncrater, roughness and sampling")
    tidy(axes)
    legend_outside(figure, keys, "upper")
    return figure


def _intervals_shown(dataset: "Dataset") -> list[int]:
    """Sampling intervals at the interfaces: only there are the slices finer than the resolution."""
    planes = dataset["interface_depth_nm"].values
    reached = dataset["mean_depth"].values[: dataset.sizes["interval"]]
    planes = planes[planes < reached[-1]]
    if planes.size == 0:
        planes = np.array([0.5 * reached[-1]])
    some = np.unique(np.linspace(0, planes.size - 1, min(_CURVES, planes.size)).astype(int))
    return list(dict.fromkeys(int(np.argmin(np.abs(reached - plane))) for plane in planes[some]))


def _instant_s(dataset: "Dataset", interval: int) -> float:
    """Middle of a sampling interval; snapshots lie at its ends."""
    time = dataset["time"].values
    if time.size == dataset.sizes["interval"]:
        return float(time[interval])
    return 0.5 * float(time[interval] + time[interval + 1])


# --- measured responses ------------------------------------------------------------------------


@styled
def resolution_figure(found: StandardFigures, *, u: ArrayLike | None = None) -> "Figure":
    """Draw a measured edge or peak with its fitted response and the figures taken from it.

    Parameters
    ----------
    found : StandardFigures
        Of an edge, or of a thin buried layer.
    u : array_like, scalar or shape (n,), optional
        Standard uncertainty of the points: drawn, and the measure of the residuals.

    Returns
    -------
    matplotlib.figure.Figure
        Points and response with its 95 % band, residuals below, and the same table of figures with
        standard uncertainties or upper limits as `StandardFigures.rows`.
    """
    x, y, fit = found.x, found.y, found.fit
    fitted = (_edge if isinstance(fit, LogisticFit) else _peak)(x, *fit.parameters)
    deviation, known = _deviation(y - fitted, fitted, fit, u)
    figure = new_figure(_RESPONSE_MM)
    panels = figure.subplot_mosaic(
        [["curve", "table"], ["residual", "table"]],
        width_ratios=(2.3, 1.0),
        height_ratios=(2.4, 1.0),
    )
    upper, lower, table = panels["curve"], panels["residual"], panels["table"]
    look: dict[str, Any] = {"color": INK, "linestyle": "none", "marker": "o", "markersize": 2.2}
    look["rasterized"] = rasterised(x.size)
    bars: dict[str, Any] = {"yerr": deviation, "elinewidth": 0.5} if known else {}
    points = upper.errorbar(x, y, **look, **bars)
    keys: dict[str, Any] = {"measured, standard uncertainty" if known else "measured": points}
    keys.update(_draw_response(upper, np.linspace(x[0], x[-1], max(1000, 2 * x.size)), fit))
    keys.update(_mark_edge(upper, fit) if isinstance(fit, LogisticFit) else _mark_peak(upper, fit))
    draw_residuals(lower, x, ((y - fitted) / deviation)[None, :], [look], (y == 0)[None, :])
    lower.set_ylabel(f"residual\n({'SD of noise' if known else 'RMS = 1'})")
    upper.set_ylabel("signal (as measured)")
    lower.set_xlabel(f"{found.axis} ({found.unit})")
    _share_axis(upper, lower, x)
    figure.align_ylabels([upper, lower])
    table.set_axis_off()
    table.text(0.0, 1.0, "\n".join(_lines(found)), va="top", linespacing=1.25)
    legend_outside(figure, keys, "upper")
    return figure


def _share_axis(upper: "Axes", lower: "Axes", x: np.ndarray) -> None:
    upper.sharex(lower)
    pad = 0.01 * (x[-1] - x[0])
    lower.set_xlim(x[0] - pad, x[-1] + pad)
    upper.tick_params(labelbottom=False)
    for panel in (upper, lower):
        tidy(panel)


def _edge(x: np.ndarray, *parameters: float) -> np.ndarray:
    return logistic_edge(x, *parameters)


def _peak(
    x: np.ndarray,
    area: float,
    centre: float,
    leading: float,
    trailing: float,
    sigma: float,
    background: float,
) -> np.ndarray:
    return background + area * delta_response(x, centre, leading, trailing, sigma)


def _deviation(
    residual: np.ndarray, fitted: np.ndarray, fit: LogisticFit | DeltaFit, u: ArrayLike | None
) -> tuple[np.ndarray, bool]:
    """Measure of the residuals, and whether it is the known noise or their own size."""
    if u is not None:
        return np.broadcast_to(np.asarray(u, dtype=float), residual.shape), True
    scale = fit.poisson_scale if isinstance(fit, DeltaFit) else None
    if scale:
        # Dark points have the noise of a thousandth of the peak at least, lest they fill the panel.
        return np.sqrt(scale * np.maximum(fitted, 1e-3 * fitted.max())), True
    return np.full(residual.shape, max(float(np.sqrt(np.mean(residual**2))), 1e-300)), False


def _draw_response(axes: "Axes", x: np.ndarray, fit: LogisticFit | DeltaFit) -> dict[str, Any]:
    """Fitted response with its 95 % band, where it has one; the keys of a legend."""
    response = _edge if isinstance(fit, LogisticFit) else _peak
    curve = response(x, *fit.parameters)
    (line,) = axes.plot(x, curve, color=PALETTE[0], linewidth=1.3)
    keys: dict[str, Any] = {"fit": line}
    band = Z95 * _standard_uncertainty(response, x, fit)
    # The slope at a length of zero says nothing of the ways that the data leave open there.
    limited = isinstance(fit, DeltaFit) and fit.upper_limits
    if np.all(np.isfinite(band)) and not limited:
        look: dict[str, Any] = {"color": PALETTE[0], "alpha": 0.25, "linewidth": 0}
        keys["95 % of the fit"] = axes.fill_between(x, curve - band, curve + band, **look)
    return keys


def _standard_uncertainty(
    response: Callable[..., np.ndarray], x: np.ndarray, fit: LogisticFit | DeltaFit
) -> np.ndarray:
    """Of the fitted curve, from the covariance (GUM, 5.2)."""
    best, u = np.array(fit.parameters), np.array(fit.u)
    here = response(x, *best)
    slopes = []
    for step in np.diag(1e-3 * u):
        # Forward, since a length may be zero but not less.
        moved = float(np.abs(step).sum())
        slopes.append((response(x, *(best + step)) - here) / moved if moved else np.zeros(x.size))
    slope = np.array(slopes)
    return np.sqrt(np.maximum(np.einsum("in,ij,jn->n", slope, fit.covariance, slope), 0.0))


def _mark_edge(axes: "Axes", fit: LogisticFit) -> dict[str, Any]:
    """Span between the exact levels."""
    p = fit.parameters
    reach = 3.0 * fit.width
    fine = np.linspace(p.midpoint - reach, p.midpoint + reach, 6001)
    shape = logistic_edge(fine, p.midpoint, p.half_width, p.asymmetry)
    first, last = np.interp(EXACT_LEVELS, shape, fine)
    _double_arrow(axes, first, last, 0.5 * (p.a + p.b))
    area: dict[str, Any] = {"color": PALETTE[1], "alpha": 0.22, "linewidth": 0}
    return {"width, 15.9 to 84.1 %": axes.axvspan(first, last, **area)}


def _mark_peak(axes: "Axes", fit: DeltaFit) -> dict[str, Any]:
    """Full width at half maximum; logarithmic axis where the decay can be read over decades."""
    p = fit.parameters
    top = delta_peak(p.centre, p.leading, p.trailing, p.sigma)
    height = float(_peak(np.array(top), *p)) - p.background
    half = p.background + 0.5 * height
    before = np.linspace(top - 2.0 * fit.fwhm, top, 3001)
    after = np.linspace(top, top + 2.0 * fit.fwhm, 3001)
    first = float(np.interp(half, _peak(before, *p), before))
    last = float(np.interp(-half, -_peak(after, *p), after))
    _double_arrow(axes, first, last, half)
    if height > _LOGARITHMIC_FROM * max(p.background, 0.0):
        lowest = max(p.background, 1e-4 * height)
        axes.set_yscale("log", nonpositive="mask")
        axes.set_ylim(0.3 * lowest, 2.0 * (height + p.background))
    area: dict[str, Any] = {"color": PALETTE[1], "alpha": 0.22, "linewidth": 0}
    return {"full width at half maximum": axes.axvspan(first, last, **area)}


def _double_arrow(axes: "Axes", first: float, last: float, height: float) -> None:
    look = {"arrowstyle": "<->", "color": INK, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (first, height), (last, height), arrowprops=look)


def _lines(found: StandardFigures) -> list[str]:
    """The rows of the figures, each with its name above its number."""
    lines = []
    for name, value, u in found.rows:
        lines += wrap(name.replace(" %", "\N{NO-BREAK SPACE}%"), _NAME_CHARACTERS)
        lines.append(f"   {_number(value, u, found.unit)}")
    return lines


def _number(value: float, u: float | None, unit: str) -> str:
    """A figure with its standard uncertainty, of which two digits are shown (GUM, 7.2.6)."""
    if u is None:
        return f"< {three_digits(value)} {unit} (95 %)"
    if not (np.isfinite(u) and u > 0):
        return f"{value:.4g} {unit}, uncertainty unknown"
    decimals = max(1 - int(np.floor(np.log10(u))), 0)
    number = f"{value:.{decimals}f}".replace("-", "−")
    return f"{number} {unit}, u = {u:.{decimals}f} {unit}"
