"""Mistakes in what a user wrote: worded alike, and raised together."""

import difflib
import json
import numbers
import re
import reprlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from typing import Any

LONGEST_SHOWN = 60
MOST_COMPARED = 300  # names compared with a misspelt one

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")  # what TOML allows without quotes


class InputProblems(ValueError):
    """All mistakes of one input.

    Parameters
    ----------
    problems
        One line for each mistake, with its place and the value.
    source
        The file that has them, if any; the message begins with it.

    Attributes
    ----------
    problems : list of str
    source : str
    """

    def __init__(self, problems: Iterable[str], source: str = "") -> None:
        self.problems = list(problems)
        self.source = source
        super().__init__(self.problems, source)

    def __str__(self) -> str:
        before = f"{self.source}: " if self.source else ""
        if len(self.problems) == 1:
            return before + self.problems[0]
        return "\n".join([f"{before}{len(self.problems)} mistakes", *self.problems])


@contextmanager
def mistakes_of(place: str, known: Sequence[str] = ()) -> Iterator[None]:
    """Mistakes found within are raised with the place that they are from, after known ones."""
    try:
        yield
    except InputProblems as error:
        raise InputProblems([*known, *error.problems], place) from None


def shown(value: Any) -> str:
    """A value as the user would write it, in printable characters, shortened."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, numbers.Real):
        return _shown_number(value)
    if type(value).__module__ == "datetime":
        return str(value)
    return _shortened(reprlib.repr(value))


def shown_key(key: str) -> str:
    """A key of a table: bare where TOML allows it, else in quotes."""
    return _shortened(key) if _BARE_KEY.fullmatch(key) else _quoted(key)


def bare_key(key: str) -> str:
    """A key as TOML writes it, whole: bare where that is allowed, else in quotes."""
    return key if _BARE_KEY.fullmatch(key) else toml_string(key)


def toml_string(text: str) -> str:
    """A text as TOML writes it; unlike JSON it has no bare control character 0x7f."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def nearest(text: str, known: Iterable[str]) -> str | None:
    """The known name that a misspelt one may stand for, if there is one."""
    by_lower = {name.lower(): name for name in islice(known, MOST_COMPARED)}
    near = difflib.get_close_matches(text.lower()[:LONGEST_SHOWN], by_lower, n=1, cutoff=0.6)
    return by_lower[near[0]] if near else None


def did_you_mean(text: str, known: Iterable[str]) -> str:
    """``"; did you mean thickness_nm?"``, or nothing where no known name is near."""
    name = nearest(text, known)
    return f"; did you mean {shown_key(name)}?" if name else ""


def one_of(names: Sequence[str]) -> str:
    """``"erf", "linear" or "exponential"``."""
    quoted = [f'"{name}"' for name in names]
    return " or ".join(part for part in (", ".join(quoted[:-1]), quoted[-1]) if part)


def _quoted(text: str) -> str:
    quoted = json.dumps(_shortened(text), ensure_ascii=False)
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in quoted)


def _shown_number(value: numbers.Real) -> str:
    try:
        number = float(value)
    except OverflowError:
        return "a number of more than 308 digits"
    return f"{number:.0f}" if number.is_integer() and abs(number) < 1e15 else repr(number)


def _shortened(text: str) -> str:
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 3]}..."
