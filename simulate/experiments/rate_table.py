"""A laboratory's own table of relative sputter rates, in a file of its own or within `[source]`."""

import os
from collections.abc import Iterator, Mapping
from typing import ClassVar, Literal

from craterfront.notation.quantities import PositiveDensity, PositiveQuantity
from craterfront.notation.table import Mistake, Table, Text, numbered
from craterfront.notation.toml_text import read_toml
from craterfront.problems import mistakes_of, shown
from craterfront.samples.composition import Composition, Substance

PLAIN_U_REL = 0.3
"""Relative standard uncertainty of a relative rate that is written without one."""

MOST_ROWS = 200


class RelativeRate(Substance):
    """How fast one material is sputtered, relative to the reference of the table.

    Parameters
    ----------
    composition, composition_mass
        The material, as for a `Layer`.
    density_g_cm3
        Density at which a rate by depth was measured [g/cm3]; default from the table of densities,
        else that of the layer for which the rate is taken.
    relative_rate
        Rate over that of the reference, > 0.
    note
        Free text: where the number is from.
    """

    relative_rate: PositiveQuantity
    note: Text = ""

    @property
    def label(self) -> str:
        return self.substance

    @property
    def u_rel(self) -> float:
        """Relative standard uncertainty."""
        u = self.relative_rate.u
        return PLAIN_U_REL if u is None else u / float(self.relative_rate)

    def checks(self) -> Iterator[Mistake]:
        yield from super().checks()
        if self.relative_rate is not None and self.relative_rate.status == "guess":
            yield Mistake("relative_rate", "must be measured, not a guess")


class RateTable(Table):
    """Relative sputter rates of materials.

    Parameters
    ----------
    relative_to
        Composition of the reference, whose rate is 1 here; its rate under a source follows from
        what that source knows.
    reference_density_g_cm3
        Density of the reference [g/cm3]; default from the table of densities.
    by
        ``"depth"``: rates of depth per time; ``"mass"``: of mass per time.
    rate
        `RelativeRate` objects.
    """

    place: ClassVar[str] = ""

    relative_to: Composition
    reference_density_g_cm3: PositiveDensity | None = None
    by: Literal["depth", "mass"] = "depth"
    rate: tuple[RelativeRate, ...] = ()

    @property
    def reference(self) -> Substance:
        """The material whose rate is 1."""
        return Substance(composition=self.relative_to, density_g_cm3=self.reference_density_g_cm3)

    def row_of(self, composition: Mapping[str, float]) -> RelativeRate | None:
        """The first row of a composition; None where there is none."""
        from craterfront.models.materials.elements import same_composition  # brings numpy

        for row in self.rate:
            own = row.atomic_fractions  # empty while mistakes are gathered
            if own and same_composition(own, composition):
                return row
        return None

    def depth_rate(self, row: RelativeRate, density_g_cm3: float) -> float:
        """Rate by depth over that of the reference for a layer of some density [g/cm3].

        A rate goes by the atoms that leave, so the depth goes inversely with the density.
        """
        reference = self.reference.density
        assert reference is not None  # else the table would have a mistake
        known = row.density if self.by == "depth" else reference
        measured_g_cm3 = density_g_cm3 if known is None else float(known)
        return float(row.relative_rate) * measured_g_cm3 / density_g_cm3

    def checks(self) -> Iterator[Mistake]:
        if not self.rate:
            yield Mistake("rate", "missing; relative rates, each under [[rate]]")
        if len(self.rate) > MOST_ROWS:
            yield Mistake("rate", f"has {len(self.rate)} rows; at most {MOST_ROWS}")
            return
        if self.relative_to is not None:  # it is None while mistakes are gathered
            yield from self._reference_mistakes()
        yield from self._rows_twice()
        for index, row in enumerate(self.rate):
            if self.by == "mass" and row.is_written("density_g_cm3"):
                message = 'goes with by = "depth"; a rate by mass needs none'
                yield Mistake("density_g_cm3", message, within=_place(index, row))

    def _reference_mistakes(self) -> Iterator[Mistake]:
        if self.reference_density_g_cm3 is None and self.reference.density is None:
            message = f"missing, and no density is known for {shown(self.reference.substance)}"
            yield Mistake("reference_density_g_cm3", message)
        same = self.row_of(self.reference.atomic_fractions)
        if same is not None:
            message = "is that of relative_to, whose rate is 1; leave this row out"
            yield Mistake("composition", message, within=_place(self.rate.index(same), same))

    def _rows_twice(self) -> Iterator[Mistake]:
        for index, row in enumerate(self.rate):
            first = self.row_of(row.atomic_fractions) if row.atomic_fractions else row
            if first is not row and first is not None:
                message = f"is that of {_place(self.rate.index(first), first)}, too"
                yield Mistake("composition", message, within=_place(index, row))


def _place(index: int, row: RelativeRate) -> str:
    return numbered("rate", index, row.label)


def load_rate_table(path: str | os.PathLike[str]) -> RateTable:
    """Read a table of relative sputter rates.

    Parameters
    ----------
    path
        A TOML file in UTF-8 of at most 5 MB.

    Raises
    ------
    InputProblems
        The file cannot be read, or all mistakes that are in it.
    """
    with mistakes_of(os.fspath(path)):
        return RateTable(**read_toml(path))
