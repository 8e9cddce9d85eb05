"""Invert a measured profile: what the sample was, and how sure that is."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from craterfront.alternatives import Alternative, alternatives
from craterfront.assembly import Assembly
from craterfront.discrepancy import update_discrepancy
from craterfront.estimation import (
    Curvature,
    DataRank,
    Fit,
    Objective,
    curvature,
    data_rank,
    minimise,
    quadratic_form,
)
from craterfront.experiment import Experiment
from craterfront.joint_prior import JointPrior
from craterfront.likelihood import Likelihood
from craterfront.limits import (
    NearZero,
    ThinLayer,
    WidthAnswer,
    broadening_answers,
    thin_layers,
    width_answers,
)
from craterfront.linear_numbers import at_written_bound
from craterfront.measured import MeasuredProfile
from craterfront.models.dead_time import recorded_share
from craterfront.models.emission import DEEPEST
from craterfront.noise_model import LEAST_DITHER
from craterfront.parameters import Parameter
from craterfront.problems import InputProblems, shown
from craterfront.refusals import NotComputable
from craterfront.scale import depth_scale, require_depth_scale
from craterfront.solution import Solution
from craterfront.starts import coarse_fits

Progress = Callable[[str, float], None]
"""Called with what is being done and the share that is done."""

_ROUNDS = 5
_STEADY = 0.1  # relative change of a variance below which the noise model has settled


@dataclass(frozen=True)
class Inversion:
    """Everything an inversion found; `results` turns it into tables.

    Attributes
    ----------
    experiment : Experiment
    profile : MeasuredProfile
    likelihood : Likelihood
    objective : Objective
    fit : Fit
    solution : Solution
    values : ndarray
        Most probable value of every parameter.
    curvature : Curvature
        Of the free parameters, in the coordinates of the likelihood.
    jacobian : ndarray, shape (R, P + Q)
        Of all residuals at the minimum, by the free parameters and the free linear numbers.
    widths : dict of int to WidthAnswer
        By layer.
    broadening : dict of int to NearZero
        By parameter, of the instrument where it is free.
    thin_layers : dict of int to ThinLayer
        By layer, where the thickness is poorly known.
    relative : bool
        Times at nominal rates instead of depths.
    rank : DataRank
        Which combinations of the free parameters the data fix, and which rest on priors.
    warnings : list of str
        First what a reader must know first.
    scale_sources : list of str
        What fixes the depth scale.
    alternatives : list of Alternative
        Other samples that explain the profile about as well.
    doubts : list of str
        What forbids to decide anything on these numbers; each is among the warnings as well.
    """

    experiment: Experiment
    profile: MeasuredProfile
    likelihood: Likelihood
    objective: Objective
    fit: Fit
    solution: Solution
    values: np.ndarray
    curvature: Curvature
    jacobian: np.ndarray
    widths: dict[int, WidthAnswer]
    broadening: dict[int, NearZero]
    thin_layers: dict[int, ThinLayer]
    relative: bool
    rank: DataRank
    warnings: list[str]
    scale_sources: list[str]
    alternatives: list[Alternative]
    doubts: list[str]

    def combinations_resting_on_priors(self) -> list[str]:
        """The combinations of parameters that the data do not fix, in words."""
        parameters, free = self.likelihood.assembly.parameters, self.likelihood.free
        described = []
        for direction in self.rank.resting:
            part = np.abs(direction)
            strong = [i for i in np.argsort(-part) if part[i] > 0.5 * part.max()][:4]
            described.append(" with ".join(parameters[free[i]].name for i in strong))
        return described

    def standard_uncertainty(self, index: int) -> float:
        """Of a parameter, in its unit; 0 where it was held."""
        return self.uncertainty_of_sum({index: 1.0})

    def uncertainty_of_sum(self, weights: Mapping[int, float]) -> float:
        """Standard uncertainty of a weighted sum of parameters.

        One that the readings do not bear on counts with its prior.
        """
        slope = np.zeros(len(self.likelihood.free))
        apart = 0.0
        for index, weight in weights.items():
            parameter = self.likelihood.assembly.parameters[index]
            if index in self.likelihood.free:
                slope += weight * self.likelihood.coordinates.gradient(index, self.values)
            elif parameter.has_prior:
                apart += (weight * parameter.u) ** 2
        return (quadratic_form(slope, self.curvature.covariance) + apart) ** 0.5


def invert(
    profile: MeasuredProfile,
    experiment: Experiment,
    *,
    relative: bool = False,
    progress: Progress | None = None,
    joint_prior: Callable[[Assembly], JointPrior] | None = None,
) -> Inversion:
    """Most probable sample behind a measured profile, with uncertainties.

    Maximum of the posterior with a Laplace covariance; by profile likelihood what is near zero:
    widths, and free broadening by the instrument.

    Parameters
    ----------
    profile : MeasuredProfile
        Needs a channel of the name of each channel of the experiment.
    experiment : Experiment
        The supposed stack with guesses and priors, and the instrument.
    relative : bool
        Answer in seconds at nominal rates; for profiles whose depth scale nothing fixes.
    progress : callable, optional
        Called with a stage and the share done.
    joint_prior : callable, optional
        What is known of several numbers of the assembly together.

    Returns
    -------
    Inversion

    Raises
    ------
    InputProblems
        When nothing fixes the depth scale, a graded layer is not exactly known, the profile does
        not fit the experiment, or the fit leads to a sample that cannot be computed.
    """
    report = progress or (lambda stage, share: None)
    not_held = list(experiment.stack.not_held())
    if not_held:
        raise InputProblems(not_held)
    depth_axis = profile.axis == "depth"
    assembly = Assembly(
        experiment.stack, experiment.setup, depth_axis=depth_axis, merge_equal=False
    )
    check_channels(profile, assembly)
    known_together = None if joint_prior is None else joint_prior(assembly)
    scale = depth_scale(assembly, experiment.depth_scale, profile)
    if relative:
        assembly = assembly.at_nominal_rates()
    else:
        require_depth_scale(scale, profile.source)
    likelihood = Likelihood(assembly, profile, known_together)
    if not relative and not depth_axis:
        final = experiment.depth_scale.final_crater_depth_nm
        if final is not None and final.u is not None:
            # Exactly known: known far better than anything else.
            likelihood.depth_limit = (float(final), float(final.u) or 1e-5 * float(final))
    try:
        fit, others = _fit(likelihood, report)
    except NotComputable as error:
        problem = f"cannot be computed: {error}; other guesses, or their min and max, may help"
        raise InputProblems([problem]) from error
    objective = likelihood.objective()
    solution, jacobian = likelihood.solve(fit.x), objective.jacobian(fit.x)
    full = likelihood.information_rows(fit.x)
    picture = _marginal(full, len(likelihood.free))
    doubts = _doubts(likelihood, fit, solution, others)
    warnings = [*doubts, *_warnings(likelihood, solution, fit, picture)]
    if relative:
        warnings.insert(0, "times at nominal rates, no depths")
    broadening, picture = broadening_answers(likelihood, objective, fit, jacobian, picture)
    widths = width_answers(likelihood, objective, fit, jacobian, full, picture, report)
    thin = thin_layers(likelihood, fit, picture)
    report("done", 1.0)
    return Inversion(
        experiment,
        profile,
        likelihood,
        objective,
        fit,
        solution,
        likelihood.coordinates.values(fit.x),
        picture,
        full,
        widths,
        broadening,
        thin,
        relative,
        _rank(likelihood, full),
        warnings,
        scale.sources,
        others,
        doubts,
    )


def _rank(likelihood: Likelihood, full: np.ndarray) -> DataRank:
    """Rank of the data's Fisher information, in units of the priors."""
    units = likelihood.coordinates.prior_units()
    return data_rank(full[: likelihood.values.size], units.size, units)


def check_channels(profile: MeasuredProfile, assembly: Assembly) -> None:
    """Stop where the profile lacks a channel, or where its axis or values rule out what is written.

    Raises
    ------
    InputProblems
    """
    wanted = [channel.name for channel in assembly.channels]
    missing = [name for name in wanted if name not in profile.channels]
    if missing:
        known = ", ".join(shown(name) for name in profile.channels[:8])
        raise InputProblems(
            [f"channel {shown(name)}: not in the profile, which has {known}" for name in missing],
            profile.source,
        )
    dark = [
        name
        for name in wanted
        if not np.any(profile.values[profile.channels.index(name)] > 0)
        and np.any(profile.values[profile.channels.index(name)] < 0)
    ]
    if dark:
        raise InputProblems(
            [f"channel {shown(name)}: no reading is above 0" for name in dark], profile.source
        )
    intensity_against_time = profile.axis == "time" and profile.values_kind == "intensity"
    per_time = [
        f"channel {shown(channel.name)} {key}"
        for channel in assembly.channels
        for key in ("self_absorption_nm2_s", "hydrogen_effect", "dead_time_s", "contamination")
        if channel.is_written(key)
    ]
    if profile.axis == "depth":
        setup = assembly.setup
        in_seconds = {
            "start_up": setup.start_up,
            "surface_transient": setup.surface_transient,
            "detection residence_s": setup.detection.residence_s,
            "noise flicker": setup.noise.flicker,
            "noise one_over_f": setup.noise.one_over_f,
        }
        per_time += [place for place, written in in_seconds.items() if written is not None]
    if per_time and not intensity_against_time:
        what = f"the profile has {profile.values_kind} against {profile.axis}"
        raise InputProblems(
            [f"{place}: means intensities against time; {what}" for place in per_time],
            profile.source,
        )
    if profile.middle[0] < 0:
        raise InputProblems(
            [f"the {profile.axis} axis begins at {profile.middle[0]:g}; it must not be below 0"],
            profile.source,
        )
    if profile.values.shape[1] < 10:
        raise InputProblems(
            [f"{profile.values.shape[1]} readings are too few to invert"], profile.source
        )


def _fit(likelihood: Likelihood, report: Progress) -> tuple[Fit, list[Alternative]]:
    """The best of all starts, and what is about as probable."""
    report("coarse fit", 0.0)
    starts = coarse_fits(likelihood)
    best = _refined(likelihood, starts[0].x, report)
    report("other solutions", 0.85)
    others = alternatives(likelihood, best, starts[1:])
    if others and others[0].odds > 1.0:
        starts[1:] = [best, *(other.fit for other in others[1:])]
        best = _refined(likelihood, others[0].fit.x, report)
        others = alternatives(likelihood, best, starts[1:])
    return best, others


def _refined(likelihood: Likelihood, x: np.ndarray, report: Progress) -> Fit:
    """Noise, discrepancy and slices are brought up to date as the fit goes on."""
    likelihood.replan(x)
    likelihood.update_weights(likelihood.solve(x))
    for round_number in range(_ROUNDS):
        report("fit", 0.4 + 0.4 * round_number / _ROUNDS)
        likelihood.replan(x)
        x = minimise(likelihood.objective(), x, tolerance=1e-5).x
        likelihood.update_weights(likelihood.solve(x))
        if update_discrepancy(likelihood, x) < _STEADY:
            break
    objective = likelihood.objective()
    fit = minimise(objective, x, tolerance=1e-9)
    # What has come close to zero hardly shows and may have stopped there on its way.
    again = likelihood.coordinates.with_room(fit.x)
    if not np.array_equal(again, fit.x):
        other = minimise(objective, again, tolerance=1e-9)
        fit = min(fit, other, key=lambda each: each.cost)
    return fit


def _marginal(full: np.ndarray, count: int) -> Curvature:
    """Covariance of the parameters with the linear numbers marginalised."""
    picture = curvature(full)
    return Curvature(picture.covariance[:count, :count], picture.undetermined)


def _doubts(
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


def _is_at_upper_bound(square: float, upper: float) -> bool:
    return square >= upper * (1 - 1e-6)


def _at_upper_bound(p: Parameter) -> str:
    return f"{p.name} is at its upper bound of {p.upper:.4g} {p.unit}"


def _warnings(
    likelihood: Likelihood, solution: Solution, fit: Fit, picture: Curvature
) -> list[str]:
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
