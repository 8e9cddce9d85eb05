"""What is taken out of residuals of unit variance: correlation, a common fluctuation."""

import numpy as np

from craterfront.models.detection.readings import whiten
from craterfront.objective.reading_residuals import ReadingResiduals


def whitened(columns: np.ndarray, readings: ReadingResiduals) -> np.ndarray:
    """Columns of residuals as they are with unit covariance.

    Parameters
    ----------
    columns : ndarray, shape (C, N) or (C, N, K)
        Residuals of unit variance, or their derivatives.
    readings : ReadingResiduals

    Returns
    -------
    ndarray
        Of the shape of the columns.
    """
    noise = readings.noise
    scaled = columns.reshape(*readings.values.shape, -1)
    scaled = scaled / np.sqrt(noise.correlation)[:, None, None]
    if noise.fluctuation is not None:
        scaled, _ = whiten(scaled, readings.loads, noise.fluctuation.averaged)
    return scaled.reshape(columns.shape)
