"""How long weighted draws from a posterior that are worth 1,000 take, chosen and predicted from.

Run as ``python benchmarks/posterior.py`` on an otherwise idle machine; it prints the load. The
profile has 10 layers of 5 metals, 5 channels and 2,000 readings; 28 parameters are free.
"""

import os
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from craterfront.crater_shape import ParabolicCrater
from craterfront.experiment import Experiment
from craterfront.files import profile_of
from craterfront.forward import simulate
from craterfront.inversion import invert
from craterfront.sample import Layer, Material, Stack, Substrate
from craterfront.sampled_posterior import sample_posterior
from craterfront.setup import Detection, Mixing, Noise, Roughness, Setup

RATES = {"Ti": 6.0, "Cr": 12.0, "Ni": 14.0, "Cu": 22.0, "Mo": 10.0}  # nm/s
LAYERS = 10
READINGS = 2000


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


def main() -> None:
    """Invert, sample, print."""
    truth = experiment(known=True)
    profile = profile_of(simulate(truth.stack, truth.setup, seed=1), "benchmark")
    begin = time.perf_counter()
    found = invert(profile, experiment(known=False))
    print(f"inversion: {time.perf_counter() - begin:.1f} s")
    begin, cpu = time.perf_counter(), time.process_time()
    sampled = sample_posterior(found, draws=1000, seed=1)
    seconds, cpu = time.perf_counter() - begin, time.process_time() - cpu
    least = min(row.effective for row in sampled.rows())
    print(
        f"1000 draws: {seconds:.1f} s ({cpu:.1f} s of processors), "
        f"{sampled.sample.evaluations} evaluations, {sampled.sample.method}, "
        f"Pareto k {sampled.sample.pareto_k:.2f}, effective after choice "
        f"{sampled.sample.effective:.0f}, least of all numbers {least:.0f}"
    )
    print(f"load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
