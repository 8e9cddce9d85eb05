"""A number as the experiment file writes it: plain, with an uncertainty, or as a guess."""

import math
import numbers
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from craterfront.problems import did_you_mean, shown, shown_key

Status = Literal["plain", "prior", "guess", "default"]

TABLE_KEYS = ("value", "u", "u_rel", "guess", "min", "max")


@dataclass(frozen=True, slots=True, repr=False)
class Quantity:
    """A number and what is known about it.

    Parameters
    ----------
    value
        The number that a simulation uses, in the unit that the name of the quantity gives.
    u
        Standard uncertainty of a prior; 0 means exactly known. Of a default: that of its source.
    minimum, maximum
        Bounds of a guess.
    status
        ``"plain"``: a bare number. ``"prior"``: a value with its standard uncertainty.
        ``"guess"``: a starting value of something unknown. ``"default"``: not written.

    Examples
    --------
    >>> Quantity.read({"value": 5.0, "u_rel": 0.1})
    Quantity.prior(5.0, u=0.5)
    >>> float(Quantity.read(400))
    400.0
    """

    value: float
    u: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    status: Status = "plain"

    def __post_init__(self) -> None:
        bounded = self.minimum is not None or self.maximum is not None
        if (self.status == "prior") != (self.u is not None) and self.status != "default":
            raise ValueError("u goes with a prior: Quantity.prior(value, u=...)")
        if bounded and self.status != "guess":
            raise ValueError("bounds go with a guess: Quantity.guess(value, minimum=..., ...)")

    @classmethod
    def prior(cls, value: float, u: float) -> "Quantity":
        """A value with its standard uncertainty."""
        return cls(value, u=u, status="prior")

    @classmethod
    def guess(
        cls, value: float, minimum: float | None = None, maximum: float | None = None
    ) -> "Quantity":
        """A starting value of something unknown, perhaps with bounds."""
        return cls(value, minimum=minimum, maximum=maximum, status="guess")

    @classmethod
    def default(cls, value: float, u: float | None = None) -> "Quantity":
        """A value that nobody wrote, perhaps with the uncertainty of the table it comes from."""
        return cls(value, u=u, status="default")

    @classmethod
    def read(cls, written: Any) -> "Quantity":
        """The quantity from a number or a table with value and u or u_rel, or guess, min, max.

        Raises
        ------
        ValueError
            Everything that is wrong with it, in one line.
        """
        if isinstance(written, Quantity):
            return _checked(written)
        if isinstance(written, Mapping):
            return _from_table(written)
        return cls(finite_number(written))

    def written(self) -> float | dict[str, float] | None:
        """What `read` turns into this quantity; None for a default."""
        if self.status == "plain":
            return self.value
        if self.status == "default":
            return None
        if self.u is not None:
            return {"value": self.value, "u": self.u}
        table = {"guess": self.value, "min": self.minimum, "max": self.maximum}
        return {key: number for key, number in table.items() if number is not None}

    def __float__(self) -> float:
        return float(self.value)

    def __repr__(self) -> str:
        named = {"u": self.u, "minimum": self.minimum, "maximum": self.maximum}
        given = "".join(f", {key}={number}" for key, number in named.items() if number is not None)
        maker = "" if self.status == "plain" else f".{self.status}"
        return f"Quantity{maker}({self.value}{given})"

    @classmethod
    def __get_pydantic_core_schema__(
        cls, _source: Any, _handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(cls.read)


def finite_number(written: Any) -> float:
    """A finite number; ValueError for anything else, true and "400" included."""
    if isinstance(written, bool) or not isinstance(written, numbers.Real):
        raise ValueError(f"must be a number, got {shown(written)}")
    try:
        number = float(written)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ValueError(f"must be a finite number, got {shown(written)}")
    return number


def within(
    *,
    above: float = -math.inf,
    at_least: float = -math.inf,
    below: float = math.inf,
    at_most: float = math.inf,
) -> Callable[[Quantity], Quantity]:
    """Check of a quantity, and of the bounds of its guess, to be called after `Quantity.read`."""
    limits = {">": above, ">=": at_least, "<": below, "<=": at_most}
    rule = " and ".join(
        f"{sign} {limit:g}" for sign, limit in limits.items() if math.isfinite(limit)
    )

    def check(quantity: Quantity) -> Quantity:
        value = quantity.value
        wrong = []
        if not (above < value < below and at_least <= value <= at_most):
            name = {"prior": "value ", "guess": "guess "}.get(quantity.status, "")
            wrong.append(f"{name}must be {rule}, got {shown(value)}")
        least, most = max(above, at_least), min(below, at_most)
        for name, bound in (("min", quantity.minimum), ("max", quantity.maximum)):
            if bound is not None and not least <= bound <= most:
                wrong.append(f"{name} must be from {least:g} to {most:g}, got {shown(bound)}")
        _complain(wrong)
        return quantity

    return check


def sized(least: float, most: float) -> Callable[[Quantity], Quantity]:
    """Check that a quantity is 0 or of a size that anybody could mean, and can be computed with."""
    rule = f"from {least:g} to {most:g}"

    def check(quantity: Quantity) -> Quantity:
        main = {"prior": "value ", "guess": "guess "}.get(quantity.status, "")
        named = {main: quantity.value, "min ": quantity.minimum, "max ": quantity.maximum}
        wrong = [
            f"{name}must be {rule}, got {shown(number)}"
            for name, number in named.items()
            if number and not least <= abs(number) <= most
        ]
        if quantity.u is not None and quantity.u > most:
            wrong.append(f"u must be <= {most:g}, got {shown(quantity.u)}")
        _complain(wrong)
        return quantity

    return check


_any_size = sized(1e-30, 1e30)  # units of intensity are anybody's choice


def read_non_negative(written: Any) -> Quantity:
    """A quantity that is not negative; ValueError as `Quantity.read`."""
    return _any_size(within(at_least=0)(Quantity.read(written)))


_length_size = sized(1e-6, 1e9)


def read_positive_length(written: Any) -> Quantity:
    """A length [nm] that is > 0; ValueError as `Quantity.read`."""
    return _length_size(within(above=0)(Quantity.read(written)))


_ANY = AfterValidator(_any_size)
_LENGTH_NM = AfterValidator(_length_size)
_POSITIVE = AfterValidator(within(above=0))
_NOT_NEGATIVE = AfterValidator(within(at_least=0))

PositiveQuantity = Annotated[Quantity, _POSITIVE, _ANY]
NonNegativeQuantity = Annotated[Quantity, _NOT_NEGATIVE, _ANY]
PositiveLength = Annotated[Quantity, _POSITIVE, _LENGTH_NM]
NonNegativeLength = Annotated[Quantity, _NOT_NEGATIVE, _LENGTH_NM]
NonNegativeArea = Annotated[Quantity, _NOT_NEGATIVE, AfterValidator(sized(1e-12, 1e17))]
PositiveRate = Annotated[Quantity, _POSITIVE, AfterValidator(sized(1e-9, 1e9))]
PositiveTime = Annotated[Quantity, _POSITIVE, AfterValidator(sized(1e-9, 1e9))]
SourceNumber = Annotated[Quantity, _POSITIVE, AfterValidator(sized(1e-6, 1e6))]
AngleToNormal = Annotated[Quantity, AfterValidator(within(at_least=0, below=90))]
SourceShare = Annotated[Quantity, AfterValidator(within(at_least=0, below=1))]
RelativeChange = Annotated[Quantity, AfterValidator(within(above=-1, at_most=100))]
PositiveDensity = Annotated[Quantity, _POSITIVE, AfterValidator(sized(1e-6, 1e3))]
RelativeDeviation = Annotated[Quantity, AfterValidator(within(at_least=0, at_most=1))]


def _from_table(table: Mapping[Any, Any]) -> Quantity:
    """A quantity from its table; the keys first, then the numbers."""
    _complain(_key_mistakes(table))
    read: dict[str, float] = {}
    wrong = []
    for key, written in table.items():
        try:
            read[key] = finite_number(written)
        except ValueError as error:
            wrong.append(f"{key} {error}")
    _complain(wrong)
    if "guess" in read:
        return _checked(Quantity.guess(read["guess"], read.get("min"), read.get("max")))
    if "u_rel" not in read:
        return _checked(Quantity.prior(read["value"], read["u"]))
    if read["u_rel"] < 0:
        raise ValueError(f"u_rel must be >= 0, got {shown(read['u_rel'])}")
    if read["value"] == 0 < read["u_rel"]:
        raise ValueError("u_rel of the value 0 gives no uncertainty; write u")
    return _checked(Quantity.prior(read["value"], abs(read["value"]) * read["u_rel"]))


def _key_mistakes(table: Mapping[Any, Any]) -> list[str]:
    """What is wrong with the set of keys."""
    unknown = [str(key) for key in table if key not in TABLE_KEYS]
    if unknown:
        return [
            f"unknown key {shown_key(key)}{did_you_mean(key, TABLE_KEYS)}" for key in unknown[:10]
        ]
    if "value" in table and "guess" in table:
        return ["has both value and guess"]
    if "value" in table:
        wrong = [f"{key} goes with guess, not with value" for key in ("min", "max") if key in table]
        if ("u" in table) == ("u_rel" in table):
            wrong.append("value goes with one of u and u_rel (0: exactly known)")
        return wrong
    if "guess" in table:
        return [f"{key} goes with value, not with guess" for key in ("u", "u_rel") if key in table]
    return ["must be a number, or a table with value and u (or u_rel), or with guess"]


def _checked(quantity: Quantity) -> Quantity:
    """The same quantity, if its numbers are finite and agree with each other."""
    named = {
        "value": quantity.value,
        "u": quantity.u,
        "min": quantity.minimum,
        "max": quantity.maximum,
    }
    for name, number in named.items():
        if number is not None:
            try:
                finite_number(number)
            except ValueError as error:
                raise ValueError(f"{name} {error}") from None
    if quantity.u is not None and quantity.u < 0:
        raise ValueError(f"u must be >= 0, got {shown(quantity.u)}")
    low = -math.inf if quantity.minimum is None else quantity.minimum
    high = math.inf if quantity.maximum is None else quantity.maximum
    if low >= high:
        raise ValueError(f"min must be < max, got {shown(low)} and {shown(high)}")
    if not low <= quantity.value <= high:
        bounds = f"min {shown(low)} and max {shown(high)}"
        raise ValueError(f"guess must be between {bounds}, got {shown(quantity.value)}")
    return quantity


def _complain(wrong: Iterable[str]) -> None:
    message = "; ".join(wrong)
    if message:
        raise ValueError(message)
