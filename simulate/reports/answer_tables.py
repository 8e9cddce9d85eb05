"""The tables of an answer: layers, interfaces, decisions, and what they rest on."""

from collections.abc import Iterator
from math import isfinite

from rich.markup import escape
from rich.table import Table

from craterfront.answers.budget import TRANSITION, Budget
from craterfront.answers.layer_answers import LayerAnswer, LayerSum
from craterfront.answers.results import Answer
from craterfront.answers.rounding import in_brackets, rounded
from craterfront.objective.estimation import Z95
from craterfront.reports.printing import titled_table

_MOST_NAMED = 3  # origins of one uncertainty
_LEAST_FRACTION = 1e-6
_DATA_DECIDE, _PRIOR_DECIDES = 0.3, 0.9  # uncertainty after the data over that before


def answer_tables(answer: Answer) -> Iterator[Table]:
    """All of them, as far as there is something in them."""
    yield from found_tables(answer)
    yield budget_table(answer)
    yield from scale_tables(answer)
    yield from origin_tables(answer)


def found_tables(answer: Answer) -> Iterator[Table]:
    """Decisions, layers, interfaces, and what follows from them."""
    if answer.rulings:
        yield _decision_table(answer)
    yield _layer_table(answer)
    yield _interface_table(answer)
    if answer.secondary:
        yield _secondary_table(answer)
    if answer.means:
        yield _mean_table(answer)
    if any(estimate.broadens for estimate in answer.estimates):
        yield _instrument_table(answer)


def scale_tables(answer: Answer) -> Iterator[Table]:
    """The ways that fix the depth scale, where there are several."""
    if answer.scale_comparisons:
        yield _scale_table(answer)


def origin_tables(answer: Answer) -> Iterator[Table]:
    """Where variances come from."""
    if answer.origins:
        yield _origin_table(answer)


def _decision_table(answer: Answer) -> Table:
    table = titled_table(
        "Decisions on limits (guarded acceptance and rejection, JCGM 106)",
        "of",
        "limit",
        ("value", "standard unc."),
        "unit",
        ("conformance probability", "demanded"),
        "decision",
    )
    for each in answer.rulings:
        value = ["-", "-", ""]
        if each.value is not None and each.u is not None:
            value = [*rounded(each.value, each.u), each.bounds.unit]
        chance = "-" if each.conformance is None else _percent(each.conformance)
        found = f"{each.decision}: {each.why}" if each.why else each.decision
        what = each.bounds.described()
        demanded = f"{100.0 * each.probability:.3g} %"
        table.add_row(escape(each.of), what, *value, chance, demanded, escape(found))
    return table


def _percent(probability: float) -> str:
    """A probability that never looks like certainty."""
    if probability > 0.9999:
        return "> 99.99 %"
    return "< 0.01 %" if probability < 0.0001 else f"{100.0 * probability:.2f} %"


def _secondary_table(answer: Answer) -> Table:
    table = titled_table(
        "Further quantities",
        "quantity",
        "of",
        ("value", "standard unc.", "95 % from", "to"),
        "unit",
        "meaning",
    )
    for each in answer.secondary:
        ends = ["-" if end is None else f"{end:.3g}" for end in (each.lower, each.upper)]
        cells = ["-", "upper limit" if each.is_limit else "-", *ends]
        if each.value is not None and None not in (each.u, each.lower, each.upper):
            cells = rounded(each.value, each.u or 0.0, each.lower or 0.0, each.upper or 0.0)
        elif each.value is not None:
            cells[0] = f"{each.value:.3g}"
        table.add_row(each.quantity, escape(each.of), *cells, each.unit, escape(each.why))
    return table


def _mean_table(answer: Answer) -> Table:
    table = titled_table(
        "Layers on average, between their interfaces", "layer", ("g/cm3",), "atomic fractions"
    )
    for mean in answer.means:
        density = mean.density_g_cm3
        known = "unknown" if density is None else in_brackets(density, mean.density_u_g_cm3 or 0.0)
        parts = [f"{e} {_fraction(x, u or 0.0)}" for e, (x, u) in mean.fractions.items()]
        table.add_row(escape(mean.name), known, ", ".join(parts))
    return table


def _fraction(share: float, u: float) -> str:
    """An atomic fraction to a millionth at best: tails of interfaces leave less of everything."""
    if share + u < _LEAST_FRACTION:
        return f"< {_LEAST_FRACTION:.6f}"
    return in_brackets(share, u) if u >= _LEAST_FRACTION else f"{share:.4g}"


def _scale_table(answer: Answer) -> Table:
    """Each way alone, the others without it, and how far they lie apart."""
    table = titled_table(
        "Depth scale: each way against the others",
        "way",
        "thickness of",
        ("alone, nm", "the others, nm", "apart, standard unc."),
    )
    for each in answer.scale_comparisons:
        numbers = (each.alone_nm, each.alone_u_nm), (each.others_nm, each.others_u_nm)
        cells = ["-" if x is None else in_brackets(x, u or 0.0) for x, u in numbers]
        apart = "-" if each.difference is None else f"{each.difference:+.1f}"
        table.add_row(each.way, escape(each.of), *cells, apart)
    return table


def _origin_table(answer: Answer) -> Table:
    table = titled_table(
        "Where the variance of each answer comes from", "answer", "from", "what would help"
    )
    for each in answer.origins:
        named = list(each.shares.items())[:_MOST_NAMED]
        parts = ", ".join(f"{100.0 * share:.0f} % {name}" for name, share in named)
        table.add_row(*map(escape, (each.answer, parts, each.advice())))
    return table


def prior_table(answer: Answer) -> Table:
    """Standard uncertainty before and after the data of each number that had a prior."""
    table = titled_table(
        "What the data added to what was known",
        "quantity",
        ("standard unc. before", "after", "after / before"),
        "unit",
        "meaning",
    )
    for each in answer.estimates:
        ratio = each.posterior_to_prior
        if ratio is None or each.prior_u is None:
            continue
        meaning = "its prior has little say" if ratio < _DATA_DECIDE else "both have a say"
        if ratio > _PRIOR_DECIDES:
            meaning = "rests on its prior"
        before, after = f"{each.prior_u:.2g}", f"{each.u:.2g}"
        table.add_row(escape(each.name), before, after, f"{ratio:.2f}", each.unit, meaning)
    return table


def _layer_table(answer: Answer) -> Table:
    what = "thickness" if answer.unit == "nm" else "duration at nominal rate"
    table = titled_table(
        f"Layers: {what}", "layer", (answer.unit, "standard unc.", "95 % from", "to")
    )
    with_mass = any(layer.areal_mass_g_m2 is not None for layer in answer.layers)
    if with_mass:
        table.add_column("g/m2", justify="right")
        table.add_column("standard unc.", justify="right")
    for layer in answer.layers:
        row = [escape(layer.name), *rounded(layer.value, layer.u, layer.lower, layer.upper)]
        if not layer.resolved:
            ends = f"{layer.lower:.3g}", f"{layer.upper:.3g}"
            row = [escape(layer.name), "-", "upper limit", *ends]
        if with_mass:
            row += _mass(layer)
        table.add_row(*row)
    for whole in answer.graded:
        row = [f"all of {escape(whole.name)}"]
        row += rounded(whole.value, whole.u, whole.lower, whole.upper)
        if with_mass:
            row += _mass(whole)
        table.add_row(*row)
    return table


def _mass(layer: LayerAnswer | LayerSum) -> list[str]:
    if layer.areal_mass_g_m2 is None or layer.areal_mass_u_g_m2 is None:
        too_thin = isinstance(layer, LayerAnswer) and not layer.resolved
        return ["-" if too_thin else "density unknown", ""]
    mass, u = rounded(layer.areal_mass_g_m2, layer.areal_mass_u_g_m2)
    return [mass, u]


def _interface_table(answer: Answer) -> Table:
    place = "depth" if answer.unit == "nm" else "time"
    table = titled_table(
        f"Interfaces: true width, 16-84 %, and {place} (in brackets the standard uncertainty "
        "in units of the last digit)",
        "below",
        (f"width, {answer.unit}", "95 % from", "to"),
        "meaning",
        (f"{place}, {answer.unit}", "95 % from", "to"),
    )
    table.columns[4].overflow = "fold"  # a narrow page breaks long words of the meaning, not off
    for layer in answer.layers:
        width = layer.width
        value = "-" if width.is_limit else f"{width.value_nm:.3g}"
        low = f"{width.lower_nm:.3g}"
        meaning = "upper limit only" if width.is_limit else "resolved"
        if width.why:
            meaning = width.why if width.is_held else f"{meaning}; {width.why}"
        cells = [value, low, f"{width.upper_nm:.3g}", escape(meaning)]
        table.add_row(escape(layer.name), *cells, *_depth(layer))
    return table


def _depth(layer: LayerAnswer) -> list[str]:
    """Of the interface below a layer; without a standard uncertainty as its interval rounds it."""
    ends, u = (layer.depth_lower, layer.depth_upper), layer.depth_u
    if not layer.depth_resolved:
        return ["-", *(f"{end:.3g}" for end in ends)]
    spread = (ends[1] - ends[0]) / (2.0 * Z95) if u is None else u
    value, _, low, high = rounded(layer.depth, spread, *ends)
    has_brackets = u is not None and isfinite(u) and u > 0.0
    return [in_brackets(layer.depth, spread) if has_brackets else value, low, high]


def _instrument_table(answer: Answer) -> Table:
    table = titled_table(
        "Instrument: broadening that was left to the profile",
        "quantity",
        ("value", "95 % from", "to"),
        "unit",
        "meaning",
    )
    for each in answer.estimates:
        if each.broadens:
            value = f"{each.value:.3g}" if each.resolved else "-"
            meaning = "resolved" if each.resolved else "upper limit only"
            if each.why:
                meaning = f"{meaning}; {each.why}"
            ends = f"{each.lower:.3g}", f"{each.upper:.3g}"
            table.add_row(escape(each.name), value, *ends, each.unit, escape(meaning))
    return table


def budget_table(answer: Answer) -> Table:
    """What broadens each interface, and how much."""
    table = titled_table(
        f"Broadening, two standard deviations in {answer.unit} (only variances add; "
        "in brackets the standard uncertainty in units of the last digit)",
        "below",
    )
    causes = list(answer.budgets[0].two_sd_nm) if answer.budgets else []
    for cause in [*causes, "all"]:
        table.add_column(cause, justify="right")
    for budget in answer.budgets:
        parts = {cause: _part(budget, cause) for cause in budget.two_sd_nm}
        total, limit = f"{budget.total_nm:.3g}", budget.transition_limit_nm
        if limit is not None:
            known = isfinite(limit)
            parts[TRANSITION] = f"< {limit:.3g}" if known else "no limit"
            total += f" to {budget.largest_total_nm:.3g}" if known else " or more"
        table.add_row(escape(budget.layer), *(parts[cause] for cause in causes), total)
    return table


def _part(budget: Budget, cause: str) -> str:
    """One cause with its standard uncertainty, or its limit."""
    if cause in budget.limits_nm:
        return f"< {budget.limits_nm[cause]:.3g}"
    return in_brackets(budget.two_sd_nm[cause], budget.u_nm.get(cause, 0.0))
