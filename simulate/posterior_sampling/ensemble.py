"""Walkers that explore a density where importance sampling fails: ensembles of emcee.

Several ensembles that know nothing of each other start from the best draws so far. Steps are of
three kinds: along differences between walkers of an ensemble (C. J. F. ter Braak, Stat. Comput. 16
(2006) 239) and towards or away from one (J. Goodman, J. Weare, Commun. Appl. Math. Comput. Sci. 5
(2010) 65), which need no scale, and steps that leave a given normal distribution unchanged, which
stay useful in many dimensions where the density is nearly normal (S. L. Cotter, G. O. Roberts, A.
M. Stuart, D. White, Stat. Sci. 28 (2013) 424). emcee: D. Foreman-Mackey, D. W. Hogg, D. Lang, J.
Goodman, Publ. Astron. Soc. Pac. 125 (2013) 306. (Papers from memory.)

emcee's snooker move (3.1.6) is not used: it narrows a standard normal distribution by a tenth.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from craterfront.posterior_sampling.convergence import LEAST_EFFECTIVE, bulk_ess, r_hat, tail_ess

ENSEMBLES = 4

_LEAST_WALKERS = 40
_STEPS_AT_ONCE = 50
_LEAST_STEPS = 100
_FORGOTTEN = 5.0  # autocorrelation times, after which a start is forgotten
_AT_FIRST = 0.7  # of the effective draws wanted, in half of the first part: twice 0.7 in the second
_SHORTEST_STEP = 0.05  # of the steps that keep a normal distribution; the longest forgets all


@dataclass(frozen=True)
class Walked:
    """What the walkers saw in the second half of their way, after the first part had ended.

    Attributes
    ----------
    points : ndarray, shape (M, T, W, D)
        Of M ensembles, T steps and W walkers.
    log_density : ndarray, shape (M, T, W)
    r_hat, bulk, tail : ndarray, shape (K,)
        Diagnostics of the quantities: R-hat between ensembles and their halves, effective sample
        sizes with each walker as a chain.
    """

    points: np.ndarray
    log_density: np.ndarray
    r_hat: np.ndarray
    bulk: np.ndarray
    tail: np.ndarray


def walk(
    log_density: Callable[[np.ndarray], np.ndarray],
    quantities: Callable[[np.ndarray], np.ndarray],
    starts: np.ndarray,
    wanted: float,
    most_evaluations: int,
    seed: np.random.SeedSequence,
    report: Callable[[float], None],
) -> Walked:
    """Walk until the start is forgotten, and as long again.

    The first part ends when the draws in its second half are worth enough, which is seen sooner
    where walkers happen to stay near the centre, and at its beginning they have not yet been
    everywhere. So it is thrown away, and what is kept is what comes after, of a length that none of
    the numbers kept has a say in. It begins where walkers stood when the first part ended, though,
    and remembers that for an autocorrelation time or a few.

    W walkers of each of M ensembles that go T steps in an autocorrelation time t are worth M W T /
    t draws: half of a first part of T steps that are worth n draws tells t = M W T / 2 n, and T is
    so many t if n is half as many times M W.

    Parameters
    ----------
    log_density : callable
        Of points, shape (S, D) to (S,).
    quantities : callable
        What the draws are for, of points, shape (S, D) to (S, K).
    starts : ndarray, shape (S, D)
        Draws to start from, and to take the normal distribution from; more than D different ones.
    wanted : float
        Effective draws of every quantity.
    most_evaluations : int
        After half of them the first part ends in any case.
    seed : SeedSequence
    report : callable
        Called with the share that is done.
    """
    import emcee

    dimensions = starts.shape[1]
    walkers = max(2 * dimensions + 2, _LEAST_WALKERS)
    spread = np.cov(starts.T).reshape(dimensions, dimensions)
    moves = [
        (emcee.moves.MHMove(_keeping(starts.mean(axis=0), spread)), 0.4),
        (emcee.moves.DEMove(), 0.4),
        (emcee.moves.StretchMove(), 0.2),
    ]
    samplers, states = [], []
    for own in seed.spawn(ENSEMBLES):
        rng = np.random.default_rng(own)
        sampler = emcee.EnsembleSampler(
            walkers, dimensions, log_density, moves=moves, vectorize=True
        )
        sampler.random_state = np.random.MT19937(own).state
        samplers.append(sampler)
        states.append(_scattered(starts, walkers, spread, rng))

    def go_on() -> None:
        for i, sampler in enumerate(samplers):
            states[i] = sampler.run_mcmc(states[i], _STEPS_AT_ONCE, skip_initial_state_check=True)

    enough = max(_AT_FIRST * max(wanted, LEAST_EFFECTIVE), 0.5 * _FORGOTTEN * ENSEMBLES * walkers)
    most = max(most_evaluations // (2 * ENSEMBLES * walkers), _LEAST_STEPS)
    steps, share = 0, 0.0
    while share < 1.0:
        go_on()
        steps += _STEPS_AT_ONCE
        if steps >= _LEAST_STEPS:
            seen = _second_half(samplers, quantities)
            least = float(np.min([*seen.bulk, *seen.tail], initial=np.inf))
            share = min(max(least / enough, steps / most), 1.0)
            report(0.5 * share)
    for done in range(0, steps, _STEPS_AT_ONCE):
        report(0.5 + 0.5 * done / steps)
        go_on()
    return _second_half(samplers, quantities)


def _scattered(
    starts: np.ndarray, walkers: int, spread: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Different places to start from; those drawn twice are moved apart a little."""
    chosen = starts[rng.choice(len(starts), walkers, replace=len(starts) < walkers)]
    nearby = 1e-3 * np.sqrt(np.diag(spread)) * rng.standard_normal(chosen.shape)
    return np.abs(chosen + nearby) * np.where(chosen < 0, -1.0, 1.0)


def _keeping(centre: np.ndarray, covariance: np.ndarray) -> Callable:
    """Steps that keep a normal distribution, with the ratio of densities that emcee asks for."""
    values, vectors = np.linalg.eigh(covariance)
    values = np.maximum(values, 1e-9 * values[-1])
    root, back = vectors * np.sqrt(values), (vectors / np.sqrt(values)).T

    def half_square(points: np.ndarray) -> np.ndarray:
        return 0.5 * np.sum(((points - centre) @ back.T) ** 2, axis=1)

    def proposed(points: np.ndarray, random) -> tuple[np.ndarray, np.ndarray]:
        length = _SHORTEST_STEP ** random.random_sample((len(points), 1))
        fresh = random.standard_normal(points.shape) @ root.T
        new = centre + np.sqrt(1.0 - length**2) * (points - centre) + length * fresh
        return new, half_square(new) - half_square(points)

    return proposed


def _second_half(samplers: list, quantities: Callable[[np.ndarray], np.ndarray]) -> Walked:
    half = samplers[0].iteration // 2
    points = np.array([sampler.get_chain(discard=half) for sampler in samplers])
    densities = np.array([sampler.get_log_prob(discard=half) for sampler in samplers])
    shape = points.shape[:3]
    values = quantities(points.reshape(-1, points.shape[-1])).reshape(*shape, -1)
    found = []
    for each in np.moveaxis(values, -1, 0):
        walkers = each.transpose(0, 2, 1).reshape(-1, shape[1])
        found.append((r_hat(each.reshape(len(each), -1)), bulk_ess(walkers), tail_ess(walkers)))
    return Walked(points, densities, *np.array(found).reshape(-1, 3).T)
