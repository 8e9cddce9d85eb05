"""How long an inversion takes, and weighted draws from its posterior.

Run as ``python benchmarks/posterior.py`` on an otherwise idle machine; it prints the load. The
profile has 10 layers of 5 metals, 5 channels and 2,000 readings; 28 parameters are free.
"""

import os
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from scipy.optimize import least_squares
from timing import best_and_median

from craterfront.experiments.crater_shape import ParabolicCrater
from craterfront.experiments.detection import Detection
from craterfront.experiments.experiment import Experiment
from craterfront.experiments.mixing import Mixing
from craterfront.experiments.noise import Noise
from craterfront.experiments.roughness import Roughness
from craterfront.experiments.setup import Setup
from craterfront.fitting.inversion import invert
from craterfront.fitting.starts import coarse_fits
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.objective.curvature import curvature
from craterfront.objective.estimation import Objective, minimise
from craterfront.objective.likelihood import Likelihood
from craterfront.posterior_sampling.sampled_posterior import sample_posterior
from craterfront.samples.layer import Layer
from craterfront.samples.solids import Material, Substrate
from craterfront.samples.stack import Stack

RATES = {"Ti": 6.0, "Cr": 12.0, "Ni": 14.0, "Cu": 22.0, "Mo": 10.0}  # nm/s
LAYERS = 10
READINGS = 2000
TOLERANCE = 1e-6  # of both ways to a minimum


def experiment(known: bool) -> Experiment:
    """The truth, or what is known of it."""
    rng = np.random.default_rng(3)
    metals = [list(RATES)[i % len(RATES)] for i in range(LAYERS + 1)]
    thickness = rng.uniform(30.0, 80.0, LAYERS)
    width = rng.uniform(0.0, 6.0, LAYERS)
    guess = thickness * np.exp(0.2 * rng.standard_normal(LAYERS))
    off = 1.0 + 0.05 * rng.standard_normal(len(RATES))
    duration = 1.15 * sum(t / RATES[m] for t, m in zip(thickness, metals, strict=False))

    def number(value: float, u: float):
        return value if known else {"value": value, "u": u}

    layers = [
        Layer(
            name=f"layer {i + 1}",
            material=metals[i],
            thickness_nm=float(thickness[i]) if known else {"guess": float(guess[i])},
            interface_width_nm=float(width[i]) if known else {"guess": 2.0},
        )
        for i in range(LAYERS)
    ]
    materials = {
        metal: Material(
            composition=metal,
            erosion_rate_nm_s=rate * float(factor) if known else {"value": rate, "u_rel": 0.05},
        )
        for (metal, rate), factor in zip(RATES.items(), off, strict=True)
    }
    setup = Setup(
        crater=ParabolicCrater(curvature=number(0.03, 0.006)),
        roughness=Roughness(initial_nm=number(2.0, 0.4)),
        mixing=Mixing(model="uniform", length_nm=number(1.5, 0.3)),
        detection=Detection(sampling_s=duration / READINGS, duration_s=duration),
        noise=Noise(counts_per_unit_s=200.0),
    )
    stack = Stack(layers=layers, substrate=Substrate(material=metals[-1]), materials=materials)
    return Experiment(stack=stack, setup=setup)


def profile() -> MeasuredProfile:
    """Readings of the truth, with noise."""
    truth = experiment(known=True)
    return profile_of(simulate(truth.stack, truth.setup, seed=1), "benchmark")


def started() -> tuple[Likelihood, list[np.ndarray]]:
    """The likelihood of the profile with its noise about the best start, and all starts."""
    asked = experiment(known=False)
    assembly = Assembly(asked.stack, asked.setup, depth_axis=False, merge_equal=False)
    likelihood = Likelihood(assembly, profile())
    starts = [fit.x for fit in coarse_fits(likelihood)]
    likelihood.replan(starts[0])
    likelihood.update_weights(likelihood.solve(starts[0]))
    return likelihood, starts


def by_differences(objective: Objective, x: np.ndarray) -> float:
    """Sum of squares at a minimum with a Jacobian of differences, and the time of its covariance.

    The same steps, and the same rule to stop, as those of `estimation.minimise`.
    """
    result = least_squares(
        objective.residuals,
        np.clip(x, objective.lower, objective.upper),
        jac="2-point",
        bounds=(objective.lower, objective.upper),
        method="trf",
        x_scale="jac",
        xtol=TOLERANCE,
        ftol=TOLERANCE,
        gtol=1e-10,
        max_nfev=60,
    )
    curvature(result.jac)
    return float(2.0 * result.cost)


def by_slopes(objective: Objective, x: np.ndarray) -> float:
    """The same with exact derivatives."""
    fit = minimise(objective, x, tolerance=TOLERANCE)
    curvature(objective.jacobian(fit.x))
    return fit.cost


def fits() -> list[dict]:
    """Minimum and covariance from the best start, with exact derivatives and with differences.

    A signal is one evaluation of the engine by the likelihood, with readings and linear numbers.
    """
    likelihood, starts = started()
    objective, x = likelihood.objective(), starts[0]
    objective.jacobian(x)
    signal = best_and_median(lambda: objective.residuals(x), 15)
    rows = [{"what": "residuals once", "best_s": signal[0], "median_s": signal[1], "signals": 1.0}]
    for what, fit, repeats in (
        ("minimum and covariance, exact derivatives", by_slopes, 3),
        ("the same by least_squares with 2-point differences", by_differences, 2),
    ):
        found = fit(objective, x)
        best, median = best_and_median(lambda fit=fit: fit(objective, x), repeats)
        row = {"what": what, "best_s": best, "median_s": median, "signals": best / signal[0]}
        row["error"] = abs(found - by_slopes(objective, x))
        rows.append(row)
    for row in rows[1:]:
        row["ratio"] = row["best_s"] / rows[1]["best_s"]
    return [*rows, *stages(signal[0], len(starts))]


def stages(signal_s: float, starts: int) -> list[dict]:
    """The stages of a whole inversion, in signals per start up to the minimum."""
    times: dict[str, float] = {}

    def report(stage: str, share: float) -> None:
        times.setdefault(stage, time.perf_counter())

    invert(profile(), experiment(known=False), progress=report)
    to_minimum = times["widths"] - times["coarse fit"]
    whole = times["done"] - times["coarse fit"]
    rows = [
        (f"inversion up to the minimum, of {starts} starts", to_minimum),
        ("whole inversion, with profile intervals", whole),
    ]
    return [
        {
            "what": what,
            "best_s": seconds,
            "median_s": seconds,
            "signals": seconds / signal_s,
            "signals_per_start": seconds / signal_s / starts,
        }
        for what, seconds in rows
    ]


def draws() -> list[dict]:
    """Draws from the posterior with choice and predictions, on all cores.

    Weighted draws are worth what was asked for; chosen ones of equal weight half of it, so twice as
    many are worth that.
    """
    found = invert(profile(), experiment(known=False))
    rows = []
    for count in (1000, 2000):
        begin, cpu = time.perf_counter(), time.process_time()
        sampled = sample_posterior(found, draws=count, seed=1)
        seconds, cpu = time.perf_counter() - begin, time.process_time() - cpu
        rows.append(
            {
                "what": f"{count} draws, {sampled.sample.method}",
                "best_s": seconds,
                "median_s": seconds,
                "processor_s": cpu,
                "evaluations": sampled.sample.evaluations,
                "pareto_k": sampled.sample.pareto_k,
                "effective": sampled.sample.effective,
                "least_effective": min(row.effective for row in sampled.rows()),
            }
        )
    return rows


def main() -> None:
    """Invert, sample, print."""
    for row in [*fits(), *draws()]:
        print(", ".join(f"{key} {_shown(value)}" for key, value in row.items()))
    print(f"load {os.getloadavg()[0]:.1f}")


def _shown(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.4g}"


if __name__ == "__main__":
    main()
