"""Do draws of the posterior agree with those of a sampler that knows nothing of the inversion?

Three small profiles of different character are inverted and sampled; dynesty
(https://dynesty.readthedocs.io, nested sampling) samples the same posterior from priors and a
likelihood that are written here once more, without anything of the inversion:

- `analogue`: two layers with normal noise, everything well determined. The signal is a formula;
  sensitivities and backgrounds are integrated out in closed form.
- `few_counts`: at most some 30 counts in a reading, and an interface that is sharp, so that its
  width has its posterior at the bound. The signal is a formula, the likelihood Poisson's, and
  sensitivities and backgrounds are sampled like everything else.
- `flicker`: the source fluctuates for all channels alike, the crater is curved, and thickness and
  erosion rate exchange for each other. The noise-free signal is that of the engine on slices of
  its own, the likelihood normal with the full covariance of all readings, as at the fit.

Both samplers run with several seeds. The scatter from run to run is the Monte Carlo error of mean,
standard deviation and quantiles; two planted mistakes, a width with a flat prior of its square and
noise that is 10 % too large, show what differences would be seen.

Run as ``python -m studies.nested [output.json]`` in the folder ``tests``.
"""

import json
import sys
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from functools import cached_property

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import kolmogorov, ndtr, ndtri
from scipy.stats import norm, t

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import Inversion, invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.models.detection.noise import flicker_moments
from craterfront.models.quick_engine.engine import run as run_engine
from craterfront.models.quick_engine.slice_plan import plan
from craterfront.models.quick_engine.slicing import SlicePlan
from craterfront.posterior_sampling.sampled_posterior import sample_posterior

RUNS = 4
DRAWS = 1000
LIVE_POINTS = 120
ENLARGED = 1.5  # volume of the ellipsoids about live points, from which new ones are drawn
FIGURES = ("mean", "sd", "q2.5", "q50", "q97.5")
TOO_LARGE = 1.1  # the noise of a planted mistake

Values = dict[str, float]


# --- priors ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Prior:
    """Of one number: its quantile function."""

    quantile: Callable[[float], float]


def log_normal(centre: float, ln_sd: float) -> Prior:
    return Prior(lambda p: centre * float(np.exp(ln_sd * ndtri(p))))


def uniform(lower: float, upper: float) -> Prior:
    return Prior(lambda p: lower + (upper - lower) * p)


def normal_above_zero(centre: float, sd: float) -> Prior:
    none = float(ndtr(-centre / sd))
    return Prior(lambda p: centre + sd * float(ndtri(none + (1.0 - none) * p)))


# --- cases -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Case(ABC):
    """A profile, its inversion, and the same posterior once more.

    Attributes
    ----------
    file : str
        Of the experiment, with places for what is known to nature or to the analyst.
    truth, known : dict
        What stands there.
    seed : int
        Of the noise.
    priors : dict
        Of what is sampled, by the names that the inversion gives.
    width : str
        The width whose prior a planted mistake changes.
    """

    file: str
    truth: Mapping[str, str | float]
    known: Mapping[str, str | float]
    seed: int
    priors: Mapping[str, Prior]
    width: str

    @cached_property
    def inversion(self) -> Inversion:
        truth = experiment_from_toml(self.file.format(**self.truth))
        profile = profile_of(simulate(truth.stack, truth.setup, seed=self.seed), "nested")
        found = invert(profile, experiment_from_toml(self.file.format(**self.known)))
        noise = found.likelihood.noise
        # Then the noise is the one that the file states, and nothing else.
        assert not noise.shortfall.any()
        assert np.all(noise.correlation == 1.0)
        return found

    @cached_property
    def readings(self) -> np.ndarray:
        """Shape (C, N)."""
        profile = self.inversion.profile
        return profile.values[[profile.channels.index(name) for name in self.channels]]

    @property
    def channels(self) -> list[str]:
        return [channel.name for channel in self.inversion.likelihood.assembly.channels]

    @cached_property
    def edges_s(self) -> np.ndarray:
        step = float(self.inversion.profile.interval[0])
        return step * np.arange(self.inversion.profile.interval.size + 1)

    @abstractmethod
    def signals(self, values: Values) -> np.ndarray | None:
        """What each channel collects per unit of its sensitivity, shape (C, N).

        None where it cannot be computed.
        """

    @abstractmethod
    def log_likelihood(self, values: Values) -> float:
        """Of the readings, up to a constant."""

    def linear(self, values: Values, rng: np.random.Generator) -> Values:
        """Draws of what was integrated out."""
        return {}


class Normal(Case):
    """Readings with normal noise; sensitivities and backgrounds integrated over all numbers."""

    @property
    @abstractmethod
    def root(self) -> np.ndarray:
        """Cholesky factor of the covariance of all readings, channel after channel."""

    @cached_property
    def _white_readings(self) -> np.ndarray:
        return solve_triangular(self.root, self.readings.ravel(), lower=True)

    def _solved(self, values: Values):
        """Best linear numbers, root of their information, sum of squares; None without signal."""
        signals = self.signals(values)
        if signals is None or np.any(signals.max(axis=1) <= 1e-6 * signals.max()):
            return None
        channels, readings = signals.shape
        columns = np.zeros((channels, readings, 2 * channels))
        for c in range(channels):
            columns[c, :, c], columns[c, :, channels + c] = signals[c], 1.0
        white = solve_triangular(self.root, columns.reshape(-1, 2 * channels), lower=True)
        orthogonal, upper = np.linalg.qr(white)
        inside = orthogonal.T @ self._white_readings
        left = float(self._white_readings @ self._white_readings - inside @ inside)
        return solve_triangular(upper, inside), upper, left

    def log_likelihood(self, values: Values) -> float:
        solved = self._solved(values)
        if solved is None:
            return -1e300
        _, upper, left = solved
        return -0.5 * left - float(np.sum(np.log(np.abs(np.diag(upper)))))

    def linear(self, values: Values, rng: np.random.Generator) -> Values:
        best, upper, _ = self._solved(values)
        drawn = best + solve_triangular(upper, rng.standard_normal(best.size))
        names = [f"{what} {c}" for what in ("sensitivity", "background") for c in self.channels]
        return dict(zip(names, map(float, drawn), strict=True))


# --- signals by formula ------------------------------------------------------------------------

RATE_NM_S = 10.0
AVOGADRO = 602.214076  # atoms of 1 u in 1 g/cm3, per nm3
PER_NM3 = {
    "Cu": 8.96 / 63.546 * AVOGADRO,
    "Ni": 8.90 / 58.6934 * AVOGADRO,
    "Al": 2.70 / 26.9815385 * AVOGADRO,
}


def passed(edges_s: np.ndarray, depth_nm: float, sd_nm: float) -> np.ndarray:
    """Mean over each reading of the share of an edge that has been passed, at one rate for all.

    From the integral of Phi, x Phi(x) + phi(x) (derived).
    """
    away = (RATE_NM_S * edges_s - depth_nm) / max(sd_nm, 1e-9)
    integral = away * ndtr(away) + np.exp(-0.5 * away**2) / np.sqrt(2.0 * np.pi)
    return np.diff(integral) * max(sd_nm, 1e-9) / (RATE_NM_S * np.diff(edges_s))


LAYERS = """
[[layer]]
name = "upper"
composition = "Cu"
density_g_cm3 = {{ value = 8.96, u = 0 }}
thickness_nm = {upper}
interface_width_nm = {upper_width}
erosion_rate_nm_s = {rate}
"""
BELOW = """
[substrate]
composition = "Al"
density_g_cm3 = {{ value = 2.70, u = 0 }}
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[roughness]
initial_nm = {roughness}
[crater]
{crater}
[detection]
sampling_s = {sampling_s}
duration_s = {duration_s}
[[detection.channel]]
element = "Cu"
sensitivity = {sensitivity}
background = {background}
[[detection.channel]]
element = "Al"
sensitivity = {sensitivity}
background = {background}
"""

READOUT, ROUGHNESS_NM = 10.0, 2.0


class Analogue(Normal):
    @cached_property
    def root(self) -> np.ndarray:
        deviation = READOUT / np.sqrt(np.diff(self.edges_s))
        return np.diag(np.tile(deviation, len(self.channels)))

    def signals(self, values: Values) -> np.ndarray:
        depth, through = 0.0, [np.ones(self.edges_s.size - 1)]
        for layer in ("upper", "lower"):
            depth += values[f"thickness of {layer}"]
            sd = np.hypot(0.5 * values[f"interface width below {layer}"], ROUGHNESS_NM)
            through.append(passed(self.edges_s, depth, sd))
        through.append(np.zeros(self.edges_s.size - 1))
        shares = dict(zip(("Cu", "Ni", "Al"), -np.diff(through, axis=0), strict=True))
        return np.array([PER_NM3[c] * RATE_NM_S * shares[c] for c in self.channels])


def analogue() -> Case:
    """Two layers, normal noise of some 3 % of the largest signal."""
    lower = """
[[layer]]
name = "lower"
composition = "Ni"
density_g_cm3 = {{ value = 8.90, u = 0 }}
thickness_nm = {lower}
interface_width_nm = {lower_width}
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
"""
    third = """
[[detection.channel]]
element = "Ni"
sensitivity = {sensitivity}
background = {background}
[noise]
counts_per_unit_s = 1e12
readout_per_sqrt_s = 10.0
"""
    always = {"crater": 'shape = "flat"', "sampling_s": 0.25, "duration_s": 10.0}
    always |= {"rate": "{ value = 10.0, u = 0 }", "roughness": "{ value = 2.0, u = 0 }"}
    return Analogue(
        LAYERS + lower + BELOW + third,
        {
            **always,
            "upper": 32.0,
            "upper_width": 8.0,
            "lower": 36.0,
            "lower_width": 10.0,
            "sensitivity": 1.0,
            "background": 100.0,
        },
        {
            **always,
            "upper": "{ guess = 35.0 }",
            "upper_width": "{ guess = 6.0, max = 25.0 }",
            "lower": "{ guess = 33.0 }",
            "lower_width": "{ guess = 8.0, max = 30.0 }",
            "sensitivity": "{ guess = 1.0 }",
            "background": "{ guess = 80.0 }",
        },
        seed=1,
        priors={
            "thickness of upper": log_normal(35.0, np.log(3.0)),
            "thickness of lower": log_normal(33.0, np.log(3.0)),
            "interface width below upper": uniform(0.0, 25.0),
            "interface width below lower": uniform(0.0, 30.0),
        },
        width="interface width below upper",
    )


COUNTS = 0.1


class FewCounts(Case):
    def signals(self, values: Values) -> np.ndarray:
        depth, width = values["thickness of upper"], values["interface width below upper"]
        share = passed(self.edges_s, depth, 0.5 * width)
        shares = {"Cu": 1.0 - share, "Al": share}
        return np.array([PER_NM3[c] * RATE_NM_S * shares[c] for c in self.channels])

    def log_likelihood(self, values: Values) -> float:
        """Of Poisson, up to a constant."""
        per_count = COUNTS * np.diff(self.edges_s)
        found = 0.0
        for name, signal, readings in zip(
            self.channels, self.signals(values), self.readings, strict=True
        ):
            mean = per_count * (
                values[f"sensitivity {name}"] * signal + values[f"background {name}"]
            )
            mean = np.maximum(mean, 1e-12)
            found += float(np.sum(per_count * readings * np.log(mean) - mean))
        return found


def few_counts() -> Case:
    """At most 30 counts in a reading, and a sharp interface."""
    noise = "[noise]\ncounts_per_unit_s = 0.1\n"
    always = {"crater": 'shape = "flat"', "sampling_s": 0.25, "duration_s": 10.0}
    always |= {"rate": "{ value = 10.0, u = 0 }", "roughness": "{ value = 0.0, u = 0 }"}
    sensitivities = {f"sensitivity {c}": uniform(0.4, 2.0) for c in ("Cu", "Al")}
    backgrounds = {f"background {c}": uniform(0.0, 400.0) for c in ("Cu", "Al")}
    return FewCounts(
        LAYERS + BELOW + noise,
        {
            **always,
            "upper": 48.3,
            "upper_width": 0.5,
            "sensitivity": 1.0,
            "background": 80.0,
        },
        {
            **always,
            "upper": "{ guess = 45.0 }",
            "upper_width": "{ guess = 4.0, max = 20.0 }",
            "sensitivity": "{ guess = 1.0, min = 0.4, max = 2.0 }",
            "background": "{ guess = 50.0, max = 400.0 }",
        },
        seed=1,
        priors={
            "thickness of upper": log_normal(45.0, np.log(3.0)),
            "interface width below upper": uniform(0.0, 20.0),
            **sensitivities,
            **backgrounds,
        },
        width="interface width below upper",
    )


MANY_COUNTS, FLICKER_RMS, FLICKER_S = 50.0, 0.02, 0.8


class Flicker(Normal):
    @cached_property
    def _assembly(self) -> Assembly:
        truth = experiment_from_toml(self.file.format(**self.truth))
        return Assembly(truth.stack, truth.setup)

    @cached_property
    def _plan(self) -> SlicePlan:
        return plan(*self._numbers({}), self.edges_s)

    def _numbers(self, values: Values):
        numbers = self._assembly.nominal
        for i, p in enumerate(self._assembly.parameters):
            numbers[i] = values.get(p.name, numbers[i])
        return self._assembly.sample(numbers), self._assembly.instrument(numbers)

    def signals(self, values: Values) -> np.ndarray | None:
        elements = list(self._assembly.elements)
        each = np.broadcast_to(np.eye(2), (2, 2, 2))
        try:
            result = run_engine(*self._numbers(values), self.edges_s, each, self._plan)
        except ValueError:
            return None
        return result.signal.T[[elements.index(c) for c in self.channels]]

    @cached_property
    def root(self) -> np.ndarray:
        """Of counting and a common relative fluctuation, both of the signal at the fit."""
        found, step = self.inversion, float(np.diff(self.edges_s)[0])
        parameters = found.likelihood.assembly.parameters
        at_fit = {p.name: float(found.values[i]) for i, p in enumerate(parameters)}
        linear = dict(zip(found.likelihood.linear_names(), found.solution.linear, strict=True))
        signal = self.signals(at_fit) * np.array(
            [[linear[f"sensitivity {c}"]] for c in self.channels]
        )
        background = np.array([[linear[f"background {c}"]] for c in self.channels])
        variance, with_next = flicker_moments(FLICKER_RMS, FLICKER_S, step)
        lag = np.abs(np.subtract.outer(np.arange(signal.shape[1]), np.arange(signal.shape[1])))
        later = with_next * np.exp(-(lag - 1) * step / FLICKER_S)
        kernel = variance * np.where(lag == 0, 1.0, later)
        together = np.tile(kernel, (len(signal), len(signal)))
        covariance = together * np.outer(signal.ravel(), signal.ravel())
        counting = (signal + background) / (MANY_COUNTS * step)
        return np.linalg.cholesky(covariance + np.diag(counting.ravel()))


def flicker() -> Case:
    """A rate that is known to 5 %, a curved crater, a source that fluctuates by 2 %."""
    noise = """
[noise]
counts_per_unit_s = 50.0
flicker = {{ rms = 0.02, correlation_s = 0.8 }}
"""
    always = {"sampling_s": 0.25, "duration_s": 5.0}
    return Flicker(
        LAYERS + BELOW + noise,
        {
            **always,
            "crater": 'shape = "parabolic"\ncurvature = 0.05',
            "rate": 9.7,
            "upper": 24.0,
            "upper_width": 5.0,
            "roughness": 1.0,
            "sensitivity": 1.0,
            "background": 30.0,
        },
        {
            **always,
            "crater": 'shape = "parabolic"\ncurvature = { value = 0.04, u = 0.015 }',
            "rate": "{ value = 10.0, u_rel = 0.05 }",
            "upper": "{ value = 27.0, u = 2.7 }",
            "upper_width": "{ guess = 4.0, max = 20.0 }",
            "roughness": "{ value = 1.0, u = 0 }",
            "sensitivity": "{ guess = 1.0 }",
            "background": "{ guess = 20.0 }",
        },
        seed=1,
        priors={
            "thickness of upper": log_normal(27.0, 0.1),
            "interface width below upper": uniform(0.0, 20.0),
            "erosion rate of upper": log_normal(10.0, 0.05),
            "crater curvature": normal_above_zero(0.04, 0.015),
        },
        width="interface width below upper",
    )


CASES = {"few_counts": few_counts, "analogue": analogue, "flicker": flicker}


# --- draws -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Draws:
    """Weighted draws of all numbers, by name.

    Attributes
    ----------
    values : dict of str to ndarray, shape (S,)
    weights : ndarray, shape (S,)
    log_likelihood : ndarray, shape (S,)
        Of nested sampling; empty otherwise.
    effective : float
        Effective sample size of the weights, or the least one that the sampled posterior claims.
    """

    values: dict[str, np.ndarray]
    weights: np.ndarray
    effective: float
    log_likelihood: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def figures(self, name: str) -> np.ndarray:
        """Mean, standard deviation and quantiles."""
        values, weights = self.values[name], self.weights
        mean = float(weights @ values)
        sd = float(np.sqrt(weights @ (values - mean) ** 2))
        order = np.argsort(values)
        level = np.cumsum(weights[order]) - 0.5 * weights[order]
        return np.array([mean, sd, *np.interp([0.025, 0.5, 0.975], level, values[order])])

    def reweighted(self, log_factors: np.ndarray) -> "Draws":
        weights = self.weights * np.exp(log_factors - log_factors.max())
        weights /= weights.sum()
        return Draws(self.values, weights, effective_size(weights), self.log_likelihood)


def effective_size(weights: np.ndarray) -> float:
    return float(1.0 / np.sum(weights**2))


def nested(case: Case, seed: int, live_points: int = LIVE_POINTS) -> Draws:
    """One run of dynesty."""
    import dynesty

    names, quantiles = list(case.priors), [prior.quantile for prior in case.priors.values()]

    def transform(cube: np.ndarray) -> np.ndarray:
        return np.array([q(float(p)) for q, p in zip(quantiles, cube, strict=True)])

    def log_likelihood(point: np.ndarray) -> float:
        return case.log_likelihood(dict(zip(names, map(float, point), strict=True)))

    rng = np.random.default_rng([2026, seed])
    sampler = dynesty.NestedSampler(
        log_likelihood,
        transform,
        len(names),
        nlive=live_points,
        sample="unif",
        bootstrap=0,
        enlarge=ENLARGED,
        rstate=rng,
    )
    sampler.run_nested(dlogz=0.01, print_progress=False)
    found = sampler.results
    log_weights = found["logwt"] - np.max(found["logwt"])
    counts = log_weights > -30.0
    weights = np.exp(log_weights[counts])
    weights /= weights.sum()
    points = found["samples"][counts]
    values = dict(zip(names, points.T, strict=True))
    linear = [
        case.linear(dict(zip(names, map(float, point), strict=True)), rng) for point in points
    ]
    values |= {name: np.array([each[name] for each in linear]) for name in linear[0]}
    return Draws(values, weights, effective_size(weights), found["logl"][counts])


def sampled(case: Case, seed: int, draws: int = DRAWS) -> Draws:
    """One run of the project's own sampling."""
    found = sample_posterior(case.inversion, draws=draws, seed=seed)
    assert not found.sample.doubts()
    values = {number.name: number.draws.ravel() for number in found.numbers}
    count = next(iter(values.values())).size
    least = min(min(number.bulk, number.tail) for number in found.numbers)
    return Draws(values, np.full(count, 1.0 / count), least)


# --- comparison --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """One figure of one number by both ways.

    Attributes
    ----------
    own, other : float
        Means of the runs of the project's sampling and of nested sampling.
    u_own, u_other : float
        Their Monte Carlo errors, from the scatter between runs.
    z : float
        The difference over its error; from Student's distribution with the degrees of freedom
        after Welch to that of a normal one.
    """

    number: str
    figure: str
    own: float
    other: float
    u_own: float
    u_other: float
    z: float


@dataclass(frozen=True)
class Agreement:
    """All figures, and what chance makes of the largest difference.

    Attributes
    ----------
    largest_z, expected : float
        Largest |z|, and its median if all were independent.
    p_largest : float
        How often chance exceeds it (Šidák; a bit more seldom, since figures of one number are
        correlated).
    p_distributions : float
        The same of the largest Kolmogorov distance of pooled draws with their effective sizes.
    """

    rows: list[Row]
    largest_z: float
    expected: float
    p_largest: float
    p_distributions: float

    @property
    def holds(self) -> bool:
        return min(self.p_largest, self.p_distributions) > 0.01


def compare(own: list[Draws], other: list[Draws]) -> Agreement:
    """Both samplers, several runs each."""
    names = sorted(other[0].values)
    assert names == sorted(own[0].values)
    rows = []
    for name in names:
        figures = [np.array([run.figures(name) for run in runs]) for runs in (own, other)]
        for k, figure in enumerate(FIGURES):
            rows.append(_row(name, figure, *(each[:, k] for each in figures)))
    largest = max(abs(row.z) for row in rows)
    p = [_p_distance(own, other, name) for name in names]
    return Agreement(
        rows,
        largest,
        float(norm.isf(0.5 * (1.0 - 0.5 ** (1.0 / len(rows))))),
        1.0 - (1.0 - 2.0 * float(norm.sf(largest))) ** len(rows),
        1.0 - (1.0 - min(p)) ** len(p),
    )


def _row(name: str, figure: str, own: np.ndarray, other: np.ndarray) -> Row:
    variances = np.array([np.var(own, ddof=1) / own.size, np.var(other, ddof=1) / other.size])
    u = float(np.sqrt(variances.sum()))
    freedom = variances.sum() ** 2 / np.sum(variances**2 / (np.array([own.size, other.size]) - 1))
    difference = float(own.mean() - other.mean())
    p = float(t.sf(abs(difference) / u, freedom))
    z = float(np.sign(difference) * norm.isf(p))
    of_runs = map(float, (own.mean(), other.mean(), *np.sqrt(variances)))
    return Row(name, figure, *of_runs, z)


def _p_distance(own: list[Draws], other: list[Draws], name: str) -> float:
    """Kolmogorov and Smirnov's, with effective sizes."""
    places, levels = [], []
    for runs in (own, other):
        values = np.concatenate([run.values[name] for run in runs])
        weights = np.concatenate([run.weights for run in runs]) / len(runs)
        order = np.argsort(values)
        places.append(values[order])
        levels.append(np.append(0.0, np.cumsum(weights[order])))
    every = np.concatenate(places)
    first, second = (
        level[np.searchsorted(place, every, side="right")]
        for place, level in zip(places, levels, strict=True)
    )
    sizes = [sum(run.effective for run in runs) for runs in (own, other)]
    size = sizes[0] * sizes[1] / sum(sizes)
    return float(kolmogorov(np.sqrt(size) * np.max(np.abs(first - second))))


def planted(case: Case, other: list[Draws]) -> dict[str, list[Draws]]:
    """Nested draws with a mistake in the prior of a width, and in the noise."""
    return {
        "width flat in its square": [
            run.reweighted(np.log(run.values[case.width])) for run in other
        ],
        "noise 10 % too large": [
            run.reweighted(run.log_likelihood * (TOO_LARGE**-2 - 1.0)) for run in other
        ],
    }


def study(name: str, runs: int = RUNS) -> dict:
    """One case, as it is kept."""
    case = CASES[name]()
    own = [sampled(case, seed) for seed in range(1, runs + 1)]
    other = [nested(case, seed) for seed in range(1, runs + 1)]
    agreement = compare(own, other)
    mistakes = {what: compare(own, wrong) for what, wrong in planted(case, other).items()}
    return {
        "runs": runs,
        "effective_own": sum(run.effective for run in own),
        "effective_nested": sum(run.effective for run in other),
        **asdict(agreement),
        "planted": {
            what: {"largest_z": found.largest_z, "p_largest": found.p_largest}
            for what, found in mistakes.items()
        },
    }


def write(record: dict, path: str) -> None:
    with open(path, "w", encoding="utf-8") as file:
        json.dump(record, file, indent=1)


if __name__ == "__main__":
    record = {
        "command": "python -m studies.nested ../benchmarks/nested.json",
        "draws": DRAWS,
        "live_points": LIVE_POINTS,
        "cases": {},
    }
    for case_name in CASES:
        record["cases"][case_name] = found = study(case_name)
        print(case_name, {key: value for key, value in found.items() if key != "rows"}, flush=True)
        if len(sys.argv) > 1:
            write(record, sys.argv[1])
