"""Do the intervals of thicknesses hold the truth where the model of the analyst is wrong?

Profiles are made by the resolved engine, in which atoms fall back on the sample and the current
follows the surface, and inverted with the quick engine, which knows of neither. Stacks of 2 to 5
layers, rates, crater, mixing and noise are those that `recovery` draws, without roughness, which
a resolved crater has not. Each case is measured with the counts of `recovery` and with a hundred
times as many, some 1e4 in a reading, which show more of what is wrong. Drawn besides:

- the share of the atoms that falls back, 0.2 to 0.7, the range of `models.sources.lamp`;
- the current that each metal draws at the voltage of the lamp, within `CURRENT_RANGE` of the one
  for which its rate is given, all equally probable.

A misfit shows in the residuals, and `invert` widens all intervals for it. A current that goes by
the surface rescales the rate of a layer and leaves no residuals; for that `[discrepancy]
rate_u_rel` stands. What the analyst writes there follows from `CURRENT_RANGE` alone: the rate goes
with the current, anything in the range is as probable as anything else, and a rectangular
distribution of this half-width has the standard deviation `CURRENT_RANGE / sqrt(3)` (GUM 4.3.7).
What falls back adds nothing, because it moves no arrival (guide, "Resolved craters").

The same profile is inverted with both discrepancies, with each alone, and with none. Errors and
widths of intervals are logarithms of thicknesses, because rates act on them by factors.

Run as ``python -m studies.wrong_model [cases] [output.json] [minutes]`` in the folder ``tests``.
After so many minutes it stops; the same command goes on.
"""

import contextlib
import hashlib
import itertools
import json
import math
import re
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from craterfront.answers.results import answer
from craterfront.experiments.coupling import Coupling
from craterfront.experiments.detection import Detection
from craterfront.experiments.experiment import Experiment
from craterfront.experiments.noise import Noise
from craterfront.experiments.rate_discrepancy import Discrepancy
from craterfront.experiments.setup import Setup
from craterfront.experiments.source import GlowDischarge
from craterfront.fitting.inversion import Inversion, invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.objective.estimation import Z95
from studies import recovery, resumable

CASES = 60
DIGESTED = 8
MOST_LAYERS = 5
REDEPOSITED = (0.2, 0.7)
CURRENT_RANGE = 0.10
"""Half-width of the range of currents of metals at one voltage and pressure (common practice, no
source)."""

RATE_U_REL = CURRENT_RANGE / math.sqrt(3.0)
ANNULI = 24
COUNTS = (1.0, 100.0)  # relative to `recovery`
LONGER = 1.1  # than in `recovery`: as the smallest current makes it last

VARIANTS = ("both", "residual", "rate", "none")
"""Discrepancies that count: that in residuals and that of rates, one of them, or none."""


@dataclass(frozen=True)
class Outcome:
    """One layer of one case by one variant, or the total depth of all its layers."""

    seed: int
    counts: float  # relative to `recovery`
    variant: str
    what: str
    truth_nm: float
    value_nm: float
    lower_nm: float
    upper_nm: float
    residuals_show: bool  # that the model is wrong; known where that discrepancy counts

    @property
    def holds(self) -> bool:
        return self.lower_nm <= self.truth_nm <= self.upper_nm

    @property
    def error(self) -> float:
        """Logarithm of value over truth."""
        return math.log(self.value_nm / self.truth_nm)

    @property
    def half_width(self) -> float:
        """Half of the logarithm of the upper over the lower end."""
        return 0.5 * math.log(self.upper_nm / self.lower_nm)


def seeds(cases: int, first: int = 0) -> list[int]:
    """Seeds of `recovery` with few enough layers."""
    few = (s for s in itertools.count() if len(recovery.draw(s)[0].thickness_nm) <= MOST_LAYERS)
    return list(itertools.islice(few, first, first + cases))


def experiments(seed: int, counts: float) -> tuple[Experiment, Experiment]:
    """The true experiment of a case, and what the analyst knows of it, both discrepancies in it.

    Parameters
    ----------
    seed
    counts
        Relative to those of `recovery`.
    """
    truth = recovery.draw(seed)[0]
    rng = np.random.default_rng([2027, seed])
    share = float(rng.uniform(*REDEPOSITED))
    current = {
        metal: float(rng.uniform(1.0 - CURRENT_RANGE, 1.0 + CURRENT_RANGE))
        for metal in truth.rate_nm_s
    }
    lamp = GlowDischarge(
        voltage_V=700.0, current_mA=20.0, anode_diameter_mm=4.0, redeposited_share=share
    )
    duration_s = LONGER * truth.duration_s
    real, known = recovery.experiments(seed)
    same = {
        "detection": Detection(sampling_s=duration_s / recovery.READINGS, duration_s=duration_s),
        "noise": Noise(
            counts_per_unit_s=counts * truth.counts_per_unit_s, flicker=real.setup.noise.flicker
        ),
    }
    coupling = Coupling(annuli=ANNULI, relative_current=current)
    return (
        _smooth(real, **same, source=lamp, coupling=coupling),
        _smooth(known, **same, discrepancy=Discrepancy(rate_u_rel=RATE_U_REL)),
    )


def _smooth(drawn: Experiment, **more: Any) -> Experiment:
    """The stack, crater and mixing of a case, without roughness."""
    setup = Setup(crater=drawn.setup.crater, mixing=drawn.setup.mixing, **more)
    return Experiment(stack=drawn.stack, setup=setup)


def without_rates(known: Experiment) -> Experiment:
    """The same knowledge, but nothing of a wrong model in the rates."""
    return _smooth(known, detection=known.setup.detection, noise=known.setup.noise)


def _blind_to_residuals() -> contextlib.AbstractContextManager:
    """The noise of the file, whatever the residuals say."""
    return mock.patch("craterfront.fitting.best_fit.update_discrepancy", return_value=0.0)


def inversions(profile: MeasuredProfile, known: Experiment) -> dict[str, tuple[Inversion, bool]]:
    """By variant, with whether residuals show that the model is wrong."""
    found = {}
    for experiment, seeing, blind in (
        (known, "both", "rate"),
        (without_rates(known), "residual", "none"),
    ):
        seen = invert(profile, experiment)
        noise = seen.likelihood.noise
        show = bool(noise.shortfall.any() or np.any(noise.correlation > 1.0))
        found[seeing] = seen, show
        if show:  # otherwise the noise of the file is what counts, and both are one
            with _blind_to_residuals():
                seen = invert(profile, experiment)
        found[blind] = seen, False
    return found


def case(number: int) -> resumable.Outcome:
    """Simulate one case and invert it in all variants: its layers, and their total depth."""
    (seed,) = seeds(1, number)
    truths = recovery.draw(seed)[0].thickness_nm
    outcomes = []
    for counts in COUNTS:
        real, known = experiments(seed, counts)
        made = simulate(real.stack, real.setup, seed=seed, resolved=True)
        for variant, (found, show) in inversions(profile_of(made, f"case {seed}"), known).items():
            layers, which = answer(found).layers, (seed, counts, variant)
            outcomes += [
                Outcome(*which, "layer", truth, each.value, each.lower, each.upper, show)
                for truth, each in zip(truths, layers, strict=True)
            ]
            deepest = layers[-1]
            depth = deepest.depth, deepest.depth_lower, deepest.depth_upper
            outcomes.append(Outcome(*which, "total depth", sum(truths), *depth, show))
    return {"seed": number, "answers": [asdict(o) for o in outcomes]}


def answers(cases: list[resumable.Outcome]) -> list[Outcome]:
    """All answers of all cases."""
    return [Outcome(**each) for found in cases for each in found["answers"]]


def digest() -> str:
    """SHA-256 of what is written for the first cases, to nine digits."""
    written = repr([experiments(seed, counts) for seed in seeds(DIGESTED) for counts in COUNTS])
    rounded = re.sub(r"\d+\.\d+(e[-+]\d+)?", lambda found: f"{float(found[0]):.9g}", written)
    return hashlib.sha256(rounded.encode()).hexdigest()


def only(what: str, counts: float, variant: str, outcomes: list[Outcome]) -> list[Outcome]:
    """The outcomes of layers, or of total depths, with the given counts and by one variant."""
    wanted = what, counts, variant
    return [o for o in outcomes if (o.what, o.counts, o.variant) == wanted]


def coverage(outcomes: list[Outcome]) -> tuple[float, float]:
    """Share of the 95 % intervals that hold the truth, and its standard error.

    The layers of a case have readings, crater and lamp in common: cases are what is independent.
    """
    share = float(np.mean([o.holds for o in outcomes]))
    excess: dict[int, float] = {}
    for o in outcomes:
        excess[o.seed] = excess.get(o.seed, 0.0) + o.holds - share
    cases = len(excess)
    spread = math.sqrt(sum(e**2 for e in excess.values()) * cases / (cases - 1))
    return share, spread / len(outcomes)


def figures(outcomes: list[Outcome]) -> dict[str, float]:
    """Coverage, and how wide intervals are against the errors that were made."""
    share, error = coverage(outcomes)
    rms = math.sqrt(np.mean([o.error**2 for o in outcomes]))
    half = float(np.median([o.half_width for o in outcomes]))
    return {
        "coverage_95": share,
        "standard_error_by_case": error,
        "rms_error_rel": rms,
        "median_half_width_rel": half,
        "median_half_width_over_rms_error": half / rms,
        "median_full_width_over_rms_error": 2.0 * half / rms,
        "median_u_over_rms_error": half / Z95 / rms,
    }


def all_figures(outcomes: list[Outcome]) -> list[dict[str, Any]]:
    """Of thicknesses and of total depths, by counts and variant."""
    found = []
    for counts, what, variant in itertools.product(COUNTS, ("layer", "total depth"), VARIANTS):
        some = only(what, counts, variant, outcomes)
        shown = len({o.seed for o in some if o.residuals_show})
        which = {"counts": counts, "what": what, "variant": variant}
        found.append({**which, **figures(some), "cases_in_which_residuals_show": shown})
    return found


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else CASES
    output = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    limit = float(sys.argv[3]) if len(sys.argv) > 3 else math.inf
    found = resumable.resumed(case, wanted, digest(), output, limit)
    print(json.dumps(all_figures(answers(found)), indent=1))
