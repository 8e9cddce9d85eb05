"""What no command takes: strange datasets, numbers that do not go together, odd files."""

import os
import sys

import numpy as np
import pytest
from command_line import GOOD, contents

from craterfront.measured_files.files import read_dataset


def test_numbers_that_do_not_go_together_are_refused(craterfront_run, folder):
    """Each could be meant; the models cannot compute with all of them together."""
    mixing = '[mixing]\nmodel = "diffusive"\nlength_nm = 1.0\nrange_nm = 1e6\n'
    (folder / "odd.toml").write_text(GOOD + mixing, encoding="utf-8")
    before = contents(folder)
    for command in (
        ("simulate", "odd.toml", "-o", "old.nc"),
        ("invert", "profile.nc", "-e", "odd.toml", "-o", "old.nc"),
    ):
        status, out, err = craterfront_run(*command)
        assert (status, out) == (2, "")
        assert err.startswith("odd.toml: cannot be computed: mixing length_nm = 1 is too short")
        assert err.count("\n") == 1
    assert contents(folder) == before


STRANGE = {
    "dates as times": (
        lambda d: d.assign_coords(time=(1e9 * d["time"].values).astype("datetime64[ns]")),
        "time: must be numbers, got datetime64[ns]",
    ),
    "words as times": (
        lambda d: d.assign_coords(time=[f"t{n}" for n in range(d.sizes["time"])]),
        "time: must be numbers, got ",
    ),
    "words as intensities": (lambda d: d.astype(str), "intensity: must be numbers, got "),
    "no times": (lambda d: d.drop_vars("time"), "time and channel need their coordinates"),
    "no names": (lambda d: d.drop_vars("channel"), "time and channel need their coordinates"),
    "a name twice": (
        lambda d: d.assign_coords(channel=["Cu", "Cu"]),
        "channel: must have names, each of them once",
    ),
    "one reading": (lambda d: d.isel(time=[0]), "time: must increase, with at least two readings"),
    "no number": (lambda d: d * np.nan, "intensity: has numbers that are not finite"),
    "large numbers": (lambda d: d * 1e300, 'channel "Cu" reaches 1.'),
    "long times": (
        lambda d: d.assign_coords(time=1e300 * d["time"].values),
        "the axis has steps of 2e+298 to 2e+298 s; they must be from 1e-09 to 1e+09 s",
    ),
    "late times": (
        lambda d: d.assign_coords(time=1e12 + d["time"].values),
        "the axis reaches 1e+12 s, at most 1e+09 s are read",
    ),
}


@pytest.mark.parametrize("case", STRANGE)
@pytest.mark.parametrize("command", ["invert", "resolution"])
def test_strange_datasets_are_refused(craterfront_run, folder, case, command):
    change, problem = STRANGE[case]
    change(read_dataset("profile.nc")[["intensity"]]).to_netcdf("x.nc", engine="h5netcdf")
    rest = ("-e", "good.toml") if command == "invert" else ("--channel", "Cu", "--feature", "edge")
    status, out, err = craterfront_run(command, "x.nc", *rest)
    assert (status, out) == (2, "")
    assert err.startswith((f"x.nc: {problem}", f"x.nc: 2 mistakes\n{problem}"))


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX files")
def test_what_is_no_regular_file(craterfront_run, folder):
    os.mkfifo("pipe")
    os.symlink("loop", "loop")
    for source, problem in (
        ("pipe", "is not a regular file"),
        ("/dev/zero", "is not a regular file"),
        ("loop", "cannot be read: Too many levels of symbolic links"),
    ):
        for command in (("check", source), ("invert", source, "-e", "good.toml")):
            assert craterfront_run(*command) == (2, "", f"{source}: {problem}\n")
    for target, problem in (
        ("pipe", "is not a regular file"),
        ("/dev/null", "is not a regular file"),
        ("loop", "Too many levels of symbolic links"),
        (f"{'x' * 300}.nc", "File name too long"),
    ):
        simulate_it = craterfront_run("simulate", "good.toml", "-o", target)
        assert simulate_it == (2, "", f"{target}: cannot be written: {problem}\n")
