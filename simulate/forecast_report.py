"""What the command line prints of a forecast."""

from math import isfinite, isnan

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from craterfront.forecast import Expected, Forecast

_SHOWN_FROM = 0.05  # elasticity of any answer from which on a setting has a column


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
    """Settings without effect on any answer are named below."""
    strong = found.settings_that_matter(_SHOWN_FROM)
    table = Table(
        title="Elasticities: by how many per cent u changes with 1 % more of each",
        title_justify="left",
        caption=_others(found, strong),
        caption_justify="left",
    )
    table.add_column("answer", min_width=22)
    for name in strong:
        table.add_column(escape(name), justify="right", overflow="fold")
    for answer in found.answers:
        table.add_row(escape(answer.name), *(_number(answer, name) for name in strong))
    return table


def _number(answer: Expected, name: str) -> str:
    elasticity = answer.elasticities[name]
    if not isfinite(elasticity):
        return "-"
    text = f"{elasticity:.2f}"
    return "0" if float(text) == 0 else text


def _others(found: Forecast, strong: list[str]) -> str:
    weak = [name for name in found.steps if name not in strong]
    return f"Below {_SHOWN_FROM} everywhere: {', '.join(weak)}." if weak else ""
