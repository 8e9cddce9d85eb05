"""Draws from the posterior of an inversion, for answers that are no simple sums."""

from dataclasses import dataclass

import numpy as np

from craterfront.fitting.inversion import Inversion
from craterfront.posterior_sampling.sampled_posterior import SampledPosterior

COUNT = 1000
"""How many of the Laplace approximation: standard uncertainties are good to 2 %."""

SEED = 20120106
"""Any: the same inversion gives the same answers."""


@dataclass(frozen=True)
class Draws:
    """Values of all parameters, drawn together.

    Attributes
    ----------
    values : ndarray, shape (draws, parameters)
        What no reading bears on is drawn from its prior.
    origin : str
        What they are drawn from.
    seed : int
    """

    values: np.ndarray
    origin: str
    seed: int


def laplace_draws(inversion: Inversion) -> Draws | None:
    """Draws from the Laplace approximation within the bounds.

    Of what may be zero the square is normal, cut at zero.

    Returns
    -------
    Draws or None
        None where neither data nor priors fix some of the parameters.
    """
    likelihood, covariance = inversion.likelihood, inversion.curvature.covariance
    if not np.all(np.isfinite(covariance)):
        return None
    rng = np.random.default_rng(SEED)
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    eigenvalues, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    root = vectors * np.sqrt(np.maximum(eigenvalues, 0.0)) * scale[:, None]
    normal = rng.standard_normal((COUNT, scale.size))
    moved = np.clip(inversion.fit.x + normal @ root.T, *likelihood.coordinates.bounds())
    drawn = np.array([likelihood.coordinates.values(x) for x in moved])
    _draw_unseen(inversion, drawn, rng)
    return Draws(drawn, "the Laplace approximation within the bounds", SEED)


def sampled_draws(sampled: SampledPosterior) -> Draws:
    """The draws of a sampled posterior."""
    inversion, rng = sampled.inversion, np.random.default_rng([sampled.seed, 2])
    free = sampled.free_values
    drawn = np.tile(inversion.values, (len(free), 1))
    drawn[:, inversion.likelihood.free] = free
    _draw_unseen(inversion, drawn, rng)
    return Draws(drawn, f"the sampled posterior ({sampled.sample.method})", sampled.seed)


def _draw_unseen(inversion: Inversion, drawn: np.ndarray, rng: np.random.Generator) -> None:
    """Fill in what no reading bears on, from the priors."""
    for index, p in enumerate(inversion.likelihood.assembly.parameters):
        if index not in inversion.likelihood.free and p.has_prior:
            spread = p.u * rng.standard_normal(len(drawn))
            drawn[:, index] = (
                p.value * np.exp(spread / p.value) if p.logarithmic else p.value + spread
            )
