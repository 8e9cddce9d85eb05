"""A table of the experiment file that gathers all its mistakes before it complains."""

import numbers
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextvars import ContextVar
from functools import lru_cache
from typing import Annotated, Any, ClassVar, NamedTuple, Self, TypeVar

from pydantic import (
    BaseModel,
    ConfigDict,
    PlainValidator,
    PrivateAttr,
    ValidationError,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    field_validator,
)
from pydantic_core import PydanticUndefined

from craterfront.notation.quantities import Quantity, finite_number
from craterfront.problems import (
    InputProblems,
    did_you_mean,
    nearest,
    one_of,
    shown,
    shown_key,
)

MOST_UNKNOWN_KEYS = 50  # named in one table
MOST_LISTED = 10  # mistakes named in one value

Value = TypeVar("Value")


class Mistake(NamedTuple):
    """What is wrong with the value of a key, perhaps in a table within this one."""

    key: str
    message: str
    within: str = ""


_ABSENT = object()
_mistakes_of_table: ContextVar[list[Mistake] | None] = ContextVar("mistakes", default=None)


class Table(BaseModel):
    """A table of the experiment file and, under the same names, an object of the notebook.

    A value that is wrong is noted and replaced by its default (None where it has none), so that
    the other values and the tables around it are still checked. The outermost table then raises
    `InputProblems` with all mistakes: an object that can be used has none.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    place: ClassVar[str | None] = None
    """Name of the table in messages when it stands alone; default the name of the class."""

    file_names: ClassVar[Mapping[str, str]] = {}
    """How the file calls a field, where it differs; empty for what the file does not nest."""

    misplaced: ClassVar[Mapping[str, str]] = {}
    """Keys that users may expect here, and why there is none."""

    _mistakes: list[Mistake] = PrivateAttr(default_factory=list)

    def __init__(self, /, **written: Any) -> None:
        mistakes: list[Mistake] = []
        outermost = _mistakes_of_table.get() is None
        token = _mistakes_of_table.set(mistakes)
        try:
            super().__init__(**self._known(written, mistakes))
        finally:
            _mistakes_of_table.reset(token)
        self._mistakes.extend([*mistakes, *self.checks()])
        if outermost:
            alone = type(self).__name__ if self.place is None else self.place
            problems = list(self.problems(named(alone, self.label)))
            if problems:
                raise InputProblems(problems)

    @property
    def label(self) -> str:
        """What to call this table among its kind; empty if it has no name."""
        return ""

    def checks(self) -> Iterator[Mistake]:
        """What is wrong between the values, where each is right by itself."""
        yield from ()

    def problems(self, place: str = "") -> Iterator[str]:
        """One line for each mistake here and in the tables within; none in a finished object."""
        for key, message, within in self._mistakes:
            yield f"{_joined(' ', _joined('.', place, within), key)}: {message}"
        for key, value in self:
            for label, table in _tables(self.file_names.get(key, key), value):
                yield from table.problems(_joined(".", place, label))

    def is_written(self, key: str) -> bool:
        """Whether somebody gave this value, be it right or wrong."""
        return key in self.model_fields_set

    def rebuilt(self, **changes: Any) -> Self:
        """The same table with other values, checked anew."""
        written = {key: getattr(self, key) for key in self.model_fields_set}
        return type(self)(**{**written, **changes})

    def as_written(self) -> dict[str, Any]:
        """The table as plain dictionaries, lists, texts and numbers, as the file would hold it."""
        plain = {self.file_names.get(key) or key: _plain(value) for key, value in self}
        return {key: value for key, value in plain.items() if value not in (None, [], {})}

    def __repr_args__(self) -> Iterator[tuple[str | None, Any]]:
        """Only what is written, which is what a notebook should show."""
        yield from (item for item in super().__repr_args__() if item[0] in self.model_fields_set)

    @field_validator("*", mode="wrap", check_fields=False)
    @classmethod
    def _note_mistakes(
        cls, value: Any, read: ValidatorFunctionWrapHandler, info: ValidationInfo
    ) -> Any:
        field = info.field_name or ""
        try:
            if value is not _ABSENT:
                return read(value)
        except ValidationError as error:
            mistakes = _mistakes_of_table.get()
            if mistakes is None:
                raise
            key = cls.file_names.get(field, field)
            for detail in error.errors(include_url=False):
                mistakes.append(Mistake(_path(key, detail["loc"]), _in_plain_words(detail)))
        default = cls.model_fields[field].get_default(call_default_factory=True)
        return None if default is PydanticUndefined else default

    @classmethod
    def _known(cls, written: dict[str, Any], mistakes: list[Mistake]) -> dict[str, Any]:
        """What is written under known keys; notes the keys that are unknown and those missing."""
        fields = cls.model_fields
        known = {
            key: value for key, value in written.items() if key in fields and value is not None
        }
        unknown = [key for key in written if key not in fields]
        listed = unknown[:MOST_UNKNOWN_KEYS]
        mistakes += [Mistake(shown_key(key), cls._unknown(key)) for key in listed]
        if len(unknown) > len(listed):
            mistakes.append(Mistake("", f"{len(unknown) - len(listed)} more unknown keys"))
        meant = {nearest(key, fields) for key in listed if key not in cls.misplaced}
        required = [key for key, field in fields.items() if field.is_required()]
        missing = [key for key in required if key not in known]
        mistakes += [Mistake(key, "missing") for key in missing if key not in meant]
        absent = (key for key in fields if key in meant or key in missing)
        return dict.fromkeys(absent, _ABSENT) | known

    @classmethod
    def _unknown(cls, key: str) -> str:
        if key in cls.misplaced:
            return cls.misplaced[key]
        return f"unknown key{did_you_mean(key, cls.model_fields)}"


# --- kinds of values ---------------------------------------------------------------------------


def _text(written: Any) -> str:
    if not isinstance(written, str):
        raise ValueError(f"must be text, got {shown(written)}")
    return written


def _name(written: Any) -> str:
    if not _text(written).strip():
        raise ValueError("must not be empty")
    return written


def _flag(written: Any) -> bool:
    if not isinstance(written, bool):
        raise ValueError(f"must be true or false, got {shown(written)}")
    return written


def element_symbol(written: Any) -> str:
    """A known element symbol; ValueError for anything else."""
    from craterfront.models.materials.elements import atomic_number  # brings numpy

    if len(_text(written)) > 20:
        raise ValueError(f"unknown element {shown(written)}")
    atomic_number(written)
    return written


@lru_cache(maxsize=1024)
def parsed_formula(formula: str) -> Mapping[str, float]:
    """Atomic fractions of a formula, parsed once for all that have it."""
    from craterfront.models.materials.elements import parse_formula  # brings numpy

    try:
        return parse_formula(formula)
    except RecursionError:
        raise ValueError("brackets are nested too deeply") from None


def _column(written: Any) -> str | int:
    """A column by its name, or by its number from 1."""
    whole = isinstance(written, int) and not isinstance(written, bool)
    if not whole and not (isinstance(written, str) and written.strip()):
        raise ValueError(f"must be a name or a number, got {shown(written)}")
    if whole and written < 1:
        raise ValueError(f"must be >= 1, got {shown(written)}")
    return written


Text = Annotated[str, PlainValidator(_text)]
Name = Annotated[str, PlainValidator(_name)]
Flag = Annotated[bool, PlainValidator(_flag)]
Element = Annotated[str, PlainValidator(element_symbol)]
Column = Annotated[str | int, PlainValidator(_column)]


def whole_number(least: int, most: int | None = None) -> PlainValidator:
    """A whole number in a range, for `typing.Annotated`."""

    def read(written: Any) -> int:
        if isinstance(written, bool) or not isinstance(written, numbers.Integral):
            got = repr(written) if isinstance(written, float) else shown(written)  # 2.0, not 2
            raise ValueError(f"must be a whole number, got {got}")
        number = int(written)
        if number < least:
            raise ValueError(f"must be >= {least}, got {shown(number)}")
        if most is not None and number > most:
            raise ValueError(f"must be <= {most}, got {shown(number)}")
        return number

    return PlainValidator(read)


def read_each(
    table: Mapping[Any, Any],
    read_key: Callable[[Any], str],
    read_value: Callable[[Any], Value],
) -> dict[str, Value]:
    """Keys and values of a table, each read on its own; ValueError with all that is wrong."""
    read: dict[str, Value] = {}
    wrong: list[str] = []
    for key, written in table.items():
        try:
            read_key(key)
        except ValueError as error:
            wrong.append(str(error))
        try:
            read[key] = read_value(written)
        except ValueError as error:
            wrong.append(f"{shown_key(key)} {error}")
    if wrong:
        raise ValueError("; ".join(wrong[:MOST_LISTED]))
    return read


def chosen_by(key: str, tables: Mapping[str, type[Table]]) -> PlainValidator:
    """A table whose class follows from the text under one of its keys, for `typing.Annotated`."""
    names = list(tables)

    def read(written: Any) -> Table:
        if isinstance(written, tuple(tables.values())):
            return written
        if not isinstance(written, Mapping):
            raise ValueError(f"must be a table, got {shown(written)}")
        if key not in written:
            raise ValueError(f"{key} is missing; must be {one_of(names)}")
        name = written[key]
        if not isinstance(name, str) or name not in tables:
            near = did_you_mean(name, names) if isinstance(name, str) else ""
            raise ValueError(f"{key} must be {one_of(names)}, got {shown(name)}{near}")
        return tables[name](**written)

    return PlainValidator(read)


def number_that(rule: str, holds: Callable[[float], bool]) -> Callable[[Any], float]:
    """Reads a number without uncertainty that obeys a rule."""

    def read(written: Any) -> float:
        number = finite_number(written)
        if not holds(number):
            raise ValueError(f"must be {rule}, got {shown(written)}")
        return number

    return read


def number_list(
    rule: str, holds: Callable[[float], bool], length: int | None = None
) -> PlainValidator:
    """A list of numbers each of which obeys a rule, for `typing.Annotated`."""
    read_one = number_that(rule, holds)

    def read(written: Any) -> tuple[float, ...]:
        if not isinstance(written, Iterable) or isinstance(written, str | Mapping):
            raise ValueError(f"must be a list of numbers, got {shown(written)}")
        items = list(written)
        if length is not None and len(items) != length:
            raise ValueError(f"must be {length} numbers, got {len(items)}")
        values: list[float] = []
        wrong: list[str] = []
        for position, item in enumerate(items, start=1):
            try:
                values.append(read_one(item))
            except ValueError as error:
                wrong.append(f"number {position} {error}")
        if wrong:
            raise ValueError("; ".join(wrong[:MOST_LISTED]))
        return tuple(values)

    return PlainValidator(read)


def increasing_mistakes(
    key: str, values: Sequence[float], other_key: str, others: Sequence[float]
) -> Iterator["Mistake"]:
    """What is wrong with a curve of two lists, the first of which increases."""
    if len(values) < 2:
        yield Mistake(key, f"must have at least 2 numbers, got {len(values)}")
    if len(others) != len(values):
        yield Mistake(other_key, f"has {len(others)} numbers for {len(values)} in {key}")
    for index in range(1, len(values)):
        if values[index] <= values[index - 1]:
            yield Mistake(
                f"{key}[{index + 1}]",
                f"must be > {shown(values[index - 1])} before it, got {shown(values[index])}",
            )
            break


def name_mistakes(users: dict[str, str], place: str, name: str | None) -> Iterator["Mistake"]:
    """A mistake where a name has a user already; else it is noted with its place in `users`."""
    if name in users:
        message = f"is the name of {users[name]}, too; names are unique"
        yield Mistake("name", message, within=named(place, name))
    elif name is not None:
        users[name] = place


# --- places and words --------------------------------------------------------------------------


def numbered(key: str, index: int, label: str = "") -> str:
    """Place of one table in a list, with its name: ``layer[2] "TiN"``, counted from 1."""
    return named(f"{key}[{index + 1}]", label)


def named(place: str, label: str) -> str:
    """A place and the name of what is there."""
    return _joined(" ", place, shown(label) if label else "")


def _joined(separator: str, *parts: str) -> str:
    return separator.join(part for part in parts if part)


def _tables(key: str, value: Any) -> Iterator[tuple[str, Table]]:
    """The tables in a value with their places."""
    if isinstance(value, Table):
        yield key, value
    elif isinstance(value, tuple):
        for index, item in enumerate(value):
            if isinstance(item, Table):
                yield numbered(key, index, item.label), item
    elif isinstance(value, dict):
        for name, item in value.items():
            if isinstance(item, Table):
                yield f"{key}.{shown_key(name)}", item


def _path(key: str, within: Sequence[str | int]) -> str:
    """A key and the way from it to the value: ``raster_um[2]``."""
    steps = [f"[{step + 1}]" if isinstance(step, int) else f".{shown_key(step)}" for step in within]
    return key + "".join(step for step in steps if step != '."[key]"')


def _in_plain_words(error: Any) -> str:
    """What a validation error means to somebody who wrote a file."""
    kind, written = error["type"], error["input"]
    if kind == "value_error":
        return str(error["ctx"]["error"])
    if kind == "literal_error":
        names = re.findall(r"'([^']*)'", error["ctx"]["expected"])
        near = did_you_mean(written, names) if isinstance(written, str) else ""
        return f"must be {one_of(names)}, got {shown(written)}{near}"
    if kind == "tuple_type" and isinstance(written, Mapping):
        return "must be a list of tables: write its head in two brackets, as in [[layer]]"
    wanted = {"tuple_type": "a list", "dict_type": "a table", "model_type": "a table"}
    return f"must be {wanted.get(kind, 'something else')}, got {shown(written)}"


def _plain(value: Any) -> Any:
    if isinstance(value, Quantity):
        return value.written()
    if isinstance(value, Table):
        return value.as_written()
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    return value
