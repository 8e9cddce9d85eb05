"""A forgiving objective, for a start that is far off."""

import numpy as np

from craterfront.forward_model.linear_numbers import bounded_solution
from craterfront.objective.estimation import Objective
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.refusals import NotComputable


class CoarseMisfit:
    """Misfit of smoothed readings, in shares of the largest reading of each channel.

    Parameters
    ----------
    likelihood : Likelihood
    width : float
        Standard deviation, in readings, over which data and model are smoothed; 0 for none.
    share : float
        Tolerance: this share of each channel's largest value counts as one deviation.
    """

    def __init__(self, likelihood: Likelihood, width: float, share: float) -> None:
        self._likelihood, self._width, self._share = likelihood, width, share
        values = likelihood.values
        self._size = np.maximum(values.max(axis=1, keepdims=True), 1e-300)
        self._target = self._smooth(values) / self._size

    def objective(self) -> Objective:
        """Residuals and derivatives of the smoothed readings and of the parameters' own priors."""
        lower, upper = self._likelihood.coordinates.bounds()
        return Objective(self.residuals, self.jacobian, lower, upper)

    def residuals(self, x: np.ndarray) -> np.ndarray:
        """Residuals; infinite where nothing is computed."""
        try:
            rows = self._smooth(self._likelihood.rows(x)[0])
        except NotComputable:
            return np.full(self._target.size + self._known(x).size, np.inf)
        found = [self._solved(c, self._of(c, rows)) for c in range(len(self._target))]
        data = (self._target - np.array([model for model, _ in found])) / self._share
        return np.concatenate([data.ravel(), self._known(x)])

    def _known(self, x: np.ndarray) -> np.ndarray:
        """Deviations of the parameters from what is known of them, of each or of several."""
        likelihood = self._likelihood
        joint = likelihood.joint_prior.of_parameters(likelihood.coordinates.values(x))
        return np.append(likelihood.priors.own(x), joint)

    def jacobian(self, x: np.ndarray) -> np.ndarray:
        """Derivatives of the residuals."""
        likelihood = self._likelihood
        rows, row_slopes = (self._smooth(each) for each in likelihood.rows_by_coordinates(x))
        blocks = []
        for c in range(len(self._target)):
            mine = self._of(c, rows)
            _, found = self._solved(c, mine)
            slope = np.tensordot(found, self._of(c, row_slopes, axis=1), (0, 1)).T
            held = mine[found > 0.0].T
            if held.shape[1]:
                slope = slope - held @ np.linalg.lstsq(held, slope, rcond=1e-12)[0]
            blocks.append(-slope / self._share)
        priors = likelihood.priors
        joint = likelihood.joint_prior.free_of_linear() @ priors.joint_slopes(x)
        return np.vstack([*blocks, priors.own_slopes(x), joint])

    def _smooth(self, x: np.ndarray) -> np.ndarray:
        from scipy.ndimage import gaussian_filter1d

        if self._width <= 0:
            return x
        stride = max(int(self._width / 3.0), 1)
        return gaussian_filter1d(x, self._width, axis=-1, mode="nearest")[..., ::stride]

    def _of(self, c: int, rows: np.ndarray, axis: int = 0) -> np.ndarray:
        return np.compress(self._likelihood.terms.channel_of == c, rows, axis=axis)

    def _solved(self, c: int, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Model of a channel with its best linear numbers, and these."""
        scale = np.maximum(np.linalg.norm(rows, axis=1), 1e-300)
        unit = rows / scale[:, None]
        free = np.zeros(len(unit)), np.full(len(unit), np.inf)
        found = bounded_solution(unit @ unit.T, unit @ self._target[c], *free)
        return found @ unit, found / scale
