"""Intensity of emission lines against sputtered mass per time, with self-absorption.

An atom in the discharge emits much the same whatever sample it came from, so the net intensity of
a line depends on the mass of its element that is sputtered per second alone (the approximation of
matrix-independent emission yields: Weiss, Journal of Analytical Atomic Spectrometry 10, 1995, 891;
author from memory). Light of a resonance line is absorbed again by atoms of the same element:

    I - b = k x exprel(-kappa x) = (k / kappa) (1 - exp(-kappa x)),    exprel(y) = (exp(y) - 1) / y

with x the mass rate of the element, k the intensity per mass rate, b the background and kappa the
self-absorption. For kappa = 0 the line is straight. The form is that of a homogeneous absorber
(derived from the law of Lambert and Beer: light that is emitted evenly along a path of the optical
depth y leaves it by the share (1 - exp(-y)) / y); it holds as long as the intensity still rises
clearly.

Hydrogen in the discharge makes most lines brighter or weaker (V.-D. Hodoroaba et al., Journal of
Analytical Atomic Spectrometry 15, 2000, 1075, and 18, 2003, 521). Of that only the fact is from the
literature; the form here, 1 + h x / (x + x_0) for x hydrogen, is an assumption: in proportion to
little hydrogen, and a constant factor for much of it.
"""

import math
import warnings
from dataclasses import dataclass

import numpy as np
from scipy.special import exprel

from craterfront.models.validity import ValidityWarning

CONSTANTS = ("intensity_per_ug_s", "background", "self_absorption_s_ug")
"""The constants of one line, in the order of the arrays below."""

_LEAST_SLOPE = 0.1
DEEPEST = -math.log(_LEAST_SLOPE)
"""Optical depth beyond which less than a tenth of the slope of a line is left: noise, and whatever
the homogeneous absorber leaves out, count ten times there."""

_SERIES_BELOW = 1e-3  # where the closed forms lose digits
_SERIES_BELOW_FOR_SLOPE = 1e-2


@dataclass(frozen=True, eq=False)
class EmissionConstants:
    """The lines of E elements.

    Attributes
    ----------
    value : ndarray, shape (E, 3)
        Intensity per mass rate [intensity/(ug/s)], background [intensity] and self-absorption
        [s/ug], in the order of `CONSTANTS`.
    covariance : ndarray, shape (E, 3, E, 3)
        Their covariance: references have their rates in common, so constants are correlated.
    """

    value: np.ndarray
    covariance: np.ndarray


@dataclass(frozen=True, eq=False)
class MassRates:
    """Mass rates from intensities, with their derivatives.

    Attributes
    ----------
    value : ndarray, shape (E, T)
        Mass of each element per time [ug/s].
    per_intensity : ndarray, shape (E, T)
        Derivative by the intensity of the reading.
    per_constant : ndarray, shape (E, 3, T)
        Derivatives by the three constants of the element's own line.
    """

    value: np.ndarray
    per_intensity: np.ndarray
    per_constant: np.ndarray


class SelfAbsorbed(ValueError):
    """Intensities that no mass rate gives, since self-absorption limits them.

    Attributes
    ----------
    beyond : ndarray of bool, shape (E, T)
    """

    def __init__(self, beyond: np.ndarray) -> None:
        self.beyond = beyond
        super().__init__("intensity: at or above background + k / kappa, which no mass rate gives")


def escaping_share(optical_depth: np.ndarray) -> np.ndarray:
    """Share of the light of a line that its own atoms let through, from 1 down to 0.

    Parameters
    ----------
    optical_depth : ndarray
        Of the way through the discharge, at least 0; any shape.
    """
    return exprel(-optical_depth)


def escaping_share_slope(optical_depth: np.ndarray) -> np.ndarray:
    """Derivative of `escaping_share`, of the same shape."""
    y = np.asarray(optical_depth, dtype=float)
    small = np.abs(y) < _SERIES_BELOW_FOR_SLOPE
    safe = np.where(small, 1.0, y)
    closed = (np.exp(-safe) - exprel(-safe)) / safe
    series = -1 / 2 + y * (1 / 3 + y * (-1 / 8 + y * (1 / 30 - y / 144)))
    return np.where(small, series, closed)


def hydrogen_factor(hydrogen: np.ndarray, effect: np.ndarray, half: float) -> np.ndarray:
    """Intensity of a line with hydrogen in the discharge, over that without.

    Parameters
    ----------
    hydrogen : ndarray
        How much of it there is, at least 0, in any unit.
    effect : ndarray
        Relative change h by very much hydrogen, > -1; broadcast with `hydrogen`.
    half : float
        The amount x_0 that makes half of the change, > 0, in the same unit.

    Returns
    -------
    ndarray

    Notes
    -----
    A constant amount g of hydrogen besides, in the gas, needs no number of its own: with x + g for
    x the factor is that of x times a constant, with x_0 + g for x_0 and
    h x_0 / (x_0 + g (1 + h)) for h (derived).

    Examples
    --------
    >>> hydrogen_factor(np.array([0.0, 2.0, 6.0]), np.array(0.4), 2.0)
    array([1. , 1.2, 1.3])
    """
    return 1.0 + effect * hydrogen / (hydrogen + half)


def check_optical_depth(optical_depth: np.ndarray) -> None:
    """Warn with `ValidityWarning` where an optical depth is beyond `DEEPEST`."""
    if np.any(optical_depth > DEEPEST):
        largest = float(np.max(optical_depth))
        message = f"self-absorption: optical depths reach {largest:.3g}; above {DEEPEST:.2g} a line"
        warnings.warn(f"{message} hardly grows with its element", ValidityWarning, stacklevel=2)


def line_intensity(
    mass_rate_ug_s: np.ndarray, k: np.ndarray, background: np.ndarray, kappa: np.ndarray
) -> np.ndarray:
    """Intensity of a line; arguments broadcast, units as in `EmissionConstants`."""
    return background + k * mass_rate_ug_s * escaping_share(kappa * mass_rate_ug_s)


def mass_rates(constants: EmissionConstants, intensity: np.ndarray) -> MassRates:
    """Mass rates of the elements, self-absorption inverted.

    Parameters
    ----------
    constants : EmissionConstants
    intensity : ndarray, shape (E, T)
        Background included.

    Returns
    -------
    MassRates
        x = -ln(1 - kappa (I - b) / k) / kappa, and (I - b) / k for kappa = 0.

    Raises
    ------
    SelfAbsorbed
        For intensities at or above b + k / kappa.

    Warns
    -----
    ValidityWarning
        For optical depths beyond `DEEPEST`.
    """
    k, background, kappa = (column[:, None] for column in constants.value.T)
    thin = (intensity - background) / k  # the mass rate without self-absorption
    depth = kappa * thin
    if np.any(depth >= 1.0):
        raise SelfAbsorbed(depth >= 1.0)
    if np.any(depth > 1.0 - _LEAST_SLOPE):
        share = float(depth.max())
        message = f"self-absorption: intensities reach {share:.1%} of what it lets through at most"
        warnings.warn(message, ValidityWarning, stacklevel=2)
    stretch, slope = _stretch(depth)
    per_intensity = 1.0 / (k * (1.0 - depth))
    per_constant = np.stack([-thin * per_intensity, -per_intensity, thin**2 * slope], axis=1)
    return MassRates(thin * stretch, per_intensity, per_constant)


def _stretch(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """-ln(1 - y) / y and its derivative."""
    small = np.abs(y) < _SERIES_BELOW
    safe = np.where(small, 0.5, y)
    closed = -np.log1p(-safe) / safe
    value = np.where(small, 1.0 + y * (1 / 2 + y * (1 / 3 + y * (1 / 4 + y / 5))), closed)
    series = 1 / 2 + y * (2 / 3 + y * (3 / 4 + y * 4 / 5))
    return value, np.where(small, series, (1.0 / (1.0 - safe) - closed) / safe)
