"""The command `quantify`."""

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from craterfront.cautions import ESTIMATE
from craterfront.commands.files import check_outputs, draw, located
from craterfront.commands.options import Dataset, Json, ProfileFile, file_option
from craterfront.commands.terminal import give

EXAMPLE = 'Example: craterfront quantify profile.nc -c lines.toml -o depth.nc --boundary "Fe=0.5"'


def quantify(
    profile: ProfileFile,
    calibration: Annotated[
        Path, file_option("-c", "--calibration", help="Lines, references, area.")
    ],
    output: Dataset = None,
    boundary: Annotated[
        list[str] | None,
        typer.Option(
            help="Give thickness and mass down to where an element passes a mass fraction; may be"
            " repeated.",
            metavar="ELEMENT=FRACTION",
        ),
    ] = None,
    figure: Annotated[
        Path | None, file_option(help="Draw composition against depth (png, pdf or svg).")
    ] = None,
    json: Json = False,
) -> None:
    """Composition against depth by sum normalisation, from calibrated intensities."""
    from craterfront.measured_files.files import read_channels, write_dataset
    from craterfront.quantification.calibration import load_calibration

    known = load_calibration(calibration)
    check_outputs((profile, calibration), output, figures=(figure,))
    from craterfront.quantification.boundaries import read_boundaries
    from craterfront.quantification.quantification import quantify as run
    from craterfront.quantification.quantified_dataset import answer_as_dict
    from craterfront.reports.composition_figure import composition_figure
    from craterfront.reports.report import print_quantified

    boundaries = read_boundaries(boundary or (), "--boundary")
    measured = read_channels(profile, known.channels(), known.profile, only_these=True)
    with located(profile):
        dataset = run(measured, known, boundaries)
    if output is not None:
        write_dataset(dataset, output)
    draw(figure, composition_figure, dataset)
    answer = answer_as_dict(dataset)
    give(answer, partial(print_quantified, answer), ESTIMATE, json=json)
