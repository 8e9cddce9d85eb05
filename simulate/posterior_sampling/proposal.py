"""A distribution to draw from that stands for a posterior: Student's, within bounds.

Near its maximum a posterior is normal in coordinates in which the model is nearly linear. What only
broadens a signal enters with its square: a number z that is not told from zero has a density like
exp(-(z^2 - m)^2 / 2 s^2), with any sign of m. So the distribution is Student's in z^2 for such
numbers and in z for others, cut off at the bounds: that of a linear model with the same data and a
flat density of z. Its tails are heavier than those of the posterior, so that weights have a
variance. Where the ridge of the posterior is bent, so is the distribution.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from craterfront.posterior_sampling.bend import Bend

LEAST_DEGREES = 8.0
DEGREES_PER_DIMENSION = 0.5
"""Degrees of freedom: heavy tails that still leave three draws in four useful in many dimensions.

The logarithm of the weights of a normal density scatters with the number of dimensions over that of
the degrees of freedom (common practice, no source)."""

_NEAR = 6.0  # standard deviations from a bound within which it is allowed for in drawing
_SWEEPS = 60.0  # over all bounded numbers, for independent ones; more for correlated ones
_MOST_SWEEPS = 2000


@dataclass(frozen=True)
class Proposal:
    """Student's distribution of numbers, or their squares, within bounds.

    Attributes
    ----------
    centre : ndarray, shape (D,)
        In squares where `squared`; may lie outside of the bounds.
    covariance : ndarray, shape (D, D)
        Scale matrix of the same.
    squared : ndarray of bool, shape (D,)
        Which numbers enter with their square; they are not negative.
    lower, upper : ndarray, shape (D,)
        Bounds of the numbers themselves.
    bend : Bend, optional
        In squares where `squared`; of a square only if it is far from zero.
    """

    centre: np.ndarray
    covariance: np.ndarray
    squared: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    bend: Bend | None = None

    def entering(self, z: np.ndarray) -> np.ndarray:
        """Numbers, or their squares."""
        return np.where(self.squared, z**2, z)

    def straight(self, z: np.ndarray) -> np.ndarray:
        """The same with the bend taken out: there the distribution is Student's."""
        entering = self.entering(z)
        return entering if self.bend is None else entering - self.bend.shift(entering)

    def log_density(self, z: np.ndarray) -> np.ndarray:
        """Logarithm of the density within bounds, up to a constant; shape (S, D) to (S,)."""
        straight = self.straight(z)
        off = straight - self.centre
        distance = np.einsum("si,ij,sj->s", off, self._precision, off)
        student = -0.5 * (self.degrees + self.centre.size) * np.log1p(distance / self.degrees)
        if self.bend is None:
            return student
        # It is flat in the root of a straight square, which is stretched to that of the bent one.
        with np.errstate(divide="ignore", invalid="ignore"):
            stretched = 0.5 * np.log(self.entering(z) / straight)[:, self.squared]
        return student + np.where(np.isnan(stretched), -np.inf, stretched).sum(axis=1)

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Independent draws, shape (count, D); a far bound may be passed, where the target is 0."""
        near = self._near
        entering = np.empty((count, self.centre.size))
        entering[:, near] = self._bounded(count, rng)
        distance, size = np.zeros(count), int(near.sum())
        shift = np.zeros((count, self.centre.size - size))
        own = self.covariance[np.ix_(~near, ~near)]
        if size:
            off = entering[:, near] - self.centre[near]
            precision = np.linalg.inv(self.covariance[np.ix_(near, near)])
            slope = self.covariance[np.ix_(~near, near)] @ precision
            distance = np.einsum("si,ij,sj->s", off, precision, off)
            shift = off @ slope.T
            own = own - slope @ self.covariance[np.ix_(near, ~near)]
        # The rest, given these, is Student's again, with more degrees of freedom.
        degrees = self.degrees + size
        stretch = (self.degrees + distance) / rng.chisquare(degrees, count)
        normal = rng.standard_normal(shift.shape) @ _root(own).T
        entering[:, ~near] = self.centre[~near] + shift + np.sqrt(stretch)[:, None] * normal
        if self.bend is not None:
            entering += self.bend.shift(entering)
        # What the bend has taken below zero is marked as outside.
        roots = np.where(entering >= 0.0, np.sqrt(np.maximum(entering, 0.0)), -1.0)
        return np.where(self.squared, roots, entering)

    @property
    def degrees(self) -> float:
        """Degrees of freedom."""
        return max(LEAST_DEGREES, DEGREES_PER_DIMENSION * self.centre.size)

    @cached_property
    def _precision(self) -> np.ndarray:
        return np.linalg.inv(self.covariance)

    @cached_property
    def _near(self) -> np.ndarray:
        """What a bound cuts off; and every square, of which the density is not that of z."""
        return self.squared | ~self.is_far

    @cached_property
    def is_far(self) -> np.ndarray:
        """What is far from its bounds, shape (D,)."""
        reach = _NEAR * np.sqrt(np.diag(self.covariance))
        low, high = self.entering(self.lower), self.entering(self.upper)
        return (self.centre - low >= reach) & (high - self.centre >= reach)

    def _bounded(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Draws of what bounds cut off, by slices through one number after the other.

        All draws run side by side from the centre, for many more sweeps than they need to forget
        it. A slice is where the density exceeds a level, here an interval in closed form (R. M.
        Neal, Ann. Stat. 31 (2003) 705; from memory).
        """
        near = self._near
        size, squared = int(near.sum()), self.squared[near]
        if not size:
            return np.empty((count, 0))
        covariance, centre = self.covariance[np.ix_(near, near)], self.centre[near]
        precision = np.linalg.inv(covariance)
        low, high = (self.entering(end)[near] for end in (self.lower, self.upper))
        degrees = self.degrees
        power = 0.5 * (degrees + size)
        off = np.tile(np.clip(centre, low, high) - centre, (count, 1))
        distance = np.einsum("si,ij,sj->s", off, precision, off)
        for _ in range(_sweeps(covariance)):
            for i in range(size):
                along = off @ precision[i] / precision[i, i]
                middle = off[:, i] - along
                apart = distance - precision[i, i] * along**2  # of the middle of this line
                level = (degrees + distance) * rng.random(count) ** (-1.0 / power) - degrees
                reach = np.sqrt(np.maximum(level - apart, 0.0) / precision[i, i])
                first, last = (
                    np.clip(centre[i] + middle + end, low[i], high[i]) for end in (-reach, reach)
                )
                if squared[i]:
                    first, last = np.sqrt(first), np.sqrt(last)
                found = first + rng.random(count) * (last - first)
                off[:, i] = (found**2 if squared[i] else found) - centre[i]
                distance = apart + precision[i, i] * (off[:, i] - middle) ** 2
        return off + centre


def _sweeps(covariance: np.ndarray) -> int:
    """Sweeps after which draws have forgotten their start, which correlation retards."""
    deviation = np.sqrt(np.diag(covariance))
    least = float(np.linalg.eigvalsh(covariance / np.outer(deviation, deviation))[0])
    return int(min(_SWEEPS / max(least, 1e-6), _MOST_SWEEPS))


def _root(covariance: np.ndarray) -> np.ndarray:
    """A matrix whose square is the covariance; also of one that is singular to rounding."""
    values, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.maximum(values, 0.0))
