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
SOME_FAILED = 1


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
    also: Path | None = None,
    report: Path | None = None,
) -> None:
    """Refuse early what cannot be written, what is read, too, and what is named twice."""
    from craterfront.file_access import check_writable

    drawn = [figure for figure in figures if figure is not None]
    named = [place for place in (dataset, also, report) if place is not None]
    outputs = [*drawn, *named]
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
    profile: Annotated[list[Path], _file_argument("PROFILE...")],
    experiment: Annotated[
        list[Path],
        _file_option(
            "-e",
            "--experiment",
            help="What is known before; with --together perhaps one for each profile.",
        ),
    ],
    output: Annotated[
        Path | None,
        _file_option(
            "-o", "--output", help="netCDF file to write; with --each and --spots a CSV summary."
        ),
    ] = None,
    instrument: Annotated[
        Path | None, _file_option("--instrument", help="Calibration made by `calibrate`.")
    ] = None,
    each: Annotated[
        bool, typer.Option("--each", help="Invert many profiles one by one: a batch.")
    ] = False,
    spots: Annotated[
        bool, typer.Option("--spots", help="Replicate spots of one sample: means and scatter.")
    ] = False,
    together: Annotated[
        bool, typer.Option("--together", help="Several measurements of one sample as one.")
    ] = False,
    relative: Annotated[
        bool, typer.Option("--relative", help="Answer in seconds at nominal rates.")
    ] = False,
    figure: Annotated[
        Path | None, _file_option(help="Draw fit, residuals and sample (png, pdf or svg).")
    ] = None,
    budget: Annotated[Path | None, _file_option(help="Draw the broadening budget.")] = None,
    posterior: Annotated[
        Path | None, _file_option(help="Sample the posterior and write it (netCDF with groups).")
    ] = None,
    draws: Annotated[
        int | None, typer.Option(help="Draws from the posterior; 1000 by default.")
    ] = None,
    seed: Annotated[
        int | None, typer.Option(min=0, max=2**63 - 1, help="Seed of the draws.")
    ] = None,
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

    _check_mode(len(profile), each=each, spots=spots, together=together)
    if not together and len(experiment) > 1:
        raise InputProblems(["--experiment: is given more than once without --together"])
    _check_sampling(posterior, draws, seed)
    loaded = load_experiment(experiment[0])
    _check_outputs(
        (*profile, *experiment, instrument), output, figure, budget, also=posterior, report=report
    )
    calibration = _instrument(instrument, relative)
    if each or spots:
        single = {
            "--figure": figure,
            "--budget": budget,
            "--posterior": posterior,
            "--report": report,
        }
        _only_of_one("--each" if each else "--spots", single, explain)
        one = _one_by_one(loaded, calibration, relative)
        (_each if each else _spots)(profile, one, output, json, quiet)
        return
    sources = _sources_of(report, *profile, *experiment, *([instrument] if instrument else []))
    from craterfront.results import answer, estimate_dataset

    with _progress(quiet or json) as progress, _located(experiment[0]):
        if together:
            found = _together(_paired(profile, experiment), calibration, relative, progress)
        else:
            measured = load_profile(profile[0], loaded)
            for note in (*loaded.warnings(), *measured.notes):
                _say(f"Note: {note}")
            found = _inverted(measured, loaded, calibration, relative, progress)
    answers = answer(found)
    dataset = estimate_dataset(found, answers)
    if output is not None:
        write_dataset(dataset, output)
    _draw(dataset, answers, figure, budget)
    sampled = None
    if posterior is not None:
        with _progress(quiet or json) as progress:
            sampled = _sampled(found, posterior, draws, seed, progress)
    if report is not None:
        from craterfront.html_report import write_report

        write_report(found, answers, dataset, sources, report)
    if json:
        also = {} if sampled is None else {"posterior": sampled.as_dict()}
        typer.echo(to_json(answers.as_dict() | also, indent=2))
        return
    from craterfront.report import print_answer, print_parameters, print_priors

    console = _console()
    print_answer(answers, console)
    if sampled is not None:
        from craterfront.posterior_report import print_posterior

        print_posterior(sampled, console)
    if explain:
        assembly = found.likelihood.assembly
        print_parameters(assembly.parameters, assembly.linear_rows(), console)
        print_priors(answers, console)
    console.print(ESTIMATE, highlight=False, markup=False)


@app.command(
    epilog="Example: craterfront forecast coating.toml --figure forecast.png",
    help="Before measuring: the uncertainties to expect, and which setting limits each.",
)
def forecast(
    experiment: ExperimentFile,
    relative: Annotated[
        bool, typer.Option("--relative", help="Forecast seconds at nominal rates.")
    ] = False,
    figure: Annotated[
        Path | None, _file_option(help="Draw uncertainties and elasticities (png, pdf or svg).")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress bar.")] = False,
) -> None:
    from craterfront.experiment import load_experiment

    loaded = load_experiment(experiment)
    _check_outputs((experiment,), None, figure)
    from craterfront.forecasting import forecast as run

    for note in loaded.warnings():
        _say(f"Note: {note}")
    with _progress(quiet or json) as progress, _located(experiment):
        found = run(loaded, relative=relative, progress=progress)
        if figure is not None:
            from craterfront.figure_style import save_figure
            from craterfront.forecast_figure import forecast_figure

            save_figure(forecast_figure(found), figure)
    if json:
        typer.echo(found.as_json())
        return
    from craterfront.forecast_report import print_forecast

    console = _console()
    print_forecast(found, console)
    console.print(ESTIMATE, highlight=False, markup=False)


def _instrument(path: Path | None, relative: bool) -> Any:
    """A calibration, if one is named."""
    if path is None:
        return None
    if relative:
        raise InputProblems(["--relative: a calibration has lengths and rates in nm; leave it out"])
    from craterfront.instrument_file import load_instrument

    return load_instrument(path)


def _inverted(
    measured: Any,
    loaded: Any,
    calibration: Any,
    relative: bool,
    progress: Callable[[str, float], None] | None,
) -> Any:
    """An inversion with or without a calibrated instrument."""
    if calibration is None:
        from craterfront.inversion import invert as run

        return run(measured, loaded, relative=relative, progress=progress)
    from craterfront.instrument_use import invert_with_instrument

    return invert_with_instrument(measured, loaded, calibration, progress=progress)


def _check_mode(count: int, *, each: bool, spots: bool, together: bool) -> None:
    """Several profiles need a word on what they are to each other."""
    asked = {"--each": each, "--spots": spots, "--together": together}
    given = [option for option, is_given in asked.items() if is_given]
    if len(given) > 1:
        raise InputProblems([f"{' and '.join(given)}: take only one of them"])
    if count > 1 and not given:
        raise InputProblems(
            [
                f"{count} profiles: say what they are: --each (one by one), --spots (replicates"
                " of one sample) or --together (measurements of one sample as one)"
            ]
        )
    if count < 2 and (spots or together):
        raise InputProblems([f"{given[0]}: takes at least 2 profiles, got {count}"])


def _only_of_one(mode: str, files: dict[str, Path | None], explain: bool) -> None:
    """Refuse what makes sense for a single inversion only."""
    asked = {option: place is not None for option, place in files.items()} | {"--explain": explain}
    for option, is_given in asked.items():
        if is_given:
            raise InputProblems([f"{option}: is for a single inversion, not with {mode}"])


def _one_by_one(loaded: Any, calibration: Any, relative: bool) -> Callable[[str], Any]:
    """Reads and inverts one profile of several with the same experiment."""
    from craterfront.files import load_profile

    for note in loaded.warnings():
        _say(f"Note: {note}")

    def one(place: str) -> Any:
        measured = load_profile(place, loaded)
        return _inverted(measured, loaded, calibration, relative, None)

    return one


def _each(
    profiles: list[Path], one: Callable[[str], Any], output: Path | None, json: bool, quiet: bool
) -> None:
    """A batch; exit status 1 where some profiles failed."""
    from craterfront.batch import invert_each
    from craterfront.file_access import write_text

    with _progress(quiet or json) as progress:
        batch = invert_each([str(place) for place in profiles], one, progress)
    if output is not None:
        write_text(output, batch.as_csv())
    if json:
        typer.echo(to_json(batch.rows, indent=2))
    elif output is None:
        typer.echo(batch.as_csv(), nl=False)
    for row in batch.rows:
        if "message" in row:
            _say(f"{row['profile']}: {row['message']}")
    _say(f"{len(profiles) - len(batch.failed)} of {len(profiles)} profiles inverted")
    if batch.failed:
        raise typer.Exit(SOME_FAILED)


def _spots(
    profiles: list[Path], one: Callable[[str], Any], output: Path | None, json: bool, quiet: bool
) -> None:
    from craterfront.file_access import write_text
    from craterfront.replicates import combine_spots
    from craterfront.report import print_spots

    inversions = []
    with _progress(quiet or json) as progress:
        for i, place in enumerate(profiles):
            progress(place.name, i / len(profiles))
            with _located(place):
                inversions.append(one(str(place)))
    found = combine_spots(inversions)
    if output is not None:
        write_text(output, found.as_csv())
    if json:
        typer.echo(to_json(found.as_dict(), indent=2))
        return
    console = _console()
    print_spots(found, console)
    console.print(ESTIMATE, highlight=False, markup=False)


def _together(
    pairs: list[tuple[Path, Any, Path]],
    calibration: Any,
    relative: bool,
    progress: Callable[[str, float], None],
) -> Any:
    if relative:
        raise InputProblems(["--relative: not with --together, which shares lengths"])
    from craterfront.joint_inversion import invert_together

    return invert_together(_measurements(pairs), instrument=calibration, progress=progress)


def _measurements(pairs: list[tuple[Path, Any, Path]]) -> list[Any]:
    """Profiles read with their experiments; notes are said."""
    from craterfront.files import load_profile
    from craterfront.measurement_chain import Measurement

    read = []
    for place, loaded, named in pairs:
        measured = load_profile(place, loaded)
        for note in (*loaded.warnings(), *measured.notes):
            _say(f"Note: {note}")
        read.append(Measurement(measured, loaded, str(named)))
    return read


@app.command(
    epilog="Example: craterfront calibrate reference.nc -e reference.toml -o instrument.toml",
    help="Calibrate the instrument on samples that are nearly known, for `invert --instrument`.",
)
def calibrate(
    profile: Annotated[list[Path], _file_argument("PROFILE...")],
    experiment: Annotated[
        list[Path],
        _file_option(
            "-e",
            "--experiment",
            help="The reference; one for all profiles, or one for each in their order.",
        ),
    ],
    output: Annotated[Path, _file_option("-o", "--output", help="Instrument file to write.")],
    title: Annotated[str, typer.Option(help="What the file is to say of itself.")] = "",
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress bar.")] = False,
) -> None:
    pairs = _paired(profile, experiment)
    _check_outputs((*profile, *experiment), output)
    from craterfront.instrument_calibration import calibrate as run
    from craterfront.instrument_file import write_instrument
    from craterfront.report import print_instrument

    references = _measurements(pairs)
    with _progress(quiet) as progress, _located(experiment[0]):
        found = run(references, title=title, progress=progress)
    write_instrument(found.calibration, output)
    for warning in found.warnings:
        _say(f"Note: {warning}")
    print_instrument(found.calibration, _console())
    _say(f"{output}: {len(found.calibration.number)} numbers from {len(references)} references")


def _paired(profiles: list[Path], experiments: list[Path]) -> list[tuple[Path, Any, Path]]:
    """Profiles with their experiments and the files of these: one for all, or one for each."""
    from craterfront.experiment import load_experiment

    if len(experiments) not in (1, len(profiles)):
        raise InputProblems(
            [
                f"--experiment: give one for all {len(profiles)} profiles or one for each, got"
                f" {len(experiments)}"
            ]
        )
    loaded = {path: load_experiment(path) for path in dict.fromkeys(experiments)}
    of_each = experiments * (len(profiles) if len(experiments) == 1 else 1)
    return [(p, loaded[e], e) for p, e in zip(profiles, of_each, strict=True)]


def _check_sampling(posterior: Path | None, draws: int | None, seed: int | None) -> None:
    """Options of the draws without a file for them."""
    given = [
        option for option, value in (("--draws", draws), ("--seed", seed)) if value is not None
    ]
    if given and posterior is None:
        raise InputProblems([f"{', '.join(given)}: of no effect without --posterior"])
    if draws is not None:
        from craterfront.sampled_posterior import check_draws

        check_draws(draws, "--draws")


def _sampled(
    found: Any,
    place: Path,
    draws: int | None,
    seed: int | None,
    progress: Callable[[str, float], None],
) -> Any:
    """Draws from the posterior, written to their file."""
    from craterfront.posterior_tree import posterior_tree, write_posterior
    from craterfront.sampled_posterior import DRAWS, sample_posterior

    sampled = sample_posterior(found, draws=draws or DRAWS, seed=seed, progress=progress)
    write_posterior(posterior_tree(sampled), place)
    return sampled


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
    epilog="Example: craterfront unfold profile.nc -e graded.toml -o depth.nc --figure depth.png",
    help="Composition against depth without layers, with a band and the effective resolution.",
)
def unfold(
    profile: ProfileFile,
    experiment: Annotated[
        Path, _file_option("-e", "--experiment", help="Instrument, and materials in between.")
    ],
    output: Annotated[
        Path | None, _file_option("-o", "--output", help="netCDF file to write.")
    ] = None,
    figure: Annotated[
        Path | None, _file_option(help="Draw composition and resolution (png, pdf or svg).")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress bar.")] = False,
) -> None:
    from craterfront.experiment import load_experiment
    from craterfront.files import load_profile, write_dataset

    loaded = load_experiment(experiment)
    _check_outputs((profile, experiment), output, figure)
    measured = load_profile(profile, loaded)
    from craterfront.unfolded import answer_as_dict, unfolded_dataset
    from craterfront.unfolding import unfold as run

    for note in (*loaded.warnings(), *measured.notes):
        _say(f"Note: {note}")
    with _progress(quiet or json) as progress, _located(experiment):
        found = run(measured, loaded, progress=progress)
    dataset = unfolded_dataset(found)
    if output is not None:
        write_dataset(dataset, output)
    if figure is not None:
        from craterfront.figure_style import save_figure
        from craterfront.unfolding_figure import unfolding_figure

        save_figure(unfolding_figure(dataset), figure)
    if json:
        typer.echo(to_json(answer_as_dict(found), indent=2))
        return
    from craterfront.unfolding_report import print_unfolded

    console = _console()
    print_unfolded(answer_as_dict(found), console)
    console.print(ESTIMATE, highlight=False, markup=False)


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


@app.command(
    epilog="Example: craterfront crater trace.txt --diameter-mm 4 -o crater.toml",
    help="Shape and mean depth of a crater from a stylus trace (x, z) through its centre.",
)
def crater(
    trace: Annotated[Path, _file_argument("TRACE")],
    diameter_mm: Annotated[
        float | None,
        typer.Option(help="Of the analysed area; default the distance of the crater's edges."),
    ] = None,
    scale_u_rel: Annotated[
        float, typer.Option(help="Relative standard uncertainty of the stylus' height scale.")
    ] = 0.0,
    x_unit: Annotated[
        str | None, typer.Option(help="mm, um, nm or A; default as the header says.")
    ] = None,
    z_unit: Annotated[str | None, typer.Option(help="The same of the heights.")] = None,
    output: Annotated[
        Path | None,
        _file_option("-o", "--output", help="Tables for the experiment file to write."),
    ] = None,
    figure: Annotated[Path | None, _file_option(help="Draw it (png, pdf or svg).")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")] = False,
) -> None:
    from craterfront.file_access import write_text
    from craterfront.report import print_crater
    from craterfront.stylus_trace import crater_of, read_trace

    _check_crater_numbers(diameter_mm, scale_u_rel)
    _check_outputs((trace,), output, figure)
    read = read_trace(trace, x_unit, z_unit)
    traced = crater_of(read, diameter_mm, scale_u_rel)
    if output is not None:
        write_text(output, traced.as_toml())
    if figure is not None:
        from craterfront.figure_style import save_figure
        from craterfront.stylus_figure import trace_figure

        save_figure(trace_figure(read, traced), figure)
    if json:
        typer.echo(to_json(traced.as_dict(), indent=2))
        return
    print_crater(traced, _console())


def _check_crater_numbers(diameter_mm: float | None, scale_u_rel: float) -> None:
    problems = []
    if diameter_mm is not None and not 0 < diameter_mm < 1e4:
        problems.append(f"--diameter-mm: must be > 0 and < 1e4, got {diameter_mm:g}")
    if not 0 <= scale_u_rel < 1:
        problems.append(f"--scale-u-rel: must be from 0 to below 1, got {scale_u_rel:g}")
    if problems:
        raise InputProblems(problems)


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
