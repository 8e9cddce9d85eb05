"""The unit of a profile's axis: as the settings say, or as the header of its column names it."""

import re
from dataclasses import dataclass

from craterfront.experiments.profile_settings import AXIS_UNITS
from craterfront.measured_files.column_selection import normal
from craterfront.problems import one_of, shown

BASE_UNITS = {"time": "s", "depth": "nm"}

_SPELLINGS = {
    "s": ("sec", "second", "seconds"),
    "ms": ("msec", "millisecond", "milliseconds"),
    "min": ("minute", "minutes"),
    "nm": ("nanometre", "nanometres", "nanometer", "nanometers"),
    "um": ("micron", "microns", "micrometre", "micrometres", "micrometer", "micrometers"),
    "A": ("angstrom", "angstroms", "ångström", "ångströms"),
}
_IN_BRACKETS = re.compile(r"[(\[]\s*([^()\[\]]+?)\s*[)\]]")
_AT_THE_END = re.compile(r"[\s/_,]([^\s/_,]+)$")


@dataclass(frozen=True)
class AxisUnit:
    """What turns the numbers of an axis into seconds or nanometres.

    Attributes
    ----------
    factor
        Seconds or nanometres per unit.
    notes
        What a reader must know of where the unit is from.
    problems
        Why there is none.
    doubt
        Where neither the settings nor the header name it: a sentence that says so, else empty.
    """

    factor: float
    notes: list[str]
    problems: list[str]
    doubt: str = ""


def axis_unit(header: str, axis: str, written: str | None) -> AxisUnit:
    """Unit of an axis.

    Parameters
    ----------
    header
        Name of the column.
    axis
        ``"time"`` or ``"depth"``.
    written
        The unit in the settings, which decides; one of `AXIS_UNITS` of this axis.
    """
    units = AXIS_UNITS[axis]
    named = unit_in_header(header)
    if written is not None:
        factor = units[normal(written)]
        notes = []
        if named and units.get(named) != factor:
            notes.append(f"the column {shown(header)} is read in {written}, as set")
        return AxisUnit(factor, notes, [])
    if named is None:
        doubt = f"the column {shown(header)} names no unit of {axis} ({', '.join(_common(axis))})"
        return AxisUnit(1.0, [f"{doubt}: read in {BASE_UNITS[axis]}"], [], doubt)
    if named not in units:
        problem = (
            f"the column {shown(header)} names {named}, which is no unit of {axis}: set axis, or"
            f" set axis_unit to {one_of(_common(axis))}"
        )
        return AxisUnit(1.0, [], [problem])
    notes = []
    if units[named] != 1.0:
        notes.append(f"axis read in {named}, as the column {shown(header)} says")
    return AxisUnit(units[named], notes, [])


def unit_in_header(header: str) -> str | None:
    """The unit that ends a header or stands in its brackets, if it is one that can be read."""
    header = normal(header)
    known = {spelling: unit for unit, words in _SPELLINGS.items() for spelling in words}
    known |= {unit: unit for units in AXIS_UNITS.values() for unit in units}
    found = [word for word in _IN_BRACKETS.findall(header) if _known(word, known)]
    if found:
        return _known(found[-1], known)
    last = _AT_THE_END.search(header)
    # A single capital letter at the end is a name rather than a unit: "run A".
    return _known(last[1], known) if last and last[1] != "A" else None


def _known(word: str, known: dict[str, str]) -> str | None:
    return known.get(word) or known.get(word.lower() if len(word) > 2 else word)


def _common(axis: str) -> list[str]:
    """Units of an axis without their other spellings."""
    return [unit for unit in AXIS_UNITS[axis] if unit.isascii()]
