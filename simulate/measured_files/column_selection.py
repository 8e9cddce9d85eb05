"""Which columns of a table make up the axis and the channels of a profile."""

import fnmatch
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from craterfront.problems import did_you_mean, shown

_SHOWN = 10  # items listed in one message


@dataclass(frozen=True)
class Selection:
    """Columns, counted from 0, and what there is to say about them.

    Attributes
    ----------
    axis
        Column of the axis; 0 where it was not found.
    channels
        Columns to add up, by channel.
    by_default
        Channels that nobody asked for: columns that were left over.
    notes
        What was merged, left out or taken by default.
    problems
        All mistakes, each with the setting and the value.
    """

    axis: int
    channels: dict[str, list[int]]
    by_default: list[str]
    notes: list[str]
    problems: list[str]

    def used(self) -> list[int]:
        """All columns that are needed, in ascending order."""
        return sorted({self.axis}.union(*self.channels.values()))


def select_columns(
    names: list[str],
    *,
    axis_column: str | int | None = None,
    columns: Mapping[str, str | int] | None = None,
    merge: Mapping[str, Sequence[str | int]] | None = None,
    ignore: Sequence[str] = (),
) -> Selection:
    """Find the columns of the axis and of the channels by header or by number, counted from 1.

    Parameters
    ----------
    names
        Headers of all columns.
    axis_column, columns, merge, ignore
        See `craterfront.measured_files.measured.read_profile`.

    Returns
    -------
    Selection
        With its list of problems, so that a caller can report them with others.
    """
    headers = _Headers(names)
    axis = headers.find(1 if axis_column is None else axis_column, "axis_column")
    named = {
        channel: headers.find(wanted, f"columns[{shown(channel)}]")
        for channel, wanted in (columns or {}).items()
    }
    merged = {
        channel: [i for part in parts for i in headers.find(part, f"merge[{shown(channel)}]")]
        for channel, parts in (merge or {}).items()
    }
    taken = set(axis).union(*named.values(), *merged.values())
    ignored, free = _divide([i for i in range(len(names)) if i not in taken], names, ignore)
    notes = [
        f"channel {shown(channel)} is the sum of the columns {listed([names[i] for i in parts])}"
        for channel, parts in merged.items()
    ]
    if axis_column is None:
        notes.append(f"axis taken from the first column, {shown(names[0])}")
    if ignored:
        notes.append(f"columns ignored ({len(ignored)}): {listed([names[i] for i in ignored])}")
    if columns is None:
        named = headers.by_their_names(free)
    elif free:
        notes.append(f"columns not used ({len(free)}): {listed([names[i] for i in free])}")
    problems = headers.problems
    problems += [f"merge[{shown(name)}]: is a channel already" for name in merged if name in named]
    channels = named | merged
    problems += _double_use(names, axis, channels)
    if not channels:
        problems.append("no channel: no column is left besides the axis and the ignored ones")
    by_default = list(named) if columns is None else []
    return Selection(axis[0] if axis else 0, channels, by_default, notes, problems)


class _Headers:
    """Finds columns and collects what goes wrong."""

    def __init__(self, names: list[str]) -> None:
        self.names = names
        self.problems: list[str] = []
        self._exact: dict[str, list[int]] = {}
        self._similar: dict[str, list[int]] = {}
        for i, name in enumerate(names):
            self._exact.setdefault(name, []).append(i)
            self._similar.setdefault(normal(name), []).append(i)

    def find(self, wanted: str | int, setting: str) -> list[int]:
        """The column in a list, or an empty list and one more problem."""
        if not isinstance(wanted, str):
            if 1 <= wanted <= len(self.names):
                return [int(wanted) - 1]
            allowed = f"1 to {len(self.names)}"
            self.problems.append(f"{setting}: column number must be {allowed}, got {wanted}")
            return []
        found = self._exact.get(wanted) or self._similar.get(normal(wanted), [])
        if len(found) == 1:
            return found
        if found:
            self.problems.append(f"{setting}: {self._repeated(found)}; give a number")
        else:
            hint = did_you_mean(wanted, self.names)
            columns = f"the columns are {listed(self.names)}"
            self.problems.append(f"{setting}: no column {shown(wanted)}{hint}; {columns}")
        return []

    def by_their_names(self, free: list[int]) -> dict[str, list[int]]:
        """One channel for each column, under the name of the column."""
        by_name: dict[str, list[int]] = {}
        for i in free:
            by_name.setdefault(self.names[i], []).append(i)
        for found in by_name.values():
            if len(found) > 1:
                advice = "set names_row, name them by number in columns, or ignore them"
                self.problems.append(f"{self._repeated(found)}; {advice}")
        return by_name

    def _repeated(self, found: list[int]) -> str:
        numbers = listed([i + 1 for i in found])
        return f"{len(found)} columns are named {shown(self.names[found[0]])}: {numbers}"


def _divide(
    columns: list[int], names: list[str], patterns: Sequence[str]
) -> tuple[list[int], list[int]]:
    """Columns that match a pattern, and the others."""
    # Names of ions and units hold brackets, which must not open a set of characters.
    patterns = [pattern.replace("[", "[[]") for pattern in patterns]
    groups: tuple[list[int], list[int]] = ([], [])
    for i in columns:
        groups[not any(fnmatch.fnmatchcase(names[i], pattern) for pattern in patterns)].append(i)
    return groups


def _double_use(names: list[str], axis: list[int], channels: dict[str, list[int]]) -> list[str]:
    """Columns that serve twice, whose noise would count as independent."""
    uses = Counter(i for parts in [axis, *channels.values()] for i in parts)
    return [
        f"column {shown(names[i])} (number {i + 1}) serves {count} times as axis or channel"
        for i, count in uses.items()
        if count > 1
    ]


# --- words -------------------------------------------------------------------------------------


def normal(text: str) -> str:
    """Text with single blanks, and one of the two signs that Unicode has for micro and angstrom."""
    return unicodedata.normalize("NFKC", " ".join(text.split()))


def listed(items: Sequence[str | int]) -> str:
    """A few items of a list and how many more there are."""
    more = len(items) - _SHOWN
    return ", ".join(map(shown, items[:_SHOWN])) + (f" and {more} more" if more > 0 else "")
