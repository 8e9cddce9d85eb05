"""Several measurements of one sample, inverted together.

Thicknesses, interfaces, outer roughness and densities are those of the sample. Measurements with
one experiment file have everything in common that the file knows something of; those with files of
their own share erosion rates where their sources work at one operating point, and nothing else of
the instrument.
"""

from collections.abc import Sequence
from dataclasses import replace

from craterfront.fitting.inversion import Inversion
from craterfront.fitting.inversion_notes import by_profile
from craterfront.instruments.instrument_file import InstrumentCalibration, OperatingConditions
from craterfront.instruments.instrument_inversion import drift_since
from craterfront.instruments.instrument_numbers import DENSITY, RATE, SAMPLE, InstrumentNumber
from craterfront.instruments.measurement_chain import Kept, Measurement, next_link
from craterfront.problems import InputProblems, shown
from craterfront.progress import Progress, silent


def invert_together(
    measurements: Sequence[Measurement],
    *,
    instrument: InstrumentCalibration | None = None,
    progress: Progress | None = None,
) -> Inversion:
    """Most probable sample behind several profiles of it.

    Parameters
    ----------
    measurements : sequence of Measurement
        In the order in which they are taken; fit and residuals of the result are those of the last
        one, with what all others say of the sample as its prior. Doubts about each of them are
        doubts about the result. Experiments name their layers alike; what the first says of the
        sample is the prior.
    instrument : InstrumentCalibration, optional
        Of the instrument of all of them; they then have one experiment, of one content and one
        name.
    progress : callable, optional

    Raises
    ------
    InputProblems
    """
    first = measurements[0]
    one_file = all(m.has_experiment_of(first) for m in measurements)
    problems = [problem for other in measurements[1:] for problem in _different(first, other)]
    if instrument is not None and not one_file:
        problems.append("--instrument: goes with one experiment for all profiles")
    if problems:
        raise InputProblems(problems)
    report = progress or silent
    kept = _known if one_file else _of_sample(_at_one_point(measurements))
    known, inversions = instrument, list[Inversion]()
    notes: list[str] = []
    doubts: list[str] = []
    for i, measurement in enumerate(measurements):

        def part(stage: str, share: float, done: int = i) -> None:
            report(stage, (done + share) / len(measurements))

        link = next_link(measurement, known, kept, part, widen=i == 0)
        known = link.known
        inversions.append(link.inversion)
        if link.use is not None:
            notes += link.use.notes
            drift = drift_since(link.use, link.inversion, part)
            if drift.is_noticed:
                doubts.append(
                    f"{measurement.profile.source} disagrees with what was known before:"
                    f" {drift.words()}"
                )
    names = ", ".join(measurement.profile.source for measurement in measurements)
    notes.append(f"inverted together: {names}; fit and residuals are those of the last")
    doubts += by_profile((found.profile.source, found.doubts) for found in inversions)
    return replace(inversions[-1], doubts=doubts, notes=[*notes, *_notes_of(inversions)])


def _notes_of(inversions: Sequence[Inversion]) -> list[str]:
    """What all of them say once, everything else with its profile."""
    every = [note for found in inversions for note in found.notes]
    common = [note for note in dict.fromkeys(every) if every.count(note) == len(inversions)]
    return common + by_profile(
        (found.profile.source, [note for note in found.notes if note not in common])
        for found in inversions
    )


def _known(number: InstrumentNumber) -> bool:
    """All parameters, and linear numbers of which something was known."""
    return number.linear is None or not number.before.startswith("free")


def _of_sample(with_rates: bool) -> Kept:
    kinds = (SAMPLE, DENSITY, RATE) if with_rates else (SAMPLE, DENSITY)
    return lambda number: number.kind in kinds


def _at_one_point(measurements: Sequence[Measurement]) -> bool:
    """Whether all sources are written and equal."""
    sources = [measurement.experiment.setup.source for measurement in measurements]
    points = [None if source is None else OperatingConditions.of(source) for source in sources]
    return None not in points and all(point == points[0] for point in points)


def _different(first: Measurement, other: Measurement) -> list[str]:
    """Why two experiments are not of one sample."""
    layers = [m.experiment.stack.expanded() for m in (first, other)]
    names = [[layer.name for layer in each] for each in layers]
    if names[0] == names[1]:
        return []
    listed = [", ".join(map(shown, each)) for each in names]
    return [
        f"{other.experiment_name}: layers {listed[1]}; those of {first.experiment_name} are"
        f" {listed[0]}, and one sample has the same layers in all files"
    ]
