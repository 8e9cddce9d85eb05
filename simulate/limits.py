"""Intervals of what cannot be negative: widths of interfaces, and layers too thin to be resolved.

One construction serves all of them: the profile of the likelihood with the even mixture of
chi-square distributions where the null hypothesis lies on the bound. Whether something differs from
zero is asked of the data: the prior of that very number has no say in it.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from craterfront.estimation import (
    Curvature,
    Fit,
    Interval,
    Objective,
    curvature,
    minimise,
    profile_interval,
    quadratic_form,
)
from craterfront.likelihood import Likelihood

_POORLY_KNOWN = 0.2  # of the logarithm of a thickness, the least of all: some 5 sigma from zero
_HAS_A_SAY = 0.1  # share of a channel in the variance of a width
_NEAR_ZERO = 5.0  # standard uncertainties within which a width gets its interval by profile

HELD = "held"
PRIOR_ALONE = "the data do not tell it from zero; its prior is left out of the limit"
BOUND_ALONE = "the data do not tell it from zero; the file says that it is larger"
SHORTFALL = "doubtful: it rests on {}, where the model falls short"
ROUGHNESS = "[roughness] is not written: roughness could make all of it"


@dataclass(frozen=True)
class WidthAnswer:
    """Width of one interface.

    Attributes
    ----------
    value_nm : float
        Most probable width, or the one that was held.
    lower_nm, upper_nm : float
        At 95 %; an upper limit alone (lower end 0) where it is not resolved; the value itself
        where it was held.
    resolved : bool
        The data tell it from zero.
    why : str
        Why it is not resolved, if not for the fit alone, or why to doubt it; else empty.
    """

    value_nm: float
    lower_nm: float
    upper_nm: float
    resolved: bool
    why: str = ""

    @property
    def is_held(self) -> bool:
        """The file says what it is; nothing was measured."""
        return self.why == HELD

    @property
    def is_limit(self) -> bool:
        """Nothing but an upper limit is known."""
        return not (self.resolved or self.is_held)


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
    count = len(assembly.layers) - 1
    jacobian = full[:, : len(likelihood.free)]
    by_parameter: dict[int, WidthAnswer] = {}
    for layer in range(count):
        report("widths", 0.9 + 0.1 * layer / max(count, 1))
        index = assembly.width_index(layer)
        if index in by_parameter:
            continue
        if index in likelihood.free:
            answer = _width(likelihood, objective, fit, jacobian, picture, index)
            channels = _doubtful_channels(likelihood, full, likelihood.free.index(index))
            if answer.resolved and channels:
                answer = replace(answer, why=SHORTFALL.format(", ".join(channels)))
        else:
            value = float(assembly.parameters[index].value)
            answer = WidthAnswer(value, value, value, False, HELD)
        by_parameter[index] = answer
    return {layer: by_parameter[assembly.width_index(layer)] for layer in range(count)}


def _width(
    likelihood: Likelihood,
    objective: Objective,
    fit: Fit,
    jacobian: np.ndarray,
    picture: Curvature,
    index: int,
) -> WidthAnswer:
    """Answer for a width that the fit was free to move."""
    i = likelihood.free.index(index)
    u = float(picture.covariance[i, i]) ** 0.5
    parameter = likelihood.assembly.parameters[index]
    has_prior, least = parameter.has_prior, parameter.lower
    alone = _from_data_alone(likelihood, fit, index) if has_prior or least > 0.0 else None
    why = ""
    near_zero = alone if alone is not None and not alone.resolved else None
    if near_zero is not None and has_prior:
        interval, why = near_zero, PRIOR_ALONE
    elif alone is not None or not np.isfinite(u) or fit.x[i] < _NEAR_ZERO * u:
        interval = profile_interval(objective, fit, jacobian, i, u)
    else:
        # Far from zero the squared width is normal to a good approximation.
        interval = Interval(max(fit.x[i] - 1.96 * u, 0.0), fit.x[i] + 1.96 * u, True, np.inf)
    value, lower, upper = (
        likelihood.coordinates.with_coordinate(fit.x, i, each)
        for each in (fit.x[i], interval.lower, interval.upper)
    )
    scale_u = _relative_u_of_rates(likelihood, picture, i)
    ends = np.clip(_with_scale(value, lower, upper, scale_u), least, parameter.upper)
    resolved = interval.resolved if alone is None else alone.resolved
    if near_zero is not None and not has_prior:
        why = BOUND_ALONE
    answer = WidthAnswer(value, float(ends[0]), float(ends[1]), resolved, why)
    if answer.resolved and not likelihood.assembly.setup.roughness.is_written("initial_nm"):
        return replace(answer, lower_nm=least, resolved=False, why=ROUGHNESS)
    return answer


def _doubtful_channels(likelihood: Likelihood, full: np.ndarray, i: int) -> list[str]:
    """Channels on which free parameter i rests, and of which the model falls short.

    The estimate is the residuals times a row of the pseudo-inverse; of white residuals the sum of
    squares is its variance.
    """
    short = likelihood.noise.falls_short
    if not short.any():
        return []
    size = np.maximum(np.linalg.norm(full, axis=0), 1e-300)
    row = np.linalg.pinv(full / size, rcond=1e-9)[i]
    of_channel = np.sum(row[: likelihood.values.size].reshape(len(short), -1) ** 2, axis=1)
    has_a_say = of_channel > _HAS_A_SAY * float(row @ row)
    names = [channel.name for channel in likelihood.assembly.channels]
    return [name for name, doubt in zip(names, short & has_a_say, strict=True) if doubt]


@dataclass(frozen=True)
class ThinLayer:
    """Interval of the thickness of a layer that is thin against what blurs it.

    Attributes
    ----------
    lower_nm, upper_nm : float
        At 95 %, from the data without the prior that stands for a guess.
    resolved : bool
        The data tell it from an infinitely thin one, which only shows how much of it there is
        (thickness times sensitivity); otherwise `upper_nm` is a limit.
    """

    lower_nm: float
    upper_nm: float
    resolved: bool


def thin_layers(likelihood: Likelihood, fit: Fit, picture: Curvature) -> dict[int, ThinLayer]:
    """Intervals of thicknesses that are known too poorly for one symmetric in the logarithm."""
    assembly = likelihood.assembly
    found: dict[int, ThinLayer] = {}
    for layer in range(len(assembly.layers) - 1):
        index = assembly.thickness_index(layer)
        if index not in likelihood.free or assembly.parameters[index].state != "free":
            continue
        i = likelihood.free.index(index)
        if not picture.covariance[i, i] ** 0.5 > _POORLY_KNOWN:
            continue
        alone = _from_data_alone(likelihood, fit, index)
        value, lower, upper = (
            likelihood.coordinates.with_coordinate(fit.x, i, each)
            for each in (fit.x[i], alone.lower, alone.upper)
        )
        scale_u = _relative_u_of_rates(likelihood, picture, i)
        lower, upper = _with_scale(value, lower if alone.resolved else 0.0, upper, scale_u)
        found[layer] = ThinLayer(lower, upper, alone.resolved)
    return found


def _from_data_alone(likelihood: Likelihood, fit: Fit, index: int) -> Interval:
    """Interval of a parameter without its own prior and least value."""
    objective = likelihood.objective(without_prior=index)
    best = minimise(objective, fit.x, tolerance=1e-5)
    jacobian = objective.jacobian(best.x)
    i = likelihood.free.index(index)
    u = float(curvature(jacobian).covariance[i, i]) ** 0.5
    return profile_interval(objective, best, jacobian, i, u)


def _relative_u_of_rates(likelihood: Likelihood, picture: Curvature, i: int) -> float:
    """Relative standard uncertainty of what turns the time of free parameter i into a length."""
    return quadratic_form(likelihood.coordinates.rate_powers(i), picture.covariance) ** 0.5


def _with_scale(value: float, lower: float, upper: float, scale_u: float) -> tuple[float, float]:
    """Add the relative uncertainty of the rates to an interval that was found in time."""
    spread = 1.96 * scale_u
    if lower <= 0.0 or value <= 0.0:
        return lower, float(upper * np.exp(spread))
    below = np.hypot(np.log(value / lower), spread)
    above = np.hypot(np.log(upper / value), spread)
    return float(value * np.exp(-below)), float(value * np.exp(above))
