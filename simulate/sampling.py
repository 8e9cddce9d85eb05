"""Draws from a density, as cheap as it allows, and checked; knows no physics.

First draws from a proposal are weighted (importance sampling), and the Pareto k of the weights says
whether that is good enough. If not, the proposal is moved to where the weights lie and drawn from
again, and where that fails as well, ensembles of walkers take over.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from craterfront.convergence import LEAST_EFFECTIVE, MOST_R_HAT, r_hat
from craterfront.ensemble import ENSEMBLES, Walked, walk
from craterfront.pareto_smoothing import (
    MOST_K,
    effective_size,
    effective_size_of,
    smoothed_log_weights,
)
from craterfront.proposal import Proposal

CHAINS = ENSEMBLES
ENDS = (0.05, 0.95)
"""Of an interval whose effective sample size is looked at."""

Points = Callable[[np.ndarray], np.ndarray]

_ROUNDS = 4
_WORTH = 0.2  # effective draws per draw from the proposal, below which a better one is sought
_USEFUL = 0.08  # ... and below which walkers do better
_MOST_PER_DRAW = 12  # draws from the proposal
_MOST_STEPS_PER_DRAW = 60  # evaluations of walkers
_LEAST_DRAWS = 200
_AT_ONCE = 100  # between two reports of progress
_SEEN_PER_DIMENSION = 5.0  # draws that a covariance is taken from
_LEAST_SEEN = 50.0
_BY_CHANCE = 3.0  # standard deviations by which R-hat may exceed what chance makes of it


@dataclass(frozen=True)
class Sample:
    """Draws of equal weight, and how far to trust them.

    Attributes
    ----------
    points : ndarray, shape (M, N, D)
        M chains of N draws.
    log_density : ndarray, shape (M, N)
    method : str
        "importance sampling" or "ensemble sampling".
    pareto_k : float
        Of the importance weights, also of those that were not good enough.
    effective : float
        What the draws are worth, as a number of independent ones.
    r_hat, bulk, tail : ndarray, shape (K,)
        Of the quantities: R-hat, and effective sample sizes for places and for the ends of
        intervals.
    evaluations : int
        Of the density.
    """

    points: np.ndarray
    log_density: np.ndarray
    method: Literal["importance sampling", "ensemble sampling"]
    pareto_k: float
    effective: float
    r_hat: np.ndarray
    bulk: np.ndarray
    tail: np.ndarray
    evaluations: int

    def doubts(self) -> list[str]:
        """Why not to trust the draws, in words; empty if there is no reason."""
        found = []
        if self.method == "importance sampling" and self.pareto_k > MOST_K:
            found.append(f"Pareto k of the weights is {self.pareto_k:.2f}, above {MOST_K}")
        least = float(np.nanmin([*self.bulk, *self.tail], initial=np.inf))
        if least < LEAST_EFFECTIVE:
            found.append(
                f"the least effective sample size is {least:.0f}, below {LEAST_EFFECTIVE:.0f}"
            )
        above = self.r_hat[self.r_hat > r_hat_limit(self.bulk)]
        if above.size:
            found.append(f"R-hat is up to {above.max():.3f}, above {MOST_R_HAT}")
        return found


def r_hat_limit(effective: np.ndarray) -> np.ndarray:
    """R-hat above which chains differ by more than chance.

    Of 2 M halves of chains that are worth n independent draws together, R^2 - 1 is about 2 M / n
    times a chi-square of 2 M - 1 degrees of freedom over their number (derived: variance of 2 M
    means over that within), but never is less than 1.01 demanded.
    """
    halves = 2 * CHAINS
    mean = halves / np.maximum(effective, 1.0)
    by_chance = mean * (1.0 + _BY_CHANCE * np.sqrt(2.0 / (halves - 1)))
    return np.maximum(MOST_R_HAT, np.sqrt(1.0 + by_chance))


def sample(
    log_density: Points,
    proposal: Proposal,
    draws: int,
    seed: int,
    *,
    quantities: Points = lambda points: points,
    report: Callable[[float], None] = lambda share: None,
) -> Sample:
    """Draws from a density.

    Parameters
    ----------
    log_density : callable
        Logarithm of the density of points, up to a constant, shape (S, D) to (S,); -inf outside.
    proposal : Proposal
        Where the density is thought to lie.
    draws : int
        Draws to return, in four chains.
    seed : int
    quantities : callable, optional
        What the draws are for, of points, shape (S, D) to (S, K): R-hat and effective sample sizes
        are those of these numbers.
    report : callable, optional
        Called with the share that is done.
    """
    for_proposal, for_choice, for_walkers = np.random.SeedSequence(seed).spawn(3)
    rng = np.random.default_rng(for_proposal)
    choice = np.random.default_rng(for_choice)
    first, per_chain, evaluations = max(draws // 2, _LEAST_DRAWS), -(-draws // CHAINS), 0
    number = 0
    while True:
        number += 1
        weighted = Weighted.of(log_density, proposal, first, rng, report)
        worth = weighted.is_good and (weighted.share >= _WORTH or number == _ROUNDS)
        if worth:
            weighted = _enough(weighted, log_density, draws, quantities, rng, report)
        evaluations += len(weighted.points)
        if worth and weighted.is_good:
            return weighted.resampled(per_chain, quantities, choice, evaluations)
        if number == _ROUNDS:
            break
        proposal = weighted.moved_proposal()
    starts, _ = weighted.chosen(max(draws, 40 * proposal.centre.size), choice)
    folded = _Folded(log_density, proposal.squared & (proposal.lower <= 0.0))
    walked = walk(
        folded,
        lambda points: quantities(folded.inside(points)),
        starts,
        0.5 * draws,
        _MOST_STEPS_PER_DRAW * draws,
        for_walkers,
        report,
    )
    return _from_walkers(walked, folded, per_chain, weighted.pareto_k, evaluations)


def _enough(
    weighted: "Weighted",
    log_density: Points,
    draws: int,
    quantities: Points,
    rng: np.random.Generator,
    report: Callable[[float], None],
) -> "Weighted":
    """More draws from the same proposal, until they are worth what was asked for."""
    while weighted.is_good:
        short = weighted.times_too_few(draws, quantities)
        room = _MOST_PER_DRAW * draws - len(weighted.points)
        count = min(int(1.05 * (short - 1.0) * len(weighted.points)) + 1, room)
        if short <= 1.0 or count <= 0:
            break
        more = Weighted.of(log_density, weighted.proposal, count, rng, report)
        weighted = weighted.with_more(more)
    return weighted


@dataclass(frozen=True)
class _Folded:
    """A density of numbers that enter with their square, continued to negative ones.

    There is no wall at zero then, into which walkers run.
    """

    log_density: Points
    mirrored: np.ndarray

    def inside(self, points: np.ndarray) -> np.ndarray:
        return np.where(self.mirrored, np.abs(points), points)

    def __call__(self, points: np.ndarray) -> np.ndarray:
        return self.log_density(self.inside(points))


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
    ) -> "Weighted":
        """New draws."""
        points = proposal.draw(count, rng)
        inside = np.all((points >= proposal.lower) & (points <= proposal.upper), axis=1)
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
        return replace(
            proposal,
            centre=mean + stretch @ (proposal.centre - before),
            covariance=stretch @ proposal.covariance @ stretch.T,
        )

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


def _from_walkers(
    walked: Walked, folded: _Folded, per_chain: int, pareto_k: float, evaluations: int
) -> Sample:
    """Draws evenly spaced along the way of each ensemble, one chain for each."""
    ensembles, steps, walkers, dimensions = walked.points.shape
    points = folded.inside(walked.points).reshape(ensembles, steps * walkers, dimensions)
    densities = walked.log_density.reshape(ensembles, steps * walkers)
    kept = np.linspace(0, steps * walkers - 1, min(per_chain, steps * walkers)).astype(int)
    count = ensembles * kept.size
    bulk, tail = np.minimum(walked.bulk, count), np.minimum(walked.tail, count)
    return Sample(
        points[:, kept],
        densities[:, kept],
        "ensemble sampling",
        pareto_k,
        float(np.min(bulk, initial=count)),
        walked.r_hat,
        bulk,
        tail,
        evaluations + 2 * ensembles * steps * walkers,
    )
