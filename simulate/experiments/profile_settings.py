"""How a measured file is read."""

import unicodedata
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import PlainValidator

from craterfront.notation.table import Column, Mistake, Name, Table, whole_number
from craterfront.problems import one_of, shown

AXIS_UNITS = {
    "time": {"s": 1.0, "ms": 1e-3, "min": 60.0},
    "depth": {"nm": 1.0, "um": 1e3, "\u03bcm": 1e3, "A": 0.1, "\u00c5": 0.1},
}
"""Seconds or nanometres per unit; of the two signs that Unicode has for micro and for angstrom,
that to which text is normalised."""


def _unit(written: Any) -> str:
    """A unit with one of the two signs that Unicode has for micro and for angstrom."""
    if not isinstance(written, str):
        raise ValueError(f"must be text, got {shown(written)}")
    return unicodedata.normalize("NFKC", written.strip())


class ProfileSettings(Table):
    """How a measured file is read.

    Parameters
    ----------
    axis_column
        Column with the axis, by its name or its number from 1; default the first.
    axis
        ``"time"`` or ``"depth"``.
    axis_unit
        s, ms or min; nm, um or A; default what the header names, else s or nm.
    axis_position
        Whether the axis gives the ``"start"``, ``"middle"`` or ``"end"`` of each interval.
    values
        ``"intensity"``, ``"atomic fraction"`` or ``"mass fraction"``.
    value_unit
        ``"1"``, or ``"%"`` for fractions given in per cent.
    ignore
        Columns to leave out, by name or pattern with ``*`` and ``?``.
    delimiter
        ``"tab"``, ``"comma"``, ``"semicolon"`` or ``"blanks"``; default found by the reader.
    decimal
        ``"."`` or ``","``; default found by the reader.
    header_rows
        Number of lines before the first data row; default found by the reader.
    names_row
        The line, counted from 1, with the names of the columns; default found by the reader.
    drop_last_rows
        Number of data rows at the end to leave out, such as an incomplete one.
    """

    axis_column: Column | None = None
    axis: Literal["time", "depth"] = "time"
    axis_unit: Annotated[str, PlainValidator(_unit)] | None = None
    axis_position: Literal["start", "middle", "end"] = "middle"
    values: Literal["intensity", "atomic fraction", "mass fraction"] = "intensity"
    value_unit: Literal["1", "%"] = "1"
    ignore: tuple[Name, ...] = ()
    delimiter: Literal["tab", "comma", "semicolon", "blanks"] | None = None
    decimal: Literal[".", ","] | None = None
    header_rows: Annotated[int, whole_number(0)] | None = None
    names_row: Annotated[int, whole_number(1)] | None = None
    drop_last_rows: Annotated[int, whole_number(0)] = 0

    def checks(self) -> Iterator[Mistake]:
        units = list(AXIS_UNITS[self.axis])
        if self.axis_unit is not None and self.axis_unit not in units:
            yield Mistake(
                "axis_unit",
                f'must be {one_of(units)} with axis = "{self.axis}", got {shown(self.axis_unit)}',
            )
        if self.value_unit == "%" and self.values == "intensity":
            yield Mistake("value_unit", '"%" is for fractions, but values is "intensity"')
        if self.delimiter == "comma" and self.decimal == ",":
            yield Mistake("decimal", 'must be "." with delimiter = "comma", got ","')
        names_row, header_rows = self.names_row or 0, self.header_rows
        if header_rows is not None and names_row > header_rows:
            yield Mistake(
                "names_row",
                f"must be one of the {header_rows} header_rows, got {names_row}",
            )
