"""Transitions that diffusion leaves: their width, and what has diffused in."""

import math

from craterfront.models.interfaces.transitions import (
    CONSTANT_SOURCE,
    ERF,
    HALF_NORMAL_MEAN,
    HALF_NORMAL_WIDTH,
    LIMITED_SOURCE,
    RAYLEIGH_MEAN,
    RAYLEIGH_WIDTH,
)

_WIDTH_PER_SD = {ERF: 2.0, CONSTANT_SOURCE: HALF_NORMAL_WIDTH, LIMITED_SOURCE: RAYLEIGH_WIDTH}
_MEAN_PER_SD = {CONSTANT_SOURCE: HALF_NORMAL_MEAN, LIMITED_SOURCE: RAYLEIGH_MEAN}


def diffusion_width_nm(diffusivity_time_nm2: float, shape: int = ERF) -> float:
    """Width of the transition that diffusion at constant diffusivity leaves.

    Interdiffusion of two half-spaces leaves erfc(z / (2 sqrt(D t))) / 2, a Gaussian edge of
    standard deviation sqrt(2 D t). From a surface at which the concentration was held, a constant
    source, erfc(z / (2 sqrt(D t))) remains, and from a thin film, a limited source,
    exp(-z^2 / (4 D t)); both are shares of the concentration at the surface, z = 0.

    Parameters
    ----------
    diffusivity_time_nm2 : float
        Product of diffusivity and time, D t [nm^2], >= 0.
    shape : int
        `ERF`, `CONSTANT_SOURCE` or `LIMITED_SOURCE`.

    Returns
    -------
    float
        Width between the levels Phi(-1) and Phi(+1) [nm]; of an erf transition 2 sqrt(2 D t).

    References
    ----------
    J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), sections 2.2 to 2.4.

    Examples
    --------
    >>> round(diffusion_width_nm(1.0), 4)
    2.8284
    """
    return _diffusion_sd_nm(diffusivity_time_nm2) * _WIDTH_PER_SD[shape]


def diffusion_thickness_nm(diffusivity_time_nm2: float, shape: int) -> float:
    """Thickness of the layer that holds what has diffused in from its top.

    The integral of the share: 2 sqrt(D t / pi) from a constant source, sqrt(pi D t) from a limited
    one (derived). A transition below a layer of this thickness begins at the top of the layer.

    Parameters
    ----------
    diffusivity_time_nm2, shape
        See `diffusion_width_nm`; `CONSTANT_SOURCE` or `LIMITED_SOURCE`.
    """
    return _diffusion_sd_nm(diffusivity_time_nm2) * _MEAN_PER_SD[shape]


def _diffusion_sd_nm(diffusivity_time_nm2: float) -> float:
    if diffusivity_time_nm2 < 0:
        raise ValueError(f"diffusivity_time_nm2 must be >= 0, got {diffusivity_time_nm2}")
    return math.sqrt(2.0 * diffusivity_time_nm2)
