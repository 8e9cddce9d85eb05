"""How all figures look, and how they are saved.

Names are told apart by colour and by line style or marker, so that a grey print can be read too.
Figures are made without pyplot and leave neither windows nor settings behind.
"""

import functools
import io
import os
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, cast

import numpy as np

from craterfront.measured_files.files import write_whole
from craterfront.problems import InputProblems, one_of, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.legend import Legend
    from xarray import DataArray

_Arguments = ParamSpec("_Arguments")

PALETTE = (
    "#000db8",
    "#d08134",
    "#216f88",
    "#840a33",
    "#9f70f1",
    "#48076a",
    "#835e00",
    "#1fa690",
)
"""Found by a search for the largest smallest distance under simulated colour-blindness."""

INK = "#1c1c1c"
GREY = "#6e6e6e"
SHADE = 0.25  # opacity of bands

_DASHES: tuple[Any, ...] = (
    "solid",
    (0, (5, 1.4)),
    (0, (1.3, 1.3)),
    (0, (6, 1.4, 1.3, 1.4)),
    (0, (3, 1, 1, 1, 1, 1)),
)
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_MARKERS = ("o", "s", "^", "D", "v", "P", "X")

WIDTH_MM = 160.0
_FONT_PT = 8.0
_LEGEND_PT = _FONT_PT - 0.5
_LEGEND_HANDLE_MM = 7.7  # with the gap to its label
_LEGEND_GAP_MM = 3.2  # between columns
_MM_PER_INCH = 25.4
_POINTS_PER_INCH = 72.0
_DOTS_PER_INCH = 200
_UNDATED: dict[str, dict[str, None]] = {
    ".png": {},
    ".pdf": {"CreationDate": None},
    ".svg": {"Date": None},
}
"""Metadata by suffix: without a date, the same figure is the same file."""
_MOST_VECTOR_POINTS = 5000
_MOST_MARKERS_ON_A_PAGE, _FEW_MARKERS = 500, 50
_DECADES_SHOWN = 6
_LONGEST_LABEL = 30
_LARGEST_RESIDUAL = 8.0  # standard deviations

_STYLE = {
    "font.size": _FONT_PT,
    "font.family": "sans-serif",
    "axes.labelsize": _FONT_PT,
    "axes.titlesize": _FONT_PT,
    "axes.linewidth": 0.6,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.formatter.useoffset": False,
    "text.color": INK,
    "legend.fontsize": _LEGEND_PT,
    "legend.frameon": False,
    "legend.handlelength": 2.1,
    "legend.columnspacing": 1.2,
    "lines.linewidth": 1.2,
    "lines.markersize": 3.0,
    "hatch.linewidth": 0.5,
    "figure.constrained_layout.h_pad": 0.03,
    "figure.constrained_layout.w_pad": 0.04,
    "svg.hashsalt": "craterfront",
    "pdf.fonttype": 42,
}


def styled(draw: "Callable[_Arguments, Figure]") -> "Callable[_Arguments, Figure]":
    """Let a function draw in the style of this module, whatever the user's settings are."""

    @functools.wraps(draw)
    def within(*args: _Arguments.args, **kwargs: _Arguments.kwargs) -> "Figure":
        import matplotlib.style

        with matplotlib.style.context(["default", _STYLE]):
            figure = draw(*args, **kwargs)
        _take_names_as_they_are(figure)
        return figure

    return within


def _take_names_as_they_are(figure: "Figure") -> None:
    """A dollar sign in a name begins no formula; only labels of logarithmic axes are formulas."""
    from matplotlib.text import Text

    for text in figure.findobj(Text):
        cast(Text, text).set_parse_math(False)
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            if axis.get_scale() == "log":
                for label in axis.get_ticklabels(which="both"):
                    label.set_parse_math(True)


def new_figure(height_mm: float) -> "Figure":
    """Empty figure of the common width."""
    from matplotlib.figure import Figure

    size = WIDTH_MM / _MM_PER_INCH, height_mm / _MM_PER_INCH
    return Figure(figsize=size, layout="constrained")


@dataclass(frozen=True)
class Stroke:
    """How one channel or element is drawn."""

    colour: str
    dash: Any
    marker: str

    @property
    def tint(self) -> tuple[float, float, float]:
        """The colour mixed with white, for areas behind text."""
        from matplotlib.colors import to_rgb

        red, green, blue = (1.0 - 0.45 * (1.0 - part) for part in to_rgb(self.colour))
        return red, green, blue


def strokes(names: Iterable[object]) -> dict[str, Stroke]:
    """One stroke for each name; all differ up to 280 names."""
    return {
        name: Stroke(
            PALETTE[i % len(PALETTE)], _DASHES[i % len(_DASHES)], _MARKERS[i % len(_MARKERS)]
        )
        for i, name in enumerate(dict.fromkeys(str(name) for name in names))
    }


def another(look: Stroke, count: int) -> Stroke:
    """A stroke of the same colour: the count-th besides this one, up to four."""
    dash = _DASHES[(_DASHES.index(look.dash) + count) % len(_DASHES)]
    marker = _MARKERS[(_MARKERS.index(look.marker) + count) % len(_MARKERS)]
    return Stroke(look.colour, dash, marker)


def tidy(axes: "Axes") -> None:
    """Ticks in the style of this module, also those that are made later."""
    axes.tick_params(
        which="both", labelsize=_FONT_PT - 0.5, color=INK, labelcolor=INK, width=0.6, pad=2.5
    )
    axes.tick_params(which="major", length=3.0)
    axes.tick_params(which="minor", length=1.8)


@functools.lru_cache(4096)
def text_mm(text: str, size_pt: float = _FONT_PT) -> float:
    """How wide a line of text is."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="sans-serif", size=size_pt)
    width_pt, *_ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width_pt) / _POINTS_PER_INCH * _MM_PER_INCH


def fits(text: str, room_mm: float) -> bool:
    """Whether a text of the common size goes into a width, with a little air."""
    return text_mm(text) + 1.2 <= room_mm


def shortened(text: str) -> str:
    """A label that leaves room for others; its end often tells names apart."""
    if len(text) <= _LONGEST_LABEL:
        return text
    half = _LONGEST_LABEL // 2
    return f"{text[: half - 1]}…{text[-half:]}"


def legend_columns(labels: Sequence[str]) -> int:
    """As many columns of a legend as the width of the figure has room for."""
    widths = [text_mm(shortened(label), _LEGEND_PT) + _LEGEND_HANDLE_MM for label in labels]
    for count in range(len(labels), 1, -1):
        columns = np.array_split(widths, count)
        width = sum(column.max() for column in columns) + _LEGEND_GAP_MM * (count - 1)
        if width <= WIDTH_MM - 8.0:
            return count
    return 1


def legend_height_mm(labels: Sequence[str]) -> float:
    """Height of a legend that spans the figure."""
    return 4.2 * -(-len(labels) // max(legend_columns(labels), 1)) + 2.0


def legend_outside(figure: "Figure", keys: dict[str, Any], where: str) -> "Legend":
    """Legend over the whole width, above or below everything.

    Parameters
    ----------
    figure : Figure
    keys : dict of str to handle
        By label.
    where : str
        "upper" or "lower".
    """
    labels = list(keys)
    place: Any = f"outside {where} center"
    return figure.legend(
        [keys[label] for label in labels],
        [shortened(label) for label in labels],
        loc=place,
        ncols=legend_columns(labels),
    )


def label_of(variable: "DataArray", name: str | None = None) -> str:
    """Axis label: what a variable is, with its unit."""
    what = name or variable.attrs.get("long_name") or str(variable.name)
    unit = variable.attrs.get("units", "1")
    # The exponents of "nm-2" are raised.
    unit = re.sub(r"(?<=[A-Za-z])-?\d+", lambda found: found[0].translate(_RAISED), unit)
    return f"{what}{' ' if len(unit) < 20 else chr(10)}({unit})"


def three_digits(value: float) -> str:
    """A number to three significant digits, trailing zeros kept."""
    text = f"{value:.0f}" if 1e3 <= abs(value) < 1e6 else f"{value:#.3g}".rstrip(".")
    return text.replace("-", "−")


def length_unit(largest_nm: float) -> tuple[str, float]:
    """Unit in which depths up to this one are read easily, and how many of it are a nanometre."""
    return ("nm", 1.0) if largest_nm < 10_000.0 else ("µm", 1e-3)


def draw_residuals(
    axes: "Axes",
    x: np.ndarray,
    residuals: np.ndarray,
    looks: Sequence[dict[str, Any]],
    dark: np.ndarray,
) -> None:
    """Residuals in standard deviations about zero, with two of these shaded.

    Parameters
    ----------
    axes : Axes
    x : ndarray, shape (N,)
    residuals : ndarray, shape (C, N)
        Beyond eight standard deviations they are drawn as crosses at the edge.
    looks : sequence of dict
        Of the points of each row.
    dark : ndarray of bool, shape (C, N)
        Readings of zero. Their residuals are no more than the fitted curve, upside down: faint
        points, lest they look like a curve of their own.
    """
    edge = np.clip(1.1 * float(np.max(np.abs(residuals))), 3.0, _LARGEST_RESIDUAL)
    axes.axhspan(-2.0, 2.0, color=GREY, alpha=0.18, linewidth=0)
    for row, look, zero in zip(residuals, looks, dark, strict=True):
        inside = np.abs(row) <= edge
        crosses: dict[str, Any] = {**look, "marker": "x", "markersize": 4.0, "markeredgewidth": 0.8}
        faint: dict[str, Any] = {
            **look,
            "marker": ".",
            "markersize": 1.2,
            "markeredgewidth": 0,
            "alpha": 0.35,
        }
        for chosen, drawn in (
            (inside & ~zero, look),
            (inside & zero, faint),
            (~inside, crosses),
        ):
            if chosen.any():
                axes.plot(x[chosen], np.clip(row[chosen], -edge, edge), **drawn)
    axes.axhline(0.0, color=INK, linewidth=0.6, zorder=3)
    axes.set_ylim(-1.08 * edge, 1.08 * edge)


def shade_between(
    axes: "Axes", x: np.ndarray, low: np.ndarray, high: np.ndarray, colour: str
) -> None:
    """Shade a band about a curve of this colour."""
    shade: dict[str, Any] = {"color": colour, "alpha": SHADE, "linewidth": 0}
    axes.fill_between(x, low, high, **shade).set_rasterized(rasterised(x.size))


def rasterised(points: int) -> bool:
    """Whether so many points should be pixels in a vector file."""
    return points > _MOST_VECTOR_POINTS


def scale_intensity(axes: "Axes", smooth: np.ndarray, readings: np.ndarray) -> None:
    """Linear axis, or logarithmic where a channel would vanish on a linear one.

    Parameters
    ----------
    axes : Axes
    smooth : ndarray, shape (C, N)
        Curves without noise: they decide.
    readings : ndarray, shape (C, N)
        What is drawn beside them.
    """
    largest = float(max(smooth.max(), readings.max()))
    peaks = smooth.max(axis=1)
    peaks = peaks[peaks > 0]
    if peaks.size == 0 or peaks.max() < 30.0 * peaks.min():
        axes.set_ylim(1.06 * min(0.0, float(readings.min())), 1.06 * largest or 1.0)
        return
    seen = readings[readings > 0]
    lowest = max(float(np.quantile(seen, 0.01)) / 2.0, largest * 10.0**-_DECADES_SHOWN)
    axes.set_yscale("log", nonpositive="mask")
    axes.set_ylim(min(lowest, float(peaks.min()) / 3.0), 2.0 * largest)


def check_suffix(path: str | os.PathLike[str]) -> None:
    """Refuse early what `save_figure` could not write.

    Raises
    ------
    InputProblems
        For a suffix other than .png, .pdf and .svg.
    """
    suffix = Path(path).suffix
    if suffix.lower() not in _UNDATED:
        known = one_of(tuple(_UNDATED))
        raise InputProblems([f"a figure ends in {known}, got {shown(suffix)}"], str(path))


def save_figure(figure: "Figure", path: str | os.PathLike[str]) -> None:
    """Write a figure as a file, whole or not at all.

    Parameters
    ----------
    figure : Figure
    path : path
        The suffix says the format: .png, .pdf or .svg.

    Raises
    ------
    InputProblems
        For another suffix, or when the place cannot be written to; nothing is written then.
    """
    import matplotlib.style

    check_suffix(path)
    suffix = Path(path).suffix.lower()

    def write(place: Path) -> None:
        figure.savefig(
            place, format=suffix[1:], dpi=_DOTS_PER_INCH, metadata=dict(_UNDATED[suffix])
        )

    with matplotlib.style.context(["default", _STYLE]):
        write_whole(path, write)


def as_svg(figure: "Figure") -> str:
    """The figure as the text of an SVG file: undated, letters as letters, and no larger than need.

    Many points become pixels, and hatches of dots, each of which is eight curves, less dense.
    """
    import matplotlib.style
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    for patch in figure.findobj(Patch):
        if isinstance(patch, Patch) and patch.get_hatch() == "....":
            patch.set_hatch("..")
    marked = [
        line
        for line in figure.findobj(Line2D)
        if isinstance(line, Line2D) and line.get_linestyle() == "None"
    ]
    if sum(np.size(line.get_xdata()) for line in marked) > _MOST_MARKERS_ON_A_PAGE:
        for line in marked:
            line.set_rasterized(np.size(line.get_xdata()) > _FEW_MARKERS)
    text = io.StringIO()
    with matplotlib.style.context(["default", {**_STYLE, "svg.fonttype": "none"}]):
        figure.savefig(text, format="svg", dpi=_DOTS_PER_INCH, metadata=dict(_UNDATED[".svg"]))
    return text.getvalue()
