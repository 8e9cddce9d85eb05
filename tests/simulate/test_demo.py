"""The demonstration: a complete round whose answer is compared with the truth."""

import io
import itertools
import json
import re

import numpy as np
import pytest
from rich.console import Console

from craterfront.cautions import CAUTION
from craterfront.demo import comparison, run_demo
from craterfront.experiments.experiment import load_experiment
from craterfront.measured_files.files import read_dataset
from craterfront.reports.report import print_answer

THICKNESS_NM = {"silver": 140.0, "copper": 85.0, "bond coat": 45.0}
WIDTH_NM = {"silver": 24.0, "copper": 1.0, "bond coat": 2.0}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """One run: the folder, the answer, the rows of the comparison, and what was reported."""
    folder = tmp_path_factory.mktemp("demo") / "new" / "folder"
    shares = []
    answer, rows = run_demo(folder, lambda stage, share: shares.append(share))
    return folder, answer, rows, shares


def test_files_are_all_there_and_nothing_else(demo):
    folder, *_ = demo
    assert {path.name for path in folder.iterdir()} == {
        "mirror-truth.toml",
        "mirror-analyst.toml",
        "profile.nc",
        "profile.png",
        "estimate.nc",
        "fit.png",
        "budget.png",
    }
    for name in ("profile.png", "fit.png", "budget.png"):
        assert (folder / name).read_bytes().startswith(b"\x89PNG")
    truth = load_experiment(folder / "mirror-truth.toml")
    written = {layer.name: float(layer.thickness_nm) for layer in truth.stack.expanded()[:-1]}
    assert written == THICKNESS_NM
    assert not load_experiment(folder / "mirror-analyst.toml").warnings()


def test_files_with_a_source_setting_begin_with_the_caution(demo):
    for name in ("mirror-truth.toml", "mirror-analyst.toml"):
        lines = (demo[0] / name).read_text(encoding="utf-8").splitlines()
        head = list(itertools.takewhile(lambda line: line.startswith("# "), lines))
        assert " ".join(line[2:] for line in head) == CAUTION


def test_the_profile_keeps_its_truth(demo):
    profile = read_dataset(demo[0] / "profile.nc")
    truth = dict(zip(profile["layer"].values, profile["thickness_nm"].values, strict=True))
    assert truth == THICKNESS_NM
    assert profile.sizes["time"] == 1200


def test_the_answer_needs_no_excuse(demo):
    answer = demo[1]
    assert not [note for note in answer.warnings if "did not converge" in note]
    assert not [note for note in answer.warnings if "at a bound" in note]
    assert answer.scale_sources == ["erosion rates"]


def test_thicknesses_hold_the_truth(demo):
    for layer in demo[1].layers:
        truth = THICKNESS_NM[layer.name]
        assert layer.value == pytest.approx(truth, abs=4.0 * layer.u)
        assert layer.u < 0.06 * truth
    inside = [x.lower <= THICKNESS_NM[x.name] <= x.upper for x in demo[1].layers]
    assert sum(inside) >= 2  # of three 95 % intervals, one may fail in one run of seven


def test_the_grown_interface_is_resolved_and_the_sharp_ones_are_limits(demo):
    """Silver and copper grew into each other over 24 nm, the others are 1 and 2 nm wide."""
    silver, copper, bond = (layer.width for layer in demo[1].layers)
    assert silver.resolved
    assert silver.lower_nm > 10.0
    assert silver.value_nm == pytest.approx(24.0, rel=0.15)
    for width, truth in ((copper, 1.0), (bond, 2.0)):
        assert width.upper_nm > truth
        assert width.upper_nm < 0.5 * silver.lower_nm


def test_a_width_that_is_not_resolved_is_nowhere_a_number(demo):
    folder, answer, *_ = demo
    copper = answer.layers[1]
    assert copper.width.is_limit
    row = json.loads(answer.as_json())["broadening_two_sd"][1]
    assert row["true transition (nm)"] is None
    # Derived: the width of an error function between 16 and 84 % is two standard deviations.
    limit = row["true transition, upper limit 95 % (nm)"]
    assert limit == pytest.approx(copper.width.upper_nm, rel=1e-6)
    estimate = read_dataset(folder / "estimate.nc")
    share = estimate["composition"].sel(element="Cu").values
    near = np.abs(estimate["sample_depth"].values - copper.depth) < 8.0
    assert np.count_nonzero((share[near] > 1e-6) & (share[near] < 1.0 - 1e-6)) <= 1
    console = Console(width=200, record=True, file=io.StringIO())
    print_answer(answer, console)
    assert f"< {limit:.3g}" in console.export_text()


def test_comparison_is_complete_and_agrees_with_the_answer(demo):
    _, answer, rows, _ = demo
    names = list(THICKNESS_NM)
    assert [row[0] for row in rows] == [
        text for name in names for text in (f"thickness of {name}", f"interface width below {name}")
    ]
    for name, (thickness, width), layer in zip(
        names, zip(rows[::2], rows[1::2], strict=True), answer.layers, strict=True
    ):
        assert thickness[1] == f"{THICKNESS_NM[name]:.1f} nm"
        assert width[1] == f"{WIDTH_NM[name]:.1f} nm"
        numbers = [float(text) for text in re.findall(r"\d+\.\d", thickness[2])]
        assert numbers == [round(x, 1) for x in (layer.value, layer.lower, layer.upper)]
        assert ("upper limit" in width[2]) == (not layer.width.resolved)


def test_comparison_takes_the_truth_from_the_experiment(demo):
    truth = load_experiment(demo[0] / "mirror-truth.toml")
    assert comparison(truth, demo[1]) == demo[2]


def test_the_estimate_holds_the_same_answer(demo):
    folder, answer, *_ = demo
    estimate = read_dataset(folder / "estimate.nc")
    assert json.loads(estimate.attrs["answer"]) == json.loads(answer.as_json())


def test_progress_only_ever_grows_to_the_whole(demo):
    shares = demo[3]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
