"""The command line."""

import os
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from json import dumps as to_json
from math import isfinite
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console

from craterfront import __version__
from craterfront.cautions import CAUTION, ESTIMATE
from craterfront.problems import InputProblems

app = typer.Typer(
    name="craterfront",
    help="Simulate sputtering depth profiles of layered samples and invert measured ones.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

BAD_INPUT = 2


def _file_argument(metavar: str) -> Any:
    return typer.Argument(metavar=metavar, show_default=False, readable=False)


def _file_option(*names: str, help: str) -> Any:
    """A path; whether it can be read or written is checked by what does so, in our words."""
    return typer.Option(*names, help=help, show_default=False, readable=False)


ExperimentFile = Annotated[Path, _file_argument("EXPERIMENT.toml")]
ProfileFile = Annotated[Path, _file_argument("PROFILE")]


def _console() -> Console:
    return Console(width=None if sys.stdout.isatty() else 110)


def _say(text: str) -> None:
    """What belongs beside the result goes to standard error."""
    typer.echo(text, err=True)


@contextmanager
def _progress(quiet: bool) -> Iterator[Callable[[str, float], None]]:
    """A progress bar on standard error; silent when asked or when nobody watches."""
    if quiet or not sys.stderr.isatty():
        yield lambda stage, share: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:<14}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda stage, share: bar.update(task, description=stage, completed=share)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"craterfront {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


@app.command(
    epilog="Example: craterfront demo --directory mirror-demo",
    help="A complete round on an invented sample: simulate, invert, compare with the truth.",
)
def demo(
    directory: Annotated[
        Path, typer.Option(help="Where figures and files go; created if missing.", readable=False)
    ] = Path("craterfront-demo"),
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress bar.")] = False,
) -> None:
    from craterfront.demo import STORY, check_directory, run_demo
    from craterfront.report import print_answer, print_comparison

    check_directory(directory)
    console = _console()
    console.print(STORY, highlight=False, markup=False)
    console.print(CAUTION, style="italic", highlight=False, markup=False)
    with _progress(quiet) as progress:
        answer, rows = run_demo(directory, progress)
    print_answer(answer, console)
    print_comparison(rows, console)
    console.print(ESTIMATE, highlight=False, markup=False)
    where = f"Figures and files are in {directory}: profile.png, fit.png, budget.png, ..."
    console.print(where, highlight=False, markup=False)


@app.command(
    epilog="Example: craterfront check coating.toml --explain",
    help="Check an experiment file: all mistakes at once, with their places.",
)
def check(
    experiment: ExperimentFile,
    explain: Annotated[
        bool,
        typer.Option("--explain", help="Table of what is fixed, has a prior, is assumed or free."),
    ] = False,
    rates: Annotated[
        Path | None,
        _file_option(help="Draw a lamp's rates against voltage (png, pdf or svg)."),
    ] = None,
) -> None:
    from craterfront.assembly import Assembly
    from craterfront.experiment import load_experiment
    from craterfront.report import print_asked, print_parameters, print_stack

    loaded = load_experiment(experiment)
    _check_outputs((experiment,), None, rates)
    console = _console()
    with _located(experiment):
        assembly = Assembly(
            loaded.stack,
            loaded.setup,
            depth_axis=loaded.profile.axis == "depth",
            merge_equal=False,
        )
        if rates is not None:
            from craterfront.figure_style import save_figure
            from craterfront.lamp_figure import rate_law_figure

            save_figure(rate_law_figure(loaded), rates)
    print_stack(assembly, console)
    for warning in (*loaded.warnings(), *assembly.warnings):
        console.print(f"Note: {warning}", highlight=False, markup=False)
    if explain:
        print_parameters(assembly.parameters, assembly.linear_rows(), console)
        print_asked(loaded, console)
    if loaded.setup.source is not None:
        console.print(CAUTION, style="italic", highlight=False, markup=False)
    console.print(f"{experiment}: no mistakes", highlight=False, markup=False)


@app.command(
    epilog="Example: craterfront simulate coating.toml -o profile.nc --figure profile.png --seed 1",
    help="Simulate the profile of a sample.",
)
def simulate(
    experiment: ExperimentFile,
    output: Annotated[Path, _file_option("-o", "--output", help="netCDF file to write.")],
    figure: Annotated[Path | None, _file_option(help="Draw the profile (png, pdf or svg).")] = None,
    seed: Annotated[
        int | None, typer.Option(min=0, max=2**63 - 1, help="Seed of the noise.")
    ] = None,
    exposure: Annotated[
        bool,
        typer.Option(
            "--exposure",
            help="Add the exposure matrix (large); with --figure NAME.png also NAME-exposure.png.",
        ),
    ] = False,
    resolved: Annotated[
        bool,
        typer.Option(
            "--resolved", help="Erode the crater annulus by annulus, with all that couples them."
        ),
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but mistakes.")] = False,
) -> None:
    from craterfront.experiment import load_experiment
    from craterfront.files import write_dataset

    loaded = load_experiment(experiment)
    matrix = None
    if exposure and figure is not None:
        matrix = figure.with_stem(f"{figure.stem}-exposure")
    _check_outputs((experiment,), output, figure, matrix)
    from craterfront.forward import simulate as run

    with _progress(quiet) as progress, _located(experiment):
        dataset = run(
            loaded.stack,
            loaded.setup,
            seed=seed,
            exposure=exposure,
            title=loaded.title,
            resolved=resolved,
            progress=progress,
        )
    write_dataset(dataset, output)
    if figure is not None:
        from craterfront.figure_style import save_figure
        from craterfront.figures import exposure_figure, profile_figure

        save_figure(profile_figure(dataset), figure)
        if matrix is not None:
            save_figure(exposure_figure(dataset), matrix)
    if quiet:
        return
    for note in (*loaded.warnings(), *_notes_on_couplings(loaded, dataset)):
        _say(f"Note: {note}")
    if loaded.setup.source is not None:
        _say(CAUTION)
    readings, channels = dataset.sizes["time"], dataset.sizes["channel"]
    _say(
        f"{output}: {readings} readings of {channels} channels, "
        f"{float(dataset['mean_depth'][-1]):.4g} nm deep, seed {dataset.attrs['seed']}"
    )


def _notes_on_couplings(loaded: Any, dataset: Any) -> list[str]:
    """What a resolved run leaves out, or why there should be one."""
    if "notes" in dataset.attrs:
        return dataset.attrs["notes"].splitlines()
    from craterfront.assembly import Assembly
    from craterfront.resolved import recommendations

    return recommendations(Assembly(loaded.stack, loaded.setup))


def _check_outputs(
    inputs: tuple[Path | None, ...],
    dataset: Path | None,
    *figures: Path | None,
    report: Path | None = None,
) -> None:
    """Refuse early what cannot be written, what is read, too, and what is named twice."""
    from craterfront.file_access import check_writable

    drawn = [figure for figure in figures if figure is not None]
    outputs = [*drawn, *(place for place in (dataset, report) if place is not None)]
    read = {os.path.realpath(place) for place in inputs if place is not None}
    seen: set[str] = set()
    for place in outputs:
        real = os.path.realpath(place)
        if real in read:
            raise InputProblems(["is named as input and as output"], str(place))
        if real in seen:
            raise InputProblems(["is named for two outputs"], str(place))
        seen.add(real)
        check_writable(place)
    if drawn:
        from craterfront.figure_style import check_suffix

        for figure in drawn:
            check_suffix(figure)
    if report is not None:
        from craterfront.report_page import check_report_suffix

        check_report_suffix(report)


@contextmanager
def _located(path: Path) -> Iterator[None]:
    """Add the file to problems that only the physics could find."""
    try:
        yield
    except InputProblems as problems:
        source = problems.source or str(path)
        raise InputProblems(problems.problems, source) from None
    except (ValueError, ArithmeticError, MemoryError) as error:
        # Each number is possible, but the models cannot compute with all of them together.
        raise InputProblems([f"cannot be computed: {error}"], str(path)) from error


@app.command(
    epilog="Example: craterfront invert profile.nc -e coating.toml -o estimate.nc --figure fit.png",
    help="Invert a measured profile: layer thicknesses, interface widths, coating mass.",
)
def invert(
    profile: ProfileFile,
    experiment: Annotated[Path, _file_option("-e", "--experiment", help="What is known before.")],
    output: Annotated[
        Path | None, _file_option("-o", "--output", help="netCDF file to write.")
    ] = None,
    relative: Annotated[
        bool, typer.Option("--relative", help="Answer in seconds at nominal rates.")
    ] = False,
    figure: Annotated[
        Path | None, _file_option(help="Draw fit, residuals and sample (png, pdf or svg).")
    ] = None,
    budget: Annotated[Path | None, _file_option(help="Draw the broadening budget.")] = None,
    report: Annotated[
        Path | None, _file_option(help="Page with answers, figures and assumptions (html).")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")] = False,
    explain: Annotated[
        bool, typer.Option("--explain", help="Also print what was known before the data.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress bar.")] = False,
) -> None:
    from craterfront.experiment import load_experiment
    from craterfront.files import load_profile, write_dataset

    loaded = load_experiment(experiment)
    _check_outputs((profile, experiment), output, figure, budget, report=report)
    sources = _sources_of(report, profile, experiment)
    measured = load_profile(profile, loaded)
    from craterfront.inversion import invert as run
    from craterfront.results import answer, estimate_dataset

    for note in (*loaded.warnings(), *measured.notes):
        _say(f"Note: {note}")
    with _progress(quiet or json) as progress, _located(experiment):
        found = run(measured, loaded, relative=relative, progress=progress)
    answers = answer(found)
    dataset = estimate_dataset(found, answers)
    if output is not None:
        write_dataset(dataset, output)
    _draw(dataset, answers, figure, budget)
    if report is not None:
        from craterfront.html_report import write_report

        write_report(found, answers, dataset, sources, report)
    if json:
        typer.echo(answers.as_json())
        return
    from craterfront.report import print_answer, print_parameters, print_priors

    console = _console()
    print_answer(answers, console)
    if explain:
        assembly = found.likelihood.assembly
        print_parameters(assembly.parameters, assembly.linear_rows(), console)
        print_priors(answers, console)
    console.print(ESTIMATE, highlight=False, markup=False)


def _sources_of(report: Path | None, *inputs: Path) -> Any:
    """What a report says of the files; as they are before anything is computed from them."""
    if report is None:
        return ()
    from craterfront.input_files import input_files

    return input_files(*inputs)


def _draw(dataset: Any, answers: Any, figure: Path | None, budget: Path | None) -> None:
    if figure is None and budget is None:
        return
    from craterfront.figure_style import save_figure
    from craterfront.figures import fit_figure
    from craterfront.resolution_figures import budget_figure

    if figure is not None:
        save_figure(fit_figure(dataset, answers), figure)
    if budget is not None:
        save_figure(budget_figure(answers.budgets, answers.unit), budget)


@app.command(
    epilog="Example: craterfront resolution profile.txt --channel B --feature delta "
    '--axis-column "time (s)"',
    help="Standard figures of an edge (ASTM E1636) or of a delta layer (ISO 20341).",
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
        _file_option("-e", "--experiment", help="Take [profile] and channels from this file."),
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
    figure: Annotated[Path | None, _file_option(help="Draw it (png, pdf or svg).")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")] = False,
) -> None:
    from craterfront.edge_and_delta import standard_figures

    _one_of("--feature", feature, ("edge", "delta"))
    if axis is not None:
        _one_of("--axis", axis, ("time", "depth"))
    _check_numbers(start, end, counts)
    _check_outputs((profile, experiment), None, figure)
    reading = {
        "axis_column": axis_column,
        "axis": axis,
        "axis_unit": axis_unit,
        "header_rows": header_rows,
        "names_row": names_row,
        "drop_last_rows": drop_last_rows,
    }
    reading = {name: value for name, value in reading.items() if value is not None}
    measured = _profile_with(profile, channel, experiment, reading)
    low, high = measured.middle[[0, -1]]
    window = (low if start is None else start, high if end is None else end)
    with _located(profile):
        found = standard_figures(
            measured, channel, "edge" if feature == "edge" else "delta", window, counts
        )
    _show_figures(found, figure, json)


def _show_figures(found: Any, figure: Path | None, json: bool) -> None:
    if figure is not None:
        from craterfront.figure_style import save_figure
        from craterfront.resolution_figures import resolution_figure

        save_figure(resolution_figure(found), figure)
    if json:
        typer.echo(to_json(found.as_dict(), indent=2))
        return
    from craterfront.report import print_standard_figures

    print_standard_figures(found, _console())


def _profile_with(
    place: Path, channel: str, experiment: Path | None, reading: dict[str, Any]
) -> Any:
    """A profile read as an experiment says, or one column of it as the options say."""
    from craterfront.files import is_netcdf, load_column, load_profile

    without_effect = ", ".join(f"--{name.replace('_', '-')}" for name in reading)
    if without_effect and experiment is not None:
        problem = f"{without_effect}: of no effect with -e, whose [profile] says how a file is read"
        raise InputProblems([problem])
    if without_effect and is_netcdf(place):
        problem = f"{without_effect}: of no effect on netCDF, which says itself what it holds"
        raise InputProblems([problem], str(place))
    if experiment is None:
        return load_column(place, channel, **reading)
    from craterfront.experiment import load_experiment

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


def _one_of(option: str, value: str, known: tuple[str, ...]) -> None:
    if value not in known:
        raise InputProblems([f"{option}: must be {' or '.join(known)}, got {value!r}"])


@app.command(
    epilog='Example: craterfront quantify profile.nc -c lines.toml -o depth.nc --boundary "Fe=0.5"',
    help="Composition against depth by sum normalisation, from calibrated intensities.",
)
def quantify(
    profile: ProfileFile,
    calibration: Annotated[
        Path, _file_option("-c", "--calibration", help="Lines, references, area.")
    ],
    output: Annotated[
        Path | None, _file_option("-o", "--output", help="netCDF file to write.")
    ] = None,
    boundary: Annotated[
        list[str] | None,
        typer.Option(
            help="Give thickness and mass down to where an element passes a mass fraction; may be"
            " repeated.",
            metavar="ELEMENT=FRACTION",
        ),
    ] = None,
    figure: Annotated[
        Path | None, _file_option(help="Draw composition against depth (png, pdf or svg).")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")] = False,
) -> None:
    from craterfront.calibration import load_calibration
    from craterfront.files import read_channels, write_dataset

    known = load_calibration(calibration)
    _check_outputs((profile, calibration), output, figure)
    from craterfront.quantification import answer_as_dict, read_boundaries
    from craterfront.quantification import quantify as run

    boundaries = read_boundaries(boundary or (), "--boundary")
    measured = read_channels(profile, known.channels(), known.profile, only_these=True)
    with _located(profile):
        dataset = run(measured, known, boundaries)
    if output is not None:
        write_dataset(dataset, output)
    if figure is not None:
        from craterfront.composition_figure import composition_figure
        from craterfront.figure_style import save_figure

        save_figure(composition_figure(dataset), figure)
    if json:
        typer.echo(to_json(answer_as_dict(dataset), indent=2))
        return
    from craterfront.report import print_quantified

    console = _console()
    print_quantified(answer_as_dict(dataset), console)
    console.print(ESTIMATE, highlight=False, markup=False)


def _say_warning(message: Warning | str, *_: Any, **__: Any) -> None:
    """A formula used outside its range is worth a note, not a line of its source code."""
    _say(f"Note: {message}")


def main() -> None:
    """Entry point: one clear message and exit status 2 for whatever is wrong with the input."""
    # Matrices here are small: threads in linear algebra cost more than they gain.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    warnings.showwarning = _say_warning
    try:
        app(standalone_mode=True)
    except InputProblems as problems:
        _say(str(problems))
        sys.exit(BAD_INPUT)


if __name__ == "__main__":
    main()
