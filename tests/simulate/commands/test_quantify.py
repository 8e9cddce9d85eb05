"""The command `quantify`."""

import json

import numpy as np
import pytest
from command_line import LINES, plain

from craterfront.measured_files.files import read_dataset

QUANTIFY = ("quantify", "profile.nc", "-c", "lines.toml", "-o", "old.nc")

BAD = {
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
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_ends_with_one_message_and_touches_nothing(refused, case):
    refused(*BAD[case])


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
