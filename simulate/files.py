"""Reading and writing whole files: netCDF datasets, and profiles of any kind.

A file is written beside its place and then renamed: it is there whole or not at all.
"""

import os
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.experiment import Experiment
from craterfront.measured import MeasuredProfile, read_profile
from craterfront.problems import InputProblems
from craterfront.setup import Channel

if TYPE_CHECKING:
    import xarray

_NETCDF_MAGIC = (b"\x89HDF\r\n\x1a\n", b"CDF\x01", b"CDF\x02", b"CDF\x05")


def write_whole(path: str | os.PathLike[str], write: Callable[[Path], None]) -> None:
    """Write a file through a temporary one beside it.

    Parameters
    ----------
    path : path
        Where the file is to be.
    write : callable
        Writes to the path that it is given.

    Raises
    ------
    InputProblems
        When the place cannot be written to; what was there is untouched.
    """
    target = Path(path)
    try:
        handle, name = tempfile.mkstemp(
            prefix=f".{target.stem}-", suffix=target.suffix, dir=target.parent or "."
        )
    except OSError as error:
        raise InputProblems([f"cannot be written: {error.strerror}"], str(target)) from None
    temporary = Path(name)
    try:
        os.close(handle)
        write(temporary)
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, target)
    except OSError as error:
        raise InputProblems([f"cannot be written: {error.strerror}"], str(target)) from None
    finally:
        temporary.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def check_writable(path: str | os.PathLike[str]) -> None:
    """Refuse early what could not be written after a long computation.

    Raises
    ------
    InputProblems
    """
    target = Path(path)
    if target.is_dir():
        raise InputProblems(["is a directory"], str(target))
    parent = target.parent
    if not parent.is_dir():
        raise InputProblems([f"cannot be written: there is no directory {parent}"], str(target))
    if not os.access(parent, os.W_OK):
        raise InputProblems([f"cannot be written: no permission in {parent}"], str(target))


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
            return opened.load()
    except (OSError, ValueError, KeyError, TypeError, RuntimeError) as error:
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputProblems([f"cannot be read as netCDF: {first[:200]}"], str(path)) from None


def is_netcdf(path: str | os.PathLike[str]) -> bool:
    """Whether a file begins like a netCDF file."""
    try:
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
    channels = experiment.setup.detection.channels(experiment.stack.elements())
    if is_netcdf(path):
        profile = profile_of(read_dataset(path), str(path))
        return _censored(profile, channels)
    settings = experiment.profile
    listed = bool(experiment.setup.detection.channel)
    single = {c.name: c.columns[0] for c in channels if not c.merge}
    merged = {c.name: list(c.merge) for c in channels if c.merge}
    axis = settings.axis
    optional = {
        "axis_column": settings.axis_column,
        "axis_unit": settings.axis_unit or ("s" if axis == "time" else "nm"),
        "axis_position": settings.axis_position,
        "delimiter": settings.delimiter,
        "decimal": settings.decimal,
        "header_rows": settings.header_rows,
        "names_row": settings.names_row,
        "value_unit": settings.value_unit,
    }
    return read_profile(
        path,
        axis=axis,
        values=settings.values,
        columns=single if listed or merged else None,
        merge=merged or None,
        ignore=settings.ignore,
        saturation={c.name: float(c.saturation) for c in channels if c.saturation is not None},
        elements={c.name: c.element for c in channels if c.element is not None} if listed else None,
        drop_last_rows=settings.drop_last_rows,
        **optional,
    )


def load_column(path: str | os.PathLike[str], channel: str, **reading: Any) -> MeasuredProfile:
    """Read one channel of a profile.

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
    """
    if is_netcdf(path):
        return profile_of(read_dataset(path), str(path))
    return read_profile(path, columns={channel: channel}, **reading)


def profile_of(dataset: "xarray.Dataset", source: str) -> MeasuredProfile:
    """The profile in a dataset that `simulate` made, or one like it.

    Raises
    ------
    InputProblems
    """
    if "intensity" not in dataset or set(dataset["intensity"].dims) != {"channel", "time"}:
        raise InputProblems(["has no variable intensity(channel, time)"], source)
    time = np.asarray(dataset["time"].values, dtype=float)
    values = np.asarray(dataset["intensity"].transpose("channel", "time").values, dtype=float)
    problems = []
    if time.size < 2 or not np.all(np.diff(time) > 0):
        problems.append("time: must increase, with at least two readings")
    if not np.all(np.isfinite(values)):
        problems.append("intensity: has numbers that are not finite")
    if problems:
        raise InputProblems(problems, source)
    gap = np.diff(time)
    interval = np.append(gap, gap[-1])
    return MeasuredProfile(
        "time",
        time,
        interval,
        [str(name) for name in dataset["channel"].values],
        values,
        "intensity",
        np.zeros(values.shape, dtype=bool),
        [],
        source,
    )


def _censored(profile: MeasuredProfile, channels: tuple[Channel, ...]) -> MeasuredProfile:
    censored = profile.censored.copy()
    for channel in channels:
        if channel.saturation is not None and channel.name in profile.channels:
            row = profile.channels.index(channel.name)
            censored[row] = profile.values[row] >= float(channel.saturation)
    return replace(profile, censored=censored)
