"""What is known before as residuals of unit variance, and their derivatives.

In this order: parameters by themselves, linear numbers, the final depth, several numbers together.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from craterfront.notation.parameters import Parameter
from craterfront.notation.quantities import Quantity
from craterfront.objective.coordinates import Coordinates
from craterfront.objective.joint_prior import JointPrior, coordinate_of, slope_of
from craterfront.objective.solution import Solution

_NEAR_ZERO = 1e-3  # of the scale of what may be zero: the slope of its prior by the square ends


@dataclass(frozen=True)
class PriorResiduals:
    """Priors of the free parameters and of the linear numbers.

    Attributes
    ----------
    coordinates : Coordinates
        Of the free parameters.
    free : list of int
        Which they are.
    parameters : list of Parameter
        They themselves.
    quantities : sequence of Quantity
        What is known of each linear number alone.
    depth_limit : (float, float), optional
        Final depth with its standard uncertainty [nm].
    joint : JointPrior
        What is known of several numbers together.
    """

    coordinates: Coordinates
    free: list[int]
    parameters: list[Parameter]
    quantities: Sequence[Quantity]
    depth_limit: tuple[float, float] | None
    joint: JointPrior

    @property
    def own_count(self) -> int:
        """Number of parameters with a prior."""
        return sum(p.has_own_prior for p in self.parameters)

    @property
    def count(self) -> int:
        """Number of residuals."""
        limited = self.depth_limit is not None
        return self.own_count + len(self._pulled) + limited + self.joint.size

    @property
    def _pulled(self) -> list[tuple[int, float, float]]:
        """The linear numbers that have a prior, with its mean and standard uncertainty."""
        known = enumerate(self.quantities)
        return [(i, q.value, q.u) for i, q in known if q.status == "prior" and q.u]

    def of(self, x: np.ndarray, solution: Solution, without: int | None = None) -> np.ndarray:
        """Deviations of parameters, linear numbers and final depth from what is known of them."""
        found = self.own(x, without)
        found += [(solution.linear[i] - mean) / u for i, mean, u in self._pulled]
        if self.depth_limit is not None:
            depth, u = self.depth_limit
            found.append((solution.mean_depth_nm[-1] - depth) / u)
        joint = self.joint.residuals(self.coordinates.values(x), solution.linear)
        return np.append(found, joint)

    def slopes(
        self,
        x: np.ndarray,
        linear: np.ndarray,
        depth_slope: np.ndarray,
        moving: Sequence[int],
        without: int | None = None,
    ) -> np.ndarray:
        """Derivatives by the coordinates and by some of the linear numbers, shape (R, P + L).

        Parameters
        ----------
        x : ndarray, shape (P,)
        linear : ndarray, shape (Q,)
            All linear numbers.
        depth_slope : ndarray, shape (P,)
            Derivative of the final depth.
        moving : sequence of int
            The linear numbers that move.
        without : int, optional
            A parameter whose own prior is left out.
        """
        pulls = [[float(i == pulled) / u for i in moving] for pulled, _, u in self._pulled]
        blocks = [
            _beside(self.own_slopes(x, without), len(moving)),
            np.array([[0.0] * x.size + pull for pull in pulls]).reshape(
                len(pulls), x.size + len(moving)
            ),
        ]
        if self.depth_limit is not None:
            blocks.append(_beside(depth_slope[None] / self.depth_limit[1], len(moving)))
        joint = self.joint.slopes(linear, len(self.quantities))[:, moving]
        blocks.append(np.hstack([self.joint_slopes(x), joint]))
        return np.vstack(blocks)

    def own(self, x: np.ndarray, without: int | None = None) -> list[float]:
        """Deviations of the parameters from their priors; 0 for one that is left out."""
        values = self.coordinates.values(x)
        known = [(i, p) for i, p in self._of_parameters() if p.has_own_prior]
        return [0.0 if i == without else p.prior_residual(values[i]) for i, p in known]

    def own_slopes(self, x: np.ndarray, without: int | None = None) -> np.ndarray:
        """Derivatives of `own` by the coordinates."""
        values, chain = self.coordinates.values(x), self.coordinates.jacobian(x)
        rows = []
        for i, (index, p) in enumerate(self._of_parameters()):
            if not p.has_own_prior:
                continue
            slope = 0.0 if index == without else p.prior_slope(values[index])
            if p.may_be_zero:
                slope /= 2.0 * max(values[index], _NEAR_ZERO * self.coordinates.scale(i))
            rows.append(slope * chain[i])
        return np.array(rows).reshape(len(rows), x.size)

    def joint_slopes(self, x: np.ndarray) -> np.ndarray:
        """Derivatives of the residuals of what is known jointly by the coordinates."""
        values, chain = self.coordinates.values(x), self.coordinates.jacobian(x)
        joint = self.joint
        rows = np.zeros((joint.size, x.size))
        for k, index in enumerate(joint.parameters):
            i, value, coordinate = self.free.index(index), values[index], joint.coordinates[k]
            squared = self.parameters[i].may_be_zero
            if squared and coordinate == "square":
                slope = 1.0
            else:
                nearest = max(value, _NEAR_ZERO * self.coordinates.scale(i)) if squared else value
                slope = slope_of(nearest, coordinate) / (2.0 * nearest if squared else 1.0)
            shown = joint.at_mean_rates(k, values)
            along = shown * slope * chain[i]
            for j, power in joint.powers.get(k, {}).items():
                rate = joint.parameters[j]
                relative = chain[self.free.index(rate)] / values[rate]
                along -= power * shown * coordinate_of(value, coordinate) * relative
            rows += np.outer(joint.root[:, k], along)
        return rows

    def _of_parameters(self) -> list[tuple[int, Parameter]]:
        return list(zip(self.free, self.parameters, strict=True))


def _beside(own: np.ndarray, count: int) -> np.ndarray:
    """Rows that linear numbers do not enter."""
    return np.hstack([own, np.zeros((len(own), count))])
