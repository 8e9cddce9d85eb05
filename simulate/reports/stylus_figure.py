"""Figure of a stylus trace: what levelled it, the analysed area, the shape."""

from typing import TYPE_CHECKING

import numpy as np

from craterfront.measured_files.stylus_trace import Trace, TracedCrater
from craterfront.reports.figure_style import (
    GREY,
    INK,
    PALETTE,
    legend_outside,
    new_figure,
    styled,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_HEIGHT_MM = 84.0


@styled
def trace_figure(trace: Trace, traced: TracedCrater) -> "Figure":
    """Draw depth against place, with the points that levelled it and the shape over the area."""
    found = traced.found
    figure = new_figure(_HEIGHT_MM)
    axes = figure.subplots()
    x = trace.x_mm - found.centre_mm
    keys = {}
    axes.axvspan(-found.area_radius_mm, found.area_radius_mm, color=GREY, alpha=0.15, linewidth=0)
    axes.axhline(0.0, color=INK, linewidth=0.6)
    (keys["trace, levelled"],) = axes.plot(x, found.levelled_um, color=GREY, linewidth=0.8)
    level = np.where(found.surface, found.levelled_um, np.nan)
    (keys["surface that levels it"],) = axes.plot(x, level, color=PALETTE[0], linewidth=1.6)
    radius = np.concatenate([-found.radius_mm[::-1], found.radius_mm])
    depth = np.concatenate([found.depth_um[::-1], found.depth_um])
    (keys["shape over the analysed area"],) = axes.plot(
        radius, depth, color=PALETTE[1], linewidth=1.4
    )
    axes.invert_yaxis()
    axes.set_xlabel("distance from the centre (mm)")
    axes.set_ylabel("depth (µm)")
    tidy(axes)
    legend_outside(figure, keys, "lower")
    return figure
