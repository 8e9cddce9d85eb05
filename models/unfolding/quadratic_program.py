"""The minimum of a quadratic function where linear functions must not be negative."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

_MOST_STEPS = 80
_CLOSED = 1e-11  # mean of slack times multiplier, against the curvature
_SHORT = 0.995  # of the step to the nearest bound
_FIRST = 0.01


@dataclass(frozen=True)
class Bounds:
    """contrast @ x @ basis.T + offset >= 0, where x are the first F R unknowns.

    Attributes
    ----------
    contrast : ndarray, shape (E, F)
    basis : ndarray, shape (K, R)
    offset : ndarray, shape (E, 1)
    """

    contrast: np.ndarray
    basis: np.ndarray
    offset: np.ndarray

    @property
    def bounded(self) -> int:
        """How many unknowns are x."""
        return self.contrast.shape[1] * self.basis.shape[1]

    def change(self, w: np.ndarray) -> np.ndarray:
        """What unknowns add to the offset, shape (E, K)."""
        x = w[: self.bounded].reshape(self.contrast.shape[1], -1)
        return self.contrast @ x @ self.basis.T

    def pull(self, force: np.ndarray, size: int) -> np.ndarray:
        """Its transpose: what forces (E, K) do to that many unknowns."""
        pulled = self.contrast.T @ force @ self.basis
        return np.append(pulled.ravel(), np.zeros(size - self.bounded))

    def stiffen(self, matrix: np.ndarray, stiffness: np.ndarray) -> np.ndarray:
        """A matrix with that of springs (E, K) added."""
        matrix, size = matrix.copy(), self.basis.shape[1]
        for i, column in enumerate(self.contrast.T):
            for j, other in enumerate(self.contrast.T):
                weight = (column * other) @ stiffness
                at = slice(i * size, (i + 1) * size), slice(j * size, (j + 1) * size)
                matrix[at] += self.basis.T @ (weight[:, None] * self.basis)
        return matrix


def bounded_minimum(curvature: np.ndarray, right: np.ndarray, bounds: Bounds) -> np.ndarray:
    """Minimise w' H w / 2 - g' w within bounds.

    Parameters
    ----------
    curvature : ndarray, shape (P, P)
        H, positive definite.
    right : ndarray, shape (P,)
        g.
    bounds : Bounds

    Returns
    -------
    ndarray, shape (P,)

    Raises
    ------
    ArithmeticError
        When it is not found.

    References
    ----------
    S. Mehrotra, SIAM J. Optim. 2 (1992) 575 (from memory): primal-dual steps towards the minimum,
    predicted and corrected.
    """
    scale = float(np.mean(np.diag(curvature)))
    curvature, right = curvature / scale, right / scale
    w = solved(factored(curvature), right)
    slack = np.maximum(bounds.change(w) + bounds.offset, _FIRST)
    force = np.full_like(slack, _FIRST)
    for _ in range(_MOST_STEPS):
        gradient = curvature @ w - right - bounds.pull(force, w.size)
        missing = bounds.change(w) + bounds.offset - slack
        gap = float(np.mean(slack * force))
        if gap < _CLOSED and max(np.abs(gradient).max(), np.abs(missing).max()) < 1e-8:
            return w
        factor = factored(bounds.stiffen(curvature, force / slack))
        step = _step_with(factor, slack, force, missing, gradient, bounds)
        _, ds, dz = step(np.zeros_like(slack))
        reach = min(_longest(slack, ds), _longest(force, dz))
        ahead = float(np.mean((slack + reach * ds) * (force + reach * dz)))
        dw, ds, dz = step((ahead / gap) ** 3 * gap - ds * dz)
        reach = min(1.0, _SHORT * min(_longest(slack, ds), _longest(force, dz)))
        w, slack, force = w + reach * dw, slack + reach * ds, force + reach * dz
    raise ArithmeticError("the minimum within bounds was not found")


def factored(matrix: np.ndarray) -> tuple[np.ndarray, bool]:
    """Lower Cholesky factor of a positive definite matrix, as `solved` takes it."""
    factor, lower = cho_factor(matrix, lower=True)
    return np.asarray(factor), bool(lower)


def solved(factor: tuple[np.ndarray, bool], right: np.ndarray) -> np.ndarray:
    """Solution of a system with a factored matrix."""
    return np.asarray(cho_solve(factor, right))


def _step_with(
    factor: tuple[np.ndarray, bool],
    slack: np.ndarray,
    force: np.ndarray,
    missing: np.ndarray,
    gradient: np.ndarray,
    bounds: Bounds,
) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Newton's step to where slack times force is what it is asked for, and all else holds."""

    def step(product: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        new = (product - force * missing) / slack
        dw = solved(factor, bounds.pull(new - force, gradient.size) - gradient)
        ds = bounds.change(dw) + missing
        return dw, ds, (product - force * ds) / slack - force

    return step


def _longest(value: np.ndarray, change: np.ndarray) -> float:
    """How much of a change keeps values positive, at most all of it and a little more."""
    falling = change < 0
    return float(np.min(-value[falling] / change[falling], initial=1.0 / _SHORT))
