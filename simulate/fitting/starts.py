"""Where a fit starts: from the guesses, and from the profile itself.

Guesses of rates, or of all thicknesses, tend to be wrong together, and where layers look alike a
fit takes the nearest for its own. So a common factor of all durations is tried, and the profile is
divided at the places where its channels change. What explains the smoothed profile best is refined
from coarse to fine.
"""

from typing import NamedTuple

import numpy as np

from craterfront.fitting.coarse_objective import CoarseMisfit
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.linear_numbers import solve_linear
from craterfront.models.measurands.change_points import change_points
from craterfront.notation.parameters import THICKNESS_LN_SD
from craterfront.objective.estimation import Fit, Objective, minimise
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.refusals import NotComputable

# Coarse stages: smoothing as a share of the profile, tolerance as a share of full scale, and
# whether only the times of the layers are moved.
_COARSE = ((0.04, 0.02, True), (0.012, 0.02, True), (0.0, 0.02, False), (0.0, 0.004, False))
_FROM_CHANGES = _COARSE[2:]  # change points are where a smoothed profile would lead
_PROMISING = 5.0  # of the least misfit of a start, above which another is not followed
_DURATIONS = THICKNESS_LN_SD * np.linspace(-1.0, 1.0, 25)  # of all layers, ln against guesses
_MOST_STARTS = 3
_MOST_ROUNDS = 12  # of dividing the profile and finding the levels
_LEAST_DURATION = 0.3  # of a reading, for a layer in which no reading lies


class _Start(NamedTuple):
    """Misfit of the smoothed profile, coordinates, and the stages that follow."""

    cost: float
    x: np.ndarray
    stages: tuple[tuple[float, float, bool], ...]


def coarse_fits(likelihood: Likelihood) -> list[Fit]:
    """Coarse fits from the most promising starts, the best first.

    Raises
    ------
    NotComputable
        Where no start can be computed.
    """
    coordinates = likelihood.coordinates
    nominal = coordinates.of(likelihood.assembly.nominal)
    scan = [nominal + d * coordinates.of_all_durations() for d in _DURATIONS]
    costs = np.array([_smoothed_cost(likelihood, trial) for trial in scan])
    found = [_Start(cost, x, _COARSE) for cost, x in _local_minima(scan, costs)]
    for x in divided_profiles(likelihood):
        found.append(_Start(_smoothed_cost(likelihood, x), x, _FROM_CHANGES))
    found = sorted((each for each in found if np.isfinite(each.cost)), key=lambda each: each.cost)
    if not found:
        likelihood.replan(nominal)
        likelihood.rows(nominal)  # one of them says why
    worst = _PROMISING * max(found[0].cost, 1.0)
    fits = [_coarse_fit(likelihood, each) for each in found[:_MOST_STARTS] if each.cost <= worst]
    return sorted(fits, key=lambda fit: fit.cost)


def _local_minima(scan: list[np.ndarray], costs: np.ndarray) -> list[tuple[float, np.ndarray]]:
    before, after = np.append(np.inf, costs[:-1]), np.append(costs[1:], np.inf)
    return [(costs[i], scan[i]) for i in np.flatnonzero((costs <= before) & (costs < after))]


def _smoothed_cost(likelihood: Likelihood, x: np.ndarray) -> float:
    """Misfit of the smoothed profile; infinite where there is no model."""
    trial = np.clip(x, *likelihood.coordinates.bounds())
    try:
        likelihood.replan(trial)
    except NotComputable:
        return np.inf
    blur, share, _ = _COARSE[0]
    width = blur * likelihood.values.shape[1]
    return CoarseMisfit(likelihood, width, share).objective().cost(trial)


# --- from the profile ----------------------------------------------------------------------------


def divided_profiles(likelihood: Likelihood) -> list[np.ndarray]:
    """Coordinates for the profile divided at its change points.

    Every layer is taken for a level. Levels and places of change are found in turn, from the
    guesses and from every channel's largest reading.
    """
    assembly, values = likelihood.assembly, likelihood.values
    if len(assembly.layers) < 2 or values.shape[1] < len(assembly.layers):
        return []
    steady = _steady_rows(likelihood)
    starts = [_at_guesses(likelihood), None]
    found = {_divide(likelihood, steady, start) for start in starts}
    return [_with_boundaries(likelihood, np.array(each)) for each in sorted(found)]


def _steady_rows(likelihood: Likelihood) -> np.ndarray:
    """What each linear number multiplies in the middle of a thick layer, shape (Q, L + 1)."""
    assembly = likelihood.assembly
    nominal = assembly.nominal
    sample, projection = assembly.sample(nominal), likelihood.terms.projection
    shown = np.einsum("me,meq->qm", sample.composition, projection)
    if assembly.setup.detection.view == "collected":
        shown = shown * sample.atomic_density_per_nm3 * sample.rate_nm_s
    shown = shown[:, sample.material]
    rows = np.zeros((likelihood.terms.channel_of.size, shown.shape[1]))
    terms = likelihood.terms.of_responses(shown, nominal)
    rows[: len(terms)] = terms
    rows[len(terms) : len(terms) + len(likelihood.values)] = 1.0
    return rows


def _at_guesses(likelihood: Likelihood) -> tuple[int, ...]:
    """First readings of the layers below the first one, for the guesses in proportion."""
    assembly = likelihood.assembly
    rates = [assembly.nominal_rate_nm_s(i) for i in range(len(assembly.layers) - 1)]
    sample = assembly.sample(assembly.nominal)
    ends = np.cumsum(sample.thickness_nm / rates)
    axis = likelihood.axis_values
    share = min(1.0, 0.9 * axis[-1] / ends[-1])
    return tuple(int(i) for i in np.searchsorted(axis, share * ends))


def _divide(
    likelihood: Likelihood, steady: np.ndarray, boundaries: tuple[int, ...] | None
) -> tuple[int, ...]:
    """Levels and change points in turn, until they agree."""
    values = likelihood.values
    largest = values.max(axis=1)
    size = np.where(largest > 0.0, largest, 1.0)  # a dead channel tells of no change
    for _ in range(_MOST_ROUNDS):
        levels = _levels(likelihood, steady, size, boundaries)
        deviation = (values[:, None, :] - levels[:, :, None]) / size[:, None, None]
        again = tuple(int(i) for i in change_points(np.sum(deviation**2, axis=0)))
        if again == boundaries:
            break
        boundaries = again
    return boundaries or ()


def _levels(
    likelihood: Likelihood,
    steady: np.ndarray,
    size: np.ndarray,
    boundaries: tuple[int, ...] | None,
) -> np.ndarray:
    """Level of every channel in every layer, shape (C, L + 1)."""
    levels = np.zeros((len(size), steady.shape[1]))
    quantities = likelihood.linear_quantities()
    layer = np.zeros(likelihood.values.shape[1], dtype=np.int64)
    if boundaries is not None:
        np.add.at(layer, [i for i in boundaries if i < layer.size], 1)
    layer = np.cumsum(layer)
    for c in range(len(size)):
        mine = np.flatnonzero(likelihood.terms.channel_of == c)
        if boundaries is None:
            largest = max(float(steady[mine[0]].max()), 1e-300)
            levels[c] = steady[mine[0]] * size[c] / largest
            continue
        matrix = steady[mine][:, layer].T / size[c]
        target = likelihood.values[c] / size[c]
        levels[c] = solve_linear(matrix, target, [quantities[i] for i in mine]) @ steady[mine]
    return levels


def _with_boundaries(likelihood: Likelihood, first: np.ndarray) -> np.ndarray:
    """Coordinates of layers that end where the next one begins."""
    assembly, coordinates = likelihood.assembly, likelihood.coordinates
    axis, interval = likelihood.axis_values, likelihood.interval
    starts = axis[first] - 0.5 * interval[first]
    durations = np.diff(np.append(0.0, starts))
    durations = np.maximum(durations, _LEAST_DURATION * float(interval.min()))
    values = assembly.nominal
    shared: dict[int, list[float]] = {}
    for layer, duration in enumerate(durations):
        thickness = duration * assembly.nominal_rate_nm_s(layer)
        shared.setdefault(assembly.thickness_index(layer), []).append(thickness)
    for index, each in shared.items():
        if index in likelihood.free:
            values[index] = float(np.mean(each))
    return np.clip(coordinates.of(values), *coordinates.bounds())


# --- from coarse to fine -------------------------------------------------------------------------


def _coarse_fit(likelihood: Likelihood, start: _Start) -> Fit:
    """Times of the layers on a smoothed profile, then everything with a generous tolerance."""
    points = likelihood.values.shape[1]
    x = np.clip(start.x, *likelihood.coordinates.bounds())
    times = _thicknesses(likelihood.assembly, likelihood.free)
    objective, before = likelihood.objective(), x
    for blur, share, only_times in start.stages:
        x = _planned(likelihood, x, before)
        objective = CoarseMisfit(likelihood, blur * points, share).objective()
        moved = times if only_times else np.arange(len(likelihood.free))
        before, x = x, _subset_minimum(objective, x, moved)
    x = _planned(likelihood, x, before)
    return Fit(x, objective.cost(x), False, "")


def _thicknesses(assembly: Assembly, free: list[int]) -> np.ndarray:
    """Positions of the thicknesses among the free parameters."""
    kinds = [assembly.parameters[index].kind for index in free]
    return np.flatnonzero(np.array(kinds) == "thickness")


def _planned(likelihood: Likelihood, x: np.ndarray, before: np.ndarray) -> np.ndarray:
    """Slices for x, or for the point before it where x cannot be sliced."""
    try:
        likelihood.replan(x)
    except NotComputable:
        likelihood.replan(before)
        return before
    return x


def _subset_minimum(objective: Objective, x: np.ndarray, moved: np.ndarray) -> np.ndarray:
    """Minimise over some of the parameters only."""
    found = x.copy()
    part = objective.of_some(x, moved)
    found[moved] = minimise(part, x[moved], max_evaluations=25, tolerance=1e-4).x
    return found
