"""The command `invert`."""

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from craterfront.commands.files import located, profile_of
from craterfront.commands.measurements import measurements, paired
from craterfront.commands.options import Json, ProfileFiles, Quiet, Seed, file_option
from craterfront.commands.several_profiles import check_mode, invert_each, invert_spots
from craterfront.commands.single_inversion import Outputs, hand_out
from craterfront.commands.terminal import progress_bar, say_notes
from craterfront.problems import InputProblems
from craterfront.progress import Progress

if TYPE_CHECKING:
    from craterfront.experiments.experiment import Experiment
    from craterfront.fitting.inversion import Inversion
    from craterfront.instruments.instrument_file import InstrumentCalibration
    from craterfront.measured_files.measured_profile import MeasuredProfile

EXAMPLE = "Example: craterfront invert profile.nc -e coating.toml -o estimate.nc --figure fit.png"


def invert(
    profile: ProfileFiles,
    experiment: Annotated[
        list[Path],
        file_option(
            "-e",
            "--experiment",
            help="What is known before; with --together perhaps one for each profile.",
        ),
    ],
    output: Annotated[
        Path | None,
        file_option(
            "-o", "--output", help="netCDF file to write; with --each and --spots a CSV summary."
        ),
    ] = None,
    instrument: Annotated[
        Path | None, file_option("--instrument", help="Calibration made by `calibrate`.")
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
        Path | None, file_option(help="Draw fit, residuals and sample (png, pdf or svg).")
    ] = None,
    budget: Annotated[Path | None, file_option(help="Draw the broadening budget.")] = None,
    posterior: Annotated[
        Path | None, file_option(help="Sample the posterior and write it (netCDF with groups).")
    ] = None,
    draws: Annotated[
        int | None, typer.Option(help="Draws from the posterior; 1000 by default.")
    ] = None,
    seed: Seed = None,
    report: Annotated[
        Path | None, file_option(help="Page with answers, figures and assumptions (html).")
    ] = None,
    json: Json = False,
    explain: Annotated[
        bool, typer.Option("--explain", help="Also print what was known before the data.")
    ] = False,
    quiet: Quiet = False,
) -> None:
    """Invert a measured profile: layer thicknesses, interface widths, coating mass."""
    from craterfront.experiments.experiment import load_experiment

    outputs = Outputs(output, figure, budget, report, posterior, draws, seed, json, explain, quiet)
    check_mode(len(profile), each=each, spots=spots, together=together)
    if not together and len(experiment) > 1:
        raise InputProblems(["--experiment: is given more than once without --together"])
    outputs.check_sampling()
    loaded = load_experiment(experiment[0])
    inputs = (*profile, *experiment, *((instrument,) if instrument else ()))
    outputs.check_places(inputs)
    calibration = _calibration(instrument, relative)
    if each or spots:
        outputs.refuse_details("--each" if each else "--spots")
        say_notes(loaded.warnings())
        one = partial(_one_of_several, loaded, calibration, relative)
        several = invert_each if each else invert_spots
        several(profile, one, output, json=json, quiet=outputs.quiet)
        return
    digests = outputs.digests(inputs)
    with progress_bar(outputs.quiet) as progress, located(experiment[0]):
        if together:
            found = _together(profile, experiment, calibration, relative, progress)
        else:
            measured = profile_of(profile[0], loaded)
            found = _inverted(measured, loaded, calibration, relative, progress)
    hand_out(found, outputs, digests)


def _calibration(path: Path | None, relative: bool) -> "InstrumentCalibration | None":
    """A calibration, if one is named."""
    if path is None:
        return None
    if relative:
        raise InputProblems(["--relative: a calibration has lengths and rates in nm; leave it out"])
    from craterfront.instruments.instrument_file import load_instrument

    return load_instrument(path)


def _inverted(
    measured: "MeasuredProfile",
    loaded: "Experiment",
    calibration: "InstrumentCalibration | None",
    relative: bool,
    progress: Progress | None,
) -> "Inversion":
    """An inversion with or without a calibrated instrument."""
    if calibration is None:
        from craterfront.fitting.inversion import invert as run

        return run(measured, loaded, relative=relative, progress=progress)
    from craterfront.instruments.instrument_inversion import invert_with_instrument

    return invert_with_instrument(measured, loaded, calibration, progress=progress)


def _one_of_several(
    loaded: "Experiment",
    calibration: "InstrumentCalibration | None",
    relative: bool,
    place: str,
) -> "Inversion":
    """One profile of several with the same experiment."""
    from craterfront.measured_files.files import load_profile

    return _inverted(load_profile(place, loaded), loaded, calibration, relative, None)


def _together(
    profiles: list[Path],
    experiments: list[Path],
    calibration: "InstrumentCalibration | None",
    relative: bool,
    progress: Progress,
) -> "Inversion":
    pairs = paired(profiles, experiments)
    if relative:
        raise InputProblems(["--relative: not with --together, which shares lengths"])
    from craterfront.instruments.joint_inversion import invert_together

    return invert_together(measurements(pairs), instrument=calibration, progress=progress)
