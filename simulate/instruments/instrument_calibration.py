"""Calibrate an instrument: from reference measurements to the joint posterior of its numbers.

A calibration is the inversion of samples that are nearly known. Several references are taken one
after the other; profiles with one experiment are of one sample, whose thicknesses they share.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

from craterfront.fitting.inversion import Inversion
from craterfront.fitting.inversion_notes import by_profile
from craterfront.instruments.instrument_file import (
    CalibratedNumber,
    InstrumentCalibration,
    OperatingConditions,
)
from craterfront.instruments.instrument_numbers import (
    MIXING,
    SAMPLE,
    InstrumentNumber,
    same_material,
)
from craterfront.instruments.measurement_chain import Kept, Measurement, next_link, without
from craterfront.problems import InputProblems, shown
from craterfront.progress import Progress, silent
from craterfront.samples.layer import Layer


@dataclass(frozen=True)
class Calibrated:
    """A calibration, and the inversions of the references from which it comes."""

    calibration: InstrumentCalibration
    inversions: list[Inversion]

    @property
    def warnings(self) -> list[str]:
        """Doubts about the references, then notes on them."""
        doubts = by_profile((each.profile.source, each.doubts) for each in self.inversions)
        return doubts + by_profile((each.profile.source, each.notes) for each in self.inversions)


def calibrate(
    references: Sequence[Measurement],
    *,
    title: str = "",
    date: datetime.date | None = None,
    progress: Progress | None = None,
) -> Calibrated:
    """Joint posterior of the instrument's numbers from one or several references.

    Parameters
    ----------
    references : sequence of Measurement
        Of samples of which every thickness has its uncertainty, or is a guess; all at one operating
        point. What the first says of the instrument is the prior; of later ones, what concerns
        other numbers. Those with one experiment, of one content and one name, are measurements of
        one sample, and are taken one after the other.
    title : str
    date : datetime.date, optional
        Default: today.
    progress : callable, optional
        Called with a stage and the share done.

    Raises
    ------
    InputProblems
        When a thickness is a plain number, or a reference cannot be inverted.
    """
    problems = [problem for reference in references for problem in _problems(reference)]
    problems += _points(references)
    if problems:
        raise InputProblems(problems)
    report = progress or silent
    references = _by_sample(references)
    known: InstrumentCalibration | None = None
    inversions = []
    for i, reference in enumerate(references):

        def part(stage: str, share: float, done: int = i) -> None:
            report(stage, (done + share) / len(references))

        if known is not None and not reference.has_experiment_of(references[i - 1]):
            known = without(known, _of_sample)
        link = next_link(reference, known, _kept(reference, references[0]), part)
        known = link.known
        inversions.append(link.inversion)
    assert known is not None  # there is at least one reference
    dated = date or datetime.date.today()
    known = without(known, _of_sample).model_copy(update={"title": title, "date": dated})
    return Calibrated(known, inversions)


def _by_sample(references: Sequence[Measurement]) -> list[Measurement]:
    """In their order, but for those of one sample, which come together."""
    samples: list[list[Measurement]] = []
    for reference in references:
        known = (group for group in samples if reference.has_experiment_of(group[0]))
        group = next(known, None)
        if group is None:
            samples.append([reference])
        else:
            group.append(reference)
    return [reference for group in samples for reference in group]


def _of_sample(number: CalibratedNumber) -> bool:
    return number.kind == SAMPLE


def _kept(reference: Measurement, first: Measurement) -> Kept:
    """Everything, but for a mixing length that refers to another material at the surface."""
    surface, other = (r.experiment.stack.expanded()[0] for r in (reference, first))
    same = same_material(surface.composition, other.composition)

    def kept(number: InstrumentNumber) -> bool:
        return same or bool(number.material) or number.kind not in MIXING

    return kept


def _problems(reference: Measurement) -> list[str]:
    """Why a measurement is no reference."""
    place, profile = reference.experiment_name, reference.profile
    problems = []
    for where, layer in reference.experiment.stack.parts():
        if isinstance(layer, Layer) and layer.true_thickness.status == "plain":
            example = f"{{ value = {shown(layer.true_thickness.value)}, u = ... }}"
            problems.append(
                f"{place}: {where} thickness_nm: must have its uncertainty in a reference: write"
                f" {example}"
            )
    if profile.axis != "time" or profile.values_kind != "intensity":
        problems.append(
            f"{profile.source}: a reference has intensities against time, not"
            f" {profile.values_kind} against {profile.axis}"
        )
    return list(dict.fromkeys(problems))


def _points(references: Sequence[Measurement]) -> list[str]:
    """References of different operating points, which are different instruments."""
    sources = [reference.experiment.setup.source for reference in references]
    points = [None if source is None else OperatingConditions.of(source) for source in sources]
    return [
        f"{reference.experiment_name}: [source] is not that of {references[0].experiment_name};"
        " calibrate each operating point by itself"
        for reference, point in zip(references, points, strict=True)
        if point != points[0]
    ]
