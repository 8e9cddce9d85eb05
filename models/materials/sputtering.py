"""Sputter yields of elements, alloys and layers, and the erosion rates that follow.

A yield is the mean number of atoms that leave the target per incident ion. Two steps lead to the
yield of a layer:

1. `elemental_yield` takes the dependence on energy from a published formula and scales it to the
   measured yield where there is one, since the formula alone is off by 10 to 40 %.
2. `layer_yield` combines the elements of an alloy at the steady state. Nothing simple predicts the
   yield of an oxide, nitride or carbide from its elements: what `compound_rates` has no ratio for
   raises `YieldUnknown`, which asks for an erosion rate instead.
"""

import math
import warnings
from collections.abc import Callable, Mapping
from functools import cache

import numpy as np
from numpy.typing import NDArray

from craterfront.models.materials.causes import Causes, of_product
from craterfront.models.materials.compound_rates import KNOWN_DEG, KNOWN_EV, compound_yield
from craterfront.models.materials.elements import normalised, split_dissolved
from craterfront.models.materials.tables import read_table
from craterfront.models.materials.yield_formulas import (
    FloatOrArray,
    YieldUnknown,
    angular_factor,
    eckstein_yield,
    has_parameters,
    like_argument,
    target_parameters,
    yamamura_yield,
)
from craterfront.models.validity import ValidityWarning, check_positive

# --- the yield of an element ----------------------------------------------------------------------

ECKSTEIN_BY_DEFAULT = frozenset({"Zn"})
"""Targets under argon for which the fit of Eckstein is taken: Yamamura does not tabulate zinc."""

HIGHEST_ENERGY_EV = 10e3
CHEMICALLY_ACTIVE_IONS = frozenset({"H", "C", "N", "O", "F", "S", "Cl", "Br", "I", "Cs"})

U_REL_ANGLE = 0.2
"""Relative standard uncertainty that the dependence on angle adds to a yield (an estimate)."""

U_REL_TABLE = 0.2
U_REL_DERIVED = 0.3
U_REL_CARBON = 0.5
U_REL_DEFAULT = 1.0


@cache
def measured_factor(symbol: str) -> float:
    """Measured yield over `yamamura_yield` for argon, at 500 eV (600 eV where that is missing).

    It stands for the target, like the formula's own Q, and so serves for other ions too. Elements
    that were not measured have 1.
    """
    measured = {
        float(row["energy_eV"]): float(row["yield"])
        for row in read_table("measured_yields_ar.csv")
        if row["symbol"] == symbol
    }
    for energy_eV in (500.0, 600.0):
        if energy_eV in measured:
            return measured[energy_eV] / yamamura_yield(energy_eV, symbol)
    return 1.0


def elemental_yield(
    symbol: str, energy_eV: FloatOrArray, ion: str = "Ar", angle_deg: float = 0.0
) -> FloatOrArray:
    """Best estimate of the sputter yield of an element.

    Parameters
    ----------
    symbol
        Target element.
    energy_eV
        Ion energy [eV], > 0; a number or an array of any shape.
    ion
        Element of the (single, atomic) ion.
    angle_deg
        Angle of incidence from the surface normal [degrees].

    Returns
    -------
    float or array
        Atoms per ion, of the shape of `energy_eV`. Its relative standard uncertainty is
        `yield_u_rel`.

    Raises
    ------
    YieldUnknown
        There are no parameters for the target (gases, most non-metals).

    Warns
    -----
    ValidityWarning
        Energy above 10 keV or below the threshold, an ion that reacts with the target, an angle
        above 75 degrees.

    Notes
    -----
    `yamamura_yield` for the energy, `measured_factor` for the scale (Laegreid and Wehner, J. Appl.
    Phys. 32 (1961) 365, and handbooks), `angular_factor` for the angle; `eckstein_yield` for zinc
    under argon.
    """
    normal = _normal_yield(symbol, energy_eV, ion)
    _warn_outside(symbol, energy_eV, ion, normal)
    if angle_deg == 0:
        return normal
    energy = np.asarray(energy_eV, dtype=float)
    factors = [angular_factor(float(e), angle_deg, symbol, ion) for e in energy.ravel()]
    return like_argument(energy_eV, normal * np.reshape(factors, energy.shape))


def _normal_yield(symbol: str, energy_eV: FloatOrArray, ion: str) -> FloatOrArray:
    if symbol in ECKSTEIN_BY_DEFAULT and ion == "Ar":
        return eckstein_yield(energy_eV, symbol)
    return yamamura_yield(energy_eV, symbol, ion) * measured_factor(symbol)


def spectrum_yield(
    symbol: str, energy_eV: NDArray[np.float64], number: NDArray[np.float64], ion: str = "Ar"
) -> float:
    """Atoms of an element that particles of many energies sputter together, at normal incidence.

    Parameters
    ----------
    symbol
        Target element.
    energy_eV, number
        Energies [eV], > 0, and how many particles have them, shape (n,) each. Those below the
        threshold sputter nothing, as they should.
    ion
        Element of the particles, ions or fast atoms: the charge makes no difference to the yield
        (common practice, no source).

    Raises
    ------
    YieldUnknown
        There are no parameters for the target.
    """
    return float(np.sum(number * _normal_yield(symbol, energy_eV, ion)))


def yield_u_rel(symbol: str) -> float:
    """Relative standard uncertainty of `elemental_yield`.

    0.2 for the elements in the table of Yamamura and Tawara, 0.3 for those whose scale rests on one
    value, 0.5 for carbon, whose yield depends on its form, and 1 for the default rule, which is off
    by a factor of 2 to 5 for some rare earths. Estimates from comparing formula and measurement.
    """
    if symbol == "C":
        return U_REL_CARBON
    kinds = {"table": U_REL_TABLE, "derived": U_REL_DERIVED, "default": U_REL_DEFAULT}
    return kinds[target_parameters(symbol).kind]


def _warn_outside(symbol: str, energy_eV: FloatOrArray, ion: str, result: FloatOrArray) -> None:
    energy = np.asarray(energy_eV, dtype=float)
    reasons = []
    if np.any(np.asarray(result) == 0):
        reasons.append(f"{energy.min():g} eV is below the sputtering threshold")
    if np.any(energy > HIGHEST_ENERGY_EV):
        reasons.append(f"{energy.max():g} eV is above {HIGHEST_ENERGY_EV:g} eV")
    if ion in CHEMICALLY_ACTIVE_IONS:
        reasons.append("the ion reacts with the target, the formula knows inert ions only")
    for reason in reasons:
        warnings.warn(f"yield of {symbol} under {ion}: {reason}", ValidityWarning, stacklevel=3)


# --- alloys ---------------------------------------------------------------------------------------

U_REL_ALLOY_RULE = 0.5


def component_yields(
    atomic_fractions: Mapping[str, float],
    energy_eV: float,
    ion: str = "Ar",
    angle_deg: float = 0.0,
) -> dict[str, float]:
    """Yield of each component of an alloy, were the surface covered with it alone.

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1.
    energy_eV, ion, angle_deg
        As in `elemental_yield`.

    Returns
    -------
    dict
        Atoms per ion by element: the elements' own yields. Non-metals in solution
        (`elements.split_dissolved`) leave with their host and take its yield.

    Raises
    ------
    YieldUnknown
        A compound with non-metals, or an element without a yield; the message names them.
    """
    return components_by(
        atomic_fractions, lambda symbol: elemental_yield(symbol, energy_eV, ion, angle_deg)
    )


def components_by(
    atomic_fractions: Mapping[str, float], yield_of: Callable[[str], float]
) -> dict[str, float]:
    """`component_yields` from a function that gives the yield of an element."""
    host, dissolved = split_dissolved(atomic_fractions)
    unknown = [
        symbol for symbol in host if not has_parameters(symbol) or (symbol == "C" and len(host) > 1)
    ]
    if unknown:
        raise YieldUnknown(
            f"no sputter yield is known for a material with {', '.join(unknown)}:"
            " give erosion_rate_nm_s"
        )
    yields = {symbol: yield_of(symbol) for symbol in host}
    return yields | dict.fromkeys(dissolved, alloy_yield(host, yields))


def alloy_yield(atomic_fractions: Mapping[str, float], yields: Mapping[str, float]) -> float:
    """Total yield of an alloy at the steady state [atoms per ion]: 1/sum(c_i/Y_i).

    Parameters
    ----------
    atomic_fractions
        Bulk composition by element symbol; need not sum to 1.
    yields
        Component yields by element symbol [atoms per ion], >= 0. A component that cannot be
        sputtered ends up covering the surface: the yield is 0.

    Notes
    -----
    At the steady state the flux has the composition of the bulk: c_surface,i Y_i = c_bulk,i Y.
    """
    bulk = normalised(atomic_fractions)
    if any(yields[symbol] == 0 for symbol in bulk):
        return 0.0
    return 1 / math.fsum(x / yields[symbol] for symbol, x in bulk.items())


def surface_fractions_steady(
    atomic_fractions: Mapping[str, float], yields: Mapping[str, float]
) -> dict[str, float]:
    """Surface composition at the steady state, c_surface,i proportional to c_bulk,i/Y_i.

    Parameters
    ----------
    atomic_fractions
        Bulk composition by element symbol; need not sum to 1.
    yields
        Component yields by element symbol [atoms per ion], > 0.
    """
    bulk = normalised(atomic_fractions)
    for symbol in bulk:
        check_positive(f"yield of {symbol}", yields[symbol])
    return normalised({symbol: x / yields[symbol] for symbol, x in bulk.items()})


def preferential_decay_length_nm(
    bulk_fraction: float, yield_ratio: float, zone_thickness_nm: float
) -> float:
    """Depth over which the surface of a binary alloy nears its steady state [nm].

    Parameters
    ----------
    bulk_fraction
        Atomic fraction c of component A in the bulk, 0 to 1.
    yield_ratio
        Component yield of A over that of B, r > 0.
    zone_thickness_nm
        Thickness w of the zone that the ions keep mixed [nm].

    Returns
    -------
    float
        w r/(c + r (1 - c))^2, the length of the exponential end of the transient.

    Notes
    -----
    Derived: with the zone mixed, dc_s/dz = [c - r c_s/(1 + (r - 1) c_s)]/w, linearised at its
    steady state.
    """
    if not 0 <= bulk_fraction <= 1:
        raise ValueError(f"bulk_fraction: must be from 0 to 1, got {bulk_fraction:g}")
    check_positive("yield_ratio", yield_ratio)
    mean = bulk_fraction + yield_ratio * (1 - bulk_fraction)
    return zone_thickness_nm * yield_ratio / mean**2


def layer_yield(
    atomic_fractions: Mapping[str, float],
    energy_eV: float,
    ion: str = "Ar",
    angle_deg: float = 0.0,
) -> tuple[float, Causes]:
    """Yield of a layer's material at the steady state, with its uncertainty.

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1.
    energy_eV, ion, angle_deg
        As in `elemental_yield`.

    Returns
    -------
    yield, causes
        Atoms per ion, and its relative standard uncertainty by causes: `yield_u_rel` for one
        element, at least 0.5 for an alloy, whose atoms are bound otherwise than in the elements,
        and for a compound in its table that of `compound_rates` and of silicon. At an angle that
        of a yield is larger.

    Raises
    ------
    YieldUnknown
        Another compound with non-metals, or an element without a yield; the message names them.

    Warns
    -----
    ValidityWarning
        As `elemental_yield`; for a tabulated compound also below 500 eV, above 4 keV and beyond
        50 degrees.
    """
    known = compound_yield(atomic_fractions)
    if known is not None and not (
        KNOWN_EV[0] <= energy_eV <= KNOWN_EV[1] and angle_deg <= KNOWN_DEG
    ):
        warnings.warn(
            f"yield of {known.formula}: its ratio to that of silicon is known from {KNOWN_EV[0]:g}"
            f" to {KNOWN_EV[1]:g} eV and up to {KNOWN_DEG:g} degrees, not at {energy_eV:g} eV and"
            f" {angle_deg:g} degrees",
            ValidityWarning,
            stacklevel=2,
        )
    return layer_yield_by(
        atomic_fractions,
        lambda symbol: elemental_yield(symbol, energy_eV, ion, angle_deg),
        U_REL_ANGLE if angle_deg else 0.0,
    )


def layer_yield_by(
    atomic_fractions: Mapping[str, float],
    yield_of: Callable[[str], float],
    added_u_rel: float = 0.0,
) -> tuple[float, Causes]:
    """`layer_yield` from a function that gives the yield of an element.

    `added_u_rel` is the relative standard uncertainty that its way of asking adds.
    """
    known = compound_yield(atomic_fractions)
    if known is not None:
        causes = of_product(known.causes, _yield_causes({"Si": 1.0}, added_u_rel))
        return known.to_silicon * yield_of("Si"), causes
    yields = components_by(atomic_fractions, yield_of)
    host, _ = split_dissolved(atomic_fractions)
    return alloy_yield(atomic_fractions, yields), _yield_causes(host, added_u_rel)


def _yield_causes(host: Mapping[str, float], added_u_rel: float) -> Causes:
    """One cause: that of the yield of an element, or of an alloy as a whole."""
    u_rel = max(yield_u_rel(symbol) for symbol in host)
    if len(host) == 1:
        return {f"yield of {next(iter(host))}": math.hypot(u_rel, added_u_rel)}
    name = "".join(f"{symbol}{share:.4g}" for symbol, share in sorted(host.items()))
    return {f"yield of {name}": math.hypot(max(u_rel, U_REL_ALLOY_RULE), added_u_rel)}


# --- erosion --------------------------------------------------------------------------------------

ELEMENTARY_CHARGE_C = 1.602176634e-19
"""Exact value of the SI (2019) [C]."""


def ion_flux_per_nm2_s(current_density_mA_cm2: float) -> float:
    """Singly charged ions per area and time [1/(nm2 s)]: 62.4 at 1 mA/cm2."""
    return current_density_mA_cm2 * 1e-3 / ELEMENTARY_CHARGE_C * 1e-14


def erosion_rate_nm_s(
    current_density_mA_cm2: float, yield_per_ion: float, atomic_density_per_nm3: float
) -> float:
    """Speed of the receding surface [nm/s].

    Parameters
    ----------
    current_density_mA_cm2
        Current density of singly charged ions on the surface [mA/cm2], without the secondary
        electrons.
    yield_per_ion
        Sputter yield [atoms per ion].
    atomic_density_per_nm3
        Atoms per volume of the layer [1/nm3], > 0.
    """
    check_positive("atomic_density_per_nm3", atomic_density_per_nm3)
    return ion_flux_per_nm2_s(current_density_mA_cm2) * yield_per_ion / atomic_density_per_nm3
