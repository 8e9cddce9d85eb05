"""How well each cause of broadening is known."""

from dataclasses import replace

import numpy as np

from craterfront.budget import TRANSITION, Budget, broadening
from craterfront.estimation import quadratic_form
from craterfront.inversion import Inversion
from craterfront.layer_answers import Z95

_STEP = 0.1  # of a standard deviation of a coordinate
_WITHOUT_MIXING = ("thickness", "width")  # have no part in it
_INFLUENCE = 1e-6  # relative: smaller changes are rounding


def broadening_with_uncertainties(inversion: Inversion) -> list[Budget]:
    """Broadening budget of an inversion, each cause with its standard uncertainty.

    What is propagated is the variance of each cause, by differences in the coordinates of the fit,
    in which the square of what may be zero is linear. A cause of which that does not exclude zero
    at 95 % has an upper limit.
    """
    likelihood = inversion.likelihood
    # A snapshot averages over nothing.
    sampling = 0.0 if likelihood.snapshots else float(np.median(likelihood.interval))
    limits = {j: width.upper_nm for j, width in inversion.widths.items() if width.is_limit}

    def at(x: np.ndarray, mixes: bool = True) -> list[Budget]:
        values = likelihood.coordinates.values(x)
        return broadening(likelihood.assembly, values, sampling, limits, with_mixing=mixes)

    best = at(inversion.fit.x)
    causes = list(best[0].two_sd_nm) if best else []
    kinds = [likelihood.assembly.parameters[index].kind for index in likelihood.free]

    def squares(x: np.ndarray, mixes: bool) -> np.ndarray:
        return np.array([[b.two_sd_nm[c] ** 2 for c in causes] for b in at(x, mixes)])

    covariance = inversion.curvature.covariance
    lower, upper = likelihood.coordinates.bounds()
    slopes = np.zeros((len(best), len(causes), inversion.fit.x.size))
    for i, x in enumerate(inversion.fit.x):
        sd = float(covariance[i, i]) ** 0.5
        step = _STEP * sd if np.isfinite(sd) else 1e-3
        down, up = inversion.fit.x.copy(), inversion.fit.x.copy()
        down[i], up[i] = max(x - step, lower[i]), min(x + step, upper[i])
        if up[i] > down[i]:
            mixes = kinds[i] not in _WITHOUT_MIXING
            change = squares(up, mixes) - squares(down, mixes)
            slopes[:, :, i] = change / (up[i] - down[i])
    return [
        _known(budget, {c: slopes[j, k] for k, c in enumerate(causes)}, covariance)
        for j, budget in enumerate(best)
    ]


def _known(budget: Budget, slopes: dict[str, np.ndarray], covariance: np.ndarray) -> Budget:
    u_nm, limits_nm = {}, {}
    for cause, part in budget.two_sd_nm.items():
        slope = slopes[cause]
        slope = np.where(np.abs(slope) > _INFLUENCE * part**2, slope, 0.0)
        u_square = quadratic_form(slope, covariance) ** 0.5
        u_nm[cause] = u_square / (2.0 * part) if part > 0.0 else 0.0
        may_be_none = part**2 < Z95 * u_square
        if may_be_none and not (cause == TRANSITION and budget.transition_limit_nm is not None):
            limits_nm[cause] = (part**2 + Z95 * u_square) ** 0.5
    return replace(budget, u_nm=u_nm, limits_nm=limits_nm)
