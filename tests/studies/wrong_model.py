"""Do the intervals of thicknesses hold the truth where the model of the analyst is wrong?

Profiles are made by the resolved engine, in which atoms fall back on the sample and the current
follows the surface, and inverted with the quick engine, which knows of neither. Stacks of 2 to 5
layers, rates, crater, mixing and noise are those that `recovery` draws, without roughness, which
a resolved crater has not. Each case is measured with the counts of `recovery` and with a hundred
times as many, some 1e4 in a reading, which show more of what is wrong. Drawn besides:

- the share of the atoms that falls back, 0.2 to 0.7, the range of `models.lamp`;
- the current that each metal draws at the voltage of the lamp, within `CURRENT_RANGE` of the one
  for which its rate is given, all equally probable.

A misfit shows in the residuals, and `invert` widens all intervals for it. A current that goes by
the surface rescales the rate of a layer and leaves no residuals; for that `[discrepancy]
rate_u_rel` stands. What the analyst writes there follows from `CURRENT_RANGE` alone: the rate goes
with the current, anything in the range is as probable as anything else, and a rectangular
distribution of this half-width has the standard deviation `CURRENT_RANGE / sqrt(3)` (GUM 4.3.7).
What falls back adds nothing, because it moves no arrival (guide, "Resolved craters").

The same profile is inverted with both discrepancies, with each alone, and with none. A fifth set
of figures adds the uncertainty of rates to the answers of the residual one afterwards. Errors and
widths of intervals are logarithms of thicknesses, because rates act on them by factors.

Run as ``python -m studies.wrong_model [cases] [output.json] [first]`` in the folder ``tests``. With
a first case above 0 the cases are added to those in the output, so a long run can be done in
pieces.
"""

import contextlib
import hashlib
import itertools
import json
import math
import re
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from craterfront.coupling import Coupling
from craterfront.experiment import Experiment
from craterfront.files import profile_of
from craterfront.forward import simulate
from craterfront.inversion import Inversion, invert
from craterfront.layer_answers import Z95
from craterfront.measured_profile import MeasuredProfile
from craterfront.results import answer
from craterfront.setup import Detection, Discrepancy, Noise, Setup
from craterfront.source import GlowDischarge
from studies import recovery

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
    return mock.patch("craterfront.inversion.update_discrepancy", return_value=0.0)


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


def case(seed: int) -> list[Outcome]:
    """Simulate one case and invert it in all variants: its layers, and their total depth."""
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
    return outcomes


def digest(cases: int) -> str:
    """SHA-256 of all that is written for a study, to nine digits."""
    written = repr([experiments(seed, counts) for seed in seeds(cases) for counts in COUNTS])
    rounded = re.sub(r"\d+\.\d+(e[-+]\d+)?", lambda found: f"{float(found[0]):.9g}", written)
    return hashlib.sha256(rounded.encode()).hexdigest()


def only(what: str, counts: float, variant: str, outcomes: list[Outcome]) -> list[Outcome]:
    """The outcomes of layers, or of total depths, with the given counts and by one variant."""
    wanted = what, counts, variant
    return [o for o in outcomes if (o.what, o.counts, o.variant) == wanted]


def added_afterwards(outcomes: list[Outcome]) -> list[Outcome]:
    """Answers of the residual variant with the uncertainty of rates added to them in quadrature.

    A fit with it may learn rates from the shapes of interfaces, which are wrong as well. Here it
    may not: what the model itself is wrong by, no profile tells through this model.
    """
    found = []
    for counts in COUNTS:
        layers = only("layer", counts, "residual", outcomes)
        for total in only("total depth", counts, "residual", outcomes):
            own = [o for o in layers if o.seed == total.seed]
            for o, parts in [(o, [o]) for o in own] + [(total, own)]:
                u_nm = RATE_U_REL * math.hypot(*(part.value_nm for part in parts))
                factor = math.exp(math.hypot(o.half_width, Z95 * u_nm / o.value_nm))
                ends = {"lower_nm": o.value_nm / factor, "upper_nm": o.value_nm * factor}
                found.append(replace(o, variant="afterwards", **ends))
    return found


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
    found, known = [], [*outcomes, *added_afterwards(outcomes)]
    variants = (*VARIANTS, "afterwards")
    for counts, what, variant in itertools.product(COUNTS, ("layer", "total depth"), variants):
        some = only(what, counts, variant, known)
        shown = len({o.seed for o in some if o.residuals_show})
        which = {"counts": counts, "what": what, "variant": variant}
        found.append({**which, **figures(some), "cases_in_which_residuals_show": shown})
    return found


def run(cases: int, first: int = 0) -> list[Outcome]:
    """All variants of all cases, on two processes; tells how far it is."""
    outcomes = []
    with ProcessPoolExecutor(2) as pool:
        for done, found in enumerate(pool.map(case, seeds(cases, first)), 1):
            outcomes += found
            print(f"{done} of {cases} cases", file=sys.stderr, flush=True)
    return outcomes


def _commit() -> str:
    asked = ["git", "-C", str(Path(__file__).parent), "rev-parse", "HEAD"]
    return subprocess.run(asked, capture_output=True, text=True, check=True).stdout.strip()


def main() -> None:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 80
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    output = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    before = []
    if output and first:
        before = [Outcome(**o) for o in json.loads(output.read_text("utf-8"))["outcomes"]]
        if sorted({o.seed for o in before}) != seeds(first):
            raise SystemExit(f"{output}: does not hold the cases up to {first}")
    outcomes = before + run(cases, first)
    total = first + cases
    record = {
        "command": f"python -m studies.wrong_model {total}",
        "commit": _commit(),
        "cases": total,
        "inputs_sha256": digest(total),
        "rate_u_rel": RATE_U_REL,
        "figures": all_figures(outcomes),
    }
    print(json.dumps(record, indent=1))
    if output:
        whole = {**record, "outcomes": [asdict(o) for o in outcomes]}
        output.write_text(json.dumps(whole, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
