"""Reading measured profiles: what the columns of a text table mean, and what is fit for use.

Every setting is explicit. Whatever is left out, added up or changed is told in the notes of the
profile; what cannot be read raises `InputProblems` with file, line and column.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from numbers import Integral, Real
from typing import Any, Literal

import numpy as np

from craterfront.experiments.profile_settings import AXIS_UNITS
from craterfront.measured_files.axis_unit import AxisUnit
from craterfront.measured_files.axis_unit import axis_unit as unit_of_axis
from craterfront.measured_files.column_selection import Selection, listed, normal, select_columns
from craterfront.measured_files.delimited_text import TextTable, read_table
from craterfront.measured_files.measured_profile import (
    Axis,
    MeasuredProfile,
    Position,
    ValuesKind,
    range_problems,
)
from craterfront.models.materials.elements import FormulaError, atomic_number
from craterfront.problems import InputProblems, did_you_mean, mistakes_of, one_of, shown

POSITIONS = ("start", "middle", "end")
VALUES_KINDS = ("intensity", "atomic fraction", "mass fraction")

_ROWS_SHOWN = 10  # in the notes and messages of one file


def read_profile(
    path: str | os.PathLike[str],
    *,
    axis_column: str | int | None = None,
    axis: Axis = "time",
    axis_unit: str | None = None,
    axis_position: Position = "middle",
    values: ValuesKind = "intensity",
    value_unit: Literal["1", "%"] = "1",
    columns: Mapping[str, str | int] | None = None,
    merge: Mapping[str, Sequence[str | int]] | None = None,
    ignore: Sequence[str] = (),
    saturation: Mapping[str, float] | None = None,
    elements: Mapping[str, str] | None = None,
    drop_last_rows: int = 0,
    delimiter: str | None = None,
    decimal: str | None = None,
    header_rows: int | None = None,
    names_row: int | None = None,
) -> MeasuredProfile:
    """Read a measured profile from delimited text.

    Columns are named by their header or by their number, counted from 1.

    Parameters
    ----------
    path
        The file; see `craterfront.measured_files.delimited_text.read_table` for what it may look
        like.
    axis_column
        Column of the times or depths. Default: the first one.
    axis
        ``"time"`` or ``"depth"``.
    axis_unit
        s, ms or min; nm, um (µm) or A (Å). Default: what the header of the column names, as in
        ``"Time (ms)"``; if it names nothing, s or nm, with a note.
    axis_position
        Whether the axis gives the ``"start"``, ``"middle"`` or ``"end"`` of each interval.
    values
        ``"intensity"``, ``"atomic fraction"`` or ``"mass fraction"``.
    value_unit
        ``"1"``, or ``"%"`` for fractions given in per cent.
    columns
        Column by channel name. Default: every column that is neither the axis nor merged nor
        ignored nor without any number, under its own name.
    merge
        Channels that are the sum of several columns.
    ignore
        Columns that do not become channels by default, by name or pattern: ``*`` stands for any
        text, ``?`` for any one character, everything else for itself. A column named in `columns`
        or `merge` is used all the same.
    saturation
        Reading, in the unit of the file, from which on a channel is censored. A merged channel is
        censored where one of its columns is.
    elements
        Element symbol by channel, needed only to convert fractions.
    drop_last_rows
        Number of rows to leave out at the end, for example a frame that was not completed. A last
        row with fewer cells than the rows before it is left out in any case.
    delimiter, decimal, header_rows, names_row
        See `craterfront.measured_files.delimited_text.read_table`.

    Returns
    -------
    MeasuredProfile
        Without the rows that have a cell in a used column that is blank, no number, or not finite;
        its notes say which.

    Raises
    ------
    InputProblems
        All mistakes in the settings; a file that cannot be read; an axis that does not increase;
        fewer than two usable rows; fractions above 2, which are probably per cent.
    """
    columns_problems = _column_problems(axis_column, columns, merge, ignore)
    problems = [
        *_choice_problems(axis, axis_unit, axis_position, values, value_unit, drop_last_rows),
        *columns_problems,
        *_channel_problems(saturation, elements),
    ]
    layout = {"delimiter": delimiter, "decimal": decimal}
    table = _table(path, problems, **layout, header_rows=header_rows, names_row=names_row)
    _raise_any(path, problems if columns_problems else [])
    chosen = {"axis_column": axis_column, "columns": columns, "merge": merge, "ignore": ignore}
    by_channel = {"saturation": saturation, "elements": elements}
    selection = _selection(path, table, chosen, by_channel, problems)
    unit = unit_of_axis(table.names[selection.axis], axis, axis_unit)
    _raise_any(path, unit.problems)
    with np.errstate(all="ignore"):  # what overflows is not finite, and its row is left out
        readings = _readings(table, selection, drop_last_rows, unit)
        profile = MeasuredProfile(
            axis=axis,
            axis_values=readings.axis_values,
            interval=_interval(readings.axis_values, axis_position),
            channels=list(readings.channels),
            values=readings.sums / (100.0 if value_unit == "%" else 1.0),
            values_kind=values,
            censored=readings.at_or_above(saturation or {}),
            notes=readings.notes,
            source=str(path),
            axis_position=axis_position,
            elements=dict(elements or {}),
            axis_unit_doubt=unit.doubt,
        ).at(readings.usable)
    _raise_any(path, range_problems(profile))
    return profile


def _selection(
    path: str | os.PathLike[str],
    table: TextTable,
    chosen: Mapping[str, Any],
    by_channel: Mapping[str, Mapping[str, Any] | None],
    problems: list[str],
) -> Selection:
    """The columns, or all that is wrong with the settings by now."""
    selection = select_columns(table.names, **chosen)
    problems = problems + selection.problems
    for name, setting in by_channel.items():
        problems += _unknown_channels(selection.channels, name, setting)
    _raise_any(path, problems)
    return selection


def _table(path: str | os.PathLike[str], problems: list[str], **layout: Any) -> TextTable:
    """Read the table; what is wrong with it is told with the problems that are known already."""
    with mistakes_of(str(path), problems):
        return read_table(path, **layout)


def _raise_any(path: str | os.PathLike[str], problems: list[str]) -> None:
    if problems:
        raise InputProblems(problems, str(path))


# --- settings ----------------------------------------------------------------------------------


def _choice_problems(
    axis: Any, axis_unit: Any, axis_position: Any, values: Any, value_unit: Any, drop_last_rows: Any
) -> list[str]:
    """What is wrong with the settings that take one of a few values."""
    choices = {
        "axis": (axis, tuple(AXIS_UNITS)),
        "axis_position": (axis_position, POSITIONS),
        "values": (values, VALUES_KINDS),
        "value_unit": (value_unit, ("1", "%")),
    }
    if axis in ("time", "depth") and axis_unit is not None:
        given = normal(axis_unit) if isinstance(axis_unit, str) else axis_unit
        choices[f"axis_unit of a {axis} axis"] = (given, tuple(AXIS_UNITS[axis]))
    problems = [
        f"{name}: must be {one_of(allowed)}, got {shown(value)}"
        for name, (value, allowed) in choices.items()
        if value not in allowed
    ]
    if values == "intensity" and value_unit == "%":
        problems.append('value_unit: "%" is for fractions, but values is "intensity"')
    if not _is_whole(drop_last_rows) or drop_last_rows < 0:
        problems.append(f"drop_last_rows: must be a whole number >= 0, got {shown(drop_last_rows)}")
    return problems


def _column_problems(axis_column: Any, columns: Any, merge: Any, ignore: Any) -> list[str]:
    """Settings that cannot name columns at all."""
    problems = _entry_problems("columns", columns, _is_column, "a column header or number")
    problems += _entry_problems("merge", merge, _is_list_of_columns, "a list of columns")
    if axis_column is not None and not _is_column(axis_column):
        got = shown(axis_column)
        problems.append(f"axis_column: must be a column header or number, got {got}")
    if not isinstance(ignore, list | tuple) or not all(isinstance(name, str) for name in ignore):
        problems.append(f"ignore: must be a list of column names or patterns, got {shown(ignore)}")
    return problems


def _channel_problems(saturation: Any, elements: Any) -> list[str]:
    """What is wrong with the settings that say something about channels."""
    problems = _entry_problems("saturation", saturation, _is_positive, "a number > 0")
    for channel, symbol in elements.items() if isinstance(elements, Mapping) else ():
        try:
            atomic_number(symbol)
        except (FormulaError, TypeError) as error:
            problems.append(f"elements[{shown(channel)}]: {error}")
    return problems + _entry_problems("elements", elements, lambda _: True, "an element symbol")


def _entry_problems(
    name: str, setting: Any, fits: Callable[[Any], bool], expected: str
) -> list[str]:
    """What is wrong with a setting that goes by channel."""
    if setting is None:
        return []
    if not isinstance(setting, Mapping):
        return [f"{name}: must be a table by channel, got {shown(setting)}"]
    problems = [
        f"{name}: a channel name must be a text, got {shown(channel)}"
        for channel in setting
        if not isinstance(channel, str) or not channel.strip()
    ]
    return problems + [
        f"{name}[{shown(channel)}]: must be {expected}, got {shown(value)}"
        for channel, value in setting.items()
        if not fits(value)
    ]


def _is_whole(value: Any) -> bool:
    return isinstance(value, Integral) and not isinstance(value, bool)


def _is_column(value: Any) -> bool:
    return isinstance(value, str) or _is_whole(value)


def _is_list_of_columns(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(map(_is_column, value))


def _is_positive(value: Any) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool) and float(value) > 0


def _unknown_channels(
    channels: Mapping[str, Any], name: str, setting: Mapping[str, Any] | None
) -> list[str]:
    """Entries of a setting by channel that name none."""
    return [
        f"{name}: no channel {shown(channel)}{did_you_mean(channel, channels)};"
        f" the channels are {listed(list(channels))}"
        for channel in (setting if isinstance(setting, Mapping) else ())
        if isinstance(channel, str) and channel not in channels
    ]


# --- rows --------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Readings:
    """Rows of a table as numbers, those that are not usable included."""

    axis_values: np.ndarray  # s or nm, NaN where unreadable
    channels: dict[str, list[int]]
    numbers: dict[int, np.ndarray]  # by column
    sums: np.ndarray  # (channel, row)
    usable: np.ndarray  # mask
    notes: list[str]

    def at_or_above(self, limits: Mapping[str, float]) -> np.ndarray:
        """Mask (channel, row) of readings of which one part at least reaches the limit."""
        return np.array(
            [
                np.any([self.numbers[i] >= limits.get(channel, np.inf) for i in parts], axis=0)
                for channel, parts in self.channels.items()
            ]
        )


def _readings(
    table: TextTable, selection: Selection, drop_last_rows: int, unit: AxisUnit
) -> _Readings:
    """Read the used columns and find the rows that are complete."""
    rows, dropped = _row_count(table, drop_last_rows)
    used = selection.used()
    numbers = dict(zip(used, table.numbers(used)[:rows].T, strict=True))
    empty = _empty_channels(selection, numbers)
    channels = {name: parts for name, parts in selection.channels.items() if name not in empty}
    if empty:
        dropped.append(f"columns without any number left out ({len(empty)}): {listed(empty)}")
    if not channels or rows < 2:
        raise InputProblems(["fewer than two rows are usable", *dropped], table.path)
    axis_values = numbers[selection.axis] * unit.factor
    axis_values = np.where(np.isfinite(axis_values), axis_values, np.nan)
    _check_increasing(table, selection.axis, axis_values)
    sums = np.array([sum(numbers[i] for i in parts) for parts in channels.values()])
    usable = np.isfinite(axis_values) & np.isfinite(sums).all(axis=0)
    needed = {selection.axis}.union(*channels.values())
    unusable = np.flatnonzero(~usable)
    dropped += [
        _why_unusable(table, row, {i: numbers[i][row] for i in sorted(needed)})
        for row in unusable[:_ROWS_SHOWN]
    ]
    if unusable.size > _ROWS_SHOWN:
        dropped.append(f"more rows left out for such reasons: {unusable.size - _ROWS_SHOWN}")
    if np.count_nonzero(usable) < 2:
        raise InputProblems(["fewer than two rows are usable", *dropped], table.path)
    notes = [*table.notes, *selection.notes, *unit.notes, *dropped]
    return _Readings(axis_values, channels, numbers, sums, usable, notes)


def _row_count(table: TextTable, drop_last_rows: int) -> tuple[int, list[str]]:
    """Number of rows without those to drop at the end and a partial last one, and what was left."""
    rows = max(0, len(table.lines) - drop_last_rows)
    notes = []
    if drop_last_rows:
        notes.append(f"rows left out at the end, as set: {len(table.lines) - rows}")
    if rows > 1:
        cells = [len(table.cells(row)) for row in range(max(0, rows - 50), rows)]
        if cells[-1] < min(cells[:-1]):
            rows -= 1
            line = table.line_numbers[rows]
            notes.append(f"line {line}, the last row, left out: it breaks off at cell {cells[-1]}")
    return rows, notes


def _empty_channels(selection: Selection, numbers: dict[int, np.ndarray]) -> list[str]:
    """Channels that took their column by default and found no number in it."""
    return [
        channel
        for channel in selection.by_default
        if not any(np.isfinite(numbers[i]).any() for i in selection.channels[channel])
    ]


def _check_increasing(table: TextTable, column: int, axis_values: np.ndarray) -> None:
    """Name the places where the axis repeats or goes back."""
    known = np.flatnonzero(np.isfinite(axis_values))
    wrong = np.flatnonzero(np.diff(axis_values[known]) <= 0)
    problems = []
    for before, row in zip(known[wrong][:_ROWS_SHOWN], known[wrong + 1], strict=False):
        cell, earlier = table.cells(row)[column], table.cells(before)[column]
        what = "repeats" if axis_values[row] == axis_values[before] else "falls back behind"
        problems.append(
            f"line {table.line_numbers[row]}, column {shown(table.names[column])}:"
            f" the axis must increase, but {shown(cell)} {what} {shown(earlier)}"
        )
    if len(wrong) > len(problems):
        problems.append(f"more such places: {len(wrong) - len(problems)}")
    if problems:
        raise InputProblems(problems, table.path)


def _why_unusable(table: TextTable, row: int, numbers: dict[int, float]) -> str:
    """One row that is left out, with the first cell that is to blame."""
    cells = table.cells(row)
    start = f"line {table.line_numbers[row]} left out"
    if len(cells) > len(table.names):
        return f"{start}: it has {len(cells)} cells for {len(table.names)} columns"
    bad = [i for i, number in numbers.items() if not np.isfinite(number)]
    if not bad:
        return f"{start}: a number is too large"
    others = f", and {len(bad) - 1} more such columns" if len(bad) > 1 else ""
    held = shown(cells[bad[0]]) if bad[0] < len(cells) else "nothing"
    name = shown(table.names[bad[0]])
    return f"{start}: column {name} (number {bad[0] + 1}) holds {held}{others}"


def _interval(axis_values: np.ndarray, position: Position) -> np.ndarray:
    """Widths of the intervals, from the gaps to the neighbouring rows where those are known."""
    gaps = np.diff(axis_values)
    before, after = np.append(np.nan, gaps), np.append(gaps, np.nan)
    width = {"start": after, "middle": (before + after) / 2, "end": before}[position]
    known = axis_values[np.isfinite(axis_values)]
    for other in (before, after, np.full(axis_values.shape, np.diff(known).min())):
        width = np.where(np.isnan(width), other, width)
    return width
