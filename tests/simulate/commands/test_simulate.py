"""The command `simulate`."""

import numpy as np
import pytest
from command_line import contents

from craterfront.measured_files.files import read_dataset

BAD = {
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
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_ends_with_one_message_and_touches_nothing(refused, case):
    refused(*BAD[case])


def test_too_many_readings_are_refused_before_they_are_computed(craterfront_run, folder):
    before = contents(folder)
    status, _, err = craterfront_run("simulate", "fast.toml", "-o", "old.nc")
    assert status == 2
    assert "fast.toml: detection sampling_s: 1e-07 s over 4 s gives 40000000 readings" in err
    assert contents(folder) == before


def test_a_seed_too_large_for_a_file_is_refused(craterfront_run, folder):
    status, _, err = craterfront_run("simulate", "good.toml", "-o", "x.nc", "--seed", 2**70)
    assert status == 2
    assert "--seed" in err


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
