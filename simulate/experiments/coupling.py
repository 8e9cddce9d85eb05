"""What couples the places of a crater; used by the resolved engine alone."""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

from pydantic import AfterValidator, Field, PlainValidator

from craterfront.notation.quantities import PositiveLength, Quantity, SourceNumber, within
from craterfront.notation.table import Mistake, Table, number_that, read_each, whole_number
from craterfront.problems import shown

MOST_ANNULI = 4096
"""Of a resolved crater."""


_current = number_that("from 0.01 to 100", lambda current: 0.01 <= current <= 100)


def _currents(written: Any) -> dict[str, float]:
    if not isinstance(written, Mapping):
        raise ValueError(f"must be a table of numbers by layer or material, got {shown(written)}")
    return read_each(written, str, _current)


class EdgeField(Table):
    """The rate near the wall, which changes as the crater deepens.

    Parameters
    ----------
    change
        Rate at the wall of a deep crater less that of a shallow one, relative to the mean rate.
    depth_nm
        Mean depth by which exp(-1) of the change is still to come [nm].
    width
        Distance from the wall in which it falls by a factor e, relative to the radius.
    """

    change: Annotated[Quantity, AfterValidator(within(above=-1, at_most=10))]
    depth_nm: PositiveLength
    width: Annotated[Quantity, AfterValidator(within(at_least=1e-3, at_most=10))]


class Coupling(Table):
    """How places of the crater act on each other, and its shape on its rates.

    Parameters
    ----------
    annuli
        Into how many annuli the crater is divided.
    relative_current
        By layer or material, the current that it draws at the voltage or pressure of the lamp,
        relative to the one for which its erosion rate is given; 1 where there is no number.
    slope_coefficient
        The number a in the yield of a surface inclined by theta, 1 + a tan(theta)^2.
    radius_mm
        Radius of the analysed area [mm], which slopes need; default that of the anode or of the
        measured crater.
    edge_field
        An `EdgeField`.
    """

    annuli: Annotated[int, whole_number(1, MOST_ANNULI)] = 64
    relative_current: Annotated[dict[str, float], PlainValidator(_currents)] = Field(
        default_factory=dict
    )
    slope_coefficient: Annotated[Quantity, AfterValidator(within(at_least=0, at_most=10))] = (
        Quantity.default(0.0)
    )
    radius_mm: SourceNumber | None = None
    edge_field: EdgeField | None = None

    def checks(self) -> Iterator[Mistake]:
        if self.is_written("radius_mm") and not self.is_written("slope_coefficient"):
            yield Mistake("radius_mm", "only with slope_coefficient")
