"""What the command line prints of an unfolded profile."""

from collections.abc import Mapping
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from craterfront.reports.printing import print_notes, titled_table, write_plain


def print_unfolded(answer: Mapping[str, Any], console: Console) -> None:
    """Warnings first, then what was chosen, the elements, and what the readings say of the rest."""
    print_notes(answer["warnings"], console)
    deep, u = answer["depth_nm"], answer["depth_u_nm"]
    write_plain(
        console,
        f"Depth scale from: {', '.join(answer['depth_scale_from'])}",
        f"Unfolded down to {deep:.4g} nm, of which the scale is uncertain by {u:.2g} nm (1 sd)",
        f"Smoothness by {answer['method']}: {answer['prior']} process, correlated over "
        f"{answer['prior_length_nm']:.3g} nm",
    )
    console.print(_element_table(answer["elements"]))
    if answer["deviations"]:
        console.print(_deviation_table(answer["deviations"]))


def _element_table(rows: list[Mapping[str, Any]]) -> Table:
    table = titled_table(
        "Atomic fractions; resolution as two standard deviations",
        "element",
        (
            "lowest",
            "highest",
            "95 % on average +/-",
            "resolution from, nm",
            "to",
            "amplitude",
            "degrees of freedom",
        ),
    )
    for row in rows:
        amplitude = row["prior_amplitude"]
        table.add_row(
            escape(row["element"]),
            f"{row['fraction_from']:.4f}",
            f"{row['fraction_to']:.4f}",
            f"{row['band_half_width']:.4f}",
            f"{row['resolution_from_nm']:.3g}",
            f"{row['resolution_to_nm']:.3g}",
            "-" if amplitude is None else f"{amplitude:.2g}",
            f"{row['degrees_of_freedom']:.1f}",
        )
    return table


def _deviation_table(rows: list[Mapping[str, Any]]) -> Table:
    table = titled_table(
        "Not exactly known: deviation from what was written (of logarithms for sensitivities,"
        " rates, densities)",
        "quantity",
        ("before, standard unc.", "found", "standard unc.", "found / before"),
    )
    for row in rows:
        numbers = (f"{row[key]:.2g}" for key in ("prior_u", "value", "u"))
        table.add_row(escape(row["name"]), *numbers, f"{row['value_in_prior_u']:+.1f}")
    return table
