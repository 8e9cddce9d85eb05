"""How well each cause of broadening is known."""

from dataclasses import replace

import numpy as np

from craterfront.answers.budget import TRANSITION, Budget, broadening
from craterfront.fitting.inversion import Inversion
from craterfront.objective.curvature import quadratic_form
from craterfront.objective.estimation import Z95

_STEP = 0.1  # of a standard deviation of a coordinate ...
_LARGEST_STEP = 0.01  # ... and no more than this
_WITHOUT_MIXING = ("thickness", "width")  # have no part in it
_INFLUENCE = 1e-6  # relative: smaller changes are rounding


def broadening_with_uncertainties(inversion: Inversion) -> list[Budget]:
    """Broadening budget of an inversion, each cause with its standard uncertainty.

    Propagated by differences in the coordinates of the fit. A cause that may be none at 95 % has
    an upper limit: of its variance where a number behind it moves as its square, else of itself.
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
    moved = [likelihood.assembly.parameters[index] for index in likelihood.free]

    def squares(x: np.ndarray, mixes: bool) -> np.ndarray:
        return np.array([[b.two_sd_nm[c] ** 2 for c in causes] for b in at(x, mixes)])

    covariance = inversion.curvature.covariance
    lower, upper = likelihood.coordinates.bounds()
    slopes = np.zeros((len(best), len(causes), inversion.fit.x.size))
    for i, x in enumerate(inversion.fit.x):
        sd = float(covariance[i, i]) ** 0.5
        step = min(_STEP * sd, _LARGEST_STEP)
        down, up = inversion.fit.x.copy(), inversion.fit.x.copy()
        down[i], up[i] = max(x - step, lower[i]), min(x + step, upper[i])
        if up[i] > down[i]:
            mixes = moved[i].kind not in _WITHOUT_MIXING
            change = squares(up, mixes) - squares(down, mixes)
            slopes[:, :, i] = change / (up[i] - down[i])
    as_square = np.array([p.may_be_zero for p in moved], dtype=bool)
    return [
        _known(budget, dict(zip(causes, slopes[j], strict=True)), covariance, as_square)
        for j, budget in enumerate(best)
    ]


def _known(
    budget: Budget, slopes: dict[str, np.ndarray], covariance: np.ndarray, as_square: np.ndarray
) -> Budget:
    """The budget with uncertainties from the derivatives of the squares of its parts."""
    u_nm, limits_nm = {}, {}
    for cause, part in budget.two_sd_nm.items():
        slope = np.where(np.abs(slopes[cause]) > _INFLUENCE * part**2, slopes[cause], 0.0)
        u_square = float(quadratic_form(slope, covariance)) ** 0.5
        if not u_square > 0.0:
            u_nm[cause] = 0.0
            continue
        u_nm[cause] = u_square / (2.0 * part) if part > 0.0 else np.inf
        part_in_it = np.flatnonzero(slope)  # the others may be fixed by nothing
        weight = np.abs(slope[part_in_it]) * np.sqrt(np.diag(covariance)[part_in_it])
        if as_square[part_in_it[np.argmax(weight)]]:
            may_be_none, limit = part**2 < Z95 * u_square, (part**2 + Z95 * u_square) ** 0.5
        else:
            may_be_none, limit = part < Z95 * u_nm[cause], part + Z95 * u_nm[cause]
        if may_be_none and not (cause == TRANSITION and budget.transition_limit_nm is not None):
            limits_nm[cause] = limit
    return replace(budget, u_nm=u_nm, limits_nm=limits_nm)
