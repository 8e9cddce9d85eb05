"""What the command line prints of a sampled posterior."""

from math import isfinite

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from craterfront.posterior_sampling.sampled_posterior import SampledPosterior
from craterfront.reports.printing import titled_table, write_plain


def print_posterior(sampled: SampledPosterior, console: Console) -> None:
    """One table of medians and intervals; what not to trust stands among the answer's warnings."""
    console.print(posterior_table(sampled))
    write_plain(console, how_drawn(sampled))


def posterior_table(sampled: SampledPosterior) -> Table:
    """Medians and intervals of all numbers, with how far to trust them."""
    table = titled_table(
        "Sampled posterior",
        "quantity",
        ("median", "95 % from", "to"),
        "unit",
        ("R-hat", "effective draws"),
    )
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
    if not sampled.free_values.shape[1]:
        return f"{chains * draws} draws of what enters linearly, seed {sampled.seed}."
    return (
        f"{chains * draws} draws by {found.method}, {found.evaluations} evaluations, "
        f"Pareto k {found.pareto_k:.2f}, seed {sampled.seed}."
    )
