"""Yields of compounds from a table of sputter rates relative to that of silica.

Nothing simple predicts the yield of an oxide, nitride or carbide from its elements, but the ratios
of their rates to that of SiO2 hardly depend on the energy of argon ions from 1 to 4 keV, nor on the
angle below 50 degrees (D. R. Baer et al., J. Vac. Sci. Technol. A 28 (2010) 1060, abstract). A
ratio of yields is

    Y / Y_SiO2 = relative rate * n / n_SiO2

with the atomic densities n of table and source, so that a film of another density erodes faster or
slower by what it lacks or has of atoms. Silica itself goes by the yield of silicon, from one list
of argon milling rates at 500 eV that has both: an error of its scale cancels.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from craterfront.models.materials.causes import Causes, of_product
from craterfront.models.materials.elements import (
    atomic_density_per_nm3,
    parse_formula,
    same_composition,
    solid_density_g_cm3,
)
from craterfront.models.materials.tables import read_table

SILICA_TO_SILICON_RATE = 0.065 / 0.06333
"""Rates under argon of 500 eV [um3/(nA s)] (looked up: one list on a data page on ion milling)."""

U_REL_SILICA_TO_SILICON = 0.15
"""Relative standard uncertainty of the ratio, which is known at 500 eV alone (an estimate; three
values for SiO2 lie within 8 %). With 0.2 for the yield of silicon it makes 0.25 for SiO2."""

KNOWN_EV = (500.0, 4000.0)
KNOWN_DEG = 50.0
"""Energies and angles at which the ratios were measured."""


@dataclass(frozen=True)
class CompoundYield:
    """Sputter yield of a compound, relative to that of silicon.

    Attributes
    ----------
    formula
        As the table has it.
    to_silicon
        Atoms per ion over the yield of silicon.
    causes
        Its relative standard uncertainty, see `causes`.
    source
        Where the relative rate is from.
    """

    formula: str
    to_silicon: float
    causes: Causes
    source: str


def compound_yield(atomic_fractions: Mapping[str, float]) -> CompoundYield | None:
    """What the table has for a composition; None where it has nothing.

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1. It has to agree within 1e-3 in every atomic
        fraction.
    """
    return next(
        (known for fractions, known in _table() if same_composition(fractions, atomic_fractions)),
        None,
    )


@cache
def _table() -> tuple[tuple[Mapping[str, float], CompoundYield], ...]:
    silicon, silica = _atoms_per_nm3("Si"), _atoms_per_nm3("SiO2")
    to_silicon = SILICA_TO_SILICON_RATE * silica / silicon
    rows = []
    for row in read_table("compound_rates.csv"):
        formula = row["formula"]
        to_silica = float(row["relative_rate"]) * _atoms_per_nm3(formula) / silica
        causes = of_product(
            {"rate of SiO2 relative to silicon": U_REL_SILICA_TO_SILICON},
            {f"rate of {formula} relative to SiO2": float(row["u_rel"])},
        )
        known = CompoundYield(formula, to_silica * to_silicon, causes, row["source"])
        rows.append((parse_formula(formula), known))
    return tuple(rows)


def _atoms_per_nm3(formula: str) -> float:
    fractions = parse_formula(formula)
    return atomic_density_per_nm3(fractions, solid_density_g_cm3(fractions).value_g_cm3)
