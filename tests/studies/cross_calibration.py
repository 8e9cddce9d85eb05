"""Does a calibration carry over to another sample, and is a drift noticed?

An instrument (crater, mixing, sensitivities, erosion rates) is hidden. A reference whose
thicknesses are known with an uncertainty is simulated with it and calibrates it; another sample,
made with the same hidden instrument, is simulated and inverted with that calibration. Asked are the
coverage of its 95 % intervals, how often a drift is reported where there is none, and how often
where all erosion rates have drifted by a stated amount since. The same sample is also inverted with
what is known without the reference, to see what the calibration is worth.

Run as ``python -m studies.cross_calibration [cases] [output.json]`` in the folder ``tests``.
"""

import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from craterfront.experiment import Experiment, experiment_from_dict
from craterfront.files import profile_of
from craterfront.forward import simulate
from craterfront.instrument_calibration import calibrate
from craterfront.instrument_file import InstrumentCalibration
from craterfront.instrument_inversion import invert_with_instrument
from craterfront.measurement_chain import Measurement
from craterfront.results import answer

METALS = ("Cu", "Ni", "Al")
THICKNESS_U_REL = 0.015
DRIFT = 0.05  # of all erosion rates


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


def _profile(experiment: Experiment, seed: int):
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


def one_case(seed: int) -> dict[str, Any]:
    """Whether intervals hold the truth, their widths, and whether a drift is reported."""
    rng = np.random.default_rng(seed)
    hidden = hidden_instrument(rng)
    calibration = calibrated(hidden, rng, seed)
    true_nm = [rng.uniform(30.0, 100.0), rng.uniform(20.0, 60.0)]
    width_nm = [rng.uniform(3.0, 8.0), 0.0]
    known = _supposed([{"guess": t * rng.uniform(0.8, 1.25)} for t in true_nm], [4.0, 4.0])
    outcome: dict[str, Any] = {"seed": seed, "held": [], "u_rel": [], "widths_held": []}
    for drift in (0.0, DRIFT):
        truth = _true(hidden.drifted(drift), true_nm, width_nm)
        found = invert_with_instrument(_profile(truth, seed + 50_000), known, calibration)
        answers = answer(found)
        noticed = any("is not as calibrated" in note for note in answers.warnings)
        outcome[f"drift of {drift:g} noticed"] = noticed
        if drift:
            continue
        for layer, t, w in zip(answers.layers, true_nm, width_nm, strict=True):
            outcome["held"].append(bool(layer.lower <= t <= layer.upper))
            outcome["u_rel"].append(layer.u / layer.value)
            low = layer.width.lower_nm if layer.width.resolved else 0.0
            outcome["widths_held"].append(bool(low <= w <= layer.width.upper_nm))
    return outcome


def summary(outcomes: list[dict[str, Any]]) -> dict[str, Any]:
    """Shares over all cases."""

    def share(key: str) -> float:
        return float(np.mean([outcome[key] for outcome in outcomes]))

    return {
        "cases": len(outcomes),
        "thickness intervals that hold the truth": share("held"),
        "median relative standard uncertainty": float(
            np.median([outcome["u_rel"] for outcome in outcomes])
        ),
        "width intervals that hold the truth": share("widths_held"),
        "drift reported where there is none": share("drift of 0 noticed"),
        f"drift of {DRIFT:g} reported": share(f"drift of {DRIFT:g} noticed"),
    }


def main() -> None:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    outcomes = []
    for seed in range(cases):
        outcomes.append(one_case(seed))
        print(outcomes[-1], file=sys.stderr, flush=True)
    found = summary(outcomes)
    print(json.dumps(found, indent=2))
    if len(sys.argv) > 2:
        with open(sys.argv[2], "w", encoding="utf-8") as file:
            json.dump({**found, "outcomes": outcomes}, file, indent=1)


if __name__ == "__main__":
    main()
