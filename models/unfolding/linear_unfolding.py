"""Unfolding: atomic fractions against depth from readings that are linear in them.

The fractions are smooth a priori and nothing else: Gaussian processes about straight lines
(`smoothness`). What sums to one is carried as contrasts

    c = offset + contrast @ y,

so the sum holds exactly. Nuisances (sensitivities, rates, ...) are unknowns beside y with priors of
their own. Numbers of the instrument are not: a prior that is smoother than the sample would draw
them towards less broadening. They are held, and their uncertainty is carried through (considered
parameters; S. F. Schmidt, Adv. Control Syst. 3 (1966) 293, from memory). Nor do the bounds of the
fractions move the nuisances, which are those of the normal posterior whose covariance is given: of
a rate and a sensitivity whose product alone shows, a curve that lies at its bounds on both sides of
a sharp edge would draw either far away, just to be smoother in between (measured).

Law and length of the process, and its amplitude for each element, are those of maximum evidence:
the likelihood of the readings with everything else integrated out. Where a smoothing spline is
meant this is restricted maximum likelihood, which G. Wahba, Ann. Stat. 13 (1985) 1378 (from memory)
compares with generalised cross-validation. Evidence takes the noise as known, weighs elements and
nuisances jointly and does not take correlated noise for structure; it also compares laws. The
posterior then gives intervals that hold a smooth truth about as often as stated in the mean over
depth, though not at each depth (G. Wahba, J. R. Stat. Soc. B 45 (1983) 133; D. Nychka, J. Am. Stat.
Assoc. 83 (1988) 1134; both from memory).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import LinAlgError, block_diag

from craterfront.models.unfolding.quadratic_program import Bounds, bounded_minimum, factored, solved
from craterfront.models.unfolding.smoothness import Smoothness, candidates

TWO_SD_PER_AREA_OVER_HEIGHT = math.sqrt(2.0 / math.pi)
"""Two standard deviations of a Gaussian over the ratio of its area to its height."""

_SMALLEST, _LARGEST = math.log(1e-8), math.log(10.0)  # amplitude of a fraction


def contrasts(elements: int) -> np.ndarray:
    """Orthonormal directions in which fractions change and keep their sum, shape (E, E - 1)."""
    ones = np.column_stack([np.ones(elements), np.eye(elements)[:, 1:]])
    return np.linalg.qr(ones)[0][:, 1:]


@dataclass(frozen=True)
class LinearReadings:
    """Readings of unit variance as a linear function of y and nuisances, in sums over readings.

    Attributes
    ----------
    gram : ndarray, shape (P, P)
        X' X for the derivatives X of the readings by the unknowns: F rows of y with K numbers, then
        Q nuisances.
    right : ndarray, shape (P,)
        X' t for the readings t less what they are where all unknowns are 0.
    contrast : ndarray, shape (E, F)
    offset : ndarray, shape (E,)
        Fractions at y = 0.
    has_amplitude : ndarray of bool, shape (E,)
        False for what only the sum leaves over.
    nuisance_u : ndarray, shape (Q,)
        Prior standard deviations of the nuisances, whose prior means are 0.
    considered : ndarray, shape (P, J)
        X' times what one standard uncertainty of each number that is held does to the readings.
    """

    gram: np.ndarray
    right: np.ndarray
    contrast: np.ndarray
    offset: np.ndarray
    has_amplitude: np.ndarray
    nuisance_u: np.ndarray
    considered: np.ndarray

    @property
    def cells(self) -> int:
        """K."""
        return (self.right.size - self.nuisance_u.size) // self.contrast.shape[1]

    @property
    def unknown(self) -> int:
        """Numbers in y."""
        return self.right.size - self.nuisance_u.size


class Trial:
    """Readings with a prior of a given law and length: x with y = x @ basis.T, then nuisances."""

    def __init__(self, readings: LinearReadings, smoothness: Smoothness) -> None:
        self.readings, self.smoothness = readings, smoothness
        rows = [smoothness.basis] * readings.contrast.shape[1]
        self.basis = block_diag(*rows, np.eye(readings.nuisance_u.size))
        self._gram = self.basis.T @ readings.gram @ self.basis
        self._right = self.basis.T @ readings.right
        self._directions = readings.contrast[readings.has_amplitude]

    def curvature(self, log_amplitude: np.ndarray) -> np.ndarray:
        """Of minus the logarithm of the posterior."""
        rows, varied = self.readings.contrast.shape[1], self.smoothness.varied
        prior = np.kron(self._coupling(log_amplitude), np.diag(varied))
        prior += np.kron(np.eye(rows), np.diag(1.0 - varied))
        return self._gram + block_diag(prior, np.diag(1.0 / self.readings.nuisance_u**2))

    def _coupling(self, log_amplitude: np.ndarray) -> np.ndarray:
        """Prior precision between the rows of x."""
        rows = self._directions
        return rows.T @ (np.exp(-2.0 * log_amplitude)[:, None] * rows)

    def log_evidence(self, log_amplitude: np.ndarray) -> tuple[float, np.ndarray]:
        """Logarithm of the evidence, comparable between laws and lengths; its derivatives."""
        factor = factored(self.curvature(log_amplitude))
        w = solved(factor, self._right)
        coupling, varied = self._coupling(log_amplitude), self.smoothness.varied
        value = 0.5 * varied.sum() * float(np.linalg.slogdet(coupling)[1])
        value += 0.5 * float(self._right @ w) - float(np.log(np.diag(factor[0])).sum())
        size, rows = varied.size, self.readings.contrast.shape[1]
        inverse = solved(factor, np.eye(w.size, size * rows))[: size * rows]
        own = np.einsum("fkgk,k->fg", inverse.reshape(rows, size, rows, size), varied)
        x = w[: size * rows].reshape(rows, size) * varied
        slope = np.empty(log_amplitude.size)
        for e, direction in enumerate(self._directions):
            expected = varied.sum() * (direction @ np.linalg.solve(coupling, direction))
            found = direction @ own @ direction + np.sum((direction @ x) ** 2)
            slope[e] = (found - expected) * math.exp(-2.0 * log_amplitude[e])
        return value, slope

    def most_evident(self, start: np.ndarray) -> tuple[float, np.ndarray]:
        """Largest logarithm of the evidence, and the logarithms of the amplitudes there."""
        from scipy.optimize import minimize

        def downhill(log_amplitude: np.ndarray) -> tuple[float, np.ndarray]:
            try:
                value, slope = self.log_evidence(log_amplitude)
            except LinAlgError:
                return 1e300, np.zeros_like(log_amplitude)
            return -value, -slope

        found = minimize(
            downhill,
            np.clip(start, _SMALLEST, _LARGEST),
            jac=True,
            method="L-BFGS-B",
            bounds=[(_SMALLEST, _LARGEST)] * start.size,
            options={"ftol": 1e-9, "gtol": 1e-2, "maxiter": 60},
        )
        return -float(found.fun), found.x

    def posterior(self, log_amplitude: np.ndarray) -> "Unfolded":
        """The posterior for given amplitudes."""
        readings, curvature = self.readings, self.curvature(log_amplitude)
        bounds = Bounds(readings.contrast, self.smoothness.basis, readings.offset[:, None])
        inner = bounds.bounded
        nuisance = solved(factored(curvature), self._right)[inner:]
        right = self._right[:inner] - curvature[:inner, inner:] @ nuisance
        w = np.append(bounded_minimum(curvature[:inner, :inner], right, bounds), nuisance)
        everything = solved(factored(curvature), self.basis.T)
        of_y = self.basis[: readings.unknown, :inner]
        within = of_y @ solved(factored(curvature[:inner, :inner]), of_y.T)
        covariance = self.basis @ everything
        carried = covariance @ readings.considered
        return Unfolded(readings, self.basis @ w, covariance, carried, within)


def most_evident_prior(
    readings: LinearReadings,
    log_amplitude: np.ndarray,
    near: float | None = None,
    tried: Callable[[float], None] = lambda share: None,
) -> tuple[Smoothness, np.ndarray]:
    """Law, length and amplitudes of maximum evidence.

    Parameters
    ----------
    readings : LinearReadings
    log_amplitude : ndarray, one for each element that has an amplitude
        From where to search.
    near : float, optional
        A length in cells next to which to search.
    tried : callable
        Called with the share of the laws and lengths that have been tried.

    Returns
    -------
    Smoothness
    ndarray
        Logarithms of the amplitudes.
    """
    best, chosen = -math.inf, None
    every = list(candidates(readings.cells, near))
    start = log_amplitude
    for number, smoothness in enumerate(every):
        value, start = Trial(readings, smoothness).most_evident(start)
        if value > best:
            best, chosen = value, (smoothness, start)
        tried((number + 1) / len(every))
    if chosen is None:
        raise ArithmeticError("no prior has a computable evidence")
    return chosen


@dataclass(frozen=True)
class Unfolded:
    """The posterior of y and the nuisances.

    Attributes
    ----------
    readings : LinearReadings
    w : ndarray, shape (P,)
        Most probable values: nuisances, and for these y with no fraction negative.
    covariance : ndarray, shape (P, P)
        Without regard to that, so wider near bounds, and with all else held.
    carried : ndarray, shape (P, J)
        What one standard uncertainty of each number that is held does to w.
    within : ndarray, shape (F K, F K)
        The same of y, with the nuisances held.
    """

    readings: LinearReadings
    w: np.ndarray
    covariance: np.ndarray
    carried: np.ndarray
    within: np.ndarray

    @property
    def fractions(self) -> np.ndarray:
        """Shape (E, K); not negative, with the sum of the offset."""
        readings = self.readings
        y = self.w[: readings.unknown].reshape(-1, readings.cells)
        found = np.maximum(readings.offset[:, None] + readings.contrast @ y, 0.0)
        return found * (readings.offset.sum() / found.sum(axis=0))

    @property
    def nuisance(self) -> np.ndarray:
        """Most probable nuisances, shape (Q,)."""
        return self.w[self.readings.unknown :]

    @property
    def total_covariance(self) -> np.ndarray:
        """With what the numbers that are held add, shape (P, P)."""
        return self.covariance + self.carried @ self.carried.T

    @property
    def nuisance_covariance(self) -> np.ndarray:
        """Shape (Q, Q)."""
        count = self.readings.unknown
        return self.total_covariance[count:, count:]

    def standard_uncertainty(self, *, nuisances: bool = True) -> np.ndarray:
        """Of the fractions, shape (E, K).

        Parameters
        ----------
        nuisances : bool
            With what the nuisances and the numbers that are held add.
        """
        of_y = self.total_covariance if nuisances else self.within
        return np.sqrt(np.maximum(self._diagonal(of_y), 0.0))

    def _diagonal(self, matrix: np.ndarray) -> np.ndarray:
        """Diagonal, by element, of a matrix between y, shape (E, K)."""
        readings = self.readings
        count, cells = readings.unknown, readings.cells
        blocks = matrix[:count, :count].reshape(-1, cells, count // cells, cells)
        own = np.einsum("fkgk->fgk", blocks)
        return np.einsum("ef,fgk,eg->ek", readings.contrast, own, readings.contrast)

    def response(self) -> np.ndarray:
        """Estimated y per true y, shape (F K, F K); no bound is taken to be reached."""
        count = self.readings.unknown
        return self.covariance[:count] @ self.readings.gram[:, :count]

    def averaging_kernel(self, element: int) -> np.ndarray:
        """How the fraction of an element in each cell (rows) is made of the true ones (columns).

        Where fractions have a fixed sum, the others make room for it equally. Shape (K, K).
        """
        readings = self.readings
        row, cells = readings.contrast[element], readings.cells
        blocks = self.response().reshape(-1, cells, readings.unknown // cells, cells)
        return np.einsum("f,fkgl,g->kl", row, blocks, row) / float(row @ row)

    def resolution_cells(self) -> np.ndarray:
        """Effective resolution in cells, shape (E, K).

        Two standard deviations of the Gaussian of unit area that is as high as the averaging
        kernel at its own depth: a sharp edge, whose slope is that height, shows this width between
        15.87 and 84.13 % (derived). Never more than all cells. Kernels that an end cuts off are
        higher for that and not better; nearer to an end than its own width, the first value counts
        that is not.
        """
        cells = self.readings.cells
        least = TWO_SD_PER_AREA_OVER_HEIGHT / cells
        size = TWO_SD_PER_AREA_OVER_HEIGHT / np.maximum(self._heights(), least)
        place = np.arange(cells) + 0.5
        for row in size:
            for ordered in (row, row[::-1]):
                first = int(np.argmax(place >= ordered))
                ordered[:first] = np.maximum(ordered[:first], ordered[first])
        return size

    def degrees_of_freedom(self) -> np.ndarray:
        """Numbers that the readings, and not the prior, tell of each element, shape (E,)."""
        return self._heights().sum(axis=1)

    def _heights(self) -> np.ndarray:
        size = np.sum(self.readings.contrast**2, axis=1)
        return self._diagonal(self.response()) / size[:, None]
