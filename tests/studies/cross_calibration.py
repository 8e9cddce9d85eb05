"""Does a calibration carry over to another sample, and is a drift noticed?

An instrument (crater, mixing, sensitivities, erosion rates) is hidden. A reference whose
thicknesses are known with an uncertainty is simulated with it and calibrates it; another sample,
made with the same hidden instrument, is simulated and inverted with that calibration. Asked are the
coverage of its 95 % intervals, how often a drift is reported where there is none, and how often
where all erosion rates have drifted by a stated amount since. The same sample is also inverted with
what is known without the reference, to see what the calibration is worth.

Run as ``python -m studies.cross_calibration [cases] [output.json] [minutes]`` in the folder
``tests``. After so many minutes it stops; the same command goes on.
"""

import hashlib
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from craterfront.answers.results import Answer, answer
from craterfront.experiments.experiment import Experiment, experiment_from_dict
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.instruments.instrument_calibration import calibrate
from craterfront.instruments.instrument_file import InstrumentCalibration
from craterfront.instruments.instrument_inversion import invert_with_instrument
from craterfront.instruments.measurement_chain import Measurement
from craterfront.measured_files.files import profile_of
from craterfront.measured_files.measured_profile import MeasuredProfile
from studies import resumable
from studies.resumable import Outcome
from studies.simulation_based_calibration import Share, share

CASES = 200
METALS = ("Cu", "Ni", "Al")
THICKNESS_U_REL = 0.015
DRIFT = 0.05  # of all erosion rates
_REPORTED = "is not as calibrated"


@dataclass(frozen=True)
class Hidden:
    """An instrument that nobody knows."""

    curvature: float
    mixing_nm: float
    rate_nm_s: Mapping[str, float]
    density_g_cm3: Mapping[str, float]
    sensitivity: Mapping[str, float]

    def drifted(self, share: float) -> "Hidden":
        """With all rates larger by a share."""
        rates = {metal: (1.0 + share) * rate for metal, rate in self.rate_nm_s.items()}
        return Hidden(self.curvature, self.mixing_nm, rates, self.density_g_cm3, self.sensitivity)


_NOMINAL_RATE = {"Cu": 20.0, "Ni": 10.0, "Al": 16.0}
_NOMINAL_DENSITY = {"Cu": 8.96, "Ni": 8.90, "Al": 2.70}
_INITIAL_NM = 1.5


def hidden_instrument(rng: np.random.Generator) -> Hidden:
    return Hidden(
        rng.uniform(0.03, 0.08),
        rng.uniform(0.7, 1.5),
        {m: r * np.exp(0.2 * rng.standard_normal()) for m, r in _NOMINAL_RATE.items()},
        {m: d * np.exp(0.03 * rng.standard_normal()) for m, d in _NOMINAL_DENSITY.items()},
        {m: rng.uniform(0.5, 1.5) for m in METALS},
    )


def _experiment(
    thickness_nm: list[Any], width_nm: list[Any], instrument: dict[str, Any]
) -> Experiment:
    layers = [
        {"material": metal, "thickness_nm": t, "interface_width_nm": w}
        for metal, t, w in zip(METALS, thickness_nm, width_nm, strict=False)
    ]
    return experiment_from_dict(
        {
            "layer": layers,
            "substrate": {"material": METALS[-1]},
            "roughness": {"initial_nm": {"value": _INITIAL_NM, "u": 0.0}},
            "noise": {"counts_per_unit_s": 20.0},
            **instrument,
        }
    )


def _materials(rate_nm_s: Mapping[str, Any], density_g_cm3: Mapping[str, Any]) -> dict[str, Any]:
    """Of each metal what is known of its rate and its density."""
    return {
        metal: {
            "composition": metal,
            "erosion_rate_nm_s": rate_nm_s[metal],
            "density_g_cm3": density_g_cm3[metal],
        }
        for metal in METALS
    }


def _true(hidden: Hidden, thickness_nm: list[float], width_nm: list[float]) -> Experiment:
    needed_s = 1.6 * sum(
        t / hidden.rate_nm_s[m] for t, m in zip(thickness_nm, METALS, strict=False)
    )
    return _experiment(
        thickness_nm,
        width_nm,
        {
            "material": _materials(hidden.rate_nm_s, hidden.density_g_cm3),
            "crater": {"shape": "parabolic", "curvature": hidden.curvature},
            "mixing": {"model": "uniform", "length_nm": hidden.mixing_nm},
            "detection": {
                "sampling_s": needed_s / 300.0,
                "duration_s": needed_s,
                "channel": [{"element": m, "sensitivity": hidden.sensitivity[m]} for m in METALS],
            },
        },
    )


def _supposed(thickness_nm: list[Any], width_nm: list[Any]) -> Experiment:
    """What is known of a sample, and hardly anything of the instrument."""
    rates = {m: {"value": rate, "u_rel": 0.2} for m, rate in _NOMINAL_RATE.items()}
    densities = {m: {"value": density, "u_rel": 0.03} for m, density in _NOMINAL_DENSITY.items()}
    return _experiment(
        thickness_nm,
        width_nm,
        {
            "material": _materials(rates, densities),
            "crater": {"shape": "parabolic", "curvature": {"guess": 0.05}},
            "mixing": {"model": "uniform", "length_nm": {"value": 1.1, "u": 0.4}},
        },
    )


def _profile(experiment: Experiment, seed: int) -> MeasuredProfile:
    return profile_of(simulate(experiment.stack, experiment.setup, seed=seed), f"seed {seed}")


def calibrated(hidden: Hidden, rng: np.random.Generator, seed: int) -> InstrumentCalibration:
    """From a reference of which the thicknesses are stated with an error."""
    true_nm = [rng.uniform(50.0, 80.0), rng.uniform(30.0, 60.0)]
    stated = [
        {"value": t * (1.0 + THICKNESS_U_REL * rng.standard_normal()), "u_rel": THICKNESS_U_REL}
        for t in true_nm
    ]
    sharp = [{"value": 0.0, "u": 0.0}] * 2
    profile = _profile(_true(hidden, true_nm, [0.0, 0.0]), seed)
    reference = Measurement(profile, _supposed(stated, sharp))
    return calibrate([reference]).calibration


def drawn(seed: int) -> tuple[Hidden, list[float], list[float], np.random.Generator]:
    """The instrument, thicknesses and widths of the other sample, and what draws the rest."""
    rng = np.random.default_rng([2030, seed])
    thickness_nm = [rng.uniform(30.0, 100.0), rng.uniform(20.0, 60.0)]
    return hidden_instrument(rng), thickness_nm, [rng.uniform(3.0, 8.0), 0.0], rng


def digest() -> str:
    """SHA-256 of the first cases, to nine digits."""
    written = repr([drawn(seed)[:3] for seed in range(20)])
    rounded = re.sub(r"\d+\.\d+(e[-+]\d+)?", lambda found: f"{float(found[0]):.9g}", written)
    return hashlib.sha256(rounded.encode()).hexdigest()


def case(seed: int) -> Outcome:
    """Answers with and without a drift, and without the calibration; whether a drift is reported.

    Thicknesses and widths as (truth, value, lower, upper), thicknesses with u.
    """
    hidden, thickness_nm, width_nm, rng = drawn(seed)
    calibration = calibrated(hidden, rng, seed)
    known = _supposed([{"guess": t * rng.uniform(0.8, 1.25)} for t in thickness_nm], [4.0, 4.0])
    outcome: Outcome = {"seed": seed}
    for name, drift in (("same", 0.0), ("drifted", DRIFT)):
        profile = _profile(_true(hidden.drifted(drift), thickness_nm, width_nm), seed + 50_000)
        found = answer(invert_with_instrument(profile, known, calibration))
        outcome[name] = _rows(found, thickness_nm, width_nm)
        outcome[f"{name}: reported"] = any(_REPORTED in warning for warning in found.warnings)
        if not drift:
            outcome["without"] = _rows(answer(invert(profile, known)), thickness_nm, width_nm)
    return outcome


def _rows(
    found: Answer, thickness_nm: list[float], width_nm: list[float]
) -> dict[str, list[list[float]]]:
    rows: dict[str, list[list[float]]] = {"thicknesses": [], "widths": []}
    for layer, t, w in zip(found.layers, thickness_nm, width_nm, strict=True):
        width = layer.width
        for kind, numbers in (
            ("thicknesses", (t, layer.value, layer.lower, layer.upper, layer.u)),
            ("widths", (w, width.value_nm, width.lower_nm, width.upper_nm)),
        ):
            rows[kind].append([float(f"{number:.6g}") for number in numbers])
    return rows


def held(outcomes: list[Outcome], which: str, kind: str) -> Share:
    """Share of the intervals that hold the truth."""
    return share([[row[2] <= row[0] <= row[3] for row in each[which][kind]] for each in outcomes])


def relative_u(outcomes: list[Outcome], which: str) -> float:
    """Median of u over value of the thicknesses."""
    rows = np.array([row for each in outcomes for row in each[which]["thicknesses"]])
    return float(np.median(rows[:, 4] / rows[:, 1]))


def reported(outcomes: list[Outcome], which: str) -> Share:
    """Share of the samples of which the report says that the instrument is not as calibrated."""
    return share([[each[f"{which}: reported"]] for each in outcomes])


def failed(outcomes: list[Outcome]) -> list[str]:
    """The criteria that are not met, within two standard errors of the shares."""
    thicknesses = held(outcomes, "same", "thicknesses")
    widths = held(outcomes, "same", "widths")
    false_alarms, alarms = reported(outcomes, "same"), reported(outcomes, "drifted")
    criteria = {
        "coverage of thicknesses": thicknesses.value + 2.0 * thicknesses.error >= 0.95,
        "coverage of widths": widths.value + 2.0 * widths.error >= 0.95,
        "worth": relative_u(outcomes, "same") <= 0.5 * relative_u(outcomes, "without"),
        "false alarms": false_alarms.value - 2.0 * false_alarms.error <= 0.05,
        "alarms": alarms.value >= 0.9,
    }
    return [name for name, met in criteria.items() if not met]


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else CASES
    output = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    limit = float(sys.argv[3]) if len(sys.argv) > 3 else float("inf")
    all_outcomes = resumable.resumed(case, number, digest(), output, limit)
    for which in ("same", "drifted", "without"):
        print(f"{which}: thickness intervals hold {held(all_outcomes, which, 'thicknesses')}")
        print(f"{which}: width intervals hold {held(all_outcomes, which, 'widths')}")
        print(f"{which}: median u of thicknesses {100 * relative_u(all_outcomes, which):.2f} %")
    for which in ("same", "drifted"):
        print(f"{which}: a drift is reported of {reported(all_outcomes, which)}")
    print("criteria not met:", failed(all_outcomes) or "none")
