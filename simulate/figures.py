"""Figures of simulated profiles, of inversions and of what broadens an interface.

Every function returns a figure of matplotlib that nothing else holds; `save_figure` writes it.
"""

import json
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.assembly import Assembly
from craterfront.experiment import experiment_from_dict
from craterfront.figure_style import (
    GREY,
    INK,
    WIDTH_MM,
    Stroke,
    check_suffix,
    draw_residuals,
    fits,
    label_of,
    legend_height_mm,
    legend_outside,
    length_unit,
    new_figure,
    rasterised,
    save_figure,
    scale_intensity,
    strokes,
    styled,
    three_digits,
    tidy,
)
from craterfront.resolution_figures import budget_figure, exposure_figure, resolution_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

    from craterfront.results import Answer

__all__ = [
    "budget_figure",
    "check_suffix",
    "exposure_figure",
    "fit_figure",
    "profile_figure",
    "resolution_figure",
    "save_figure",
]

_LABELLED_SHARE = 0.09  # of the composition, from which an area has room for a label


@styled
def profile_figure(dataset: "Dataset") -> "Figure":
    """Draw a simulated profile above the sample that it belongs to.

    Parameters
    ----------
    dataset : xarray.Dataset
        From `craterfront.simulate`.

    Returns
    -------
    matplotlib.figure.Figure
        Above, all channels with and without noise against time, and the mean depth removed as a
        second axis; below, the composition of the true sample against depth, with the planes of
        the interfaces and, shaded, their widths.
    """
    looks = strokes([*dataset["channel"].values, *dataset["element"].values])
    keys = _name_keys(looks)
    keys["without noise"] = _line(color=INK, linewidth=1.2)
    keys["with noise"] = _line(color=INK, linewidth=0.4, alpha=0.7)
    figure = new_figure(112.0 + legend_height_mm(list(keys)))
    upper, lower = figure.subplots(2, 1, height_ratios=(1.7, 1.0))

    time = dataset["time"].values
    noisy, clean = dataset["intensity"].values, dataset["clean"].values
    for c, name in enumerate(dataset["channel"].values):
        look = looks[str(name)]
        pixels = rasterised(time.size)
        upper.plot(time, noisy[c], color=look.colour, lw=0.4, alpha=0.6, rasterized=pixels)
        upper.plot(time, clean[c], color=look.colour, linestyle=look.dash)
    scale_intensity(upper, clean, noisy)
    upper.set_xlim(0.0, time[-1])
    upper.set_xlabel("time (s)")
    upper.set_ylabel(label_of(dataset["intensity"], "intensity"))
    tidy(upper)
    unit, factor = length_unit(float(dataset["depth"].values[-1]))
    if time.size > 1:
        _depth_axis(upper, time, dataset["mean_depth"].values * factor, unit)

    planes = dataset["interface_depth_nm"].values * factor
    half = 0.5 * dataset["interface_width_nm"].values * factor
    depth = dataset["depth"].values * factor
    _draw_sample(lower, depth, _composition(dataset), looks, planes)
    for plane, reach in zip(planes, half, strict=True):
        lower.axvline(plane, color=INK, linewidth=0.7)
        lower.axvspan(plane - reach, plane + reach, color=INK, alpha=0.25, linewidth=0)
    _name_layers(lower, [str(n) for n in dataset["layer"].values], planes, depth[-1])
    lower.set_xlabel(f"depth in the sample ({unit}); shaded: width of the interfaces")
    legend_outside(figure, keys, "upper")
    return figure


@styled
def fit_figure(
    estimate_dataset: "Dataset", answer: "Answer", truth: "Dataset | None" = None
) -> "Figure":
    """Draw what was measured, the fit, the residuals, and the sample that they tell of.

    The bands of the interface positions add up the 95 % intervals of the thicknesses above them.
    That is right where these err together, as with one doubtful depth scale; where they err
    independently it is more than needed.

    Parameters
    ----------
    estimate_dataset : xarray.Dataset
        From `craterfront.results.estimate_dataset`.
    answer : Answer
        From `craterfront.results.answer`, of the same inversion.
    truth : xarray.Dataset, optional
        From `craterfront.simulate`, to compare with.

    Returns
    -------
    matplotlib.figure.Figure
        On the left the readings with the fit, and below them the residuals over the standard
        deviation of their noise. On the right the reconstructed sample, and below it the widths
        of its interfaces with 95 % intervals or upper limits.
    """
    dataset = estimate_dataset
    looks = strokes([*dataset["channel"].values, *dataset["element"].values])
    above = _name_keys(looks)
    above["measured"] = _line(color=INK, marker="o", linestyle="none", markersize=2.0)
    above["fit"] = _line(color=INK)
    figure = new_figure(112.0 + legend_height_mm(list(above)))
    panels = figure.subplots(2, 2, width_ratios=(1.25, 1.0), height_ratios=(2.1, 1.0))
    for axes in panels.flat:
        tidy(axes)
    _draw_fit(panels[0, 0], panels[1, 0], dataset, looks)
    below = _draw_estimate(panels[0, 1], panels[1, 1], dataset, answer, looks, truth)
    figure.align_ylabels(panels[:, 0])
    legend_outside(figure, above, "upper")
    legend_outside(figure, below, "lower")
    return figure


# --- measured and fitted -----------------------------------------------------------------------


def _draw_fit(upper: "Axes", lower: "Axes", dataset: "Dataset", looks: dict[str, Stroke]) -> None:
    axis = "time" if "time" in dataset["measured"].dims else "depth"
    unit = dataset[axis].attrs["units"]
    x, factor = dataset[axis].values, 1.0
    if axis == "depth":
        unit, factor = length_unit(float(x[-1]))
    x = x * factor
    measured, fit = dataset["measured"].values, dataset["fit"].values
    looked = []
    for c, name in enumerate(dataset["channel"].values):
        look = looks[str(name)]
        dots: dict[str, Any] = {"color": look.colour, "marker": look.marker, "linestyle": "none"}
        dots.update(markersize=1.6, markeredgewidth=0, rasterized=rasterised(x.size))
        upper.plot(x, measured[c], alpha=0.45, **dots)
        upper.plot(x, fit[c], color=look.colour, linestyle=look.dash)
        looked.append({**dots, "alpha": 0.6})
    draw_residuals(lower, x, dataset["residual"].values, looked)
    scale_intensity(upper, fit, measured)
    upper.set_ylabel(label_of(dataset["measured"]))
    lower.set_ylabel("residual\n(SD of noise)")
    lower.set_xlabel(f"{axis} ({unit})")
    upper.sharex(lower)
    lower.set_xlim(min(0.0, x[0]), x[-1])
    upper.tick_params(labelbottom=False)


# --- the sample --------------------------------------------------------------------------------


def _draw_estimate(
    upper: "Axes",
    lower: "Axes",
    dataset: "Dataset",
    answer: "Answer",
    looks: dict[str, Stroke],
    truth: "Dataset | None",
) -> dict[str, Any]:
    """Reconstructed sample and widths; the keys of a legend."""
    planes = [layer.depth for layer in answer.layers]
    low = [layer.depth_lower for layer in answer.layers]
    high = [layer.depth_upper for layer in answer.layers]
    relative = answer.unit == "s"
    unit, factor = answer.unit, 1.0
    if relative:
        rates = _nominal_rates_nm_s(dataset)
        thickness = np.diff(planes, prepend=0.0) * rates[:-1]
        depth = _at_nominal_rates(dataset["sample_depth"].values, thickness, rates)
    else:
        depth = dataset["sample_depth"].values
        unit, factor = length_unit(float(depth[-1]))
    depth, planes, low, high = (np.asarray(a) * factor for a in (depth, planes, low, high))
    composition = _composition(dataset)
    _draw_sample(upper, depth, composition, looks, planes)
    end = depth[-1]
    for span in _merged(low, np.minimum(high, end)):
        upper.axvspan(*span, facecolor="white", alpha=0.55, linewidth=0)
        upper.axvspan(*span, facecolor="none", edgecolor=INK, hatch="////", linewidth=0, alpha=0.5)
    for plane in planes:
        upper.axvline(plane, color=INK, linewidth=0.8)
        lower.axvline(plane, color=GREY, linewidth=0.5)
    _name_layers(upper, [layer.name for layer in answer.layers], planes, end)
    keys: dict[str, Any] = {"95 % of interface position": _patch(hatch="////", facecolor="none")}
    keys.update(_draw_widths(lower, answer, planes, end))
    if truth is not None:
        keys["truth"] = _draw_truth(upper, lower, truth, composition, relative, factor)
    upper.sharex(lower)
    lower.set_xlim(0.0, end)
    upper.tick_params(labelbottom=False)
    what = "time at nominal rates" if relative else "depth in the sample"
    lower.set_xlabel(f"{what} ({unit})")
    lower.set_ylabel(f"interface width\n({unit})" if unit != "µm" else "interface width\n(nm)")
    return keys


def _merged(low: np.ndarray, high: np.ndarray) -> list[tuple[float, float]]:
    """Intervals in order, those that overlap joined."""
    spans: list[tuple[float, float]] = []
    for first, last in zip(low.tolist(), high.tolist(), strict=True):
        if spans and first <= spans[-1][1]:
            first, last = spans[-1][0], max(last, spans[-1][1])
            spans.pop()
        spans.append((first, last))
    return spans


def _draw_widths(axes: "Axes", answer: "Answer", planes: np.ndarray, end: float) -> dict[str, Any]:
    """Width of every interface with its interval, against depth; the keys of a legend."""
    widths = [layer.width for layer in answer.layers]
    top = 1.35 * max([w.upper_nm for w in widths if np.isfinite(w.upper_nm)], default=1.0)
    top = top or 1.0
    keys: dict[str, Any] = {}
    heights, numbers = [], []
    for width, plane in zip(widths, planes, strict=True):
        if width.upper_nm == width.lower_nm:
            label, marker, y = "width, held", "s", width.value_nm
        elif width.resolved:
            label, marker, y = "width, 95 %", "o", width.value_nm
        else:
            label, marker, y = "upper limit of width, 95 %", "v", min(width.upper_nm, top)
        look: dict[str, Any] = {"color": INK, "marker": marker, "markersize": 4.0}
        look["markerfacecolor"] = "white" if marker == "v" else INK
        axes.vlines(plane, width.lower_nm, min(width.upper_nm, top), color=INK, linewidth=0.9)
        axes.plot(plane, y, linestyle="none", clip_on=False, zorder=4, **look)
        keys.setdefault(label, _line(linestyle="none", **look))
        number = three_digits(y) if marker != "v" else f"< {three_digits(y)}"
        numbers.append(number if np.isfinite(width.upper_nm) else "no limit")
        heights.append(y)
    _number(axes, planes, np.array(heights), numbers, end)
    axes.set_ylim(-0.06 * top, top)
    return keys


def _number(
    axes: "Axes", planes: np.ndarray, heights: np.ndarray, numbers: Sequence[str], end: float
) -> None:
    """Numbers beside points, left or right, where the gap between planes has room for them."""
    room = np.diff(planes, prepend=0.0, append=end) / end * _panel_mm(axes) - 1.0
    for i, (plane, height, number) in enumerate(zip(planes, heights, numbers, strict=True)):
        left = {"xytext": (-4, 2), "ha": "right"}
        right = {"xytext": (4, 2), "ha": "left"}
        for gap, side in ((i, left), (i + 1, right)):
            if fits(number, room[gap]):
                axes.annotate(
                    number, (plane, height), textcoords="offset points", fontsize=7.0, **side
                )
                room[gap] = 0.0
                break


def _panel_mm(axes: "Axes") -> float:
    """About how wide a panel is."""
    place: Any = axes.get_subplotspec()
    return place.get_position(axes.figure).width * WIDTH_MM


def _draw_truth(
    upper: "Axes",
    lower: "Axes",
    truth: "Dataset",
    elements: Iterable[str],
    relative: bool,
    factor: float,
) -> Any:
    """True composition and widths over the estimated ones; the handle of the legend."""
    depth, planes = truth["depth"].values, truth["interface_depth_nm"].values
    widths = truth["interface_width_nm"].values
    if relative:
        rates = _nominal_rates_nm_s(truth)
        thickness = truth["thickness_nm"].values
        depth = _at_nominal_rates(depth, thickness, rates)
        planes = _at_nominal_rates(planes, thickness, rates)
        widths = widths / rates[:-1]
    known = _composition(truth)
    none = np.zeros(depth.size)
    boundaries = np.cumsum([known.get(name, none) for name in elements], axis=0)
    look: dict[str, Any] = {"color": INK, "linestyle": (0, (4, 2)), "linewidth": 0.9}
    for boundary in boundaries[:-1]:
        upper.plot(depth * factor, boundary, **look)
    diamonds: dict[str, Any] = {"marker": "D", "markersize": 4.5, "markerfacecolor": "none"}
    lower.plot(planes * factor, widths, color=GREY, linestyle="none", **diamonds)
    top = max(lower.get_ylim()[1], 1.2 * float(np.max(widths, initial=0.0)))
    lower.set_ylim(-0.06 * top, top)
    return _line(**look, **diamonds)


def _composition(dataset: "Dataset") -> dict[str, np.ndarray]:
    elements = [str(name) for name in dataset["element"].values]
    return dict(zip(elements, dataset["composition"].values, strict=True))


def _draw_sample(
    axes: "Axes",
    depth: np.ndarray,
    composition: dict[str, np.ndarray],
    looks: dict[str, Stroke],
    planes: np.ndarray,
) -> None:
    """Atomic fractions as areas on top of one another, labelled where there is room."""
    below = np.zeros(depth.size)
    edges = np.concatenate([[0.0], planes, [depth[-1]]])
    for name, share in composition.items():
        look = looks[name]
        axes.fill_between(depth, below, below + share, color=look.tint, linewidth=0)
        line = np.where(share > 1e-3, below + share, np.nan)
        axes.plot(depth, line, color=look.colour, linestyle=look.dash, linewidth=0.9)
        for first, last in pairwise(edges):
            middle = 0.5 * (first + last)
            part = float(np.interp(middle, depth, share))
            room = (last - first) / depth[-1] * _panel_mm(axes)
            if part > _LABELLED_SHARE and fits(name, room):
                height = float(np.interp(middle, depth, below)) + 0.5 * part
                axes.text(middle, height, name, ha="center", va="center", zorder=5)
        below = below + share
    axes.set_ylim(0.0, 1.0)
    axes.set_xlim(0.0, depth[-1])
    axes.set_ylabel("atomic fraction (1)")
    tidy(axes)


def _name_layers(axes: "Axes", names: Sequence[str], planes: np.ndarray, end: float) -> None:
    """Names of the layers above a sample, where they have room."""
    edges = np.concatenate([[0.0], planes, [end]])
    for name, (first, last) in zip([*names, "substrate"], pairwise(edges), strict=True):
        if fits(name, (last - first) / end * _panel_mm(axes)):
            place = {"transform": axes.get_xaxis_transform(), "ha": "center", "va": "bottom"}
            axes.text(0.5 * (first + last), 1.02, name, color=GREY, **place)


def _depth_axis(axes: "Axes", time: np.ndarray, depth: np.ndarray, unit: str) -> None:
    """Depth removed as a second axis of time."""
    other: Any = axes.secondary_xaxis("top", functions=(_curve(time, depth), _curve(depth, time)))
    other.set_xlabel(f"mean depth removed ({unit})")
    tidy(other)


def _curve(x: np.ndarray, y: np.ndarray) -> Callable[[Any], np.ndarray]:
    """Straight lines through the points, the outer ones continued."""
    x = np.concatenate([[2 * x[0] - x[1]], x, [2 * x[-1] - x[-2]]])
    y = np.concatenate([[2 * y[0] - y[1]], y, [2 * y[-1] - y[-2]]])

    def at(wanted: Any) -> np.ndarray:
        wanted = np.asarray(wanted, dtype=float)
        first = np.minimum(wanted - x[0], 0.0) * (y[1] - y[0]) / (x[1] - x[0])
        last = np.maximum(wanted - x[-1], 0.0) * (y[-1] - y[-2]) / (x[-1] - x[-2])
        return np.interp(wanted, x, y) + first + last

    return at


def _nominal_rates_nm_s(dataset: "Dataset") -> np.ndarray:
    """Nominal erosion rates of all layers and the substrate of a dataset's experiment."""
    experiment = experiment_from_dict(json.loads(dataset.attrs["experiment"]))
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    return np.array([assembly.nominal_rate_nm_s(i) for i in range(len(assembly.layers))])


def _at_nominal_rates(
    depth_nm: np.ndarray, thickness_nm: np.ndarray, rate_nm_s: np.ndarray
) -> np.ndarray:
    """Time [s] at which depths are reached when every layer erodes at its nominal rate."""
    planes = np.concatenate([[0.0], np.cumsum(thickness_nm)])
    times = np.concatenate([[0.0], np.cumsum(thickness_nm / rate_nm_s[:-1])])
    deeper = np.maximum(depth_nm - planes[-1], 0.0) / rate_nm_s[-1]
    return np.interp(depth_nm, planes, times) + deeper


# --- legends -----------------------------------------------------------------------------------


def _line(**look: Any) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([], [], **look)


def _patch(**look: Any) -> Any:
    from matplotlib.patches import Patch

    return Patch(edgecolor=INK, linewidth=0.4, **look)


def _name_keys(looks: dict[str, Stroke]) -> dict[str, Any]:
    """Line on tinted ground for every channel and element."""
    return {
        name: (
            _patch(facecolor=look.tint),
            _line(color=look.colour, linestyle=look.dash, marker=look.marker, markersize=2.5),
        )
        for name, look in looks.items()
    }
