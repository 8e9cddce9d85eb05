"""The most probable linear numbers of a sample, by Fisher scoring."""

from dataclasses import dataclass

import numpy as np

from craterfront.forward_model.linear_numbers import KnownLinear, by_channel, solve_normal
from craterfront.objective.joint_prior import JointPrior
from craterfront.objective.reading_residuals import ReadingResiduals
from craterfront.objective.whitening import whitened

_MOST_SCORINGS = 30  # steps of Fisher scoring ...
_SCORED = 1e-5  # ... which end with this change, in standard deviations of the readings


@dataclass(frozen=True)
class LinearScoring:
    """What tells the linear numbers: the readings, and what is known before.

    Attributes
    ----------
    readings : ReadingResiduals
    channel_of : ndarray of int, shape (Q,)
        Channel of each linear number.
    known : KnownLinear
        What is known of each of them.
    joint_prior : JointPrior
        What is known of several numbers together.
    """

    readings: ReadingResiduals
    channel_of: np.ndarray
    known: KnownLinear
    joint_prior: JointPrior

    def most_probable(self, rows: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Linear numbers that make the readings most probable, shape (Q,).

        One step is all that normal noise takes, unless several numbers are known together.

        Parameters
        ----------
        rows : ndarray, shape (Q, N)
            What each of them multiplies.
        values : ndarray
            Of all parameters.
        """
        model, linear = self.readings.about, self.known.value
        for _ in range(_MOST_SCORINGS):
            linear = self._scored(rows, model, values, linear)
            if self.readings.linear and not self.joint_prior.linear:
                break
            before = model
            model = by_channel(linear[:, None] * rows, self.channel_of, len(before))
            if np.all(np.abs(model - before) <= _SCORED * np.sqrt(self.readings.variance)):
                break
        return linear

    def _scored(
        self, rows: np.ndarray, model: np.ndarray, values: np.ndarray, linear: np.ndarray
    ) -> np.ndarray:
        """One step from a model: to where the gradient of the sum of squares would be zero."""
        untied = self.readings.noise.fluctuation is None
        normal, right = self._untied(rows, model) if untied else self._tied(rows, model)
        joint = self.joint_prior
        if not joint.linear:
            return solve_normal(normal, right, self.known)
        matrix, target = joint.linearised(values, linear, len(rows))
        normal, right = normal + matrix.T @ matrix, right + matrix.T @ target
        return joint.followed(linear, solve_normal(normal, right, self.known))

    def _untied(self, rows: np.ndarray, model: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Normal equations, channel by channel."""
        readings, mine = self.readings, self.channel_of
        correlation = readings.noise.correlation[:, None]
        weights = readings.scoring_weights(model) / np.sqrt(correlation)
        score = readings.score(model) / correlation
        weighted = weights[mine] * rows
        normal = np.where(mine[:, None] == mine, weighted @ weighted.T, 0.0)
        right = np.sum(weighted * (weights * model)[mine] - rows * score[mine], axis=1)
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
        white = whitened(columns, self.readings).reshape(-1, columns.shape[-1])
        weighted, sloped = white[:, :count], white[:, count : 2 * count]
        right = weighted.T @ white[:, -2] - sloped.T @ white[:, -1]
        return weighted.T @ weighted, right
