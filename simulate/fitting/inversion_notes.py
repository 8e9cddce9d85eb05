"""What a reader of an inversion must know: doubts, and notes."""

from collections.abc import Iterable, Sequence

import numpy as np

from craterfront.fitting.alternatives import Alternative
from craterfront.forward_model.linear_numbers import at_written_bound
from craterfront.models.detection.dead_time import recorded_share
from craterfront.models.detection.emission import DEEPEST
from craterfront.notation.parameters import Parameter
from craterfront.objective.curvature import Curvature
from craterfront.objective.estimation import Fit
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.noise_model import LEAST_DITHER
from craterfront.objective.solution import Solution


def doubts(
    likelihood: Likelihood, fit: Fit, solution: Solution, others: list[Alternative]
) -> list[str]:
    """Where the intervals do not say how sure an answer is."""
    found = []
    if not fit.converged:
        found.append(f"the fit did not converge ({fit.message}); take no number from it")
    lower, upper = likelihood.coordinates.bounds()
    for i, index in enumerate(likelihood.free):
        p = likelihood.assembly.parameters[index]
        if p.may_be_zero:
            if _is_at_upper_bound(fit.x[i], upper[i]) and not p.widest_by_default:
                found.append(_at_upper_bound(p))
        elif fit.x[i] <= lower[i] + 1e-6 or fit.x[i] >= upper[i] - 1e-6:
            value = likelihood.coordinates.values(fit.x)[index]
            found.append(f"{p.name} is at a bound ({value:.4g} {p.unit})")
    linear = zip(
        likelihood.linear_names(), likelihood.linear_quantities(), solution.linear, strict=True
    )
    found += [
        f"{name} is at a bound ({number:.4g})"
        for name, quantity, number in linear
        if at_written_bound(number, quantity)
    ]
    return found + _of_others(likelihood, others)


def notes(likelihood: Likelihood, solution: Solution, fit: Fit, picture: Curvature) -> list[str]:
    """What else a reader must know."""
    assembly = likelihood.assembly
    _, upper = likelihood.coordinates.bounds()
    # No wider than the thinner neighbour is what nobody wrote: no reason to doubt anything else.
    found = [
        _at_upper_bound(assembly.parameters[index])
        for i, index in enumerate(likelihood.free)
        if assembly.parameters[index].widest_by_default and _is_at_upper_bound(fit.x[i], upper[i])
    ]
    for direction in picture.undetermined:
        strong = np.argsort(-np.abs(direction))[:4]
        names = [
            assembly.parameters[likelihood.free[i]].name if i < len(likelihood.free) else None
            for i in strong
            if abs(direction[i]) > 0.05
        ]
        named = [n for n in names if n]
        if named:
            found.append(f"the data do not fix a combination of: {'; '.join(named)}")
    noise = likelihood.noise
    if noise.fluctuation is not None and noise.fluctuation.found:
        unit = "nm" if likelihood.profile.axis == "depth" else "s"
        ((rms, correlation_s),) = noise.fluctuation.processes
        found.append(
            f"a fluctuation of {100.0 * rms:.2g} % common to all channels, "
            f"correlated over some {correlation_s:.2g} {unit}, was found and "
            "allowed for"
        )
    for c, channel in enumerate(assembly.channels):
        largest = float(np.max(np.abs(likelihood.values[c])))
        share = 100.0 * noise.shortfall[c] / max(largest, 1e-300)
        if noise.falls_short[c]:
            found.append(
                f"channel {channel.name}: the noise does not explain the residuals; the model "
                f"falls short by {share:.2g} % of full scale{_over(noise.correlation[c])}, and the "
                "intervals are wider for it"
            )
    found += _opaque(likelihood, fit)
    found += _of_detectors(likelihood, solution)
    if likelihood.profile.axis == "depth":
        found.append("the depth scale of the profile was taken on trust")
    return found + assembly.warnings


def by_profile(found: Iterable[tuple[str, Sequence[str]]]) -> list[str]:
    """What is said of several profiles, each with its own."""
    return [f"{profile}: {each}" for profile, said in found for each in said]


def _is_at_upper_bound(square: float, upper: float) -> bool:
    return square >= upper * (1 - 1e-6)


def _at_upper_bound(p: Parameter) -> str:
    return f"{p.name} is at its upper bound of {p.upper:.4g} {p.unit}"


def _of_others(likelihood: Likelihood, others: list[Alternative]) -> list[str]:
    """A note on each solution that is about as probable."""
    return [
        f"another sample explains the profile about as well (odds {other.odds:.2g} to 1):"
        f" {other.described(likelihood)}"
        for other in others
    ]


def _opaque(likelihood: Likelihood, fit: Fit) -> list[str]:
    """A note on each channel whose line hardly grows any more with its element."""
    assembly = likelihood.assembly
    if all(channel.self_absorption_nm2_s is None for channel in assembly.channels):
        return []
    held_back = -np.expm1(-likelihood.optical_depths(fit.x).max(axis=1))
    return [
        f"channel {channel.name}: self-absorption lets through at most {1.0 / share:.2f} times what"
        " is seen; there the signal hardly tells how much of the element there is"
        for channel, share in zip(assembly.channels, held_back, strict=True)
        if share > -np.expm1(-DEEPEST)
    ]


def _of_detectors(likelihood: Likelihood, solution: Solution) -> list[str]:
    """Notes on what was corrected, and on rounding that noise does not average out."""
    detectors, found = likelihood.detectors, []
    deviation = np.sqrt(likelihood.noise.variance(solution.model, likelihood.interval))
    for c, name in enumerate(detectors.names):
        if detectors.dead_time_s[c] > 0:
            rate_per_s = detectors.counts_per_unit_s * float(likelihood.values[c].max())
            lost = recorded_share(rate_per_s, detectors.dead_time_s[c])
            found.append(
                f"channel {name}: readings were corrected for the dead time, which took up to"
                f" {100.0 * (1.0 - lost):.2g} % of the counts"
            )
        own_variance = np.median(deviation[c]) ** 2 - detectors.step[c] ** 2 / 12.0
        if own_variance < (LEAST_DITHER * detectors.step[c]) ** 2:
            found.append(
                f"channel {name}: half of its readings scatter by less than half a reading_step;"
                " what rounding does to them does not average out, and the intervals allow for it"
            )
    return found


def _over(readings: float) -> str:
    """Over how many readings a misfit is correlated, if over more than one."""
    return f" over some {round(readings)} readings" if readings >= 1.5 else ""
