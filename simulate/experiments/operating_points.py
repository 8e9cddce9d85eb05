"""The curvature of a lamp's crater as it was measured at several operating points."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any

from pydantic import PlainValidator

from craterfront.notation.parameters import ASSUMED_U_REL
from craterfront.notation.quantities import Quantity, SourceNumber, within
from craterfront.notation.table import Mistake, Table, numbered
from craterfront.problems import one_of, shown
from craterfront.samples.by_layer import by_layer

OPERATING_KEYS = ("voltage_V", "current_mA", "pressure_hPa", "power_W")


def _read_curvature(written: Any) -> Quantity:
    return within(at_least=-1.9, at_most=1.9)(Quantity.read(written))


Curvature = Annotated[Quantity | dict[str, Quantity], PlainValidator(by_layer(_read_curvature))]


class CraterPoint(Table):
    """A crater that was measured, and the operating point that made it.

    Parameters
    ----------
    voltage_V, current_mA, pressure_hPa, power_W
        What was changed from point to point: one of them, the same at all points.
    curvature
        Measured curvature, or a dictionary of them by the name of the layer or material.
    """

    voltage_V: SourceNumber | None = None
    current_mA: SourceNumber | None = None
    pressure_hPa: SourceNumber | None = None
    power_W: SourceNumber | None = None
    curvature: Curvature

    @property
    def is_complete(self) -> bool:
        """Whether it has no mistake."""
        return self.curvature is not None and not any(self.checks())

    @property
    def changed(self) -> str:
        """The key that tells the operating point."""
        return next(filter(self.is_written, OPERATING_KEYS))

    @property
    def position(self) -> float:
        """Where the point lies along it."""
        return float(getattr(self, self.changed))

    @property
    def curvatures(self) -> Mapping[str, Quantity]:
        """Curvatures by layer; under "" where one holds for all."""
        return self.curvature if isinstance(self.curvature, dict) else {"": self.curvature}

    def checks(self) -> Iterator[Mistake]:
        written = [key for key in OPERATING_KEYS if self.is_written(key)]
        if len(written) != 1:
            yield Mistake("", f"needs one of {one_of(OPERATING_KEYS)}, got {len(written)} of them")
        if self.curvature is not None:
            for name, curvature in self.curvatures.items():
                if curvature.status == "guess":
                    owner = f" of {shown(name)}" if name else ""
                    yield Mistake("curvature", f"must be measured, not a guess{owner}")


def mistakes_between(points: Sequence[CraterPoint]) -> Iterator[Mistake]:
    """What is wrong with points that are right one by one."""
    if len(points) < 2:
        yield Mistake("point", f"needs at least 2 points, got {len(points)}")
        return
    if not all(point.is_complete for point in points):
        return
    first = points[0]
    for index, point in enumerate(points[1:], start=1):
        within_point = numbered("point", index)
        if point.changed != first.changed:
            message = f"missing; the first point has it, and this one has {point.changed}"
            yield Mistake(first.changed, message, within=within_point)
        elif point.position in [other.position for other in points[:index]]:
            message = f"is {shown(point.position)}, as at a point before it"
            yield Mistake(point.changed, message, within=within_point)
        if point.curvatures.keys() != first.curvatures.keys():
            message = "must be for the same layers as at the first point"
            yield Mistake("curvature", message, within=within_point)


def curvature_at(
    points: Sequence[CraterPoint], operating: Quantity
) -> Quantity | dict[str, Quantity]:
    """Curvature on straight lines between measured points.

    Parameters
    ----------
    points : sequence of CraterPoint
    operating : Quantity
        The source's number under the key of the points.

    Raises
    ------
    ValueError
        Outside the measured range.
    """
    ordered = sorted(points, key=lambda point: point.position)
    value, least, most = float(operating), ordered[0].position, ordered[-1].position
    if not least <= value <= most:
        raise ValueError(
            f"points reach from {shown(least)} to {shown(most)}, and the source works at"
            f" {ordered[0].changed} = {shown(value)}"
        )
    after = next(i for i, point in enumerate(ordered) if point.position >= value)
    pair = ordered[max(after - 1, 0)], ordered[max(after, 1)]
    names = ordered[0].curvatures
    between = {
        name: _between(
            pair[0].curvatures[name],
            pair[1].curvatures[name],
            (value - pair[0].position) / (pair[1].position - pair[0].position),
            (operating.u or 0.0) / (pair[1].position - pair[0].position),
        )
        for name in names
    }
    return between.get("", between) if len(between) == 1 else between


def _between(first: Quantity, second: Quantity, share: float, u_share: float) -> Quantity:
    """On the line between two measured numbers; independent uncertainties add in quadrature.

    That of a plain number is assumed before, as a number between two of them may be near zero.
    """
    rise = second.value - first.value
    value = first.value + share * rise
    parts = (1 - share) * _u_of(first), share * _u_of(second), u_share * rise
    known = first.u is not None and second.u is not None
    return (Quantity.prior if known else Quantity.default)(value, u=math.hypot(*parts))


def _u_of(measured: Quantity) -> float:
    return ASSUMED_U_REL * abs(measured.value) if measured.u is None else measured.u
