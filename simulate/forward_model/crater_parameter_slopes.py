"""How the crater changes with each of its parameters."""

from collections.abc import Sequence

import numpy as np

from craterfront.experiments.crater_shape import ParabolicCrater
from craterfront.experiments.setup import Setup
from craterfront.forward_model.crater_parameters import CURVATURE, curvature_key
from craterfront.models.erosion_front.crater import divided
from craterfront.models.slopes.crater_slopes import (
    edged_slopes,
    parabolic_slopes,
    seen_share_slopes,
)
from craterfront.samples.concrete_layer import ConcreteLayer


def segment_slopes(
    setup: Setup,
    kind: str,
    group: str,
    layers: Sequence[ConcreteLayer],
    made: np.ndarray,
    edge: tuple[float, float],
) -> np.ndarray | None:
    """Slopes of the segments by one parameter.

    Parameters
    ----------
    setup : Setup
    kind, group : str
        Of the parameter.
    layers : sequence of ConcreteLayer
        One of each material.
    made : ndarray, shape (P, 3) or (M, P, 3)
        What `crater_parameters.segments` gives.
    edge : tuple of float
        Share and rate of the edge of an edged crater.

    Returns
    -------
    ndarray of the same shape, or None
        None for what is no parameter of the crater.
    """
    shape = setup.crater_made
    if kind == CURVATURE:
        own = _in_pieces(parabolic_slopes(), made.shape[-2])
        if made.ndim == 2:
            return own
        assert isinstance(shape, ParabolicCrater)
        has = [float(curvature_key(setup, layer) == group) for layer in layers]
        return np.multiply.outer(np.array(has), own)
    if kind == "tilt":
        return _in_pieces(parabolic_slopes(), made.shape[0])
    if kind in ("edge share", "edge rate"):
        by_share, by_rate = edged_slopes(*edge)
        return _in_pieces(by_share if kind == "edge share" else by_rate, made.shape[0])
    return None


def _in_pieces(slopes: np.ndarray, pieces: int) -> np.ndarray:
    """Of a crater that has been divided: that is linear."""
    return divided(slopes, pieces // slopes.shape[0])


def square_slopes(made: np.ndarray, slopes: np.ndarray, square: float) -> np.ndarray:
    """Slopes of the square of last - first of each segment, shape (P,) or (M, P).

    Parameters
    ----------
    made, slopes : ndarray
        Segments, and their slopes by the value of the parameter.
    square : float
        Slope of the square of that value; it counts where the segments are level without it.
    """
    across, change = made[..., 1] - made[..., 0], slopes[..., 1] - slopes[..., 0]
    return np.where(across == 0.0, change**2 * square, 2.0 * across * change)


def seen_slopes(setup: Setup, made: np.ndarray, slopes: np.ndarray) -> np.ndarray | None:
    """Slopes of the share of the signal from each segment; None where all of the area is alike."""
    seen = setup.detection.radial_weight
    if seen is None:
        return None
    one, change = (each if each.ndim == 2 else each[0] for each in (made, slopes))
    return seen_share_slopes(one, change[:, 2], np.array(seen.radius_mm), np.array(seen.weight))
