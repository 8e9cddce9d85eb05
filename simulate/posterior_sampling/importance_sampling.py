"""Importance sampling: draws from a proposal with their weights, and a better proposal."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from craterfront.posterior_sampling.convergence import r_hat
from craterfront.posterior_sampling.pareto_smoothing import (
    MOST_K,
    effective_size,
    effective_size_of,
    smoothed_log_weights,
)
from craterfront.posterior_sampling.proposal import Proposal
from craterfront.posterior_sampling.trusted_draws import CHAINS, Points, Sample, everywhere

ENDS = (0.05, 0.95)
"""Of an interval whose effective sample size is looked at."""

_WORTH = 0.2  # effective draws per draw from the proposal, below which a better one is sought
_USEFUL = 0.08  # ... and below which walkers do better
_MOST_THROWN_AWAY = 30  # draws that are not possible, for one that is wanted
_MORE = 1.2  # draws than seem to be missing: so there is seldom a third batch
_AT_ONCE = 100  # between two reports of progress
_SEEN_PER_DIMENSION = 5.0  # draws that a covariance is taken from
_LEAST_SEEN = 50.0


@dataclass(frozen=True)
class Weighted:
    """Draws from a proposal with their weights.

    Attributes
    ----------
    proposal : Proposal
    points : ndarray, shape (S, D)
    log_density, log_ratios : ndarray, shape (S,)
        Of the target, and of target over proposal.
    log_weights : ndarray, shape (S,)
        Smoothed and normalised.
    pareto_k : float
    """

    proposal: Proposal
    points: np.ndarray
    log_density: np.ndarray
    log_ratios: np.ndarray
    log_weights: np.ndarray
    pareto_k: float

    @classmethod
    def of(
        cls,
        log_density: Points,
        proposal: Proposal,
        count: int,
        rng: np.random.Generator,
        report: Callable[[float], None],
        possible: Points = everywhere,
    ) -> "Weighted":
        """New draws, of those of the proposal that are possible.

        So the proposal is cut off where the density is 0: bounds of several numbers together, which
        it does not know, cost no evaluations and leave the weights even.
        """
        points, inside = _possible_draws(proposal, count, rng, possible)
        density = np.full(count, -np.inf)
        chunks = np.array_split(np.flatnonzero(inside), max(count // _AT_ONCE, 1))
        for number, chunk in enumerate(chunks):
            report(number / len(chunks))
            density[chunk] = log_density(points[chunk])
        return cls._weighed(proposal, points, density, density - proposal.log_density(points))

    @classmethod
    def _weighed(
        cls,
        proposal: Proposal,
        points: np.ndarray,
        density: np.ndarray,
        log_ratios: np.ndarray,
    ) -> "Weighted":
        if not np.isfinite(log_ratios).any():
            equal = np.full(log_ratios.size, -np.log(log_ratios.size))
            return cls(proposal, points, density, log_ratios, equal, np.inf)
        return cls(proposal, points, density, log_ratios, *smoothed_log_weights(log_ratios))

    def with_more(self, other: "Weighted") -> "Weighted":
        """These draws and others from the same proposal."""
        return self._weighed(
            self.proposal,
            np.concatenate([self.points, other.points]),
            np.concatenate([self.log_density, other.log_density]),
            np.concatenate([self.log_ratios, other.log_ratios]),
        )

    @property
    def effective(self) -> float:
        """Effective sample size of the weights."""
        return effective_size(self.log_weights)

    @property
    def share(self) -> float:
        """Effective draws per draw."""
        return self.effective / len(self.points)

    @property
    def is_good(self) -> bool:
        """Whether means over these draws can be trusted, and more of them help."""
        return self.pareto_k <= MOST_K and self.share >= _USEFUL

    @property
    def sees_any(self) -> bool:
        """Whether the density is above 0 at any draw."""
        return bool(np.isfinite(self.log_ratios).any())

    @property
    def is_worth_it(self) -> bool:
        """Whether a better proposal need not be sought."""
        return self.is_good and self.share >= _WORTH

    def times_too_few(self, draws: int, quantities: Points) -> float:
        """By which factor their number is to grow to be worth what was asked for.

        The weights as many draws as will be chosen; each quantity two thirds of that.
        """
        weights = np.exp(self.log_weights)
        worth = [
            min(_sizes(values, _quantiles(values, weights), weights))
            for values in quantities(self.points).T
        ]
        least = float(np.nanmin(worth, initial=np.inf))
        return max(draws / self.effective, draws / 1.5 / least)

    def moved_proposal(self) -> Proposal:
        """The proposal, stretched and moved so that its moments are those of the weighted draws.

        After T. Paananen, J. Piironen, P.-C. Bürkner, A. Vehtari, Stat. Comput. 31 (2021) 16 (from
        memory). Where a few draws have all the weight, the weights are flattened, and the next
        round goes on from there; the covariance is drawn to the old one by as many draws as there
        are dimensions.
        """
        proposal = self.proposal
        if not self.sees_any:
            return proposal
        entering = proposal.straight(self.points)
        dimensions = entering.shape[1]
        weights = _flattened(self.log_ratios, max(_SEEN_PER_DIMENSION * dimensions, _LEAST_SEEN))
        mean = weights @ entering
        before, spread_before = entering.mean(axis=0), np.cov(entering.T)
        spread_before = spread_before.reshape(dimensions, dimensions)
        off = entering - mean
        trust = 1.0 / float(np.sum(weights**2))
        spread = (trust * (off.T * weights) @ off + dimensions * spread_before) / (
            trust + dimensions
        )
        try:
            stretch = np.linalg.cholesky(spread) @ np.linalg.inv(np.linalg.cholesky(spread_before))
        except np.linalg.LinAlgError:
            return proposal
        moved = replace(
            proposal,
            centre=mean + stretch @ (proposal.centre - before),
            covariance=stretch @ proposal.covariance @ stretch.T,
        )
        # Near a bound a bent number is cut off before it is bent: part of it would never be drawn.
        bent_near = moved.bend is not None and np.any(moved.bend.follows & ~moved.is_far)
        return replace(moved, bend=None) if bent_near else moved

    def chosen(self, count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Draws of equal weight and the logarithm of their density, in random order."""
        return self._chosen_from(np.arange(len(self.points)), count, rng)

    def _chosen_from(
        self, among: np.ndarray, count: int, rng: np.random.Generator
    ) -> tuple[np.ndarray, np.ndarray]:
        """Systematic resampling: each as often as its weight demands, rounded up or down."""
        weights = np.exp(self.log_weights[among] - np.max(self.log_weights[among]))
        levels = (np.arange(count) + rng.random()) / count
        found = among[np.searchsorted(np.cumsum(weights) / weights.sum(), levels)]
        rng.shuffle(found)
        return self.points[found], self.log_density[found]

    def resampled(
        self, per_chain: int, quantities: Points, rng: np.random.Generator, evaluations: int
    ) -> Sample:
        """Chains of draws of equal weight; each from a quarter of the draws of its own.

        So R-hat compares independent repetitions. Choosing adds its own uncertainty: n draws
        chosen from weighted ones that are worth m are worth 1 / (1 / m + 1 / n).
        """
        quarters = [np.arange(chain, len(self.points), CHAINS) for chain in range(CHAINS)]
        chains = [self._chosen_from(quarter, per_chain, rng) for quarter in quarters]
        points = np.array([chain[0] for chain in chains])
        count, weights = CHAINS * per_chain, np.exp(self.log_weights)

        def kept(effective: float) -> float:
            return 1.0 / (1.0 / effective + 1.0 / count)

        values = quantities(points.reshape(count, -1)).reshape(CHAINS, per_chain, -1)
        diagnostics = []
        for all_values, in_chains in zip(
            quantities(self.points).T, np.moveaxis(values, -1, 0), strict=True
        ):
            bulk, tail = _sizes(all_values, np.quantile(in_chains, ENDS), weights)
            diagnostics.append((r_hat(in_chains), kept(bulk), kept(tail)))
        r_hats, bulk_sizes, tail_sizes = np.array(diagnostics).reshape(-1, 3).T
        return Sample(
            points,
            np.array([chain[1] for chain in chains]),
            "importance sampling",
            self.pareto_k,
            kept(self.effective),
            r_hats,
            bulk_sizes,
            tail_sizes,
            evaluations,
        )


def _possible_draws(
    proposal: Proposal, count: int, rng: np.random.Generator, possible: Points
) -> tuple[np.ndarray, np.ndarray]:
    """Draws, shape (count, D), and which of them are possible: all, unless hardly any is."""

    def drawn(number: int) -> tuple[np.ndarray, np.ndarray]:
        points = proposal.draw(number, rng)
        inside = np.all((points >= proposal.lower) & (points <= proposal.upper), axis=1)
        inside[inside] = possible(points[inside])
        return points[inside], points[~inside]

    first, rest = drawn(count)
    within, found, made = [first], len(first), count
    while found < count and made < _MOST_THROWN_AWAY * count:
        wanted = min(math.ceil(_MORE * (count - found) * made / max(found, 1)), count)
        within.append(drawn(wanted)[0])
        found, made = found + len(within[-1]), made + wanted
    return np.concatenate([*within, rest])[:count], np.arange(count) < found


def _quantiles(values: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """The values below which the shares `ENDS` of the weights lie."""
    order = np.argsort(values)
    return values[order][np.searchsorted(np.cumsum(weights[order]), ENDS)]


def _sizes(values: np.ndarray, ends: np.ndarray, weights: np.ndarray) -> tuple[float, float]:
    """Effective sample sizes of weighted values: for their mean, and for the ends given."""
    tails = [effective_size_of((values <= end).astype(float), weights) for end in ends]
    return effective_size_of(values, weights), min(tails)


def _flattened(log_ratios: np.ndarray, wanted: float) -> np.ndarray:
    """Weights to a power of at most 1 with which enough draws count, shape (S,)."""
    ratios = log_ratios - np.max(log_ratios)
    wanted = min(wanted, 0.5 * float(np.isfinite(ratios).sum()))
    low, high = 0.0, 1.0
    power = 1.0
    for _ in range(30):
        weights = np.exp(power * np.where(np.isfinite(ratios), ratios, -np.inf))
        weights /= weights.sum()
        enough = 1.0 / float(np.sum(weights**2)) >= wanted
        if power == 1.0 and enough:
            return weights
        low, high = (power, high) if enough else (low, power)
        power = 0.5 * (low + high)
    return weights
