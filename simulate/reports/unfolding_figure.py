"""Figure of an unfolded profile: composition with its band, resolution, residuals."""

from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.reports.figure_style import (
    GREY,
    INK,
    SHADE,
    Stroke,
    draw_residuals,
    legend_height_mm,
    legend_outside,
    length_unit,
    new_figure,
    rasterised,
    shade_between,
    strokes,
    styled,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

_BAND = "95 % in the mean over depth"
_STEEP = "as steep as a sharp edge"
_TRUTH = "truth"
_HATCHED: dict[str, Any] = {
    "facecolor": "none",
    "edgecolor": GREY,
    "hatch": "/////",
    "linewidth": 0,
}


@styled
def unfolding_figure(dataset: "Dataset", truth: "Dataset | None" = None) -> "Figure":
    """Draw the composition with its band above its resolution and the residuals of the readings.

    Parameters
    ----------
    dataset : xarray.Dataset
        From `craterfront.unfolded_dataset`.
    truth : xarray.Dataset, optional
        From `craterfront.simulate`, to compare with.

    Returns
    -------
    matplotlib.figure.Figure
    """
    looks = strokes(dataset["element"].values)
    keys = _keys(dataset, looks, truth)
    figure = new_figure(128.0 + legend_height_mm(list(keys)))
    upper, middle, lower = figure.subplots(3, 1, height_ratios=(2.6, 1.0, 1.0))
    unit, factor = length_unit(float(dataset["depth"].values[-1]))
    _draw_composition(upper, dataset, looks, factor, truth)
    _draw_resolution(middle, dataset, looks, factor)
    end = float(dataset["depth"].values[-1] + 0.5 * dataset["cell_thickness"].values[-1])
    for axes in (upper, middle):
        axes.set_xlim(0.0, end * factor)
    upper.tick_params(labelbottom=False)
    middle.set_xlabel(f"depth ({unit})")
    middle.set_ylabel(f"effective\nresolution ({unit})")
    _draw_residuals(lower, dataset)
    for axes in (upper, middle, lower):
        tidy(axes)
    figure.align_ylabels([upper, middle, lower])
    legend_outside(figure, keys, "upper")
    return figure


def _draw_composition(
    axes: "Axes",
    dataset: "Dataset",
    looks: dict[str, Stroke],
    factor: float,
    truth: "Dataset | None",
) -> None:
    depth = dataset["depth"].values * factor
    for symbol in dataset["element"].values:
        own, look = dataset.sel(element=symbol), looks[str(symbol)]
        low, high = own["composition_lo"].values, own["composition_hi"].values
        shade_between(axes, depth, low, high, look.colour)
        axes.plot(depth, own["composition"].values, color=look.colour, linestyle=look.dash)
        if truth is not None and symbol in truth["element"].values:
            true = truth["composition"].sel(element=symbol)
            line: dict[str, Any] = {"color": INK, "linewidth": 0.7, "linestyle": "dotted"}
            axes.plot(truth["depth"].values * factor, true.values, **line)
    axes.set_ylim(-0.03, 1.05)
    axes.set_ylabel("atomic fraction (1)")


def _draw_resolution(
    axes: "Axes", dataset: "Dataset", looks: dict[str, Stroke], factor: float
) -> None:
    depth = dataset["depth"].values * factor
    half = 0.5 * dataset["cell_thickness"].values * factor
    for symbol in dataset["element"].values:
        own, look = dataset.sel(element=symbol), looks[str(symbol)]
        size = own["effective_resolution"].values * factor
        axes.plot(depth, size, color=look.colour, linestyle=look.dash)
    steep = np.asarray(dataset["as_steep_as_resolution"].values.any(axis=0))
    for start, end in _runs(steep):
        edges = depth[start] - half[start], depth[end] + half[end]
        axes.axvspan(*edges, **_HATCHED)
    axes.set_ylim(bottom=0.0)


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and last place of every run of true values."""
    steps = np.diff(np.concatenate([[False], mask, [False]]).astype(int))
    starts, ends = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    return [(int(a), int(b) - 1) for a, b in zip(starts, ends, strict=True)]


def _draw_residuals(axes: "Axes", dataset: "Dataset") -> None:
    axis = "time" if "time" in dataset["measured"].dims else "reading_depth"
    x = dataset[axis].values
    names = dataset["channel"].values
    colours = strokes([*dataset["element"].values, *names])
    looked: list[dict[str, Any]] = []
    for name in names:
        look = colours[str(name)]
        dots = {"color": look.colour, "marker": look.marker, "linestyle": "none"}
        looked.append(
            {**dots, "markersize": 1.6, "markeredgewidth": 0, "alpha": 0.6,
             "rasterized": rasterised(x.size)}
        )  # fmt: skip
    draw_residuals(axes, x, dataset["residual"].values, looked, dataset["measured"].values == 0)
    axes.set_xlim(float(x[0]), float(x[-1]))
    label = "time" if axis == "time" else "depth of the reading"
    axes.set_xlabel(f"{label} ({dataset[axis].attrs['units']})")
    axes.set_ylabel("residual\n(standard dev.)")


def _keys(dataset: "Dataset", looks: dict[str, Stroke], truth: "Dataset | None") -> dict[str, Any]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    keys: dict[str, Any] = {
        name: Line2D([], [], color=look.colour, linestyle=look.dash) for name, look in looks.items()
    }
    keys[_BAND] = Patch(color=INK, alpha=SHADE, linewidth=0)
    if dataset["as_steep_as_resolution"].values.any():
        keys[_STEEP] = Patch(**_HATCHED)
    if truth is not None:
        keys[_TRUTH] = Line2D([], [], color=INK, linewidth=0.7, linestyle="dotted")
    return keys
