"""The posterior of an inversion as a density: of the stated priors, and of nothing else.

A fit is moved in coordinates in which it is nearly quadratic: logarithms of times, squares of
widths. Its most probable point does not depend on them, but a density does: to be that of priors
which are stated for thicknesses and widths in nanometres, it is multiplied with the derivatives of
these numbers by the coordinates. The linear numbers are integrated out; the noise is that of the
fit.
"""

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from craterfront.fitting.inversion import Inversion
from craterfront.notation.parameters import Parameter
from craterfront.objective.refusals import NotComputable
from craterfront.posterior_sampling.bend import bend
from craterfront.posterior_sampling.cores import usable_cores
from craterfront.posterior_sampling.linear_marginal import Conditional, LinearMarginal
from craterfront.posterior_sampling.proposal import Proposal

_WIDEST = 10.0  # standard deviation of a coordinate that neither data nor bounds fix
_MOST_GIVEN = 20_000  # points whose linear numbers are kept, some kilobytes each
_ROOM = 1.5  # a width in nm may be so much wider in time than at the nominal rates


class Posterior:
    """Density of the free parameters, given the readings.

    Points z are the coordinates of the likelihood, with a root in place of each square, and in
    place of each logarithm whose prior is normal in the number itself the number over its nominal
    value: so the density is smooth down to zero and has no long tail there.

    Parameters
    ----------
    inversion : Inversion

    Attributes
    ----------
    parameters : list of Parameter
        The free ones, D of them.
    squared : ndarray of bool, shape (D,)
        Which enter the signal with their square.
    lower, upper : ndarray, shape (D,)
        Bounds of points.
    linear : LinearMarginal
    """

    def __init__(self, inversion: Inversion) -> None:
        self.likelihood = inversion.likelihood
        self.linear = LinearMarginal(self.likelihood, inversion.solution)
        assembly, coordinates = self.likelihood.assembly, self.likelihood.coordinates
        self.parameters = [assembly.parameters[index] for index in self.likelihood.free]
        self.squared = np.array([p.may_be_zero for p in self.parameters], dtype=bool)
        self._relative = np.array(
            [
                coordinates.is_logarithmic(i) and not p.logarithmic
                for i, p in enumerate(self.parameters)
            ],
            dtype=bool,
        )
        lower, upper = (self._points(bound) for bound in coordinates.bounds())
        # Prior and bounds of a width are those of nanometres, while rates move its coordinate.
        follows = np.array(
            [coordinates.rate_powers(i).any() for i in range(lower.size)], dtype=bool
        )
        self._in_value = follows & self.squared
        self._in_value &= np.array(
            [p.kind == "width" or not p.widest_by_default for p in self.parameters], dtype=bool
        )
        self.lower = np.where(self._in_value, lower / _ROOM, lower)
        self.upper = np.where(self._in_value, upper * _ROOM, upper)
        self._inversion = inversion
        self._given: dict[bytes, Conditional] = {}

    def _points(self, x: np.ndarray) -> np.ndarray:
        """Points for coordinates of the likelihood."""
        z = np.where(self.squared, np.sqrt(np.maximum(x, 0.0)), x)
        z[..., self._relative] = np.exp(x[..., self._relative])
        return z

    def coordinates(self, z: np.ndarray) -> np.ndarray:
        """Coordinates of the likelihood, of points of any shape (..., D)."""
        x = np.where(self.squared, z**2, z)
        x[..., self._relative] = np.log(z[..., self._relative])
        return x

    def values(self, points: np.ndarray) -> np.ndarray:
        """Values of the free parameters, shape (S, D) to (S, D)."""
        to_values, free = self.likelihood.coordinates.values, self.likelihood.free
        return np.array([to_values(x)[free] for x in self.coordinates(points)]).reshape(
            points.shape
        )

    def possible(self, points: np.ndarray) -> np.ndarray:
        """Whether bounds of all numbers are kept, shape (S, D) to (S,).

        Those of lengths in nanometres are bounds of times and rates together.
        """
        inside = np.all((points >= self.lower) & (points <= self.upper), axis=1)
        ends = np.array([(p.lower, p.upper) for p in self.parameters]).reshape(-1, 2)
        values = self.values(points[inside])
        kept = (values >= ends[:, 0]) & (values <= ends[:, 1]) | ~self._in_value
        inside[inside] = np.all(kept, axis=1)
        return inside

    def log_densities(self, points: np.ndarray) -> np.ndarray:
        """Logarithms of the density up to a constant, shape (S, D) to (S,), on all cores."""
        with ThreadPoolExecutor(max_workers=usable_cores()) as pool:
            return np.array(list(pool.map(self.log_density, points)))

    def log_density(self, z: np.ndarray) -> float:
        """Logarithm of the density of one point; -inf outside of bounds and where no model is."""
        if np.any(z < self.lower) or np.any(z > self.upper):
            return -math.inf
        log_prior = self.log_prior(z)
        if not math.isfinite(log_prior):
            return -math.inf
        x = self.coordinates(z)
        try:
            solution = self.likelihood.solve(x)
        except NotComputable:
            return -math.inf
        given = self.linear.at(solution, self.likelihood.coordinates.values(x))
        if len(self._given) < _MOST_GIVEN:
            self._given[z.tobytes()] = given
        found = log_prior + given.log_integral
        if self.likelihood.depth_limit is not None:
            depth_nm, u_nm = self.likelihood.depth_limit
            found -= 0.5 * ((float(solution.mean_depth_nm[-1]) - depth_nm) / u_nm) ** 2
        return found if math.isfinite(found) else -math.inf

    def given(self, z: np.ndarray) -> Conditional:
        """The linear numbers given one point, kept from when its density was asked for."""
        known = self._given.get(z.tobytes())
        if known is not None:
            return known
        x = self.coordinates(z)
        return self.linear.at(self.likelihood.solve(x), self.likelihood.coordinates.values(x))

    def log_prior(self, z: np.ndarray) -> float:
        """Logarithm of the density of the stated priors, per unit of the point's coordinates.

        A value depends on its own coordinate and on those of rates, which depend on none but their
        own: the determinant is the product of the derivatives by their own coordinates.
        """
        values = self.likelihood.coordinates.values(self.coordinates(z))
        found = 0.0
        for i, (index, p) in enumerate(zip(self.likelihood.free, self.parameters, strict=True)):
            value = float(values[index])
            if self._in_value[i] and not p.lower <= value <= p.upper:
                return -math.inf
            found += _log_prior_of(p, value) + self._log_slope(i, value, float(z[i]))
        joint = self.likelihood.joint_prior
        for index, coordinate in zip(joint.parameters, joint.coordinates, strict=False):
            if coordinate == "square":  # it is normal per unit of the square
                found += math.log(abs(values[index])) if values[index] else -math.inf
        return found

    def _log_slope(self, i: int, value: float, z: float) -> float:
        """Logarithm of the derivative of a value by its own coordinate, up to a constant."""
        if self.squared[i] or self._relative[i]:
            return math.log(abs(value / z)) if z > 0 else -math.inf
        if self.likelihood.coordinates.is_logarithmic(i):
            return math.log(abs(value))
        return 0.0

    def proposal(self) -> Proposal:
        """The posterior of the model made linear at the maximum.

        With the gradient there: what the readings would rather have negative has its centre below
        zero, and is cut off.
        """
        inversion = self._inversion
        x, objective = inversion.fit.x, inversion.objective
        full = inversion.jacobian
        information = full.T @ full
        span = np.minimum(objective.upper - objective.lower, _WIDEST)
        information[: x.size, : x.size] += np.diag(span**-2.0)
        size = np.sqrt(np.maximum(np.diag(information), 1e-300))
        covariance = np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size)
        # The linear numbers are at their best.
        downhill = -objective.jacobian(x).T @ objective.residuals(x)
        step = covariance[:, : x.size] @ downhill
        slope = np.exp(np.where(self._relative, x, 0.0))  # of a number by its logarithm
        centre = np.where(self._relative, slope, x) + slope * step[: x.size]
        own = covariance[: x.size, : x.size] * np.outer(slope, slope)
        straight = Proposal(centre, own, self.squared, self.lower, self.upper)
        top, jacobian = np.where(self._relative, slope, x), objective.jacobian(x) / slope
        ridge = bend(self._residuals, top, jacobian, straight.is_far, ~self.squared)
        return replace(straight, bend=ridge)

    def _residuals(self, entering: np.ndarray) -> np.ndarray:
        """Residuals, with the linear numbers at their best, at numbers or their squares."""
        objective = self._inversion.objective
        z = np.where(self.squared, np.sqrt(np.maximum(entering, 0.0)), entering)
        outside = (entering < 0.0) & (self.squared | self._relative)
        if outside.any() or np.any(z < self.lower) or np.any(z > self.upper):
            return np.full_like(objective.residuals(self._inversion.fit.x), np.inf)
        return objective.residuals(self.coordinates(z))


def _log_prior_of(p: Parameter, value: float) -> float:
    """Per unit of the value, up to a constant; flat where only bounds are known."""
    density = -0.5 * p.prior_residual(value) ** 2
    return density - math.log(abs(value)) if p.has_prior and p.logarithmic else density
