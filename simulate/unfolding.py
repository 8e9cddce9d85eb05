"""Unfold a measured profile: composition against depth without layers, and how sure that is."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from craterfront.assembly import Assembly
from craterfront.channel import Channel
from craterfront.experiment import Experiment
from craterfront.inversion import check_channels
from craterfront.joined_readings import joined
from craterfront.likelihood import Likelihood
from craterfront.measured_profile import MeasuredProfile
from craterfront.models.smoothness import Smoothness, candidates
from craterfront.models.steep_parts import SteepPart, steep_parts
from craterfront.models.unfolding import (
    LinearReadings,
    Trial,
    Unfolded,
    contrasts,
    most_evident_prior,
)
from craterfront.noise_model import shortfall
from craterfront.parameters import is_free
from craterfront.problems import InputProblems, shown
from craterfront.quantities import Quantity
from craterfront.scale import depth_scale, require_depth_scale
from craterfront.unfolding_cells import cells_for
from craterfront.unfolding_model import (
    UNKNOWN_LN_SD,
    Mixture,
    UnfoldingModel,
    inexact_numbers,
    unknown_instrument,
)

Progress = Callable[[str, float], None]

METHOD = "maximum evidence (marginal likelihood)"
Z95 = 1.959964
REST = "rest"
"""Name of what has no channel."""

_MOST_READINGS = 1000
_MOST_ROUNDS = 12
_SEARCHED = 3  # first rounds in which the prior is found anew
_KERNEL_ROUNDS = (0, 2)  # in which the kernels are; they hardly depend on the composition
_SETTLED = 1e-3  # of a fraction
_POORLY_KNOWN = 0.5  # standard uncertainty of the logarithm of a sensitivity
_TRACE = 1e-9  # where a reading shows nothing at all
_SMALLEST_START = 1e-4  # amplitude from which the search begins
_CLEARLY = 3.0  # standard uncertainties by which a curve has to turn
_CONTRADICTING = 3.0  # standard uncertainties from what was written


@dataclass(frozen=True)
class Deviation:
    """A number that is not exactly known, after the readings.

    Attributes
    ----------
    name, kind : str
        As of a `Nuisance`.
    prior_u : float
        Standard uncertainty before.
    value, u : float
        Deviation from what was written, and its standard uncertainty.
    """

    name: str
    kind: str
    prior_u: float
    value: float
    u: float

    @property
    def in_prior_u(self) -> float:
        """The deviation in standard uncertainties before."""
        return self.value / self.prior_u


@dataclass(frozen=True)
class Unfolding:
    """A composition against depth.

    Attributes
    ----------
    experiment : Experiment
    model : UnfoldingModel
    posterior : Unfolded
    smoothness : Smoothness
        The prior of maximum evidence ...
    amplitude : ndarray
        ... and its amplitude for each measured element.
    elements : list of str
        The measured ones, and the rest if not all are.
    depth_edges_nm : ndarray, shape (K + 1,)
        Of the cells that the profile reaches.
    depth_u_nm : ndarray, shape (K,)
        Standard uncertainty of the depth scale in their middles.
    resolution_nm : ndarray, shape (E, K)
    fitted, residual : ndarray, shape (C, N)
        The unfolded composition folded again; deviations in standard deviations of the noise.
    steep : dict of str to list of SteepPart
        By element, what is as steep as the resolution allows.
    warnings : list of str
    scale_sources : list of str
        What fixes the depth scale.
    """

    experiment: Experiment
    model: UnfoldingModel
    posterior: Unfolded
    smoothness: Smoothness
    amplitude: np.ndarray
    elements: list[str]
    depth_edges_nm: np.ndarray
    depth_u_nm: np.ndarray
    resolution_nm: np.ndarray
    fitted: np.ndarray
    residual: np.ndarray
    steep: dict[str, list[SteepPart]]
    warnings: list[str]
    scale_sources: list[str]

    @property
    def depth_nm(self) -> np.ndarray:
        """Middles of the cells [nm]."""
        return 0.5 * (self.depth_edges_nm[1:] + self.depth_edges_nm[:-1])

    @property
    def fractions(self) -> np.ndarray:
        """Shape (E, K)."""
        return self.posterior.fractions[:, : self.depth_nm.size]

    def standard_uncertainty(self, *, nuisances: bool = True) -> np.ndarray:
        """Of the fractions, with or without what sensitivities and the like add, shape (E, K)."""
        u = self.posterior.standard_uncertainty(nuisances=nuisances)
        return u[:, : self.depth_nm.size]

    def deviations(self) -> list[Deviation]:
        """Numbers that are not exactly known, the one farthest from what was written first."""
        numbers, u = self.posterior.nuisance, np.diag(self.posterior.nuisance_covariance)
        found = [
            Deviation(each.name, each.kind, each.u, float(value), max(float(variance), 0.0) ** 0.5)
            for each, value, variance in zip(self.model.nuisances, numbers, u, strict=True)
        ]
        return sorted(found, key=lambda each: -abs(each.in_prior_u))

    def band(self) -> tuple[np.ndarray, np.ndarray]:
        """Intervals that hold 95 % in the mean over the depth, between 0 and 1."""
        reach = Z95 * self.standard_uncertainty()
        low, high = self.fractions - reach, self.fractions + reach
        return np.maximum(low, 0.0), np.minimum(high, 1.0)


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
    report = progress or (lambda stage, share: None)
    depth_axis = profile.axis == "depth"
    assembly = Assembly(
        experiment.stack, experiment.setup, depth_axis=depth_axis, merge_equal=False
    )
    check_channels(profile, assembly)
    _refuse(assembly, profile)
    scale = depth_scale(assembly, experiment.depth_scale, profile)
    require_depth_scale(scale, profile.source)
    _refuse_thickness(scale.sources, profile)
    if assembly.setup.detection.timing != "cycle":
        profile = joined(profile, _MOST_READINGS)
    try:
        model = _model(Likelihood(assembly, profile))
        return _rounds(model, experiment, scale.sources, report)
    except (ArithmeticError, np.linalg.LinAlgError) as error:
        raise InputProblems([f"cannot be unfolded: {error}"], profile.source) from error


# --- what cannot be unfolded -------------------------------------------------------------------


def _refuse(assembly: Assembly, profile: MeasuredProfile) -> None:
    """Stop at what needs layers, and at what nothing would fix."""
    setup = assembly.setup
    problems = [
        f"channel {shown(channel.name)} {key}: unfold cannot allow for it; use invert"
        for channel in assembly.channels
        for key in ("self_absorption_nm2_s", "hydrogen_effect")
        if channel.is_written(key)
    ]
    problems += [
        f"channel {shown(c.name)}: has no element, so unfolding cannot tell what it shows; "
        "leave it out"
        for c in assembly.channels
        if c.element is None
    ]
    by_layer = "is given by layer, and unfolding knows no layers; write one number"
    problems += [
        f"channel {shown(c.name)} sensitivity: {by_layer}"
        for c in assembly.channels
        if isinstance(c.sensitivity, dict)
    ]
    problems += [
        f"channel {shown(c.name)} sensitivity: is 0, so it shows nothing; leave it out"
        for c in assembly.channels
        if _value(c) == 0
    ]
    if isinstance(setup.mixing.length_nm, dict):
        problems.append(f"mixing length_nm: {by_layer}")
    if assembly.instrument(assembly.nominal).crater.ndim > 2:
        problems.append(f"crater curvature: {by_layer}")
    if profile.values_kind == "mass fraction":
        problems.append("the values are mass fractions; unfold takes intensities or atomic ones")
    problems += [
        f"{p.name}: is left open, and unfolding cannot tell it from the sample; write "
        "{ value = ..., u = ... }"
        for p in unknown_instrument(assembly)
    ]
    problems += [
        f"channel {shown(c.name)} background: cannot be told from a concentration; write "
        "{ value = ..., u = ... }"
        for c in assembly.channels
        if c.background.status == "guess"
    ]
    if not problems:
        problems = _unmeasured(assembly, profile)
    if problems:
        raise InputProblems(problems, profile.source)


def _unmeasured(assembly: Assembly, profile: MeasuredProfile) -> list[str]:
    """Where elements without a channel leave something open."""
    missing = [e for e in assembly.elements if e not in _measured(assembly)]
    if len(assembly.elements) == 1:
        return [f"the sample consists of {assembly.elements[0]} alone; nothing is to be unfolded"]
    if not missing:
        return []
    names = ", ".join(missing)
    free = [
        shown(c.name)
        for c in assembly.channels
        if _is_open(c) and profile.values_kind == "intensity"
    ]
    problems = []
    if free:
        problems.append(
            f"channel {', '.join(free)} sensitivity: not known, and without a channel for {names} "
            "the sum of all fractions does not give it; write { value = ..., u = ... }, or "
            "measure every element"
        )
    preference = assembly.instrument(assembly.nominal).preference
    if preference is not None and np.ptp(preference) > 0:
        problems.append(f"mixing preference: needs a channel for {names}, too")
    return problems


def _is_open(channel: Channel) -> bool:
    """Whether the file says nothing of the one sensitivity of a channel."""
    quantity = channel.sensitivity
    return isinstance(quantity, Quantity) and quantity.u is None and is_free(quantity)


def _measured(assembly: Assembly) -> list[str]:
    """Elements that some channel shows, in the order of the sample."""
    seen = {c.element for c in assembly.channels}
    seen |= {e for c in assembly.channels for e in c.interference}
    return [e for e in assembly.elements if e in seen]


def _refuse_thickness(sources: list[str], profile: MeasuredProfile) -> None:
    if sources == ["a layer of known thickness"]:
        problem = (
            "only a layer of known thickness fixes the depth scale, and unfolding knows no layers; "
            "write erosion_rate_nm_s with its uncertainty"
        )
        raise InputProblems([problem], profile.source)


# --- start -------------------------------------------------------------------------------------


def _model(likelihood: Likelihood) -> UnfoldingModel:
    """The model with sensitivities as written, or as a uniform rate would make them."""
    assembly = likelihood.assembly
    elements = _measured(assembly)
    complete = len(elements) == len(assembly.elements)
    count = len(assembly.channels)
    weight = np.zeros((count, len(elements)))
    columns = [assembly.elements.index(e) for e in elements]
    for response in assembly.responses:
        weight[response.channel] = response.projection.max(axis=0)[columns]
    rows, inexact = len(elements) - complete, inexact_numbers(likelihood)
    model = UnfoldingModel(
        likelihood,
        cells_for(assembly, likelihood.terms.parts, rows),
        elements,
        complete,
        np.ones(count),
        weight,
        np.array([c.background.value for c in assembly.channels]),
        np.array([0.0 if (w := c.contamination) is None else w.value for c in assembly.channels]),
        [n for n in inexact if n.kind != "instrument"],
        [n for n in inexact if n.kind == "instrument"],
    )
    model.sensitivity = _sensitivities(model)
    return model


def _sensitivities(model: UnfoldingModel) -> np.ndarray:
    """As written; free ones such that all fractions sum to one as well as they can."""
    from scipy.optimize import nnls

    assembly, likelihood = model.assembly, model.likelihood
    if likelihood.profile.values_kind != "intensity":
        return np.ones(len(assembly.channels))
    written = np.array([_value(c) for c in assembly.channels])
    free = np.array([_is_open(c) for c in assembly.channels])
    if not free.any():
        return written
    signal = np.maximum(_smooth_values(likelihood) - model.background[:, None], 0.0)
    first = _first_channels(model)
    total = np.full(signal.shape[1], _typical_atoms(model))
    for c in first:
        if not free[c]:
            total -= signal[c] / written[c]
    chosen = [c for c in first if free[c]]
    scale = np.maximum(signal[chosen].max(axis=1), 1e-300)
    share, _ = nnls((signal[chosen] / scale[:, None]).T, np.maximum(total, 0.0))
    share = np.maximum(share, 0.01 * max(share.max(), 1e-300))
    written[chosen] = scale / share
    for c in np.flatnonzero(free):
        if c not in chosen:  # another line of an element that has one
            element = assembly.channels[c].element
            twin = next(i for i in first if assembly.channels[i].element == element)
            ratio = (signal[c] @ signal[twin]) / max(signal[twin] @ signal[twin], 1e-300)
            written[c] = max(ratio, 1e-12) * written[twin]
    return written


def _value(channel: Channel) -> float:
    quantity = channel.sensitivity
    return quantity.value if isinstance(quantity, Quantity) else 1.0


def _first_channels(model: UnfoldingModel) -> list[int]:
    names = [channel.element for channel in model.assembly.channels]
    return [names.index(e) for e in model.elements if e in names]


def _typical_atoms(model: UnfoldingModel) -> float:
    """Atoms per nm2 and second that erosion of the materials removes, in the mean of their logs."""
    if not model.counts_atoms:
        return 1.0
    sample = model.assembly.sample(model.assembly.nominal)
    return float(np.exp(np.mean(np.log(sample.atomic_density_per_nm3 * sample.rate_nm_s))))


def _smooth_values(likelihood: Likelihood) -> np.ndarray:
    from scipy.ndimage import gaussian_filter1d

    width = max(likelihood.values.shape[1] / 200.0, 1.0)
    return gaussian_filter1d(likelihood.values, width, axis=1, mode="nearest")


def _first_fractions(model: UnfoldingModel) -> np.ndarray:
    """Signals over sensitivities, at the time at which each cell would arrive; with the rest."""
    likelihood, assembly = model.likelihood, model.assembly
    signal = np.maximum(_smooth_values(likelihood) - model.background[:, None], 0.0)
    share = np.zeros((len(model.elements), signal.shape[1]))
    for c in _first_channels(model):
        element = assembly.channels[c].element
        share[model.elements.index(str(element))] = signal[c] / model.sensitivity[c]
    if model.complete:
        share /= np.maximum(share.sum(axis=0), 1e-300)
    else:
        if likelihood.profile.values_kind == "intensity":
            share /= _typical_atoms(model)
        share /= np.maximum(share.sum(axis=0), 1.0)
        share = np.vstack([share, 1.0 - share.sum(axis=0)])
    dose = assembly.supplied_dose_s(likelihood.axis_values, assembly.nominal)
    middle = model.cells.middle_s
    found = np.stack([np.interp(middle, dose, row) for row in share]) + _TRACE
    return found / found.sum(axis=0)


# --- rounds ------------------------------------------------------------------------------------


def _rounds(
    model: UnfoldingModel, experiment: Experiment, sources: list[str], report: Progress
) -> Unfolding:
    """Linearise, find the prior, solve; until the fractions settle."""
    fractions, nuisance = _first_fractions(model), np.zeros(len(model.nuisances))
    unknowns = _unknowns(model)
    spread = fractions[: len(model.elements)].std(axis=1)
    log_amplitude = np.log(np.maximum(spread, _SMALLEST_START))
    smoothness, near = next(candidates(model.cells.count)), None
    for number in range(_MOST_ROUNDS):
        mixture = model.mixture(fractions)
        if number in _KERNEL_ROUNDS:
            model.update_kernels(mixture, fractions)
        readings, design = model.linearised(mixture, fractions, nuisance, *unknowns)
        readings = _with_final_depth(readings, model, mixture, nuisance, experiment)
        if number < _SEARCHED:
            tried = partial(_searching, report, number)
            smoothness, log_amplitude = most_evident_prior(readings, log_amplitude, near, tried)
            near = smoothness.length_cells
        posterior = Trial(readings, smoothness).posterior(log_amplitude)
        change = float(np.abs(posterior.fractions - fractions).max())
        fractions, nuisance = posterior.fractions, posterior.nuisance
        _update_shortfall(model, posterior, design, mixture)
        if number >= _SEARCHED and change < _SETTLED:
            break
    _require_known_sensitivities(model, posterior)
    report("done", 1.0)
    return _answer(model, experiment, sources, posterior, smoothness, np.exp(log_amplitude), change)


def _searching(report: Progress, number: int, share: float) -> None:
    """The first search takes most of the time."""
    done = 0.0 if number == 0 else 1.0 - 0.4 / number
    report("unfolding", done + share * (0.6 if number == 0 else 0.2))


def _unknowns(model: UnfoldingModel) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Contrast, offset and what has an amplitude."""
    count = len(model.elements)
    if model.complete:
        return contrasts(count), np.full(count, 1.0 / count), np.ones(count, dtype=bool)
    contrast = np.vstack([np.eye(count), -np.ones(count)])
    return contrast, np.append(np.zeros(count), 1.0), np.append(np.ones(count, dtype=bool), False)


def _with_final_depth(
    readings: LinearReadings,
    model: UnfoldingModel,
    mixture: Mixture,
    nuisance: np.ndarray,
    experiment: Experiment,
) -> LinearReadings:
    """The measured depth of the crater as one more reading."""
    final = experiment.depth_scale.final_crater_depth_nm
    if final is None or final.u is None or model.likelihood.profile.axis == "depth":
        return readings
    slopes, end = model.depth_slopes(mixture, nuisance), model.cells.supplied_s
    edges = _edges_nm(model, mixture, nuisance)
    depth = float(np.interp(end, model.cells.edges_s, edges))
    slope = np.array([np.interp(end, model.cells.edges_s, column) for column in slopes.T])
    u = float(final.u) or 1e-5 * float(final)
    row = np.append(np.zeros(readings.unknown), slope) / u
    wanted = (float(final) - depth) / u + row[readings.unknown :] @ nuisance
    return replace(
        readings, gram=readings.gram + np.outer(row, row), right=readings.right + wanted * row
    )


def _edges_nm(model: UnfoldingModel, mixture: Mixture, nuisance: np.ndarray) -> np.ndarray:
    thickness = model.rate_nm_s(mixture, nuisance) * model.cells.dose_s
    return np.append(0.0, np.cumsum(thickness))


def _update_shortfall(
    model: UnfoldingModel, posterior: Unfolded, design: np.ndarray, mixture: Mixture
) -> None:
    """What the noise leaves unexplained counts as noise, as in an inversion."""
    likelihood = model.likelihood
    solution = model.solution(mixture, posterior.fractions, posterior.nuisance)
    likelihood.update_weights(solution)
    rows = design.reshape(-1, design.shape[-1])
    leverage = np.sum((rows @ posterior.covariance) * rows, axis=1).reshape(design.shape[:2])
    leverage = np.where(likelihood.censored, 0.0, np.clip(leverage, 0.0, 1.0))
    bare = replace(likelihood.noise, shortfall=np.zeros(len(leverage)))
    variance = bare.variance(np.maximum(solution.model, 0.0), likelihood.interval)
    if bare.fluctuation is not None:
        variance = variance + (bare.fluctuation.spread * np.maximum(solution.signal, 0.0)) ** 2
    variance = np.maximum(variance, (bare.kappa[:, None] / likelihood.interval) ** 2)
    deviation = likelihood.values - solution.model
    found = [shortfall(*each) for each in zip(deviation, variance, leverage, strict=True)]
    likelihood.take_noise(replace(bare, shortfall=np.array(found)))


def _require_known_sensitivities(model: UnfoldingModel, posterior: Unfolded) -> None:
    u = np.sqrt(np.diag(posterior.nuisance_covariance))
    open_ones = [
        shown(model.assembly.channels[nuisance.index].name)
        for nuisance, own in zip(model.nuisances, u, strict=True)
        if nuisance.kind == "sensitivity" and nuisance.u == UNKNOWN_LN_SD and own > _POORLY_KNOWN
    ]
    if open_ones:
        problem = (
            f"channel {', '.join(open_ones)} sensitivity: not known, and the composition varies "
            "too little for the sum of all fractions to give it; write { value = ..., u = ... }"
        )
        raise InputProblems([problem], model.likelihood.profile.source)


# --- answer ------------------------------------------------------------------------------------


def _answer(
    model: UnfoldingModel,
    experiment: Experiment,
    sources: list[str],
    posterior: Unfolded,
    smoothness: Smoothness,
    amplitude: np.ndarray,
    change: float,
) -> Unfolding:
    mixture, nuisance = model.mixture(posterior.fractions), posterior.nuisance
    shown_cells = model.cells.shown
    edges = _edges_nm(model, mixture, nuisance)[: shown_cells + 1]
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
        smoothness,
        amplitude,
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
    u = found.standard_uncertainty()
    for e, element in enumerate(elements):
        found.steep[element] = steep_parts(
            found.depth_nm, found.fractions[e], _CLEARLY * u[e], resolution[e]
        )
    found.warnings.extend(_warnings(found, change))
    return found


def _contradictions(found: Unfolding) -> list[str]:
    """What the readings draw away from what was written, farther than chance does."""
    far = [each for each in found.deviations() if abs(each.in_prior_u) >= _CONTRADICTING]
    if not far:
        return []
    of_scale = any(each.kind in ("amount", "sensitivity") for each in far)
    what = "the depth scale is unreliable" if of_scale else "fractions are unreliable"
    numbers = ", ".join(f"{each.name} by {each.in_prior_u:+.1f}" for each in far)
    return [
        f"{what}: the readings contradict what was written, in its standard uncertainties {numbers}"
    ]


def _warnings(found: Unfolding, change: float) -> list[str]:
    """What a reader must know, first what matters most."""
    model, lines = found.model, _contradictions(found)
    if change > 10.0 * _SETTLED:
        lines.insert(0, "the rounds did not settle; take no number from this result")
    lines += [
        f"{element}, {part.start_nm:.4g} to {part.end_nm:.4g} nm: as steep as a sharp edge would "
        f"look at the resolution there, {part.resolution_nm:.2g} nm; it may be sharper, and ripples"
        " beside it are no structure"
        for element, parts in found.steep.items()
        for part in parts
    ]
    if any(found.steep.values()):
        lines.append("layers with sharp interfaces are better inverted: craterfront invert")
    noise = model.likelihood.noise
    lines += [
        f"channel {shown(channel.name)}: residuals are larger than the noise explains; the band is "
        "wider for it, but look at them"
        for channel, short in zip(model.assembly.channels, noise.shortfall, strict=True)
        if short > 0
    ]
    coarse = np.diff(found.depth_edges_nm) > 0.5 * found.resolution_nm.min(axis=0)
    if coarse.mean() > 0.1:
        lines.append(
            "the cells are hardly finer than the resolution: structure below "
            f"{2.0 * float(np.diff(found.depth_edges_nm).max()):.3g} nm cannot show"
        )
    if not model.complete:
        missing = [e for e in model.assembly.elements if e not in model.elements]
        lines.append(f"no channel for {', '.join(missing)}: together they are the rest of the sum")
    defaults = [shown(c.name) for c in model.assembly.channels if c.background.status == "default"]
    if defaults and model.likelihood.profile.values_kind == "intensity":
        lines.append(
            f"channel {', '.join(defaults)} background: not written, taken as 0; any that is there "
            "counts as concentration"
        )
    return lines
