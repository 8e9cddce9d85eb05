"""Sensitivities, backgrounds and contaminations integrated out of the likelihood of a sample.

Given the sample, a signal is linear in them. With normal noise the readings make them normal, so
that the integral over all values within their bounds is a determinant and a normal probability,
exactly. Where readings are counted, rounded or censored, the same is done with a parabola through
the logarithm of the likelihood at its maximum within the bounds (Laplace): for counts its relative
error is of the order of one over their number.
"""

from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from craterfront.forward_model.linear_numbers import bounded_solution
from craterfront.notation.parameters import is_free, linear_bounds
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.solution import Solution
from craterfront.posterior_sampling import box_probability

_FOR_SLOPES = 1e-3  # of a standard deviation of a reading
_MOST_STEPS = 20
_CHAIN = 10  # steps to a draw; of which most are taken
_WIDENED = 1.5  # variance of what is drawn from, for the longer tail of a skew distribution
_STEADY = 1e-4  # of the logarithm of the likelihood: the parabola bridges what is less


@dataclass(frozen=True)
class Conditional:
    """The linear numbers that are free, given a sample: normal within bounds.

    Attributes
    ----------
    log_integral : float
        Logarithm of the likelihood integrated over them, up to a constant.
    centre : ndarray, shape (L,)
    covariance : ndarray, shape (L, L)
    held : ndarray, shape (Q,)
        All linear numbers; those that are not free are held there.
    """

    log_integral: float
    centre: np.ndarray
    covariance: np.ndarray
    held: np.ndarray


class LinearMarginal:
    """Integrates over the linear numbers with the noise that a fit has found.

    Their priors are those of the experiment file: normal where an uncertainty is written, else flat
    within the bounds; or what is known of several numbers together.

    Parameters
    ----------
    likelihood : Likelihood
    solution : Solution
        At its maximum: a number that no reading shows there is held.

    Attributes
    ----------
    moved : ndarray of int
        Which linear numbers are integrated over.
    is_linear : bool
        The likelihood is a parabola of them: no counting, no rounding.
    """

    def __init__(self, likelihood: Likelihood, solution: Solution) -> None:
        self._likelihood = likelihood
        quantities = likelihood.linear_quantities()
        shown = np.any(solution.rows != 0.0, axis=1)
        self.moved = np.flatnonzero(
            [is_free(q) and s for q, s in zip(quantities, shown, strict=True)]
        )
        moved = [quantities[i] for i in self.moved]
        self._lower, self._upper = np.array([linear_bounds(q) for q in moved]).reshape(-1, 2).T
        self._value = np.array([q.value for q in moved])
        self._pull = np.array([1.0 / q.u**2 if q.u else 0.0 for q in moved])
        joint = likelihood.joint_prior
        coordinates = joint.coordinates[len(joint.parameters) :]
        self._in_logs = [
            q for q, each in zip(joint.linear, coordinates, strict=True) if each == "logarithm"
        ]
        channel = np.array([n.channel for n in likelihood.assembly.linear_numbers()])
        self._channel = channel[self.moved]
        self._belongs = channel[:, None] == np.arange(len(likelihood.values))
        noise = likelihood.noise
        self.is_linear = not (
            self._in_logs
            or noise.kappa.any()
            or likelihood.detectors.step.any()
            or likelihood.censored.any()
        )
        variance = noise.variance(np.maximum(solution.model, 0.0), likelihood.interval)
        self._step = _FOR_SLOPES * np.sqrt(variance)

    def at(self, solution: Solution, values: np.ndarray) -> Conditional:
        """The linear numbers given the sample of a solution.

        Parameters
        ----------
        solution : Solution
        values : ndarray
            Of all parameters there, for what is known of them together with linear numbers.
        """
        linear = solution.linear.copy()
        cost, gradient, curved = self._expanded(solution, values)
        for _ in range(_MOST_STEPS):
            step = self._step_within(linear, gradient, curved)
            promised = -gradient @ step - 0.5 * step @ curved @ step
            if self.is_linear or promised < _STEADY:
                break
            linear, solution, cost = self._descended(linear, solution, values, cost, step)
            _, gradient, curved = self._expanded(solution, values)
        return self._integrated(linear, cost, gradient, curved)

    def drawn(self, given: Conditional, rng: np.random.Generator) -> np.ndarray:
        """All linear numbers, those that are free drawn from the parabola; shape (Q,)."""
        linear = given.held.copy()
        (linear[self.moved],) = box_probability.draw(
            given.centre, given.covariance, self._lower, self._upper, 1, rng
        )
        return linear

    def drawn_skew(
        self, given: Conditional, solution: Solution, values: np.ndarray, rng: np.random.Generator
    ) -> np.ndarray:
        """The same where the likelihood is no parabola: a few counts make a skew distribution.

        A few steps of Metropolis and Hastings lead from a draw of the widened parabola to one of
        the likelihood.
        """
        wide = _WIDENED * given.covariance
        moved = box_probability.draw(given.centre, wide, self._lower, self._upper, _CHAIN + 1, rng)
        candidates = np.tile(given.held, (len(moved), 1))
        candidates[:, self.moved] = moved
        off = moved - given.centre
        weights = 0.5 * np.sum(off * np.linalg.solve(wide, off.T).T, axis=1)
        for k, linear in enumerate(candidates):
            cost = self.data_cost(self.with_linear(solution, linear))
            weights[k] -= 0.5 * (cost + self._prior_cost(linear, values))
        at = 0
        for k in range(1, len(candidates)):
            if np.log(rng.random()) < weights[k] - weights[at]:
                at = k
        return candidates[at]

    def with_linear(self, solution: Solution, linear: np.ndarray) -> Solution:
        """The same sample with other linear numbers."""
        model = (self._belongs * linear[:, None]).T @ solution.rows
        first = len(self._likelihood.assembly.responses)
        background = linear[first : first + len(model), None]
        return replace(solution, model=model, signal=model - background, linear=linear)

    def data_cost(self, solution: Solution) -> float:
        """Sum of the squared residuals of the readings."""
        white = self._likelihood.whitened(self._likelihood.standardised(solution))
        return float(np.sum(white**2))

    def _prior_cost(self, linear: np.ndarray, values: np.ndarray) -> float:
        """Twice the negative logarithm of what is known before, per unit of the numbers."""
        joint = self._likelihood.joint_prior
        residuals = joint.residuals(values, linear)
        own = self._pull @ (linear[self.moved] - self._value) ** 2
        return float(own + residuals @ residuals + 2.0 * np.sum(np.log(linear[self._in_logs])))

    def _of_joint(self, linear: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Gradient and second derivatives of half of it, of what is known jointly."""
        joint = self._likelihood.joint_prior
        rows = joint.slopes(linear, linear.size)
        gradient, curved = rows.T @ joint.residuals(values, linear), rows.T @ rows
        gradient[self._in_logs] += 1.0 / linear[self._in_logs]
        curved[self._in_logs, self._in_logs] -= linear[self._in_logs] ** -2.0
        return gradient[self.moved], curved[np.ix_(self.moved, self.moved)]

    def _expanded(
        self, solution: Solution, values: np.ndarray
    ) -> tuple[float, np.ndarray, np.ndarray]:
        """Half the cost, its gradient and second derivatives by the moved numbers.

        Residuals are functions of the model of one reading each, so their derivatives are taken
        element by element.
        """
        likelihood, step = self._likelihood, self._step
        model = solution.model
        if not self.is_linear:  # no difference may reach below a dark model
            model = np.maximum(model, step)
        here = likelihood.standardised(replace(solution, model=model))
        bend = np.sqrt(np.maximum(likelihood.readings.bend(model, step), 0.0))
        rows = solution.rows[self.moved]
        residual = likelihood.whitened(here)
        if likelihood.noise.fluctuation is None:  # channels are apart
            apart = likelihood.noise.correlation[self._channel, None]
            score = likelihood.readings.score(model)
            gradient = np.sum(rows * score[self._channel], axis=1) / apart[:, 0]
            bent = rows * bend[self._channel] / np.sqrt(apart)
            curved = (bent @ bent.T) * (self._channel[:, None] == self._channel)
        else:
            columns = self._belongs[self.moved].T[:, None, :] * rows.T  # (C, N, L)
            first, second = (
                likelihood.whitened(columns * by[..., None]).reshape(residual.size, -1)
                for by in (likelihood.readings.slopes(model), bend)
            )
            gradient, curved = first.T @ residual.ravel(), second.T @ second
        off = solution.linear[self.moved] - self._value
        prior_cost = self._prior_cost(solution.linear, values)
        cost = 0.5 * float(np.sum(residual**2)) + 0.5 * prior_cost
        gradient, curved = gradient + self._pull * off, curved + np.diag(self._pull)
        if self._likelihood.joint_prior.linear:
            joint_gradient, joint_curved = self._of_joint(solution.linear, values)
            gradient, curved = gradient + joint_gradient, curved + joint_curved
        return cost, gradient, curved

    def _step_within(
        self, linear: np.ndarray, gradient: np.ndarray, curved: np.ndarray
    ) -> np.ndarray:
        """Newton's step within the bounds."""
        if not self.moved.size:
            return np.zeros(0)
        now = linear[self.moved]
        size = np.sqrt(np.maximum(np.diag(curved), 1e-300))
        normal = curved / np.outer(size, size)
        right = (curved @ now - gradient) / size
        lower, upper = self._lower * size, self._upper * size
        return bounded_solution(normal, right, lower, upper) / size - now

    def _descended(
        self,
        linear: np.ndarray,
        solution: Solution,
        values: np.ndarray,
        cost: float,
        step: np.ndarray,
    ) -> tuple[np.ndarray, Solution, float]:
        """As much of a step as lowers the cost."""
        share = 1.0
        while share > 1e-3:
            trial = linear.copy()
            trial[self.moved] += share * step
            found = self.with_linear(solution, trial)
            lowered = 0.5 * self.data_cost(found) + 0.5 * self._prior_cost(trial, values)
            if lowered <= cost:
                return trial, found, lowered
            share *= 0.5
        return linear, solution, cost

    def _integrated(
        self, linear: np.ndarray, cost: float, gradient: np.ndarray, curved: np.ndarray
    ) -> Conditional:
        now = linear[self.moved]
        if not now.size:
            return Conditional(-cost, now, curved, linear)
        size = np.sqrt(np.maximum(np.diag(curved), 1e-300))
        scaled = curved / np.outer(size, size) + 1e-12 * np.eye(size.size)
        covariance = np.linalg.inv(scaled) / np.outer(size, size)
        towards = covariance @ gradient
        _, log_determinant = np.linalg.slogdet(scaled)
        centre = now - towards
        share = box_probability.log_probability(centre, covariance, self._lower, self._upper)
        log_integral = (
            -cost + 0.5 * gradient @ towards - 0.5 * log_determinant - np.log(size).sum() + share
        )
        return Conditional(float(log_integral), centre, covariance, linear)


def with_readings(likelihood: Likelihood, values: np.ndarray) -> Likelihood:
    """The same likelihood, noise included, of other readings."""
    other = copy(likelihood)
    other.take_readings(values, likelihood.censored)
    return other
