"""Invert a measured profile: what the sample was, and how sure that is."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from craterfront.experiments.experiment import Experiment
from craterfront.fitting.alternatives import Alternative
from craterfront.fitting.best_fit import best_fit
from craterfront.fitting.channel_check import check_channels
from craterfront.fitting.inversion_notes import doubts, notes
from craterfront.fitting.limits import (
    Minimum,
    NearZero,
    ThinLayer,
    WidthAnswer,
    broadening_answers,
    thin_layers,
    width_answers,
)
from craterfront.forward_model.assembly import Assembly
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.objective.curvature import (
    Curvature,
    DataRank,
    curvature,
    data_rank,
    quadratic_form,
)
from craterfront.objective.estimation import Fit, Objective
from craterfront.objective.joint_prior import JointPrior
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.refusals import NotComputable
from craterfront.objective.scale import depth_scale, measured_crater_depth, require_depth_scale
from craterfront.objective.solution import Solution
from craterfront.problems import InputProblems
from craterfront.progress import Progress, silent


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
    scale_sources : list of str
        What fixes the depth scale.
    alternatives : list of Alternative
        Other samples that explain the profile about as well.
    doubts : list of str
        What forbids to decide anything on these numbers.
    notes : list of str
        What else a reader must know.
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
    scale_sources: list[str]
    alternatives: list[Alternative]
    doubts: list[str]
    notes: list[str]

    @property
    def warnings(self) -> list[str]:
        """All that a reader must know, doubts first."""
        return [*self.doubts, *self.notes]

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
    report = progress or silent
    likelihood, scale_sources = _likelihood(profile, experiment, relative, joint_prior)
    try:
        fit, others = best_fit(likelihood, report)
    except NotComputable as error:
        problem = f"cannot be computed: {error}; other guesses, or their min and max, may help"
        raise InputProblems([problem]) from error
    objective = likelihood.objective()
    solution, jacobian = likelihood.solve(fit.x), objective.jacobian(fit.x)
    full = likelihood.information_rows(fit.x)
    picture = _marginal(full, len(likelihood.free))
    further = ["times at nominal rates, no depths"] if relative else []
    further += notes(likelihood, solution, fit, picture)
    minimum = Minimum(likelihood, objective, fit, jacobian, picture)
    broadening, minimum = broadening_answers(minimum)
    widths = width_answers(minimum, full, report)
    thin = thin_layers(minimum)
    report("done", 1.0)
    return Inversion(
        experiment,
        profile,
        likelihood,
        objective,
        fit,
        solution,
        likelihood.coordinates.values(fit.x),
        minimum.picture,
        full,
        widths,
        broadening,
        thin,
        relative,
        _rank(likelihood, full),
        scale_sources,
        others,
        doubts(likelihood, fit, solution, others),
        further,
    )


def _likelihood(
    profile: MeasuredProfile,
    experiment: Experiment,
    relative: bool,
    joint_prior: Callable[[Assembly], JointPrior] | None,
) -> tuple[Likelihood, list[str]]:
    """What is to be inverted, checked; and what fixes its depth scale."""
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
        likelihood.depth_limit = measured_crater_depth(experiment.depth_scale)
    return likelihood, scale.sources


def _rank(likelihood: Likelihood, full: np.ndarray) -> DataRank:
    """Rank of the data's Fisher information, in units of the priors."""
    units = likelihood.coordinates.prior_units()
    return data_rank(full[: likelihood.values.size], units.size, units)


def _marginal(full: np.ndarray, count: int) -> Curvature:
    """Covariance of the parameters with the linear numbers marginalised."""
    picture = curvature(full)
    return Curvature(picture.covariance[:count, :count], picture.undetermined)
