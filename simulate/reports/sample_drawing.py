"""Drawing a layered sample: its composition against depth, its interfaces, and their widths."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.reports.figure_style import (
    GREY,
    INK,
    WIDTH_MM,
    Stroke,
    fits,
    text_mm,
    three_digits,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from craterfront.answers.layer_answers import LayerAnswer

LIMIT = "upper limit of width, 95 %"

_LABELLED_SHARE = 0.09  # of the composition, from which an area has room for a label
_NUMBER_PT = 7.0
_NUMBER_MM = 2.8  # height of a number
_POINT_MM = 1.3  # half the size of a point
_ROW_MM = 4.0  # from the names to those that are raised
_POINTS_PER_MM = 72.0 / 25.4
_GROUND: dict[str, Any] = {"bbox": {"facecolor": "white", "alpha": 0.8, "linewidth": 0, "pad": 0.3}}


def draw_sample(
    axes: "Axes",
    depth: np.ndarray,
    composition: dict[str, np.ndarray],
    looks: dict[str, Stroke],
    planes: np.ndarray,
    covered: Sequence[tuple[float, float]] = (),
) -> None:
    """Atomic fractions as areas on top of one another, labelled where there is room.

    Parameters
    ----------
    axes : Axes
    depth : ndarray, shape (P,)
    composition : dict of str to ndarray, shape (P,)
        By element, from the bottom up.
    looks : dict of str to Stroke
        By element.
    planes : ndarray
        Depths of the interfaces.
    covered : sequence of (first, last)
        Depths over which something else will be drawn, in order: labels avoid them, or else stand
        on a light ground.
    """
    below = np.zeros(depth.size)
    edges = np.concatenate([[0.0], planes, [depth[-1]]])
    for name, share in composition.items():
        stroke = looks[name]
        axes.fill_between(depth, below, below + share, color=stroke.tint, linewidth=0)
        line = np.where(share > 1e-3, below + share, np.nan)
        axes.plot(depth, line, color=stroke.colour, linestyle=stroke.dash, linewidth=0.9)
        for first, last in pairwise(edges):
            gap = _widest_gap(first, last, covered)
            for (start, end), look in ((gap, {}), ((first, last), _GROUND)):
                middle = 0.5 * (start + end)
                part = float(np.interp(middle, depth, share))
                room = (end - start) / depth[-1] * panel_mm(axes)[0]
                if part > _LABELLED_SHARE and fits(name, room):
                    height = float(np.interp(middle, depth, below)) + 0.5 * part
                    centred = {"ha": "center", "va": "center", "zorder": 5}
                    axes.text(middle, height, name, **centred, **look)
                    break
        below = below + share
    axes.set_ylim(0.0, 1.0)
    axes.set_xlim(0.0, depth[-1])
    axes.set_ylabel("atomic fraction (1)")
    tidy(axes)


def _widest_gap(
    first: float, last: float, covered: Sequence[tuple[float, float]]
) -> tuple[float, float]:
    """The widest part of a layer over which nothing is drawn."""
    ends = [first]
    for start, end in covered:
        ends += [min(max(start, first), last), min(max(end, first), last)]
    gaps = list(zip(ends[::2], [*ends[1::2], last], strict=True))
    return max(gaps, key=lambda gap: gap[1] - gap[0])


def name_layers(axes: "Axes", names: Sequence[str], planes: np.ndarray, end: float) -> None:
    """Names of the layers and the substrate above a sample.

    A name that is wider than its layer stands a row higher, with a line down to the layer, if it
    has room there among the others.
    """
    width_mm, height_mm = panel_mm(axes)
    edges = np.concatenate([[0.0], planes, [end]])
    above: dict[str, Any] = {"transform": axes.get_xaxis_transform()}
    raised, ideals = [], []
    for name, (first, last) in zip(names, pairwise(edges), strict=True):
        middle = 0.5 * (first + last)
        if fits(name, (last - first) / end * width_mm):
            axes.text(middle, 1.02, name, color=GREY, ha="center", va="bottom", **above)
        else:
            raised.append((name, middle))
            ideals.append((middle / end * width_mm, text_mm(name)))
    height = 1.0 + _ROW_MM / height_mm
    for (name, middle), centre_mm in zip(raised, _in_a_row(ideals, width_mm), strict=True):
        if centre_mm is not None:
            centre = centre_mm / width_mm * end
            axes.text(centre, height + 0.02, name, color=GREY, ha="center", va="bottom", **above)
            look: dict[str, Any] = {"color": GREY, "linewidth": 0.5, "clip_on": False}
            # To the nearest letter, lest the line crosses a name of the lower row.
            reach = (0.5 * text_mm(name) - 0.5) / width_mm * end
            foot = min(max(middle, centre - reach), centre + reach)
            axes.plot([middle, foot], [1.0, height], **above, **look)


def _in_a_row(wanted: Sequence[tuple[float, float]], width: float) -> list[float | None]:
    """Centres of texts in a row, by wanted centre and size; None for those without room.

    Filled from the left, or from the right if that leaves more of them.
    """

    def filled(texts: Iterable[tuple[float, float]]) -> list[float | None]:
        full, centres = 0.0, []
        for centre, size in texts:
            start = max(min(centre - 0.5 * size, width - size), full)
            near = abs(start + 0.5 * size - centre) < 0.6 * size and start + size <= width
            full = start + size + 1.5 if near else full
            centres.append(start + 0.5 * size if near else None)
        return centres

    forward = filled(wanted)
    mirrored = filled((width - centre, size) for centre, size in reversed(wanted))
    backward = [None if each is None else width - each for each in reversed(mirrored)]
    return min((forward, backward), key=lambda centres: centres.count(None))


def panel_mm(axes: "Axes") -> tuple[float, float]:
    """About how wide and high a panel is."""
    place: Any = axes.get_subplotspec()
    figure: Any = axes.figure
    box = place.get_position(figure)
    high_mm = WIDTH_MM * figure.get_figheight() / figure.get_figwidth()
    return box.width * WIDTH_MM, box.height * high_mm


def merged(low: Iterable[float], high: Iterable[float]) -> list[tuple[float, float]]:
    """Intervals in order, those that overlap joined."""
    spans: list[tuple[float, float]] = []
    for first, last in sorted(zip(map(float, low), map(float, high), strict=True)):
        if spans and first <= spans[-1][1]:
            first, last = spans[-1][0], max(last, spans[-1][1])
            spans.pop()
        spans.append((first, last))
    return spans


# --- widths ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Box:
    """A rectangle on the page [mm]."""

    left: float
    bottom: float
    right: float
    top: float

    def meets(self, other: "_Box") -> bool:
        apart = self.right <= other.left or other.right <= self.left
        return not (apart or self.top <= other.bottom or other.top <= self.bottom)

    def within(self, width: float, height: float) -> bool:
        return self.left >= 0 and self.bottom >= 0 and self.right <= width and self.top <= height


def draw_widths(
    axes: "Axes", layers: Sequence["LayerAnswer"], planes: np.ndarray, least_top: float = 0.0
) -> tuple[dict[str, Any], list[tuple[float, str]]]:
    """Width of every interface with its interval, against depth.

    Parameters
    ----------
    axes : Axes
    layers : sequence of LayerAnswer
    planes : ndarray
        Depths of the interfaces.
    least_top : float
        What the axis must reach.

    Returns
    -------
    keys : dict of str to handle
        Of a legend.
    numbers : list of (height, text)
        For `number_widths`.
    """
    from matplotlib.lines import Line2D

    widths = [layer.width for layer in layers]
    top = 1.35 * max([w.upper_nm for w in widths if np.isfinite(w.upper_nm)], default=1.0)
    top = max(top, least_top) or 1.0
    keys: dict[str, Any] = {}
    numbers = []
    for width, plane in zip(widths, planes, strict=True):
        if width.is_held:
            label, marker, y = "width, held", "s", width.value_nm
        elif width.resolved:
            label, marker, y = "width, 95 %", "o", width.value_nm
        else:
            label, marker, y = LIMIT, "v", min(width.upper_nm, top)
        look: dict[str, Any] = {"color": INK, "marker": marker, "markersize": 4.0}
        look["markerfacecolor"] = "white" if marker == "v" else INK
        axes.vlines(plane, width.lower_nm, min(width.upper_nm, top), color=INK, linewidth=0.9)
        axes.plot(plane, y, linestyle="none", clip_on=False, zorder=4, **look)
        keys.setdefault(label, Line2D([], [], linestyle="none", **look))
        number = three_digits(y) if marker != "v" else f"< {three_digits(y)}"
        numbers.append((y, number if np.isfinite(width.upper_nm) else "no limit"))
    axes.set_ylim(-0.06 * top, top)
    return keys, numbers


def number_widths(
    axes: "Axes",
    layers: Sequence["LayerAnswer"],
    planes: np.ndarray,
    numbers: Sequence[tuple[float, str]],
    end: float,
) -> None:
    """Numbers beside points, where they meet neither a bar nor one another."""
    wide, high = panel_mm(axes)
    low, top = axes.get_ylim()
    x_mm = planes / end * wide
    y_mm = [(y - low) / (top - low) * high for y, _ in numbers]
    taken = [
        _bar(layer, x, y, (low, top), high) for layer, x, y in zip(layers, x_mm, y_mm, strict=True)
    ]
    for plane, (y, text), x, height in zip(planes, numbers, x_mm, y_mm, strict=True):
        size = text_mm(text, _NUMBER_PT)
        for left, bottom in _places(x, height, size):
            box = _Box(left, bottom, left + size, bottom + _NUMBER_MM)
            if box.within(wide, high) and not any(map(box.meets, taken)):
                shift = (left - x) * _POINTS_PER_MM, (bottom - height) * _POINTS_PER_MM
                look: dict[str, Any] = {"fontsize": _NUMBER_PT, "zorder": 5, **_GROUND}
                offset: dict[str, Any] = {"xytext": shift, "textcoords": "offset points"}
                axes.annotate(text, (plane, y), **offset, **look)
                taken.append(box)
                break


def _bar(
    layer: "LayerAnswer", x_mm: float, y_mm: float, limits: tuple[float, float], high_mm: float
) -> _Box:
    """What a point and its bar take of the page."""
    low, top = limits
    ends = [
        (min(each, top) - low) / (top - low) * high_mm
        for each in (layer.width.lower_nm, layer.width.upper_nm)
    ]
    first, last = min(y_mm, *ends), max(y_mm, *ends)
    return _Box(x_mm - _POINT_MM, first - _POINT_MM, x_mm + _POINT_MM, last + _POINT_MM)


def _places(x: float, y: float, size: float) -> Iterable[tuple[float, float]]:
    """Lower left corners that a number may take, the best first: beside, above, farther up."""
    gap = _POINT_MM + 0.4
    beside, over = (x + gap, x - gap - size), x - 0.5 * size
    yield from ((left, y - 0.5 * _NUMBER_MM) for left in beside)
    for rise in (1.2, -1.2, 2.4, 3.6):
        bottom = y + (rise - 0.5) * _NUMBER_MM
        yield from ((left, bottom) for left in (over, *beside))
