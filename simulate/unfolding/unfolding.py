"""Unfold a measured profile: composition against depth without layers, and how sure that is."""

from dataclasses import replace

import numpy as np

from craterfront.experiments.experiment import Experiment
from craterfront.fitting.channel_check import check_channels
from craterfront.forward_model.assembly import Assembly
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.models.unfolding.steep_parts import SteepPart, steep_parts
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.scale import depth_scale, require_depth_scale
from craterfront.problems import InputProblems
from craterfront.progress import Progress, silent
from craterfront.unfolding.joined_readings import joined
from craterfront.unfolding.unfolding_model import UnfoldingModel
from craterfront.unfolding.unfolding_notes import notes
from craterfront.unfolding.unfolding_refusals import (
    refuse,
    refuse_thickness,
    require_known_sensitivities,
)
from craterfront.unfolding.unfolding_result import REST, Unfolding
from craterfront.unfolding.unfolding_rounds import Settled, settle
from craterfront.unfolding.unfolding_start import starting_model

_MOST_READINGS = 1000
_CLEARLY = 3.0  # standard uncertainties by which a curve has to turn


def unfold(
    profile: MeasuredProfile, experiment: Experiment, *, progress: Progress | None = None
) -> Unfolding:
    """Composition against depth from a measured profile, without layers.

    Fractions of all measured elements in cells of equal time, not negative, with a sum of one where
    every element of the sample has a channel. How smooth they are is found from the data by maximum
    evidence. The experiment gives the instrument and the materials whose rates and densities hold
    in between; its layers serve for nothing else.

    Parameters
    ----------
    profile : MeasuredProfile
        Needs a channel of the name of each channel of the experiment.
    experiment : Experiment
    progress : callable, optional
        Called with a stage and the share done.

    Returns
    -------
    Unfolding

    Raises
    ------
    InputProblems
        When nothing fixes the depth scale or the sensitivities, or where the experiment has what
        only layers can have.
    """
    report = progress or silent
    depth_axis = profile.axis == "depth"
    assembly = Assembly(
        experiment.stack, experiment.setup, depth_axis=depth_axis, merge_equal=False
    )
    check_channels(profile, assembly)
    refuse(assembly, profile)
    scale = depth_scale(assembly, experiment.depth_scale, profile)
    require_depth_scale(scale, profile.source)
    refuse_thickness(scale.sources, profile)
    if assembly.setup.detection.timing != "cycle":
        profile = joined(profile, _MOST_READINGS)
    try:
        model = starting_model(Likelihood(assembly, profile))
        found = settle(model, experiment, report)
        require_known_sensitivities(model, found.posterior)
        report("done", 1.0)
        return _answer(model, experiment, scale.sources, found)
    except (ArithmeticError, np.linalg.LinAlgError) as error:
        raise InputProblems([f"cannot be unfolded: {error}"], profile.source) from error


def _answer(
    model: UnfoldingModel,
    experiment: Experiment,
    sources: list[str],
    settled: Settled,
) -> Unfolding:
    """The composition against the depth that it implies, as far as the profile reaches."""
    posterior = settled.posterior
    mixture, nuisance = model.mixture(posterior.fractions), posterior.nuisance
    shown_cells = model.cells.shown
    edges = model.depth_edges_nm(mixture, nuisance)[: shown_cells + 1]
    slopes = model.depth_slopes(mixture, nuisance)[: shown_cells + 1]
    middle = 0.5 * (slopes[1:] + slopes[:-1])
    variance = np.einsum("kq,qp,kp->k", middle, posterior.nuisance_covariance, middle)
    solution = model.solution(mixture, posterior.fractions, nuisance)
    thickness = np.diff(edges)
    resolution = posterior.resolution_cells()[:, :shown_cells] * thickness
    resolution = np.minimum(resolution, edges[-1])
    elements = model.elements if model.complete else [*model.elements, REST]
    found = Unfolding(
        experiment,
        model,
        posterior,
        settled.smoothness,
        settled.amplitude,
        elements,
        edges,
        np.sqrt(np.maximum(variance, 0.0)),
        resolution,
        solution.model,
        model.likelihood.standardised(solution),
        {},
        [],
        sources,
    )
    found = replace(found, steep=_steep(found))
    return replace(found, warnings=notes(found, settled.is_steady))


def _steep(found: Unfolding) -> dict[str, list[SteepPart]]:
    """By element, what is as steep as the resolution allows."""
    rows = zip(
        found.elements,
        found.fractions,
        found.standard_uncertainty(),
        found.resolution_nm,
        strict=True,
    )
    return {
        element: steep_parts(found.depth_nm, fraction, _CLEARLY * u, resolution_nm)
        for element, fraction, u, resolution_nm in rows
    }
