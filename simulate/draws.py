"""Draws from the posterior of an inversion, for answers that are no simple sums."""

import numpy as np

from craterfront.inversion import Inversion

COUNT = 1000
"""How many: standard uncertainties are good to 2 %."""

SEED = 20120106
"""Any: the same inversion gives the same answers."""


def posterior_draws(inversion: Inversion) -> np.ndarray | None:
    """Values of all parameters, drawn from the Laplace approximation within the bounds.

    Of what may be zero the square is normal, cut at zero. What no reading bears on is drawn from
    its prior.

    Returns
    -------
    ndarray, shape (COUNT, parameters), or None
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
    for index, p in enumerate(likelihood.assembly.parameters):
        if index not in likelihood.free and p.has_prior:
            spread = p.u * rng.standard_normal(COUNT)
            drawn[:, index] = (
                p.value * np.exp(spread / p.value) if p.logarithmic else p.value + spread
            )
    return drawn
