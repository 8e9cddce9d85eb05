"""Intervals of what cannot be negative: widths of interfaces, and layers too thin to be resolved.

One construction serves all of them: the profile of the likelihood with the even mixture of
chi-square distributions where the null hypothesis lies on the bound.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from craterfront.estimation import (
    Curvature,
    Fit,
    Interval,
    Objective,
    minimise,
    profile_interval,
    quadratic_form,
)
from craterfront.likelihood import Likelihood

_POORLY_KNOWN = 0.35  # of the logarithm of a thickness: then it may be no more than a limit
_NEAR_ZERO = 5.0  # standard uncertainties within which a width gets its interval by profile


@dataclass(frozen=True)
class WidthAnswer:
    """Width of one interface.

    Attributes
    ----------
    value_nm : float
        Most probable width.
    lower_nm, upper_nm : float
        At 95 %; an upper limit alone (lower end 0) where it is not resolved.
    resolved : bool
    why : str
        Why it is an upper limit although the fit alone would resolve it; else empty.
    """

    value_nm: float
    lower_nm: float
    upper_nm: float
    resolved: bool
    why: str = ""


def width_answers(
    likelihood: Likelihood,
    objective: Objective,
    fit: Fit,
    full: np.ndarray,
    picture: Curvature,
    report: Callable[[str, float], None],
) -> dict[int, WidthAnswer]:
    """Width of every interface with its interval."""
    assembly = likelihood.assembly
    roughness_known = assembly.setup.roughness.is_written("initial_nm")
    count = len(assembly.layers) - 1
    answers: dict[int, WidthAnswer] = {}
    jacobian = full[:, : len(likelihood.free)]
    done: dict[int, WidthAnswer] = {}
    for layer in range(count):
        report("widths", 0.9 + 0.1 * layer / max(count, 1))
        index = assembly.width_index(layer)
        if index in done:
            answers[layer] = done[index]
            continue
        if index not in likelihood.free:
            value = float(assembly.parameters[index].value)
            answer = WidthAnswer(value, value, value, True, "held")
        else:
            i = likelihood.free.index(index)
            interval = _width_interval(likelihood, objective, fit, jacobian, picture, i)
            value, lower, upper = (
                likelihood.coordinates.with_coordinate(fit.x, i, each)
                for each in (fit.x[i], interval.lower, interval.upper)
            )
            scale_u = (
                quadratic_form(likelihood.coordinates.rate_powers(i), picture.covariance) ** 0.5
            )
            answer = WidthAnswer(
                value, *_with_scale(value, lower, upper, scale_u), interval.resolved
            )
            if answer.resolved and not roughness_known:
                answer = WidthAnswer(
                    answer.value_nm,
                    0.0,
                    answer.upper_nm,
                    False,
                    "[roughness] is not written: roughness could make all of it",
                )
        answers[layer] = done[index] = answer
    return answers


def _with_scale(value: float, lower: float, upper: float, scale_u: float) -> tuple[float, float]:
    """Add the relative uncertainty of the rates to an interval that was found in time."""
    spread = 1.96 * scale_u
    if lower <= 0.0 or value <= 0.0:
        return lower, float(upper * np.exp(spread))
    below = np.hypot(np.log(value / lower), spread)
    above = np.hypot(np.log(upper / value), spread)
    return float(value * np.exp(-below)), float(value * np.exp(above))


def thickness_limits_nm(likelihood: Likelihood, fit: Fit, picture: Curvature) -> dict[int, float]:
    """Upper limits of layers too thin to be told from infinitely thin ones.

    Such a layer only shows how much of it there is (thickness times sensitivity). The prior of the
    thickness itself has no say in it: the limit is what the likelihood alone excludes.
    """
    assembly = likelihood.assembly
    limits: dict[int, float] = {}
    for layer in range(len(assembly.layers) - 1):
        index = assembly.thickness_index(layer)
        if index not in likelihood.free or assembly.parameters[index].state != "free":
            continue
        i = likelihood.free.index(index)
        if not picture.covariance[i, i] ** 0.5 > _POORLY_KNOWN:
            continue
        likelihood.without_prior = index
        objective = likelihood.objective()
        best = minimise(objective, fit.x, tolerance=1e-5)
        jacobian = objective.jacobian(best.x)
        interval = profile_interval(objective, best, jacobian, i, _POORLY_KNOWN)
        likelihood.without_prior = None
        if not interval.resolved:
            upper = likelihood.coordinates.with_coordinate(best.x, i, interval.upper)
            scale_u = (
                quadratic_form(likelihood.coordinates.rate_powers(i), picture.covariance) ** 0.5
            )
            limits[layer] = _with_scale(0.0, 0.0, upper, scale_u)[1]
    return limits


def _width_interval(
    likelihood: Likelihood,
    objective: Objective,
    fit: Fit,
    jacobian: np.ndarray,
    picture: Curvature,
    i: int,
) -> Interval:
    variance = float(picture.covariance[i, i])
    u = variance**0.5
    parameter = likelihood.assembly.parameters[likelihood.free[i]]
    if parameter.has_prior or not np.isfinite(u) or fit.x[i] < _NEAR_ZERO * u:
        return profile_interval(objective, fit, jacobian, i, u)
    # Far from zero the squared width is normal to a good approximation.
    return Interval(max(fit.x[i] - 1.96 * u, 0.0), fit.x[i] + 1.96 * u, True, np.inf)
