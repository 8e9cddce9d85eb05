"""What the command line prints of a forecast."""

from math import isfinite, isnan

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from craterfront.forecasts.forecasting import Forecast
from craterfront.reports.printing import print_notes, titled_table, write_plain

_SHOWN_FROM = 0.05
_WHAT_LIMITS = "what limits it, and what a step would give"


def print_forecast(found: Forecast, console: Console) -> None:
    """Notes, uncertainties with what limits them, smallest widths, elasticities."""
    print_notes(found.notes, console)
    if found.unit == "nm":
        sources = ", ".join(found.scale_sources)
        write_plain(console, f"Depth scale from: {sources}")
    write_plain(console, f"Planned: {found.readings} readings in {found.duration_s:.4g} s")
    console.print(_uncertainties(found))
    console.print(_smallest(found))
    console.print(_elasticities(found))


def _uncertainties(found: Forecast) -> Table:
    table = titled_table(
        "Expected standard uncertainties", "answer", ("planned", "u", "%"), _WHAT_LIMITS
    )
    for answer in found.answers:
        value = f"{answer.value:.4g} {answer.unit}"
        if answer.is_smallest:
            continue
        u = f"{answer.u:.2g}" if isfinite(answer.u) else "none"
        share = f"{100.0 * answer.u / answer.value:.2g}" if isfinite(answer.u) else ""
        table.add_row(escape(answer.name), value, u, share, escape(answer.words))
    return table


def _smallest(found: Forecast) -> Table:
    table = titled_table(
        "What could be told from zero: the smallest value that is, in 95 % of all repeats",
        "quantity",
        ("planned", "resolved in", "smallest"),
        _WHAT_LIMITS,
    )
    words = {answer.name: answer.words for answer in found.answers if answer.is_smallest}
    for each in found.told:
        smallest = f"{each.smallest:.3g} {each.unit}" if isfinite(each.smallest) else "none"
        share = "" if isnan(each.share) else f"{100.0 * each.share:.0f} %"
        why = each.why or words.get(f"smallest {each.name}", "")
        value = f"{each.value:.4g} {each.unit}"
        table.add_row(escape(each.name), value, share, smallest, escape(why))
    return table


def _elasticities(found: Forecast) -> Table:
    table = titled_table(
        "Elasticities: by how many per cent u changes with 1 % more of a setting",
        "answer",
        f"settings, the strongest first; none below {_SHOWN_FROM}",
    )
    for answer in found.answers:
        strong = {n: e for n, e in answer.elasticities.items() if abs(e) >= _SHOWN_FROM}
        ordered = sorted(strong.items(), key=lambda item: -abs(item[1]))
        words = ", ".join(f"{name} {elasticity:.2f}" for name, elasticity in ordered)
        table.add_row(escape(answer.name), escape(words))
    return table
