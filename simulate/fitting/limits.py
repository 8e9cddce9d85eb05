"""Intervals of what may be zero: widths, broadening by the instrument, layers that are too thin.

One construction serves all of them: the profile of the likelihood with the even mixture of
chi-square distributions where the null hypothesis lies on the bound. Whether something differs from
zero is asked of the data: the prior of that very number has no say in it.
"""

from dataclasses import dataclass, replace

import numpy as np

from craterfront.fitting.own_unit import OwnUnit
from craterfront.forward_model.assembly import Assembly
from craterfront.objective.curvature import Curvature, curvature, quadratic_form
from craterfront.objective.estimation import Z95, Fit, Objective, minimise
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.profile_likelihood import Interval, profile_fit, profile_interval
from craterfront.progress import Progress

_POORLY_KNOWN = 0.2  # of the logarithm of a thickness, the least of all: some 5 sigma from zero
_HAS_A_SAY = 0.1  # share of a channel in the variance of a width
_NEAR_ZERO = 5.0  # standard uncertainties within which a width gets its interval by profile

HELD = "held"
PRIOR_ALONE = "the data do not tell it from zero; its prior is left out of the limit"
BOUND_ALONE = "the data do not tell it from zero; the file says that it is larger"
SHORTFALL = "doubtful: it rests on {}, where the model falls short"
ROUGHNESS = "[roughness] is not written: roughness could make all of it"
MONOLAYERS = "statistical roughness counts in monolayers, and the rates are unknown"


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


@dataclass(frozen=True)
class Minimum:
    """Where a fit has ended.

    Attributes
    ----------
    likelihood : Likelihood
    objective : Objective
    fit : Fit
    jacobian : ndarray, shape (R, P)
        Of all residuals by the free parameters.
    picture : Curvature
        Of the free parameters.
    """

    likelihood: Likelihood
    objective: Objective
    fit: Fit
    jacobian: np.ndarray
    picture: Curvature


def width_answers(at: Minimum, full: np.ndarray, report: Progress) -> dict[int, WidthAnswer]:
    """Width of every interface with its interval.

    Parameters
    ----------
    at : Minimum
    full : ndarray, shape (R, P + Q)
        Of all residuals, by the free parameters and the free linear numbers.
    report : callable
        Called with a stage and the share done.
    """
    likelihood = at.likelihood
    assembly = likelihood.assembly
    count = len(assembly.layers) - 1
    by_parameter: dict[int, WidthAnswer] = {}
    for layer in range(count):
        report("widths", 0.9 + 0.1 * layer / max(count, 1))
        index = assembly.width_index(layer)
        if index in by_parameter:
            continue
        if index in likelihood.free:
            answer = _width(at, index)
            channels = _doubtful_channels(likelihood, full, likelihood.free.index(index))
            if answer.resolved and channels:
                answer = replace(answer, why=SHORTFALL.format(", ".join(channels)))
        else:
            value = float(assembly.parameters[index].value)
            answer = WidthAnswer(value, value, value, False, HELD)
        by_parameter[index] = answer
    return {layer: by_parameter[assembly.width_index(layer)] for layer in range(count)}


def _width(at: Minimum, index: int) -> WidthAnswer:
    """Answer for a width that the fit was free to move."""
    answer, likelihood = _may_be_zero(at, index), at.likelihood
    value = float(likelihood.coordinates.values(at.fit.x)[index])
    why = why_never_resolved(likelihood.assembly)
    if answer.resolved and why:
        lower = likelihood.assembly.parameters[index].lower
        return WidthAnswer(value, lower, answer.upper, False, why)
    return WidthAnswer(value, answer.lower, answer.upper, answer.resolved, answer.why)


def why_never_resolved(assembly: Assembly) -> str:
    """Why no profile could tell any width from zero; empty where one could."""
    rough = assembly.setup.roughness
    if not rough.tells_the_initial:
        return ROUGHNESS
    if rough.growth == "statistical" and not assembly.knows_rates:
        return MONOLAYERS
    return ""


@dataclass(frozen=True)
class NearZero:
    """Interval of a number that may be zero, in its unit.

    Attributes
    ----------
    lower, upper : float
        At 95 %; the end that is nearer to zero is zero, or the least that the file allows, where
        the other one is a limit.
    resolved : bool
        The data tell it from zero.
    why : str
        Why it is not resolved, if not for the fit alone; else empty.
    ends : tuple of float
        The interval in the coordinate of its own unit (`OwnUnit`).
    """

    lower: float
    upper: float
    resolved: bool
    why: str
    ends: tuple[float, float]


def broadening_answers(at: Minimum) -> tuple[dict[int, NearZero], Minimum]:
    """Intervals of all broadening by the instrument that is free, by parameter.

    Returns
    -------
    dict of int to NearZero
    Minimum
        With what is not resolved spread over its interval in the picture: the curvature at one
        point of it says too little or too much, of the others as well.
    """
    likelihood = at.likelihood
    found: dict[int, NearZero] = {}
    for resolved in (False, True):
        for index in likelihood.free:
            if likelihood.assembly.parameters[index].broadens and index not in found:
                answer = _may_be_zero(at, index)
                if answer.resolved == resolved:
                    found[index] = answer
        if not resolved:
            loose = {likelihood.free.index(index): answer.ends for index, answer in found.items()}
            picture = Curvature(_spread_over(at, loose), at.picture.undetermined)
            at = replace(at, picture=picture)
    return found, at


def _spread_over(at: Minimum, loose: dict[int, tuple[float, float]]) -> np.ndarray:
    """Covariance in which the refits at either end stand for what is not resolved.

    That number is held, and the larger of the steps to the refits at zero and at the limit, each
    over its standard deviations, is a direction in which all parameters are uncertain.
    """
    coordinates, covariance = at.likelihood.coordinates, at.picture.covariance
    steps = [_largest_step(at, OwnUnit(coordinates, i), ends) for i, ends in loose.items()]
    for i in loose:
        if np.isfinite(covariance[i, i]) and covariance[i, i] > 0:
            along = covariance[:, i] / covariance[i, i] ** 0.5
            covariance = covariance - np.outer(along, along)
            covariance[i], covariance[:, i] = 0.0, 0.0  # to rounding
    for step in steps:
        covariance = covariance + np.outer(step, step)
    return covariance


def _largest_step(at: Minimum, own: OwnUnit, ends: tuple[float, float]) -> np.ndarray:
    """From the minimum to a refit with a number at an end of its interval, per deviation."""
    best, slopes = own.fit(at.fit), own.slopes(at.jacobian, at.fit.x)
    held = [profile_fit(own.objective(at.objective), best, slopes, own.i, end) for end in ends]
    steps = [
        (own.back(each.x) - at.fit.x) / max(1.0, max(each.cost - at.fit.cost, 0.0) ** 0.5)
        for each in held
    ]
    return max(steps, key=lambda step: abs(step[own.i]))


def _may_be_zero(at: Minimum, index: int) -> NearZero:
    """Interval of a number of which the fit moved the square."""
    likelihood = at.likelihood
    i, coordinates = likelihood.free.index(index), likelihood.coordinates
    own = OwnUnit(coordinates, i)
    best = own.fit(at.fit)
    u = _u_of_own(own, at.fit, at.picture)
    parameter = likelihood.assembly.parameters[index]
    bounded = coordinates.bounds()[0][i] > coordinates.nothing(i)
    has_prior = parameter.has_prior or index in likelihood.joint_prior.within
    alone = _from_data_alone(likelihood, at.fit, index) if has_prior or bounded else None
    why = ""
    near_zero = alone if alone is not None and not alone.resolved else None
    if near_zero is not None and has_prior:
        interval, why = near_zero, PRIOR_ALONE
    elif alone is not None or parameter.broadens or not best.x[i] >= _NEAR_ZERO * u:
        # What the instrument adds may show in a higher power: then curvature tells too small a u.
        slopes = own.slopes(at.jacobian, at.fit.x)
        interval = profile_interval(own.objective(at.objective), best, slopes, i, u)
    else:
        # Far from zero the square is normal to a good approximation.
        interval = Interval(max(best.x[i] - Z95 * u, 0.0), best.x[i] + Z95 * u, True, np.inf)
    resolved = interval.resolved if alone is None else alone.resolved
    if index in likelihood.joint_prior.within:  # which is left out no better than near its mean
        resolved = resolved and interval.resolved
    if near_zero is not None and not has_prior:
        why = BOUND_ALONE
    lowest, highest = own.value(interval.lower), own.value(interval.upper)
    if not (interval.resolved or bounded):
        lowest = 0.0
    low, high = sorted((lowest, highest))
    least = min(parameter.lower, 0.0) if not bounded else parameter.lower
    ends = interval.lower, interval.upper
    return NearZero(max(low, least), min(high, parameter.upper), resolved, why, ends)


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


def thin_layers(at: Minimum) -> dict[int, ThinLayer]:
    """Intervals of thicknesses that are known too poorly for one symmetric in the logarithm."""
    likelihood = at.likelihood
    assembly = likelihood.assembly
    found: dict[int, ThinLayer] = {}
    for layer in range(len(assembly.layers) - 1):
        index = assembly.thickness_index(layer)
        if index not in likelihood.free or assembly.parameters[index].state != "free":
            continue
        i = likelihood.free.index(index)
        if not at.picture.covariance[i, i] ** 0.5 > _POORLY_KNOWN:
            continue
        alone, own = _from_data_alone(likelihood, at.fit, index), OwnUnit(likelihood.coordinates, i)
        lower = own.value(alone.lower) if alone.resolved else 0.0
        found[layer] = ThinLayer(lower, own.value(alone.upper), alone.resolved)
    return found


def _from_data_alone(likelihood: Likelihood, fit: Fit, index: int) -> Interval:
    """Interval of a parameter without its own prior and least value."""
    objective = likelihood.objective(without_prior=index)
    best = minimise(objective, fit.x, tolerance=1e-5)
    jacobian = objective.jacobian(best.x)
    own = OwnUnit(likelihood.coordinates, likelihood.free.index(index))
    u = _u_of_own(own, best, curvature(jacobian))
    slopes = own.slopes(jacobian, best.x)
    return profile_interval(own.objective(objective), own.fit(best), slopes, own.i, u)


def _u_of_own(own: OwnUnit, fit: Fit, picture: Curvature) -> float:
    """Laplace standard uncertainty of a number's coordinate in its own unit."""
    return quadratic_form(own.gradient(fit.x), picture.covariance) ** 0.5
