"""Elements, compositions and densities.

Atomic masses and the densities of elements come from the library ``periodictable``; the densities
of compounds from ``data/compound_densities.csv``. Compositions are dictionaries from element symbol
to atomic fraction.
"""

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from craterfront.models.materials.tables import read_table
from craterfront.models.validity import check_positive

AVOGADRO_PER_MOL = 6.02214076e23
"""Exact value of the SI (2019) [1/mol]."""

LONGEST_FORMULA = 200
LARGEST_COUNT = 1e6

DISSOLVED = frozenset({"H", "C", "N", "O", "P", "S"})
"""Non-metals that a metal may hold in solution (carbon in steel) without being a compound."""

LARGEST_DISSOLVED_FRACTION = 0.05
"""Up to this total atomic fraction `DISSOLVED` elements count as dissolved."""

OPEN_STRUCTURED = frozenset({"B", "Si", "Ge", "Sb", "Bi"})
"""Elements of low coordination, whose compounds with metals are far denser than the mixing rule."""


class FormulaError(ValueError):
    """A formula or composition that cannot be read."""


class DensityUnknown(ValueError):
    """No density is known for this composition, so it must be given."""


@dataclass(frozen=True)
class Density:
    """A mass density with its relative standard uncertainty.

    Attributes
    ----------
    value_g_cm3
        Mass density [g/cm3].
    u_rel
        Relative standard uncertainty.
    source
        Where the value comes from.
    """

    value_g_cm3: float
    u_rel: float
    source: str


# --- elements and formulas ------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _elements() -> dict[str, Any]:
    """The library's elements by symbol, without the neutron, which it also lists."""
    import periodictable

    return {element.symbol: element for element in periodictable.elements if element.number > 0}


def _element(symbol: str) -> Any:
    """The library's record of one element; unknown symbols are named with a suggestion."""
    known = _elements()
    if symbol in known:
        return known[symbol]
    if symbol in ("D", "T"):
        raise FormulaError(f"{symbol!r} is an isotope: write H, isotopes are not told apart")
    by_name = {element.name.lower(): other for other, element in known.items()}
    by_name |= {other.lower(): other for other in known}
    near = difflib.get_close_matches(str(symbol).lower(), by_name, n=1, cutoff=0.5)
    hint = f": did you mean {by_name[near[0]]}?" if near else ""
    raise FormulaError(f"unknown element {symbol!r}{hint}")


def atomic_mass_u(symbol: str) -> float:
    """Standard atomic mass of an element [u].

    Parameters
    ----------
    symbol
        Element symbol, for example ``"Fe"``.

    Raises
    ------
    FormulaError
        Unknown symbol; the message suggests the nearest one.

    Notes
    -----
    Values of the library ``periodictable`` (IUPAC standard atomic weights).
    """
    return float(_element(symbol).mass)


def atomic_number(symbol: str) -> int:
    """Atomic number of an element; an unknown symbol raises `FormulaError`."""
    return int(_element(symbol).number)


def parse_formula(text: str) -> dict[str, float]:
    """Atomic fractions of a chemical formula.

    Parameters
    ----------
    text
        A formula such as ``"TiN"``, ``"Ti0.5Al0.5N"`` or ``"Fe3(PO4)2"``. Each count follows its
        element or bracket; counts need not be whole.

    Returns
    -------
    dict
        Atomic fraction by element symbol, sum 1.

    Raises
    ------
    FormulaError
        The text is empty, too long or unreadable, names an unknown element, an isotope or an ion,
        or carries a density or mixture, which have fields of their own.
    """
    place = f"formula {text!r}"
    _check_formula_text(text, place)
    compact = "".join(text.split())
    for symbol in re.findall(r"[A-Za-z][a-z]*", compact):
        try:
            _element(symbol)
        except FormulaError as error:
            raise FormulaError(f"{place}: {error}") from None
    import pyparsing
    from periodictable.formulas import formula

    try:
        atoms = formula(compact).atoms
    except (ValueError, RecursionError, pyparsing.ParseBaseException):
        raise FormulaError(
            f"{place}: cannot be read; write element symbols with counts, as in Ti0.5Al0.5N"
        ) from None
    counts = {element.symbol: float(count) for element, count in atoms.items()}
    for symbol, count in counts.items():
        if not 0 < count <= LARGEST_COUNT:
            raise FormulaError(
                f"{place}: count of {symbol} must be > 0 and <= {LARGEST_COUNT:g}, got {count:g}"
            )
    return normalised(counts)


def _check_formula_text(text: str, place: str) -> None:
    """Turn away what is not a plain formula before the parser sees it."""
    if not isinstance(text, str) or not text.strip():
        raise FormulaError(f"{place}: a formula must be a text with at least one element")
    if len(text) > LONGEST_FORMULA:
        raise FormulaError(
            f"formula {text[:20]!r}...: must have at most {LONGEST_FORMULA} characters,"
            f" got {len(text)}"
        )
    reasons = {
        "[": "isotopes are not told apart",
        "{": "ions are not told apart: leave out the charge",
        "+": "ions are not told apart: leave out the charge",
        "@": "a density has its own field",
        "%": "a mixture is written as fractions by element",
        "/": "a mixture is written as fractions by element",
    }
    for character, reason in reasons.items():
        if character in text:
            raise FormulaError(f"{place}: {character!r} is not allowed; {reason}")
    strange = re.search(r"[^A-Za-z0-9.()\s]", text)
    if strange:
        raise FormulaError(f"{place}: {strange.group()!r} is not allowed in a formula")
    # "0.9Fe0.1Cr" would be read as 0.9 formula units of Fe0.1Cr, hardly what the writer meant.
    if re.search(r"(?:^|[\s(])[0-9.]", text):
        raise FormulaError(f"{place}: a count must follow its element or bracket directly")


# --- compositions ---------------------------------------------------------------------------------


def normalised(fractions: Mapping[str, float]) -> dict[str, float]:
    """Fractions scaled to sum 1, without the elements of which there is none.

    Parameters
    ----------
    fractions
        Amount by element symbol, in any one unit of atoms or of mass.

    Raises
    ------
    FormulaError
        An unknown element, a value that is negative or not finite, or no positive value at all.
    """
    for symbol, amount in fractions.items():
        _element(symbol)
        if not math.isfinite(amount) or amount < 0:
            raise FormulaError(f"fraction of {symbol} must be finite and >= 0, got {amount:g}")
    total = math.fsum(fractions.values())
    if not 0 < total < math.inf:
        raise FormulaError(f"fractions must have a positive, finite sum, got {dict(fractions)}")
    return {symbol: amount / total for symbol, amount in fractions.items() if amount > 0}


def mass_to_atomic_fractions(mass_fractions: Mapping[str, float]) -> dict[str, float]:
    """Atomic fractions (sum 1) of a composition by mass; errors as `normalised`."""
    mass = normalised(mass_fractions)
    return normalised({symbol: w / atomic_mass_u(symbol) for symbol, w in mass.items()})


def atomic_to_mass_fractions(atomic_fractions: Mapping[str, float]) -> dict[str, float]:
    """Mass fractions (sum 1) of a composition by atoms; errors as `normalised`."""
    atomic = normalised(atomic_fractions)
    return normalised({symbol: x * atomic_mass_u(symbol) for symbol, x in atomic.items()})


def mean_mass_u(atomic_fractions: Mapping[str, float]) -> float:
    """Mean mass of an atom of this composition [u]; errors as `normalised`."""
    atomic = normalised(atomic_fractions)
    return math.fsum(x * atomic_mass_u(symbol) for symbol, x in atomic.items())


def split_dissolved(
    atomic_fractions: Mapping[str, float],
) -> tuple[dict[str, float], dict[str, float]]:
    """The host of a composition and what is dissolved in it, as carbon in steel.

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1.

    Returns
    -------
    host, dissolved
        Atomic fractions, together of sum 1. Non-metals (`DISSOLVED`) are taken as dissolved when
        all of them together are at most `LARGEST_DISSOLVED_FRACTION`; otherwise, and in a compound,
        everything belongs to the host.
    """
    atomic = normalised(atomic_fractions)
    dissolved = {symbol: x for symbol, x in atomic.items() if symbol in DISSOLVED}
    if math.fsum(dissolved.values()) > LARGEST_DISSOLVED_FRACTION:
        return atomic, {}
    return {symbol: x for symbol, x in atomic.items() if symbol not in DISSOLVED}, dissolved


# --- densities ------------------------------------------------------------------------------------

COMPOSITION_TOLERANCE = 1e-3
U_REL_ELEMENT = 0.02
U_REL_ALLOY = 0.05
U_REL_OPEN_STRUCTURED = 0.25
OPEN_STRUCTURED_FRACTION = 0.15


def solid_density_g_cm3(atomic_fractions: Mapping[str, float]) -> Density:
    """Density of a solid, from a table of compounds, the element or the mixing rule of alloys.

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1.

    Returns
    -------
    Density
        In this order: the compound table where the composition agrees within 1e-3 in every atomic
        fraction; a pure metal or semimetal; an alloy of these, ``1/rho = sum(w_i/rho_i)`` over mass
        fractions w_i, that is, atoms keep the volume they have in the pure element. Dissolved
        non-metals (`split_dissolved`) add mass and no volume, which puts the density too high by
        at most about 2 %.

    Raises
    ------
    DensityUnknown
        Anything else (nitrides, oxides, carbon, gases ...): the element's own density says nothing
        about that of the compound. The message names the elements in the way.

    Notes
    -----
    The standard uncertainties are 2 % for an element (the bulk value; thin films are often less
    dense), 5 % for an alloy, and 25 % for an alloy with more than 15 at% of elements of low
    coordination (B, Si, Ge, Sb, Bi), whose compounds pack more densely: for MoSi2 the rule would
    give 4.5 g/cm3, where 6.3 is measured. Brass with 37 % zinc comes out 3 % low. The rule is
    common practice; the uncertainties are estimates from such comparisons.
    """
    atomic = normalised(atomic_fractions)
    tabulated = _tabulated_density(atomic)
    if tabulated is not None:
        return tabulated
    host, dissolved = split_dissolved(atomic)
    unknown = [symbol for symbol in host if symbol not in _metals()]
    if unknown:
        raise DensityUnknown(
            f"no density is known for a material with {', '.join(unknown)}: give density_g_cm3"
        )
    if len(atomic) == 1:
        (symbol,) = atomic
        return Density(element_density_g_cm3(symbol), U_REL_ELEMENT, "element, periodictable")
    volume = math.fsum(
        x * atomic_mass_u(symbol) / element_density_g_cm3(symbol) for symbol, x in host.items()
    )
    open_structured = math.fsum(x for symbol, x in host.items() if symbol in OPEN_STRUCTURED)
    u_rel = U_REL_OPEN_STRUCTURED if open_structured > OPEN_STRUCTURED_FRACTION else U_REL_ALLOY
    source = "alloy rule 1/rho = sum w_i/rho_i"
    if dissolved:
        source += f", {', '.join(dissolved)} dissolved"
    return Density(mean_mass_u(atomic) / volume, u_rel, source)


@lru_cache(maxsize=1)
def _metals() -> frozenset[str]:
    """Solid metals and semimetals: the elements with sputter-yield parameters, without carbon.

    Carbon is left out because its density spans 1.8 to 3.5 g/cm3 with its form.
    """
    return frozenset(row["symbol"] for row in read_table("yamamura.csv")) - {"C"}


def element_density_g_cm3(symbol: str) -> float:
    """Density of a solid element [g/cm3] (library ``periodictable``).

    Of use for metals and semimetals only: the library gives gases as liquids, and carbon as one of
    its forms.
    """
    return float(_element(symbol).density)


@lru_cache(maxsize=1)
def _compound_densities() -> tuple[tuple[dict[str, float], Density], ...]:
    return tuple(
        (
            parse_formula(row["formula"]),
            Density(
                float(row["density_g_cm3"]),
                float(row["u_rel"]),
                f"{row['formula']}, {row['form']}: {row['source']}",
            ),
        )
        for row in read_table("compound_densities.csv")
    )


def _tabulated_density(atomic: Mapping[str, float]) -> Density | None:
    for composition, density in _compound_densities():
        if same_composition(composition, atomic):
            return density
    return None


def same_composition(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    """Whether two compositions agree within 1e-3 in every atomic fraction."""
    a, b = normalised(one), normalised(other)
    return a.keys() == b.keys() and all(
        abs(a[symbol] - b[symbol]) <= COMPOSITION_TOLERANCE for symbol in a
    )


# --- atoms, mass and thickness --------------------------------------------------------------------


def atomic_density_per_nm3(atomic_fractions: Mapping[str, float], density_g_cm3: float) -> float:
    """Number of atoms per volume [1/nm3].

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1.
    density_g_cm3
        Mass density [g/cm3], > 0.
    """
    check_positive("density_g_cm3", density_g_cm3)
    atoms_per_g = AVOGADRO_PER_MOL / mean_mass_u(atomic_fractions)
    return density_g_cm3 * atoms_per_g * 1e-21  # 1 cm3 = 1e21 nm3


def areal_mass_g_m2(thickness_nm: float, density_g_cm3: float) -> float:
    """Coating mass per area of one side [g/m2]: 1 um at 1 g/cm3 is 1 g/m2."""
    check_positive("density_g_cm3", density_g_cm3)
    return thickness_nm * density_g_cm3 * 1e-3


def thickness_from_areal_mass_nm(areal_mass_g_m2: float, density_g_cm3: float) -> float:
    """Thickness [nm] of a coating of this mass per area [g/m2] of one side."""
    check_positive("density_g_cm3", density_g_cm3)
    return areal_mass_g_m2 / density_g_cm3 * 1e3
