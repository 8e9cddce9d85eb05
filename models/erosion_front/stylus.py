"""A stylus trace across a crater: its shape, and its mean depth over the analysed area.

The trace goes through the centre. The surface on both sides levels it; the two halves are folded
onto each other, and what they differ by counts as uncertainty.
"""

import math
import warnings
from dataclasses import dataclass

import numpy as np

from craterfront.models.detection.readings import correlation_time
from craterfront.models.validity import ValidityWarning

_CLEARANCE = 0.1  # of the width of the crater: rim and deposit beside it are no surface
_LEAST_SURFACE = 8  # points on either side
_ROUGHEST = 0.2  # scatter of the surface over the depth of the crater
_MOST_ODD = 0.25  # share of the surface that may lie off its line
_TUNING = 4.685  # of the biweight, in standard deviations (95 % efficient for normal errors)
_ROUNDS = 30
_PIECES = 20
_HALF, _HIGHER = 0.5, 2.0 / 3.0  # of the floor: where the edge is, and a place farther in
_POINTS_PER_PIECE = 6


@dataclass(frozen=True)
class StylusCrater:
    """What a trace tells of a crater.

    Attributes
    ----------
    centre_mm : float
        Middle between the edges, on the axis of the trace.
    edges_mm : tuple of float
        Where it is half as deep as inside, left and right.
    area_radius_mm : float
        Radius of the analysed area.
    mean_depth_um : float
        Over that area.
    u_um : float
        Standard uncertainty of it.
    parts_um : dict of str to float
        Its causes: levelling, bow, noise, asymmetry, scale.
    curvature, curvature_u : float
        (Rate at the centre - rate at the edge) / mean rate of the best paraboloid, and its standard
        uncertainty from asymmetry and noise.
    radius_mm, depth_um : ndarray, shape (P,)
        The shape.
    surface : ndarray of bool, shape (N,)
        Points that levelled it.
    levelled_um : ndarray, shape (N,)
        Depth at every point.
    """

    centre_mm: float
    edges_mm: tuple[float, float]
    area_radius_mm: float
    mean_depth_um: float
    u_um: float
    parts_um: dict[str, float]
    curvature: float
    curvature_u: float
    radius_mm: np.ndarray
    depth_um: np.ndarray
    surface: np.ndarray
    levelled_um: np.ndarray


def stylus_crater(
    x_mm: np.ndarray,
    z_um: np.ndarray,
    area_radius_mm: float | None = None,
    scale_u_rel: float = 0.0,
) -> StylusCrater:
    """Shape and mean depth of a crater from a trace through its centre.

    Parameters
    ----------
    x_mm : ndarray, shape (N,)
        Increasing.
    z_um : ndarray, shape (N,)
        Heights; the crater lies below the surface.
    area_radius_mm : float, optional
        Of the analysed area. Default: half the distance of the edges.
    scale_u_rel : float
        Relative standard uncertainty of the height scale of the instrument.

    Notes
    -----
    The surface is a straight line through what lies farther from the edges than a tenth of the
    crater's width, by iteratively reweighted least squares with the biweight. The mean depth is
    ``A = int_0^1 d ds`` with ``s = (r / R)^2``, of each half, and the mean of both. Its standard
    uncertainty has five independent parts:

    - levelling: the covariance of the line, with the noise of the surface and the number of points
      over which that is correlated;
    - bow: how much a parabola instead of a line changes the depth, over root 3 (common practice, no
      source: the reference of a stylus is bent a little);
    - noise: that of the surface, correlated alike, over the area;
    - asymmetry: half the difference of the halves, the standard uncertainty of the mean of two;
    - scale: as given.

    The curvature c of ``g = 1 + c (1/2 - s)`` is ``12 mean((1/2 - s) d) / A`` (derived: least
    squares over the area, as the variance of s is 1/12).

    Raises
    ------
    ValueError
        When there is no crater with surface on both sides in the trace.
    """
    x, z = np.asarray(x_mm, dtype=float), np.asarray(z_um, dtype=float)
    _check(x, z, area_radius_mm, scale_u_rel)
    edges = _crossings(x, _rough_depth(x, z), _HALF)
    for _ in range(2):  # the second time with a level line
        surface = _surface(x, edges)
        line, weight = _robust_polynomial(x, z, surface, 1)
        depth = np.polyval(line, x - x.mean()) - z
        edges = _crossings(x, depth, _HALF)
    centre, half_width = 0.5 * (edges[0] + edges[1]), 0.5 * (edges[1] - edges[0])
    radius = half_width if area_radius_mm is None else area_radius_mm
    halves = [_area_weights(side * (x - centre), radius) for side in (-1.0, 1.0)]
    means = [float(w @ depth) for w in halves]
    mean = 0.5 * (means[0] + means[1])
    if not mean > 0:
        raise ValueError(f"the mean depth over the area is {mean:.4g} um; it must be > 0")
    used = surface & (weight > 0)
    noise, correlated = _noise(x, depth, used)
    if noise > _ROUGHEST * mean or used.sum() < (1.0 - _MOST_ODD) * surface.sum():
        raise ValueError(
            "what lies beside the crater is no straight line; is there enough surface on both"
            f" sides? It scatters by {noise:.3g} um, and the crater is {mean:.3g} um deep"
        )
    floor = _floor_radius(x, depth, centre, edges)
    if radius > floor:
        message = (
            f"the analysed area (radius {radius:.4g} mm) holds a part of the crater's wall, which"
            f" begins {floor:.4g} mm from the centre: mean depth, curvature and shape are those"
            " with the wall"
        )
        warnings.warn(message, ValidityWarning, stacklevel=2)
    over_area = 0.5 * (halves[0] + halves[1])
    parabola, _ = _robust_polynomial(x, z, surface, 2)
    bow = over_area @ (np.polyval(parabola, x - x.mean()) - np.polyval(line, x - x.mean()))
    parts = {
        "levelling": noise * math.sqrt(correlated) * _levelling(x, used, over_area),
        "bow": abs(float(bow)) / math.sqrt(3.0),
        "noise": noise * math.sqrt(correlated * float(over_area @ over_area)),
        "asymmetry": 0.5 * abs(means[1] - means[0]),
        "scale": scale_u_rel * mean,
    }
    bends = [_curvature(side * (x - centre), radius, depth, mean) for side in (-1.0, 1.0)]
    slope = 12.0 * over_area * (0.5 - np.clip(((x - centre) / radius) ** 2, 0.0, 1.0)) / mean
    of_noise = noise * math.sqrt(correlated * float(slope @ slope))
    radii, depths = _shape(np.abs(x - centre), radius, depth)
    return StylusCrater(
        centre,
        edges,
        radius,
        mean,
        math.sqrt(math.fsum(part**2 for part in parts.values())),
        parts,
        0.5 * (bends[0] + bends[1]),
        math.hypot(0.5 * (bends[1] - bends[0]), of_noise),
        radii,
        depths,
        used,
        depth,
    )


def _check(x: np.ndarray, z: np.ndarray, area_radius_mm: float | None, scale_u_rel: float) -> None:
    if x.ndim != 1 or x.shape != z.shape or x.size < 50:
        raise ValueError(f"a trace needs at least 50 points with as many heights, got {x.size}")
    if not np.all(np.diff(x) > 0):
        raise ValueError("x_mm must increase")
    if area_radius_mm is not None and not area_radius_mm > 0:
        raise ValueError(f"area_radius_mm must be > 0, got {area_radius_mm:g}")
    if not scale_u_rel >= 0:
        raise ValueError(f"scale_u_rel must be >= 0, got {scale_u_rel:g}")


def _rough_depth(x: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Depth below a line through the ends of the trace."""
    few = max(x.size // 25, 3)
    ends_x = np.median(x[:few]), np.median(x[-few:])
    ends_z = np.median(z[:few]), np.median(z[-few:])
    slope = (ends_z[1] - ends_z[0]) / (ends_x[1] - ends_x[0])
    return ends_z[0] + slope * (x - ends_x[0]) - z


def _crossings(x: np.ndarray, depth: np.ndarray, share: float) -> tuple[float, float]:
    """First and last place where it is as deep as a share of its floor."""
    from scipy.ndimage import median_filter

    smooth = median_filter(depth, size=5, mode="nearest")
    floor = float(np.quantile(smooth, 0.9))
    deep = np.flatnonzero(smooth > share * floor)
    if floor <= 0 or deep.size < 3 or deep[0] == 0 or deep[-1] == x.size - 1:
        raise ValueError("no crater with surface on both sides was found in the trace")
    return (
        _crossing(x, smooth, deep[0] - 1, share * floor),
        _crossing(x, smooth, deep[-1], share * floor),
    )


def _crossing(x: np.ndarray, depth: np.ndarray, i: int, level: float) -> float:
    """Where the depth passes a level between points i and i + 1."""
    share = (level - depth[i]) / (depth[i + 1] - depth[i])
    return float(x[i] + np.clip(share, 0.0, 1.0) * (x[i + 1] - x[i]))


def _floor_radius(
    x: np.ndarray, depth: np.ndarray, centre: float, edges: tuple[float, float]
) -> float:
    """How far from the centre the nearer wall begins, if walls are straight."""
    higher = _crossings(x, depth, _HIGHER)
    along = (1.0 - _HALF) / (_HIGHER - _HALF)
    return min(
        abs(edge + along * (inner - edge) - centre)
        for edge, inner in zip(edges, higher, strict=True)
    )


def _surface(x: np.ndarray, edges: tuple[float, float]) -> np.ndarray:
    """Points that are clear of the crater and its rim."""
    clear = _CLEARANCE * (edges[1] - edges[0])
    left, right = x < edges[0] - clear, x > edges[1] + clear
    for side, points in (("left", left), ("right", right)):
        if points.sum() < _LEAST_SURFACE:
            raise ValueError(
                f"{points.sum()} points of surface on the {side}, farther than {clear:.3g} mm from"
                f" the edge; at least {_LEAST_SURFACE} are needed"
            )
    return left | right


def _robust_polynomial(
    x: np.ndarray, z: np.ndarray, chosen: np.ndarray, degree: int
) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients about the mean of x, and the weight of every point."""
    at, weight = x - x.mean(), chosen.astype(float)
    fit = np.polyfit(at[chosen], z[chosen], degree)
    for _ in range(_ROUNDS):
        residual = z - np.polyval(fit, at)
        spread = 1.4826 * float(np.median(np.abs(residual[chosen])))
        if spread == 0.0:
            break
        weight = np.clip(1.0 - (residual / (_TUNING * spread)) ** 2, 0.0, None) ** 2 * chosen
        before, fit = fit, np.polyfit(at, z, degree, w=np.sqrt(weight))
        if np.allclose(fit, before, rtol=1e-10, atol=1e-14):
            break
    return fit, weight


def _noise(x: np.ndarray, depth: np.ndarray, used: np.ndarray) -> tuple[float, float]:
    """Standard deviation of the surface, and over how many points it is correlated."""
    middle = 0.5 * (x[used][0] + x[used][-1])
    sides = [depth[used & (x < middle)], depth[used & (x >= middle)]]
    squares = sum(float(side @ side) for side in sides)
    noise = math.sqrt(squares / max(used.sum() - 2, 1))
    return noise, max(correlation_time(side) for side in sides)


def _levelling(x: np.ndarray, used: np.ndarray, over_area: np.ndarray) -> float:
    """Standard uncertainty of the line's mean over the area, per unit of independent noise."""
    design = np.column_stack([np.ones(int(used.sum())), x[used] - x.mean()])
    mean_of_line = np.array([over_area.sum(), over_area @ (x - x.mean())])
    covariance = np.linalg.inv(design.T @ design)
    return math.sqrt(float(mean_of_line @ covariance @ mean_of_line))


def _area_weights(distance: np.ndarray, radius: float) -> np.ndarray:
    """Weights that give the mean over s = (r / R)^2 of one half; the depth is linear between.

    The half begins at the centre and ends at R; depths there follow from their neighbours.
    """
    order = np.argsort(distance)
    at = distance[order]
    if at[0] > 0 or at[-1] < radius:
        raise ValueError(f"the trace does not reach {radius:.4g} mm from the centre on both sides")
    nodes = np.unique(np.concatenate([[0.0], at[(at > 0) & (at < radius)], [radius]]))
    step = np.diff((nodes / radius) ** 2)
    share = np.zeros(nodes.size)
    share[:-1] += 0.5 * step
    share[1:] += 0.5 * step
    # Depth at the nodes is interpolated in the trace.
    above = np.clip(np.searchsorted(at, nodes), 1, at.size - 1)
    part = (nodes - at[above - 1]) / (at[above] - at[above - 1])
    weights = np.zeros(at.size)
    np.add.at(weights, above - 1, share * (1.0 - part))
    np.add.at(weights, above, share * part)
    found = np.empty_like(weights)
    found[order] = weights
    return found


def _curvature(distance: np.ndarray, radius: float, depth: np.ndarray, mean: float) -> float:
    s = np.clip(distance / radius, 0.0, 1.0) ** 2
    weights = _area_weights(distance, radius)
    return 12.0 * float(weights @ ((0.5 - s) * depth)) / mean


def _shape(distance: np.ndarray, radius: float, depth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Radii and depths of a shape that is linear in radius^2 between them, by least squares.

    No depth lies beyond those of the trace in the pieces beside it: a wall would make it ring.
    """
    from scipy.optimize import lsq_linear

    inside = distance <= radius
    s, d = (distance[inside] / radius) ** 2, depth[inside]
    pieces = int(np.clip(inside.sum() // _POINTS_PER_PIECE, 1, _PIECES))
    nodes = np.linspace(0.0, 1.0, pieces + 1)
    hats = np.maximum(1.0 - np.abs(s[:, None] - nodes) * pieces, 0.0)
    by_area = np.sqrt(np.maximum(distance[inside], 1e-12))[:, None]
    near = [d[hat > 0] for hat in hats.T]
    least, most = (np.array([end(each) for each in near]) for end in (np.min, np.max))
    size = 1e-9 * np.abs(d).max()  # ends must differ
    found = lsq_linear(hats * by_area, d * by_area[:, 0], (least - size, most + size)).x
    return radius * np.sqrt(nodes), found
