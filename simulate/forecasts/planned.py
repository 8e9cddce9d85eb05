"""A measurement that is planned: the signal to expect, its noise, and its slopes.

The likelihood that an inversion uses serves here too. The readings that it has are those to expect
without noise, and its noise is the one that the file writes, at that signal.
"""

from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from craterfront.experiments.depth_scale import DepthScale
from craterfront.forward_model.assembly import Assembly
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.notation.parameters import is_free
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.noise_model import NoiseModel
from craterfront.objective.scale import measured_crater_depth
from craterfront.objective.solution import Solution

_JUST_NOT_ZERO = 2.5e-3
"""Coordinate of a square that stands for zero, a twentieth of its scale in length. At zero itself
slices do not follow the transition, and the signal of the engine has a small step."""


@dataclass(frozen=True)
class Planned:
    """A planned measurement at the planned values of all parameters.

    Attributes
    ----------
    likelihood : Likelihood
        Its readings and weights are those of the signal to expect, its noise is as written.
    x : ndarray, shape (P,)
        Coordinates of the free parameters.
    solution : Solution
        The signal to expect.
    """

    likelihood: Likelihood
    x: np.ndarray
    solution: Solution

    @property
    def assembly(self) -> Assembly:
        return self.likelihood.assembly

    @property
    def values(self) -> np.ndarray:
        """Values of all parameters."""
        return self.likelihood.coordinates.values(self.x)

    @property
    def signal(self) -> np.ndarray:
        """Intensities to expect, with background, shape (C, N)."""
        return self.solution.model

    @property
    def slopes(self) -> np.ndarray:
        """Derivatives of readings by coordinates and free linear numbers; 0 where censored.

        Shape (C, N, P + Q).
        """
        return self._by_numbers[0]

    @property
    def depth_slopes(self) -> np.ndarray:
        """Derivatives of the final mean depth [nm], shape (P + Q,)."""
        return self._by_numbers[1]

    @cached_property
    def _by_numbers(self) -> tuple[np.ndarray, np.ndarray]:
        return _slopes(self.likelihood, self.x, self.solution)

    def white(self, columns: np.ndarray, noise: NoiseModel) -> np.ndarray:
        """Changes of the readings, shape (C, N, K), in units of unit covariance, shape (C N, K)."""
        likelihood = copy(self.likelihood)
        likelihood.take_noise(noise)
        variance = noise.variance(np.maximum(self.signal, 0.0), likelihood.interval)
        white = likelihood.whitened(columns / np.sqrt(variance)[..., None])
        return white.reshape(-1, columns.shape[-1])

    def like(
        self,
        written: DepthScale,
        *,
        assembly: Assembly | None = None,
        edges_s: np.ndarray | None = None,
        at: dict[int, float] | None = None,
    ) -> "Planned":
        """A measurement that differs little, in what is given; see `plan_measurement`."""
        edges = self.likelihood.edges if edges_s is None else edges_s
        return plan_measurement(assembly or self.assembly, edges, written, at=at)


def without_readings(assembly: Assembly, edges_s: np.ndarray) -> MeasuredProfile:
    """The profile to come: its times and channels, and zeros for readings.

    Parameters
    ----------
    assembly : Assembly
    edges_s : ndarray
        Ends of the readings; of snapshots, the moments.
    """
    interval, axis = np.diff(edges_s), 0.5 * (edges_s[1:] + edges_s[:-1])
    if assembly.setup.detection.timing == "cycle":
        interval, axis = np.append(interval, interval[-1]), edges_s
    channels = [channel.name for channel in assembly.channels]
    values = np.zeros((len(channels), axis.size))
    none = np.zeros(values.shape, dtype=bool)
    return MeasuredProfile(
        "time", axis, interval, channels, values, "intensity", none, [], "planned measurement"
    )


def plan_measurement(
    assembly: Assembly,
    edges_s: np.ndarray,
    written: DepthScale,
    *,
    at: dict[int, float] | None = None,
) -> Planned:
    """The signal to expect of a measurement, with its noise and slopes.

    Parameters
    ----------
    assembly : Assembly
        With ``merge_equal=False``; its nominal values are the planned ones.
    edges_s : ndarray
        Ends of the readings; of snapshots, the moments.
    written : DepthScale
        If a final crater depth is in it, the one that comes out will be known as well.
    at : dict of int to float, optional
        Coordinates of free parameters, by position, that differ from the planned ones.

    Raises
    ------
    NotComputable
        The engine refuses the sample or the instrument.
    """
    likelihood = Likelihood(assembly, without_readings(assembly, edges_s))
    x = likelihood.coordinates.of(assembly.nominal)
    for i, coordinate in (at or {}).items():
        x[i] = coordinate
    squares = [assembly.parameters[index].may_be_zero for index in likelihood.free]
    x = np.where(squares, np.maximum(x, _JUST_NOT_ZERO), x)
    likelihood.replan(x)
    solution = _solution(likelihood, x)
    likelihood.take_readings(solution.model, solution.model >= likelihood.limit[:, None])
    likelihood.update_weights(solution)
    measured = measured_crater_depth(written)
    if measured is not None and assembly.knows_rates:
        likelihood.depth_limit = float(solution.mean_depth_nm[-1]), measured[1]
    noise = assembly.setup.noise
    if noise.counts_per_unit_s is None:  # an inversion would estimate it from the scatter
        readout = np.full(len(solution.model), float(noise.readout_per_sqrt_s) ** 2)
        counted_nothing = np.zeros_like(readout)
        likelihood.take_noise(
            replace(likelihood.noise, kappa=counted_nothing, rho2=readout, counted=True)
        )
    return Planned(likelihood, x, solution)


def _solution(likelihood: Likelihood, x: np.ndarray) -> Solution:
    """The signal with the linear numbers as planned."""
    linear = np.array([n.quantity.value for n in likelihood.assembly.linear_numbers()])
    return likelihood.with_linear(linear, *likelihood.rows(x))


def _slopes(
    likelihood: Likelihood, x: np.ndarray, solution: Solution
) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives of readings and final depth by coordinates and free linear numbers.

    A background of zero is at its bound, and yet it counts as unknown: a measured one scatters.
    """
    seen = ~likelihood.censored
    found = likelihood.slopes(x, solution.linear)
    columns = [np.where(seen[..., None], found.model, 0.0)]
    for number, row in zip(likelihood.assembly.linear_numbers(), solution.rows, strict=True):
        if is_free(number.quantity):
            column = np.zeros((*seen.shape, 1))
            column[number.channel, :, 0] = np.where(seen[number.channel], row, 0.0)
            columns.append(column)
    slopes = np.concatenate(columns, axis=-1)
    return slopes, np.append(found.depth, np.zeros(slopes.shape[-1] - x.size))
