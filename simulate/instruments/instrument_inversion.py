"""Invert with a calibrated instrument, and see whether it still is as calibrated."""

from collections.abc import Iterator
from dataclasses import replace

from craterfront.experiments.experiment import Experiment
from craterfront.fitting.inversion import Inversion, invert
from craterfront.instruments.instrument_drift import Drift
from craterfront.instruments.instrument_file import InstrumentCalibration
from craterfront.instruments.instrument_use import InstrumentUse, use_instrument
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.problems import InputProblems
from craterfront.progress import Progress

_FARTHER = 1.1  # than was supposed


def invert_with_instrument(
    profile: MeasuredProfile,
    experiment: Experiment,
    calibration: InstrumentCalibration,
    *,
    progress: Progress | None = None,
) -> Inversion:
    """Most probable sample, with the numbers of a calibrated instrument.

    As `invert`, but the joint distribution of the calibration takes the place of what the
    experiment says of the numbers that it names. A drift since is the first of the doubts; the
    first notes tell of what the calibration is not valid for.
    """
    if profile.axis != "time" or profile.values_kind != "intensity":
        what = f"the profile has {profile.values_kind} against {profile.axis}"
        raise InputProblems(
            [f"a calibrated instrument is for intensities against time; {what}"], profile.source
        )
    use = use_instrument(calibration, experiment)
    found = invert(profile, use.experiment, progress=progress, joint_prior=use.joint_prior)
    names = ", ".join(calibration.uncertain[k].label for k, _ in use.used)
    notes = [f"calibration of {calibration.date} used for: {names or 'nothing'}", *use.notes]
    drift = drift_since(use, found, progress)
    doubts = []
    if drift.is_noticed:
        doubts.append(
            f"the instrument is not as calibrated on {calibration.date}, or the sample is not as"
            f" the file says: {drift.words()}"
        )
    notes += _deeper(calibration, experiment, found)
    return replace(found, doubts=[*doubts, *found.doubts], notes=[*notes, *found.notes])


def drift_since(use: InstrumentUse, found: Inversion, progress: Progress | None = None) -> Drift:
    """How far the numbers of an inversion are from what was known before.

    What the calibration forbids may show as residuals instead: then the profile is inverted again
    with a calibration that is loosened.
    """
    drift = use.drift(found)
    if drift.is_noticed or not _falls_short(found):
        return drift
    loose = use.loosened()
    again = invert(found.profile, use.experiment, progress=progress, joint_prior=loose.joint_prior)
    return loose.drift(again)


def _falls_short(found: Inversion) -> bool:
    """Whether residuals are larger than noise that anybody wrote, or than that of readings."""
    noise = found.likelihood.noise
    fluctuates = noise.fluctuation is not None and noise.fluctuation.found
    return fluctuates or bool(noise.falls_short.any())


def _deeper(
    calibration: InstrumentCalibration, experiment: Experiment, found: Inversion
) -> Iterator[str]:
    assembly = found.likelihood.assembly
    count = len(assembly.layers) - 1
    depth = sum(float(found.values[assembly.thickness_index(i)]) for i in range(count))
    supposed = sum(float(layer.thickness_nm) for layer in experiment.stack.expanded()[:-1])
    if depth > _FARTHER * max(supposed, float(calibration.valid.depth_to_nm)):
        yield (
            f"the layers reach {depth:.4g} nm down, deeper than calibrated and than supposed: give"
            " better guesses, so that uncertainties are widened enough"
        )
