"""Slopes of straight lines through slices (`sloped`), of the branch that each line takes."""

import numpy as np

from craterfront.models.altered_layers.sloped import rises


def rise_slopes(
    shares: np.ndarray, size: np.ndarray, share_slopes: np.ndarray, size_slopes: np.ndarray
) -> np.ndarray:
    """Slopes of `sloped.rises`, shape (K, S, P).

    Parameters
    ----------
    shares, size : ndarray, shapes (K, S) and (K,)
    share_slopes, size_slopes : ndarray, shapes (K, S, P) and (K, P)
    """
    rise, slopes = np.zeros_like(shares), np.zeros_like(share_slopes)
    if len(shares) > 2:
        rise, slopes = _limited(shares, size, share_slopes, size_slopes)
    total, total_slopes = rise.sum(axis=1), slopes.sum(axis=1)
    slopes = (
        slopes - share_slopes * total[:, None, None] - shares[..., None] * total_slopes[:, None]
    )
    rise = rise - shares * total[:, None]
    most, wanted = 2.0 * shares, np.abs(rise)
    room = np.divide(most, wanted, out=np.ones_like(rise), where=wanted > most)
    tightest = room.argmin(axis=1)
    rows = np.arange(len(shares))
    least = room[rows, tightest]
    hits = least < 1.0
    at = wanted[rows, tightest]
    sign = np.sign(rise[rows, tightest])[:, None]
    least_slopes = (
        2.0 * share_slopes[rows, tightest] - (least[:, None] * sign) * slopes[rows, tightest]
    )
    least_slopes = np.where(hits[:, None], least_slopes / np.where(hits, at, 1.0)[:, None], 0.0)
    return slopes * least[:, None, None] + rise[..., None] * least_slopes[:, None]


def _limited(
    shares: np.ndarray, size: np.ndarray, share_slopes: np.ndarray, size_slopes: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Rises that no line runs past a neighbour with, and their slopes."""
    step, step_slopes = np.diff(shares, axis=0), np.diff(share_slopes, axis=0)
    above, below = step[:-1], step[1:]
    above_slopes, below_slopes = step_slopes[:-1], step_slopes[1:]
    reach = 0.5 * (size[:-2] + 2.0 * size[1:-1] + size[2:])
    reach_slopes = 0.5 * (size_slopes[:-2] + 2.0 * size_slopes[1:-1] + size_slopes[2:])
    part = (size[1:-1] / reach)[:, None]
    part_slopes = (size_slopes[1:-1] - part * reach_slopes) / reach[:, None]
    central = (above + below) * part
    central_slopes = (above_slopes + below_slopes) * part[..., None]
    central_slopes = central_slopes + (above + below)[..., None] * part_slopes[:, None]
    upper_is_less = np.abs(above) <= np.abs(below)
    limit = 2.0 * np.where(upper_is_less, above, below)
    limit_slopes = 2.0 * np.where(upper_is_less[..., None], above_slopes, below_slopes)
    same, free = above * below > 0.0, np.abs(central) <= np.abs(limit)
    rise, slopes = np.zeros_like(shares), np.zeros_like(share_slopes)
    rise[1:-1] = np.where(same, np.where(free, central, limit), 0.0)
    within = np.where(free[..., None], central_slopes, limit_slopes)
    slopes[1:-1] = np.where(same[..., None], within, 0.0)
    first = size[0] / size[1]
    rise[0] = rise[1] * first
    first_slopes = (size_slopes[0] - first * size_slopes[1]) / size[1]
    slopes[0] = slopes[1] * first + rise[1][:, None] * first_slopes
    return rise, slopes


def divided_slopes(
    amounts: np.ndarray,
    size: np.ndarray,
    amount_slopes: np.ndarray,
    size_slopes: np.ndarray,
    parts: np.ndarray,
) -> np.ndarray:
    """Slopes of `sloped.divide_amounts`, shape (sum of parts, S, P)."""
    whole = size[:, None]
    shares = amounts / whole
    share_slopes = (amount_slopes - shares[..., None] * size_slopes[:, None]) / whole[..., None]
    rise = rises(shares, size)[..., None]
    slopes = rise_slopes(shares, size, share_slopes, size_slopes)
    count = parts[:, None, None]
    slopes = (slopes * whole[..., None] + rise * size_slopes[:, None]) / count
    mean = amount_slopes / count
    first = np.cumsum(parts) - parts
    number = np.arange(int(parts.sum())) - np.repeat(first, parts)
    place = (number + 0.5) / np.repeat(parts, parts) - 0.5
    of_line = place[:, None, None] * np.repeat(slopes, parts, axis=0)
    return np.repeat(mean, parts, axis=0) + of_line
