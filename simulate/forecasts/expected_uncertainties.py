"""Expected standard uncertainties, by how much each setting changes them, and what limits them."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from craterfront.experiments.experiment import Experiment
from craterfront.forecasts.information import COUNTS, GUESSES, Information
from craterfront.forecasts.planned_answers import PlannedAnswer
from craterfront.forecasts.settings import Setting, settings
from craterfront.notation.json_numbers import finite_or_none
from craterfront.objective.curvature import quadratic_form
from craterfront.progress import Progress

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

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings; what nothing fixes is null."""
        return {
            "name": self.name,
            "unit": self.unit,
            "value": self.value,
            "smallest" if self.is_smallest else "u": finite_or_none(self.u),
            "limited_by": self.limit or None,
            "words": self.words,
            "elasticities": {name: finite_or_none(e) for name, e in self.elasticities.items()},
            "after_step": {name: finite_or_none(u) for name, u in self.improved.items()},
        }


def expected_uncertainties(
    base: Information, wanted: Sequence[PlannedAnswer], experiment: Experiment, report: Progress
) -> tuple[list[Expected], list[Setting]]:
    """Every answer with its expected uncertainty and its elasticities, and the settings.

    Parameters
    ----------
    base : Information
        Of the planned measurement.
    wanted : sequence of PlannedAnswer
    experiment : Experiment
    report : callable
        Called with a stage and the share done.
    """
    figures = partial(_uncertainties, wanted)
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


def _uncertainties(
    wanted: Sequence[PlannedAnswer], information: Information, **changes: Mapping[str, float]
) -> np.ndarray:
    """Of all answers, with the changes that `Information.picture` takes, shape (A,)."""
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


def _limit(listed: list[Setting], elasticities: Mapping[str, float]) -> Setting | None:
    """The setting of which a step helps most; None where nothing fixes the answer."""

    def benefit(setting: Setting) -> float:
        e = elasticities[setting.name]
        return e if setting.factor < 1.0 else -e

    known = [setting for setting in listed if math.isfinite(elasticities[setting.name])]
    return max(known, key=benefit) if known else None


def _words(
    base: Information,
    wanted: PlannedAnswer,
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
