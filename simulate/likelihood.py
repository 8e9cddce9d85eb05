"""How well a sample explains a measured profile: the objective of an inversion.

Sensitivities, backgrounds and contaminations enter linearly and are solved for at every trial
(variable projection), with weights from the current smooth model. Everything else is a parameter
of the `Objective`.
"""

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from copy import copy
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from craterfront import row_slopes
from craterfront.assembly import Assembly
from craterfront.coordinates import Coordinates
from craterfront.detectors import Detectors
from craterfront.estimation import Objective
from craterfront.input_slopes import moves
from craterfront.joint_prior import JointPrior, coordinate_of, slope_of
from craterfront.linear_numbers import at_bound, solve_normal
from craterfront.measured import MeasuredProfile
from craterfront.models.elements import atomic_mass_u
from craterfront.models.engine import run
from craterfront.models.readings import whiten
from craterfront.models.slicing import SlicePlan
from craterfront.noise_model import NoiseModel, noise_about
from craterfront.parameters import is_free
from craterfront.quantities import Quantity
from craterfront.reading_residuals import ReadingResiduals
from craterfront.responses import optical_depths
from craterfront.row_differences import differences, needs_differences
from craterfront.scale import densities_without_effect


class NotComputable(ValueError):
    """The engine refuses the sample or the instrument of a trial."""


_AS_GOOD_AS_NONE = 5.0  # of the logarithm of a thickness, below the least that the file allows
_MOST_SCORINGS = 30  # steps of Fisher scoring for the linear numbers ...
_NEAR_ZERO = 1e-3  # of the scale of what may be zero: the slope of its prior by the square ends
_SCORED = 1e-7  # ... which end with this change, in standard deviations of the readings


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


class Slopes(NamedTuple):
    """Derivatives by the coordinates, for given linear numbers.

    Attributes
    ----------
    model : ndarray, shape (C, N, P)
    depth : ndarray, shape (P,)
        Of the mean depth at the end.
    """

    model: np.ndarray
    depth: np.ndarray


class Likelihood:
    """Objective of one profile and one experiment.

    Parameters
    ----------
    assembly : Assembly
        With ``merge_equal=False``.
    profile : MeasuredProfile
        Its channels are those of the assembly, in any order.
    joint_prior : JointPrior
        What is known of several numbers together; of linear numbers in the place of what the
        file says. Parameters that it names are not left out, even if no reading bears on them.

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
    projection : ndarray, shape (M, E, Q)
        Of atoms on what the engine is asked for.
    parts : ReadingParts
        When the engine is asked for them.
    channel_of : ndarray of int, shape (Q,)
        Channel of each linear number.
    readings : ReadingResiduals
        The readings with the present noise.
    signal_for_flicker : ndarray, shape (C, N)
        What a fluctuation of the source multiplies.
    """

    def __init__(
        self,
        assembly: Assembly,
        profile: MeasuredProfile,
        joint_prior: JointPrior | None = None,
    ) -> None:
        self.assembly, self.profile = assembly, profile
        self.joint_prior = joint_prior or JointPrior.none()
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
        hidden -= set(self.joint_prior.parameters)
        self.free = [
            index
            for index, parameter in enumerate(assembly.parameters)
            if not (parameter.is_fixed or index in hidden)
        ]
        self.coordinates = Coordinates(assembly, self.free)
        self._squared = [
            i for i, index in enumerate(self.free) if assembly.parameters[index].may_be_zero
        ]
        self._free_parameters = [assembly.parameters[index] for index in self.free]
        self.projection = self._projections()
        self.channel_of = np.array([n.channel for n in assembly.linear_numbers()], dtype=int)
        self.plan: SlicePlan | None = None
        self.parts = assembly.reading_parts(self.edges, assembly.nominal)
        self.signal_for_flicker = about = self._smoothed()
        self.readings = ReadingResiduals(
            self.values,
            self.interval,
            self.censored,
            self.limit,
            self.detectors.step,
            self._noise_about(about),
            about,
        )
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
                self.assembly.eroding(values),
                self.assembly.instrument(values),
                self.assembly.supplied_dose_s(self.parts.edges_s, values),
                self.projection,
                self.plan,
            )
        raw = self.assembly.readings(result.signal.T, self.parts, values)
        depth_nm = result.mean_depth_nm[self.parts.ends]
        return raw, self.assembly.true_depth_nm(depth_nm, values)

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
        terms = self.terms(raw, values)
        channels = len(self.values)
        rows = np.ones((self.channel_of.size, self.interval.size))
        rows[: len(terms)] = terms
        if len(rows) > len(terms) + channels:
            rows[len(terms) + channels :] = self.assembly.contamination_left(self.edges, values)
        return rows, mean_depth_nm

    def terms(self, shown: np.ndarray, values: np.ndarray) -> np.ndarray:
        """What each response multiplies, of what is shown of each projection, (Q, N)."""
        if self.profile.values_kind == "intensity":
            return self.assembly.shining(shown[:-1], values)
        return shown[: len(self.assembly.responses)] / np.maximum(shown[-1], 1e-300)

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
                assembly, values, along, self.parts, self.projection, self.plan
            )
        terms, change = row_slopes.fractions(found.rows, found.slopes, len(assembly.responses))
        if self.profile.values_kind == "intensity":
            emitting, of_emitting = found.rows[:-1], found.slopes[:, :-1]
            terms, change = row_slopes.shining(assembly, emitting, of_emitting, values, along)
        channels = len(self.values)
        rows = np.ones((self.channel_of.size, self.interval.size))
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
        return self._solution(x, *self.rows(x))

    def _solution(self, x: np.ndarray, rows: np.ndarray, depth: np.ndarray) -> Solution:
        linear = self._best_linear(rows, self.coordinates.values(x))
        model = self._of_channels(linear[:, None] * rows)
        first = len(self.assembly.responses)
        background = linear[first : first + len(model), None]
        return Solution(model, model - background, linear, rows, depth)

    def _of_channels(self, terms: np.ndarray) -> np.ndarray:
        """Sum of the terms of each channel, shape (..., C, N), of terms (..., Q, N)."""
        shape = (*terms.shape[:-2], len(self.values), terms.shape[-1])
        out = np.zeros(shape)
        for q, c in enumerate(self.channel_of):
            out[..., c, :] += terms[..., q, :]
        return out

    def _best_linear(self, rows: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Linear numbers that make the readings most probable, by Fisher scoring.

        One step is all that normal noise takes, unless several numbers are known together.
        """
        model, linear = self.readings.about, np.array([q.value for q in self.linear_quantities()])
        for _ in range(_MOST_SCORINGS):
            linear = self._scored(rows, model, values, linear)
            if self.readings.linear and not self.joint_prior.linear:
                break
            before, model = model, self._of_channels(linear[:, None] * rows)
            if np.all(np.abs(model - before) <= _SCORED * np.sqrt(self.readings.variance)):
                break
        return linear

    def _scored(
        self, rows: np.ndarray, model: np.ndarray, values: np.ndarray, linear: np.ndarray
    ) -> np.ndarray:
        """One step from a model: to where the gradient of the sum of squares would be zero."""
        equations = self._untied if self.noise.fluctuation is None else self._tied
        normal, right = equations(rows, model)
        joint = self.joint_prior
        if not joint.linear:
            return solve_normal(normal, right, self.linear_quantities())
        matrix, target = joint.linearised(values, linear, len(rows))
        normal, right = normal + matrix.T @ matrix, right + matrix.T @ target
        return joint.followed(linear, solve_normal(normal, right, self.linear_quantities()))

    def _untied(self, rows: np.ndarray, model: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Normal equations, channel by channel."""
        weights, score = self.readings.scoring_weights(model), self.readings.score(model)
        normal, right = np.zeros((len(rows), len(rows))), np.zeros(len(rows))
        for c in range(len(model)):
            mine = np.flatnonzero(self.channel_of == c)
            weighted, correlation = weights[c] * rows[mine], self.noise.correlation[c]
            normal[np.ix_(mine, mine)] = weighted @ weighted.T / correlation
            right[mine] = (weighted @ (weights[c] * model[c]) - rows[mine] @ score[c]) / correlation
        return normal, right

    def _tied(self, rows: np.ndarray, model: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Normal equations where a fluctuation ties all channels."""
        weights, slopes = self.readings.scoring_weights(model), self.readings.slopes(model)
        count = len(rows)
        columns = np.zeros((*model.shape, 2 * count + 2))
        for q, c in enumerate(self.channel_of):
            columns[c, :, q] = weights[c] * rows[q]
            columns[c, :, count + q] = slopes[c] * rows[q]
        columns[..., -2] = weights * model
        columns[..., -1] = self.readings.of(model)
        white = self.whitened(columns).reshape(-1, columns.shape[-1])
        weighted, sloped = white[:, :count], white[:, count : 2 * count]
        right = weighted.T @ white[:, -2] - sloped.T @ white[:, -1]
        return weighted.T @ weighted, right

    # --- residuals -----------------------------------------------------------------------------

    def objective(self, without_prior: int | None = None) -> Objective:
        """Objective with the present slices, weights, noise and discrepancy.

        Parameters
        ----------
        without_prior : int, optional
            A parameter whose own prior and least value are left out: what do the others and the
            data say of it, and do they tell it from zero?
        """
        lower, upper = self.coordinates.bounds()
        asked = self
        if without_prior is not None:
            asked = copy(self)
            asked.joint_prior = self.joint_prior.without(without_prior)
            i = self.free.index(without_prior)
            is_square = self.assembly.parameters[without_prior].may_be_zero
            lower[i] = self.coordinates.nothing(i) if is_square else lower[i] - _AS_GOOD_AS_NONE
        return Objective(
            lambda x: asked.residuals(x, without_prior),
            lambda x: asked.jacobian(x, without_prior),
            lower,
            upper,
        )

    def residuals(self, x: np.ndarray, without_prior: int | None = None) -> np.ndarray:
        """Residuals of unit variance: readings, then priors; infinite where nothing is computed."""
        try:
            solution = self.solve(x)
        except NotComputable:
            return np.full(self.residual_count(), np.inf)
        data = self.whitened(self.readings.of(solution.model))
        return np.concatenate([data.ravel(), self.prior_residuals(x, solution, without_prior)])

    def jacobian(self, x: np.ndarray, without_prior: int | None = None) -> np.ndarray:
        """Derivatives of `residuals`, whose arguments these are, shape (R, P).

        The linear numbers follow the parameters (variable projection, the derivative by L. Kaufman,
        BIT 15 (1975) 49, from memory). With them the gradient of the cost is exact.
        """
        solution, slopes = self._solution_and_slopes(x)
        by_model = self.readings.slopes(solution.model)
        full = self._full_rows(x, solution, slopes, by_model, without_prior)
        own, linear = full[:, : x.size], full[:, x.size :]
        return own - _projected(own, linear)

    def information_rows(self, x: np.ndarray, *, plain: bool = False) -> np.ndarray:
        """Derivatives of the residuals as they are expected of the model.

        Parameters
        ----------
        x : ndarray, shape (P,)
        plain : bool
            Without regard to correlation and common fluctuation.

        Returns
        -------
        ndarray, shape (R, P + L)
            By the parameters, then by the free linear numbers that are not at a bound; the
            information is their product with themselves.
        """
        solution, slopes = self._solution_and_slopes(x)
        by_model = self.readings.expected_slopes(solution.model)
        return self._full_rows(x, solution, slopes, by_model, plain=plain)

    def rows_by_coordinates(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The rows, shape (Q, N), and their derivatives by the coordinates, shape (P, Q, N)."""
        rows, _, by_value, _ = self.rows_and_slopes(x, self._squared)
        return rows, np.tensordot(self.coordinates.jacobian(x), by_value, (0, 0))

    def slopes(self, x: np.ndarray, linear: np.ndarray) -> Slopes:
        """Derivatives of the model by the coordinates for given linear numbers."""
        _, _, row_slopes, depth_slopes = self.rows_and_slopes(x, self._squared)
        return self._by_coordinates(x, linear, row_slopes, depth_slopes)

    def _solution_and_slopes(self, x: np.ndarray) -> tuple[Solution, Slopes]:
        """The model, and its derivatives by the coordinates for its linear numbers."""
        rows, depth, row_slopes, depth_slopes = self.rows_and_slopes(x, self._squared)
        solution = self._solution(x, rows, depth)
        return solution, self._by_coordinates(x, solution.linear, row_slopes, depth_slopes)

    def _by_coordinates(
        self, x: np.ndarray, linear: np.ndarray, row_slopes: np.ndarray, depth_slopes: np.ndarray
    ) -> Slopes:
        chain = self.coordinates.jacobian(x)
        by_number = self._of_channels(linear[:, None] * row_slopes)
        model = np.moveaxis(np.tensordot(chain, by_number, (0, 0)), 0, -1)
        return Slopes(model, chain.T @ depth_slopes[:, -1])

    def _full_rows(
        self,
        x: np.ndarray,
        solution: Solution,
        slopes: Slopes,
        by_model: np.ndarray,
        without: int | None = None,
        *,
        plain: bool = False,
    ) -> np.ndarray:
        """Derivatives by parameters and linear numbers, of readings and priors."""
        quantities, moving = self.linear_quantities(), self.moving_linear(solution)
        columns = np.zeros((*self.values.shape, x.size + len(moving)))
        columns[..., : x.size] = by_model[..., None] * slopes.model
        for column, q in enumerate(moving, start=x.size):
            c = self.channel_of[q]
            columns[c, :, column] = by_model[c] * solution.rows[q]
        data = columns if plain else self.whitened(columns)
        pulls = [
            [float(i == q) / quantity.u for i in moving]
            for q, quantity in enumerate(quantities)
            if quantity.status == "prior" and quantity.u
        ]
        blocks = [
            data.reshape(-1, columns.shape[-1]),
            _beside(self.own_prior_slopes(x, without), len(moving)),
            np.array([[0.0] * x.size + pull for pull in pulls]).reshape(-1, columns.shape[-1]),
        ]
        if self.depth_limit is not None:
            blocks.append(_beside(slopes.depth[None] / self.depth_limit[1], len(moving)))
        joint = self.joint_prior.slopes(solution.linear, len(quantities))[:, moving]
        blocks.append(np.hstack([self.joint_slopes(x), joint]))
        return np.vstack(blocks)

    def standardised(self, solution: Solution) -> np.ndarray:
        """Deviations of the readings over their standard deviation, shape (C, N)."""
        return self.readings.of(solution.model)

    @property
    def noise(self) -> NoiseModel:
        """The present noise."""
        return self.readings.noise

    def loads(self) -> np.ndarray:
        """How strongly a common fluctuation enters each standardised reading."""
        variance = self.readings.variance * self.noise.correlation[:, None]
        loads = self.signal_for_flicker / np.sqrt(variance)
        return np.where(self.censored, 0.0, loads)

    def whitened(self, columns: np.ndarray) -> np.ndarray:
        """Allow for correlation, remove the common fluctuation; shape (C, N) or (C, N, K)."""
        scaled = columns.reshape(*self.values.shape, -1)
        scaled = scaled / np.sqrt(self.noise.correlation)[:, None, None]
        fluctuation = self.noise.fluctuation
        if fluctuation is not None:
            scaled, _ = whiten(scaled, self.loads(), fluctuation.averaged)
        return scaled.reshape(columns.shape)

    def prior_residuals(
        self, x: np.ndarray, solution: Solution, without: int | None = None
    ) -> np.ndarray:
        """Deviations of parameters, linear numbers and final depth from what is known of them."""
        own = self.own_priors(x, without)
        own += [
            (number - quantity.value) / quantity.u
            for quantity, number in zip(self.linear_quantities(), solution.linear, strict=True)
            if quantity.status == "prior" and quantity.u
        ]
        if self.depth_limit is not None:
            depth, u = self.depth_limit
            own.append((solution.mean_depth_nm[-1] - depth) / u)
        joint = self.joint_prior.residuals(self.coordinates.values(x), solution.linear)
        return np.append(own, joint)

    def own_priors(self, x: np.ndarray, without: int | None = None) -> list[float]:
        """Deviations of the parameters from their priors; 0 for one that is left out."""
        values, parameters = self.coordinates.values(x), self.assembly.parameters
        own = [i for i in self.free if parameters[i].has_own_prior]
        return [0.0 if i == without else parameters[i].prior_residual(values[i]) for i in own]

    def own_prior_slopes(self, x: np.ndarray, without: int | None = None) -> np.ndarray:
        """Derivatives of `own_priors` by the coordinates."""
        values, chain = self.coordinates.values(x), self.coordinates.jacobian(x)
        rows = []
        for i, (index, p) in enumerate(zip(self.free, self._free_parameters, strict=True)):
            if not p.has_own_prior:
                continue
            slope = 0.0 if index == without else p.prior_slope(values[index])
            if p.may_be_zero:
                slope /= 2.0 * max(values[index], _NEAR_ZERO * self.coordinates.scale(i))
            rows.append(slope * chain[i])
        return np.array(rows).reshape(-1, x.size)

    def joint_slopes(self, x: np.ndarray) -> np.ndarray:
        """Derivatives of the residuals of what is known jointly by the coordinates."""
        values, chain = self.coordinates.values(x), self.coordinates.jacobian(x)
        joint = self.joint_prior
        rows = np.zeros((joint.size, x.size))
        for k, index in enumerate(joint.parameters):
            i, value, coordinate = self.free.index(index), values[index], joint.coordinates[k]
            squared = i in self._squared
            if squared and coordinate == "square":
                slope = 1.0
            else:
                nearest = max(value, _NEAR_ZERO * self.coordinates.scale(i)) if squared else value
                slope = slope_of(nearest, coordinate) / (2.0 * nearest if squared else 1.0)
            shown = joint.at_mean_rates(k, values)
            along = shown * slope * chain[i]
            for j, power in joint.powers.get(k, {}).items():
                rate = joint.parameters[j]
                relative = chain[self.free.index(rate)] / values[rate]
                along -= power * shown * coordinate_of(value, coordinate) * relative
            rows += np.outer(joint.root[:, k], along)
        return rows

    def linear_names(self) -> list[str]:
        """Names of the linear numbers."""
        return [number.name for number in self.assembly.linear_numbers()]

    def linear_quantities(self) -> list[Quantity]:
        """What is known of the linear numbers; what is known jointly is free by itself."""
        return [
            Quantity.guess(number.quantity.value)
            if i in self.joint_prior.linear
            else number.quantity
            for i, number in enumerate(self.assembly.linear_numbers())
        ]

    def moving_linear(self, solution: Solution) -> list[int]:
        """The free linear numbers that are not at a bound."""
        return [
            i
            for i, quantity in enumerate(self.linear_quantities())
            if is_free(quantity) and not at_bound(solution.linear[i], quantity)
        ]

    @property
    def own_prior_count(self) -> int:
        """Number of parameters with a prior."""
        return sum(p.has_own_prior for p in self._free_parameters)

    def residual_count(self) -> int:
        """Number of residuals, priors included."""
        own = self.own_prior_count
        linear = sum(q.status == "prior" and bool(q.u) for q in self.linear_quantities())
        limited = self.depth_limit is not None
        return self.values.size + own + linear + limited + self.joint_prior.size

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
        self.signal_for_flicker = np.maximum(solution.signal, 0.0)
        noise = replace(
            self._noise_about(solution.model),
            fluctuation=self.noise.fluctuation,
            shortfall=self.noise.shortfall,
            correlation=self.noise.correlation,
        )
        self.readings = replace(self.readings, noise=noise, about=np.maximum(solution.model, 0.0))

    def take_readings(self, values: np.ndarray, censored: np.ndarray) -> None:
        """Other readings, corrected for the dead time, in the place of those of the profile."""
        self.values, self.censored = values, censored
        self.readings = replace(self.readings, values=values, censored=censored)

    def take_noise(self, noise: NoiseModel) -> None:
        """Count with another noise from now on."""
        self.readings = replace(self.readings, noise=noise)


@contextmanager
def _refusals() -> Iterator[None]:
    """What the models cannot compute is no mistake of the program, but of the trial."""
    try:
        yield
    except (ValueError, ArithmeticError, MemoryError) as error:
        raise NotComputable(str(error)) from error


def _projected(own: np.ndarray, linear: np.ndarray) -> np.ndarray:
    """The part of the columns that linear numbers explain."""
    if not linear.shape[1]:
        return np.zeros_like(own)
    size = np.maximum(np.linalg.norm(linear, axis=0), 1e-300)
    unit = linear / size
    inverse = np.linalg.pinv(unit.T @ unit, rcond=1e-12, hermitian=True)
    return unit @ (inverse @ (unit.T @ own))


def _beside(own: np.ndarray, count: int) -> np.ndarray:
    """Rows that linear numbers do not enter."""
    return np.hstack([own, np.zeros((len(own), count))])


def _interval_edges(profile: MeasuredProfile) -> np.ndarray:
    """Edges of the readings' intervals, contiguous, not before 0."""
    middle = profile.middle
    inner = 0.5 * (middle[1:] + middle[:-1])
    first = max(middle[0] - 0.5 * profile.interval[0], 0.0)
    edges = np.concatenate([[first], inner, [middle[-1] + 0.5 * profile.interval[-1]]])
    return np.maximum.accumulate(edges)
