"""How well a sample explains a measured profile: the objective of an inversion.

Sensitivities, backgrounds and contaminations enter linearly and are solved for at every trial
(variable projection), with weights from the current smooth model. Everything else is a parameter
of the `Objective`.
"""

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from craterfront import row_slopes
from craterfront.assembly import Assembly
from craterfront.coordinates import Coordinates
from craterfront.detectors import Detectors
from craterfront.estimation import Objective
from craterfront.input_slopes import moves
from craterfront.linear_numbers import at_bound, bounded_solution, solve_linear
from craterfront.measured import MeasuredProfile
from craterfront.models.elements import atomic_mass_u
from craterfront.models.engine import run
from craterfront.models.readings import (
    LEAST_TO_STEP,
    censored_residuals,
    correlation_time,
    deviance_residuals,
    rounded_residuals,
    whiten,
)
from craterfront.models.slicing import SlicePlan
from craterfront.noise_model import (
    LEAST_DITHER,
    Fluctuation,
    NoiseModel,
    find_fluctuation,
    noise_about,
    shortfall,
)
from craterfront.parameters import is_free
from craterfront.quantities import Quantity
from craterfront.responses import optical_depths
from craterfront.row_differences import differences, needs_differences
from craterfront.scale import densities_without_effect


class NotComputable(ValueError):
    """The engine refuses the sample or the instrument of a trial."""


_FOR_SLOPE = 1e-3  # of a step of rounding, to either side
_AS_GOOD_AS_NONE = 5.0  # of the logarithm of a thickness, below the least that the file allows


@dataclass(frozen=True)
class Solution:
    """The model at one set of parameters.

    Attributes
    ----------
    model : ndarray, shape (C, N)
        Intensities with background.
    signal : ndarray, shape (C, N)
        Without.
    linear : ndarray, shape (Q,)
        The linear numbers, in the order of `Assembly.linear_numbers`.
    rows : ndarray, shape (Q, N)
        What each of them multiplies; of a sensitivity, what is collected, as hydrogen changes its
        light and as far as that gets out.
    mean_depth_nm : ndarray
        At the edges.
    """

    model: np.ndarray
    signal: np.ndarray
    linear: np.ndarray
    rows: np.ndarray
    mean_depth_nm: np.ndarray


class Likelihood:
    """Objective of one profile and one experiment.

    Parameters
    ----------
    assembly : Assembly
        With ``merge_equal=False``.
    profile : MeasuredProfile
        Its channels are those of the assembly, in any order.

    Attributes
    ----------
    free : list of int
        Parameters that are not held.
    values : ndarray, shape (C, N)
        Readings, corrected for the dead time of their detectors.
    limit : ndarray, shape (C,)
        Saturation, corrected alike; inf for none.
    coordinates : Coordinates
        Of those.
    axis_values, interval : ndarray, shape (N,)
        Middles and lengths of the readings [s or nm].
    snapshots : bool
        A reading is a moment between two cycles of sputtering, not the mean over an interval.
    edges : ndarray
        Ends of the readings, shape (N + 1,), or the moments of snapshots, shape (N,).
    parts : ReadingParts
        When the engine is asked for them.
    """

    def __init__(self, assembly: Assembly, profile: MeasuredProfile) -> None:
        self.assembly, self.profile = assembly, profile
        order = [profile.channels.index(channel.name) for channel in assembly.channels]
        self.snapshots = assembly.setup.detection.timing == "cycle"
        if self.snapshots:
            self.edges = self.axis_values = np.asarray(profile.axis_values, dtype=float)
            self.interval = np.asarray(profile.interval, dtype=float)
        else:
            self.edges = _interval_edges(profile)
            self.axis_values = 0.5 * (self.edges[1:] + self.edges[:-1])
            self.interval = np.diff(self.edges)
        self.detectors = Detectors.of(assembly.channels, assembly.setup.noise)
        self.detectors.require_short_dead_times(self.interval, profile.source)
        readings = np.ascontiguousarray(profile.values[order], dtype=float)
        at_limit = readings >= self.detectors.limit[:, None]
        self.censored = profile.censored[order] | at_limit
        self.values = self.detectors.offered(readings, profile.source)
        self.limit = self.detectors.limit_offered
        hidden = densities_without_effect(assembly, profile.values_kind)
        self.free = [
            index
            for index, parameter in enumerate(assembly.parameters)
            if not (parameter.is_fixed or index in hidden)
        ]
        self.coordinates = Coordinates(assembly, self.free)
        self._projection = self._projections()
        self._channel_of = np.array([n.channel for n in assembly.linear_numbers()], dtype=int)
        self.plan: SlicePlan | None = None
        self.parts = assembly.reading_parts(self.edges, assembly.nominal)
        self._signal_for_flicker = self._weights_model = self._smoothed()
        self.noise = self._noise_about(self._weights_model)
        self.depth_limit: tuple[float, float] | None = None

    # --- the model -----------------------------------------------------------------------------

    def _projections(self) -> np.ndarray:
        """Projection of atoms on what the assembly collects, and on everything for fractions."""
        projection = self.assembly.collects()
        everything = np.ones((*projection.shape[:-1], 1))
        projection = np.concatenate([projection, everything], axis=-1)
        if self.profile.values_kind == "mass fraction":
            mass = np.array([atomic_mass_u(e) for e in self.assembly.elements])
            projection = projection * mass[None, :, None]
        return projection

    def replan(self, x: np.ndarray) -> None:
        """Choose the slices anew for these parameters.

        Raises
        ------
        NotComputable
            The old slices stay.
        """
        values = self.coordinates.values(self.coordinates.with_room(x))
        with _refusals():
            parts = self.assembly.reading_parts(self.edges, values)
            self.plan, self.parts = self.assembly.slices(parts, values), parts

    def _shown(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What is seen, or shines per second, of each projection; mean depth at the edges."""
        with _refusals():
            result = run(
                self.assembly.sample(values),
                self.assembly.instrument(values),
                self.assembly.supplied_dose_s(self.parts.edges_s, values),
                self._projection,
                self.plan,
            )
        raw = self.assembly.readings(result.signal.T, self.parts, values)
        return raw, result.mean_depth_nm[self.parts.ends]

    def optical_depths(self, x: np.ndarray) -> np.ndarray:
        """Optical depth of every channel's line, shape (C, N)."""
        values = self.coordinates.values(x)
        raw, _ = self._shown(values)
        absorption = self.assembly.self_absorption_nm2_s(values)
        responses = self.assembly.responses
        return optical_depths(responses, raw[: len(responses)], absorption)

    def rows(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What each linear number multiplies, shape (Q, N), and mean depth at the edges."""
        return self._rows_at(self.coordinates.values(x))

    def _rows_at(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        raw, mean_depth_nm = self._shown(values)
        if self.profile.values_kind == "intensity":
            terms = self.assembly.shining(raw[:-1], values)
        else:
            terms = raw[: len(self.assembly.responses)] / np.maximum(raw[-1], 1e-300)
        channels = len(self.values)
        rows = np.ones((self._channel_of.size, self.interval.size))
        rows[: len(terms)] = terms
        if len(rows) > len(terms) + channels:
            rows[len(terms) + channels :] = self.assembly.contamination_left(self.edges, values)
        return rows, mean_depth_nm

    def rows_and_slopes(
        self, x: np.ndarray, squared: Collection[int] = ()
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Rows and mean depth as `rows` gives them, with their derivatives, in one pass.

        Parameters
        ----------
        x : ndarray
        squared : collection of int
            Positions in `free` of parameters by whose square the derivatives are; of the others
            they are by the value. For a width, a curvature or a roughness of exactly 0 that by the
            value is 0 and that by the square finite. For a mixing length or an escape depth of 0
            both are 0: the model does not go by their squares there. Differences stand in for what
            `row_differences.WITHOUT_EXACT_SLOPES` names.

        Returns
        -------
        rows : ndarray, shape (Q, N)
        depth_nm : ndarray, shape (T,)
        row_slopes : ndarray, shape (P, Q, N)
            By the physical values `values[free[p]]`, with the slices and parts held.
        depth_slopes : ndarray, shape (P, T)

        Raises
        ------
        NotComputable
        """
        assembly, values = self.assembly, self.coordinates.values(x)
        along = moves(values, self.free, squared)
        if all(needs_differences(assembly, index) for index in self.free):
            rows, depth = self._rows_at(values)
            return rows, depth, *differences(self._rows_at, values, along)
        with _refusals():
            found = row_slopes.shown(
                assembly, values, along, self.parts, self._projection, self.plan
            )
        terms, change = row_slopes.fractions(found.rows, found.slopes, len(assembly.responses))
        if self.profile.values_kind == "intensity":
            emitting, of_emitting = found.rows[:-1], found.slopes[:, :-1]
            terms, change = row_slopes.shining(assembly, emitting, of_emitting, values, along)
        channels = len(self.values)
        rows = np.ones((self._channel_of.size, self.interval.size))
        slopes = np.zeros((len(along), *rows.shape))
        rows[: len(terms)], slopes[:, : len(terms)] = terms, change
        if len(rows) > len(terms) + channels:
            left = assembly.contamination_left(self.edges, values)
            of_left = row_slopes.contamination_slopes(assembly, self.edges, values, along)
            rows[len(terms) + channels :] = left
            slopes[:, len(terms) + channels :] = of_left[:, None]
        for p, index in enumerate(self.free):
            if needs_differences(assembly, index):
                slopes[p : p + 1], found.depth_slopes[p : p + 1] = differences(
                    self._rows_at, values, along[p : p + 1]
                )
        return rows, found.depth_nm, slopes, found.depth_slopes

    def solve(self, x: np.ndarray) -> Solution:
        """Best linear numbers, and the model with them."""
        rows, depth = self.rows(x)
        linear = self._best_linear(rows)
        model = np.zeros_like(self.values)
        for c in range(len(model)):
            mine = np.flatnonzero(self._channel_of == c)
            model[c] = linear[mine] @ rows[mine]
        first = len(self.assembly.responses)
        background = linear[first : first + len(model), None]
        return Solution(model, model - background, linear, rows, depth)

    def _best_linear(self, rows: np.ndarray) -> np.ndarray:
        """Linear numbers that explain the readings best; what fluctuates ties all channels."""
        quantities = self.linear_quantities()
        variance = self.noise.variance(self._weights_model, self.interval)
        channels = [np.flatnonzero(self._channel_of == c) for c in range(len(variance))]
        if self.noise.fluctuation is None:
            linear = np.zeros(len(rows))
            for c, mine in enumerate(channels):
                target, weight = self._target(c, variance[c])
                matrix = (rows[mine] * weight).T
                own = [quantities[i] for i in mine]
                linear[mine] = solve_linear(matrix, target * weight, own)
            return linear
        columns = np.zeros((*variance.shape, len(rows) + 1))
        for c, mine in enumerate(channels):
            target, weight = self._target(c, variance[c])
            columns[c][:, mine] = (rows[mine] * weight).T
            columns[c, :, -1] = target * weight
        white = self.whitened(columns).reshape(-1, len(rows) + 1)
        return solve_linear(white[:, :-1], white[:, -1], quantities)

    def _target(self, c: int, variance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Readings of a channel and their weights for the linear numbers.

        A censored reading pulls only while the model is below the limit.
        """
        above = self.censored[c] & (self._weights_model[c] >= self.limit[c])
        target = np.where(self.censored[c], self.limit[c], self.values[c])
        return target, np.where(above, 0.0, 1.0 / np.sqrt(variance))

    # --- residuals -----------------------------------------------------------------------------

    def objective(self, without_prior: int | None = None, *, plain: bool = False) -> Objective:
        """Objective with the present slices, weights, noise and discrepancy.

        Parameters
        ----------
        without_prior : int, optional
            A parameter whose own prior and least value are left out: what do the others and the
            data say of it, and do they tell it from zero?
        plain : bool
            Without regard to correlation and common fluctuation.
        """
        lower, upper = self.coordinates.bounds()
        if without_prior is not None:
            i = self.free.index(without_prior)
            is_square = self.assembly.parameters[without_prior].may_be_zero
            lower[i] = self.coordinates.nothing(i) if is_square else lower[i] - _AS_GOOD_AS_NONE
        return Objective(lambda x: self.residuals(x, without_prior, plain), lower, upper)

    def residuals(
        self, x: np.ndarray, without_prior: int | None = None, plain: bool = False
    ) -> np.ndarray:
        """Residuals of unit variance: readings, then priors; infinite where nothing is computed."""
        try:
            solution = self.solve(x)
        except NotComputable:
            return np.full(self.residual_count(), np.inf)
        data = self.standardised(solution)
        data = data if plain else self.whitened(data)
        return np.concatenate([data.ravel(), self._prior_residuals(x, solution, without_prior)])

    def standardised(self, solution: Solution) -> np.ndarray:
        """Deviations of the readings over their standard deviation, shape (C, N)."""
        variance = self.noise.variance(self._weights_model, self.interval)
        added = self.noise.added_variance(self._weights_model, self.interval)
        out = (self.values - solution.model) / np.sqrt(variance)
        for c in range(self.values.shape[0]):
            gain = self.noise.kappa[c] / self.interval
            if gain[0] > 0 and np.all(self.values[c] * gain + added[c] >= 0):
                out[c] = deviance_residuals(self.values[c], solution.model[c], gain, added[c])
            coarse, rounded = self._coarsely_rounded(c, solution.model[c], variance[c])
            out[c, coarse] = rounded
            hidden = self.censored[c]
            if hidden.any():
                deviation = np.sqrt(variance[c, hidden])
                out[c, hidden] = censored_residuals(
                    self.limit[c], solution.model[c, hidden], deviation
                )
        return out

    def _coarsely_rounded(
        self, c: int, model: np.ndarray, variance: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Which readings of a channel scatter too little for rounding to be noise; their residuals.

        Parameters
        ----------
        c : int
        model, variance : ndarray, shape (N,)
            Of the channel; the variance with that of rounding.
        """
        step = float(self.detectors.step[c])
        own = np.sqrt(np.maximum(variance - step**2 / 12.0, (LEAST_TO_STEP * step) ** 2))
        coarse = own < LEAST_DITHER * step
        return coarse, rounded_residuals(self.values[c, coarse], model[coarse], own[coarse], step)

    def _deviations(self, solution: Solution, variance: np.ndarray) -> np.ndarray:
        """Readings minus model; of coarsely rounded ones as improbable as they are."""
        deviation = self.values - solution.model
        for c, model in enumerate(solution.model):
            coarse, rounded = self._coarsely_rounded(c, model, variance[c])
            deviation[c, coarse] = rounded * np.sqrt(variance[c, coarse])
        return deviation

    def _slopes_by_model(self, solution: Solution) -> np.ndarray:
        """Derivatives of the standardised readings by the model, shape (C, N)."""
        variance = self.noise.variance(self._weights_model, self.interval)
        slopes = -1.0 / np.sqrt(variance)
        for c, model in enumerate(solution.model):
            nearby = _FOR_SLOPE * float(self.detectors.step[c])
            coarse, above = self._coarsely_rounded(c, model + nearby, variance[c])
            _, below = self._coarsely_rounded(c, model - nearby, variance[c])
            slopes[c, coarse] = (above - below) / (2.0 * nearby) if nearby else 0.0
        return slopes

    def loads(self) -> np.ndarray:
        """How strongly a common fluctuation enters each standardised reading."""
        variance = self.noise.variance(self._weights_model, self.interval)
        loads = self._signal_for_flicker / np.sqrt(variance * self.noise.correlation[:, None])
        return np.where(self.censored, 0.0, loads)

    def whitened(self, columns: np.ndarray) -> np.ndarray:
        """Allow for correlation, remove the common fluctuation; shape (C, N) or (C, N, K)."""
        scaled = columns.reshape(*self.values.shape, -1)
        scaled = scaled / np.sqrt(self.noise.correlation)[:, None, None]
        fluctuation = self.noise.fluctuation
        if fluctuation is not None:
            scaled, _ = whiten(scaled, self.loads(), fluctuation.averaged)
        return scaled.reshape(columns.shape)

    def _prior_residuals(
        self, x: np.ndarray, solution: Solution, without: int | None
    ) -> np.ndarray:
        own = self._own_priors(x, without)
        own += [
            (number - quantity.value) / quantity.u
            for quantity, number in zip(self.linear_quantities(), solution.linear, strict=True)
            if quantity.status == "prior" and quantity.u
        ]
        if self.depth_limit is not None:
            depth, u = self.depth_limit
            own.append((solution.mean_depth_nm[-1] - depth) / u)
        return np.array(own)

    def _own_priors(self, x: np.ndarray, without: int | None = None) -> list[float]:
        """Deviations of the parameters from their priors; 0 for one that is left out."""
        values, parameters = self.coordinates.values(x), self.assembly.parameters
        own = [i for i in self.free if parameters[i].has_prior]
        return [0.0 if i == without else parameters[i].prior_residual(values[i]) for i in own]

    def linear_names(self) -> list[str]:
        """Names of the linear numbers."""
        return [number.name for number in self.assembly.linear_numbers()]

    def linear_quantities(self) -> list[Quantity]:
        """What is known of the linear numbers."""
        return [number.quantity for number in self.assembly.linear_numbers()]

    def linear_jacobian(self, solution: Solution, *, plain: bool = False) -> np.ndarray:
        """Derivatives of the residuals by the free linear numbers that are not at a bound."""
        slopes = self._slopes_by_model(solution)
        quantities = self.linear_quantities()
        columns, priors = [], []
        prior_rows = [i for i, q in enumerate(quantities) if q.status == "prior" and q.u]
        for i, quantity in enumerate(quantities):
            if not is_free(quantity) or at_bound(solution.linear[i], quantity):
                continue
            column = np.zeros_like(self.values)
            c = int(self._channel_of[i])
            column[c] = slopes[c] * solution.rows[i]
            hidden = self.censored[c] & (solution.model[c] > self.limit[c])
            column[c, hidden] = 0.0
            columns.append(column)
            pull = 1.0 / quantity.u if quantity.u else 0.0
            priors.append([pull if i == row else 0.0 for row in prior_rows])
        if not columns:
            return np.zeros((self.residual_count(), 0))
        stacked = np.stack(columns, axis=-1)
        data = (stacked if plain else self.whitened(stacked)).reshape(-1, len(columns))
        own = sum(self.assembly.parameters[i].has_prior for i in self.free)
        blocks = [data, np.zeros((own, len(columns))), np.array(priors).T.reshape(-1, len(columns))]
        if self.depth_limit is not None:
            blocks.append(np.zeros((1, len(columns))))
        return np.vstack(blocks)

    def residual_count(self) -> int:
        """Number of residuals, priors included."""
        own = sum(self.assembly.parameters[i].has_prior for i in self.free)
        linear = sum(q.status == "prior" and bool(q.u) for q in self.linear_quantities())
        return self.values.size + own + linear + (self.depth_limit is not None)

    def coarse(self, width: float, share: float) -> Objective:
        """A forgiving objective for a start that is far off.

        Parameters
        ----------
        width : float
            Standard deviation, in readings, over which data and model are smoothed; 0 for none.
        share : float
            Tolerance: this share of each channel's largest value counts as one deviation.
        """
        from scipy.ndimage import gaussian_filter1d

        size = np.maximum(self.values.max(axis=1, keepdims=True), 1e-300)
        stride = max(int(width / 3.0), 1)

        def smooth(x: np.ndarray) -> np.ndarray:
            if width <= 0:
                return x
            return gaussian_filter1d(x, width, axis=-1, mode="nearest")[..., ::stride]

        target = smooth(self.values) / size

        priors = len(self._own_priors(self.coordinates.of(self.assembly.nominal)))

        def residuals(x: np.ndarray) -> np.ndarray:
            try:
                coarse = smooth(self.rows(x)[0])
            except NotComputable:
                return np.full(target.size + priors, np.inf)
            model = np.zeros_like(target)
            for c in range(size.size):
                mine = np.flatnonzero(self._channel_of == c)
                rows = coarse[mine]
                scale = np.maximum(np.linalg.norm(rows, axis=1), 1e-300)
                rows = rows / scale[:, None]
                found = bounded_solution(
                    rows @ rows.T, rows @ target[c], np.zeros(len(rows)), np.full(len(rows), np.inf)
                )
                model[c] = found @ rows
            data = (target - model) / share
            return np.concatenate([data.ravel(), self._own_priors(x)])

        lower, upper = self.coordinates.bounds()
        return Objective(residuals, lower, upper)

    # --- noise and discrepancy -----------------------------------------------------------------

    def _smoothed(self) -> np.ndarray:
        """A first smooth model, from the data themselves; a fit replaces it."""
        from scipy.ndimage import median_filter

        return np.maximum(median_filter(self.values, size=(1, 9), mode="nearest"), 0.0)

    def _noise_about(self, model: np.ndarray) -> NoiseModel:
        usable, written = ~self.censored, self.assembly.setup.noise
        return noise_about(model, self.values, self.interval, usable, written, self.detectors)

    def update_weights(self, solution: Solution) -> None:
        """Variances and flicker weights from a model, the noise level from its residuals."""
        self._weights_model = np.maximum(solution.model, 0.0)
        self._signal_for_flicker = np.maximum(solution.signal, 0.0)
        self.noise = replace(
            self._noise_about(solution.model),
            fluctuation=self.noise.fluctuation,
            shortfall=self.noise.shortfall,
            correlation=self.noise.correlation,
        )

    def update_discrepancy(self, x: np.ndarray) -> float:
        """What the noise of single readings leaves unexplained at the minimum x.

        A common fluctuation, if the file says nothing of one; then for each channel, where its
        readings matter for the answer, how far the model falls short.

        Returns
        -------
        float
            Largest relative change of the variance of a reading.
        """
        before, total = self.noise, self._total_variance()
        solution = self.solve(x)
        objective = self.objective(plain=True)
        slopes = objective.quick_jacobian(x, objective.good_steps(x))
        jacobian = np.hstack([slopes, self.linear_jacobian(solution, plain=True)])
        channels = len(self.values)
        bare = replace(before, shortfall=np.zeros(channels), correlation=np.ones(channels))
        written = self.assembly.setup.noise
        silent = written.flicker is None and written.one_over_f is None
        if silent and self.profile.values_kind == "intensity":
            bare = replace(bare, fluctuation=self._fluctuation(x, solution, jacobian, bare))
        self.noise = replace(before, fluctuation=bare.fluctuation)
        leverage = self._leverage(jacobian)
        variance = bare.variance(self._weights_model, self.interval)
        if bare.fluctuation is not None:
            variance = variance + (bare.fluctuation.spread * self._signal_for_flicker) ** 2
        # One count where hardly any is expected is no sign of a wrong model.
        variance = np.maximum(variance, (bare.kappa[:, None] / self.interval) ** 2)
        deviation = self._deviations(solution, bare.variance(self._weights_model, self.interval))
        found = [shortfall(*each) for each in zip(deviation, variance, leverage, strict=True)]
        self.noise = replace(bare, shortfall=np.array(found))
        white = np.sqrt(leverage) * self.whitened(self.standardised(solution))
        correlation = np.array([correlation_time(row) for row in white])
        self.noise = replace(self.noise, correlation=correlation)
        return float(np.max(np.abs(np.log(self._total_variance() / total))))

    def _fluctuation(
        self, x: np.ndarray, solution: Solution, jacobian: np.ndarray, bare: NoiseModel
    ) -> Fluctuation | None:
        """A common fluctuation in the residuals about a solution."""
        variance = bare.variance(self._weights_model, self.interval)
        present = self.noise.variance(self._weights_model, self.interval)
        slopes = jacobian[: self.values.size].reshape(*self.values.shape, -1)
        slopes = slopes * np.sqrt(present / variance)[..., None]
        residuals = (self.values - solution.model) / np.sqrt(variance)
        columns = np.concatenate([slopes, residuals[..., None]], axis=-1)
        columns[self.censored] = 0.0
        own = self._prior_residuals(x, solution, None)
        priors = np.column_stack([jacobian[self.values.size :], own])
        loads = np.where(self.censored, 0.0, self._signal_for_flicker / np.sqrt(variance))
        return find_fluctuation(columns, priors, loads, self.interval)

    def _leverage(self, jacobian: np.ndarray) -> np.ndarray:
        """What each reading contributes to the answer, between 0 and 1, shape (C, N)."""
        count = self.values.size
        white = self.whitened(jacobian[:count].reshape(*self.values.shape, -1))
        rows = np.vstack([white.reshape(count, -1), jacobian[count:]])
        information = rows.T @ rows
        scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
        inverse = np.linalg.pinv(information / np.outer(scale, scale), rcond=1e-12, hermitian=True)
        rows = rows[:count] / scale
        leverage = np.sum((rows @ inverse) * rows, axis=1).reshape(self.values.shape)
        return np.where(self.censored, 0.0, np.clip(leverage, 0.0, 1.0))

    def _total_variance(self) -> np.ndarray:
        """Of every reading, with all that the noise model holds, shape (C, N)."""
        variance = self.noise.variance(self._weights_model, self.interval)
        variance = variance * self.noise.correlation[:, None]
        if self.noise.fluctuation is not None:
            variance = variance + (self.noise.fluctuation.spread * self._signal_for_flicker) ** 2
        return variance


@contextmanager
def _refusals() -> Iterator[None]:
    """What the models cannot compute is no mistake of the program, but of the trial."""
    try:
        yield
    except (ValueError, ArithmeticError, MemoryError) as error:
        raise NotComputable(str(error)) from error


def _interval_edges(profile: MeasuredProfile) -> np.ndarray:
    """Edges of the readings' intervals, contiguous, not before 0."""
    middle = profile.middle
    inner = 0.5 * (middle[1:] + middle[:-1])
    first = max(middle[0] - 0.5 * profile.interval[0], 0.0)
    edges = np.concatenate([[first], inner, [middle[-1] + 0.5 * profile.interval[-1]]])
    return np.maximum.accumulate(edges)
