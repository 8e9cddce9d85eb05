"""Are wide interfaces called resolved, and sharp ones not?

Designs, samples and instruments are drawn from priors as in `simulation_based_calibration`, with
one or two layers; of the widths nothing is known but that they are below the thinner neighbour.
The forecast says what width of one interface is the smallest that can be told from zero. Each
sample is measured with that interface sharp, and three times as wide as that.

Run as ``python -m studies.width_checks [interfaces] [output.json] [minutes]`` in the folder
``tests``. After so many minutes it stops; the same command goes on.
"""

import hashlib
import re
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from craterfront.answers.results import answer
from craterfront.experiments.depth_scale import DepthScale
from craterfront.experiments.experiment import Experiment
from craterfront.fitting.inversion import invert
from craterfront.forecasts.information import Information
from craterfront.forecasts.planned import plan_measurement
from craterfront.forecasts.smallest import detection
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import time_edges_s
from studies import resumable
from studies.drawn_from_priors import THICKNESS, WIDTH, Design, draw_design, measured
from studies.resumable import Outcome
from studies.simulation_based_calibration import Share, share

INTERFACES = 400
TIMES = 3.0
MOST_OF_NEIGHBOUR = 0.3  # a wider transition leaves nothing of the layer
_GUESS_NM = 2.0


@dataclass(frozen=True)
class Case:
    """A design, one of its interfaces, what is known, and the smallest width of the forecast."""

    design: Design
    interface: str
    smallest_nm: float
    rng: np.random.Generator

    @property
    def known(self) -> Experiment:
        """What an inversion is told: nothing of the widths."""
        return _known(self.design)


def _known(design: Design, sharp: str = "") -> Experiment:
    written: Mapping[str, float | dict[str, float]] = {
        name: prior.written for name, prior in design.priors.items()
    }
    open_widths = {name: {"guess": _GUESS_NM * (name != sharp)} for name in design.of_kind(WIDTH)}
    return design.experiment({**written, **open_widths})


def _smallest_nm(design: Design, interface: str) -> float:
    """Smallest width of an interface that is told from zero, at the values that are expected."""
    experiment = _known(design, interface)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    planned = plan_measurement(assembly, time_edges_s(assembly), DepthScale())
    index = [parameter.name for parameter in assembly.parameters].index(interface)
    return detection(Information.of(planned), index, DepthScale()).smallest


def drawn(seed: int) -> Case:
    """A case in which three times the smallest width fits between the neighbours."""
    rng = np.random.default_rng([2029, seed])
    while True:
        design = draw_design(rng, int(rng.integers(1, 3)))
        number = int(rng.integers(len(design.layers)))
        neighbours = [design.priors[f"{THICKNESS} {name}"].value for name in design.layers]
        thinner = min(neighbours[number : number + 2])
        interface = f"{WIDTH} {design.layers[number]}"
        smallest = _smallest_nm(design, interface)
        if TIMES * smallest <= MOST_OF_NEIGHBOUR * thinner:
            return Case(design, interface, smallest, rng)


def digest() -> str:
    """SHA-256 of the designs and truths of the first cases, to nine digits."""
    written = ""
    for seed in range(20):
        rng = np.random.default_rng([2029, seed])
        design = draw_design(rng, int(rng.integers(1, 3)))
        written += repr((design, design.draw(rng)))
    rounded = re.sub(r"\d+\.\d+(e[-+]\d+)?", lambda found: f"{float(found[0]):.9g}", written)
    return hashlib.sha256(rounded.encode()).hexdigest()


def case(seed: int) -> Outcome:
    """One interface, measured sharp and wide: whether it is resolved, and its upper end [nm]."""
    began = time.monotonic()
    drawn_case = drawn(seed)
    design, interface, rng = drawn_case.design, drawn_case.interface, drawn_case.rng
    truth = design.draw(rng)
    outcome: Outcome = {"seed": seed, "smallest_nm": float(f"{drawn_case.smallest_nm:.6g}")}
    number = design.of_kind(WIDTH).index(interface)
    for name, times in (("sharp", 0.0), ("wide", TIMES)):
        real = {**truth, interface: times * drawn_case.smallest_nm}
        found = answer(invert(measured(design, real, rng), drawn_case.known)).layers[number].width
        outcome[name] = [found.resolved, float(f"{found.upper_nm:.6g}")]
    return {**outcome, "seconds": round(time.monotonic() - began, 1)}


def resolved(outcomes: list[Outcome], which: str) -> Share:
    """Share of the sharp or wide interfaces that are called resolved."""
    return share([[outcome[which][0]] for outcome in outcomes])


def median_limit(outcomes: list[Outcome]) -> float:
    """Upper end for a sharp interface, over the smallest width."""
    return float(np.median([outcome["sharp"][1] / outcome["smallest_nm"] for outcome in outcomes]))


def failed(outcomes: list[Outcome]) -> list[str]:
    """The criteria that are not met, within two standard errors of the shares."""
    sharp, wide = resolved(outcomes, "sharp"), resolved(outcomes, "wide")
    criteria = {
        "wide ones are resolved": wide.value + 2.0 * wide.error >= 0.95,
        "sharp ones are not": sharp.value - 2.0 * sharp.error <= 0.05,
        "limits": median_limit(outcomes) <= 1.5,
    }
    return [name for name, met in criteria.items() if not met]


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else INTERFACES
    output = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    limit = float(sys.argv[3]) if len(sys.argv) > 3 else float("inf")
    all_outcomes = resumable.resumed(case, number, digest(), output, limit)
    print("three times the smallest width: resolved in", resolved(all_outcomes, "wide"))
    print("sharp: resolved in", resolved(all_outcomes, "sharp"))
    print(f"median limit of sharp ones: {median_limit(all_outcomes):.2f} smallest widths")
    print("criteria not met:", failed(all_outcomes) or "none")
