"""The command line: examples, one clear message for bad input, files whole or not at all."""

import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy.special import erfc, erfcx, ndtr

import craterfront.demo
import craterfront.forward
import craterfront.inversion
from craterfront.assembly import Assembly
from craterfront.cautions import CAUTION
from craterfront.cli import app, main
from craterfront.experiment import experiment_from_toml
from craterfront.files import read_dataset, write_dataset, write_whole
from craterfront.forward import simulate
from craterfront.problems import InputProblems

COMMANDS = sorted(info.callback.__name__ for info in app.registered_commands)

SAMPLE = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = 60.0
interface_width_nm = 4.0
erosion_rate_nm_s = {rate}
[substrate]
composition = "Al"
erosion_rate_nm_s = {substrate}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[detection]
sampling_s = 0.02
duration_s = 4.0
[noise]
counts_per_unit_s = 20.0
"""
GOOD = SAMPLE.format(rate=20.0, substrate=16.0)
UNSCALED = SAMPLE.format(rate="{ guess = 20.0 }", substrate="{ guess = 16.0 }")
LAMP = """
[source]
kind = "glow discharge"
voltage_V = 700.0
current_mA = 20.0
anode_diameter_mm = 4.0
"""
LINES = """
area_mm2 = 12.5
[element.Cu]
intensity_per_ug_s = { value = 100.0, u_rel = 0.02 }
[element.Al]
intensity_per_ug_s = { value = 300.0, u_rel = 0.02 }
[noise]
counts_per_unit_s = 20.0
"""
PRECIOUS = b"what was measured last year"

TEXTS = {
    "good.toml": GOOD,
    "unscaled.toml": UNSCALED,
    "lamp.toml": GOOD + LAMP,
    "bad.toml": GOOD.replace("60.0", "-60.0").replace('"Al"', '"Xx"'),
    "syntax.toml": "title = 'one'\n[[layer]\n",
    "tin.toml": GOOD.replace('"Al"', '"Sn"'),
    "fast.toml": GOOD.replace("0.02", "1e-7"),
    "lines.toml": LINES,
    "gas.toml": LINES.replace("Al", "N").replace("12.5", "-12.5"),
    "empty.txt": "",
    "columns.txt": "time,Cu\n1,2\n2,3\n",
    "cells.txt": "time,Cu,Al\n1,2,3\n2,3,many\n3,4,5\n4,6,7\n",
    "points.txt": "Data Point #,B\n1,2\n2,x\n3,4\n4,5\n",
    "backwards.txt": "time,Cu,Al\n1,2,3\n2,3,4\n1.5,3,4\n",
}


@pytest.fixture(scope="module")
def profile_bytes(tmp_path_factory):
    """A simulated profile of the good experiment."""
    place = tmp_path_factory.mktemp("profile") / "profile.nc"
    experiment = experiment_from_toml(GOOD)
    write_dataset(simulate(experiment.stack, experiment.setup, seed=1), place)
    return place.read_bytes()


@pytest.fixture
def folder(tmp_path, monkeypatch, profile_bytes):
    """The working directory, with good and bad files."""
    for name, text in TEXTS.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "profile.nc").write_bytes(profile_bytes)
    (tmp_path / "damaged.nc").write_bytes(b"\x89HDF\r\n\x1a\n" + b"nothing of the kind")
    (tmp_path / "binary.txt").write_bytes(bytes(range(256)) * 8)
    (tmp_path / "old.nc").write_bytes(PRECIOUS)
    (tmp_path / "folder").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def craterfront_run(monkeypatch, capsys):
    """Runs a command line in this process; gives status, standard output and standard error."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["craterfront", *map(str, arguments)])
        try:
            main()
            status = 0
        except SystemExit as stop:
            status = stop.code or 0
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return run


def plain(text):
    """Without line breaks and the frames of tables."""
    return " ".join(re.sub("[│┃┏┓┗┛┌┐└┘├┤┡┩╇┳┴━─]", " ", text).split())


# --- help --------------------------------------------------------------------------------------


def test_the_commands_are_listed(craterfront_run):
    status, out, _ = craterfront_run("--help")
    assert status == 0
    assert COMMANDS == [
        "calibrate",
        "check",
        "crater",
        "demo",
        "forecast",
        "invert",
        "quantify",
        "resolution",
        "simulate",
        "unfold",
    ]
    assert all(f"  {name}  " in out for name in COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example_whose_options_exist(craterfront_run, command):
    status, out, _ = craterfront_run(command, "--help")
    text = plain(out)
    example = text.split("Example: ")[1]
    assert status == 0
    assert example.startswith(f"craterfront {command} ")
    for option in re.findall(r"--?[a-z-]+\b", example):
        if option.startswith("-") and f" {option}" in f" {example}":
            assert option in text.split("Example: ")[0], option


def test_version(craterfront_run):
    status, out, _ = craterfront_run("--version")
    assert status == 0
    assert re.fullmatch(r"craterfront \d+\.\d+\.\d+\n", out)


@pytest.mark.parametrize("arguments", [(), ("frobnicate",), ("check",), ("check", "a", "b")])
def test_wrong_usage_ends_with_status_2(craterfront_run, arguments):
    status, out, err = craterfront_run(*arguments)
    assert status == 2
    assert "Usage:" in out + err


# --- bad input ---------------------------------------------------------------------------------

INVERT = ("invert", "profile.nc", "-e", "good.toml")
EDGE = ("resolution", "profile.nc", "--channel", "Cu", "--feature", "edge")
QUANTIFY = ("quantify", "profile.nc", "-c", "lines.toml", "-o", "old.nc")

BAD = {
    "no experiment": (("check", "nothere.toml"), "nothere.toml: no such file"),
    "a directory": (("check", "folder"), "folder: is a directory"),
    "a bad number": (
        ("check", "bad.toml"),
        'layer[1] "coat" thickness_nm: must be > 0, got -60',
    ),
    "a bad formula": (("check", "bad.toml"), "substrate composition: formula 'Xx': unknown elem"),
    "no TOML": (("check", "syntax.toml"), "syntax.toml: line 2, column "),
    "no text": (("check", "binary.txt"), "binary.txt: is not a text file"),
    "nothing": (("check", "empty.txt"), "empty.txt: substrate: missing"),
    "simulate a bad file": (("simulate", "bad.toml", "-o", "old.nc"), "must be > 0, got -60"),
    "simulate into nowhere": (
        ("simulate", "good.toml", "-o", "nowhere/x.nc"),
        "nowhere/x.nc: cannot be written: there is no directory nowhere",
    ),
    "simulate into a directory": (
        ("simulate", "good.toml", "-o", "folder"),
        "folder: is a directory",
    ),
    "simulate an unknown figure": (
        ("simulate", "good.toml", "-o", "old.nc", "--figure", "x.gif"),
        'x.gif: a figure ends in ".png", ".pdf" or ".svg", got ".gif"',
    ),
    "simulate a figure into nowhere": (
        ("simulate", "good.toml", "-o", "old.nc", "--figure", "nowhere/x.png"),
        "nowhere/x.png: cannot be written",
    ),
    "a negative seed": (("simulate", "good.toml", "-o", "old.nc", "--seed", "-1"), "--seed"),
    "a seed that is no number": (
        ("simulate", "good.toml", "-o", "old.nc", "--seed", "one"),
        "Invalid value for '--seed'",
    ),
    "no output": (("simulate", "good.toml"), "Missing option"),
    "no profile": (("invert", "nothere.nc", "-e", "good.toml"), "nothere.nc: no such file"),
    "a directory as profile": (("invert", "folder", "-e", "good.toml"), "folder: is a directory"),
    "an empty profile": (("invert", "empty.txt", "-e", "good.toml"), "empty.txt: the file is em"),
    "a binary profile": (("invert", "binary.txt", "-e", "good.toml"), "binary.txt: line 1 holds"),
    "a damaged profile": (
        ("invert", "damaged.nc", "-e", "good.toml"),
        "damaged.nc: cannot be read as netCDF",
    ),
    "a missing column": (
        ("invert", "columns.txt", "-e", "good.toml"),
        'columns.txt: channel "Al": not in the profile, which has "Cu"',
    ),
    "too few lines": (("invert", "cells.txt", "-e", "good.toml"), "3 readings are too few"),
    "a time that goes back": (("invert", "backwards.txt", "-e", "good.toml"), "1.5"),
    "a missing channel": (
        ("invert", "profile.nc", "-e", "tin.toml", "-o", "old.nc"),
        'profile.nc: channel "Sn": not in the profile, which has "Cu", "Al"',
    ),
    "invert with a bad file": (
        ("invert", "profile.nc", "-e", "bad.toml", "-o", "old.nc"),
        "bad.toml: 2 mistakes",
    ),
    "invert without an experiment": (("invert", "profile.nc"), "Missing option"),
    "invert into nowhere": ((*INVERT, "-o", "nowhere/x.nc"), "there is no directory nowhere"),
    "invert into a directory": ((*INVERT, "-o", "folder"), "folder: is a directory"),
    "invert an unknown figure": ((*INVERT, "--figure", "x.gif"), 'x.gif: a figure ends in ".png'),
    "invert an unknown report": (
        (*INVERT, "--report", "old.nc"),
        'old.nc: a report ends in .html, got ".nc"',
    ),
    "invert a report that cannot be written": (
        (*INVERT, "--report", "nowhere/x.html"),
        "nowhere/x.html: cannot be written: there is no directory nowhere",
    ),
    "invert two outputs in one": (
        (*INVERT, "-o", "x.html", "--report", "./x.html"),
        "x.html: is named for two outputs",
    ),
    "invert an unknown budget": ((*INVERT, "--budget", "x"), 'x: a figure ends in ".png'),
    "an unknown feature": ((*EDGE[:-1], "edgy"), "--feature: must be edge or delta, got 'edgy'"),
    "an unknown axis": ((*EDGE, "--axis", "mass"), "--axis: must be time or depth, got 'mass'"),
    "no counts": ((*EDGE, "--counts", "0"), "--counts: must be > 0, got 0"),
    "an unknown channel": (
        ("resolution", "profile.nc", "--channel", "Cv", "--feature", "edge"),
        'channel "Cv": not in the profile; its channels are "Cu", "Al"',
    ),
    "an unknown column": (
        ("resolution", "cells.txt", "--channel", "Cv", "--feature", "edge"),
        'no column "Cv"',
    ),
    "an empty window": (
        (*EDGE, "--from", "90", "--to", "91"),
        "profile.nc: 0 readings in the window; at least 10 are needed",
    ),
    "a window backwards": (
        (*EDGE, "--from", "30", "--to", "3"),
        "--to: must be larger than --from 30, got 3",
    ),
    "a window from nowhere": ((*EDGE, "--from", "nan"), "--from: must be a finite number, got nan"),
    "counts without limit": ((*EDGE, "--counts", "inf"), "--counts: must be a finite number"),
    "an option that netCDF does not need": (
        (*EDGE, "--axis-unit", "ms", "--drop-last-rows", "2"),
        "profile.nc: --axis-unit, --drop-last-rows: of no effect on netCDF",
    ),
    "an option that the experiment has": (
        (*EDGE, "-e", "good.toml", "--axis", "depth", "--names-row", "1"),
        "--axis, --names-row: of no effect with -e",
    ),
    "an axis that may be none": (
        ("resolution", "points.txt", "--channel", "B", "--feature", "edge"),
        'points.txt: the column "Data Point #" names no unit of time (s, ms, min); give'
        " --axis-column or --axis-unit",
    ),
    "a window with rows left out": (
        ("resolution", "points.txt", "--channel", "B", "--feature", "edge", "--axis-unit", "s"),
        'line 3 left out: column "B" (number 2) holds "x"',
    ),
    "resolution as an unknown figure": ((*EDGE, "--figure", "x.gif"), "a figure ends in"),
    "quantify without a calibration": (("quantify", "profile.nc"), "Missing option"),
    "quantify with a bad file": (
        ("quantify", "profile.nc", "-c", "gas.toml", "-o", "old.nc"),
        "gas.toml: 2 mistakes\narea_mm2: must be > 0, got -12.5\n"
        "element.N density_g_cm3: missing, and no density is known for N",
    ),
    "quantify with an experiment": (
        ("quantify", "profile.nc", "-c", "good.toml"),
        "layer: unknown key",
    ),
    "quantify a missing channel": (
        ("quantify", "columns.txt", "-c", "lines.toml", "-o", "old.nc"),
        'columns.txt: columns["Al"]: no column "Al"; the columns are "time", "Cu"',
    ),
    "quantify a damaged profile": (
        ("quantify", "damaged.nc", "-c", "lines.toml"),
        "damaged.nc: cannot be read as netCDF",
    ),
    "quantify to no boundary": (
        (*QUANTIFY, "--boundary", "Al=2"),
        '--boundary: must be like Fe=0.5, with a mass fraction above 0 and below 1, got "Al=2"',
    ),
    "quantify to a boundary of nothing": (
        (*QUANTIFY, "--boundary", "Ni=0.5"),
        "profile.nc: boundary Ni = 0.5: Ni has no line",
    ),
    "quantify as an unknown figure": ((*QUANTIFY, "--figure", "x.gif"), "a figure ends in"),
    "quantify into its calibration": (
        (*QUANTIFY[:-1], "lines.toml"),
        "lines.toml: is named as input and as output",
    ),
    "resolution of a directory": (
        ("resolution", "folder", "--channel", "Cu", "--feature", "edge"),
        "folder: is a directory",
    ),
}


def contents(folder):
    return {p.name: p.read_bytes() if p.is_file() else None for p in folder.rglob("*")}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_ends_with_one_message_and_touches_nothing(
    craterfront_run, folder, monkeypatch, case
):
    def never(*_, **__):
        raise AssertionError("computed before the input was checked")

    for module, name in ((craterfront.forward, "run"), (craterfront.inversion, "best_fit")):
        monkeypatch.setattr(module, name, never)
    arguments, message = BAD[case]
    before = contents(folder)
    status, out, err = craterfront_run(*arguments)
    assert status == 2
    assert message in err
    assert out == ""
    assert "Traceback" not in err
    assert err.count(message) == 1
    assert contents(folder) == before


def test_too_many_readings_are_refused_before_they_are_computed(craterfront_run, folder):
    before = contents(folder)
    status, _, err = craterfront_run("simulate", "fast.toml", "-o", "old.nc")
    assert status == 2
    assert "fast.toml: detection sampling_s: 1e-07 s over 4 s gives 40000000 readings" in err
    assert contents(folder) == before


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


def test_a_formula_outside_its_range_is_a_note(craterfront_run, folder):
    beam = '[source]\nkind = "ion beam"\nenergy_eV = 1e5\ncurrent_nA = 50\nraster_um = [300, 300]\n'
    fast = GOOD + beam + '[mixing]\nmodel = "diffusive"\n'
    (folder / "fast.toml").write_text(fast, encoding="utf-8")
    note = "Note: projected range: 100000 eV is above 10 keV"
    _, out, err = craterfront_run("check", "fast.toml")
    assert out.count(note) == 1
    assert err == ""
    with warnings.catch_warnings():
        warnings.simplefilter("default")
        _, _, err = craterfront_run("simulate", "fast.toml", "-o", "fast.nc")
    assert err.count(note) == 1
    assert ".py" not in err


def test_invert_without_a_depth_scale_lists_what_would_fix_it(craterfront_run, folder):
    before = contents(folder)
    status, out, err = craterfront_run(
        "invert", "profile.nc", "-e", "unscaled.toml", "-o", "old.nc"
    )
    assert (status, out) == (2, "")
    for way in ("erosion_rate_nm_s", "sensitivity", "final_crater_depth_nm", "thickness_nm"):
        assert way in err
    assert "--relative" in err
    assert contents(folder) == before


@pytest.fixture
def unprivileged(craterfront_run):
    """A directory that another user owns, seen by one who is not root."""
    if sys.platform == "win32":
        pytest.skip("POSIX permissions")
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        (place / "good.toml").write_text(GOOD, encoding="utf-8")
        (place / "secret.toml").write_text(GOOD, encoding="utf-8")
        craterfront_run("check", place / "good.toml")  # loads what root alone may be able to read
        (place / "locked").mkdir()
        (place / "locked" / "good.toml").write_text(GOOD, encoding="utf-8")
        (place / "open").mkdir()
        (place / "open" / "kept.nc").write_bytes(PRECIOUS)
        (place / "open").chmod(0o777)
        (place / "open" / "kept.nc").chmod(0o444)
        (place / "locked").chmod(0o000)
        (place / "secret.toml").chmod(0o000)
        place.chmod(0o555)
        root = os.geteuid() == 0
        if root:
            os.setresuid(65534, 65534, 0)
        try:
            yield place
        finally:
            if root:
                os.setresuid(0, 0, 0)
            place.chmod(0o755)
            (place / "locked").chmod(0o755)


@pytest.mark.parametrize("name", ["secret.toml", "locked/good.toml"])
@pytest.mark.parametrize(
    "command",
    [
        ("check", "{}"),
        ("simulate", "{}", "-o", "x.nc"),
        ("invert", "{}", "-e", "good.toml"),
        ("invert", "x.txt", "-e", "{}"),
        ("resolution", "{}", "--channel", "Cu", "--feature", "edge"),
        ("resolution", "x.txt", "-e", "{}", "--channel", "Cu", "--feature", "edge"),
    ],
)
def test_a_file_without_permission(craterfront_run, unprivileged, monkeypatch, command, name):
    monkeypatch.chdir(unprivileged)
    status, out, err = craterfront_run(*(part.format(name) for part in command))
    assert (status, out, err) == (2, "", f"{name}: no permission to read it\n")


@pytest.mark.parametrize(
    ("target", "problem"),
    [
        ("profile.nc", "no permission in ."),
        ("locked/profile.nc", "Permission denied"),
        ("locked", "no permission in ."),
        ("secret.toml", "no permission in ."),
        ("open/kept.nc", "is write-protected"),
    ],
)
def test_a_place_without_permission(craterfront_run, unprivileged, monkeypatch, target, problem):
    monkeypatch.chdir(unprivileged)
    status, out, err = craterfront_run("simulate", "good.toml", "-o", target)
    problem = "is a directory" if target == "locked" else f"cannot be written: {problem}"
    assert (status, out, err) == (2, "", f"{target}: {problem}\n")
    assert (unprivileged / "open" / "kept.nc").read_bytes() == PRECIOUS


def test_demo_into_a_directory_without_permission(craterfront_run, unprivileged):
    for place, problem in (
        (unprivileged, f"cannot be written: no permission in {unprivileged}"),
        (unprivileged / "locked" / "new", "cannot be made: Permission denied"),
    ):
        status, _, err = craterfront_run("demo", "--directory", place)
        assert status == 2
        assert err.endswith(f": {problem}\n")
        assert err.count("\n") == 1


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


# --- input that is not yet handled -------------------------------------------------------------


@pytest.mark.parametrize("name", ["[/b]", "[red]coat"])
def test_brackets_in_names_are_printed_as_they_are(craterfront_run, folder, name):
    (folder / "named.toml").write_text(GOOD.replace('"coat"', f'"{name}"'), encoding="utf-8")
    status, out, _ = craterfront_run("check", "named.toml")
    assert status == 0
    assert name in out


def test_a_seed_too_large_for_a_file_is_refused(craterfront_run, folder):
    status, _, err = craterfront_run("simulate", "good.toml", "-o", "x.nc", "--seed", 2**70)
    assert status == 2
    assert "--seed" in err


@pytest.mark.parametrize("directory", ["good.toml", "good.toml/demo"])
def test_demo_into_a_file_is_refused(craterfront_run, folder, directory):
    status, out, err = craterfront_run("demo", "--directory", directory)
    assert (status, out) == (2, "")
    assert "good.toml" in err


@pytest.mark.parametrize(
    "arguments",
    [
        ("good.toml: is named as input and as output", "-o", "good.toml"),
        ("x.png: is named for two outputs", "-o", "x.png", "--figure", "x.png"),
    ],
)
def test_an_output_that_is_another_file_of_the_command_is_refused(
    craterfront_run, folder, arguments
):
    before = contents(folder)
    message, *options = arguments
    assert craterfront_run("simulate", "good.toml", *options) == (2, "", f"{message}\n")
    assert contents(folder) == before


# --- good input --------------------------------------------------------------------------------


def test_simulate_replaces_the_output_whole(craterfront_run, folder):
    status, out, err = craterfront_run(
        "simulate", "good.toml", "-o", "old.nc", "--figure", "p.svg", "--seed", "1", "--exposure"
    )
    assert (status, out) == (0, "")
    assert err == "old.nc: 200 readings of 2 channels, 75.84 nm deep, seed 1\n"
    dataset = read_dataset("old.nc")
    assert np.array_equal(dataset["intensity"], read_dataset("profile.nc")["intensity"])
    assert "exposure" in dataset
    assert (folder / "p.svg").read_text(encoding="utf-8").startswith("<?xml")
    assert not list(folder.glob(".*"))


def test_the_exposure_matrix_is_drawn_beside_the_profile(craterfront_run, folder):
    command = ("simulate", "good.toml", "-o", "x.nc", "--figure", "p.png")
    assert craterfront_run(*command)[0] == 0
    assert not (folder / "p-exposure.png").exists()
    assert craterfront_run(*command, "--exposure")[0] == 0
    assert (folder / "p-exposure.png").read_bytes().startswith(b"\x89PNG")


def test_quiet_prints_nothing(craterfront_run, folder):
    assert craterfront_run("simulate", "lamp.toml", "-o", "x.nc", "--quiet") == (0, "", "")
    assert (folder / "x.nc").exists()


def test_explain_lists_every_parameter(craterfront_run, folder):
    full = GOOD + LAMP + '[crater]\nshape = "parabolic"\ncurvature = 0.03\n'
    full += '[mixing]\nmodel = "diffusive"\n'
    (folder / "full.toml").write_text(full, encoding="utf-8")
    experiment = experiment_from_toml(full)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    status, out, _ = craterfront_run("check", "full.toml", "--explain")
    text = plain(out)
    assert status == 0
    rows = [parameter.name for parameter in assembly.parameters]
    rows += [name for name, *_ in assembly.linear_rows()]
    assert len(rows) >= 12
    for row in rows:
        assert row in text, row
    for state in ("free", "assumed", "fixed"):
        assert state in text
    assert "erosion rate of coat 20 nm/s assumed, u = 2 nm/s" in text
    assert "mixing length" in text.split("projected range of the ions")[0]
    silent = craterfront_run("check", "full.toml")[1]
    assert "erosion rate of coat" not in plain(silent)


def test_check_draws_the_rates_of_a_lamp(craterfront_run, folder):
    status, out, _ = craterfront_run("check", "lamp.toml", "--rates", "rates.png")
    assert (status, "no mistakes" in out) == (0, True)
    assert (folder / "rates.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("experiment", "figure", "problem"),
    [
        ("good.toml", "rates.png", 'good.toml: source: rate laws are those of kind = "glow disc'),
        ("lamp.toml", "rates.bmp", "rates.bmp"),
        ("lamp.toml", "lamp.toml", "lamp.toml: is named as input and as output"),
    ],
)
def test_rates_that_cannot_be_drawn_leave_no_file(
    craterfront_run, folder, experiment, figure, problem
):
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    status, _, err = craterfront_run("check", experiment, "--rates", figure)
    assert (status, problem in err) == (2, True)
    assert before == {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}


def test_check_prints_what_is_probably_not_meant(craterfront_run, folder):
    (folder / "odd.toml").write_text(
        GOOD + '[material.spare]\ncomposition = "Ti"\n', encoding="utf-8"
    )
    status, out, _ = craterfront_run("check", "odd.toml")
    assert status == 0
    assert "Note: material.spare: no layer names it" in out


def test_check_tells_of_a_width_beyond_its_layer(craterfront_run, folder):
    wide = GOOD.replace("interface_width_nm = 4.0", "interface_width_nm = 500.0")
    (folder / "wide.toml").write_text(wide, encoding="utf-8")
    note = 'layer[1] "coat" interface_width_nm: 500 nm are wider than the layer, 60 nm'
    assert note in plain(craterfront_run("check", "wide.toml")[1])
    assert note not in plain(craterfront_run("check", "good.toml")[1])


def test_invert_tells_of_rows_left_out_where_too_few_are_left(craterfront_run, folder):
    status, out, err = craterfront_run("invert", "cells.txt", "-e", "good.toml")
    assert (status, out) == (2, "")
    assert 'line 3 left out: column "Al" (number 3) holds "many"' in err


def test_cautions_stand_where_a_source_is_shown(craterfront_run, folder, monkeypatch):
    """Wherever source settings are shown: high voltage, gas, toxic dust, who decides."""
    assert plain(CAUTION) in plain(craterfront_run("check", "lamp.toml")[1])
    assert plain(CAUTION) not in plain(craterfront_run("check", "good.toml")[1])
    assert plain(CAUTION) in plain(craterfront_run("simulate", "lamp.toml", "-o", "x.nc")[2])
    assert plain(CAUTION) not in plain(craterfront_run("simulate", "good.toml", "-o", "x.nc")[2])

    def nothing(*_):
        raise InputProblems(["no more"])

    monkeypatch.setattr(craterfront.demo, "run_demo", nothing)
    status, out, err = craterfront_run("demo")
    assert (status, err) == (2, "no more\n")
    assert plain(CAUTION) in plain(out)


@pytest.fixture(scope="module")
def json_answer(tmp_path_factory, profile_bytes):
    """What the netCDF profile gives, as JSON, from a process of its own."""
    place = tmp_path_factory.mktemp("json")
    (place / "profile.nc").write_bytes(profile_bytes)
    (place / "good.toml").write_text(GOOD, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "craterfront", *INVERT, "-o", "estimate.nc", "--json"],
        cwd=place,
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    assert done.stderr == ""
    assert read_dataset(place / "estimate.nc").attrs["answer"] == done.stdout.removesuffix("\n")
    return json.loads(done.stdout)


def test_json_is_all_that_is_printed(json_answer):
    (layer,), (interface,) = json_answer["layers"], json_answer["interfaces"]
    assert layer["layer"] == interface["below"] == "coat"
    assert layer["thickness_lo_nm"] < 60.0 < layer["thickness_hi_nm"]
    assert layer["areal_mass_g_m2"] == pytest.approx(layer["thickness_nm"] * 8.96e-3)
    assert interface["resolved"] is True
    assert interface["width_lo_nm"] < 4.0 < interface["width_hi_nm"]
    assert json_answer["depth_scale"] == ["erosion rates"]


def test_text_and_netcdf_give_the_same_answer(craterfront_run, folder, json_answer):
    """Semicolons, decimal commas, a byte-order mark, Windows line ends, times in ms."""
    dataset = read_dataset("profile.nc")
    rows = np.vstack([1e3 * dataset["time"].values, dataset["intensity"].values]).T
    lines = ["Zeit;Cu 325;Al 396", *(";".join(map(repr, map(float, row))) for row in rows)]
    text = "\ufeff" + "\r\n".join(lines).replace(".", ",") + "\r\n"
    (folder / "profile.txt").write_bytes(text.encode("utf-8"))
    columns = "".join(
        f'[[detection.channel]]\nelement = "{symbol}"\ncolumn = "{column}"\n'
        for symbol, column in (("Cu", "Cu 325"), ("Al", "Al 396"))
    )
    reading = '[profile]\naxis_column = "Zeit"\naxis_unit = "ms"\n'
    (folder / "text.toml").write_text(GOOD + columns + reading, encoding="utf-8")
    status, out, _ = craterfront_run("invert", "profile.txt", "-e", "text.toml", "--json")
    assert status == 0
    (here,), (there,) = json.loads(out)["layers"], json_answer["layers"]
    for key in ("thickness_nm", "thickness_u_nm", "thickness_lo_nm", "areal_mass_u_g_m2"):
        assert here[key] == pytest.approx(there[key], rel=1e-4)


def test_invert_says_what_has_no_effect(craterfront_run, folder):
    unused = GOOD + "[material.spare]\ncomposition = 'Ni'\nerosion_rate_nm_s = 1.0\n"
    (folder / "good.toml").write_text(unused, encoding="utf-8")
    status, out, err = craterfront_run(*INVERT, "--json")
    assert (status, err) == (0, "Note: material.spare: no layer names it\n")
    assert json.loads(out)["layers"]


def test_invert_prints_tables_and_draws(craterfront_run, folder):
    status, out, _ = craterfront_run(
        *INVERT,
        *("--relative", "--explain", "--figure", "fit.png", "--budget", "budget.pdf"),
        *("--report", "report.html"),
    )
    text = plain(out)
    assert status == 0
    assert text.index("Note: times at nominal rates, no depths") < text.index("Layers: duration")
    assert "Depth scale from" not in text
    for heading in ("Interfaces: true width", "Broadening", "What is known before the data"):
        assert heading in text
    assert "no certified test report" in text
    assert (folder / "fit.png").read_bytes().startswith(b"\x89PNG")
    assert (folder / "budget.pdf").read_bytes().startswith(b"%PDF")
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert hashlib.sha256((folder / "profile.nc").read_bytes()).hexdigest() in page
    assert page.endswith("</html>\n")


# --- standard figures --------------------------------------------------------------------------


def written(folder, name, depth, counts):
    lines = [f"{x:.6f}\t{n:d}" for x, n in zip(depth, counts, strict=True)]
    (folder / name).write_text("depth (nm)\tB\n" + "\n".join(lines) + "\n", encoding="utf-8")


def figures_of(out):
    read = json.loads(out)
    assert set(read) == {"channel", "feature", "from", "to", "figures", "notes"}
    return {figure["name"]: figure for figure in read["figures"]}


def test_resolution_of_an_edge(craterfront_run, folder):
    """Derived: an error function of standard deviation 2.5 nm is 5 nm wide (15.87 to 84.13 %)."""
    depth = np.arange(0.0, 60.0, 0.2)
    mean = 50.0 + 4e4 * ndtr((30.0 - depth) / 2.5)
    written(folder, "edge.txt", depth, np.random.default_rng(1).poisson(mean))
    status, out, _ = craterfront_run(
        *("resolution", "edge.txt", "--channel", "B", "--feature", "edge", "--axis", "depth"),
        *("--counts", "1", "--json", "--figure", "edge.png"),
    )
    assert status == 0
    found = figures_of(out)
    position, width = found["position (50 %)"], found["width 15.87-84.13 %, read off"]
    assert position["unit"] == width["unit"] == "nm"
    assert position["value"] == pytest.approx(30.0, abs=max(4.0 * position["u"], 0.03))
    assert width["value"] == pytest.approx(5.0, abs=max(4.0 * width["u"], 0.1))
    assert (folder / "edge.png").exists()


def delta_response(x, leading, trailing, sigma):
    """Two exponentials joined at 0, convolved with a normal distribution (derived).

    Each half is exp(-+x/L + s^2/(2 L^2)) erfc((+-x/s + s/L)/sqrt 2) / 2, up to a common factor.
    """
    up = np.exp(x / leading + sigma**2 / (2 * leading**2))
    up = up * erfc((x / sigma + sigma / leading) / np.sqrt(2.0))
    z = (sigma / trailing - x / sigma) / np.sqrt(2.0)
    tail = np.exp(-x / trailing + sigma**2 / (2 * trailing**2))
    down = np.where(z < 0, tail * erfc(z), np.exp(-0.5 * (x / sigma) ** 2) * erfcx(np.abs(z)))
    return 0.5 * (up + down)


def test_resolution_of_a_delta_layer(craterfront_run, folder):
    """A response as in ISO 20341 with known parameters comes back."""
    depth = np.arange(0.0, 60.0, 0.2)
    mean = 2.0 + 1e5 * delta_response(depth - 30.0, 0.8, 2.4, 1.2)
    written(folder, "delta.txt", depth, np.random.default_rng(2).poisson(mean))
    arguments = ("resolution", "delta.txt", "--channel", "B", "--feature", "delta")
    options = ("--axis", "depth", "--counts", "1")
    status, out, _ = craterfront_run(*arguments, *options, "--json")
    assert status == 0
    found = figures_of(out)
    for name, truth in (
        ("leading decay length", 0.8),
        ("trailing decay length", 2.4),
        ("Gaussian broadening", 1.2),
    ):
        figure = found[name]
        assert figure["value"] == pytest.approx(truth, abs=4.0 * figure["u"])
        assert figure["u"] < 0.05 * truth
    status, out, _ = craterfront_run(*arguments, *options)
    assert status == 0
    assert "full width at half maximum" in plain(out)


def test_json_of_resolution_carries_the_notes_of_the_reader(craterfront_run, folder):
    depth = np.arange(0.0, 60.0, 0.2)
    written(
        folder, "edge.txt", depth, np.round(50.0 + 4e4 * ndtr((30.0 - depth) / 2.5)).astype(int)
    )
    with open(folder / "edge.txt", "a", encoding="utf-8") as file:
        file.write("60.0\tmany\n")
    _, out, _ = craterfront_run(
        *("resolution", "edge.txt", "--channel", "B", "--feature", "edge", "--axis", "depth"),
        "--json",
    )
    notes = json.loads(out)["notes"]
    assert 'line 302 left out: column "B" (number 2) holds "many"' in notes
    assert 'axis taken from the first column, "depth (nm)"' in notes


def test_resolution_reads_the_unit_of_the_header(craterfront_run, folder):
    """Derived: an error function of standard deviation 2.5 ms is 5 ms wide (15.87 to 84.13 %)."""
    time = np.arange(0.0, 60.0, 0.2)
    written(folder, "edge.txt", time, np.round(50.0 + 4e4 * ndtr((30.0 - time) / 2.5)).astype(int))
    text = (folder / "edge.txt").read_text(encoding="utf-8")
    (folder / "edge.txt").write_text(text.replace("depth (nm)", "Time (ms)"), encoding="utf-8")
    _, out, _ = craterfront_run(
        "resolution", "edge.txt", "--channel", "B", "--feature", "edge", "--json"
    )
    width = figures_of(out)["width 15.87-84.13 %, read off"]
    assert (width["unit"], width["value"]) == ("s", pytest.approx(5e-3, rel=0.02))


# --- interruption ------------------------------------------------------------------------------


def test_quantify_prints_what_its_json_says(craterfront_run, folder):
    boundary = ("--boundary", "Al = 50 %")
    status, out, err = craterfront_run(*QUANTIFY, *boundary, "--figure", "x.png")
    assert (status, err) == (0, "")
    assert (folder / "x.png").read_bytes().startswith(b"\x89PNG")
    assert "surface to Al = 0.5" in plain(out)
    assert "standard unc." in plain(out)
    status, text, err = craterfront_run(*QUANTIFY[:4], *boundary, "--json")
    assert (status, err) == (0, "")
    coat, everything = json.loads(text)["spans"]
    dataset = read_dataset("old.nc")
    assert coat["thickness_nm"] == float(dataset["span_thickness"][0])
    assert f"{coat['areal_mass_g_m2']:.3f}" in plain(out)
    masses = [element["areal_mass_g_m2"] for element in coat["elements"].values()]
    assert coat["areal_mass_g_m2"] == pytest.approx(sum(masses))
    assert everything["areal_mass_g_m2"] > coat["areal_mass_g_m2"]


def test_quantify_reads_text(craterfront_run, folder):
    dataset = read_dataset("profile.nc")
    rows = np.vstack([1e3 * dataset["time"].values, dataset["intensity"].values]).T
    lines = ["t;Cu 325;Al 396", *(";".join(map(repr, map(float, row))) for row in rows)]
    (folder / "profile.txt").write_text("\n".join(lines), encoding="utf-8")
    text = LINES.replace("[element.Cu]", '[element.Cu]\ncolumn = "Cu 325"')
    text = text.replace("[element.Al]", "[element.Al]\ncolumn = 3")
    text += '[profile]\naxis_unit = "ms"\n'
    (folder / "text.toml").write_text(text, encoding="utf-8")
    status, out, _ = craterfront_run("quantify", "profile.txt", "-c", "text.toml", "--json")
    assert status == 0
    _, expected, _ = craterfront_run("quantify", "profile.nc", "-c", "lines.toml", "--json")
    (here,), (there,) = json.loads(out)["spans"], json.loads(expected)["spans"]
    for key in ("thickness_nm", "areal_mass_g_m2", "areal_mass_u_g_m2"):
        assert here[key] == pytest.approx(there[key], rel=1e-9)


def test_an_interrupted_write_keeps_what_was_there(tmp_path):
    target = tmp_path / "old.nc"
    target.write_bytes(PRECIOUS)

    def interrupted(place):
        place.write_bytes(b"half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_whole(target, interrupted)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {"old.nc": PRECIOUS}


posix = pytest.mark.skipif(sys.platform == "win32", reason="SIGINT is a POSIX signal")


INTERRUPTED = (130, -signal.SIGINT)
"""Shells show 130 for both: ended because of the signal, or by it (while Python itself ends)."""


def interrupted(arguments, folder, ready, wait_s=0.0):
    """Start a command, send SIGINT once a file of this pattern is there, and wait for the end."""
    started = subprocess.Popen(
        [sys.executable, "-m", "craterfront", *arguments],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        deadline = time.monotonic() + 120.0
        while not any(folder.glob(ready)) and started.poll() is None:
            assert time.monotonic() < deadline
            time.sleep(0.005)
        time.sleep(wait_s)
        assert started.poll() is None, "it was over before it could be interrupted"
        started.send_signal(signal.SIGINT)
        out, err = started.communicate(timeout=60)
    finally:
        started.kill()
    return started.returncode, out, err


@posix
def test_interrupting_demo_leaves_only_whole_files(tmp_path):
    status, out, err = interrupted(("demo", "--directory", "."), tmp_path, "profile.nc")
    assert status in INTERRUPTED
    assert "Traceback" not in out + err
    names = {p.name for p in tmp_path.iterdir()}
    assert names >= {"mirror-truth.toml", "mirror-analyst.toml", "profile.nc"}
    assert not [name for name in names if name.startswith(".")]
    assert "estimate.nc" not in names
    assert read_dataset(tmp_path / "profile.nc")["intensity"].sizes["channel"] == 5


@posix
def test_interrupting_simulate_while_it_writes_leaves_the_output_whole(tmp_path):
    """The exposure matrix of 8000 intervals takes a while to write."""
    fine = GOOD.replace("sampling_s = 0.02", "sampling_s = 5e-4")
    (tmp_path / "good.toml").write_text(fine, encoding="utf-8")
    (tmp_path / "old.nc").write_bytes(PRECIOUS)
    before = contents(tmp_path)
    arguments = ("simulate", "good.toml", "-o", "old.nc", "--exposure", "--figure", "p.png")
    status, out, err = interrupted(arguments, tmp_path, ".old-*.nc")
    assert status in INTERRUPTED
    assert (out, err) == ("", "")
    after = contents(tmp_path)
    assert after.keys() == before.keys()
    if after != before:  # the signal came just after the file was whole
        assert "exposure" in read_dataset(tmp_path / "old.nc")


@posix
def test_interrupting_invert_leaves_the_output_alone(tmp_path):
    """Six layers and 4000 readings take longer than the wait."""
    layers = "".join(
        f'[[layer]]\ncomposition = "{symbol}"\nthickness_nm = 30.0\nerosion_rate_nm_s = 10.0\n'
        for symbol in ("Cu", "Ni", "Ti", "Mo", "Ag", "W")
    )
    text = layers + '[substrate]\ncomposition = "Al"\nerosion_rate_nm_s = 10.0\n'
    text += (
        "[noise]\ncounts_per_unit_s = 20.0\n[detection]\nsampling_s = 0.005\nduration_s = 20.0\n"
    )
    experiment = experiment_from_toml(text)
    write_dataset(simulate(experiment.stack, experiment.setup, seed=1), tmp_path / "profile.nc")
    (tmp_path / "good.toml").write_text(text, encoding="utf-8")
    (tmp_path / "old.nc").write_bytes(PRECIOUS)
    before = contents(tmp_path)
    status, out, err = interrupted(
        (*INVERT, "-o", "old.nc", "--json"), tmp_path, "profile.nc", wait_s=2.0
    )
    assert status in INTERRUPTED
    assert (out, "Traceback" in err) == ("", False)
    assert contents(tmp_path) == before
