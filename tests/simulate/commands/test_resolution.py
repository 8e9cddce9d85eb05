"""The command `resolution`."""

import json

import numpy as np
import pytest
from command_line import plain
from scipy.special import erfc, erfcx, ndtr

EDGE = ("resolution", "profile.nc", "--channel", "Cu", "--feature", "edge")

BAD = {
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
    "resolution of a directory": (
        ("resolution", "folder", "--channel", "Cu", "--feature", "edge"),
        "folder: is a directory",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_ends_with_one_message_and_touches_nothing(refused, case):
    refused(*BAD[case])


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
