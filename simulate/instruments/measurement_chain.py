"""Several measurements, one after the other: what each one says is known before the next.

The joint normal posterior of the numbers that measurements share is the prior of the next one. For
a linear model with normal errors that is the same as fitting all of them at once.
"""

import datetime
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from craterfront.experiments.experiment import Experiment
from craterfront.fitting.inversion import Inversion, invert
from craterfront.forward_model.assembly import Assembly
from craterfront.instruments.instrument_file import (
    CalibratedMaterial,
    CalibratedNumber,
    InstrumentCalibration,
    OperatingConditions,
    ReferenceUsed,
    Validity,
    rounded,
)
from craterfront.instruments.instrument_numbers import (
    InstrumentNumber,
    instrument_numbers,
    material_name,
    same_material,
    sample_numbers,
)
from craterfront.instruments.instrument_use import InstrumentUse, use_instrument
from craterfront.instruments.joint_posterior import joint_posterior
from craterfront.measured_files.input_files import InputFile
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.notation.quantities import Quantity
from craterfront.objective.joint_prior import Coordinate, JointPrior
from craterfront.problems import InputProblems
from craterfront.progress import Progress

Kept = Callable[[InstrumentNumber], bool]
"""Whether the next measurement has the same number."""


@dataclass(frozen=True)
class Measurement:
    """A profile with what is known of its sample and instrument.

    Attributes
    ----------
    profile : MeasuredProfile
    experiment : Experiment
    experiment_name : str
        File of the experiment; other names tell samples apart of which the files say the same.
    """

    profile: MeasuredProfile
    experiment: Experiment
    experiment_name: str = "experiment"

    def has_experiment_of(self, other: "Measurement") -> bool:
        """Whether both have one experiment file, however often it was loaded and spelled."""
        mine, others = (os.path.realpath(each.experiment_name) for each in (self, other))
        return mine == others and self.experiment == other.experiment


@dataclass(frozen=True)
class Link:
    """One measurement of a chain.

    Attributes
    ----------
    inversion : Inversion
    known : InstrumentCalibration
        After it: of the numbers that go on.
    use : InstrumentUse or None
        What was known before it; None at the first.
    """

    inversion: Inversion
    known: InstrumentCalibration
    use: InstrumentUse | None


def next_link(
    measurement: Measurement,
    known: InstrumentCalibration | None,
    kept: Kept,
    progress: Progress | None = None,
    *,
    widen: bool = False,
) -> Link:
    """Invert one measurement with what is known so far, and add what it says.

    Parameters
    ----------
    measurement : Measurement
    known : InstrumentCalibration or None
    kept : callable
        Which numbers go on.
    progress : callable, optional
    widen : bool
        Widen and warn outside of what a calibration is valid for.
    """
    experiment, use = measurement.experiment, None
    if known is not None:
        use = use_instrument(known, experiment, widen=widen)
        experiment = use.experiment

    def prior(assembly: Assembly) -> JointPrior:
        joint = JointPrior.none() if use is None else use.joint_prior(assembly)
        return joint.naming(_densities(assembly))

    found = invert(measurement.profile, experiment, progress=progress, joint_prior=prior)
    return Link(found, _known_after(measurement, found, use, kept), use)


def without(
    known: InstrumentCalibration, dropped: Callable[[CalibratedNumber], bool]
) -> InstrumentCalibration:
    """A calibration without some of its numbers."""
    stay = [i for i, number in enumerate(known.uncertain) if not dropped(number)]
    numbers, rows = rounded(
        [known.uncertain[i] for i in stay], known.covariance[np.ix_(stay, stay)]
    )
    exact = [number for number in known.number if number.u == 0 and not dropped(number)]
    return known.model_copy(update={"number": (*numbers, *exact), "correlation": rows})


def _densities(assembly: Assembly) -> list[int]:
    """Densities that are not exactly known: sensitivities depend on them."""
    every = {assembly.density_index(i) for i in range(len(assembly.layers))}
    return [i for i in sorted(every) if not assembly.parameters[i].is_fixed]


def _known_after(
    reference: Measurement, found: Inversion, use: InstrumentUse | None, kept: Kept
) -> InstrumentCalibration:
    """What is known after one more measurement."""
    before = None if use is None else use.calibration
    used = [] if use is None else [number for _, number in use.used]
    known = [] if use is None else [use.calibration.uncertain[k] for k, _ in use.used]
    assembly = found.likelihood.assembly
    every = [*instrument_numbers(assembly), *sample_numbers(assembly)]
    numbers = [number for number in every if kept(number)]
    moved = [number for number in numbers if _is_moved(found, number)]
    of_old = [_fields_of(each) | {"coordinate": each.coordinate} for each in known]
    names = {number.name for number in used}
    new = [number for number in moved if number.name not in names]
    settled: list[Coordinate | None] = [*(each.coordinate for each in known), *[None] * len(new)]
    posterior = joint_posterior(found, [*used, *new], settled)
    fields = of_old + [
        _named(number, before) | {"coordinate": each}
        for number, each in zip(new, posterior.coordinates[len(of_old) :], strict=True)
    ]
    mean, covariance = posterior.mean, posterior.covariance
    if use is not None:
        fields, mean, covariance = _with_absent(use, fields, mean, covariance)
    fixed = np.isfinite(np.diag(covariance)) & (np.diag(covariance) > 0)
    uncertain = [
        CalibratedNumber.of(float(m), float(sd), **own)
        for own, m, sd, ok in zip(fields, mean, np.sqrt(np.diag(covariance)), fixed, strict=True)
        if ok
    ]
    uncertain, rows = rounded(uncertain, covariance[np.ix_(fixed, fixed)])
    exact = _exact(found, numbers, before)
    labels = [number.label for number in (*uncertain, *exact)]
    _refuse_twice(labels, reference)
    return InstrumentCalibration(
        date=datetime.date.today(),
        source=_source(reference, before),
        valid=_validity(reference, found, before),
        material=_materials(found.likelihood.assembly, before),
        reference=(*(() if before is None else before.reference), _used(reference)),
        number=(*uncertain, *exact),
        correlation=rows,
    )


def _is_moved(found: Inversion, number: InstrumentNumber) -> bool:
    likelihood = found.likelihood
    if number.linear is not None:
        return number.linear in likelihood.moving_linear(found.solution)
    return any(index in likelihood.free for index in number.powers)


def _exact(
    found: Inversion, numbers: Sequence[InstrumentNumber], before: InstrumentCalibration | None
) -> list[CalibratedNumber]:
    """Numbers that the experiment holds at a value other than 0, and those held before."""
    parameters = found.likelihood.assembly.parameters
    earlier = [] if before is None else [number for number in before.number if number.u == 0]
    held = [
        CalibratedNumber(value=number.value(found.values, found.solution.linear), u=0.0, **own)
        for number in numbers
        if number.linear is None and all(parameters[index].is_fixed for index in number.powers)
        for own in [_named(number, before)]
        if number.value(found.values, found.solution.linear) != 0
    ]
    known = {number.label for number in (() if before is None else before.number)}
    return [*earlier, *(number for number in held if number.label not in known)]


def _fields_of(number: CalibratedNumber) -> dict[str, Any]:
    """What says which number it is."""
    return {key: getattr(number, key) for key in ("kind", "material", "channel", "unit", "before")}


def _named(number: InstrumentNumber, before: InstrumentCalibration | None) -> dict[str, Any]:
    """The same of a number of an assembly; a material that is known keeps its name."""
    known = () if before is None else before.material
    same = [m.name for m in known if same_material(number.composition, m.fractions)]
    material = number.material or None
    if material is not None and len(same) == 1:
        material = same[0]
    return {
        "kind": number.kind,
        "material": material,
        "channel": number.channel or None,
        "unit": number.unit,
        "before": number.before,
    }


def _refuse_twice(labels: Sequence[str], reference: Measurement) -> None:
    twice = sorted({label for label in labels if labels.count(label) > 1})
    if twice:
        raise InputProblems(
            [
                f"{label}: several layers have one of their own; let them share a [material]"
                for label in twice
            ],
            reference.experiment_name,
        )


def _with_absent(
    use: InstrumentUse, fields: list[dict[str, Any]], mean: np.ndarray, covariance: np.ndarray
) -> tuple[list[dict[str, Any]], np.ndarray, np.ndarray]:
    """Add the numbers that this reference does not have, as far as they follow those it has.

    With prior covariance C, of present numbers P and absent A, and the gain K = C_AP C_PP^-1: the
    absent means move by K times the change of the present ones, and their covariance by
    K (C_PP' - C_PP) K' (derived: given the present numbers, the readings say nothing of the
    absent ones).
    """
    every, prior = use.calibration.uncertain, use.covariance
    present = [k for k, _ in use.used]
    absent = [k for k in range(len(every)) if k not in present]
    if not absent:
        return fields, mean, covariance
    old = len(present)
    gain = np.linalg.solve(prior[np.ix_(present, present)], prior[np.ix_(present, absent)]).T
    change = mean[:old] - [every[k].mean for k in present]
    moved = np.array([every[k].mean for k in absent]) + gain @ change
    inner = covariance[:old, :old] - prior[np.ix_(present, present)]
    own = prior[np.ix_(absent, absent)] + gain @ inner @ gain.T
    cross = gain @ covariance[:old]
    joined = np.block([[covariance, cross.T], [cross, own]])
    named = [_fields_of(every[k]) | {"coordinate": every[k].coordinate} for k in absent]
    return [*fields, *named], np.append(mean, moved), joined


def _source(
    reference: Measurement, before: InstrumentCalibration | None
) -> OperatingConditions | None:
    """Operating point: that of the first reference that says it."""
    if before is not None and before.source is not None:
        return before.source
    source = reference.experiment.setup.source
    return None if source is None else OperatingConditions.of(source)


def _validity(
    reference: Measurement, found: Inversion, before: InstrumentCalibration | None
) -> Validity:
    reached_nm = float(found.solution.mean_depth_nm[-1])
    if before is not None:
        deeper = max(reached_nm, float(before.valid.depth_to_nm))
        return before.valid.model_copy(update={"depth_to_nm": Quantity(_four_digits(deeper))})
    setup = reference.experiment.setup
    relocates = setup.mixing.model == "relocation"
    return Validity(
        depth_to_nm=_four_digits(reached_nm),
        view=setup.detection.view,
        crater=setup.crater_made.shape,
        growth=setup.roughness.growth,
        mixing=setup.mixing.model,
        displacement=setup.mixing.displacement if relocates else None,
        first_material=material_name(found.likelihood.assembly.layers[0]),
    )


def _four_digits(depth_nm: float) -> float:
    return float(f"{depth_nm:.4g}")


def _materials(
    assembly: Assembly, before: InstrumentCalibration | None
) -> tuple[CalibratedMaterial, ...]:
    """All materials so far; another name for a known composition is no new one."""
    found = {} if before is None else {m.name: m for m in before.material}
    known = [m.fractions for m in found.values()]
    for layer in assembly.layers:
        if not any(same_material(layer.composition, each) for each in known):
            name = material_name(layer)
            shares = {e: float(f"{share:.6g}") for e, share in layer.composition.items()}
            found.setdefault(name, CalibratedMaterial(name=name, composition=shares))
    return tuple(found.values())


def _used(reference: Measurement) -> ReferenceUsed:
    files = {"profile": reference.profile.source, "experiment": reference.experiment_name}
    sums: dict[str, Any] = {
        f"{role}_sha256": InputFile.read(role, Path(path)).sha256
        for role, path in files.items()
        if os.path.isfile(path)
    }
    names = {key: os.path.basename(path) or path for key, path in files.items()}
    return ReferenceUsed(**names, **sums)
