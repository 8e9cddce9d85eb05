"""The command `crater`."""

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from craterfront.commands.files import check_outputs, draw
from craterfront.commands.options import JsonForTable, file_argument, file_option
from craterfront.commands.terminal import give
from craterfront.problems import InputProblems

EXAMPLE = "Example: craterfront crater trace.txt --diameter-mm 4 -o crater.toml"


def crater(
    trace: Annotated[Path, file_argument("TRACE")],
    diameter_mm: Annotated[
        float | None,
        typer.Option(help="Of the analysed area; default the distance of the crater's edges."),
    ] = None,
    scale_u_rel: Annotated[
        float | None,
        typer.Option(help="Relative standard uncertainty of the stylus' height scale."),
    ] = None,
    x_unit: Annotated[
        str | None, typer.Option(help="mm, um, nm or A; default as the header says.")
    ] = None,
    z_unit: Annotated[str | None, typer.Option(help="The same of the heights.")] = None,
    output: Annotated[
        Path | None,
        file_option("-o", "--output", help="Tables for the experiment file to write."),
    ] = None,
    figure: Annotated[Path | None, file_option(help="Draw it (png, pdf or svg).")] = None,
    json: JsonForTable = False,
) -> None:
    """Shape and mean depth of a crater from a stylus trace (x, z) through its centre."""
    from craterfront.file_access import write_text
    from craterfront.measured_files.stylus_trace import crater_of, read_trace
    from craterfront.reports.report import print_crater
    from craterfront.reports.stylus_figure import trace_figure

    _check_numbers(diameter_mm, scale_u_rel)
    check_outputs((trace,), output, figures=(figure,))
    read = read_trace(trace, x_unit, z_unit)
    traced = crater_of(read, diameter_mm, scale_u_rel)
    if output is not None:
        write_text(output, traced.as_toml())
    draw(figure, trace_figure, read, traced)
    give(traced.as_dict(), partial(print_crater, traced), json=json)


def _check_numbers(diameter_mm: float | None, scale_u_rel: float | None) -> None:
    problems = []
    if diameter_mm is not None and not 0 < diameter_mm < 1e4:
        problems.append(f"--diameter-mm: must be > 0 and < 1e4, got {diameter_mm:g}")
    if scale_u_rel is not None and not 0 <= scale_u_rel < 1:
        problems.append(f"--scale-u-rel: must be from 0 to below 1, got {scale_u_rel:g}")
    if problems:
        raise InputProblems(problems)
