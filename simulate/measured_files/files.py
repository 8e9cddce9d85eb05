"""netCDF datasets, and profiles of any kind."""

import os
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.experiments.channel import Channel
from craterfront.experiments.experiment import Experiment
from craterfront.experiments.profile_settings import ProfileSettings
from craterfront.file_access import write_whole
from craterfront.measured_files.measured import read_profile
from craterfront.measured_files.measured_profile import MeasuredProfile, range_problems
from craterfront.problems import InputProblems

if TYPE_CHECKING:
    import xarray

MOST_BYTES = 2_000_000_000

_NETCDF_MAGIC = (b"\x89HDF\r\n\x1a\n", b"CDF\x01", b"CDF\x02", b"CDF\x05")


def write_dataset(dataset: "xarray.Dataset", path: str | os.PathLike[str]) -> None:
    """Write a dataset as netCDF-4, whole or not at all."""
    write_whole(path, lambda place: dataset.to_netcdf(place, engine="h5netcdf"))


def read_dataset(path: str | os.PathLike[str]) -> "xarray.Dataset":
    """Read a netCDF file into memory.

    Raises
    ------
    InputProblems
        For a file that is missing, unreadable or damaged.
    """
    import xarray as xr

    try:
        with xr.open_dataset(path, engine="h5netcdf", decode_timedelta=False) as opened:
            if opened.nbytes <= MOST_BYTES:  # a small file may unpack to any size
                return opened.load()
            size = opened.nbytes
    except (OSError, ValueError, KeyError, TypeError, RuntimeError) as error:
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputProblems([f"cannot be read as netCDF: {first[:200]}"], str(path)) from None
    problem = f"holds {size / 1e6:.0f} MB of numbers, at most {MOST_BYTES / 1e6:.0f} MB are read"
    raise InputProblems([problem], str(path))


def is_netcdf(path: str | os.PathLike[str]) -> bool:
    """Whether a file begins like a netCDF file."""
    try:
        if not os.path.isfile(path):  # a pipe would be used up, or never end
            return False
        with open(path, "rb") as file:
            return file.read(8).startswith(_NETCDF_MAGIC)
    except OSError:
        return False


def load_profile(path: str | os.PathLike[str], experiment: Experiment) -> MeasuredProfile:
    """Read a measured or simulated profile with the settings of an experiment.

    Parameters
    ----------
    path : path
        netCDF with ``intensity(channel, time)``, or delimited text.
    experiment : Experiment
        ``[profile]`` says how text is read, the channels which columns it has.

    Raises
    ------
    InputProblems
    """
    detection = experiment.setup.detection
    channels = detection.channels(experiment.stack.elements())
    return read_channels(path, channels, experiment.profile, only_these=bool(detection.channel))


def read_channels(
    path: str | os.PathLike[str],
    channels: tuple[Channel, ...],
    settings: ProfileSettings,
    *,
    only_these: bool,
) -> MeasuredProfile:
    """Read the channels of a profile.

    Parameters
    ----------
    path : path
        netCDF with ``intensity(channel, time)``, or delimited text.
    channels : tuple of Channel
        Columns, saturation and element of each.
    settings : ProfileSettings
        How text is read.
    only_these : bool
        Whether text is read for the columns of these channels alone, which then are demanded.

    Raises
    ------
    InputProblems
    """
    if is_netcdf(path):
        profile = profile_of(read_dataset(path), str(path))
        return _censored(profile, channels)
    single = {c.name: c.columns[0] for c in channels if not c.merge}
    merged = {c.name: list(c.merge) for c in channels if c.merge}
    elements = {c.name: c.element for c in channels if c.element is not None}
    optional = {
        "axis_column": settings.axis_column,
        "axis_unit": settings.axis_unit,
        "axis_position": settings.axis_position,
        "delimiter": settings.delimiter,
        "decimal": settings.decimal,
        "header_rows": settings.header_rows,
        "names_row": settings.names_row,
        "value_unit": settings.value_unit,
    }
    return read_profile(
        path,
        axis=settings.axis,
        values=settings.values,
        columns=single if only_these or merged else None,
        merge=merged or None,
        ignore=settings.ignore,
        saturation={c.name: float(c.saturation) for c in channels if c.saturation is not None},
        elements=elements if only_these else None,
        drop_last_rows=settings.drop_last_rows,
        **optional,
    )


def load_column(path: str | os.PathLike[str], channel: str, **reading: Any) -> MeasuredProfile:
    """Read one channel of a profile whose axis has a known unit.

    Parameters
    ----------
    path : path
        netCDF, or delimited text.
    channel : str
        Channel, or column of the text.
    **reading
        How text is read, see `read_profile`.

    Raises
    ------
    InputProblems
        For text also where neither `reading` nor the header names the unit of the axis: nothing
        tells that the column is an axis at all.
    """
    if is_netcdf(path):
        return profile_of(read_dataset(path), str(path))
    profile = read_profile(path, columns={channel: channel}, **reading)
    if profile.axis_unit_doubt:
        advice = "give --axis-column or --axis-unit"
        raise InputProblems([f"{profile.axis_unit_doubt}; {advice}"], str(path))
    return profile


def profile_of(dataset: "xarray.Dataset", source: str) -> MeasuredProfile:
    """The profile in a dataset that `simulate` made, or one like it.

    Raises
    ------
    InputProblems
    """
    if "intensity" not in dataset or set(dataset["intensity"].dims) != {"channel", "time"}:
        raise InputProblems(["has no variable intensity(channel, time)"], source)
    problems = [
        f"{name}: must be numbers, got {dataset[name].dtype}"
        for name in ("time", "intensity")
        if name in dataset and not _holds_numbers(dataset[name])
    ]
    if "time" not in dataset.coords or "channel" not in dataset.coords:
        problems.append("time and channel need their coordinates")
    if problems:
        raise InputProblems(problems, source)
    time = np.asarray(dataset["time"].values, dtype=float)
    values = np.asarray(dataset["intensity"].transpose("channel", "time").values, dtype=float)
    channels = [str(name) for name in dataset["channel"].values]
    if time.size < 2 or not np.all(np.diff(time) > 0):
        problems.append("time: must increase, with at least two readings")
    if not np.all(np.isfinite(values)):
        problems.append("intensity: has numbers that are not finite")
    if not channels or len(set(channels)) < len(channels):
        problems.append("channel: must have names, each of them once")
    if problems:
        raise InputProblems(problems, source)
    gap = np.diff(time)
    profile = MeasuredProfile(
        axis="time",
        axis_values=time,
        interval=np.append(gap, gap[-1]),
        channels=channels,
        values=values,
        values_kind="intensity",
        censored=np.zeros(values.shape, dtype=bool),
        notes=[],
        source=source,
    )
    problems = range_problems(profile)
    if problems:
        raise InputProblems(problems, source)
    return profile


def _holds_numbers(variable: "xarray.DataArray") -> bool:
    return variable.dtype.kind in "iuf"  # dates and complex numbers are none


def _censored(profile: MeasuredProfile, channels: tuple[Channel, ...]) -> MeasuredProfile:
    censored = profile.censored.copy()
    for channel in channels:
        if channel.saturation is not None and channel.name in profile.channels:
            row = profile.channels.index(channel.name)
            censored[row] = profile.values[row] >= float(channel.saturation)
    return replace(profile, censored=censored)
