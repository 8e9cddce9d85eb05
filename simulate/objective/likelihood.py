"""How well a sample explains a measured profile: the objective of an inversion.

Sensitivities, backgrounds and contaminations enter linearly and are solved for at every trial
(variable projection), with weights from the current smooth model. Everything else is a parameter
of the `Objective`.
"""

from copy import copy
from dataclasses import replace

import numpy as np

from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.detectors import Detectors
from craterfront.forward_model.linear_numbers import KnownLinear, at_bound, by_channel
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.measured_files.reading_times import ReadingTimes
from craterfront.notation.parameters import is_free
from craterfront.notation.quantities import Quantity
from craterfront.objective.coordinates import Coordinates
from craterfront.objective.estimation import Objective
from craterfront.objective.joint_prior import JointPrior
from craterfront.objective.linear_scoring import LinearScoring
from craterfront.objective.linear_terms import LinearTerms
from craterfront.objective.noise_model import NoiseModel, noise_about
from craterfront.objective.prior_residuals import PriorResiduals
from craterfront.objective.reading_residuals import ReadingResiduals
from craterfront.objective.refusals import NotComputable
from craterfront.objective.scale import densities_without_effect
from craterfront.objective.solution import Slopes, Solution
from craterfront.objective.whitening import whitened

_AS_GOOD_AS_NONE = 5.0  # of the logarithm of a thickness, below the least that the file allows


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
    terms : LinearTerms
        What each linear number multiplies, with the present slices.
    readings : ReadingResiduals
        The readings with the present noise.
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
        times = ReadingTimes.of_snapshots if self.snapshots else ReadingTimes.of_means
        self.edges, self.axis_values, self.interval = times(profile)
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
        parts = assembly.reading_parts(self.edges, assembly.nominal)
        self.terms = LinearTerms(assembly, profile.values_kind, self.edges, self.free, parts)
        about = self._smoothed()
        self.readings = ReadingResiduals(
            self.values,
            self.interval,
            self.censored,
            self.limit,
            self.detectors.step,
            self._noise_about(about),
            about,
            about,
        )
        self.depth_limit: tuple[float, float] | None = None

    # --- the model -----------------------------------------------------------------------------

    def replan(self, x: np.ndarray) -> None:
        """Choose the slices anew for these parameters.

        Raises
        ------
        NotComputable
            The old slices stay.
        """
        values = self.coordinates.values(self.coordinates.with_room(x))
        self.terms = self.terms.replanned(values)

    def rows(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What each linear number multiplies, shape (Q, N), and mean depth at the edges."""
        return self.terms.rows(self.coordinates.values(x))

    def rows_by_coordinates(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The rows, shape (Q, N), and their derivatives by the coordinates, shape (P, Q, N)."""
        rows, _, by_value, _ = self._rows_and_slopes(x)
        return rows, np.tensordot(self.coordinates.jacobian(x), by_value, (0, 0))

    def _rows_and_slopes(
        self, x: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        return self.terms.rows_and_slopes(self.coordinates.values(x), self._squared)

    def optical_depths(self, x: np.ndarray) -> np.ndarray:
        """Optical depth of every channel's line, shape (C, N)."""
        return self.terms.optical_depths(self.coordinates.values(x))

    def solve(self, x: np.ndarray) -> Solution:
        """Best linear numbers, and the model with them."""
        return self._solution(x, *self.rows(x))

    def _solution(self, x: np.ndarray, rows: np.ndarray, depth: np.ndarray) -> Solution:
        scoring = LinearScoring(
            self.readings,
            self.terms.channel_of,
            KnownLinear.of(self.linear_quantities()),
            self.joint_prior,
        )
        return self.with_linear(
            scoring.most_probable(rows, self.coordinates.values(x)), rows, depth
        )

    def with_linear(self, linear: np.ndarray, rows: np.ndarray, depth: np.ndarray) -> Solution:
        """The model with given linear numbers; of `rows` the two results."""
        model = self._of_channels(linear[:, None] * rows)
        first = len(self.assembly.responses)
        background = linear[first : first + len(model), None]
        return Solution(model, model - background, linear, rows, depth)

    def _of_channels(self, terms: np.ndarray) -> np.ndarray:
        return by_channel(terms, self.terms.channel_of, len(self.values))

    def slopes(self, x: np.ndarray, linear: np.ndarray) -> Slopes:
        """Derivatives of the model by the coordinates for given linear numbers."""
        _, _, row_slopes, depth_slopes = self._rows_and_slopes(x)
        return self._by_coordinates(x, linear, row_slopes, depth_slopes)

    def _solution_and_slopes(self, x: np.ndarray) -> tuple[Solution, Slopes]:
        """The model, and its derivatives by the coordinates for its linear numbers."""
        rows, depth, row_slopes, depth_slopes = self._rows_and_slopes(x)
        solution = self._solution(x, rows, depth)
        return solution, self._by_coordinates(x, solution.linear, row_slopes, depth_slopes)

    def _by_coordinates(
        self, x: np.ndarray, linear: np.ndarray, row_slopes: np.ndarray, depth_slopes: np.ndarray
    ) -> Slopes:
        chain = self.coordinates.jacobian(x)
        by_number = self._of_channels(linear[:, None] * row_slopes)
        model = np.moveaxis(np.tensordot(chain, by_number, (0, 0)), 0, -1)
        return Slopes(model, chain.T @ depth_slopes)

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
            return np.full(self.values.size + self.priors.count, np.inf)
        data = self.whitened(self.readings.of(solution.model))
        return np.concatenate([data.ravel(), self.priors.of(x, solution, without_prior)])

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
        moving = self.moving_linear(solution)
        columns = np.zeros((*self.values.shape, x.size + len(moving)))
        columns[..., : x.size] = by_model[..., None] * slopes.model
        for column, q in enumerate(moving, start=x.size):
            c = self.terms.channel_of[q]
            columns[c, :, column] = by_model[c] * solution.rows[q]
        data = columns if plain else self.whitened(columns)
        priors = self.priors.slopes(x, solution.linear, slopes.depth, moving, without)
        return np.vstack([data.reshape(self.values.size, columns.shape[-1]), priors])

    def standardised(self, solution: Solution) -> np.ndarray:
        """Deviations of the readings over their standard deviation, shape (C, N)."""
        return self.readings.of(solution.model)

    @property
    def noise(self) -> NoiseModel:
        """The present noise."""
        return self.readings.noise

    def whitened(self, columns: np.ndarray) -> np.ndarray:
        """Allow for correlation, remove the common fluctuation; shape (C, N) or (C, N, K)."""
        return whitened(columns, self.readings)

    @property
    def priors(self) -> PriorResiduals:
        """What is known before of parameters, linear numbers and final depth."""
        return PriorResiduals(
            self.coordinates,
            self.free,
            [self.assembly.parameters[index] for index in self.free],
            self.linear_quantities(),
            self.depth_limit,
            self.joint_prior,
        )

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
        noise = replace(
            self._noise_about(solution.model),
            fluctuation=self.noise.fluctuation,
            shortfall=self.noise.shortfall,
            correlation=self.noise.correlation,
        )
        about, signal = np.maximum(solution.model, 0.0), np.maximum(solution.signal, 0.0)
        self.readings = replace(self.readings, noise=noise, about=about, signal=signal)

    def take_readings(self, values: np.ndarray, censored: np.ndarray) -> None:
        """Other readings, corrected for the dead time, in the place of those of the profile."""
        self.values, self.censored = values, censored
        self.readings = replace(self.readings, values=values, censored=censored)

    def take_noise(self, noise: NoiseModel) -> None:
        """Count with another noise from now on."""
        self.readings = replace(self.readings, noise=noise)


def _projected(own: np.ndarray, linear: np.ndarray) -> np.ndarray:
    """The part of the columns that linear numbers explain."""
    if not linear.shape[1]:
        return np.zeros_like(own)
    size = np.maximum(np.linalg.norm(linear, axis=0), 1e-300)
    unit = linear / size
    inverse = np.linalg.pinv(unit.T @ unit, rcond=1e-12, hermitian=True)
    return unit @ (inverse @ (unit.T @ own))
