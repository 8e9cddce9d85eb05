"""The command `simulate`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from craterfront.cautions import CAUTION
from craterfront.commands.files import check_outputs, draw, located
from craterfront.commands.options import ExperimentFile, file_option
from craterfront.commands.terminal import progress_bar, say, say_notes

if TYPE_CHECKING:
    from xarray import Dataset

    from craterfront.experiments.experiment import Experiment

EXAMPLE = "Example: craterfront simulate coating.toml -o profile.nc --figure profile.png --seed 1"


def simulate(
    experiment: ExperimentFile,
    output: Annotated[Path, file_option("-o", "--output", help="netCDF file to write.")],
    figure: Annotated[Path | None, file_option(help="Draw the profile (png, pdf or svg).")] = None,
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
    """Simulate the profile of a sample."""
    from craterfront.experiments.experiment import load_experiment
    from craterfront.measured_files.files import write_dataset

    loaded = load_experiment(experiment)
    matrix = figure.with_stem(f"{figure.stem}-exposure") if figure and exposure else None
    check_outputs((experiment,), output, figures=(figure, matrix))
    from craterfront.forward_model.forward import simulate as run
    from craterfront.reports.figures import exposure_figure, profile_figure

    with progress_bar(quiet) as progress, located(experiment):
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
    draw(figure, profile_figure, dataset)
    draw(matrix, exposure_figure, dataset)
    if not quiet:
        _say_what_was_written(output, loaded, dataset)


def _say_what_was_written(output: Path, loaded: "Experiment", dataset: "Dataset") -> None:
    say_notes((*loaded.warnings(), *_notes_on_couplings(loaded, dataset)))
    if loaded.setup.source is not None:
        say(CAUTION)
    readings, channels = dataset.sizes["time"], dataset.sizes["channel"]
    say(
        f"{output}: {readings} readings of {channels} channels, "
        f"{float(dataset['mean_depth'][-1]):.4g} nm deep, seed {dataset.attrs['seed']}"
    )


def _notes_on_couplings(loaded: "Experiment", dataset: "Dataset") -> list[str]:
    """What a resolved run leaves out, or why there should be one."""
    if "notes" in dataset.attrs:
        return dataset.attrs["notes"].splitlines()
    from craterfront.forward_model.assembly import Assembly
    from craterfront.forward_model.resolved import recommendations

    return recommendations(Assembly(loaded.stack, loaded.setup))
