"""The command `calibrate`."""

from pathlib import Path
from typing import Annotated

import typer

from craterfront.commands.files import check_outputs, located
from craterfront.commands.measurements import measurements, paired
from craterfront.commands.options import ProfileFiles, Quiet, file_option
from craterfront.commands.terminal import open_console, progress_bar, say, say_notes

EXAMPLE = "Example: craterfront calibrate reference.nc -e reference.toml -o instrument.toml"


def calibrate(
    profile: ProfileFiles,
    experiment: Annotated[
        list[Path],
        file_option(
            "-e",
            "--experiment",
            help="The reference; one for all profiles, or one for each in their order.",
        ),
    ],
    output: Annotated[Path, file_option("-o", "--output", help="Instrument file to write.")],
    title: Annotated[str, typer.Option(help="What the file is to say of itself.")] = "",
    quiet: Quiet = False,
) -> None:
    """Calibrate the instrument on samples that are nearly known, for `invert --instrument`."""
    pairs = paired(profile, experiment)
    check_outputs((*profile, *experiment), output)
    from craterfront.instruments.instrument_calibration import calibrate as run
    from craterfront.instruments.instrument_file import write_instrument
    from craterfront.reports.report import print_instrument

    references = measurements(pairs)
    with progress_bar(quiet) as progress, located(experiment[0]):
        found = run(references, title=title, progress=progress)
    write_instrument(found.calibration, output)
    say_notes(found.warnings)
    print_instrument(found.calibration, open_console())
    many = "references" if len(references) > 1 else "reference"
    say(f"{output}: {len(found.calibration.number)} numbers from {len(references)} {many}")
