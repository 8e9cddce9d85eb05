"""What is fixed, what has a prior, what is assumed and what is free.

A `Parameter` is a physical number with what is known of it. The rules by which the experiment
file's ways of writing a number turn into these states stand here and nowhere else.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from craterfront.notation.quantities import Quantity

State = Literal["fixed", "prior", "assumed", "free", "calibrated"]

THICKNESS_LN_SD = math.log(3.0)
"""A thickness that is only guessed: log-normal around the guess, a factor of 3 either way."""

ASSUMED_RATE_U_REL = 0.1
ASSUMED_U_REL = 0.3
"""Relative uncertainty assumed for a plain number that nobody knows exactly."""

WIDTH_BOUND_U = 6.0
"""A width with a prior ends at so many standard uncertainties, or at the thinner neighbour."""

DENSITY_LN_SD = 0.5
"""Of an atomic density that nobody knows (common practice, no source): most solids have 25 to
180 atoms/nm^3."""

BROADENING = (
    "curvature",
    "tilt",
    "initial roughness",
    "relative spread",
    "final roughness",
    "mixing length",
    "escape depth",
)
"""What the instrument adds to the width of an edge: near zero the signal follows the square."""

LENGTHS = (
    "initial roughness",
    "interface roughness",
    "grain size",
    "final roughness",
    "settling depth",
    "mixing length",
    "mixing range",
    "displacement",
    "escape depth",
    "surface transient depth",
)
"""What is known in nanometres, and shows in a profile as the time that they take."""

LEAST_MIXING = 0.1
"""Shortest mixing length in a fit, as a share of the nominal one; it stands for none at all."""


@dataclass(frozen=True)
class Parameter:
    """One number of the model.

    Attributes
    ----------
    name : str
        What it is and of which layers, for example ``thickness of CrN``.
    kind : str
        thickness, width, rate, common rate factor, shared rate factor, curvature, ...
    unit : str
        "" for a pure number.
    value : float
        Nominal value: written, guessed, or the default.
    state : str
        fixed, prior, assumed (a prior that nobody wrote), free, or calibrated (known together with
        others, with their correlations, from another measurement).
    u : float
        Standard uncertainty of the prior in `unit`; for a logarithmic one, u = value * ln_sd.
    logarithmic : bool
        The prior is normal in the logarithm.
    lower, upper : float
        Bounds.
    why : str
        Where the value or its uncertainty comes from, if not from the file.
    estimated : bool
        An erosion rate that nobody wrote: what all rates of a source have in common comes on top.
    widest_by_default : bool
        The file gives no upper bound, and one keeps a fit within the sample. That of a number of
        the instrument moves with the rates.
    """

    name: str
    kind: str
    unit: str
    value: float
    state: State
    u: float = 0.0
    logarithmic: bool = False
    lower: float = -math.inf
    upper: float = math.inf
    why: str = ""
    estimated: bool = False
    widest_by_default: bool = False

    @property
    def is_fixed(self) -> bool:
        return self.state == "fixed"

    @property
    def has_prior(self) -> bool:
        """Whether a (finite) prior pulls on it; a bounded free parameter has only bounds."""
        return not self.is_fixed and 0 < self.u < math.inf

    @property
    def has_own_prior(self) -> bool:
        """Whether its prior is that of a single number, independent of all others."""
        return self.has_prior and self.state != "calibrated"

    @property
    def broadens(self) -> bool:
        """Whether it is a broadening that the profile alone has to tell from none."""
        signed = self.lower < 0.0 < self.upper
        return self.state == "free" and self.kind in BROADENING and not signed

    @property
    def may_be_zero(self) -> bool:
        """Whether a fit moves its square, and zero is to be excluded before it has a value."""
        return self.kind == "width" or self.broadens

    @property
    def nothing(self) -> float:
        """The value that stands for zero."""
        return LEAST_MIXING * self.value if self.kind == "mixing length" else 0.0

    def prior_residual(self, value: float) -> float:
        """Deviation from the prior in standard uncertainties; 0 without a prior."""
        if not self.has_own_prior:
            return 0.0
        if self.logarithmic:
            return math.log(value / self.value) / (self.u / self.value)
        return (value - self.value) / self.u

    def prior_slope(self, value: float) -> float:
        """Derivative of `prior_residual` by the value."""
        if not self.has_own_prior:
            return 0.0
        return (self.value / value if self.logarithmic else 1.0) / self.u

    def described(self) -> str:
        """State in words, as the tables print it."""
        unit = f" {self.unit}" if self.unit else ""
        if self.is_fixed:
            return "fixed"
        if self.has_prior:
            how = f"{self.state}, u = {self.u:.3g}{unit}"
            return f"{how} (log-normal)" if self.logarithmic else how
        bounds = f"{self.lower:.4g} to {self.upper:.4g}{unit}"
        return f"{self.state}, {bounds}"


def thickness(name: str, quantity: Quantity) -> Parameter:
    """Free with a broad log-normal prior, unless an uncertainty is written."""
    return _positive(
        f"thickness of {name}",
        "thickness",
        "nm",
        quantity,
        plain_ln_sd=THICKNESS_LN_SD,
        plain_state="free",
        free_ln_sd=THICKNESS_LN_SD,
    )


def width(name: str, quantity: Quantity, thinner_neighbour_nm: float) -> Parameter:
    """Free between 0 and the thinner neighbour, unless an uncertainty is written."""
    title = f"interface width below {name}"
    value, widest = quantity.value, thinner_neighbour_nm
    if quantity.u is not None and quantity.status == "prior":
        state: State = "prior" if quantity.u > 0 else "fixed"
        widest = max(widest, value + WIDTH_BOUND_U * quantity.u)
        found = Parameter(title, "width", "nm", value, state, quantity.u, lower=0.0, upper=widest)
        return replace(found, widest_by_default=True)
    upper = quantity.maximum if quantity.maximum is not None else widest
    lower, by_default = quantity.minimum or 0.0, quantity.maximum is None
    found = Parameter(title, "width", "nm", min(value, upper), "free", lower=lower, upper=upper)
    return replace(found, widest_by_default=by_default)


def rate(name: str, quantity: Quantity) -> Parameter:
    """A written erosion rate; a plain one is assumed to be known to 10 %."""
    return _positive(
        f"erosion rate of {name}",
        "rate",
        "nm/s",
        quantity,
        plain_ln_sd=ASSUMED_RATE_U_REL,
        plain_state="assumed",
        free_ln_sd=THICKNESS_LN_SD,
    )


def density(name: str, quantity: Quantity) -> Parameter:
    """A written or tabulated density; a plain one is exact."""
    title = f"density of {name}"
    if quantity.status == "default" and quantity.u:
        why = "tabulated, or from a rule"
        return _assumed(title, "density", "g/cm3", quantity.value, quantity.u, why)
    if quantity.status in ("plain", "default"):
        return exact(title, "density", "g/cm3", quantity.value)
    return _positive(
        title,
        "density",
        "g/cm3",
        quantity,
        plain_ln_sd=0.0,
        plain_state="fixed",
        free_ln_sd=DENSITY_LN_SD,
    )


def unknown_density(name: str, nominal: float) -> Parameter:
    """A density of which nothing is known: that of a nominal number of atoms."""
    return Parameter(
        f"density of {name}",
        "density",
        "g/cm3",
        nominal,
        "free",
        nominal * DENSITY_LN_SD,
        logarithmic=True,
        lower=0.0,
        why="no density is known",
    )


def estimated_rate(name: str, value: float, u_rel: float, why: str) -> Parameter:
    """An erosion rate that a table or sputter yields give, but for what it shares with others."""
    title = f"erosion rate of {name}"
    if u_rel == 0:  # it shares all, or is that of the material whose rate was measured
        return replace(exact(title, "rate", "nm/s", value, why), estimated=True)
    return replace(_assumed(title, "rate", "nm/s", value, value * u_rel, why), estimated=True)


def common_rate_factor(ln_sd: float, *, measured: bool) -> Parameter:
    """A factor that all rates estimated for one source share.

    Parameters
    ----------
    ln_sd : float
        Standard deviation of its logarithm.
    measured : bool
        The rates go back to one that was measured; otherwise to what is known of lamps.
    """
    name = "common factor of the estimated rates"
    why = "from the measured rate" if measured else "from sheath, redeposition and yields of a lamp"
    if ln_sd == 0:
        return exact(name, "common rate factor", "", 1.0, why)
    return _assumed(name, "common rate factor", "", 1.0, ln_sd, why)


def shared_rate_factor(cause: str, ln_sd: float) -> Parameter:
    """A factor of several estimated rates: a yield, or a ratio of yields, on which all rest."""
    name, why = f"factor of the {cause}", "several estimated rates rest on it"
    return _assumed(name, "shared rate factor", "", 1.0, ln_sd, why)


def rate_discrepancy(layer: str, u_rel: float) -> Parameter:
    """By what a model may be wrong in the rate of a layer, which no residual shows."""
    name, why = f"rate discrepancy of {layer}", "[discrepancy] rate_u_rel"
    return _assumed(name, "rate discrepancy", "", 1.0, u_rel, why)


def instrument_number(
    name: str,
    kind: str,
    unit: str,
    quantity: Quantity,
    *,
    lower: float = 0.0,
    upper: float = math.inf,
    widest: float = math.inf,
    signed: bool = False,
    default_u_rel: float = 0.0,
    why: str = "",
) -> Parameter:
    """Crater, roughness, mixing: a plain number is assumed to be known to 30 %.

    A guess ends at `widest` if the file gives no bound. Unless the sign shows in the signal
    (`signed`), it is that of the guess.
    """
    value = quantity.value
    if quantity.status == "prior":
        state: State = "prior" if quantity.u else "fixed"
        return Parameter(
            name, kind, unit, value, state, quantity.u or 0.0, lower=lower, upper=upper, why=why
        )
    if quantity.status == "guess":
        low = quantity.minimum if quantity.minimum is not None else lower
        high = quantity.maximum if quantity.maximum is not None else upper
        by_default = math.isinf(high) and math.isfinite(widest)
        if by_default:
            high = max(widest, value)
        if not signed:
            low, high = (low, min(high, 0.0)) if value < 0 else (max(low, 0.0), high)
        return Parameter(
            name,
            kind,
            unit,
            value,
            "free",
            lower=low,
            upper=high,
            why=why,
            widest_by_default=by_default,
        )
    u = quantity.u  # of a default that rests on something written
    if u is None:
        u = abs(value) * (ASSUMED_U_REL if quantity.status == "plain" else default_u_rel)
    state = "assumed" if u > 0 else "fixed"
    return Parameter(name, kind, unit, value, state, u, lower=lower, upper=upper, why=why)


def positive_instrument_number(name: str, kind: str, unit: str, quantity: Quantity) -> Parameter:
    """Self-absorption, start-up: a plain number is assumed to be known to 30 %."""
    return _positive(
        name,
        kind,
        unit,
        quantity,
        plain_ln_sd=ASSUMED_U_REL,
        plain_state="assumed",
        free_ln_sd=THICKNESS_LN_SD,
    )


def at_nominal_rates(parameter: Parameter) -> Parameter:
    """What is known where only times at nominal rates are asked for.

    Rates are held. What the file says of a layer in nanometres says nothing of its time; only a
    width of exactly zero is zero on any scale. Nor does it say how many atoms absorb, or how
    many of hydrogen there are. A length of the instrument that is not free is known as well as the
    nominal rates: no better than a guessed thickness.
    """
    p = parameter
    if p.kind in ("rate", "common rate factor", "shared rate factor", "rate discrepancy"):
        return exact(p.name, p.kind, p.unit, p.value, "times at nominal rates")
    if p.kind in ("thickness", "self-absorption", "hydrogen of half effect"):
        u = p.value * THICKNESS_LN_SD
        return replace(p, state="free", u=u, logarithmic=True, lower=0.0, upper=math.inf)
    if p.kind == "width" and (p.value > 0 or not p.is_fixed):
        return replace(p, state="free", u=0.0, lower=0.0)
    if p.kind in LENGTHS and p.state != "free":
        return _on_unknown_scale(p)
    return p


def _on_unknown_scale(length: Parameter) -> Parameter:
    """A length whose time is known up to a factor of 3 either way."""
    p = replace(length, why="nanometres at nominal rates")
    if p.value == 0:
        return length if p.is_fixed else replace(p, u=p.u * math.exp(THICKNESS_LN_SD))
    u = p.value * THICKNESS_LN_SD
    return replace(p, state="assumed", u=u, logarithmic=True, upper=math.inf)


def is_free(quantity: Quantity) -> bool:
    """Whether a sensitivity or background is solved for: not written, guessed, or with a prior."""
    return quantity.status in ("default", "guess") or bool(quantity.u)


def is_restricted(quantity: Quantity) -> bool:
    """Whether the file says more of a sensitivity or background than where to start."""
    bounded = quantity.minimum is not None or quantity.maximum is not None
    return bounded or not is_free(quantity) or bool(quantity.u)


def linear_bounds(quantity: Quantity) -> tuple[float, float]:
    """Bounds of a sensitivity or background: as written, and never below 0."""
    upper = math.inf if quantity.maximum is None else quantity.maximum
    return quantity.minimum or 0.0, upper


def linear_state(quantity: Quantity) -> str:
    """State of a sensitivity or background in words."""
    if not is_free(quantity):
        return "fixed"
    if quantity.status == "prior":
        return f"prior, u = {quantity.u:.3g}"
    if not is_restricted(quantity):
        return "free, not negative"
    lower, upper = linear_bounds(quantity)
    return f"free, {lower:.4g} to {upper:.4g}"


def exact(name: str, kind: str, unit: str, value: float, why: str = "") -> Parameter:
    """A number that is taken as it stands."""
    return Parameter(name, kind, unit, value, "fixed", why=why)


def _assumed(name: str, kind: str, unit: str, value: float, u: float, why: str) -> Parameter:
    """A positive number with a log-normal prior that nobody wrote."""
    return Parameter(name, kind, unit, value, "assumed", u, logarithmic=True, lower=0.0, why=why)


def _positive(
    name: str,
    kind: str,
    unit: str,
    quantity: Quantity,
    *,
    plain_ln_sd: float,
    plain_state: State,
    free_ln_sd: float,
) -> Parameter:
    value = quantity.value
    if quantity.status == "prior":
        u = quantity.u or 0.0
        if u == 0:
            return exact(name, kind, unit, value)
        # A log-normal prior keeps a positive number positive; for small u it is the normal one.
        return Parameter(name, kind, unit, value, "prior", u, logarithmic=True, lower=0.0)
    ln_sd, state = (
        (free_ln_sd, "free") if quantity.status == "guess" else (plain_ln_sd, plain_state)
    )
    lower = quantity.minimum if quantity.minimum is not None else 0.0
    upper = quantity.maximum if quantity.maximum is not None else math.inf
    return Parameter(
        name, kind, unit, value, state, value * ln_sd, logarithmic=True, lower=lower, upper=upper
    )


def table_rows(parameters: Sequence[Parameter]) -> list[tuple[str, str, str, str]]:
    """Rows (name, value, unit, state) for the one table that every report prints."""
    return [
        (p.name, f"{p.value:.5g}", p.unit, f"{p.described()}{'; ' + p.why if p.why else ''}")
        for p in parameters
    ]
