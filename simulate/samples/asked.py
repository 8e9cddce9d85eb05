"""What a file asks of an inversion besides: tolerance limits to decide on, case depths."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, ClassVar

from pydantic import PlainValidator

from craterfront.notation.table import Element, Mistake, Name, Table, number_that

SURE = 0.95
"""Probability that a decision demands by default."""

LIMITED = {"thickness": "nm", "areal_mass": "g_m2"}
"""What may have limits, and the end of its keys."""


_fraction = number_that("above 0 and below 1", lambda share: 0 < share < 1)
_probability = number_that("above 0.5 and below 1", lambda share: 0.5 < share < 1)

Tolerance = Annotated[float | None, PlainValidator(number_that("> 0", lambda limit: limit > 0))]
Fraction = Annotated[float | None, PlainValidator(_fraction)]
Probability = Annotated[float, PlainValidator(_probability)]


@dataclass(frozen=True)
class Bounds:
    """Tolerance limits of one quantity.

    Attributes
    ----------
    quantity : str
        thickness or areal_mass.
    lower, upper : float, optional
        In nm or g/m2.
    """

    quantity: str
    lower: float | None
    upper: float | None

    @property
    def suffix(self) -> str:
        """End of the keys that hold it."""
        return LIMITED[self.quantity]

    @property
    def unit(self) -> str:
        """Unit as it is printed."""
        return self.suffix.replace("_", "/")

    def described(self) -> str:
        """In words with the unit."""
        if self.lower is None:
            return f"at most {self.upper:g} {self.unit}"
        if self.upper is None:
            return f"at least {self.lower:g} {self.unit}"
        return f"{self.lower:g} to {self.upper:g} {self.unit}"


class Limit(Table):
    """Tolerance limits of a layer.

    Parameters
    ----------
    thickness_nm_min, thickness_nm_max
        Least and greatest thickness that conforms [nm].
    areal_mass_g_m2_min, areal_mass_g_m2_max
        Least and greatest mass per area that conforms [g/m2].
    probability
        Probability demanded before the layer is said to conform or not to.
    """

    thickness_nm_min: Tolerance = None
    thickness_nm_max: Tolerance = None
    areal_mass_g_m2_min: Tolerance = None
    areal_mass_g_m2_max: Tolerance = None
    probability: Probability = SURE

    def bounds(self) -> list[Bounds]:
        """The limits that are written, by quantity."""
        each = [
            Bounds(name, *(getattr(self, f"{name}_{suffix}_{end}") for end in ("min", "max")))
            for name, suffix in LIMITED.items()
        ]
        return [b for b in each if b.lower is not None or b.upper is not None]

    def described(self) -> str:
        """In words."""
        each = ", ".join(bounds.described() for bounds in self.bounds())
        return f"decision: {each}, with {100.0 * self.probability:g} %"

    def checks(self) -> Iterator[Mistake]:
        keys = [f"{name}_{suffix}" for name, suffix in LIMITED.items()]
        if not any(self.is_written(f"{key}_{end}") for key in keys for end in ("min", "max")):
            yield Mistake("", "needs a limit, for example areal_mass_g_m2_min")
        for bounds in self.bounds():
            lower, upper = bounds.lower, bounds.upper
            if lower is not None and upper is not None and lower >= upper:
                key = f"{bounds.quantity}_{bounds.suffix}"
                yield Mistake(f"{key}_min", f"must be below {key}_max, {upper:g}, got {lower:g}")


class CoatingLimit(Limit):
    """Tolerance limits of several layers together.

    Parameters
    ----------
    layers
        Their names; default all layers. One name may stand for several, as in a period.
    thickness_nm_min, thickness_nm_max, areal_mass_g_m2_min, areal_mass_g_m2_max, probability
        As for a single layer.
    """

    layers: tuple[Name, ...] = ()

    misplaced: ClassVar[Mapping[str, str]] = {
        "layer": "write layers = [...]; the limit of one layer is its own key limit"
    }

    def checks(self) -> Iterator[Mistake]:
        yield from super().checks()
        if len(set(self.layers)) < len(self.layers):
            yield Mistake("layers", "names a layer twice")


class CaseDepth(Table):
    """How deep an element reaches: the depth below which it stays under a level.

    Parameters
    ----------
    element
        Symbol.
    mass_fraction, atomic_fraction
        The level; one of them.
    """

    element: Element
    mass_fraction: Fraction = None
    atomic_fraction: Fraction = None

    @property
    def by_mass(self) -> bool:
        """Whether the level is a mass fraction."""
        return self.mass_fraction is not None

    @property
    def level(self) -> float:
        """The level, as a fraction."""
        found = self.mass_fraction if self.by_mass else self.atomic_fraction
        return 0.0 if found is None else found

    @property
    def label(self) -> str:
        return self.element or ""

    def fraction_in(self, composition: Mapping[str, float]) -> float:
        """Fraction of the element, by mass or atomic as the level, in a composition."""
        share = composition.get(self.element, 0.0)
        if not self.by_mass:
            return share
        from craterfront.models.materials.elements import atomic_mass_u  # brings numpy

        whole = sum(part * atomic_mass_u(symbol) for symbol, part in composition.items())
        return share * atomic_mass_u(self.element) / whole

    def described(self) -> str:
        """In words."""
        return f"{self.element}, {'mass' if self.by_mass else 'atomic'} fraction {self.level:g}"

    def checks(self) -> Iterator[Mistake]:
        written = [key for key in ("mass_fraction", "atomic_fraction") if self.is_written(key)]
        if len(written) != 1:
            got = " and ".join(written) or "none"
            yield Mistake("", f"needs one of mass_fraction and atomic_fraction, got {got}")
