"""Slopes of the spread of arrival doses (`roughening`), as variances."""

import numpy as np

from craterfront.models.erosion_front.roughening import Growth
from craterfront.models.slopes.directions import Directions


def gained_slopes(
    growth: Growth,
    directions: Directions,
    depth_nm: np.ndarray,
    thickness_nm: np.ndarray,
    atoms_nm2: np.ndarray,
    depth_slopes: np.ndarray,
    thickness_slopes: np.ndarray,
    atoms_slopes: np.ndarray,
) -> np.ndarray:
    """Slopes of `Growth.gained_nm2`, shape (K, P); the arguments are its, and their slopes."""
    thickness = thickness_nm[:, None]
    if growth.law == "statistical":
        gained = growth.gained_nm2(depth_nm, thickness_nm, atoms_nm2)[:, None]
        return gained * (4.0 * thickness_slopes / thickness - atoms_slopes / atoms_nm2[:, None]) / 3
    if growth.law == "grains":
        of_grain = growth.relative_spread**2 * directions.grain_nm
        of_grain = of_grain + growth.grain_nm * directions.spread_square
        per_nm = growth.relative_spread**2 * growth.grain_nm
        return of_grain * thickness + per_nm * thickness_slopes
    if growth.law == "saturating":
        return _saturating_slopes(
            growth, directions, depth_nm, thickness_nm, depth_slopes, thickness_slopes
        )
    return np.zeros_like(thickness_slopes)


def _saturating_slopes(
    growth: Growth,
    directions: Directions,
    depth_nm: np.ndarray,
    thickness_nm: np.ndarray,
    depth_slopes: np.ndarray,
    thickness_slopes: np.ndarray,
) -> np.ndarray:
    settling, of_settling = growth.settling_nm, directions.settling_nm

    def reached(depth: np.ndarray, slopes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Share of the final roughness, and its slopes."""
        left = np.exp(-depth / settling)[:, None]
        moves = slopes / settling - depth[:, None] / settling**2 * of_settling
        return -np.expm1(-depth / settling)[:, None], left * moves

    top, top_slopes = reached(depth_nm, depth_slopes)
    bottom, bottom_slopes = reached(depth_nm + thickness_nm, depth_slopes + thickness_slopes)
    grown = growth.gained_nm2(depth_nm, thickness_nm, thickness_nm)[:, None]
    per_square = grown / growth.final_nm**2 if growth.final_nm else bottom**2 - top**2
    of_share = growth.final_nm**2 * 2.0 * (bottom * bottom_slopes - top * top_slopes)
    return per_square * directions.final_square_nm2 + of_share


def relief_slopes(
    depth_nm: np.ndarray,
    planes_nm: np.ndarray,
    relief_nm: np.ndarray,
    rate_nm: np.ndarray,
    depth_slopes: np.ndarray,
    plane_slopes: np.ndarray,
    relief_slopes: np.ndarray,
    rate_slopes: np.ndarray,
) -> np.ndarray:
    """Slopes of `roughening.relief_variance`, shape (N, P); its arguments, and their slopes."""
    nothing = np.zeros((1, depth_slopes.shape[1]))
    raised = np.maximum(planes_nm, 0.0)
    deepest = np.maximum.accumulate(raised)
    of_plane = np.where((planes_nm > 0.0)[:, None], plane_slopes, 0.0)
    holder = np.maximum.accumulate(np.where(raised >= deepest, np.arange(raised.size), 0))
    tops, top_slopes = np.append(0.0, deepest), np.concatenate([nothing, of_plane[holder]])
    layer = np.searchsorted(tops, depth_nm, side="right") - 1
    size = np.append(np.diff(tops), np.inf)[layer]
    size_slopes = np.concatenate([np.diff(top_slopes, axis=0), nothing])[layer]
    share = (depth_nm - tops[layer]) / size
    ahead = (depth_slopes - top_slopes[layer] - share[:, None] * size_slopes) / size[:, None]
    ahead[np.isinf(size)] = 0.0
    raw = 2.0 * share - 0.5
    middle = np.clip(raw, 0.0, 1.0)
    inside = (raw > 0.0) & (raw < 1.0)
    share_slopes = np.where(inside, 6.0 * middle * (1.0 - middle) * 2.0, 0.0)[:, None] * ahead
    share = middle * middle * (3.0 - 2.0 * middle)
    per_nm, per_nm_slopes = 1.0 / rate_nm, -rate_slopes / rate_nm[:, None] ** 2

    def of_relief(rates: slice) -> tuple[np.ndarray, np.ndarray]:
        value = np.append(0.0, relief_nm * per_nm[rates])
        change = relief_slopes * per_nm[rates, None] + relief_nm[:, None] * per_nm_slopes[rates]
        return value, np.concatenate([nothing, change])

    late, late_slopes = of_relief(slice(None, -1))
    regained, regained_slopes = of_relief(slice(1, None))
    lasting = 2.0 * (late - regained)[:, None] * (late_slopes - regained_slopes)
    lasting = np.concatenate([nothing, np.cumsum(lasting, axis=0)[:-1]])
    next_late, next_slopes = np.append(late[1:], 0.0), np.concatenate([late_slopes[1:], nothing])
    here, following = late[layer] - share * regained[layer], share * next_late[layer]
    share, here, following = share[:, None], here[:, None], following[:, None]
    here_slopes = late_slopes[layer] - share * regained_slopes[layer]
    here_slopes -= share_slopes * regained[layer][:, None]
    following_slopes = share * next_slopes[layer] + share_slopes * next_late[layer][:, None]
    return lasting[layer] + 2.0 * here * here_slopes + 2.0 * following * following_slopes
