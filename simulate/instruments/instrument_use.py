"""A calibrated instrument on an experiment: its numbers take the place of what the file says."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from craterfront.experiments.experiment import Experiment
from craterfront.fitting.inversion import Inversion
from craterfront.forward_model.assembly import Assembly
from craterfront.instruments.calibrated_layers import with_channels, with_tables
from craterfront.instruments.calibrated_materials import with_materials
from craterfront.instruments.calibrated_models import with_models
from craterfront.instruments.instrument_drift import Drift, drift_of
from craterfront.instruments.instrument_file import InstrumentCalibration
from craterfront.instruments.instrument_numbers import (
    InstrumentNumber,
    instrument_numbers,
    same_material,
    sample_numbers,
)
from craterfront.instruments.instrument_validity import outside
from craterfront.instruments.joint_posterior import joint_posterior
from craterfront.objective.joint_prior import JointPrior
from craterfront.problems import InputProblems, shown

_LOOSE = 10.0


@dataclass
class InstrumentUse:
    """A calibration at work on one experiment.

    Attributes
    ----------
    calibration : InstrumentCalibration
    experiment : Experiment
        With the calibrated numbers, and with the models that the file leaves unwritten.
    notes : list of str
        What the calibration is not valid for, and what was not taken over.
    covariance : ndarray
        Of the uncertain numbers, widened.
    used : list of (int, InstrumentNumber)
        Which of them an assembly has.
    origin : str
        Where its numbers come from, for the table of what is known.
    looseness : float
        Factor on the standard uncertainties beside what the calibration says.
    """

    calibration: InstrumentCalibration
    experiment: Experiment
    notes: list[str]
    covariance: np.ndarray
    used: list[tuple[int, InstrumentNumber]] = field(default_factory=list)
    origin: str = "from the measurements before"
    looseness: float = 1.0

    def joint_prior(self, assembly: Assembly) -> JointPrior:
        """What is known jointly of the numbers that an assembly has; marks them as calibrated."""
        numbers = [*instrument_numbers(assembly), *sample_numbers(assembly)]
        pairs = matched(self.calibration, numbers)
        known = self.calibration.uncertain
        own = [p for p in pairs if _is_open(assembly, p[1]) and p[1].linear is None]
        self.used = own + [p for p in pairs if p[1].linear is not None]
        parameters = tuple(next(iter(number.powers)) for _, number in own)
        within = {}
        for (k, _), index in zip(own, parameters, strict=True):
            parameter, number = assembly.parameters[index], known[k]
            changes: dict[str, Any] = {"why": self.origin}
            if parameter.may_be_zero:  # its square is known, and what was written is in that
                if parameter.has_own_prior:
                    changes |= {"state": "calibrated", "u": 0.0}
                    within[index] = parameter.value, parameter.u
            else:
                value = float(np.clip(number.value, parameter.lower, parameter.upper))
                u = value * number.sd if number.coordinate == "logarithm" else number.u
                changes |= {"state": "calibrated", "value": value, "u": u}
            assembly.parameters[index] = replace(parameter, **changes)
        order = [k for k, _ in self.used]
        prior = JointPrior.normal(
            parameters,
            tuple(number.linear for _, number in self.used if number.linear is not None),
            tuple(known[k].coordinate for k in order),
            np.array([known[k].mean for k in order]),
            self.covariance[np.ix_(order, order)],
        )
        return replace(prior, within=within).following(_powers(assembly, prior))

    def loosened(self) -> "InstrumentUse":
        """The same with standard uncertainties so large that readings, not it, have the say."""
        return replace(self, covariance=self.covariance * _LOOSE**2, looseness=_LOOSE)

    def drift(self, inversion: Inversion) -> Drift:
        """The used numbers after the inversion against the calibration."""
        known, order = self.calibration.uncertain, [k for k, _ in self.used]
        after = joint_posterior(
            inversion, [number for _, number in self.used], [known[k].coordinate for k in order]
        )
        before = np.array([known[k].mean for k in order])
        labels = [known[k].label for k in order]
        prior = self.covariance[np.ix_(order, order)]
        return drift_of(labels, after.mean - before, prior, after.covariance, self.looseness)


def _powers(assembly: Assembly, prior: JointPrior) -> dict[int, dict[int, float]]:
    """With which powers squares that are known follow rates that are."""
    places = {
        index: j
        for j, index in enumerate(prior.parameters)
        if assembly.parameters[index].kind == "rate" and prior.coordinates[j] == "logarithm"
    }
    return {
        k: {
            places[rate]: 2.0 * power
            for rate, power in assembly.rates_behind(index).items()
            if rate in places
        }
        for k, index in enumerate(prior.parameters)
        if prior.coordinates[k] == "square"
    }


def _is_open(assembly: Assembly, number: InstrumentNumber) -> bool:
    """Whether it is a single parameter that is not held."""
    return len(number.powers) == 1 and not assembly.parameters[next(iter(number.powers))].is_fixed


def matched(
    calibration: InstrumentCalibration, numbers: Sequence[InstrumentNumber]
) -> list[tuple[int, InstrumentNumber]]:
    """Which uncertain numbers an assembly has; where several fit, those of the same name."""
    known = calibration.uncertain
    fitting = {
        k: [
            n
            for n in numbers
            if (n.kind, n.channel, bool(n.material))
            == (number.kind, number.channel or "", number.material is not None)
            and same_material(n.composition, calibration.composition_of(number))
        ]
        for k, number in enumerate(known)
    }
    pairs = []
    for k, found in fitting.items():
        rivals = [j for j, others in fitting.items() if any(n in others for n in found)]
        if len(found) > 1 or len(rivals) > 1:
            found = [n for n in found if n.material == (known[k].material or "")]
        if len(found) == 1:
            pairs.append((k, found[0]))
    return pairs


def use_instrument(
    calibration: InstrumentCalibration, experiment: Experiment, *, widen: bool = True
) -> InstrumentUse:
    """Prepare an inversion with a calibrated instrument.

    Parameters
    ----------
    calibration : InstrumentCalibration
    experiment : Experiment
    widen : bool
        Widen and warn where the experiment is outside of what the calibration is valid for.

    Raises
    ------
    InputProblems
        When the calibration can say nothing of this kind of measurement.
    """
    view, known = experiment.setup.detection.view, calibration.valid.view
    if view != known:
        raise InputProblems(
            [f"detection view: {shown(view)}, and the calibration has {shown(known)}"]
        )
    setup, notes = with_models(experiment.setup, calibration)
    stack, more = with_materials(experiment.stack, calibration)
    layers = stack.expanded()
    setup = with_tables(setup, calibration, layers)
    setup = with_channels(setup, calibration, stack, layers)
    changed = experiment.rebuilt(stack=stack, setup=setup)
    if not widen:
        return InstrumentUse(calibration, changed, [*notes, *more], calibration.covariance)
    away = outside(calibration, experiment)
    return InstrumentUse(
        calibration,
        changed,
        [*away.warnings, *notes, *more],
        away.widened(calibration),
        origin=f"from the calibration of {calibration.date}",
    )
