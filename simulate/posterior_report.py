"""What the command line prints of a sampled posterior."""

from math import isfinite

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from craterfront.sampled_posterior import SampledPosterior


def print_posterior(sampled: SampledPosterior, console: Console) -> None:
    """First what not to trust, then one table of medians and intervals."""
    for warning in sampled.warnings():
        console.print(f"Note: {warning}", style="bold", highlight=False, markup=False)
    console.print(posterior_table(sampled))
    console.print(how_drawn(sampled), highlight=False, markup=False)


def posterior_table(sampled: SampledPosterior) -> Table:
    """Medians and intervals of all numbers, with how far to trust them."""
    table = Table(title="Sampled posterior", title_justify="left")
    table.add_column("quantity")
    for heading in ("median", "95 % from", "to"):
        table.add_column(heading, justify="right")
    table.add_column("unit")
    for heading in ("R-hat", "effective draws"):
        table.add_column(heading, justify="right")
    for row in sampled.rows():
        numbers = (f"{each:.4g}" for each in (row.median, row.lower, row.upper))
        effective = f"{row.effective:.0f}" if isfinite(row.effective) else "-"
        r_hat = f"{row.r_hat:.3f}" if isfinite(row.r_hat) else "-"
        table.add_row(escape(row.name), *numbers, row.unit, r_hat, effective)
    return table


def how_drawn(sampled: SampledPosterior) -> str:
    """One line on the draws."""
    found = sampled.sample
    chains, draws = found.log_density.shape
    return (
        f"{chains * draws} draws by {found.method}, {found.evaluations} evaluations, "
        f"Pareto k {found.pareto_k:.2f}, seed {sampled.seed}."
    )
