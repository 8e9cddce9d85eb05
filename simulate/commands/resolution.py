"""The command `resolution`."""

from functools import partial
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from craterfront.commands.files import check_outputs, draw, located
from craterfront.commands.options import JsonForTable, ProfileFile, file_option
from craterfront.commands.terminal import give
from craterfront.problems import InputProblems

if TYPE_CHECKING:
    from craterfront.measured_files.measured_profile import MeasuredProfile

EXAMPLE = (
    "Example: craterfront resolution profile.txt --channel B --feature delta "
    '--axis-column "time (s)"'
)


def resolution(
    profile: ProfileFile,
    channel: Annotated[str, typer.Option(help="Channel, or column.", show_default=False)],
    feature: Annotated[
        str, typer.Option(help="edge or delta.", show_default=False, metavar="edge|delta")
    ],
    start: Annotated[float | None, typer.Option("--from", help="Use readings from here.")] = None,
    end: Annotated[float | None, typer.Option("--to", help="Use readings up to here.")] = None,
    counts: Annotated[
        float | None, typer.Option(help="Counts per unit in a reading; 1 if they are counts.")
    ] = None,
    experiment: Annotated[
        Path | None,
        file_option("-e", "--experiment", help="Take [profile] and channels from this file."),
    ] = None,
    axis_column: Annotated[str | None, typer.Option(help="Column with the axis.")] = None,
    axis: Annotated[
        str | None, typer.Option(help="time (default) or depth.", metavar="time|depth")
    ] = None,
    axis_unit: Annotated[
        str | None, typer.Option(help="s, ms, min; nm, um, A; default as the header says.")
    ] = None,
    header_rows: Annotated[int | None, typer.Option(help="Lines before the data.")] = None,
    names_row: Annotated[int | None, typer.Option(help="Line with the column names.")] = None,
    drop_last_rows: Annotated[
        int | None, typer.Option(min=0, help="Rows to leave out at the end.")
    ] = None,
    figure: Annotated[Path | None, file_option(help="Draw it (png, pdf or svg).")] = None,
    json: JsonForTable = False,
) -> None:
    """Standard figures of an edge (ASTM E1636) or of a delta layer (ISO 20341)."""
    from craterfront.answers.edge_and_delta import standard_figures
    from craterfront.reports.report import print_standard_figures
    from craterfront.reports.resolution_figures import resolution_figure

    _check_word("--feature", feature, ("edge", "delta"))
    if axis is not None:
        _check_word("--axis", axis, ("time", "depth"))
    _check_numbers(start, end, counts)
    check_outputs((profile, experiment), figures=(figure,))
    asked = {
        "axis_column": axis_column,
        "axis": axis,
        "axis_unit": axis_unit,
        "header_rows": header_rows,
        "names_row": names_row,
        "drop_last_rows": drop_last_rows,
    }
    reading = {name: value for name, value in asked.items() if value is not None}
    measured = _profile_with(profile, channel, experiment, reading)
    low, high = measured.middle[[0, -1]]
    window = (low if start is None else start, high if end is None else end)
    with located(profile):
        found = standard_figures(
            measured, channel, "edge" if feature == "edge" else "delta", window, counts
        )
    draw(figure, resolution_figure, found)
    give(found.as_dict(), partial(print_standard_figures, found), json=json)


def _profile_with(
    place: Path, channel: str, experiment: Path | None, reading: dict[str, Any]
) -> "MeasuredProfile":
    """A profile read as an experiment says, or one column of it as the options say."""
    from craterfront.experiments.experiment import load_experiment
    from craterfront.measured_files.files import is_netcdf, load_column, load_profile

    without_effect = ", ".join(f"--{name.replace('_', '-')}" for name in reading)
    if without_effect and experiment is not None:
        problem = f"{without_effect}: of no effect with -e, whose [profile] says how a file is read"
        raise InputProblems([problem])
    if without_effect and is_netcdf(place):
        problem = f"{without_effect}: of no effect on netCDF, which says itself what it holds"
        raise InputProblems([problem], str(place))
    if experiment is None:
        return load_column(place, channel, **reading)
    return load_profile(place, load_experiment(experiment))


def _check_numbers(start: float | None, end: float | None, counts: float | None) -> None:
    """What no window and no number of counts can be."""
    problems = [
        f"{option}: must be a finite number, got {value:g}"
        for option, value in (("--from", start), ("--to", end), ("--counts", counts))
        if value is not None and not isfinite(value)
    ]
    if not problems and start is not None and end is not None and not start < end:
        problems.append(f"--to: must be larger than --from {start:g}, got {end:g}")
    if not problems and counts is not None and not counts > 0:
        problems.append(f"--counts: must be > 0, got {counts:g}")
    if problems:
        raise InputProblems(problems)


def _check_word(option: str, value: str, known: tuple[str, ...]) -> None:
    if value not in known:
        raise InputProblems([f"{option}: must be {' or '.join(known)}, got {value!r}"])
