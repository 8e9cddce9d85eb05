"""Sensitivities, backgrounds, contaminations: what enters a signal linearly is solved for."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, Self

import numpy as np

from craterfront.notation.parameters import is_free, linear_bounds
from craterfront.notation.quantities import Quantity


class LinearNumber(NamedTuple):
    """One of them, of a channel given by its place."""

    name: str
    channel: int
    quantity: Quantity


@dataclass(frozen=True)
class KnownLinear:
    """What is known of linear numbers before.

    Attributes
    ----------
    value : ndarray, shape (Q,)
        Of all of them.
    free : ndarray of bool, shape (Q,)
        Those that are solved for, F of them.
    expected, weight : ndarray, shape (F,)
        Value and inverse variance of what is known of each, 0 without a prior.
    lower, upper : ndarray, shape (F,)
    """

    value: np.ndarray
    free: np.ndarray
    expected: np.ndarray
    weight: np.ndarray
    lower: np.ndarray
    upper: np.ndarray

    @classmethod
    def of(cls, quantities: Sequence[Quantity]) -> Self:
        """Of what the file says."""
        moved = [q for q in quantities if is_free(q)]
        lower, upper = np.array([linear_bounds(q) for q in moved]).reshape(-1, 2).T
        return cls(
            np.array([q.value for q in quantities]),
            np.array([is_free(q) for q in quantities], dtype=bool),
            np.array([q.value for q in moved]),
            np.array([1.0 / q.u**2 if q.u else 0.0 for q in moved]),
            lower,
            upper,
        )


def solve_linear(
    matrix: np.ndarray, target: np.ndarray, quantities: Sequence[Quantity]
) -> np.ndarray:
    """Least squares for linear numbers, within their bounds.

    Parameters
    ----------
    matrix : ndarray, shape (N, Q)
        What each number multiplies, over the standard deviation of the readings.
    target : ndarray, shape (N,)
        Readings over their standard deviation.
    quantities : sequence of Quantity
        What is known of each number: those that are not free keep their values, priors pull.

    Returns
    -------
    ndarray, shape (Q,)
    """
    return solve_normal(matrix.T @ matrix, matrix.T @ target, KnownLinear.of(quantities))


def solve_normal(normal: np.ndarray, right: np.ndarray, known: KnownLinear) -> np.ndarray:
    """The same from normal equations.

    Parameters
    ----------
    normal, right : ndarray, shape (Q, Q) and (Q,)
        Of all numbers, without what is known of them.
    known : KnownLinear
    """
    solved, free = known.value.copy(), known.free
    if not free.any():
        return solved
    if not free.all():
        right = right[free] - normal[np.ix_(free, ~free)] @ solved[~free]
        normal = normal[np.ix_(free, free)]
    size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    normal = normal / (size[:, None] * size)
    normal.flat[:: size.size + 1] += known.weight / size**2
    right = (right + known.weight * known.expected) / size
    solved[free] = bounded_solution(normal, right, known.lower * size, known.upper * size) / size
    return solved


def bounded_solution(
    normal: np.ndarray, right: np.ndarray, lower: np.ndarray, upper: np.ndarray
) -> np.ndarray:
    """Solution within bounds of normal equations with a unit-scaled matrix."""
    from scipy.optimize import lsq_linear, nnls

    regular = normal.copy()
    regular.flat[:: len(normal) + 1] += 1e-12 * max(np.trace(normal), 1e-300)
    solution = np.linalg.solve(regular, right)
    if np.all((solution >= lower) & (solution <= upper)):
        return solution
    root = np.linalg.cholesky(regular).T
    target = np.linalg.solve(root.T, right)
    if np.all(np.isinf(upper)):
        # By far the most frequent case, and by far the faster method.
        return lower + nnls(root, target - root @ lower)[0]
    return lsq_linear(root, target, (lower, upper), method="bvls").x


def by_channel(terms: np.ndarray, channel_of: np.ndarray, channels: int) -> np.ndarray:
    """Sum of the terms of each channel, shape (..., C, N), of terms (..., Q, N)."""
    out = np.zeros((*terms.shape[:-2], channels, terms.shape[-1]))
    for q, c in enumerate(channel_of):
        out[..., c, :] += terms[..., q, :]
    return out


def at_bound(value: float, quantity: Quantity) -> bool:
    """Whether a linear number ended at a bound, to rounding."""
    return bool(np.any(np.isclose(value, linear_bounds(quantity), rtol=1e-9, atol=0.0)))


def at_written_bound(value: float, quantity: Quantity) -> bool:
    """Whether it ended at a bound that the file gives."""
    written = [b for b in (quantity.minimum, quantity.maximum) if b is not None]
    return bool(np.any(np.isclose(value, written, rtol=1e-9, atol=0.0)))
