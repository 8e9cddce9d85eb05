"""What something consists of, with its density and erosion rate."""

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Annotated, Any

from pydantic import PlainValidator

from craterfront.notation.quantities import PositiveDensity, PositiveRate, Quantity
from craterfront.notation.table import (
    Mistake,
    Table,
    element_symbol,
    number_that,
    parsed_formula,
    read_each,
)
from craterfront.problems import shown

MOST_PARTS = 1e12  # of an element in a composition, which need not sum to 1
COMPOSED = ("composition", "composition_mass")

_fraction = number_that(f"from 0 to {MOST_PARTS:g}", lambda parts: 0 <= parts <= MOST_PARTS)


def _composition(written: Any) -> str | dict[str, float]:
    """A formula or a table of atomic fractions, as it was written."""
    if isinstance(written, str):
        parsed_formula(written)
        return written
    if isinstance(written, Mapping):
        return _fractions(written)
    raise ValueError(f"must be a formula or a table of atomic fractions, got {shown(written)}")


def _composition_by_mass(written: Any) -> dict[str, float]:
    if not isinstance(written, Mapping):
        raise ValueError(f"must be a table of mass fractions, got {shown(written)}")
    return _fractions(written)


def _fractions(written: Mapping[Any, Any]) -> dict[str, float]:
    """A table of fractions by element; they need not sum to 1."""
    from craterfront.models.materials.elements import normalised

    fractions = read_each(written, element_symbol, _fraction)
    normalised(fractions)
    return fractions


Composition = Annotated[str | dict[str, float], PlainValidator(_composition)]
CompositionByMass = Annotated[dict[str, float], PlainValidator(_composition_by_mass)]


@lru_cache(maxsize=1024)
def _known_density(fractions: tuple[tuple[str, float], ...]) -> Quantity | None:
    """Density [g/cm3] from the table or the alloy rule; None where there is none."""
    from craterfront.models.materials.elements import DensityUnknown, solid_density_g_cm3

    try:
        found = solid_density_g_cm3(dict(fractions))
    except DensityUnknown:
        return None
    return Quantity.default(found.value_g_cm3, u=found.u_rel * found.value_g_cm3)


class Substance(Table):
    """What has a composition and a density."""

    composition: Composition | None = None
    composition_mass: CompositionByMass | None = None
    density_g_cm3: PositiveDensity | None = None

    @property
    def atomic_fractions(self) -> dict[str, float]:
        """Atomic fraction by element symbol, sum 1; empty where a material gives it."""
        from craterfront.models.materials.elements import mass_to_atomic_fractions, normalised

        if self.composition_mass is not None:
            return mass_to_atomic_fractions(self.composition_mass)
        if isinstance(self.composition, str):
            return dict(parsed_formula(self.composition))
        return normalised(self.composition) if self.composition else {}

    @property
    def density(self) -> Quantity | None:
        """Density [g/cm3]: as written, else from the table, else None."""
        if self.density_g_cm3 is not None:
            return self.density_g_cm3
        return _known_density(tuple(sorted(self.atomic_fractions.items())))

    @property
    def substance(self) -> str:
        """Short name of what it consists of: the formula, or the elements of a table."""
        if isinstance(self.composition, str):
            return "".join(self.composition.split())
        return "".join(self.composition or self.composition_mass or ())

    def checks(self) -> Iterator[Mistake]:
        yield from self.one_of(*COMPOSED)

    def one_of(self, *keys: str) -> Iterator[Mistake]:
        """A mistake unless just one of the keys is written."""
        given = [key for key in keys if self.is_written(key)]
        if not given:
            yield Mistake(keys[0], f"missing; write one of {', '.join(keys)}")
        elif len(given) > 1:
            message = f"stands beside {given[0]}; write only one of {', '.join(keys)}"
            yield Mistake(given[1], message)


class Composed(Substance):
    """What has a composition, a density and an erosion rate of its own."""

    erosion_rate_nm_s: PositiveRate | None = None

    def checks(self) -> Iterator[Mistake]:
        yield from super().checks()
        if self.is_written("density_g_cm3") or self.is_written("erosion_rate_nm_s"):
            return
        if (self.composition or self.composition_mass) and self.density is None:
            elements = ", ".join(self.atomic_fractions)
            yield Mistake(
                "density_g_cm3",
                f"missing, and no density is known for a material of {elements};"
                " write density_g_cm3 = ... (g/cm3)",
            )
