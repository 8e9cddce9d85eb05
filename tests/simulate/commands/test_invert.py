"""The command `invert`."""

import hashlib
import json
import subprocess
import sys

import numpy as np
import pytest
from command_line import GOOD, INVERT, contents, plain

from craterfront.measured_files.files import read_dataset

BAD = {
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
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_ends_with_one_message_and_touches_nothing(refused, case):
    refused(*BAD[case])


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


def test_invert_tells_of_rows_left_out_where_too_few_are_left(craterfront_run, folder):
    status, out, err = craterfront_run("invert", "cells.txt", "-e", "good.toml")
    assert (status, out) == (2, "")
    assert 'line 3 left out: column "Al" (number 3) holds "many"' in err


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
