"""The shape of the crater: how the erosion rate varies over the analysed area."""

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import AfterValidator

from craterfront.problems import shown
from craterfront.quantities import Quantity, within
from craterfront.table import Mistake, Table, chosen_by, number_list

SMALLEST_RADIUS_MM = 1e-3
"""Of a measured crater: a micrometre."""


class FlatCrater(Table):
    """The same erosion rate everywhere."""

    shape: Literal["flat"] = "flat"


class ParabolicCrater(Table):
    """Relative rate ``1 + curvature * (1/2 - (r/R)^2)`` over a round analysed area.

    Parameters
    ----------
    curvature
        (Rate at the centre - rate at the edge) / mean rate, from -1.9 to 1.9; positive: deeper
        in the middle.
    """

    shape: Literal["parabolic"] = "parabolic"
    curvature: Annotated[Quantity, AfterValidator(within(at_least=-1.9, at_most=1.9))]


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


def _is_radius(radius_mm: float) -> bool:
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
    radius_mm: Annotated[tuple[float, ...], number_list("from 0 to 1000", _is_radius)]
    depth_um: Annotated[tuple[float, ...], number_list("from 1e-6 to 1e6", _is_depth)]

    def checks(self) -> Iterator[Mistake]:
        radii, depths = self.radius_mm, self.depth_um
        if radii is None or depths is None:  # while mistakes are gathered
            return
        if len(radii) < 2:
            yield Mistake("radius_mm", f"must have at least 2 numbers, got {len(radii)}")
        elif radii[-1] < SMALLEST_RADIUS_MM:
            yield Mistake(
                "radius_mm", f"must reach to {SMALLEST_RADIUS_MM} or more, got {shown(radii[-1])}"
            )
        if len(depths) != len(radii):
            yield Mistake("depth_um", f"has {len(depths)} numbers for {len(radii)} in radius_mm")
        for index in range(1, len(radii)):
            if radii[index] <= radii[index - 1]:
                yield Mistake(
                    f"radius_mm[{index + 1}]",
                    f"must be > {shown(radii[index - 1])} before it, got {shown(radii[index])}",
                )
                break


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
