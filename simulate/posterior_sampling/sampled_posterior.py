"""A sampled posterior: draws of all numbers, how far to trust them, and what they predict."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from craterfront.fitting.inversion import Inversion
from craterfront.notation.json_numbers import finite_or_none
from craterfront.posterior_sampling.convergence import bulk_ess, r_hat, tail_ess
from craterfront.posterior_sampling.cores import usable_cores
from craterfront.posterior_sampling.density_sampling import NothingFound, sample
from craterfront.posterior_sampling.posterior import Posterior
from craterfront.posterior_sampling.predictive import (
    Check,
    checks,
    discrepancies,
    log_likelihood,
    replicate,
)
from craterfront.posterior_sampling.trusted_draws import Sample
from craterfront.problems import InputProblems
from craterfront.progress import Progress, silent

DRAWS = 1000
"""By default."""

LEAST_DRAWS = 100
MOST_DRAWS = 100_000
PREDICTED = 200
"""Draws for which readings are predicted: more of them would only fill files."""


class Row(NamedTuple):
    """One number: median and 95 % interval of its draws, R-hat, effective sample size."""

    name: str
    unit: str
    median: float
    lower: float
    upper: float
    r_hat: float
    effective: float


class Number(NamedTuple):
    """Draws of one number with their diagnostics."""

    name: str
    unit: str
    draws: np.ndarray
    r_hat: float
    bulk: float
    tail: float


@dataclass(frozen=True)
class SampledPosterior:
    """Draws from the posterior of an inversion.

    Attributes
    ----------
    inversion : Inversion
    sample : Sample
        Of the parameters that are not linear, in the coordinates of the posterior.
    seed : int
    free_values : ndarray, shape (S, free parameters)
        All draws, one chain after the other, in the units of the parameters.
    numbers : list of Number
        Free parameters in their units, depths of interfaces, then linear numbers; draws of shape
        (chain, draw).
    thinning : int
        Every so many draws of a chain have predicted readings.
    predicted, log_likelihood : ndarray, shape (chain, draws over thinning, C, N)
    checks : list of Check
        By channel.
    """

    inversion: Inversion
    sample: Sample
    seed: int
    free_values: np.ndarray
    numbers: list[Number]
    thinning: int
    predicted: np.ndarray
    log_likelihood: np.ndarray
    checks: list[Check]

    def doubts(self) -> list[str]:
        """Why not to trust the draws."""
        return [
            f"the sampled posterior is not to be trusted: {doubt}" for doubt in self.sample.doubts()
        ]

    def notes(self) -> list[str]:
        """Where the model does not explain the readings."""
        return [problem for check in self.checks for problem in check.problems()]

    def warnings(self) -> list[str]:
        """All that a reader must know, doubts first."""
        return self.doubts() + self.notes()

    def rows(self) -> list[Row]:
        """Median and 95 % interval of every number."""
        rows = []
        for each in self.numbers:
            lower, median, upper = np.quantile(each.draws, [0.025, 0.5, 0.975])
            effective = min(each.bulk, each.tail)
            rows.append(Row(each.name, each.unit, median, lower, upper, each.r_hat, effective))
        return rows

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings, ready for JSON; what is not known is null."""
        chains, draws = self.sample.log_density.shape
        return {
            "method": self.sample.method,
            "seed": self.seed,
            "chains": chains,
            "draws": draws,
            "evaluations": self.sample.evaluations,
            "pareto_k": finite_or_none(self.sample.pareto_k),
            "trusted": not self.doubts(),
            "doubts": self.doubts(),
            "warnings": self.warnings(),
            "numbers": [
                {
                    "name": row.name,
                    "unit": row.unit,
                    "median": finite_or_none(row.median),
                    "lo": finite_or_none(row.lower),
                    "hi": finite_or_none(row.upper),
                    "r_hat": finite_or_none(row.r_hat),
                    "effective_draws": finite_or_none(row.effective),
                }
                for row in self.rows()
            ],
            "predictive_checks": [
                {"channel": c.channel, "p_scatter": c.p_scatter, "p_slow": c.p_slow}
                for c in self.checks
            ],
        }


def sample_posterior(
    inversion: Inversion,
    *,
    draws: int = DRAWS,
    seed: int | None = None,
    progress: Progress | None = None,
) -> SampledPosterior:
    """Draws from the posterior of an inversion, checked.

    Linear numbers (sensitivities, backgrounds, contaminations) are integrated out of the density
    of all others, then drawn given these. Noise level and shortfall are those of the fit.

    Parameters
    ----------
    inversion : Inversion
    draws : int
        Draws of all chains together, 100 to 100,000; in four chains.
    seed : int, optional
        Without one, a new one is drawn and kept in the result.
    progress : callable, optional
        Called with a stage and the share done.

    Raises
    ------
    InputProblems
        For a number of draws out of range; when the model can be computed at no draw.
    """
    check_draws(draws, "draws")
    report = progress or silent
    if seed is None:
        seed = int(np.random.SeedSequence().generate_state(1)[0])
    posterior = Posterior(inversion)
    found = _sample(posterior, draws, seed, report)
    seen = _Seen(posterior, found, seed)
    seen.look(report)
    report("done", 1.0)
    free_values = posterior.values(np.concatenate(found.points))
    names = [channel.name for channel in posterior.likelihood.assembly.channels]
    predicted = (len(found.points), -1, *posterior.likelihood.values.shape)
    return SampledPosterior(
        inversion,
        found,
        seed,
        free_values,
        _parameters(posterior, found, free_values, inversion.relative)
        + _depths(posterior, found, free_values, inversion.relative)
        + _linear_numbers(posterior, found, seen.linear),
        seen.thinning,
        seen.predicted.reshape(predicted),
        seen.log_likelihood.reshape(predicted),
        checks(names, seen.measured, seen.replicated),
    )


def _sample(posterior: Posterior, draws: int, seed: int, report: Progress) -> Sample:
    """Draws of the free numbers; all the same where a file holds every one of them."""
    if not posterior.likelihood.free:
        return Sample.of_one_point(posterior.log_density(np.zeros(0)), draws)
    try:
        return sample(
            posterior.log_densities,
            posterior.proposal(),
            draws,
            seed,
            possible=posterior.possible,
            quantities=posterior.values,
            report=lambda share: report("sampling", share),
        )
    except NothingFound:
        problem = "posterior: the model cannot be computed anywhere near the most probable sample"
        raise InputProblems([problem]) from None


def check_draws(draws: int, place: str) -> None:
    """Stop at a number of draws out of range.

    Raises
    ------
    InputProblems
    """
    if not LEAST_DRAWS <= draws <= MOST_DRAWS:
        problem = f"{place}: must be from {LEAST_DRAWS} to {MOST_DRAWS}, got {draws}"
        raise InputProblems([problem])


class _Seen:
    """What takes another look at the model of each draw: linear numbers, predicted readings."""

    def __init__(self, posterior: Posterior, found: Sample, seed: int) -> None:
        self._posterior, self._seed = posterior, seed
        chains, draws = found.log_density.shape
        self.thinning = max(chains * draws // PREDICTED, 1)
        flat = np.concatenate(found.points)
        self._points, self._place = np.unique(flat, axis=0, return_inverse=True)
        self._place = self._place.reshape(-1)
        number = np.arange(chains * draws)
        self._order = np.flatnonzero((number % draws) % self.thinning == 0)
        shape = posterior.likelihood.values.shape
        self.linear = np.empty((number.size, len(posterior.likelihood.linear_names())))
        self.predicted = np.empty((self._order.size, *shape))
        self.log_likelihood = np.empty_like(self.predicted)
        self.measured = np.empty((self._order.size, 2, shape[0]))
        self.replicated = np.empty_like(self.measured)

    def look(self, report: Progress) -> None:
        """At every different point, on all cores; random numbers do not depend on the order."""
        with ThreadPoolExecutor(max_workers=usable_cores()) as pool:
            for done, _ in enumerate(pool.map(self._look_at, range(len(self._points)))):
                report("predictions", done / len(self._points))

    def _look_at(self, point: int) -> None:
        posterior = self._posterior
        likelihood, linear = posterior.likelihood, posterior.linear
        x = posterior.coordinates(self._points[point])
        given = posterior.given(self._points[point])
        skew = linear.moved.size > 0 and not linear.is_linear
        values = likelihood.coordinates.values(x)
        solution = likelihood.solve(x) if skew else None
        for draw in np.flatnonzero(self._place == point):
            rng = np.random.default_rng([self._seed, 1, int(draw)])
            if solution is not None and skew:
                self.linear[draw] = linear.drawn_skew(given, solution, values, rng)
            else:
                self.linear[draw] = linear.drawn(given, rng)
            kept = np.flatnonzero(self._order == draw)
            if not kept.size:
                continue
            if solution is None:
                solution = likelihood.solve(x)
            full = linear.with_linear(solution, self.linear[draw])
            readings = replicate(likelihood, full, rng)
            self.predicted[kept] = readings
            self.log_likelihood[kept] = log_likelihood(likelihood, full)
            self.measured[kept] = discrepancies(likelihood, full, likelihood.values)
            self.replicated[kept] = discrepancies(likelihood, full, readings)


def _parameters(
    posterior: Posterior, found: Sample, values: np.ndarray, relative: bool
) -> list[Number]:
    """Free parameters in their units; durations at nominal rates where no depths are known."""
    chains, draws = found.log_density.shape
    numbers = []
    for i, index in enumerate(posterior.likelihood.free):
        p = posterior.parameters[i]
        per_unit, unit = _unit(posterior, index) if relative else (1.0, p.unit)
        own = values[:, i].reshape(chains, draws) / per_unit
        diagnostics = (float(each[i]) for each in (found.r_hat, found.bulk, found.tail))
        numbers.append(Number(p.name, unit, own, *diagnostics))
    return numbers


def _unit(posterior: Posterior, index: int) -> tuple[float, str]:
    """What a second at nominal rates is worth in the unit of a parameter; the unit then."""
    assembly = posterior.likelihood.assembly
    parameter = assembly.parameters[index]
    rates = [assembly.nominal_rate_nm_s(layer) for layer in range(len(assembly.layers))]
    for layer in range(len(rates) - 1):
        if index == assembly.thickness_index(layer):
            return rates[layer], "s"
        if index == assembly.width_index(layer):
            return (rates[layer] * rates[layer + 1]) ** 0.5, "s"
    return 1.0, "nm at nominal rates" if parameter.unit == "nm" else parameter.unit


def _depths(
    posterior: Posterior, found: Sample, values: np.ndarray, relative: bool
) -> list[Number]:
    """Depths of the interfaces from the second down, that of the first being a thickness.

    As sums they are worth no more than all draws together.
    """
    assembly, free = posterior.likelihood.assembly, posterior.likelihood.free
    what, unit = ("time", "s") if relative else ("depth", "nm")
    depth, numbers = np.zeros(len(values)), []
    for layer, above in enumerate(assembly.layers[:-1]):
        index = assembly.thickness_index(layer)
        fixed = assembly.parameters[index].is_fixed
        thickness = assembly.nominal[index] if fixed else values[:, free.index(index)]
        depth = depth + thickness / (assembly.nominal_rate_nm_s(layer) if relative else 1.0)
        if layer > 0 and np.ptp(depth) > 0.0:
            own = depth.reshape(found.log_density.shape)
            name = f"{what} of the interface below {above.name}"
            numbers.append(Number(name, unit, own, r_hat(own), *_sizes(own, found)))
    return numbers


def _sizes(draws: np.ndarray, found: Sample) -> tuple[float, float]:
    """What draws are worth for the middle and the ends of an interval: no more than all numbers."""
    return min(bulk_ess(draws), found.effective), min(tail_ess(draws), found.effective)


def _linear_numbers(posterior: Posterior, found: Sample, linear: np.ndarray) -> list[Number]:
    """Given the parameters they are drawn independently; they are worth no more than these."""
    names = posterior.likelihood.linear_names()
    numbers = []
    for i in posterior.linear.moved:
        own = linear[:, i].reshape(found.log_density.shape)
        numbers.append(Number(names[i], "1", own, r_hat(own), *_sizes(own, found)))
    return numbers
