"""Measurements of which every number is drawn from the prior that an inversion has of it.

What is known exactly makes a `Design`: which metals, their densities, how the source flickers, how
much is counted, when it is read. All other numbers have a prior. What is measured is computed on
slices that are thinner by `FINER` than those of an inversion, and every atom is counted on its own.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from craterfront.experiments.channel import Channel
from craterfront.experiments.crater_shape import ParabolicCrater
from craterfront.experiments.detection import Detection
from craterfront.experiments.experiment import Experiment
from craterfront.experiments.mixing import Mixing
from craterfront.experiments.noise import Noise
from craterfront.experiments.roughness import Roughness
from craterfront.experiments.setup import Setup
from craterfront.forward_model.assembly import Assembly
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.models.detection.noise import noisy_readings
from craterfront.models.quick_engine.engine import run as run_engine
from craterfront.models.quick_engine.slice_plan import plan
from craterfront.models.quick_engine.slicing import SlicePlan
from craterfront.samples.layer import Layer
from craterfront.samples.solids import Material, Substrate
from craterfront.samples.stack import Stack
from studies import fisher
from studies.recovery import METALS

FINER = 3.0
DENSITY_G_CM3 = 9.0  # of everything: exactly known, and of no further interest
MOST_LAYERS = 8

THICKNESS, WIDTH, RATE = "thickness of", "interface width below", "erosion rate of material"
SENSITIVITY, BACKGROUND = "sensitivity", "background"
CURVATURE, ROUGHNESS, MIXING = "crater curvature", "initial roughness", "mixing length"
KINDS = (THICKNESS, WIDTH, RATE, SENSITIVITY, BACKGROUND, CURVATURE, ROUGHNESS, MIXING)


@dataclass(frozen=True)
class Prior:
    """What is known of a number that cannot be negative.

    Attributes
    ----------
    law : str
        "log-normal" with the median `value` and u / value for the standard deviation of the
        logarithm; "normal", cut off at zero; "uniform" from zero to `value`.
    value, u : float
    """

    law: Literal["log-normal", "normal", "uniform"]
    value: float
    u: float = 0.0

    def draw(self, rng: np.random.Generator) -> float:
        """A number from it."""
        if self.law == "log-normal":
            return float(self.value * np.exp(self.u / self.value * rng.standard_normal()))
        if self.law == "uniform":
            return float(self.value * rng.random())
        found = -1.0
        while found < 0.0:
            found = self.value + self.u * float(rng.standard_normal())
        return found

    @property
    def written(self) -> dict[str, float]:
        """As an experiment file writes it."""
        if self.law == "uniform":
            return {"guess": 0.5 * self.value, "min": 0.0, "max": self.value}
        return {"value": self.value, "u": self.u}

    @property
    def variance_of_square(self) -> float:
        """Variance of the square of the number, by quadrature."""
        if self.law == "uniform":
            return self.value**4 * (1.0 / 5.0 - 1.0 / 9.0)
        number = np.linspace(0.0, self.value + 8.0 * self.u, 4001)
        weight = np.exp(-0.5 * ((number - self.value) / self.u) ** 2)
        mean = np.average(number**2, weights=weight)
        return float(np.average((number**2 - mean) ** 2, weights=weight))


@dataclass(frozen=True)
class Design:
    """What is known exactly of a measurement, and the priors of the rest.

    Attributes
    ----------
    metals : tuple of str
        From the surface down; the last one is the substrate. No two neighbours are alike.
    priors : dict of str to Prior
        By the names that an inversion gives to the numbers.
    counts_per_unit_s, duration_s : float
    readings : int
    flicker : (float, float)
        Relative standard deviation, 0 for none, and correlation time [s].
    """

    metals: tuple[str, ...]
    priors: dict[str, Prior]
    counts_per_unit_s: float
    duration_s: float
    readings: int
    flicker: tuple[float, float]

    @property
    def layers(self) -> list[str]:
        """Names of the layers."""
        return [f"{metal} {number}" for number, metal in enumerate(self.metals[:-1])]

    @property
    def interval_s(self) -> float:
        """Length of a reading [s]."""
        return self.duration_s / self.readings

    def of_kind(self, kind: str) -> list[str]:
        """Names of the numbers of a kind."""
        return [name for name in self.priors if name.startswith(kind)]

    def draw(self, rng: np.random.Generator) -> dict[str, float]:
        """All numbers from their priors."""
        return {name: prior.draw(rng) for name, prior in self.priors.items()}

    def known(self) -> Experiment:
        """What an inversion is told."""
        return self.experiment({name: prior.written for name, prior in self.priors.items()})

    def experiment(self, numbers: Mapping[str, float | dict[str, float]]) -> Experiment:
        """The experiment with the given numbers, or what is known of them."""
        layers = [
            Layer(
                name=name,
                material=metal,
                thickness_nm=numbers[f"{THICKNESS} {name}"],
                interface_width_nm=numbers[f"{WIDTH} {name}"],
            )
            for name, metal in zip(self.layers, self.metals, strict=False)
        ]
        elements = dict.fromkeys(self.metals)
        materials = {
            metal: Material(
                composition=metal,
                density_g_cm3=DENSITY_G_CM3,
                erosion_rate_nm_s=numbers[f"{RATE} {metal}"],
            )
            for metal in elements
        }
        channels = tuple(
            Channel(
                element=metal,
                sensitivity=numbers[f"{SENSITIVITY} {metal}"],
                background=numbers[f"{BACKGROUND} {metal}"],
            )
            for metal in elements
        )
        rms, correlation_s = self.flicker
        setup = Setup(
            crater=ParabolicCrater(curvature=numbers[CURVATURE]),
            roughness=Roughness(initial_nm=numbers[ROUGHNESS]),
            mixing=Mixing(model="uniform", length_nm=numbers[MIXING]),
            detection=Detection(
                sampling_s=self.interval_s, duration_s=self.duration_s, channel=channels
            ),
            noise=Noise(
                counts_per_unit_s=self.counts_per_unit_s,
                flicker={"rms": rms, "correlation_s": correlation_s},
            ),
        )
        substrate = Substrate(material=self.metals[-1])
        stack = Stack(layers=layers, substrate=substrate, materials=materials)
        return Experiment(stack=stack, setup=setup)


def draw_design(rng: np.random.Generator, layers: int) -> Design:
    """A design with priors, for so many layers.

    From some ten counts per reading to thousands; every other source flickers.
    """
    metals = _draw_metals(rng, layers)
    elements = list(dict.fromkeys(metals))
    names = [f"{metal} {number}" for number, metal in enumerate(metals[:-1])]
    rates = dict(zip(elements, np.exp(rng.uniform(np.log(5.0), np.log(40.0), 9)), strict=False))
    rate_u_rel = float(rng.choice([0.005, 0.01, 0.03]))
    thickness_u_rel = float(rng.choice([0.2, 0.4]))
    flat_widths = rng.random() < 0.5
    priors: dict[str, Prior] = {}
    for name in names:
        nm = float(np.exp(rng.uniform(np.log(20.0), np.log(80.0))))
        priors[f"{THICKNESS} {name}"] = Prior("log-normal", nm, thickness_u_rel * nm)
        nm = float(rng.uniform(1.0, 5.0))
        known = Prior("normal", nm, float(rng.uniform(0.4, 0.8)) * nm)
        priors[f"{WIDTH} {name}"] = Prior("uniform", 2.0 * nm) if flat_widths else known
    of_metal = [float(rates[metal]) for metal in metals]
    seconds = np.array([priors[f"{THICKNESS} {n}"].value for n in names]) / of_metal[:-1]
    spread = thickness_u_rel * np.sqrt(np.sum(seconds**2))
    duration_s = float(1.1 * seconds.sum() + 2.5 * spread + 15.0 / of_metal[-1])
    readings = int(rng.integers(200, 301))
    typical = 60.0 * float(np.exp(np.mean(np.log(of_metal))))  # atoms per nm2 and second
    counts = float(np.exp(rng.uniform(np.log(10.0), np.log(5000.0))))
    for metal in elements:
        rate = float(rates[metal])
        priors[f"{RATE} {metal}"] = Prior("log-normal", rate, rate_u_rel * rate)
        priors[f"{SENSITIVITY} {metal}"] = Prior("normal", 1.0, 0.1)
        background = typical * float(np.exp(rng.uniform(np.log(0.003), np.log(0.05))))
        priors[f"{BACKGROUND} {metal}"] = Prior("normal", background, 0.5 * background)
    priors[CURVATURE] = Prior("normal", 0.06, 0.015)
    priors[ROUGHNESS] = Prior("normal", 2.0, 0.7)
    priors[MIXING] = Prior("normal", 1.5, 0.3)
    interval_s = duration_s / readings
    flickers = rng.random() < 0.5
    rms = float(np.exp(rng.uniform(np.log(0.003), np.log(0.02)))) if flickers else 0.0
    correlation_s = float(rng.uniform(1.0, 10.0)) * interval_s
    per_unit_s = counts / (typical * interval_s)
    flicker = (rms, correlation_s)
    return Design(metals, priors, per_unit_s, duration_s, readings, flicker)


def _draw_metals(rng: np.random.Generator, layers: int) -> tuple[str, ...]:
    """Metals of the layers and the substrate; in every other stack one occurs twice."""
    metals = [str(m) for m in rng.choice(METALS, layers + 1, replace=False)]
    if rng.random() < 0.5:
        first, second = np.sort(rng.choice(layers + 1, 2, replace=False))
        if second > first + 1:
            metals[second] = metals[first]
    return tuple(metals)


@dataclass(frozen=True)
class Counts:
    """Noise-free counts of a design, channel by reading; of them, what comes from the sample."""

    mean: np.ndarray
    signal: np.ndarray


class Clean:
    """Noise-free counts of a design as a function of its numbers, on slices that do not change.

    Parameters
    ----------
    design : Design
    numbers : dict of str to float
        Which the slices are made for.
    refine : float
        By so much the slices are thinner than those of an inversion.
    """

    def __init__(self, design: Design, numbers: Mapping[str, float], refine: float = 1.0) -> None:
        self.design = design
        self.edges = design.interval_s * np.arange(design.readings + 1)
        self.slices: SlicePlan = plan(*self._engine(numbers), self.edges, refine)

    def _engine(self, numbers: Mapping[str, float]):
        experiment = self.design.experiment(numbers)
        assembly = Assembly(experiment.stack, experiment.setup)
        self._elements = assembly.elements
        values = assembly.nominal
        return assembly.sample(values), assembly.instrument(values)

    def __call__(self, numbers: Mapping[str, float]) -> Counts:
        sample, instrument = self._engine(numbers)
        channels = np.eye(sample.composition.shape[1])
        projection = np.broadcast_to(channels, (len(sample.composition), *channels.shape))
        atoms = run_engine(sample, instrument, self.edges, projection, self.slices).signal.T
        metals = list(dict.fromkeys(self.design.metals))
        atoms = atoms[[self._elements.index(metal) for metal in metals]]
        sensitivity, background = (
            np.array([[numbers[f"{kind} {metal}"]] for metal in metals])
            for kind in (SENSITIVITY, BACKGROUND)
        )
        per_unit_s = self.design.counts_per_unit_s
        signal = sensitivity * atoms * per_unit_s
        return Counts(signal + background * self.design.interval_s * per_unit_s, signal)


def measured(
    design: Design, numbers: Mapping[str, float], rng: np.random.Generator
) -> MeasuredProfile:
    """A measured profile of a sample and an instrument with these numbers."""
    clean = Clean(design, numbers, FINER)(numbers)
    interval_s = np.full(design.readings, design.interval_s)
    per_unit = design.counts_per_unit_s * design.interval_s
    values = noisy_readings(
        clean.signal / per_unit,
        (clean.mean - clean.signal)[:, 0] / per_unit,
        interval_s,
        rng,
        counts_per_unit_s=design.counts_per_unit_s,
        fluctuations=[design.flicker] if design.flicker[0] else [],
    )
    middle = design.interval_s * (np.arange(design.readings) + 0.5)
    channels = list(dict.fromkeys(design.metals))
    none = np.zeros(values.shape, dtype=bool)
    return MeasuredProfile(
        "time", middle, interval_s, channels, values, "intensity", none, [], "drawn"
    )


def fisher_u_nm(design: Design, numbers: Mapping[str, float]) -> dict[str, float]:
    """Standard deviations of the thicknesses from the Fisher information and the priors [nm].

    Thicknesses and rates count with their logarithms, widths with their squares, of which the prior
    is taken to be normal with its variance.
    """
    clean = Clean(design, numbers)
    squares, logarithms = design.of_kind(WIDTH), design.of_kind(THICKNESS) + design.of_kind(RATE)
    others = [CURVATURE, ROUGHNESS, MIXING]
    moved = logarithms + squares + others
    step = dict.fromkeys(logarithms, 0.0002) | {CURVATURE: 4e-4, ROUGHNESS: 0.01, MIXING: 0.01}
    for name in squares:  # stay positive
        step[name] = min(0.02, numbers[name] ** 2 / (1.01 * fisher.REACH))
    prior = {name: design.priors[name].value / design.priors[name].u for name in logarithms}
    prior |= {name: design.priors[name].variance_of_square ** -0.5 for name in squares}
    linear = design.of_kind(SENSITIVITY) + design.of_kind(BACKGROUND)
    prior |= {name: 1.0 / design.priors[name].u for name in others + linear}

    def at(theta: np.ndarray) -> dict[str, float]:
        made = dict(numbers)
        for name, coordinate in zip(moved, theta, strict=True):
            if name in logarithms:
                made[name] = float(np.exp(coordinate))
            else:
                made[name] = float(coordinate**0.5 if name in squares else coordinate)
        return made

    def coordinate(name: str) -> float:
        number = numbers[name]
        if name in logarithms:
            return float(np.log(number))
        return number**2 if name in squares else number

    theta = np.array([coordinate(name) for name in moved])
    steps = np.array([step[name] for name in moved])
    by_moved = fisher.slopes(lambda each: clean(at(each)).mean, theta, steps)
    here = clean(numbers)
    by_linear = np.zeros((*here.mean.shape, len(linear)))
    per_unit = design.counts_per_unit_s * design.interval_s
    for c, metal in enumerate(dict.fromkeys(design.metals)):
        name = f"{SENSITIVITY} {metal}"
        by_linear[c, :, linear.index(name)] = here.signal[c] / numbers[name]
        by_linear[c, :, linear.index(f"{BACKGROUND} {metal}")] = per_unit
    by_all = np.concatenate([by_moved, by_linear], axis=-1)
    total = fisher.information(here.mean, here.signal, by_all, design.flicker, design.interval_s)
    total += np.diag([prior[name] ** 2 for name in moved + linear])
    u = np.sqrt(np.diag(fisher.covariance(total)))
    return {name: float(numbers[name] * u[moved.index(name)]) for name in design.of_kind(THICKNESS)}
