"""Do the intervals hold what is near zero, and what is rounded?

Each case is one sample and one instrument, measured many times with other noise, and inverted with
guesses that are off. `AES` is the viewed profile of the example of AlAs in GaAs with mixing length,
roughness and escape depth open; the readings are drawn from a formula, not from the engine. `lamp`
is a collected profile whose roughness and crater curvature are open and small. In `rounded` a
converter rounds the readings of a lamp and nobody tells the noise.

Run as ``python -m studies.coverage [output.json]`` in the folder ``tests``.
"""

import importlib.util
import json
import sys
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import Inversion, invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of

_EXAMPLE = Path(__file__).parents[2] / "simulate" / "examples" / "alas_in_gaas.py"


@dataclass(frozen=True)
class Outcome:
    """One interval, of one quantity and one seed."""

    case: str
    seed: int
    quantity: str
    truth: float
    lower: float
    upper: float
    resolved: bool

    @property
    def holds(self) -> bool:
        return self.lower <= self.truth <= self.upper


def _outcomes(case: str, seed: int, found: Inversion, truth: dict[str, float]) -> list[Outcome]:
    """What the answers say of the quantities of which the truth is known."""
    answers = answer(found)
    spans = {each.name: (each.lower, each.upper, each.resolved) for each in answers.estimates}
    for layer in answers.layers:
        width = layer.width
        spans[f"thickness of {layer.name}"] = layer.lower, layer.upper, layer.resolved
        spans[f"width below {layer.name}"] = width.lower_nm, width.upper_nm, width.resolved
    return [Outcome(case, seed, name, value, *spans[name]) for name, value in truth.items()]


# --- AES: mixing length, roughness and escape depth of the example -----------------------------


def _example():
    spec = importlib.util.spec_from_file_location("alas_in_gaas", _EXAMPLE)
    module = importlib.util.module_from_spec(spec)
    sys.modules["alas_in_gaas"] = module
    spec.loader.exec_module(module)
    return module


def aes(seed: int) -> list[Outcome]:
    example = _example()
    found = invert(example.profile("AES", seed), example.experiment("AES"))
    truth = {
        "escape depth": example.ESCAPE_NM,
        "mixing length": example.MIXING_NM,
        "initial roughness": example.ROUGHNESS_NM,
        "thickness of cap": example.CAP_NM,
    }
    return _outcomes("AES", seed, found, truth)


# --- a lamp: small roughness and curvature -----------------------------------------------------

LAMP = """
[[layer]]
name = "copper"
composition = "Cu"
thickness_nm = {copper}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[[layer]]
name = "nickel"
composition = "Ni"
thickness_nm = {nickel}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {{ value = 12.0, u = 0 }}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[crater]
shape = "parabolic"
curvature = {curvature}
[roughness]
initial_nm = {roughness}
[mixing]
model = "uniform"
length_nm = {{ value = 1.0, u = 0 }}
[detection]
sampling_s = 0.03
duration_s = 12.0
[noise]
counts_per_unit_s = 4.0
"""
LAMP_TRUTH = {"copper": 50.0, "nickel": 60.0, "curvature": 0.01, "roughness": 0.3}
LAMP_GUESS = {
    "copper": "{ guess = 60.0 }",
    "nickel": "{ guess = 50.0 }",
    "curvature": "{ guess = 0.06 }",
    "roughness": "{ guess = 3.0 }",
}


def lamp(seed: int) -> list[Outcome]:
    made = experiment_from_toml(LAMP.format(**LAMP_TRUTH))
    profile = profile_of(simulate(made.stack, made.setup, seed=seed), "profile.nc")
    found = invert(profile, experiment_from_toml(LAMP.format(**LAMP_GUESS)))
    truth = {
        "initial roughness": LAMP_TRUTH["roughness"],
        "crater curvature": LAMP_TRUTH["curvature"],
        "thickness of copper": LAMP_TRUTH["copper"],
        "thickness of nickel": LAMP_TRUTH["nickel"],
    }
    return _outcomes("lamp", seed, found, truth)


# --- a lamp whose readings are rounded ---------------------------------------------------------

ROUNDED = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {coat}
interface_width_nm = {width}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[substrate]
composition = "Ni"
erosion_rate_nm_s = {{ value = 16.0, u = 0 }}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[detection]
sampling_s = 0.02
duration_s = 6.0
[[detection.channel]]
element = "Cu"
sensitivity = {{ guess = 1.0 }}
reading_step = 100.0
[[detection.channel]]
element = "Ni"
sensitivity = {{ guess = 1.0 }}
reading_step = 100.0
"""
NOISE_TO_STEP = (0.1, 0.15, 0.2, 0.3, 0.45, 0.7)


def rounded(seed: int) -> list[Outcome]:
    """Of some 1700 units; thickness and noise differ, so that steps lie elsewhere on the edge."""
    truth = {"coat": 60.0 + 0.37 * (seed % 7), "width": (5.0, 12.0)[seed % 2]}
    noise = 100.0 * NOISE_TO_STEP[seed % len(NOISE_TO_STEP)] * 0.02**0.5
    made = experiment_from_toml(f"{ROUNDED.format(**truth)}[noise]\nreadout_per_sqrt_s = {noise}\n")
    profile = profile_of(simulate(made.stack, made.setup, seed=seed), "profile.nc")
    known = ROUNDED.format(coat="{ guess = 50.0 }", width="{ guess = 2.0 }")
    found = invert(profile, experiment_from_toml(known))
    values = {"thickness of coat": truth["coat"], "width below coat": truth["width"]}
    return _outcomes("rounded", seed, found, values)


CASES: dict[str, Callable[[int], list[Outcome]]] = {"AES": aes, "lamp": lamp, "rounded": rounded}


SEEDS = {"AES": 20, "lamp": 150, "rounded": 100}
"""How often each is measured for the record."""


def run(seeds: Mapping[str, int]) -> list[Outcome]:
    """All outcomes of all cases, on two processes."""
    names = [name for name in CASES for _ in range(seeds[name])]
    numbers = [seed for name in CASES for seed in range(1, seeds[name] + 1)]
    with ProcessPoolExecutor(2) as pool:
        found = pool.map(_case, names, numbers)
        return [outcome for outcomes in found for outcome in outcomes]


def _case(name: str, seed: int) -> list[Outcome]:
    return CASES[name](seed)


def held(outcomes: list[Outcome]) -> dict[str, float]:
    """Share of the intervals that hold the truth, by case and quantity."""
    by_quantity: dict[str, list[bool]] = {}
    for each in outcomes:
        by_quantity.setdefault(f"{each.case}: {each.quantity}", []).append(each.holds)
    return {name: sum(holds) / len(holds) for name, holds in by_quantity.items()}


if __name__ == "__main__":
    found = run(SEEDS)
    shares = held(found)
    for name, share in shares.items():
        print(f"{name:40} {share:.3f}")
    if len(sys.argv) > 1:
        record = {"seeds": SEEDS, "held_95": shares, "outcomes": [asdict(each) for each in found]}
        Path(sys.argv[1]).write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
