"""The command `unfold`."""

from functools import partial
from pathlib import Path
from typing import Annotated

from craterfront.cautions import ESTIMATE
from craterfront.commands.files import check_outputs, draw, located, profile_of
from craterfront.commands.options import Dataset, Json, ProfileFile, Quiet, file_option
from craterfront.commands.terminal import give, progress_bar

EXAMPLE = "Example: craterfront unfold profile.nc -e graded.toml -o depth.nc --figure depth.png"


def unfold(
    profile: ProfileFile,
    experiment: Annotated[
        Path, file_option("-e", "--experiment", help="Instrument, and materials in between.")
    ],
    output: Dataset = None,
    figure: Annotated[
        Path | None, file_option(help="Draw composition and resolution (png, pdf or svg).")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Composition against depth without layers, with a band and the effective resolution."""
    from craterfront.experiments.experiment import load_experiment
    from craterfront.measured_files.files import write_dataset

    loaded = load_experiment(experiment)
    check_outputs((profile, experiment), output, figures=(figure,))
    measured = profile_of(profile, loaded)
    from craterfront.reports.unfolding_figure import unfolding_figure
    from craterfront.reports.unfolding_report import print_unfolded
    from craterfront.unfolding.unfolded import answer_as_dict, unfolded_dataset
    from craterfront.unfolding.unfolding import unfold as run

    with progress_bar(quiet or json) as progress, located(experiment):
        found = run(measured, loaded, progress=progress)
    dataset = unfolded_dataset(found)
    if output is not None:
        write_dataset(dataset, output)
    draw(figure, unfolding_figure, dataset)
    answer = answer_as_dict(found)
    give(answer, partial(print_unfolded, answer), ESTIMATE, json=json)
