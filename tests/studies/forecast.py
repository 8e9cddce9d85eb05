"""Do the answers of inversions scatter as the forecast says?

Each case is one sample and one instrument, measured many times with other noise and inverted. What
is known before is a measurement, too: in every repeat the values in the analyst's file are drawn
anew about the truth, with the standard uncertainties that the file states. The error of the answers
then has the forecast's variance. With values that stay the same, they would scatter by the noise of
the readings alone, about a mean that is off.

`lamp` is a collected profile of three layers with flicker, in which calibration limits; `beam` a
viewed one in cycles with escape depth and a measured final depth; `counts` has few counts and a
known instrument. `sharp` asks how often a width is called resolved that is zero, the smallest that
the forecast says can be told from zero, and three times that.

Run as ``python -m studies.forecast [repeats] [output.json]`` in the folder ``tests``.
"""

import hashlib
import json
import sys
from dataclasses import asdict, dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np

from craterfront.answers.results import Answer, answer
from craterfront.experiments.experiment import Experiment, experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forecasts.forecasting import Forecast, forecast
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of

REPEATS = 200
_EXACT = "{{ value = {}, u = 0 }}"
GUESS_OFF = 0.1  # relative standard deviation of guesses about the truth


@dataclass(frozen=True)
class Case:
    """An experiment file with fields, and what is in them.

    Attributes
    ----------
    text : str
    relative, absolute : dict of str to (float, float)
        Truth and standard uncertainty of what is known before; relative: log-normal.
    guessed : dict of str to float
        Truth of what is not.
    """

    text: str
    relative: dict[str, tuple[float, float]] = field(default_factory=dict)
    absolute: dict[str, tuple[float, float]] = field(default_factory=dict)
    guessed: dict[str, float] = field(default_factory=dict)

    def real(self) -> Experiment:
        """The true experiment."""
        known = {name: value for name, (value, _) in (self.relative | self.absolute).items()}
        written = {name: _EXACT.format(value) for name, value in (known | self.guessed).items()}
        return experiment_from_toml(self.text.format(**written))

    def planned(self) -> Experiment:
        """What the analyst knows, at the true values."""
        return self._known(lambda size: 0.0)

    def known(self, rng: np.random.Generator) -> Experiment:
        """What the analyst knows, each value as it was measured or guessed."""
        return self._known(lambda size: size * float(rng.standard_normal()))

    def _known(self, error) -> Experiment:
        written = {}
        for name, (value, u_rel) in self.relative.items():
            drawn = value * np.exp(error(u_rel))
            written[name] = f"{{ value = {drawn:.9g}, u_rel = {u_rel} }}"
        for name, (value, u) in self.absolute.items():
            written[name] = f"{{ value = {value + error(u):.9g}, u = {u} }}"
        for name, value in self.guessed.items():
            written[name] = f"{{ guess = {value * np.exp(error(GUESS_OFF)):.9g} }}"
        return experiment_from_toml(self.text.format(**written))


LAMP = Case(
    """
[[layer]]
name = "nickel"
composition = "Ni"
thickness_nm = {nickel}
interface_width_nm = {nickel_width}
erosion_rate_nm_s = {nickel_rate}
density_g_cm3 = {nickel_density}
[[layer]]
name = "copper"
composition = "Cu"
thickness_nm = {copper}
interface_width_nm = {copper_width}
erosion_rate_nm_s = {copper_rate}
density_g_cm3 = 8.96
[[layer]]
name = "chromium"
composition = "Cr"
thickness_nm = {chromium}
interface_width_nm = {chromium_width}
erosion_rate_nm_s = {chromium_rate}
density_g_cm3 = 7.19
[substrate]
composition = "Fe"
erosion_rate_nm_s = {iron_rate}
[crater]
shape = "parabolic"
curvature = {curvature}
[roughness]
initial_nm = {roughness}
[mixing]
model = "uniform"
length_nm = {mixing}
[detection]
sampling_s = 0.06
duration_s = 13.2
[noise]
counts_per_unit_s = 10.0
flicker = {{ rms = 0.01, correlation_s = 0.1 }}
""",
    relative={
        "nickel_rate": (14.0, 0.02),
        "copper_rate": (20.0, 0.02),
        "chromium_rate": (12.0, 0.03),
        "iron_rate": (13.0, 0.03),
        "nickel_density": (8.9, 0.03),
    },
    absolute={"curvature": (0.06, 0.012), "roughness": (2.0, 0.3), "mixing": (1.2, 0.2)},
    guessed={
        "nickel": 60.0,
        "copper": 50.0,
        "chromium": 45.0,
        "nickel_width": 9.0,
        "copper_width": 11.0,
        "chromium_width": 12.0,
    },
)

BEAM = Case(
    """
[[layer]]
name = "arsenide"
composition = "AlAs"
thickness_nm = {arsenide}
interface_width_nm = {arsenide_width}
erosion_rate_nm_s = {arsenide_rate}
density_g_cm3 = 3.73
[[layer]]
name = "silicon"
composition = "Si"
thickness_nm = {silicon}
interface_width_nm = {silicon_width}
erosion_rate_nm_s = {silicon_rate}
density_g_cm3 = 2.33
[substrate]
composition = "Ge"
erosion_rate_nm_s = {{ value = 0.08, u = 0 }}
[crater]
shape = "flat"
[roughness]
initial_nm = {roughness}
[mixing]
model = "uniform"
length_nm = {mixing}
[detection]
view = "viewed"
timing = "cycle"
escape_depth_nm = {escape}
sampling_s = 8.0
duration_s = 1000.0
[noise]
counts_per_unit_s = 300.0
readout_per_sqrt_s = 0.02
[depth_scale]
final_crater_depth_nm = {final}
""",
    relative={"arsenide_rate": (0.06, 0.03), "silicon_rate": (0.04, 0.03)},
    absolute={
        "roughness": (0.8, 0.1),
        "mixing": (1.2, 0.15),
        "escape": (1.0, 0.1),
        "final": (58.333333, 0.6),
    },
    guessed={
        "arsenide": 20.0,
        "silicon": 15.0,
        "arsenide_width": 5.0,
        "silicon_width": 5.0,
    },
)

_ONE = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {coat}
interface_width_nm = {width}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
density_g_cm3 = 8.96
[substrate]
composition = "Ni"
erosion_rate_nm_s = {{ value = 16.0, u = 0 }}
[crater]
shape = "parabolic"
curvature = {curvature}
[roughness]
initial_nm = {roughness}
[mixing]
model = "uniform"
length_nm = {{ value = 1.0, u = 0 }}
[detection]
sampling_s = 0.05
duration_s = 6.0
[noise]
counts_per_unit_s = {counts}
"""

COUNTS = Case(
    _ONE.replace("{counts}", "0.2").replace("{curvature}", "{{ value = 0.05, u = 0 }}"),
    absolute={"roughness": (2.0, 0.2)},
    guessed={"coat": 60.0, "width": 25.0},
)

SHARP = Case(
    _ONE.replace("{counts}", "4.0"),
    absolute={"roughness": (2.0, 0.25), "curvature": (0.05, 0.01)},
    guessed={"coat": 60.0, "width": 0.0},
)

CASES = {"counts": COUNTS, "lamp": LAMP, "beam": BEAM}


@cache
def of_case(name: str) -> Forecast:
    """The forecast of a case."""
    return forecast(CASES[name].planned())


def _seed(name: str, repeat: int) -> list[int]:
    return [2027, *name.encode(), repeat]


def _measured(real: Experiment, known: Experiment, seed: list[int]) -> Answer:
    """A true sample measured and inverted."""
    number = int(np.random.SeedSequence(seed).generate_state(1)[0])
    profile = profile_of(simulate(real.stack, real.setup, seed=number), "repeat")
    return answer(invert(profile, known))


def answers(name: str, repeat: int) -> dict[str, float]:
    """All answers of one repeat of a case, by the names that the forecast has for them."""
    case = CASES[name]
    known = case.known(np.random.default_rng(_seed(name, repeat)))
    found = {}
    for layer in _measured(case.real(), known, _seed(name, repeat)).layers:
        assert layer.areal_mass_g_m2 is not None
        found[f"thickness of {layer.name}"] = layer.value
        found[f"mass of {layer.name}"] = layer.areal_mass_g_m2
        found[f"width below {layer.name}"] = layer.width.value_nm
    return found


@dataclass(frozen=True)
class Compared:
    """One answer of a case: what was forecast and what came out."""

    case: str
    answer: str
    truth: float
    forecast_u: float
    values: list[float]

    @property
    def scatter(self) -> float:
        """Standard deviation of the values."""
        return float(np.std(self.values, ddof=1))

    @property
    def ratio(self) -> float:
        """Of the actual scatter to the forecast."""
        return self.scatter / self.forecast_u

    @property
    def bias(self) -> float:
        """Mean error, in forecast standard uncertainties."""
        return float(np.mean(self.values) - self.truth) / self.forecast_u


def compared(name: str, repeats: int) -> list[Compared]:
    """Every answer of a case over its repeats."""
    values = [answers(name, repeat) for repeat in range(repeats)]
    return [
        Compared(name, each.name, each.value, each.u, [one[each.name] for one in values])
        for each in of_case(name).answers
    ]


SHARP_TIMES = (0.0, 1.0, 3.0)
"""True widths of the sharp case, in smallest widths of the forecast."""


def sharp(times: float, repeats: int) -> dict[str, float | list[float]]:
    """How often a true width is called resolved, and its upper ends."""
    smallest = forecast(SHARP.planned()).told[0].smallest
    width = times * smallest
    case = replace(SHARP, guessed={**SHARP.guessed, "width": width})
    resolved, upper = 0, []
    for repeat in range(repeats):
        seed = _seed(f"sharp {times}", repeat)
        known = case.known(np.random.default_rng(seed))
        found = _measured(case.real(), known, seed).layers[0].width
        resolved += found.resolved
        upper.append(found.upper_nm)
    return {"width_nm": width, "resolved": resolved / repeats, "upper_nm": upper}


def digest(repeats: int) -> str:
    """SHA-256 of the files of all repeats."""
    texts = [
        repr((case.real(), case.planned(), case.known(np.random.default_rng(_seed(name, repeat)))))
        for name, case in {**CASES, "sharp": SHARP}.items()
        for repeat in range(repeats)
    ]
    return hashlib.sha256("".join(texts).encode()).hexdigest()


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else REPEATS
    everything = []
    for name in CASES:
        everything += compared(name, number)
        for one in everything:
            if one.case == name:
                print(f"{name:8} {one.answer:26} {one.ratio:.3f}  bias {one.bias:+.2f}", flush=True)
    told = {str(times): sharp(times, number) for times in SHARP_TIMES}
    for times, share in told.items():
        print(f"{times} smallest widths: resolved in {share['resolved']:.3f}", flush=True)
    record = {
        "command": f"python -m studies.forecast {number}",
        "repeats": number,
        "inputs_sha256": digest(number),
        "answers": [{**asdict(one), "scatter_over_forecast": one.ratio} for one in everything],
        "smallest_width_nm": forecast(SHARP.planned()).told[0].smallest,
        "sharp": told,
    }
    if len(sys.argv) > 2:
        Path(sys.argv[2]).write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
