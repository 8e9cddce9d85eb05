"""The shape of the crater: how the erosion rate varies over the analysed area."""

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import AfterValidator

from craterfront.experiments.operating_points import (
    CraterPoint,
    Curvature,
    curvature_at,
    mistakes_between,
)
from craterfront.notation.quantities import Quantity, within
from craterfront.notation.table import Mistake, Table, chosen_by, increasing_mistakes, number_list
from craterfront.problems import shown

SMALLEST_RADIUS_MM = 1e-3
"""Of a measured crater: a micrometre."""

ROUND_SHAPES = ("flat", "parabolic", "edged", "measured")
"""Shapes in which the rate depends on the distance from the centre."""


class FlatCrater(Table):
    """The same erosion rate everywhere."""

    shape: Literal["flat"] = "flat"


class ParabolicCrater(Table):
    """Relative rate ``1 + curvature * (1/2 - (r/R)^2)`` over a round analysed area.

    Parameters
    ----------
    curvature
        (Rate at the centre - rate at the edge) / mean rate, from -1.9 to 1.9; positive: deeper
        in the middle. One for all layers, or a dictionary by the name of the layer or material.
    point
        Instead: what was measured at several operating points, each a `CraterPoint`.
    """

    shape: Literal["parabolic"] = "parabolic"
    curvature: Curvature | None = None
    point: tuple[CraterPoint, ...] = ()

    def checks(self) -> Iterator[Mistake]:
        if self.point and self.is_written("curvature"):
            yield Mistake("point", "stands beside curvature; write only one of the two")
        elif self.point:
            yield from mistakes_between(self.point)
        elif not self.is_written("curvature"):
            yield Mistake("curvature", "missing")

    @property
    def is_complete(self) -> bool:
        """Whether it has no mistake."""
        return not any(self.checks()) and all(point.is_complete for point in self.point)

    def curvature_with(self, source: Table | None) -> Quantity | dict[str, Quantity]:
        """The curvature as written, or at the operating point of a source.

        Raises
        ------
        ValueError
            When the source does not say where it works, or works outside the measured points.
        """
        if not self.point:
            assert self.curvature is not None  # else it has a mistake
            return self.curvature
        key = self.point[0].changed
        operating = getattr(source, key, None)
        if operating is None:
            raise ValueError(f"needs {key} in [source], which tells the operating point")
        return curvature_at(self.point, operating)


class TiltedCrater(Table):
    """Rate that changes evenly across a rectangular gate.

    Parameters
    ----------
    tilt
        (Highest - lowest rate) / mean rate, up to 1.9.
    """

    shape: Literal["tilted"] = "tilted"
    tilt: Annotated[Quantity, AfterValidator(within(at_least=0, at_most=1.9))]


class EdgedCrater(Table):
    """A flat floor and a rim with another rate.

    Parameters
    ----------
    edge_share
        Share of the analysed area that the rim takes, up to 0.99.
    edge_rate
        Rate of the rim relative to that of the floor, from 0.001 to 1000.
    """

    shape: Literal["edged"] = "edged"
    edge_share: Annotated[Quantity, AfterValidator(within(at_least=0, at_most=0.99))]
    edge_rate: Annotated[Quantity, AfterValidator(within(at_least=1e-3, at_most=1e3))]


class RasteredCrater(Table):
    """The floor and the edge that a rastered ion beam makes, within the gate.

    Parameters
    ----------
    tilt
        (Highest - lowest rate) / mean rate along the first side of the gate, by a misalignment
        that comes on top, up to 1.9.
    """

    shape: Literal["rastered"] = "rastered"
    tilt: Annotated[Quantity, AfterValidator(within(at_least=0, at_most=1.9))] = Quantity.default(
        0.0
    )


def is_radius(radius_mm: float) -> bool:
    """Whether anybody could mean it."""
    return 0 <= radius_mm <= 1000


def _is_depth(depth_um: float) -> bool:
    return 1e-6 <= depth_um <= 1e6


class MeasuredCrater(Table):
    """A crater as a profilometer gives it; the rate is proportional to the depth.

    Parameters
    ----------
    radius_mm
        Distances from the centre, increasing, within the analysed area [mm].
    depth_um
        Depth at each of them [um].
    """

    shape: Literal["measured"] = "measured"
    radius_mm: Annotated[tuple[float, ...], number_list("from 0 to 1000", is_radius)]
    depth_um: Annotated[tuple[float, ...], number_list("from 1e-6 to 1e6", _is_depth)]

    def checks(self) -> Iterator[Mistake]:
        radii, depths = self.radius_mm, self.depth_um
        if radii is None or depths is None:  # while mistakes are gathered
            return
        yield from increasing_mistakes("radius_mm", radii, "depth_um", depths)
        if len(radii) > 1 and radii[-1] < SMALLEST_RADIUS_MM:
            yield Mistake(
                "radius_mm", f"must reach to {SMALLEST_RADIUS_MM} or more, got {shown(radii[-1])}"
            )


Crater = Annotated[
    FlatCrater | ParabolicCrater | TiltedCrater | EdgedCrater | RasteredCrater | MeasuredCrater,
    chosen_by(
        "shape",
        {
            "flat": FlatCrater,
            "parabolic": ParabolicCrater,
            "tilted": TiltedCrater,
            "edged": EdgedCrater,
            "rastered": RasteredCrater,
            "measured": MeasuredCrater,
        },
    ),
]
