"""What the command line prints: tables for people."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from craterfront.answers.edge_and_delta import StandardFigures
from craterfront.answers.replicates import Spots
from craterfront.answers.results import Answer
from craterfront.answers.rounding import rounded
from craterfront.experiments.experiment import Experiment
from craterfront.forward_model.assembly import Assembly
from craterfront.instruments.instrument_file import InstrumentCalibration
from craterfront.measured_files.stylus_trace import TracedCrater
from craterfront.notation.parameters import Parameter, table_rows
from craterfront.reports.answer_tables import answer_tables, prior_table
from craterfront.reports.printing import print_notes, titled_table, write_plain


def print_answer(answer: Answer, console: Console) -> None:
    """Warnings first, then what fixes the scale, all tables, and what rests on priors."""
    print_notes(answer.warnings, console)
    if answer.unit == "nm":
        sources = ", ".join(answer.scale_sources)
        write_plain(console, f"Depth scale from: {sources}")
    for table in answer_tables(answer):
        console.print(table)
    for origin in answer.origins:
        if origin.dominating is not None and origin.dominating.state == "assumed":
            write_plain(console, f"{origin.sentence()}.")
    write_plain(console, what_the_data_fix(answer))


def what_the_data_fix(answer: Answer) -> str:
    """How many combinations of parameters the data fix, and what rests on priors."""
    fixed, free = answer.rank
    if not free:
        return "The file holds every parameter."
    line = f"The data fix {fixed} of {free} combinations of the free parameters."
    if answer.resting_on_priors:
        line += f" On priors rest: {'; '.join(answer.resting_on_priors)}."
    return line


def print_priors(answer: Answer, console: Console) -> None:
    """What the data added to each number that had a prior."""
    console.print(prior_table(answer))


def print_asked(experiment: Experiment, console: Console) -> None:
    """What the file asks of an inversion besides thicknesses and widths; nothing if nothing."""
    rows = list(experiment.asked())
    if rows:
        table = titled_table("Asked of an inversion", "what", "of")
        for row in rows:
            table.add_row(*map(escape, row))
        console.print(table)


def print_parameters(
    parameters: Sequence[Parameter], linear: Iterable[tuple[str, str, str, str]], console: Console
) -> None:
    """The one table of what is fixed, has a prior, is assumed or free."""
    console.print(parameter_table(table_rows(parameters), linear))


def parameter_table(
    parameters: Iterable[tuple[str, str, str, str]], linear: Iterable[tuple[str, str, str, str]]
) -> Table:
    """The same, of rows (name, value, unit, state)."""
    table = titled_table("What is known before the data", "quantity", ("value",), "unit", "state")
    for row in (*parameters, *linear):
        table.add_row(*map(escape, row))
    return table


def print_stack(assembly: Assembly, console: Console) -> None:
    """The sample as it was understood, from the surface down."""
    console.print(stack_table(assembly))


def stack_table(assembly: Assembly) -> Table:
    """The same as a table."""
    table = titled_table(
        "Sample, from the surface down",
        "layer",
        ("nm", "width below, nm", "g/cm3", "nm/s", "g/m2"),
    )
    if not assembly.depth_axis:
        table.add_column("rate")
    for number, layer in enumerate(assembly.layers):
        density = layer.density_g_cm3
        rate = "" if assembly.depth_axis else f"{assembly.nominal_rate_nm_s(number):.4g}"
        row = ["", "", "unknown" if density is None else f"{float(density):.4g}", rate, ""]
        if not layer.is_substrate:
            thickness = float(layer.thickness_nm)
            row[0], row[1] = f"{thickness:.4g}", f"{float(layer.interface_width_nm):.4g}"
            row[4] = "" if density is None else f"{thickness * float(density) * 1e-3:.4g}"
        if not assembly.depth_axis:
            row.append(escape(assembly.rate_origin(number)))
        table.add_row(escape(layer.name), *row)
    return table


def print_comparison(rows: Iterable[tuple[str, str, str]], console: Console) -> None:
    """Truth beside the answer."""
    table = titled_table("Truth and answer", "quantity", "truth", "answer")
    for row in rows:
        table.add_row(*map(escape, row))
    console.print(table)


def print_standard_figures(found: StandardFigures, console: Console) -> None:
    """Figures of an edge or a delta layer with standard uncertainties or limits."""
    write_plain(console, *(f"Note: {note}" for note in found.notes))
    span = f"{found.x[0]:.4g} to {found.x[-1]:.4g} {found.unit}"
    table = titled_table(
        escape(f"{found.channel}, {found.feature}, {span}"), "figure", (found.unit, "standard unc.")
    )
    for name, value, u in found.rows:
        table.add_row(name, *([f"{value:.3g}", "95 % limit"] if u is None else rounded(value, u)))
    console.print(table)


def print_quantified(answer: Mapping[str, Any], console: Console) -> None:
    """Constants of the lines, then thickness and mass of what lies between boundaries."""
    write_plain(console, *(f"Note: {note}" for note in answer["notes"]))
    console.print(_constant_table(answer["constants"]))
    console.print(_span_table(answer["spans"]))


def print_spots(found: Spots, console: Console) -> None:
    """Means over replicate spots."""
    print_notes(found.warnings, console)
    numbers = ("mean", "standard unc.", "common part", "spot to spot", "of noise", "+/- 95 %")
    table = titled_table(
        "Means over spots", "quantity", "layer", "unit", (*numbers, "degrees of freedom")
    )
    for quantity, layer, unit, mean in found.rows:
        others = mean.common_u, mean.scatter, mean.repeatability, mean.expanded_u
        cells = rounded(mean.mean, mean.u, *others)
        freedom = freedom_shown(mean.degrees_of_freedom)
        table.add_row(quantity, escape(layer), unit, *cells, freedom)
    console.print(table)


def freedom_shown(degrees: float) -> str:
    """Degrees of freedom with three digits, and never as a power of ten."""
    return f"{degrees:.0f}" if degrees >= 100 else f"{degrees:.3g}"


def print_crater(traced: TracedCrater, console: Console) -> None:
    """Mean depth of a crater with the causes of its uncertainty, and its shape in short."""
    print_notes(traced.notes, console)
    found = traced.found
    table = titled_table("Crater", "quantity", ("value", "standard unc."), "unit")
    depth = rounded(1e3 * found.mean_depth_um, 1e3 * found.u_um)
    table.add_row("mean depth over the area", *depth, "nm")
    for cause, part in found.parts_um.items():
        table.add_row(f"  part of {cause}", "", f"{1e3 * part:.2g}", "nm")
    table.add_row("curvature", *rounded(found.curvature, found.curvature_u), "")
    table.add_row("radius of the area", f"{found.area_radius_mm:.4g}", "", "mm")
    width = found.edges_mm[1] - found.edges_mm[0]
    table.add_row("width at half depth", f"{width:.4g}", "", "mm")
    console.print(table)


def print_instrument(calibration: InstrumentCalibration, console: Console) -> None:
    """The calibrated numbers with their standard uncertainties."""
    table = titled_table(
        "Calibrated numbers of the instrument",
        "number",
        ("value", "standard unc."),
        "unit",
        "before",
    )
    for number in calibration.number:
        cells = rounded(number.value, number.u)
        unit = f"({number.unit or '1'})^2" if number.coordinate == "square" else number.unit
        table.add_row(escape(number.label), *cells, escape(unit), escape(number.before))
    console.print(table)


def _constant_table(rows: Sequence[Mapping[str, Any]]) -> Table:
    constants = ("per ug/s", "background", "self-absorption, s/ug")
    numbers = tuple(heading for each in constants for heading in (each, "standard unc."))
    table = titled_table("Emission lines", "element", numbers)
    for row in rows:
        cells = []
        for key in ("intensity_per_ug_s", "background", "self_absorption_s_ug"):
            cells += rounded(row[key], row[f"{key}_u"])
        table.add_row(row["element"], *cells)
    return table


def _span_table(rows: Sequence[Mapping[str, Any]]) -> Table:
    """A line for all elements of a span together, then one for each."""
    table = titled_table(
        "Between boundaries (mass fractions): thickness and mass per area of one side",
        "from, to",
        "element",
        ("nm", "standard unc.", "g/m2", "standard unc."),
    )
    for row in rows:
        thickness = rounded(row["thickness_nm"], row["thickness_u_nm"])
        mass = rounded(row["areal_mass_g_m2"], row["areal_mass_u_g_m2"])
        table.add_row(row["span"], "all", *thickness, *mass)
        for symbol, part in row["elements"].items():
            mass = rounded(part["areal_mass_g_m2"], part["areal_mass_u_g_m2"])
            table.add_row("", symbol, "", "", *mass)
    return table
