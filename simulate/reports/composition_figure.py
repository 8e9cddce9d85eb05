"""Figure of a quantified profile: composition against depth."""

from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.objective.estimation import Z95
from craterfront.reports.figure_style import (
    GREY,
    INK,
    SHADE,
    label_of,
    legend_height_mm,
    legend_outside,
    length_unit,
    new_figure,
    shade_between,
    strokes,
    styled,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

_PANEL_MM = 70.0
_BAND = "95 % of the fraction"


@styled
def composition_figure(dataset: "Dataset") -> "Figure":
    """Draw the mass fractions of a quantified profile above its atomic fractions.

    Parameters
    ----------
    dataset : xarray.Dataset
        From `craterfront.quantify`.

    Returns
    -------
    matplotlib.figure.Figure
        Both against depth, with 95 % intervals as bands and the boundaries as vertical lines.
    """
    keys = _keys(dataset)
    figure = new_figure(2.0 * _PANEL_MM + legend_height_mm(list(keys)))
    panels = figure.subplots(2, 1, sharex=True)
    unit, factor = length_unit(float(dataset["depth"].values[-1]))
    depth = dataset["depth"].values * factor
    for axes, name in zip(panels, ("composition_mass", "composition"), strict=True):
        _draw_fractions(axes, depth, dataset, name)
        for place in _boundary_depths_nm(dataset):
            axes.axvline(place * factor, color=GREY, linewidth=0.7, linestyle="dashed")
        axes.set_ylabel(label_of(dataset[name]))
        tidy(axes)
    panels[0].tick_params(labelbottom=False)
    panels[1].set_xlabel(f"depth ({unit})")
    panels[1].set_xlim(depth[0], depth[-1])
    legend_outside(figure, keys, "upper")
    return figure


def _draw_fractions(axes: "Axes", depth: np.ndarray, dataset: "Dataset", name: str) -> None:
    looks = strokes(dataset["element"].values)
    for i, symbol in enumerate(dataset["element"].values):
        look, share = looks[str(symbol)], dataset[name].values[i]
        reach = Z95 * dataset[f"{name}_u"].values[i]
        shade_between(axes, depth, share - reach, share + reach, look.colour)
        axes.plot(depth, share, color=look.colour, linestyle=look.dash)
    axes.set_ylim(-0.05, 1.08)
    axes.axhline(0.0, color=GREY, linewidth=0.5)


def _boundary_depths_nm(dataset: "Dataset") -> list[float]:
    """Ends of the spans that begin at the surface, without the end of the profile."""
    spans = dataset["span"].size // 2  # each boundary is reached from the surface, then the end
    return [float(z) for z in dataset["span_thickness"].values[:spans]]


def _keys(dataset: "Dataset") -> dict[str, Any]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    keys: dict[str, Any] = {
        name: Line2D([], [], color=look.colour, linestyle=look.dash)
        for name, look in strokes(dataset["element"].values).items()
    }
    keys[_BAND] = Patch(color=INK, alpha=SHADE, linewidth=0)
    if _boundary_depths_nm(dataset):
        keys["boundary"] = Line2D([], [], color=GREY, linewidth=0.7, linestyle="dashed")
    return keys
