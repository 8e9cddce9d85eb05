"""Before anything is measured: the uncertainties to expect, and what limits them."""

import json
import math
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from craterfront import __version__
from craterfront.assembly import Assembly
from craterfront.estimation import quadratic_form
from craterfront.experiment import Experiment
from craterfront.forward import time_edges_s
from craterfront.information import COUNTS, GUESSES, Information
from craterfront.limits import HELD, why_never_resolved
from craterfront.noise import Noise
from craterfront.planned import Planned, plan_measurement, without_readings
from craterfront.problems import InputProblems
from craterfront.refusals import NotComputable
from craterfront.scale import depth_scale, require_depth_scale
from craterfront.settings import Setting, settings
from craterfront.smallest import detection

Progress = Callable[[str, float], None]

_SURE = 0.95  # share of the repeats in which a width is resolved, from where on it has an u
_ROUGH = 0.2  # relative uncertainty of a thickness beyond which a linear forecast is a rough one
_NO_HELP = 0.05  # elasticity below which more counts would not help


@dataclass(frozen=True)
class Expected:
    """One answer and its expected standard uncertainty.

    Attributes
    ----------
    name : str
        For example ``thickness of TiN``.
    unit : str
    value : float
        As planned.
    u : float
        Expected standard uncertainty; of a smallest width, that width itself; infinite where
        nothing fixes the answer.
    elasticities : dict of str to float
        d ln u / d ln setting, by setting.
    improved : dict of str to float
        `u` after the step of each setting.
    limit : str
        The setting that limits it, or empty.
    words : str
        The same as a sentence.
    is_smallest : bool
        `u` is the smallest value that could be told from zero.
    """

    name: str
    unit: str
    value: float
    u: float
    elasticities: dict[str, float]
    improved: dict[str, float]
    limit: str
    words: str
    is_smallest: bool


@dataclass(frozen=True)
class Told:
    """Whether a number that may be zero can be told from it.

    Attributes
    ----------
    name : str
        For example ``width below TiN``.
    unit : str
    value : float
        As planned.
    smallest : float
        Smallest value that is called resolved in 95 % of all repeats, where zero is in 5 %;
        infinite for none.
    share : float
        Share of the repeats in which the planned value is resolved.
    why : str
        Why nothing can be told, or that the file holds it; else empty.
    """

    name: str
    unit: str
    value: float
    smallest: float
    share: float
    why: str = ""


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
            "answers": [_row(answer) for answer in self.answers],
            "told_from_zero": [
                {
                    "name": each.name,
                    "unit": each.unit,
                    "value": each.value,
                    "smallest": _finite(each.smallest),
                    "share_resolved": _finite(each.share),
                    "note": each.why,
                }
                for each in self.told
            ],
            "steps": self.steps,
            "run_again": self.reruns,
        }

    def as_json(self) -> str:
        """The same as JSON."""
        return json.dumps(self.as_dict(), indent=2)


def _row(answer: Expected) -> dict[str, Any]:
    return {
        "name": answer.name,
        "unit": answer.unit,
        "value": answer.value,
        "smallest" if answer.is_smallest else "u": _finite(answer.u),
        "limited_by": answer.limit or None,
        "words": answer.words,
        "elasticities": {name: _finite(e) for name, e in answer.elasticities.items()},
        "after_step": {name: _finite(u) for name, u in answer.improved.items()},
    }


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


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
    report = progress or (lambda stage, share: None)
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
        told = _told(base, experiment, report)
        answers, listed = _answers(base, told, experiment, report)
    except NotComputable as error:
        raise InputProblems([f"cannot be computed: {error}"]) from error
    report("done", 1.0)
    return Forecast(
        answers,
        [_in_unit(assembly, index, each) for index, each in told.items()],
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


# --- what may be zero --------------------------------------------------------------------------


def _told(base: Information, experiment: Experiment, report: Progress) -> dict[int, Told]:
    """By parameter, widths first."""
    assembly, free = base.planned.assembly, base.planned.likelihood.free
    widths = [assembly.width_index(layer) for layer in range(len(assembly.layers) - 1)]
    open_ones = [index for index in free if assembly.parameters[index].broadens]
    indices = list(dict.fromkeys([*widths, *open_ones]))
    found: dict[int, Told] = {}
    why = why_never_resolved(assembly)
    for number, index in enumerate(indices):
        report("smallest widths", 0.1 + 0.3 * number / len(indices))
        p = assembly.parameters[index]
        name = p.name.removeprefix("interface ")
        if index not in free:
            found[index] = Told(name, p.unit, p.value, math.inf, math.nan, HELD)
        elif p.kind == "width" and why:
            found[index] = Told(name, p.unit, p.value, math.inf, 0.0, why)
        else:
            seen = detection(base, index, experiment.depth_scale)
            found[index] = Told(name, p.unit, p.value, seen.smallest, seen.share)
    return found


def _in_unit(assembly: Assembly, index: int, told: Told) -> Told:
    """A width in seconds where rates are nominal; the rest as it is."""
    if assembly.knows_rates or assembly.parameters[index].kind != "width":
        return told
    rate = _rate_across(assembly, index)
    return Told(told.name, "s", told.value / rate, told.smallest / rate, told.share, told.why)


def _rate_across(assembly: Assembly, width_index: int) -> float:
    """Geometric mean of the nominal rates on both sides of an interface [nm/s]."""
    rates = [assembly.nominal_rate_nm_s(i) for i in range(len(assembly.layers))]
    layers = range(len(assembly.layers) - 1)
    layer = next(i for i in layers if assembly.width_index(i) == width_index)
    return math.sqrt(rates[layer] * rates[layer + 1])


# --- answers and what limits them --------------------------------------------------------------


@dataclass(frozen=True)
class _Wanted:
    """An answer as a number of the Fisher information: factor * variance^power.

    Attributes
    ----------
    name, unit, value
        See `Expected`.
    gradient : callable
        From an `Information`: the derivative of the number whose variance counts.
    factor, power : float
        A standard uncertainty has the power 1/2. A smallest width goes with the root of the
        standard uncertainty of its square: 1/4.
    without : int or None
        Parameter whose own prior has no say.
    """

    name: str
    unit: str
    value: float
    gradient: Callable[[Information], np.ndarray]
    factor: float = 1.0
    power: float = 0.5
    without: int | None = None


def _answers(
    base: Information, told: Mapping[int, Told], experiment: Experiment, report: Progress
) -> tuple[list[Expected], list[Setting]]:
    """Every answer with its elasticities, and the settings."""
    wanted = [*_layers(base), *_widths(base, told)]

    def figures(information: Information, **changes: Mapping[str, float]) -> np.ndarray:
        pictures = {
            without: information.picture(**changes, without=without)
            for without in dict.fromkeys(each.without for each in wanted)
        }
        variances = [
            quadratic_form(each.gradient(information), pictures[each.without].covariance)
            for each in wanted
        ]
        return np.array(
            [each.factor * v**each.power for each, v in zip(wanted, variances, strict=True)]
        )

    now = figures(base)
    listed = settings(base, experiment.depth_scale, figures)
    elasticities, improved = {}, {}
    for number, setting in enumerate(listed):
        report(setting.name, 0.4 + 0.6 * number / len(listed))
        elasticities[setting.name] = setting.elasticities()
        improved[setting.name] = setting.improved()
    answers = []
    for a, each in enumerate(wanted):
        own = {name: float(column[a]) for name, column in elasticities.items()}
        after = {name: float(column[a]) for name, column in improved.items()}
        limit = _limit(listed, own)
        words = _words(base, each, float(now[a]), limit, own, after)
        name = limit.name if limit else ""
        smallest = each.without is not None
        numbers = each.value, float(now[a]), own, after
        answers.append(Expected(each.name, each.unit, *numbers, name, words, smallest))
    return answers, listed


def _layers(base: Information) -> list[_Wanted]:
    """Thickness and mass of every layer, and of every graded layer as a whole."""
    assembly = base.planned.assembly
    spans = {(layer.name, i): [i] for i, layer in enumerate(assembly.layers[:-1])}
    graded: dict[str, list[int]] = {}
    for i, layer in enumerate(assembly.layers[:-1]):
        if layer.graded is not None:
            graded.setdefault(layer.graded, []).append(i)
    spans |= {(f"all of {name}", layers[0]): layers for name, layers in graded.items()}
    found: dict[tuple, _Wanted] = {}
    for (name, _), layers in spans.items():
        for each, weights in (_thickness(base, name, layers), _mass(base, name, layers)):
            if any(index in base.open_parameters for index in weights):
                found.setdefault((each.name, *weights), each)
    return list(found.values())


def _thickness(base: Information, name: str, layers: list[int]) -> tuple[_Wanted, dict[int, float]]:
    """Of layers together; a duration at nominal rates where these are not known."""
    assembly, values = base.planned.assembly, base.planned.values
    weights: dict[int, float] = defaultdict(float)
    for layer in layers:
        rate = 1.0 if assembly.knows_rates else assembly.nominal_rate_nm_s(layer)
        weights[assembly.thickness_index(layer)] += 1.0 / rate
    value = sum(weight * float(values[index]) for index, weight in weights.items())
    what, unit = ("thickness", "nm") if assembly.knows_rates else ("duration", "s")
    return _Wanted(f"{what} of {name}", unit, value, lambda i: i.gradient(weights)), weights


def _mass(base: Information, name: str, layers: list[int]) -> tuple[_Wanted, dict[int, float]]:
    """Mass per area of layers together; without weights where it means nothing."""
    assembly, values = base.planned.assembly, base.planned.values
    weights: dict[int, float] = defaultdict(float)
    mass = 0.0
    if assembly.knows_rates and all(assembly.layers[i].density_g_cm3 is not None for i in layers):
        for layer in layers:
            thickness, density = assembly.thickness_index(layer), assembly.density_index(layer)
            mass += 1e-3 * float(values[thickness] * values[density])
            weights[thickness] += 1e-3 * float(values[density])
            weights[density] += 1e-3 * float(values[thickness])
    return _Wanted(f"mass of {name}", "g/m2", mass, lambda i: i.gradient(weights)), weights


def _widths(base: Information, told: Mapping[int, Told]) -> list[_Wanted]:
    """The uncertainty of what is resolved, the smallest value of what may be zero."""
    assembly, found = base.planned.assembly, []
    for index, each in told.items():
        if each.why or not math.isfinite(each.smallest):
            continue
        shown = _in_unit(assembly, index, each)
        if each.share >= _SURE:
            scale = shown.value / each.value
            weights = {index: scale}
            gradient = _gradient_of(weights)
            found.append(_Wanted(each.name, shown.unit, shown.value, gradient))
            continue
        gradient = _gradient_of_square(index)
        variance = quadratic_form(gradient(base), base.picture(without=index).covariance)
        factor = shown.smallest / variance**0.25
        name = f"smallest {each.name}"
        found.append(_Wanted(name, shown.unit, shown.value, gradient, factor, 0.25, index))
    return found


def _gradient_of(weights: Mapping[int, float]) -> Callable[[Information], np.ndarray]:
    return lambda information: information.gradient(weights)


def _gradient_of_square(index: int) -> Callable[[Information], np.ndarray]:
    return lambda information: information.gradient_of_square(index)


def _limit(listed: list[Setting], elasticities: Mapping[str, float]) -> Setting | None:
    """The setting of which a step helps most; None where nothing fixes the answer."""

    def benefit(setting: Setting) -> float:
        e = elasticities[setting.name]
        return e if setting.factor < 1.0 else -e

    known = [setting for setting in listed if math.isfinite(elasticities[setting.name])]
    return max(known, key=benefit) if known else None


def _words(
    base: Information,
    wanted: _Wanted,
    now: float,
    limit: Setting | None,
    elasticities: Mapping[str, float],
    improved: Mapping[str, float],
) -> str:
    """What limits an answer, as a sentence."""
    if limit is None:
        return "nothing fixes it"
    strength = f"(elasticity {elasticities[limit.name]:.2f})"
    if limit.group == GUESSES:
        return f"rests on the guess {strength}: the readings hardly tell"
    who = limit.name
    if limit.group:
        prior = base.leading_prior(wanted.gradient(base), limit.group)
        of_it = f"of {prior.name}" if prior.name != limit.group else f"of the {limit.group}"
        who = f"the {'assumed ' if prior.assumed else ''}uncertainty {of_it}"
    after = f"{limit.step}: {now:.3g} to {improved[limit.name]:.3g} {wanted.unit}"
    words = f"limited by {who} {strength}; {after}"
    counts = elasticities.get(COUNTS)
    if counts is not None and limit.name != COUNTS:
        if -counts < _NO_HELP:
            return f"{words}; more counts would not help"
        words += f"; twice the counts: to {improved[COUNTS]:.3g} {wanted.unit}"
    return words


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
