"""Whether a profile has what an experiment speaks of."""

import numpy as np

from craterfront.forward_model.assembly import Assembly
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.problems import InputProblems, shown

_LEAST_READINGS = 10  # fewer of them are not inverted


def check_channels(profile: MeasuredProfile, assembly: Assembly) -> None:
    """Stop where the profile lacks a channel, or where its axis or values rule out what is written.

    Raises
    ------
    InputProblems
    """
    for check in (_missing, _dark, _against_time_only, _before_zero, _too_few):
        problems = check(profile, assembly)
        if problems:
            raise InputProblems(problems, profile.source)


def _missing(profile: MeasuredProfile, assembly: Assembly) -> list[str]:
    known = ", ".join(shown(name) for name in profile.channels[:8])
    return [
        f"channel {shown(channel.name)}: not in the profile, which has {known}"
        for channel in assembly.channels
        if channel.name not in profile.channels
    ]


def _dark(profile: MeasuredProfile, assembly: Assembly) -> list[str]:
    """Channels with readings below zero, and none above."""
    rows = {c.name: profile.values[profile.channels.index(c.name)] for c in assembly.channels}
    return [
        f"channel {shown(name)}: no reading is above 0"
        for name, row in rows.items()
        if not np.any(row > 0) and np.any(row < 0)
    ]


def _against_time_only(profile: MeasuredProfile, assembly: Assembly) -> list[str]:
    """What is written and means intensities against time, where the profile is something else."""
    if profile.axis == "time" and profile.values_kind == "intensity":
        return []
    places = [
        f"channel {shown(channel.name)} {key}"
        for channel in assembly.channels
        for key in ("self_absorption_nm2_s", "hydrogen_effect", "dead_time_s", "contamination")
        if channel.is_written(key)
    ]
    if profile.axis == "depth":
        setup = assembly.setup
        in_seconds = {
            "start_up": setup.start_up,
            "surface_transient": setup.surface_transient,
            "detection residence_s": setup.detection.residence_s,
            "noise flicker": setup.noise.flicker,
            "noise one_over_f": setup.noise.one_over_f,
        }
        places += [place for place, written in in_seconds.items() if written is not None]
    what = f"the profile has {profile.values_kind} against {profile.axis}"
    return [f"{place}: means intensities against time; {what}" for place in places]


def _before_zero(profile: MeasuredProfile, assembly: Assembly) -> list[str]:
    start = profile.middle[0]
    problem = f"the {profile.axis} axis begins at {start:g}; it must not be below 0"
    return [problem] if start < 0 else []


def _too_few(profile: MeasuredProfile, assembly: Assembly) -> list[str]:
    count = profile.values.shape[1]
    return [f"{count} readings are too few to invert"] if count < _LEAST_READINGS else []
