"""Figures of simulated profiles, of inversions and of what broadens an interface.

Every function returns a figure of matplotlib that nothing else holds; `save_figure` writes it.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.reports.drawn_dataset import (
    Looks,
    at_nominal_rates,
    axis_of,
    composition_of,
    experiment_of,
    layer_names,
    looks_of,
    nominal_rates_nm_s,
)
from craterfront.reports.figure_style import (
    GREY,
    INK,
    Stroke,
    check_suffix,
    draw_residuals,
    label_of,
    legend_height_mm,
    legend_outside,
    length_unit,
    new_figure,
    rasterised,
    save_figure,
    scale_intensity,
    styled,
    tidy,
)
from craterfront.reports.lamp_figure import rate_law_figure
from craterfront.reports.resolution_figures import budget_figure, exposure_figure, resolution_figure
from craterfront.reports.sample_drawing import (
    LIMIT,
    draw_sample,
    draw_widths,
    merged,
    name_layers,
    number_widths,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

    from craterfront.answers.results import Answer

__all__ = [
    "budget_figure",
    "check_suffix",
    "exposure_figure",
    "fit_figure",
    "profile_figure",
    "rate_law_figure",
    "resolution_figure",
    "save_figure",
]


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
    looks = looks_of(dataset)
    keys = _name_keys(looks)
    keys["without noise"] = _line(color=INK, linewidth=1.2)
    keys["with noise"] = _line(color=INK, linewidth=0.4, alpha=0.7)
    figure = new_figure(112.0 + legend_height_mm(list(keys)))
    upper, lower = figure.subplots(2, 1, height_ratios=(1.7, 1.0))
    unit, factor = length_unit(float(dataset["depth"].values[-1]))
    time = dataset["time"].values
    _draw_profile(upper, time, dataset, looks)
    if time.size > 1:
        _depth_axis(upper, time, dataset["mean_depth"].values * factor, unit)
    planes = dataset["interface_depth_nm"].values * factor
    half = 0.5 * dataset["interface_width_nm"].values * factor
    depth = dataset["depth"].values * factor
    draw_sample(lower, depth, composition_of(dataset), looks.elements, planes)
    for plane, reach in zip(planes, half, strict=True):
        lower.axvline(plane, color=INK, linewidth=0.7)
        lower.axvspan(plane - reach, plane + reach, color=INK, alpha=0.25, linewidth=0)
    name_layers(lower, layer_names(dataset), planes, depth[-1])
    lower.set_xlabel(f"depth in the sample ({unit}); shaded: width of the interfaces")
    legend_outside(figure, keys, "upper")
    return figure


def _draw_profile(axes: "Axes", time: np.ndarray, dataset: "Dataset", looks: "Looks") -> None:
    noisy, clean = dataset["intensity"].values, dataset["clean"].values
    for c, name in enumerate(dataset["channel"].values):
        look = looks.channels[str(name)]
        pixels = rasterised(time.size)
        axes.plot(time, noisy[c], color=look.colour, lw=0.4, alpha=0.6, rasterized=pixels)
        axes.plot(time, clean[c], color=look.colour, linestyle=look.dash)
    scale_intensity(axes, clean, noisy)
    axes.set_xlim(0.0, time[-1])
    axes.set_xlabel("time (s)")
    axes.set_ylabel(label_of(dataset["intensity"], "intensity"))
    tidy(axes)


@styled
def fit_figure(
    estimate_dataset: "Dataset", answer: "Answer", truth: "Dataset | None" = None
) -> "Figure":
    """Draw what was measured, the fit, the residuals, and the sample that they tell of.

    Parameters
    ----------
    estimate_dataset : xarray.Dataset
        From `craterfront.answers.results.estimate_dataset`.
    answer : Answer
        From `craterfront.answers.results.answer`, of the same inversion.
    truth : xarray.Dataset, optional
        From `craterfront.simulate`, to compare with.

    Returns
    -------
    matplotlib.figure.Figure
        On the left the readings with the fit, and below them the residuals over the standard
        deviation of their noise. On the right the reconstructed sample with the 95 % intervals of
        the depths of its interfaces, each from the joint uncertainty of all thicknesses above it,
        and the limits of the widths that are not resolved; below it the widths of the interfaces
        with 95 % intervals or upper limits.
    """
    dataset = estimate_dataset
    looks = looks_of(dataset)
    above = _name_keys(looks)
    above["measured"] = _line(color=INK, marker="o", linestyle="none", markersize=2.0)
    above["fit"] = _line(color=INK)
    figure = new_figure(116.0 + legend_height_mm(list(above)))
    panels = figure.subplots(2, 2, width_ratios=(1.25, 1.0), height_ratios=(2.1, 1.0))
    for axes in panels.flat:
        tidy(axes)
    _draw_fit(panels[0, 0], panels[1, 0], dataset, looks.channels)
    below = _draw_estimate(panels[0, 1], panels[1, 1], dataset, answer, looks.elements, truth)
    figure.align_ylabels(panels[:, 0])
    legend_outside(figure, above, "upper")
    legend_outside(figure, below, "lower")
    return figure


# --- measured and fitted -----------------------------------------------------------------------


def _draw_fit(upper: "Axes", lower: "Axes", dataset: "Dataset", looks: dict[str, Stroke]) -> None:
    x, label = axis_of(dataset)
    measured, fit = dataset["measured"].values, dataset["fit"].values
    looked = []
    for c, name in enumerate(dataset["channel"].values):
        look = looks[str(name)]
        dots: dict[str, Any] = {"color": look.colour, "marker": look.marker, "linestyle": "none"}
        dots.update(markersize=1.6, markeredgewidth=0, rasterized=rasterised(x.size))
        upper.plot(x, measured[c], alpha=0.45, **dots)
        upper.plot(x, fit[c], color=look.colour, linestyle=look.dash)
        looked.append({**dots, "alpha": 0.6})
    draw_residuals(lower, x, dataset["residual"].values, looked, measured == 0)
    scale_intensity(upper, fit, measured)
    upper.set_ylabel(_values_label(dataset))
    lower.set_ylabel("residual\n(SD of noise)")
    lower.set_xlabel(label)
    upper.sharex(lower)
    lower.set_xlim(min(0.0, x[0]), x[-1])
    upper.tick_params(labelbottom=False)


def _values_label(dataset: "Dataset") -> str:
    """What was measured; intensities have no unit but that of the file."""
    kind = experiment_of(dataset).profile.values
    return "intensity (as measured)" if kind == "intensity" else f"{kind} (1)"


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
    layers, relative = answer.layers, answer.unit == "s"
    planes = np.array([layer.depth for layer in layers])
    depth = dataset["sample_depth"].values
    unit, factor = answer.unit, 1.0
    if relative:
        rates = nominal_rates_nm_s(dataset)
        depth = at_nominal_rates(depth, np.diff(planes, prepend=0.0) * rates[:-1], rates)
    else:
        unit, factor = length_unit(float(depth[-1]))
    depth, planes = depth * factor, planes * factor
    end, composition = float(depth[-1]), composition_of(dataset)
    bands = merged(
        [layer.depth_lower * factor for layer in layers],
        [min(layer.depth_upper * factor, end) for layer in layers],
    )
    draw_sample(upper, depth, composition, looks, planes, bands)
    keys = _draw_bands(upper, bands)
    reach = _draw_limits(upper, answer, planes, factor, end)
    for plane in planes:
        upper.axvline(plane, color=INK, linewidth=0.8)
        lower.axvline(plane, color=GREY, linewidth=0.5)
    name_layers(upper, layer_names(dataset), planes, end)
    known = None if truth is None else _true_sample(truth, relative)
    highest = 0.0 if known is None else 1.2 * float(np.max(known.widths, initial=0.0))
    more, numbers = draw_widths(lower, layers, planes, highest)
    keys.update({label: (*reach.get(label, ()), key) for label, key in more.items()})
    if known is not None:
        keys["truth"] = _draw_truth(upper, lower, known, composition, factor)
    number_widths(lower, layers, planes, numbers, end)
    upper.sharex(lower)
    lower.set_xlim(0.0, end)
    upper.tick_params(labelbottom=False)
    what = "time at nominal rates" if relative else "depth in the sample"
    lower.set_xlabel(f"{what} ({unit})")
    lower.set_ylabel(f"interface width\n({answer.unit})")
    return keys


def _draw_bands(axes: "Axes", bands: Iterable[tuple[float, float]]) -> dict[str, Any]:
    """Intervals of the depths of interfaces; the key of a legend."""
    for band in bands:
        axes.axvspan(*band, facecolor="white", alpha=0.55, linewidth=0)
        axes.axvspan(*band, facecolor="none", edgecolor=INK, hatch="////", linewidth=0, alpha=0.5)
    return {"95 % of interface position": _patch(hatch="////", facecolor="none")}


def _draw_limits(
    axes: "Axes", answer: "Answer", planes: np.ndarray, factor: float, end: float
) -> dict[str, Any]:
    """How far interfaces that are drawn sharp may reach; the key of a legend."""
    keys: dict[str, Any] = {}
    for layer, plane in zip(answer.layers, planes, strict=True):
        if layer.width.is_limit:
            reach = min(0.5 * layer.width.upper_nm * factor, end)
            span = max(plane - reach, 0.0), min(plane + reach, end)
            look: dict[str, Any] = {"facecolor": "none", "hatch": "....", "linewidth": 0}
            axes.axvspan(*span, edgecolor=INK, alpha=0.4, **look)
            keys[LIMIT] = (_patch(hatch="....", facecolor="none"),)
    return keys


@dataclass(frozen=True, eq=False)
class _TrueSample:
    """What a simulation knows of its sample, in nm, or in s at nominal rates."""

    depth: np.ndarray
    planes: np.ndarray
    widths: np.ndarray
    composition: dict[str, np.ndarray]


def _true_sample(truth: "Dataset", relative: bool) -> _TrueSample:
    depth, planes = truth["depth"].values, truth["interface_depth_nm"].values
    widths = truth["interface_width_nm"].values
    if relative:
        rates = nominal_rates_nm_s(truth)
        thickness = truth["thickness_nm"].values
        depth = at_nominal_rates(depth, thickness, rates)
        planes = at_nominal_rates(planes, thickness, rates)
        widths = widths / rates[:-1]
    return _TrueSample(depth, planes, widths, composition_of(truth))


def _draw_truth(
    upper: "Axes", lower: "Axes", known: _TrueSample, elements: Iterable[str], factor: float
) -> Any:
    """True composition and widths over the estimated ones; the handle of the legend."""
    none = np.zeros(known.depth.size)
    boundaries = np.cumsum([known.composition.get(name, none) for name in elements], axis=0)
    look: dict[str, Any] = {"color": INK, "linestyle": (0, (4, 2)), "linewidth": 0.9}
    for boundary in boundaries[:-1]:
        upper.plot(known.depth * factor, boundary, **look)
    diamonds: dict[str, Any] = {"marker": "D", "markersize": 4.5, "markerfacecolor": "none"}
    lower.plot(known.planes * factor, known.widths, color=GREY, linestyle="none", **diamonds)
    return _line(**look, **diamonds)


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


# --- names and legends -------------------------------------------------------------------------


def _line(**look: Any) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([], [], **look)


def _patch(**look: Any) -> Any:
    from matplotlib.patches import Patch

    return Patch(edgecolor=INK, linewidth=0.4, **look)


def _name_keys(looks: Looks) -> dict[str, Any]:
    """A line for every channel, tinted ground for every element, both where one name is both."""
    keys: dict[str, Any] = {
        name: (_line(color=look.colour, linestyle=look.dash, marker=look.marker, markersize=2.5),)
        for name, look in looks.channels.items()
    }
    for name, look in looks.elements.items():
        keys[name] = (_patch(facecolor=look.tint), *keys.get(name, ()))
    return keys
