"""Before anything is measured: the uncertainties to expect, and what limits them."""

import json
from dataclasses import dataclass
from typing import Any

from craterfront import __version__
from craterfront.experiments.experiment import Experiment
from craterfront.experiments.noise import Noise
from craterfront.forecasts.expected_uncertainties import Expected, expected_uncertainties
from craterfront.forecasts.information import Information
from craterfront.forecasts.planned import Planned, plan_measurement, without_readings
from craterfront.forecasts.planned_answers import planned_answers
from craterfront.forecasts.told_from_zero import Told, in_unit, told_from_zero
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import time_edges_s
from craterfront.objective.refusals import NotComputable
from craterfront.objective.scale import depth_scale, require_depth_scale
from craterfront.problems import InputProblems
from craterfront.progress import Progress, silent

_ROUGH = 0.2  # relative uncertainty of a thickness beyond which a linear forecast is a rough one


@dataclass(frozen=True)
class Forecast:
    """What a planned measurement will tell.

    Attributes
    ----------
    answers : list of Expected
        Thicknesses, areal masses and widths, or smallest widths, from the surface down.
    told : list of Told
        Widths, then what the instrument adds to them where that is free.
    steps : dict of str to str
        The step of each setting in words.
    reruns : list of str
        Settings for which the engine ran again; the others follow from the information.
    unit : str
        "nm", or "s" for durations at nominal rates.
    readings : int
        In each channel.
    duration_s : float
    scale_sources : list of str
        What fixes the depth scale.
    notes : list of str
        What a reader must know.
    """

    answers: list[Expected]
    told: list[Told]
    steps: dict[str, str]
    reruns: list[str]
    unit: str
    readings: int
    duration_s: float
    scale_sources: list[str]
    notes: list[str]

    def settings_that_matter(self, least: float) -> list[str]:
        """Settings with at least this elasticity of any answer, up or down."""
        return [
            name
            for name in self.steps
            if any(abs(answer.elasticities[name]) >= least for answer in self.answers)
        ]

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists; what nothing fixes is null."""
        return {
            "craterfront_version": __version__,
            "notes": self.notes,
            "depth_scale": self.scale_sources,
            "readings": self.readings,
            "duration_s": self.duration_s,
            "answers": [answer.as_dict() for answer in self.answers],
            "told_from_zero": [each.as_dict() for each in self.told],
            "steps": self.steps,
            "run_again": self.reruns,
        }

    def as_json(self) -> str:
        """The same as JSON."""
        return json.dumps(self.as_dict(), indent=2)


def forecast(
    experiment: Experiment, *, relative: bool = False, progress: Progress | None = None
) -> Forecast:
    """Uncertainties to expect of a planned measurement, from its Fisher information.

    The sample and the instrument are those that `simulate` would take; what is known of them
    before, and what is free, is what `invert` would take. [noise] has to be written.

    Parameters
    ----------
    experiment : Experiment
    relative : bool
        Forecast seconds at nominal rates.
    progress : callable, optional
        Called with a stage and the share done.

    Returns
    -------
    Forecast

    Raises
    ------
    InputProblems
        When nothing fixes the depth scale, no noise is written, a graded layer is not exactly
        known, the file is about a profile against depth, or the plan cannot be computed.

    Notes
    -----
    Linear about the planned values (Cramer-Rao): too small where the answer is that a layer can
    hardly be seen. No model is perfect, and the shortfall of the model is not in it.
    """
    report = progress or silent
    _require_plan(experiment)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    edges = time_edges_s(assembly)
    scale = depth_scale(assembly, experiment.depth_scale, without_readings(assembly, edges))
    if relative:
        assembly = assembly.at_nominal_rates()
    else:
        require_depth_scale(scale, "")
    try:
        report("signal", 0.0)
        planned = plan_measurement(assembly, edges, experiment.depth_scale)
        base = Information.of(planned)
        told = told_from_zero(base, experiment, report)
        wanted = planned_answers(base, told)
        answers, listed = expected_uncertainties(base, wanted, experiment, report)
    except NotComputable as error:
        raise InputProblems([f"cannot be computed: {error}"]) from error
    report("done", 1.0)
    return Forecast(
        answers,
        [in_unit(assembly, index, each) for index, each in told.items()],
        {setting.name: setting.step for setting in listed},
        [setting.name for setting in listed if setting.rerun],
        "s" if relative else "nm",
        planned.likelihood.interval.size,
        float(edges[-1]),
        [] if relative else scale.sources,
        _notes(planned, answers, relative),
    )


def _require_plan(experiment: Experiment) -> None:
    """Stop where there is nothing to forecast from."""
    problems = list(experiment.stack.not_held())
    for key in ("axis", "values"):
        written, expected = getattr(experiment.profile, key), {"axis": "time"}.get(key, "intensity")
        if written != expected:
            problems.append(
                f'profile {key}: is "{written}"; a forecast is of intensities against time'
            )
    if not _has_noise(experiment.setup.noise):
        problems.append(
            "noise: a forecast rests on it; write counts_per_unit_s, or readout_per_sqrt_s"
        )
    if problems:
        raise InputProblems(problems)


def _has_noise(noise: Noise) -> bool:
    """Whether every reading of its own is uncertain."""
    return noise.counts_per_unit_s is not None or float(noise.readout_per_sqrt_s) > 0


def _notes(planned: Planned, answers: list[Expected], relative: bool) -> list[str]:
    """What a reader must know."""
    likelihood = planned.likelihood
    found = ["times at nominal rates, no depths"] if relative else []
    for answer in answers:
        poor = answer.name.startswith(("thickness", "duration"))
        if poor and not answer.u <= _ROUGH * answer.value:
            found.append(
                f"{answer.name}: an uncertainty of more than {_ROUGH:.0%}; the forecast is linear"
                " and rough there"
            )
    for c, channel in enumerate(planned.assembly.channels):
        share = float(likelihood.censored[c].mean())
        if share > 0:
            found.append(f"channel {channel.name}: {share:.2%} of the readings will be saturated")
    return found + planned.assembly.warnings
