"""Does the band of an unfolded composition hold the truth, and what does plain deconvolution give?

Graded samples of titanium and chromium (interdiffusion, a constant source, a buried Gaussian, a
sinusoid, a steeper edge) are simulated with the slices of the engine, with two noise levels, and
unfolded with an experiment that knows the instrument and the two metals, but nothing of the
grading. Coverage is the share of the depth at which the 95 % band holds the true fraction.

The yardstick is Richardson-Lucy deconvolution of the image library scikit-image, as somebody
without a model of the measurement would use it: intensities over sensitivities against a uniform
depth scale (that of the true final depth), one point spread function, which is the true response at
half depth, 30 iterations; and, helped, with the true depth of every reading and the number of
iterations that has the smallest true error.

Run as ``python -m studies.unfolding [cases] [output.json]`` in the folder ``tests``.
"""

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass

import numpy as np
from scipy.special import erfc

import craterfront as cf
from craterfront.experiments.experiment import Experiment
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.models.materials.elements import atomic_mass_u
from craterfront.unfolding.unfolding import unfold
from craterfront.unfolding.unfolding_result import Unfolding

DENSITY_PER_NM3 = {"Ti": 56.6, "Cr": 83.3}
RATE_NM_S = {"Ti": 8.0, "Cr": 16.0}
THICKNESS_NM, ROWS, DURATION_S = 200.0, 161, 18.0
COUNTS = (20.0, 1.0)  # per unit of intensity and second; a metal gives some 500 units
ITERATIONS = (3, 10, 30, 100, 300)
SHAPES = {  # atomic fraction of chromium against relative depth
    "interdiffusion": lambda z: 1.0 - 0.5 * erfc((z - 0.5) / 0.14),
    "sinusoid": lambda z: 0.5 - 0.3 * np.cos(8.0 * np.pi * z),
    "buried gaussian": lambda z: 0.8 * np.exp(-(((z - 0.4) / 0.1) ** 2)),
    "constant source": lambda z: 1.0 - 0.9 * erfc(z / 0.4),
    "steeper edge": lambda z: 1.0 - 0.5 * erfc((z - 0.5) / 0.03),
}


def known(value: float) -> cf.Quantity:
    """A number without uncertainty."""
    return cf.Quantity.prior(value, u=0.0)


def mixed(chromium: float) -> cf.Material:
    """Titanium with a share of chromium by atoms: volumes and doses per atom add up."""
    share = {"Ti": 1.0 - chromium, "Cr": chromium}
    volume = sum(x / DENSITY_PER_NM3[e] for e, x in share.items())
    dose = sum(x / (DENSITY_PER_NM3[e] * RATE_NM_S[e]) for e, x in share.items())
    mass_g = sum(x * atomic_mass_u(e) for e, x in share.items()) * 1.66053907e-24
    return cf.Material(
        composition={e: x for e, x in share.items() if x > 0.0},
        density_g_cm3=known(mass_g / volume * 1e21),
        erosion_rate_nm_s=known(volume / dose),
    )


def setup(counts: float) -> cf.Setup:
    """A lamp with crater, roughness, mixing."""
    channels = tuple(
        cf.Channel(element=e, sensitivity=known(1.0), background=known(0.0)) for e in RATE_NM_S
    )
    return cf.Setup(
        crater=cf.ParabolicCrater(curvature=known(0.04)),
        roughness=cf.Roughness(initial_nm=known(3.0)),
        mixing=cf.Mixing(model="diffusive", length_nm=known(2.0), range_nm=known(5.0)),
        detection=cf.Detection(channel=channels, sampling_s=0.05, duration_s=DURATION_S),
        noise=cf.Noise(counts_per_unit_s=counts),
    )


def sample(shape: str) -> cf.Stack:
    """A graded layer that goes on below with its last composition."""
    layer, materials = cf.graded(
        "graded",
        THICKNESS_NM,
        lambda z: mixed(float(np.clip(SHAPES[shape](z), 0.0, 1.0))),
        rows=ROWS,
        interface_shape="sharp",
    )
    last = mixed(float(SHAPES[shape](1.0)))
    substrate = cf.Substrate(
        composition=last.composition,
        density_g_cm3=last.density_g_cm3,
        erosion_rate_nm_s=last.erosion_rate_nm_s,
    )
    return cf.Stack(layers=[layer], substrate=substrate, materials=materials)


def supposed(counts: float) -> Experiment:
    """What the analyst knows: titanium on chromium, and the instrument."""
    titanium, chromium = mixed(0.0), mixed(1.0)
    layer = cf.Layer(
        composition="Ti",
        thickness_nm=100.0,
        density_g_cm3=titanium.density_g_cm3,
        erosion_rate_nm_s=titanium.erosion_rate_nm_s,
    )
    substrate = cf.Substrate(
        composition="Cr",
        density_g_cm3=chromium.density_g_cm3,
        erosion_rate_nm_s=chromium.erosion_rate_nm_s,
    )
    stack = cf.Stack(layers=[layer], substrate=substrate)
    return Experiment(stack=stack, setup=setup(counts))


def cell_means(dataset, elements, edges_nm: np.ndarray) -> np.ndarray:
    """True fractions in cells, shape (E, K)."""
    fine = np.linspace(edges_nm[0], edges_nm[-1], 40_001)
    out = []
    for element in elements:
        true = np.interp(fine, dataset["depth"].values, dataset["composition"].sel(element=element))
        total = np.append(0.0, np.cumsum(0.5 * (true[1:] + true[:-1]) * np.diff(fine)))
        out.append(np.diff(np.interp(edges_nm, fine, total)) / np.diff(edges_nm))
    return np.array(out)


@dataclass(frozen=True)
class Outcome:
    """One case."""

    shape: str
    counts: float
    seed: int
    coverage: float
    rms: float
    mean_u: float
    resolution_nm: float
    law: str
    plain_rms: float
    helped_rms: float


def case(seed: int) -> Outcome:
    """Simulate, unfold, deconvolve."""
    names = list(SHAPES)
    shape, counts = names[seed % len(names)], COUNTS[seed // len(names) % len(COUNTS)]
    dataset = simulate(sample(shape), setup(counts), seed=seed)
    found = unfold(profile_of(dataset, "study"), supposed(counts))
    reached = found.depth_edges_nm[1:] <= float(dataset["mean_depth"][-1])
    truth = cell_means(dataset, found.elements, found.depth_edges_nm)[:, reached]
    low, high = (end[:, reached] for end in found.band())
    deviation = found.fractions[:, reached] - truth
    end_nm = float(dataset["mean_depth"][-1])
    readings = dataset.sizes["time"]
    middle = 0.5 * (dataset["mean_depth"].values[1:] + dataset["mean_depth"].values[:-1])
    uniform = deconvolved_errors(dataset, found, np.linspace(0.0, end_nm, readings + 1))
    true = deconvolved_errors(dataset, found, np.concatenate([[0.0], middle, [end_nm]]))
    return Outcome(
        shape,
        counts,
        seed,
        float(np.mean((truth >= low - 1e-12) & (truth <= high + 1e-12))),
        rms(deviation),
        float(found.standard_uncertainty()[:, reached].mean()),
        float(np.median(found.resolution_nm[:, reached])),
        found.smoothness.law,
        uniform[30],
        min(true.values()),
    )


def rms(deviation: np.ndarray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(deviation**2)))


def deconvolved_errors(dataset, found: Unfolding, edges_nm: np.ndarray) -> dict[int, float]:
    """Errors of Richardson-Lucy deconvolution by the number of iterations."""
    from skimage.restoration import richardson_lucy

    intensity = dataset["intensity"].values
    apparent = intensity / np.maximum(intensity.sum(axis=0), 1e-9)
    readings = apparent.shape[1]
    truth = cell_means(dataset, dataset["channel"].values, edges_nm)
    response = found.model.kernels[0][:, found.model.cells.shown // 2]
    centre = round(float(response @ np.arange(readings) / response.sum()))
    reach = int(np.max(np.abs(np.flatnonzero(response > 1e-4 * response.max()) - centre)))
    half = min(reach, centre, readings - 1 - centre)
    spread = response[centre - half : centre + half + 1]
    errors = {}
    for count in ITERATIONS:
        sharpened = [
            richardson_lucy(np.pad(row, half, "edge"), spread / spread.sum(), count)[half:-half]
            for row in apparent
        ]
        errors[count] = rms(np.array(sharpened) - truth)
    return errors


def figures(outcomes: list[Outcome]) -> dict[str, float]:
    """What the study is about, in numbers."""
    coverage = np.array([o.coverage for o in outcomes])
    ratio = np.array([o.plain_rms / o.rms for o in outcomes])
    helped = np.array([o.helped_rms / o.rms for o in outcomes])
    by_shape = {
        f"coverage, {shape}": float(np.mean([o.coverage for o in outcomes if o.shape == shape]))
        for shape in SHAPES
        if any(o.shape == shape for o in outcomes)
    }
    return {
        "coverage_95": float(coverage.mean()),
        "coverage_95_u": float(coverage.std(ddof=1) / np.sqrt(coverage.size)),
        **by_shape,
        "median_rms": float(np.median([o.rms for o in outcomes])),
        "median_plain_rms": float(np.median([o.plain_rms for o in outcomes])),
        "median_plain_over_unfolded_rms": float(np.median(ratio)),
        "median_helped_over_unfolded_rms": float(np.median(helped)),
        "smallest_helped_over_unfolded_rms": float(helped.min()),
    }


def run(cases: int) -> list[Outcome]:
    """All cases, on two processes."""
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(case, range(cases)))


def main(cases: int = 100, place: str | None = None) -> None:
    """Run the study, print its figures, write the record."""
    Assembly(sample("sinusoid"), setup(1.0))  # a mistake shows before the pool starts
    outcomes = run(cases)
    record = {"cases": cases, **figures(outcomes), "outcomes": [asdict(o) for o in outcomes]}
    print(json.dumps({k: v for k, v in record.items() if k != "outcomes"}, indent=1))
    if place is not None:
        with open(place, "w", encoding="utf-8") as file:
            file.write(json.dumps(record, indent=1) + "\n")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:2]), *sys.argv[2:3])
