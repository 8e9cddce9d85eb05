"""Do the intervals of thicknesses hold the truth, and are they as narrow as the data allow?

Random stacks of 2 to 6 layers are drawn together with the instrument from the priors that the
analyst's experiment states; profiles are simulated and inverted. The yardstick of sharpness is
the Fisher information, computed here from the noise-free signal by sixth-order differences, with
the counting statistics and the priors, and without anything of the inversion.

Run as ``python -m studies.recovery [cases] [output.json]`` in the folder ``tests``.
"""

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass

import numpy as np

from craterfront.assembly import Assembly
from craterfront.crater_shape import ParabolicCrater
from craterfront.experiment import Experiment
from craterfront.files import profile_of
from craterfront.forward import simulate
from craterfront.inversion import invert
from craterfront.models.engine import plan
from craterfront.models.engine import run as run_engine
from craterfront.results import answer
from craterfront.sample import Layer, Stack, Substrate
from craterfront.setup import (
    Detection,
    Mixing,
    Noise,
    Roughness,
    Setup,
)

METALS = ("Al", "Ti", "Cr", "Ni", "Cu", "Mo", "Ag", "Sn", "W", "Au")
READINGS = 400
RATE_U_REL = 0.05


@dataclass(frozen=True)
class Truth:
    """One case: what the sample and the instrument really are."""

    metals: list[str]
    thickness_nm: list[float]
    width_nm: list[float]
    rate_nm_s: list[float]
    curvature: float
    initial_nm: float
    mixing_nm: float
    counts_per_unit_s: float
    duration_s: float


@dataclass(frozen=True)
class Outcome:
    """One layer of one case."""

    truth_nm: float
    value_nm: float
    lower_nm: float
    upper_nm: float
    fisher_u_nm: float
    prior_u_nm: float


def _experiment(truth: Truth, nominal_rates, guesses, known: bool) -> Experiment:
    """The true experiment, or what the analyst knows of it."""

    def number(value, nominal, u):
        return value if known else {"value": nominal, "u": u}

    layers = [
        Layer(
            composition=metal,
            thickness_nm=t if known else {"guess": guess},
            interface_width_nm=w if known else {"guess": 2.0},
            erosion_rate_nm_s=number(rate, nominal, RATE_U_REL * nominal),
        )
        for metal, t, w, rate, nominal, guess in zip(
            truth.metals[:-1],
            truth.thickness_nm,
            truth.width_nm,
            truth.rate_nm_s[:-1],
            nominal_rates[:-1],
            guesses,
            strict=True,
        )
    ]
    substrate = Substrate(
        composition=truth.metals[-1],
        erosion_rate_nm_s=number(
            truth.rate_nm_s[-1], nominal_rates[-1], RATE_U_REL * nominal_rates[-1]
        ),
    )
    setup = Setup(
        crater=ParabolicCrater(curvature=number(truth.curvature, 0.04, 0.01)),
        roughness=Roughness(initial_nm=number(truth.initial_nm, 2.0, 0.4)),
        mixing=Mixing(model="uniform", length_nm=number(truth.mixing_nm, 1.5, 0.3)),
        detection=Detection(sampling_s=truth.duration_s / READINGS, duration_s=truth.duration_s),
        noise=Noise(counts_per_unit_s=truth.counts_per_unit_s),
    )
    return Experiment(stack=Stack(layers=layers, substrate=substrate), setup=setup)


def draw(seed: int) -> tuple[Truth, list[float], list[float]]:
    """A truth, the nominal rates of the analyst and guesses of the thicknesses."""
    rng = np.random.default_rng([2026, seed])
    layers = int(rng.integers(2, 7))
    metals = [str(m) for m in rng.choice(METALS, layers + 1, replace=False)]
    thickness = np.exp(rng.uniform(np.log(20.0), np.log(120.0), layers))
    nominal = np.exp(rng.uniform(np.log(5.0), np.log(40.0), layers + 1))
    rate = nominal * np.exp(RATE_U_REL * rng.standard_normal(layers + 1))
    neighbours = np.minimum(thickness, np.append(thickness[1:], np.inf))
    width = np.minimum(rng.uniform(0.0, 8.0, layers), 0.3 * neighbours)
    truth = Truth(
        metals,
        list(map(float, thickness)),
        list(map(float, width)),
        list(map(float, rate)),
        float(abs(0.04 + 0.01 * rng.standard_normal())),
        float(abs(2.0 + 0.4 * rng.standard_normal())),
        float(max(1.5 + 0.3 * rng.standard_normal(), 0.3)),
        float(np.exp(rng.uniform(np.log(0.3), np.log(30.0)))),
        float(1.15 * np.sum(thickness / rate[:-1]) + 15.0 / rate[-1]),
    )
    guesses = thickness * np.exp(0.15 * rng.standard_normal(layers))
    return truth, list(map(float, nominal)), list(map(float, guesses))


class _Clean:
    """Noise-free counts as a function of parameters, on slices that do not change."""

    def __init__(self, truth: Truth) -> None:
        self.truth = truth
        self.edges = np.linspace(0.0, truth.duration_s, READINGS + 1)
        self.plan = None
        self.plan = plan(*self._numbers(self.theta()), self.edges)

    def theta(self) -> np.ndarray:
        """Log thicknesses, squared widths, log rates and the instrument."""
        truth = self.truth
        return np.concatenate(
            [
                np.log(truth.thickness_nm),
                np.square(truth.width_nm),
                np.log(truth.rate_nm_s),
                [truth.curvature, truth.initial_nm, truth.mixing_nm],
            ]
        )

    def _numbers(self, theta: np.ndarray):
        truth, count = self.truth, len(self.truth.thickness_nm)
        moved = Truth(
            truth.metals,
            list(np.exp(theta[:count])),
            list(np.sqrt(np.maximum(theta[count : 2 * count], 0.0))),
            list(np.exp(theta[2 * count : 3 * count + 1])),
            *map(float, theta[3 * count + 1 :]),
            truth.counts_per_unit_s,
            truth.duration_s,
        )
        experiment = _experiment(moved, moved.rate_nm_s, moved.thickness_nm, known=True)
        assembly = Assembly(experiment.stack, experiment.setup)
        return assembly.sample(assembly.nominal), assembly.instrument(assembly.nominal)

    def __call__(self, theta: np.ndarray) -> np.ndarray:
        sample, instrument = self._numbers(theta)
        channels = np.eye(sample.composition.shape[1])
        projection = np.broadcast_to(channels, (len(channels), *channels.shape))
        result = run_engine(sample, instrument, self.edges, projection, self.plan)
        return result.signal.T * self.truth.counts_per_unit_s


def fisher_u(truth: Truth, nominal: list[float]) -> np.ndarray:
    """Standard deviations of the thicknesses from the Fisher information [nm]."""
    count = len(truth.thickness_nm)
    clean = _Clean(truth)
    theta = clean.theta()
    step = np.concatenate(
        [np.full(count, 2e-4), np.full(count, 0.02), np.full(count + 1, 2e-4), [4e-4, 0.01, 0.01]]
    )
    weights = {1: 45.0 / 60.0, 2: -9.0 / 60.0, 3: 1.0 / 60.0}
    mean = clean(theta)
    columns = []
    for p in range(theta.size):
        h = step[p]
        if count <= p < 2 * count:
            h = min(h, theta[p] / 3.01)  # a squared width stays positive
        slope = np.zeros_like(mean)
        for k, weight in weights.items():
            up, down = theta.copy(), theta.copy()
            up[p] += k * h
            down[p] -= k * h
            slope += weight * (clean(up) - clean(down))
        columns.append((slope / h).ravel())
    for c in range(mean.shape[0]):  # sensitivity and background of each channel
        for rows in (mean[c], np.ones(mean.shape[1])):
            column = np.zeros_like(mean)
            column[c] = rows
            columns.append(column.ravel())
    jacobian = np.array(columns).T
    information = jacobian.T @ (jacobian / np.maximum(mean.ravel(), 0.05)[:, None])
    prior = np.zeros(len(columns))
    prior[:count] = 1.0 / np.log(3.0) ** 2
    prior[2 * count : 3 * count + 1] = 1.0 / RATE_U_REL**2
    prior[3 * count + 1 : 3 * count + 4] = 1.0 / np.square([0.01, 0.4, 0.3])
    information[np.diag_indices_from(information)] += prior
    scale = np.sqrt(np.diag(information))
    covariance = np.linalg.inv(information / np.outer(scale, scale)) / np.outer(scale, scale)
    return np.array(truth.thickness_nm) * np.sqrt(np.diag(covariance)[:count])


def case(seed: int) -> list[Outcome]:
    """Simulate and invert one case."""
    truth, nominal, guesses = draw(seed)
    real = _experiment(truth, nominal, guesses, known=True)
    known = _experiment(truth, nominal, guesses, known=False)
    profile = profile_of(simulate(real.stack, real.setup, seed=seed), f"case {seed}")
    found = answer(invert(profile, known))
    fisher = fisher_u(truth, nominal)
    return [
        Outcome(t, layer.value, layer.lower, layer.upper, float(u), float(guess * np.log(3.0)))
        for t, layer, u, guess in zip(
            truth.thickness_nm, found.layers, fisher, guesses, strict=True
        )
    ]


def coverage(outcomes: list[Outcome]) -> float:
    """Share of the 95 % intervals that hold the truth."""
    return float(np.mean([o.lower_nm <= o.truth_nm <= o.upper_nm for o in outcomes]))


def width_ratio(outcomes: list[Outcome]) -> float:
    """Median half-width over 1.96 standard deviations of the Fisher information."""
    return float(
        np.median([(o.upper_nm - o.lower_nm) / 2 / (1.959964 * o.fisher_u_nm) for o in outcomes])
    )


def is_good(outcomes: list[Outcome]) -> bool:
    """Coverage of 90 to 99 %, and intervals at most 1.25 times as wide as need be."""
    return 0.90 <= coverage(outcomes) <= 0.99 and width_ratio(outcomes) <= 1.25


def run(cases: int, first: int = 0) -> list[Outcome]:
    """All layers of all cases, on two processes."""
    with ProcessPoolExecutor(2) as pool:
        return [o for outcomes in pool.map(case, range(first, first + cases)) for o in outcomes]


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    all_outcomes = run(number)
    summary = {
        "command": f"python -m studies.recovery {number}",
        "cases": number,
        "layers": len(all_outcomes),
        "coverage_95": coverage(all_outcomes),
        "median_half_width_over_fisher": width_ratio(all_outcomes),
        "outcomes": [asdict(o) for o in all_outcomes],
    }
    print({key: value for key, value in summary.items() if key != "outcomes"})
    if len(sys.argv) > 2:
        with open(sys.argv[2], "w", encoding="utf-8") as file:
            json.dump(summary, file, indent=1)
