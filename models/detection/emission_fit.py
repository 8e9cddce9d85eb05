"""Constants of emission lines from readings on reference materials of known composition and rate.

Weighted least squares in which everything that is known with an uncertainty takes part: the
readings, the mass fractions and the mass rates of the references, and what was known of the
constants before. Residuals are (found - known) / u, so the estimate and its covariance are those
of the GUM for a multivariate measurement (JCGM 102, errors in all variables), to first order. A
mass rate is common to all elements of a reference, and therefore correlates their constants.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from craterfront.models.detection.emission import EmissionConstants, line_intensity

_ABSORBED_AT_START = 1e-3
_LEAST_SINGULAR = 1e-9  # of directions of unit length


@dataclass(frozen=True, eq=False)
class Reference:
    """Readings on one reference material, for E elements.

    Attributes
    ----------
    mass_rate_ug_s, u_mass_rate_ug_s : float
        Sputtered mass per time of all elements together [ug/s].
    mass_fraction, u_mass_fraction : ndarray, shape (E,)
    intensity, u_intensity : ndarray, shape (E,)
        NaN where a line was not read. The uncertainty must be > 0.
    """

    mass_rate_ug_s: float
    u_mass_rate_ug_s: float
    mass_fraction: np.ndarray
    u_mass_fraction: np.ndarray
    intensity: np.ndarray
    u_intensity: np.ndarray


@dataclass(frozen=True, eq=False)
class EmissionFit:
    """Constants with the statistics of their fit.

    Attributes
    ----------
    constants : EmissionConstants
        The covariance is enlarged by chi_square / degrees where that is above 1: references that
        disagree by more than their uncertainties leave the constants less certain.
    chi_square : float
    degrees : int
        Degrees of freedom.
    """

    constants: EmissionConstants
    chi_square: float
    degrees: int


class NotDetermined(ValueError):
    """Constants that the references leave open.

    Attributes
    ----------
    open : list of (int, int)
        Number of the element, number of the constant.
    """

    def __init__(self, which: list[tuple[int, int]]) -> None:
        self.open = which
        super().__init__(f"constants (element, constant) {which}: not determined by the references")


def fit_emission(
    known: np.ndarray, u_known: np.ndarray, references: Sequence[Reference]
) -> EmissionFit:
    """Constants of the lines of E elements.

    Parameters
    ----------
    known : ndarray, shape (E, 3)
        The constants as known before, or guesses; NaN where there is no guess of an intensity per
        mass rate.
    u_known : ndarray, shape (E, 3)
        Standard uncertainties: 0 for what is exactly known, infinite for what is to be found.
    references : sequence of Reference
        May be empty if nothing is to be found.

    Returns
    -------
    EmissionFit

    Raises
    ------
    NotDetermined
    ValueError
        An intensity per mass rate comes out negative.

    Notes
    -----
    The number of free constants must not exceed what the references can tell: a slope takes one
    reading with the element, a background one more at another mass rate, a self-absorption a third.
    """
    from scipy.optimize import least_squares

    start = _with_guesses(known, u_known, references)
    problem = _Problem(start, u_known, references)
    guess = problem.guess()
    if guess.size == 0:
        return EmissionFit(EmissionConstants(start, np.zeros((*start.shape, *start.shape))), 0.0, 0)
    scale = problem.scale(guess)
    found = least_squares(
        lambda relative: problem.residuals(guess + relative * scale),
        np.zeros(guess.size),
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
        jac="3-point",
    )
    covariance = _covariance(found.jac, problem) * np.outer(scale, scale)
    chi_square = float(np.sum(found.fun**2))
    degrees = found.fun.size - guess.size
    excess = max(chi_square / degrees, 1.0) if degrees else 1.0
    value = problem.constants(guess + found.x * scale)
    if np.any(value[:, 0] <= 0.0):
        raise ValueError("intensity per mass rate: comes out negative or zero")
    constants = EmissionConstants(value, problem.of_constants(covariance * excess))
    return EmissionFit(constants, chi_square, degrees)


class _Problem:
    """Which numbers are moved, and what is known of them.

    The vector holds the constants, then for each reference its rate and its mass fractions, of all
    of these those that are not exactly known.
    """

    def __init__(
        self, start: np.ndarray, u_known: np.ndarray, references: Sequence[Reference]
    ) -> None:
        self.elements = start.shape[0]
        self.references = references
        amounts = [np.append(r.mass_rate_ug_s, r.mass_fraction) for r in references]
        doubts = [np.append(r.u_mass_rate_ug_s, r.u_mass_fraction) for r in references]
        self.everything = np.concatenate([start.ravel(), *amounts])
        self.u = np.concatenate([u_known.ravel(), *doubts])
        self.moved = np.flatnonzero(self.u > 0.0)
        self.with_prior = self.moved[np.isfinite(self.u[self.moved])]

    def guess(self) -> np.ndarray:
        return self.everything[self.moved]

    def scale(self, guess: np.ndarray) -> np.ndarray:
        """Steps of about the same effect, for numbers of very different size."""
        prior = np.where(np.isfinite(self.u[self.moved]), self.u[self.moved], 0.0)
        readings = [r.intensity[np.isfinite(r.intensity)] for r in self.references]
        largest = max((float(np.abs(i).max(initial=0.0)) for i in readings), default=0.0)
        rates = [r.mass_rate_ug_s for r in self.references]
        typical = [0.0, 1e-2 * largest, _ABSORBED_AT_START / max(rates, default=1.0)]
        count = 3 * self.elements
        kinds = np.array([typical[i % 3] if i < count else 0.0 for i in self.moved])
        scale = np.maximum(np.maximum(1e-2 * np.abs(guess), prior), kinds)
        return np.where(scale > 0.0, scale, 1.0)

    def _split(self, vector: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        full = self.everything.copy()
        full[self.moved] = vector
        count = 3 * self.elements
        constants = full[:count].reshape(self.elements, 3)
        return constants, full[count:].reshape(len(self.references), self.elements + 1)

    def constants(self, vector: np.ndarray) -> np.ndarray:
        return self._split(vector)[0]

    def residuals(self, vector: np.ndarray) -> np.ndarray:
        constants, amounts = self._split(vector)
        parts = []
        for reference, (rate, *fractions) in zip(self.references, amounts, strict=True):
            modelled = line_intensity(rate * np.array(fractions), *constants.T)
            read = np.isfinite(reference.intensity)
            parts.append((modelled - reference.intensity)[read] / reference.u_intensity[read])
        full = self.everything.copy()
        full[self.moved] = vector
        known = self.with_prior
        return np.concatenate([*parts, (full - self.everything)[known] / self.u[known]])

    def of_constants(self, covariance: np.ndarray) -> np.ndarray:
        """The part that belongs to the constants, with zeros for what is exactly known."""
        count = 3 * self.elements
        full = np.zeros((self.everything.size, self.everything.size))
        full[np.ix_(self.moved, self.moved)] = covariance
        return full[:count, :count].reshape(self.elements, 3, self.elements, 3)

    def name(self, moved: int) -> tuple[int, int] | None:
        """Element and constant of a moved number, if it is a constant."""
        at = int(self.moved[moved])
        return divmod(at, 3) if at < 3 * self.elements else None


def _with_guesses(
    known: np.ndarray, u_known: np.ndarray, references: Sequence[Reference]
) -> np.ndarray:
    """A first slope for every line that has none: that of its strongest reading."""
    start = known.copy()
    for element in np.flatnonzero(np.isnan(known[:, 0])):
        slopes = [
            ((r.intensity[element] - known[element, 1]) / rate, rate)
            for r in references
            if (rate := r.mass_rate_ug_s * r.mass_fraction[element]) > 0
            and np.isfinite(r.intensity[element])
        ]
        if not slopes:
            raise NotDetermined([(int(element), 0)])
        start[element, 0] = max(slopes, key=lambda each: each[1])[0]
    return start


def _covariance(jacobian: np.ndarray, problem: _Problem) -> np.ndarray:
    """Inverse of the information; what has none is named."""
    length = np.linalg.norm(jacobian, axis=0)
    length = np.where(length > 0.0, length, 1.0)  # so that no unit decides what is determined
    _, singular, axes = np.linalg.svd(jacobian / length, full_matrices=True)
    singular = np.append(singular, np.zeros(axes.shape[0] - singular.size))
    lost = axes[singular < _LEAST_SINGULAR]
    if lost.size:
        weak = np.flatnonzero(np.abs(lost).max(axis=0) > 0.1)
        raise NotDetermined([name for i in weak if (name := problem.name(int(i))) is not None])
    return (axes.T / singular**2) @ axes / np.outer(length, length)
