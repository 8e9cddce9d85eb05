"""Figure of a forecast: which setting limits which answer."""

from typing import TYPE_CHECKING

import numpy as np

from craterfront.forecasts.expected_uncertainties import Expected
from craterfront.forecasts.forecasting import Forecast
from craterfront.problems import InputProblems
from craterfront.reports.figure_style import (
    GREY,
    INK,
    PALETTE,
    new_figure,
    shortened,
    styled,
    three_digits,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROW_MM = 6.0
_AROUND_MM = 46.0  # names of settings above, axis labels below
_HIGHEST_MM = 220.0
_MOST_NUMBERED = 60  # answers
_MOST_SETTINGS = 14
_DARK = 0.55  # elasticity from which on numbers are white
_WRITTEN_FROM = 0.02


@styled
def forecast_figure(found: Forecast) -> "Figure":
    """Draw expected uncertainties and the elasticities of each.

    Parameters
    ----------
    found : Forecast

    Returns
    -------
    matplotlib.figure.Figure
        On the left the relative uncertainty to expect of every answer; on the right its
        elasticities: the darker a field, the more the setting matters. A negative one, as that of
        counts, means that more is better.

    Raises
    ------
    InputProblems
        Without any answer.
    """
    answers = [answer for answer in found.answers if np.isfinite(answer.u)]
    names = found.settings_that_matter(_WRITTEN_FROM)[:_MOST_SETTINGS]
    if not (answers and names):
        raise InputProblems(["nothing is to be found out, so no forecast to draw"])
    count = len(answers)
    figure = new_figure(_AROUND_MM + min(_ROW_MM * max(count, 2), _HIGHEST_MM))
    left, right = figure.subplots(1, 2, width_ratios=(1.0, max(0.3 * len(names), 1.0)))
    numbered = count <= _MOST_NUMBERED
    _draw_uncertainties(left, answers, numbered)
    table = np.array([[answer.elasticities[name] for name in names] for answer in answers])
    _draw_table(right, table, numbered)
    right.set_ylim(count, 0)
    right.set_yticks([])
    middles = np.arange(len(names)) + 0.5
    right.set_xticks(middles, [shortened(name) for name in names], rotation=50, ha="left")
    right.xaxis.tick_top()
    right.set_xlabel("elasticity: change of u (%)\nwith 1 % more of the setting")
    for axes in (left, right):
        tidy(axes)
    left.tick_params(axis="y", length=0)
    right.tick_params(length=0)
    return figure


def _draw_uncertainties(axes: "Axes", answers: list[Expected], numbered: bool) -> None:
    """Bars of relative uncertainties; a smallest value has none, but is written."""
    rows = np.arange(len(answers))
    share = [0.0 if a.is_smallest else 100.0 * a.u / abs(a.value) for a in answers]
    axes.barh(rows, share, height=0.62, color=GREY)
    if numbered:
        for row, answer in enumerate(answers):
            text = f"{three_digits(answer.u)} {answer.unit.replace('m2', 'm²')}"
            text = f"from {text}" if answer.is_smallest else text
            place = {"xytext": (2, 0), "textcoords": "offset points", "va": "center"}
            axes.annotate(text, (share[row], row), **place)
    axes.set_xlim(0.0, 2.6 * max(*share, 1e-9))
    axes.set_yticks(rows, [shortened(answer.name) for answer in answers])
    axes.set_ylim(len(answers) - 0.5, -0.5)
    axes.set_xlabel("u (% of the value)")


def _draw_table(axes: "Axes", elasticities: np.ndarray, numbered: bool) -> None:
    """Fields that are the darker the larger an elasticity is, with the numbers in them."""
    from matplotlib.colors import LinearSegmentedColormap

    size = np.abs(elasticities)
    shades = LinearSegmentedColormap.from_list("shades", ["white", PALETTE[0]])
    axes.pcolormesh(size, cmap=shades, vmin=0.0, vmax=1.0, edgecolors=INK, linewidth=0.3)
    if numbered:
        for (row, column), value in np.ndenumerate(elasticities):
            if size[row, column] >= _WRITTEN_FROM:
                colour = "white" if size[row, column] > _DARK else INK
                text = f"{value:.2f}".replace("-", "−")
                look = {"ha": "center", "va": "center", "color": colour}
                axes.text(column + 0.5, row + 0.5, text, **look)
