"""Plain values as TOML text for people: one key a line, tables after values."""

import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from craterfront.problems import bare_key, toml_string

_NARROW = 96


def toml_text(table: Mapping[str, Any]) -> str:
    """A TOML document of texts, numbers, dates, lists and tables.

    A list of tables becomes an array of tables. Numbers are written with all their digits: round
    them before for people.
    """
    return "\n".join(_lines(table, "")).strip("\n") + "\n"


def _lines(table: Mapping[str, Any], place: str) -> Iterator[str]:
    nested = {key: value for key, value in table.items() if _is_nested(value)}
    for key, value in table.items():
        if key not in nested:
            yield _pair(bare_key(key), value)
    for key, value in nested.items():
        name = f"{place}.{bare_key(key)}" if place else bare_key(key)
        several = [value] if isinstance(value, Mapping) else value
        for one in several:
            yield ""
            yield f"[{name}]" if isinstance(value, Mapping) else f"[[{name}]]"
            yield from _lines(one, name)


def _is_nested(value: Any) -> bool:
    if isinstance(value, Mapping):
        return any(isinstance(item, Mapping | list) for item in value.values()) or len(value) > 6
    return isinstance(value, list) and bool(value) and isinstance(value[0], Mapping)


def _pair(key: str, value: Any) -> str:
    line = f"{key} = {_inline(value)}"
    if len(line) <= _NARROW or not isinstance(value, Sequence) or isinstance(value, str):
        return line
    rows, row = [], "   "
    for item in value:
        more = f" {_inline(item)},"
        if len(row) + len(more) > _NARROW:
            rows.append(row)
            row = "   "
        row += more
    return "\n".join([f"{key} = [", *rows, row, "]"])


def _inline(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return toml_string(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else "nan" if math.isnan(value) else f"{value}"
    if isinstance(value, Mapping):
        pairs = ", ".join(f"{bare_key(key)} = {_inline(item)}" for key, item in value.items())
        return f"{{ {pairs} }}" if pairs else "{}"
    return f"[{', '.join(_inline(item) for item in value)}]"
