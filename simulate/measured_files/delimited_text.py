"""Tables of numbers in delimited text: characters, delimiter, numeric block, names, cells.

Nothing here knows what the columns mean. What is found automatically can be set instead.
"""

import codecs
import itertools
import math
import os
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from craterfront.file_access import read_bytes
from craterfront.problems import InputProblems, mistakes_of, one_of, shown

MAX_BYTES = 200_000_000
MAX_LINES = 5_000_000
MAX_COLUMNS = 20_000
MAX_HEADER_LINES = 10_000

DELIMITERS = {"tab": "\t", "semicolon": ";", "comma": ",", "blanks": " "}
"""Delimiters by name; 'blanks' is any run of blanks and tabs. Where two fit, the first is taken."""

_NO_NUMBERS = "no rows of numbers found; set delimiter, decimal and header_rows"
_SAMPLED_LINES = 60  # enough to tell delimiters apart, few enough for lines of 20,000 cells
_MARK = re.compile(r"#+|//+|[%!](?=\s|$)")  # of a comment line; "%Fe" is a name
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")  # no text has these
_NAN = re.compile(r"[+-]?(?:nan(?:[qs]|\([^()]*\))?|\d[.,]#(?:[qs]nan|nan|ind|inf|j)\w*)", re.I)


@dataclass(frozen=True, eq=False)
class TextTable:
    """A table of cells; numbers are read on request, a few columns at a time.

    Attributes
    ----------
    path
        The file as it was named.
    names
        One name for each column; ``"column 3"`` where the file has none.
    lines, line_numbers
        The data rows as text, and where each stands in the file, counted from 1.
    delimiter
        A key of `DELIMITERS`.
    decimal
        ``"."`` or ``","``.
    encoding
        The encoding with which the file was read.
    notes
        What was skipped or could not be used, in plain words.
    """

    path: str
    names: list[str]
    lines: list[str]
    line_numbers: Sequence[int]
    delimiter: str
    decimal: str
    encoding: str
    notes: list[str]

    def cells(self, row: int) -> list[str]:
        """Cells of one data row without blanks around them and without blank cells at the end."""
        return _split(self.lines[row], DELIMITERS[self.delimiter])

    def numbers(self, columns: Sequence[int]) -> np.ndarray:
        """Numbers of some columns (counted from 0), shape (row, column).

        A cell that is blank, missing or no number gives NaN, and so does every cell of a row that
        has more cells than there are columns, since it cannot be told which of them is too many.
        """
        values = np.full((len(self.lines), len(columns)), math.nan)
        for row in range(len(self.lines)):
            cells = self.cells(row)
            if len(cells) <= len(self.names):
                values[row] = [
                    _number_or_nan(cells[column], self.decimal) if column < len(cells) else math.nan
                    for column in columns
                ]
        return values


def read_table(
    path: str | os.PathLike[str],
    *,
    delimiter: str | None = None,
    decimal: str | None = None,
    header_rows: int | None = None,
    names_row: int | None = None,
) -> TextTable:
    """Read a text file as a table with one row per line.

    Parameters
    ----------
    path
        A text file in UTF-8 or UTF-16, with or without byte-order mark, or else in Latin-1.
    delimiter
        ``"tab"``, ``"comma"``, ``"semicolon"``, ``"blanks"`` (runs of blanks) or the character
        itself. Default: the one that gives the most numbers.
    decimal
        ``"."`` or ``","``. Default: the one that gives the most numbers.
    header_rows
        Number of lines before the first data row, blank ones included. Default: the numeric block
        begins at the first line that has more numbers than words and a number in the column where
        the numbers of the file begin.
    names_row
        The line, counted from 1, that holds the column names. Default: of the header lines, the
        last among those whose number of different names is nearest the number of columns, if it
        names more than half of them. Columns without a name there take the one from the nearest
        header line below.

    Returns
    -------
    TextTable
        Its data rows are all lines from the first data row on, save blank lines and comments.

    Raises
    ------
    InputProblems
        A setting that is not allowed; a file that cannot be opened, is no text, has no numeric
        block or is too large (200 MB, 5 million lines, 20,000 columns).
    """
    problems = _setting_problems(delimiter, decimal, header_rows, names_row)
    if not isinstance(path, str | os.PathLike):
        problems.append(f"the file must be given by its path, got {shown(path)}")
    if problems:
        raise InputProblems(problems, str(path))
    with mistakes_of(str(path)):
        return _read(
            path, DELIMITERS.get(delimiter or "", delimiter), decimal, header_rows, names_row
        )


def _read(
    path: str | os.PathLike[str],
    delimiter: str | None,
    decimal: str | None,
    header_rows: int | None,
    names_row: int | None,
) -> TextTable:
    """As `read_table`, with settings that are known to be right and the delimiter as character."""
    text, encoding = _decode(read_bytes(path, MAX_BYTES))
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    del text  # as large as the lines
    least = header_rows if header_rows is not None else names_row or 0
    sample = _sample([line for line in lines[least:] if line.strip() and not _is_comment(line)])
    delimiter, decimal = _layout(sample, delimiter, decimal)
    first = header_rows
    if first is None:
        first = _first_data_line(lines, least, sample, delimiter, decimal)
    filled = [i for i in range(first, len(lines)) if lines[i].strip()]
    rows = [i for i in filled if not _is_comment(lines[i])]
    if not rows:
        raise InputProblems([f"no data row after {first} header lines"])
    data = [lines[i] for i in rows]
    _check_width(data, rows, delimiter)
    names, notes = _names(lines[:first], names_row, data, delimiter)
    if len(filled) > len(rows):
        notes.append(f"comment lines left out among the data rows: {len(filled) - len(rows)}")
    if decimal == ",":
        notes.append("numbers read with a decimal comma")
    if encoding == "latin-1":
        notes.append("the file is not UTF-8 and was read as Latin-1")
    name = next(name for name, character in DELIMITERS.items() if character == delimiter)
    return TextTable(str(path), names, data, [i + 1 for i in rows], name, decimal, encoding, notes)


def _setting_problems(delimiter: Any, decimal: Any, header_rows: Any, names_row: Any) -> list[str]:
    """What is wrong with the settings, all at once."""
    problems = []
    if delimiter is not None and delimiter not in (*DELIMITERS, *DELIMITERS.values()):
        problems.append(f"delimiter: must be {one_of(list(DELIMITERS))}, got {shown(delimiter)}")
    if decimal not in (None, ".", ","):
        problems.append(f"decimal: must be {one_of(['.', ','])}, got {shown(decimal)}")
    if decimal == "," and delimiter in ("comma", ","):
        problems.append('decimal: "," cannot be told from the delimiter ","')
    for name, value, least in (("header_rows", header_rows, 0), ("names_row", names_row, 1)):
        if value is not None and (
            isinstance(value, bool) or not isinstance(value, int) or value < least
        ):
            problems.append(f"{name}: must be a whole number >= {least}, got {shown(value)}")
    if not problems and None not in (header_rows, names_row) and names_row > header_rows:
        problems.append(f"names_row: must be one of the {header_rows} header rows, got {names_row}")
    return problems


# --- bytes and characters ----------------------------------------------------------------------


def _decode(raw: bytes) -> tuple[str, str]:
    """The text without byte-order mark, and its encoding."""
    encoding = _encoding(raw)
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError:
        if encoding != "utf-8":
            raise InputProblems(["is not the UTF-16 text it looks like"]) from None
        encoding = "latin-1"
        text = raw.removeprefix(codecs.BOM_UTF8).decode(encoding)
    text = text.removeprefix("\ufeff")
    control = _CONTROL.search(text)
    if control:
        line = text.count("\n", 0, control.start()) + 1
        found = f"line {line} holds the control character {control.group()!r}"
        raise InputProblems([f"{found}: not a text file?"])
    if not text.strip():
        raise InputProblems(["the file is empty"])
    count = text.count("\n") + text.count("\r")
    if count > MAX_LINES:
        raise InputProblems([f"has {count} lines, at most {MAX_LINES} are read"])
    return text, encoding


def _encoding(raw: bytes) -> str:
    """UTF-16 by its byte-order mark or by the zero bytes of its ASCII characters, else UTF-8."""
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    head = raw[:4096]
    zeros_even, zeros_odd = head[0::2].count(0), head[1::2].count(0)
    if zeros_odd > len(head) // 4 and not zeros_even:
        return "utf-16-le"
    if zeros_even > len(head) // 4 and not zeros_odd:
        return "utf-16-be"
    return "utf-8"


# --- cells -------------------------------------------------------------------------------------


def _split(line: str, delimiter: str) -> list[str]:
    """Cells without blanks around them; blank cells at the end of the line do not count."""
    if '"' in line and line.count(delimiter) < MAX_COLUMNS:
        cells = _split_quoted(line, delimiter)
    else:
        cells = line.split(None if delimiter == " " else delimiter, MAX_COLUMNS)
    cells = [cell.strip() for cell in cells]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _split_quoted(line: str, delimiter: str) -> list[str]:
    """Cells of a line where quotes may hold the delimiter; RFC 4180, within one line."""
    import csv

    if delimiter == " ":
        line = " ".join(line.split())
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:  # a quoted cell of more than 131072 characters
        return line.split(delimiter, MAX_COLUMNS)


def _number(cell: str, decimal: str) -> float | None:
    """The number in a cell, NaN and infinity included; None for blanks and words."""
    try:
        if decimal == "," and "." not in cell:
            cell = cell.replace(",", ".")
        elif decimal == ",":
            raise ValueError
        if "_" in cell:  # float() would read 1_000
            return None
        return float(cell)
    except ValueError:
        return math.nan if _NAN.fullmatch(cell) else None


def _number_or_nan(cell: str, decimal: str) -> float:
    number = _number(cell, decimal)
    return math.nan if number is None else number


def _is_number(decimal: str) -> Callable[[str], bool]:
    return lambda cell: _number(cell, decimal) is not None


def _lead_of_numbers(cells: list[str], decimal: str) -> int:
    """How many more numbers than words a line has."""
    filled = [cell for cell in cells if cell]
    return 2 * sum(map(_is_number(decimal), filled)) - len(filled)


# --- layout ------------------------------------------------------------------------------------


def _is_comment(line: str) -> bool:
    return _MARK.match(line.lstrip()) is not None


def _sample(lines: list[str]) -> list[str]:
    """A few lines from all over."""
    return lines[:: max(1, len(lines) // _SAMPLED_LINES)]


def _layout(sample: list[str], delimiter: str | None, decimal: str | None) -> tuple[str, str]:
    """Delimiter and decimal sign that give the largest lead of numbers over words."""
    delimiters = list(DELIMITERS.values()) if delimiter is None else [delimiter]
    decimals = [".", ","] if decimal is None else [decimal]
    if len(delimiters) == len(decimals) == 1:
        return delimiters[0], decimals[0]
    leads = {}
    for character, sign in itertools.product(delimiters, decimals):
        if (character, sign) != (",", ","):
            rows = (_split(line, character) for line in sample)
            leads[character, sign] = sum(max(0, _lead_of_numbers(row, sign)) for row in rows)
    best = max(leads, key=lambda layout: leads[layout])  # the first, of equals
    if not leads[best]:
        raise InputProblems([_NO_NUMBERS])
    return best


def _first_data_line(
    lines: list[str], start: int, sample: list[str], delimiter: str, decimal: str
) -> int:
    """Index of the line with which the numeric block begins.

    More numbers than words is not enough. A header line may hold masses or wavelengths after a
    word, so the column where the numbers begin in most rows must hold one here; or a single number
    such as a count, so there must be half as many as in most rows.
    """
    is_number = _is_number(decimal)
    rows = [_split(line, delimiter) for line in sample]
    found = [
        [i for i, cell in enumerate(row) if is_number(cell)]
        for row in rows
        if _lead_of_numbers(row, decimal) > 0
    ]
    if not found:
        raise InputProblems([_NO_NUMBERS])
    column = Counter(columns[0] for columns in found).most_common(1)[0][0]
    count = Counter(len(columns) for columns in found).most_common(1)[0][0]
    for i, line in enumerate(lines[start : start + MAX_HEADER_LINES], start):
        row = [] if _is_comment(line) else _split(line, delimiter)
        if (
            _lead_of_numbers(row, decimal) > 0
            and 2 * sum(map(is_number, row)) >= count
            and column < len(row)
            and is_number(row[column])
        ):
            return i
    raise InputProblems(
        [f"no rows of numbers begin in the first {MAX_HEADER_LINES} lines; set header_rows"]
    )


def _check_width(data: list[str], rows: list[int], delimiter: str) -> None:
    """Refuse a table that is too wide, before its numbers are asked for."""
    for line, row in zip(data, rows, strict=True):
        if len(line) > MAX_COLUMNS and len(_split(line, delimiter)) > MAX_COLUMNS:
            raise InputProblems([f"line {row + 1} has more than {MAX_COLUMNS} columns"])


# --- names -------------------------------------------------------------------------------------


def _names(
    header: list[str], names_row: int | None, data: list[str], delimiter: str
) -> tuple[list[str], list[str]]:
    """Column names and notes about them."""
    counts = Counter(len(_split(line, delimiter)) for line in _sample(data))
    most = max(counts.values())
    width = max(count for count, times in counts.items() if times == most)
    if not width:  # quotes and blanks alone
        raise InputProblems([_NO_NUMBERS])
    rows = [_header_cells(line, delimiter, width) for line in header]
    if names_row is None:
        names_row = _best_names_row(rows, width)
    elif names_row > len(header) or not rows[names_row - 1]:
        raise InputProblems([f"names_row: line {names_row} holds no column names"])
    if names_row is None:
        return _numbered([""] * width), []
    names = rows[names_row - 1]
    if delimiter == " " and len(names) != width:
        note = (
            f"line {names_row} has {len(names)} words for {width} columns, which are therefore"
            " named by number"
        )
        return _numbered([""] * width), [note]
    names = names + [""] * (width - len(names))
    for row in rows[names_row:]:
        if 2 * len(row) > width:  # not a title
            padded = row + [""] * len(names)
            names = [name or below for name, below in zip(names, padded, strict=False)]
    return _numbered(names), []


def _header_cells(line: str, delimiter: str, width: int) -> list[str]:
    """Cells of a header line without its comment mark."""
    mark = _MARK.match(line.lstrip())
    if not mark:
        return _split(line, delimiter)
    cells = _split(line.lstrip()[mark.end() :].lstrip(" "), delimiter)
    # The mark may stand in a cell of its own, above the first column or before it.
    return cells[1:] if len(cells) == width + 1 and not cells[0] else cells


def _best_names_row(rows: list[list[str]], width: int) -> int | None:
    """The last of the lines whose number of different names is nearest the number of columns."""
    fit = {
        i: abs(width - len({cell for cell in row if cell}))
        for i, row in enumerate(rows, 1)
        if 2 * sum(map(bool, row)) > width
    }
    return min(fit, key=lambda i: (fit[i], -i)) if fit else None


def _numbered(names: list[str]) -> list[str]:
    return [name or f"column {i}" for i, name in enumerate(names, 1)]
