"""The crater of a rastered ion beam: how the rate falls off from the middle to the edges.

The dose at a place is the share of all beam positions, evenly spread over the raster, from which
the beam reaches it: the rectangle of the raster convolved with a Gaussian beam. Along each side

    X(x) = Phi((x + W/2) / s) - Phi((x - W/2) / s),  s = FWHM / (2 sqrt(2 ln 2)),

and the rate relative to an even spread of the current is the product of both sides (derived).
Raster, gate and beam are measured across the beam, as the scan sets them: an inclined surface
stretches all three alike by 1/cos(angle), so that the distribution of rates over the gate does not
depend on the angle of incidence. Deflection angles are small, so the yield is the same everywhere.
"""

import math
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from craterfront.models.validity import check_positive

Sides = tuple[float, float]

FWHM_PER_SD = 2.0 * math.sqrt(2.0 * math.log(2.0))
"""Full width at half maximum of a Gaussian of unit standard deviation."""

_CELLS = 256  # of each half side where the edge of the raster is felt
_FLOOR_CELLS = 64  # and from the middle to there
_REACH = 5.0  # standard deviations within which the edge of the raster is felt
_QUANTILES = 4096
_SEGMENTS = 64
_EVEN = 1e-5  # relative range of rates that counts as none: 0.01 nm at a depth of 1000 nm


def side_profile(place_um: np.ndarray | float, raster_um: float, beam_fwhm_um: float) -> np.ndarray:
    """Relative dose along one side of the raster, whatever the other.

    Parameters
    ----------
    place_um : array_like
        Distance from the middle of the raster [um].
    raster_um : float
        Distance between the outermost positions of the beam [um], > 0.
    beam_fwhm_um : float
        Full width of the beam at half its maximum [um], > 0.

    Returns
    -------
    ndarray
        X, from 0 to 1, with the shape of `place_um`. About 1/2 above the edge of the raster.
    """
    check_positive("raster_um", raster_um)
    check_positive("beam_fwhm_um", beam_fwhm_um)
    # The tails are added up on their own, so that nothing cancels.
    place, half = np.abs(np.asarray(place_um, dtype=float)), 0.5 * raster_um
    sd_um = beam_fwhm_um / FWHM_PER_SD
    return ndtr((half - place) / sd_um) - ndtr(-(half + place) / sd_um)


def mean_relative_rate(raster_um: Sides, gate_um: Sides, beam_fwhm_um: Sides) -> float:
    """Mean rate over the gate, relative to all of the current evenly spread over the raster.

    In closed form: along each side, with W and G the widths of raster and gate (derived),

        1 - [K((W - G)/2) - K((W + G)/2)] / (G/2),  K(u) = s phi(u/s) - u Phi(-u/s).

    Parameters
    ----------
    raster_um, gate_um, beam_fwhm_um : pair of float
        Width and height of the raster, of the gate in its middle, and of the beam (full width at
        half maximum) [um]; all > 0, the gate no wider than the raster.

    Raises
    ------
    ValueError
        For sides that are not positive, or a gate that is wider than the raster.
    """
    _check(raster_um, gate_um, beam_fwhm_um)
    mean = 1.0
    for raster, gate, fwhm in zip(raster_um, gate_um, beam_fwhm_um, strict=True):
        half = 0.5 * gate * FWHM_PER_SD / fwhm
        mean *= float(_integrated_profile(half, half * raster / gate)) / half
    return mean


def edge_deficit(raster_um: Sides, gate_um: Sides, beam_fwhm_um: Sides) -> float:
    """How much lower the rate is at the worse edge of the gate than in its centre, 0 to 1.

    Parameters and errors as for `mean_relative_rate`; the edge is taken at the middle of a side.
    """
    _check(raster_um, gate_um, beam_fwhm_um)
    ratios = [
        float(side_profile(0.5 * gate, raster, fwhm) / side_profile(0.0, raster, fwhm))
        for raster, gate, fwhm in zip(raster_um, gate_um, beam_fwhm_um, strict=True)
    ]
    return 1.0 - min(ratios)


def rastered(
    raster_um: Sides,
    gate_um: Sides,
    beam_fwhm_um: Sides,
    tilt: float = 0.0,
    segments: int = _SEGMENTS,
) -> np.ndarray:
    """Relative rate over the gated area, as a mixture of uniform distributions (see `crater`).

    Parameters
    ----------
    raster_um, gate_um, beam_fwhm_um : pair of float
        As for `mean_relative_rate`.
    tilt : float
        Inclination of the floor along the first side by misalignment: (highest - lowest rate) /
        mean rate that it alone would make in the gate, -2 < tilt < 2.
    segments : int
        Number of segments at most.

    Returns
    -------
    ndarray, shape (P, 3)
        Lowest and highest rate and share of the gated area; the mean rate is 1. A single segment
        of one rate where the rate is the same all over the gate. The profile of a sharp
        interface 1000 nm deep, with a roughness of a monolayer, is converged to 1e-3 of full scale.

    Raises
    ------
    ValueError
        As for `mean_relative_rate`, and for a tilt out of its range.

    Notes
    -----
    The gate is an area of the sample. Where the signal is gated by the position of the beam, its
    tails blur the gate by one beam width, which matters only for gates that are too wide anyway.
    """
    _check(raster_um, gate_um, beam_fwhm_um)
    if not abs(tilt) < 2:
        raise ValueError(f"tilt must be between -2 and 2, got {tilt}")
    return np.array(
        _segments(tuple(raster_um), tuple(gate_um), tuple(beam_fwhm_um), tilt, segments)
    )


def _check(raster_um: Sides, gate_um: Sides, beam_fwhm_um: Sides) -> None:
    for raster, gate, fwhm in zip(raster_um, gate_um, beam_fwhm_um, strict=True):
        check_positive("raster_um", raster)
        check_positive("gate_um", gate)
        check_positive("beam_fwhm_um", fwhm)
        if gate > raster:
            raise ValueError(f"gate_um: must be <= raster_um = {raster:g}, got {gate:g}")


def _integrated_profile(place: np.ndarray | float, half: float) -> np.ndarray:
    """Integral of the profile from the middle to a place, both in standard deviations."""
    return place - _integrated_tail(half - place) + _integrated_tail(half + place)


def _integrated_tail(u: np.ndarray | float) -> np.ndarray:
    return np.exp(-0.5 * np.square(u)) / math.sqrt(2.0 * math.pi) - u * ndtr(-u)


@lru_cache(maxsize=64)  # an inversion asks for the same crater again and again
def _segments(
    raster_um: Sides, gate_um: Sides, beam_fwhm_um: Sides, tilt: float, segments: int
) -> tuple[tuple[float, float, float], ...]:
    rate, area = _cells(raster_um, gate_um, beam_fwhm_um, tilt)
    if np.ptp(rate) < _EVEN:
        return ((1.0, 1.0, 1.0),)
    first = _firsts(rate, area, segments)
    weight = np.add.reduceat(area, first)
    mean = np.add.reduceat(area * rate, first) / weight
    deviation = rate - np.repeat(mean, np.diff(np.append(first, rate.size)))
    # Uniform distributions of the same share, mean and variance, within the rates that occur.
    half = np.sqrt(3.0 * np.add.reduceat(area * deviation**2, first) / weight)
    half = np.minimum(half, 0.5 * mean)
    return tuple(zip((mean - half).tolist(), (mean + half).tolist(), weight.tolist(), strict=True))


def _cells(
    raster_um: Sides, gate_um: Sides, beam_fwhm_um: Sides, tilt: float
) -> tuple[np.ndarray, np.ndarray]:
    """Mean rate of each cell of the gate, increasing, and the share of the gate that it takes."""
    (first, first_share), (second, second_share) = (
        _side_cells(*sides) for sides in zip(raster_um, gate_um, beam_fwhm_um, strict=True)
    )
    if tilt:
        place = np.cumsum(first_share) - 0.5 * first_share  # of the half side
        first = np.append(first * (1.0 - 0.5 * tilt * place), first * (1.0 + 0.5 * tilt * place))
        first_share = 0.5 * np.append(first_share, first_share)
    rate = np.multiply.outer(first, second).ravel()
    area = np.multiply.outer(first_share, second_share).ravel()
    order = np.argsort(rate)
    return rate[order] / (rate @ area), area[order]


def _side_cells(raster: float, gate: float, fwhm: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the profile, and share of the half side, of cells from the middle to the edge.

    The cells are finer where the beam reaches across the edge of the raster.
    """
    sd = fwhm / FWHM_PER_SD
    half = 0.5 * gate / sd
    edge = min(max(0.0, 0.5 * raster / sd - _REACH), half)
    floor, slope = np.linspace(0.0, edge, _FLOOR_CELLS + 1), np.linspace(edge, half, _CELLS + 1)
    faces = np.unique(np.append(floor, slope))
    size = np.diff(faces)
    return np.diff(_integrated_profile(faces, 0.5 * raster / sd)) / size, size / half


def _firsts(rate: np.ndarray, area: np.ndarray, segments: int) -> np.ndarray:
    """Number of the first cell of each segment, for cells in the order of their rates.

    A segment errs at most by the box that it spans in share and rate. Steps that are even in the
    root of the box spend few segments on a flat floor, however large it is.
    """
    middle = np.cumsum(area) - 0.5 * area
    share = np.linspace(0.0, 1.0, _QUANTILES + 1)
    path = np.append(0.0, np.cumsum(np.sqrt(np.diff(np.interp(share, middle, rate)))))
    inner = np.interp(np.linspace(0.0, path[-1], segments + 1)[1:-1], path, share)
    first = np.unique(np.append(0, np.searchsorted(middle, inner)))
    return first[first < rate.size]
