"""Figures for judging an inversion: residuals by channel, the sample's band, parameter pairs."""

from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.answers.results import Answer
from craterfront.reports.drawn_dataset import axis_of, composition_of, layer_names, looks_of
from craterfront.reports.figure_style import (
    GREY,
    INK,
    WIDTH_MM,
    draw_residuals,
    legend_height_mm,
    legend_outside,
    length_unit,
    new_figure,
    shortened,
    styled,
    tidy,
)
from craterfront.reports.sample_band import Band
from craterfront.reports.sample_drawing import name_layers
from craterfront.reports.shown_parameters import Drawn

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

_ROW_MM = 24.0  # of a channel
_NAME_CHARACTERS = 15  # of a line beside a small panel
_BINS = 24
_POSITION = "interface, 95 %"
_ABOVE = 1.04  # where the intervals of interfaces stand


@styled
def residual_figure(estimate_dataset: "Dataset") -> "Figure":
    """Draw the residuals of each channel in a panel of its own.

    Parameters
    ----------
    estimate_dataset : xarray.Dataset
        From `craterfront.answers.results.estimate_dataset`.

    Returns
    -------
    matplotlib.figure.Figure
        Residuals over the standard deviation of their noise; two of these are shaded.
    """
    dataset = estimate_dataset
    looks, (x, label) = looks_of(dataset).channels, axis_of(dataset)
    names = [str(name) for name in dataset["channel"].values]
    columns = 1 if len(names) < 4 else 2
    rows = -(-len(names) // columns)
    figure = new_figure(_ROW_MM * rows + 12.0)
    panels = figure.subplots(rows, columns, squeeze=False, sharex=True)
    residuals, dark = dataset["residual"].values, dataset["measured"].values == 0
    for c, (name, axes) in enumerate(zip(names, panels.flat, strict=False)):
        look: dict[str, Any] = {"color": looks[name].colour, "marker": looks[name].marker}
        look.update(linestyle="none", markersize=1.8, markeredgewidth=0, alpha=0.7)
        draw_residuals(axes, x, residuals[c : c + 1], [look], dark[c : c + 1])
        axes.set_title(shortened(name), loc="left", pad=2.0)
        tidy(axes)
    reach = max(axes.get_ylim()[1] for axes in panels.flat[: len(names)])
    for axes in panels.flat:
        axes.set_ylim(-reach, reach)
    panels[0, 0].set_xlim(min(0.0, x[0]), x[-1])
    for c, axes in enumerate(panels.flat):
        axes.set_visible(c < len(names))
        axes.tick_params(labelbottom=c + columns >= len(names))
    figure.supxlabel(label, fontsize="medium")
    figure.supylabel("residual (SD of noise)", fontsize="medium")
    return figure


@styled
def band_figure(estimate_dataset: "Dataset", answer: Answer, band: Band) -> "Figure":
    """Draw the reconstructed sample with its 95 % band.

    Parameters
    ----------
    estimate_dataset : xarray.Dataset
        From `craterfront.answers.results.estimate_dataset`.
    answer : Answer
        Of the same inversion.
    band : Band
        Of the elements of the dataset.

    Returns
    -------
    matplotlib.figure.Figure
        Atomic fraction of each element in the most probable sample, with the band about it, and
        the interfaces with the 95 % intervals of their depths.
    """
    looks, composition = looks_of(estimate_dataset).elements, composition_of(estimate_dataset)
    unit, factor = (answer.unit, 1.0) if answer.unit == "s" else length_unit(float(band.depth[-1]))
    depth, end = band.depth * factor, float(band.depth[-1]) * factor
    figure = new_figure(66.0 + legend_height_mm([*looks, _POSITION]))
    axes = figure.subplots()
    planes = np.array([layer.depth for layer in answer.layers]) * factor
    keys: dict[str, Any] = {}
    for (name, look), low, high in zip(looks.items(), band.lower, band.upper, strict=True):
        ground = axes.fill_between(depth, low, high, color=look.tint, alpha=0.6, linewidth=0)
        for edge in (low, high):
            axes.plot(depth, edge, color=look.colour, linestyle=look.dash, linewidth=0.4)
        share = 0.5 * (composition[name][1:] + composition[name][:-1])  # where the band is
        (line,) = axes.plot(depth, share, color=look.colour, linestyle=look.dash)
        keys[name] = (ground, line)
    for layer, plane in zip(answer.layers, planes, strict=True):
        axes.axvline(plane, color=INK, linewidth=0.6)
        ends = layer.depth_lower * factor, min(layer.depth_upper * factor, end)
        keys[_POSITION] = axes.plot(ends, (_ABOVE, _ABOVE), color=INK, marker="|", lw=1.0)[0]
    axes.set_ylim(0.0, 2.0 * _ABOVE - 1.0)
    axes.set_xlim(0.0, end)
    what = "time at nominal rates" if answer.unit == "s" else "depth in the sample"
    axes.set_xlabel(f"{what} ({unit})")
    axes.set_ylabel("atomic fraction (1)")
    tidy(axes)
    name_layers(axes, layer_names(estimate_dataset), planes, end)
    legend_outside(figure, keys, "upper")
    return figure


@styled
def pairs_figure(shown: Sequence[Drawn]) -> "Figure":
    """Draw parameters against each other.

    Parameters
    ----------
    shown : sequence of Drawn
        At least one.

    Returns
    -------
    matplotlib.figure.Figure
        On the diagonal the distribution of each, with its 95 % interval between thin lines; below
        it the draws of every pair, with a cross at the most probable values; above it their
        coefficients of correlation.
    """
    count = len(shown)
    figure = new_figure(min(WIDTH_MM, 18.0 + 30.0 * count))
    panels = figure.subplots(count, count, squeeze=False, sharex="col")
    correlation = np.atleast_2d(np.corrcoef([each.values for each in shown]))
    for row, vertical in enumerate(shown):
        for column, horizontal in enumerate(shown):
            axes = panels[row, column]
            tidy(axes)
            if column > row:
                _write_correlation(axes, correlation[row, column])
            elif column == row:
                _draw_distribution(axes, horizontal)
            else:
                _draw_pair(axes, horizontal, vertical)
            axes.tick_params(labelbottom=row == count - 1, labelleft=column == 0 < row)
            axes.locator_params(nbins=3)
        panels[-1, row].set_xlabel(_label(vertical))
        panels[-1, row].tick_params(axis="x", labelrotation=30)
        if row:
            panels[row, 0].set_ylabel(_label(vertical))
    figure.align_labels()
    return figure


def _label(shown: Drawn) -> str:
    unit = f" ({shown.unit})" if shown.unit else ""
    return fill(f"{shortened(shown.name)}{unit}", _NAME_CHARACTERS)


def _write_correlation(axes: "Axes", coefficient: float) -> None:
    axes.set_axis_off()
    strong = "bold" if abs(coefficient) >= 0.5 else "normal"
    text = f"{round(coefficient, 2) + 0.0:+.2f}".replace("-", "−")
    axes.text(0.5, 0.5, text, ha="center", va="center", weight=strong, transform=axes.transAxes)


def _draw_distribution(axes: "Axes", shown: Drawn) -> None:
    axes.hist(shown.values, _BINS, histtype="stepfilled", facecolor="0.85", edgecolor=INK, lw=0.6)
    for end in np.quantile(shown.values, [0.025, 0.975]):
        axes.axvline(end, color=GREY, linewidth=0.6, linestyle=(0, (4, 2)))
    axes.axvline(shown.best, color=INK, linewidth=0.8)
    axes.set_yticks([])


def _draw_pair(axes: "Axes", horizontal: Drawn, vertical: Drawn) -> None:
    dots: dict[str, Any] = {"linestyle": "none", "marker": ".", "markersize": 1.6, "alpha": 0.5}
    axes.plot(horizontal.values, vertical.values, color=GREY, markeredgewidth=0, **dots)
    axes.axvline(horizontal.best, color=INK, linewidth=0.5)
    axes.axhline(vertical.best, color=INK, linewidth=0.5)
