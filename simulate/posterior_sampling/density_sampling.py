"""Draws from a density, as cheap as it allows, and checked; knows no physics.

First draws from a proposal are weighted (importance sampling), and the Pareto k of the weights says
whether that is good enough. If not, the proposal is moved to where the weights lie and drawn from
again, and where that fails as well, ensembles of walkers take over.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from craterfront.posterior_sampling.ensemble import Walked, walk
from craterfront.posterior_sampling.importance_sampling import Weighted
from craterfront.posterior_sampling.proposal import Proposal
from craterfront.posterior_sampling.trusted_draws import CHAINS, Points, Sample, everywhere

_ROUNDS = 5
_MOST_PER_DRAW = 12  # draws from the proposal
_MOST_STEPS_PER_DRAW = 120  # evaluations of walkers
_LEAST_DRAWS = 200


class NothingFound(ValueError):
    """The density is 0 wherever it was looked at."""


def sample(
    log_density: Points,
    proposal: Proposal,
    draws: int,
    seed: int,
    *,
    possible: Points = everywhere,
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
    possible : callable, optional
        Where the density is not known to be 0, cheaper to tell than the density; shape (S, D) to
        (S,).
    quantities : callable, optional
        What the draws are for, of points, shape (S, D) to (S, K): R-hat and effective sample sizes
        are those of these numbers.
    report : callable, optional
        Called with the share that is done.

    Raises
    ------
    NothingFound
    """
    for_proposal, for_choice, for_walkers = np.random.SeedSequence(seed).spawn(3)
    rng = np.random.default_rng(for_proposal)
    choice = np.random.default_rng(for_choice)
    per_chain = -(-draws // CHAINS)
    counted = _Counted(log_density)
    more = partial(Weighted.of, counted, rng=rng, report=report, possible=possible)
    weighted = _rounds(more, proposal, draws, quantities)
    if weighted.is_good:
        return weighted.resampled(per_chain, quantities, choice, counted.evaluations)
    if not weighted.sees_any:
        raise NothingFound("the density is 0 at all draws of the proposal")
    starts, _ = weighted.chosen(max(draws, 40 * proposal.centre.size), choice)
    folded = _Folded(counted, proposal.squared & (proposal.lower <= 0.0))
    walked = walk(
        folded,
        lambda points: quantities(folded.inside(points)),
        starts,
        0.5 * draws,
        _MOST_STEPS_PER_DRAW * draws,
        for_walkers,
        report,
    )
    return _from_walkers(walked, folded, per_chain, weighted.pareto_k, counted.evaluations)


class _Counted:
    """A density that knows at how many points it was asked for.

    Draws that are thrown away as impossible are not among them.
    """

    def __init__(self, log_density: Points) -> None:
        self._log_density, self.evaluations = log_density, 0

    def __call__(self, points: np.ndarray) -> np.ndarray:
        self.evaluations += len(points)
        return self._log_density(points)


def _rounds(
    more: Callable[[Proposal, int], Weighted], proposal: Proposal, draws: int, quantities: Points
) -> Weighted:
    """Draws from one proposal after the other; those with the best weights.

    Each proposal lies where the weights of the one before were, and twice as many draws are made
    of it: the more of them, the better is the next.
    """
    first, rounds = max(draws // 2, _LEAST_DRAWS), []
    for number in range(_ROUNDS):
        weighted = more(proposal, first * 2**number)
        is_worth_it = weighted.is_worth_it
        if is_worth_it:
            weighted = _enough(weighted, more, draws, quantities)
        if is_worth_it and weighted.is_good:
            return weighted
        rounds.append(weighted)
        proposal = weighted.moved_proposal()
    best = max(reversed(rounds), key=lambda each: each.share if each.is_good else 0.0)
    return _enough(best, more, draws, quantities)


def _enough(
    weighted: Weighted, more: Callable[[Proposal, int], Weighted], draws: int, quantities: Points
) -> Weighted:
    """More draws from the same proposal, until they are worth what was asked for."""
    while weighted.is_good:
        short = weighted.times_too_few(draws, quantities)
        room = _MOST_PER_DRAW * draws - len(weighted.points)
        count = min(int(1.05 * (short - 1.0) * len(weighted.points)) + 1, room)
        if short <= 1.0 or count <= 0:
            break
        weighted = weighted.with_more(more(weighted.proposal, count))
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
        evaluations,
    )
