"""Where an unfolding starts: sensitivities, and fractions from the signals as they are."""

import numpy as np

from craterfront.objective.likelihood import Likelihood
from craterfront.unfolding.unfolding_cells import cells_for
from craterfront.unfolding.unfolding_channels import (
    is_unknown,
    measured_elements,
    sensitivity_value,
)
from craterfront.unfolding.unfolding_model import UnfoldingModel, inexact_numbers

_TRACE = 1e-9  # where a reading shows nothing at all


def starting_model(likelihood: Likelihood) -> UnfoldingModel:
    """The model with sensitivities as written, or as a uniform rate would make them."""
    assembly = likelihood.assembly
    elements = measured_elements(assembly)
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
    written = np.array([sensitivity_value(c) for c in assembly.channels])
    free = np.array([is_unknown(c) for c in assembly.channels])
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


def first_fractions(model: UnfoldingModel) -> np.ndarray:
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
