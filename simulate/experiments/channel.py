"""One signal of the instrument, and its detector."""

from collections.abc import Iterator
from typing import Annotated, Any

from pydantic import Field, PlainValidator

from craterfront.notation.quantities import (
    NonNegativeQuantity,
    PositiveQuantity,
    PositiveTime,
    Quantity,
    RelativeChange,
    read_non_negative,
)
from craterfront.notation.table import Column, Element, Mistake, Name, Table
from craterfront.samples.by_layer import by_layer, key_of_layer
from craterfront.samples.concrete_layer import ConcreteLayer

Sensitivity = Annotated[Quantity | dict[str, Quantity], PlainValidator(by_layer(read_non_negative))]


class Channel(Table):
    """One signal of the instrument.

    Parameters
    ----------
    name
        Unique; default the element.
    element
        The element that it follows; None for a fragment, which follows the layers.
    column
        Column of a measured file, by its name or its number from 1; default the name.
    merge
        Instead: columns that are added up.
    sensitivity
        Intensity per collected atom per nm2 and second, or per seen fraction of atoms; one for
        all layers, or a dictionary by the name of the layer or material.
    background
        Intensity without any sample.
    saturation
        Intensity above which a reading is censored.
    interference
        By element, the share of its signal that this channel also sees, relative to the channel's
        own sensitivity.
    self_absorption_nm2_s
        Optical depth of a resonance line per collected atom per nm2 and second of its element.
    hydrogen_effect
        Relative change of the intensity by very much hydrogen in the discharge, above -1.
    dead_time_s
        Time for which a counting detector is blind after each recorded count [s].
    reading_step
        Intensity between neighbouring readings of a converter.
    contamination
        Intensity, at the first moment, of what the surfaces give off at first.
    """

    name: Name
    element: Element | None = None
    column: Column | None = None
    merge: tuple[Column, ...] = ()
    sensitivity: Sensitivity = Quantity.default(1.0)
    background: NonNegativeQuantity = Quantity.default(0.0)
    saturation: PositiveQuantity | None = None
    interference: dict[Element, NonNegativeQuantity] = Field(default_factory=dict)
    self_absorption_nm2_s: PositiveQuantity | None = None
    hydrogen_effect: RelativeChange | None = None
    dead_time_s: PositiveTime | None = None
    reading_step: PositiveQuantity | None = None
    contamination: NonNegativeQuantity | None = None

    def __init__(self, /, **written: Any) -> None:
        if written.get("name") is None and isinstance(written.get("element"), str):
            written["name"] = written["element"]
        super().__init__(**written)

    @property
    def label(self) -> str:
        return self.name or ""

    @property
    def columns(self) -> tuple[str | int, ...]:
        """Columns of a measured file that make up this channel."""
        return self.merge or (self.name if self.column is None else self.column,)

    def sensitivity_in(self, layer: ConcreteLayer) -> Quantity:
        """Sensitivity to what comes from a layer.

        What is not in a table (see `key_of_layer`) has the default, 1, of an element; and 0 of a
        fragment.
        """
        if isinstance(self.sensitivity, Quantity):
            return self.sensitivity
        key = key_of_layer(self.sensitivity, layer)
        if key is not None:
            return self.sensitivity[key]
        return Quantity(0.0) if self.element is None else Quantity.default(1.0)

    def checks(self) -> Iterator[Mistake]:
        if self.merge and self.is_written("column"):
            yield Mistake("merge", "stands beside column; write only one of the two")
        if self.is_written("self_absorption_nm2_s"):
            if not self.is_written("element"):
                message = "a channel without element has no atoms that absorb their own light"
                yield Mistake("self_absorption_nm2_s", message)
            elif self.interference:
                message = "stands beside interference, whose light these atoms do not absorb"
                yield Mistake("self_absorption_nm2_s", message)
        if self.is_written("hydrogen_effect") and self.interference:
            message = "stands beside interference, whose light hydrogen changes in its own way"
            yield Mistake("hydrogen_effect", message)
        if self.is_written("dead_time_s"):
            if self.merge:
                message = "stands beside merge; each detector has its own counts"
                yield Mistake("dead_time_s", message)
            if self.is_written("reading_step"):
                message = "stands beside dead_time_s; counts are whole numbers already"
                yield Mistake("reading_step", message)
        if self.is_written("element") or isinstance(self.sensitivity, dict):
            return
        if not self.is_written("sensitivity") or self.sensitivity.status != "default":
            message = "a channel without element needs a table of numbers by layer"
            yield Mistake("sensitivity", message)
