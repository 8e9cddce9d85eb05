"""What the command line prints of a forecast."""

from math import isfinite, isnan

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from craterfront.forecasting import Forecast

_SHOWN_FROM = 0.05


def print_forecast(found: Forecast, console: Console) -> None:
    """Notes, uncertainties with what limits them, smallest widths, elasticities."""
    for note in found.notes:
        console.print(f"Note: {note}", style="bold", highlight=False, markup=False)
    if found.unit == "nm":
        sources = ", ".join(found.scale_sources)
        console.print(f"Depth scale from: {sources}", highlight=False, markup=False)
    plan = f"Planned: {found.readings} readings in {found.duration_s:.4g} s"
    console.print(plan, highlight=False, markup=False)
    console.print(_uncertainties(found))
    console.print(_smallest(found))
    console.print(_elasticities(found))


def _uncertainties(found: Forecast) -> Table:
    table = Table(title="Expected standard uncertainties", title_justify="left")
    table.add_column("answer")
    for heading in ("planned", "u", "%"):
        table.add_column(heading, justify="right")
    table.add_column("what limits it, and what a step would give")
    for answer in found.answers:
        value = f"{answer.value:.4g} {answer.unit}"
        if answer.is_smallest:
            continue
        u = f"{answer.u:.2g}" if isfinite(answer.u) else "none"
        share = f"{100.0 * answer.u / answer.value:.2g}" if isfinite(answer.u) else ""
        table.add_row(escape(answer.name), value, u, share, escape(answer.words))
    return table


def _smallest(found: Forecast) -> Table:
    table = Table(
        title="What could be told from zero: the smallest value that is, in 95 % of all repeats",
        title_justify="left",
    )
    table.add_column("quantity")
    for heading in ("planned", "resolved in", "smallest"):
        table.add_column(heading, justify="right")
    table.add_column("what limits it, and what a step would give")
    words = {answer.name: answer.words for answer in found.answers if answer.is_smallest}
    for each in found.told:
        smallest = f"{each.smallest:.3g} {each.unit}" if isfinite(each.smallest) else "none"
        share = "" if isnan(each.share) else f"{100.0 * each.share:.0f} %"
        why = each.why or words.get(f"smallest {each.name}", "")
        value = f"{each.value:.4g} {each.unit}"
        table.add_row(escape(each.name), value, share, smallest, escape(why))
    return table


def _elasticities(found: Forecast) -> Table:
    table = Table(
        title="Elasticities: by how many per cent u changes with 1 % more of a setting",
        title_justify="left",
    )
    table.add_column("answer")
    table.add_column(f"settings, the strongest first; none below {_SHOWN_FROM}")
    for answer in found.answers:
        strong = {n: e for n, e in answer.elasticities.items() if abs(e) >= _SHOWN_FROM}
        ordered = sorted(strong.items(), key=lambda item: -abs(item[1]))
        words = ", ".join(f"{name} {elasticity:.2f}" for name, elasticity in ordered)
        table.add_row(escape(answer.name), escape(words))
    return table
