"""Can the intervals be trusted, for numbers that are drawn from the priors of the inversion?

Sample and instrument are drawn from exactly the priors that the inversion has, measured on finer
slices (`drawn_from_priors`), and inverted. Then

- the rank of the truth among draws from the posterior is uniform (S. Talts et al.,
  arXiv:1804.06788; from memory), asked of one layer, metal or channel of every case, drawn at
  random: ranks within a case are not independent;
- 95 % of the intervals hold the truth: of thicknesses, and of all widths, resolved or not;
- they are as narrow as an independently computed Fisher information allows.

An estimator that returns the prior has uniform ranks, too: it fails by its width. Those whose
uncertainties are double or half of what they should be are made from the same draws, stretched
about their median.

Run as ``python -m studies.simulation_based_calibration [cases] [output.json] [minutes]`` in the
folder ``tests``. After so many minutes it stops; the same command goes on.
"""

import hashlib
import re
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import chisquare

from craterfront.answers.results import answer
from craterfront.fitting.inversion import Inversion, invert
from craterfront.objective.estimation import Z95
from craterfront.posterior_sampling.sampled_posterior import SampledPosterior, sample_posterior
from studies import resumable
from studies.drawn_from_priors import (
    KINDS,
    THICKNESS,
    WIDTH,
    Design,
    draw_design,
    fisher_u_nm,
    measured,
)
from studies.resumable import Outcome

CASES = 1000
LAYERS = (2, 3, 4, 5, 6, 7, 8)
HOW_OFTEN = (0.30, 0.22, 0.16, 0.12, 0.08, 0.06, 0.06)
DRAWS = 100  # of the posterior; they are worth half as many independent ones
RANKED = 49  # of them, so that there are 50 possible ranks
BINS = 10
LEVEL = 0.01
FACTORS = {"as it is": 1.0, "u doubled": 2.0, "u halved": 0.5}
LEAST_RATIO, MOST_RATIO = 1.0 / 20.0, 1.0 / 10.0
"""Of Fisher and prior uncertainty, where data dominate; and of the answer's to the prior's then."""


def drawn(seed: int) -> tuple[Design, dict[str, float], np.random.Generator]:
    """Design and truth of a case, and what draws the rest."""
    rng = np.random.default_rng([2028, seed])
    design = draw_design(rng, int(rng.choice(LAYERS, p=HOW_OFTEN)))
    return design, design.draw(rng), rng


def digest() -> str:
    """SHA-256 of the first cases, to nine digits."""
    written = repr([drawn(seed)[:2] for seed in range(20)])
    rounded = re.sub(r"\d+\.\d+(e[-+]\d+)?", lambda found: f"{float(found[0]):.9g}", written)
    return hashlib.sha256(rounded.encode()).hexdigest()


def case(seed: int) -> Outcome:
    """Simulate, invert and sample one case."""
    began = time.monotonic()
    design, truth, rng = drawn(seed)
    found = invert(measured(design, truth, rng), design.known())
    intervals = _intervals(design, truth, found)
    sampled = sample_posterior(found, draws=DRAWS, seed=seed)
    return {
        "seed": seed,
        "layers": len(design.layers),
        "flicker": design.flicker[0] > 0.0,
        **intervals,
        "ranks": _ranks(design, truth, sampled, rng),
        "method": sampled.sample.method,
        "evaluations": sampled.sample.evaluations,
        "warnings": found.warnings,
        "seconds": round(time.monotonic() - began, 1),
    }


def _intervals(design: Design, truth: dict[str, float], found: Inversion) -> Outcome:
    """Thicknesses as (truth, value, lower, upper, Fisher u, u before); widths likewise, up to
    whether they are resolved."""
    thicknesses, widths = [], []
    fisher_u = fisher_u_nm(design, truth)
    for layer in answer(found).layers:
        name, below = f"{THICKNESS} {layer.name}", f"{WIDTH} {layer.name}"
        before = design.priors[name]
        u = fisher_u[name], before.u, before.value
        numbers = (truth[name], layer.value, layer.lower, layer.upper, *u)
        thicknesses.append([float(f"{number:.6g}") for number in numbers])
        width = layer.width
        numbers = (truth[below], width.value_nm, width.lower_nm, width.upper_nm)
        widths.append([*(float(f"{number:.6g}") for number in numbers), width.resolved])
    return {"thicknesses": thicknesses, "widths": widths}


def _ranks(
    design: Design, truth: dict[str, float], sampled: SampledPosterior, rng: np.random.Generator
) -> dict[str, list[int]]:
    """Rank of one truth of each kind among the draws, stretched by each of the factors."""
    draws = {number.name: number.draws.ravel() for number in sampled.numbers}
    ranks = {}
    for kind in KINDS:
        name = str(rng.choice(design.of_kind(kind)))
        some = rng.choice(draws[name], RANKED, replace=False)
        middle = float(np.median(draws[name]))
        ranks[kind] = [
            int(np.sum(middle + factor * (some - middle) < truth[name]))
            for factor in FACTORS.values()
        ]
    return ranks


# --- what is asked of them ---------------------------------------------------------------------


@dataclass(frozen=True)
class Share:
    """A share with its standard error; what belongs to one case is not independent."""

    value: float
    error: float
    number: int

    def __str__(self) -> str:
        return f"{100 * self.value:.1f} +- {100 * self.error:.1f} % of {self.number}"


def share(by_case: list[list[bool]]) -> Share:
    """Share of what is true, with the error from the scatter between cases."""
    true = np.array([sum(case) for case in by_case])
    size = np.array([len(case) for case in by_case])
    value = float(true.sum() / max(size.sum(), 1))
    error = float(np.sqrt(np.sum((true - value * size) ** 2)) / max(size.sum(), 1))
    return Share(value, error, int(size.sum()))


def uniformity(outcomes: list[Outcome], estimator: str = "as it is") -> dict[str, float]:
    """p value of chi-square for the ranks of every kind."""
    column = list(FACTORS).index(estimator)
    found = {}
    for kind in KINDS:
        ranks = [outcome["ranks"][kind][column] for outcome in outcomes]
        counts, _ = np.histogram(ranks, BINS, (0, RANKED + 1))
        found[kind] = float(chisquare(counts).pvalue)
    return found


def not_uniform(p_values: dict[str, float]) -> list[str]:
    """The kinds whose ranks are not uniform, after S. Holm, Scand. J. Stat. 6 (1979) 65 (from
    memory)."""
    rejected = []
    for number, (kind, p) in enumerate(sorted(p_values.items(), key=lambda item: item[1])):
        if p > LEVEL / (len(p_values) - number):
            break
        rejected.append(kind)
    return rejected


def figures(outcomes: list[Outcome], estimator: str = "as it is") -> dict[str, float | str]:
    """What the criteria are about."""
    holds, all_widths, resolved, limits = (
        share([[_holds(row) for row in rows if wanted(row)] for rows in by_case])
        for by_case, wanted in (
            ([outcome["thicknesses"] for outcome in outcomes], lambda row: True),
            ([outcome["widths"] for outcome in outcomes], lambda row: True),
            ([outcome["widths"] for outcome in outcomes], lambda row: row[4]),
            ([outcome["widths"] for outcome in outcomes], lambda row: not row[4]),
        )
    )
    rows = np.array([row for outcome in outcomes for row in outcome["thicknesses"]])
    u = (rows[:, 3] - rows[:, 2]) / (2.0 * Z95)
    fisher_u, prior_u = rows[:, 4], rows[:, 5]
    dominated = fisher_u < LEAST_RATIO * prior_u
    p_values = uniformity(outcomes, estimator)
    return {
        "thicknesses_held": holds.value,
        "thicknesses_held_error": holds.error,
        "widths_held": all_widths.value,
        "widths_held_error": all_widths.error,
        "resolved_widths_held": resolved.value,
        "resolved_widths_held_error": resolved.error,
        "limits_held": limits.value,
        "limits_held_error": limits.error,
        "limits": limits.number,
        "half_width_over_fisher": float(np.median(u / fisher_u)),
        "dominated_by_data": int(dominated.sum()),
        "u_over_prior_where_dominated": float(np.median((u / prior_u)[dominated])),
        **{f"p_of_ranks: {kind}": p for kind, p in p_values.items()},
        "not_uniform": ", ".join(not_uniform(p_values)),
    }


def _holds(row: list[float]) -> bool:
    return row[2] <= row[0] <= row[3]


def failed(outcomes: list[Outcome], estimator: str = "as it is") -> list[str]:
    """The criteria that are not met."""
    found = figures(outcomes, estimator)
    criteria = {
        "ranks": not found["not_uniform"],
        "coverage of thicknesses": 0.93 <= found["thicknesses_held"] <= 0.97,
        "coverage of widths": 0.93 <= found["widths_held"] <= 0.97,
        "coverage of limits": found["limits_held"] >= 0.95 - 2.0 * found["limits_held_error"],
        "sharpness": found["half_width_over_fisher"] <= 1.25,
        "sharpness where data dominate": found["u_over_prior_where_dominated"] <= MOST_RATIO,
    }
    return [name for name, met in criteria.items() if not met]


# --- estimators that must fail -----------------------------------------------------------------


def _with_rows(outcome: Outcome, changed: Callable[[list[float]], list[float]]) -> Outcome:
    rows = {key: [changed(row) for row in outcome[key]] for key in ("thicknesses", "widths")}
    return {**outcome, **rows}


def stretched(outcomes: list[Outcome], factor: float) -> list[Outcome]:
    """Intervals that are too wide by a factor; to be looked at with the draws stretched alike."""

    def changed(row: list[float]) -> list[float]:
        truth, value, lower, upper, *rest = row
        ends = max(value + factor * (lower - value), 0.0), value + factor * (upper - value)
        return [truth, value, *ends, *rest]

    return [_with_rows(outcome, changed) for outcome in outcomes]


def prior_only(outcomes: list[Outcome]) -> list[Outcome]:
    """Thicknesses as they were known before, with ranks that are uniform."""

    def changed(row: list[float]) -> list[float]:
        truth, _, _, _, fisher_u, prior_u, median = row
        factor = float(np.exp(Z95 * prior_u / median))
        return [truth, median, median / factor, median * factor, fisher_u, prior_u, median]

    return [
        {**outcome, "thicknesses": [changed(row) for row in outcome["thicknesses"]]}
        for outcome in outcomes
    ]


def undetected(outcomes: list[Outcome]) -> list[str]:
    """The wrong estimators that meet all criteria."""
    failures = {
        "prior": failed(prior_only(outcomes)),
        "u doubled": failed(stretched(outcomes, 2.0), "u doubled"),
        "u halved": failed(stretched(outcomes, 0.5), "u halved"),
    }
    return [name for name, found in failures.items() if not found]


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else CASES
    output = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    limit = float(sys.argv[3]) if len(sys.argv) > 3 else float("inf")
    all_outcomes = resumable.resumed(case, number, digest(), output, limit)
    for key, figure in figures(all_outcomes).items():
        print(f"{key:34} {figure if isinstance(figure, str) else format(figure, '.4g')}")
    print("criteria not met:", failed(all_outcomes) or "none")
    print("wrong estimators that meet them:", undetected(all_outcomes) or "none")
