"""Neighbouring readings joined, where there are more of them than the resolution needs."""

from dataclasses import replace

import numpy as np

from craterfront.measured_files.measured_profile import MeasuredProfile


def joined(profile: MeasuredProfile, most: int) -> MeasuredProfile:
    """The profile with its readings averaged in groups of equal number, at most so many of them.

    A reading is the mean over its interval, so the mean of a group is that over its interval, too.
    A group is censored if one of its readings is. The readings of a last, smaller group are left
    out.

    Parameters
    ----------
    profile : MeasuredProfile
    most : int
    """
    size = -(-profile.axis_values.size // most)
    if size == 1:
        return profile
    count = profile.axis_values.size // size
    kept = slice(0, count * size)

    def grouped(numbers: np.ndarray) -> np.ndarray:
        return numbers[..., kept].reshape(*numbers.shape[:-1], count, size)

    interval = grouped(profile.interval)
    length = interval.sum(axis=-1)
    return replace(
        profile,
        axis_values=(grouped(profile.middle) * interval).sum(axis=-1) / length,
        axis_position="middle",
        interval=length,
        values=(grouped(profile.values) * interval).sum(axis=-1) / length,
        censored=np.asarray(grouped(profile.censored).any(axis=-1)),
        notes=[*profile.notes, f"{size} neighbouring readings each are joined to one"],
    )
