"""Replicate spots and batches."""

import csv
import io
import json
import math
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from craterfront.answers.batch import COLUMNS, DONE, DOUBTFUL, FAILED, Batch, invert_each
from craterfront.answers.replicates import combine_spots, combined
from craterfront.answers.results import answer
from craterfront.cli import main
from craterfront.commands.several_profiles import invert_each as print_each
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of, write_dataset
from craterfront.problems import InputProblems
from craterfront.reports.report import freedom_shown, print_spots

SAMPLE = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {nm}
interface_width_nm = 4.0
erosion_rate_nm_s = {rate}
[substrate]
composition = "Al"
erosion_rate_nm_s = 16.0
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[noise]
counts_per_unit_s = 20.0
"""
TIMES = "[detection]\nsampling_s = 0.02\nduration_s = 4.0\n"
KNOWN = SAMPLE.format(nm="{ guess = 50.0 }", rate="{ value = 20.0, u_rel = 0.05 }")
SPOTS_NM = (58.0, 60.5, 61.5, 59.0)
floats = st.floats(-1e3, 1e3)
several = st.lists(floats, min_size=2, max_size=8).map(np.array)


def dataset(nm, seed):
    experiment = experiment_from_toml(SAMPLE.format(nm=nm, rate=20.0) + TIMES)
    return simulate(experiment.stack, experiment.setup, seed=seed)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Profiles of four spots, their experiment, and a file that is no profile."""
    place = tmp_path_factory.mktemp("spots")
    for number, nm in enumerate(SPOTS_NM):
        write_dataset(dataset(nm, number), place / f"spot{number}.nc")
    (place / "known.toml").write_text(KNOWN)
    (place / "broken.txt").write_text("no numbers\n")
    return place


# --- statistics --------------------------------------------------------------------------------


def test_without_a_common_part_it_is_the_mean_of_a_sample():
    """s = sqrt(10), u = s / sqrt(4), 3 degrees of freedom, t = 3.1824 (Student's table)."""
    found = combined(np.array([1.0, 3.0, 5.0, 8.0]) + 0.0, 0.0)
    s = math.sqrt(np.var([1.0, 3.0, 5.0, 8.0], ddof=1))
    assert (found.mean, found.scatter) == (4.25, pytest.approx(s))
    assert found.u == pytest.approx(s / 2.0)
    assert found.degrees_of_freedom == pytest.approx(3.0)
    assert found.expanded_u == pytest.approx(3.1824 * s / 2.0, rel=1e-4)


def test_without_scatter_the_common_part_is_left():
    found = combined(np.full(3, 7.0), 4.0)
    assert (found.u, found.degrees_of_freedom) == (2.0, math.inf)
    assert found.expanded_u == pytest.approx(1.959964 * 2.0)


@given(several, st.floats(0.0, 1e4), st.floats(-100.0, 100.0), st.floats(0.1, 10.0))
def test_shift_and_unit_change_nothing_else(values, common, shift, unit):
    found, moved = combined(values, common), combined(unit * (values + shift), unit**2 * common)
    assert moved.mean == pytest.approx(unit * (found.mean + shift), abs=1e-6)
    assert moved.u == pytest.approx(unit * found.u, rel=1e-6, abs=1e-9)
    assert moved.expanded_u == pytest.approx(unit * found.expanded_u, rel=1e-5, abs=1e-8)


@given(several, st.floats(0.0, 1e4))
def test_bounds_of_the_combined_uncertainty(values, common):
    found = combined(values, common)
    of_mean = found.scatter / math.sqrt(values.size)
    assert found.u >= max(of_mean, math.sqrt(common)) * (1.0 - 1e-12)
    assert found.u <= (of_mean + math.sqrt(common)) * (1.0 + 1e-12)
    assert found.degrees_of_freedom >= (values.size - 1) * (1.0 - 1e-9)


def test_one_value_has_no_scatter():
    with pytest.raises(ValueError, match="at least 2, got 1"):
        combined(np.array([1.0]), 0.0)


TWO_LAYERS = """
[[layer]]
name = "outer"
composition = "Cu"
thickness_nm = {outer}
erosion_rate_nm_s = {{ value = 20.0, u_rel = 0.05 }}
interface_width_nm = 4.0
[[layer]]
name = "inner"
composition = "Ni"
thickness_nm = {inner}
erosion_rate_nm_s = {{ value = 12.0, u_rel = 0.08 }}
interface_width_nm = 4.0
[substrate]
composition = "Al"
erosion_rate_nm_s = 16.0
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[noise]
counts_per_unit_s = 20.0
"""


def two_layers(outer="{ guess = 50.0 }", inner="{ guess = 40.0 }"):
    return TWO_LAYERS.format(outer=outer, inner=inner)


@pytest.fixture(scope="module")
def spots_of_two_layers():
    """Profiles of two spots whose layers differ, and the inversions of them."""
    profiles = []
    for seed, (outer, inner) in enumerate([(58.0, 45.0), (61.0, 43.5)]):
        truth = experiment_from_toml(two_layers(outer, inner) + TIMES.replace("4.0", "10.0"))
        simulated = simulate(truth.stack, truth.setup, seed=seed)
        profiles.append(profile_of(simulated, f"spot {seed}"))
    known = experiment_from_toml(two_layers())
    return profiles, [invert(profile, known) for profile in profiles]


def test_depths_of_spots_have_the_joint_uncertainty_of_all_layers_above(spots_of_two_layers):
    """An interface between layers takes from one what it gives to the other: less noise in the sum.

    What priors and readings contribute adds up to the joint uncertainty of the thicknesses above.
    """
    _, inversions = spots_of_two_layers
    rows = {(quantity, layer): mean for quantity, layer, _, mean in combine_spots(inversions).rows}
    outer, inner = rows["thickness", "outer"], rows["thickness", "inner"]
    deep = rows["depth below", "inner"]
    answers = [answer(each).layers[1] for each in inversions]
    assert rows["depth below", "outer"] == outer
    assert deep.mean == pytest.approx(outer.mean + inner.mean)
    assert deep.scatter == pytest.approx(np.std([each.depth for each in answers], ddof=1))
    assert deep.repeatability < math.hypot(outer.repeatability, inner.repeatability)
    single = float(np.mean([each.depth_u for each in answers]))
    assert math.hypot(deep.common_u, deep.repeatability) == pytest.approx(single, rel=0.01)
    assert deep.u == pytest.approx(math.hypot(deep.common_u, deep.scatter / math.sqrt(2.0)))


def test_times_of_spots_are_those_at_nominal_rates(spots_of_two_layers):
    profiles, _ = spots_of_two_layers
    known = experiment_from_toml(two_layers())
    inversions = [invert(profile, known, relative=True) for profile in profiles]
    rows = [row for row in combine_spots(inversions).rows if row[:2] == ("time below", "inner")]
    ((_, _, unit, mean),) = rows
    deep = [answer(each).layers[1] for each in inversions]
    assert unit == "s"
    assert mean.mean == pytest.approx(np.mean([each.depth for each in deep]))
    single = float(np.mean([each.depth_u for each in deep]))
    assert math.hypot(mean.common_u, mean.repeatability) == pytest.approx(single, rel=0.01)


@pytest.mark.parametrize(("unresolved", "deep"), [(1, ["outer"]), (0, [])])
def test_below_a_layer_that_is_not_resolved_no_depth_has_a_mean(
    spots_of_two_layers, monkeypatch, unresolved, deep
):
    _, inversions = spots_of_two_layers
    answers = [answer(each) for each in inversions]
    layers = answers[1].layers
    layers[unresolved] = replace(layers[unresolved], resolved=False)
    for number in range(unresolved, 2):
        layers[number] = replace(layers[number], depth_u=None)
    monkeypatch.setattr("craterfront.answers.replicates.answer", lambda _: answers.pop(0))
    found = combine_spots(inversions)
    assert [layer for quantity, layer, *_ in found.rows if quantity == "depth below"] == deep
    own = [note for note in found.notes if not note.startswith("spot ")]
    assert own == [
        f"{layers[unresolved].name}: not resolved at every spot, so there is no mean of its"
        " thickness, nor of the depth of any interface below it"
    ]


def test_a_batch_has_the_depths_of_interfaces(spots_of_two_layers):
    _, inversions = spots_of_two_layers
    layers = answer(inversions[0]).as_dict()["interfaces"]
    batch = invert_each(["a"], lambda _: inversions[0])
    for row, layer in zip(csv.DictReader(io.StringIO(batch.as_csv())), layers, strict=True):
        for column, key in (("below", ""), ("u", "u_"), ("lower_95", "lo_"), ("upper_95", "hi_")):
            assert float(row[f"depth_{column}"]) == layer[f"depth_{key}nm"]


def test_a_batch_leaves_a_depth_empty_that_is_only_a_limit(spots_of_two_layers, monkeypatch):
    _, inversions = spots_of_two_layers
    found = answer(inversions[0])
    found.layers[0] = replace(found.layers[0], depth_u=None, depth_resolved=False, depth_lower=0.0)
    monkeypatch.setattr("craterfront.answers.batch.answer", lambda _: found)
    row = next(csv.DictReader(io.StringIO(invert_each(["a"], lambda _: inversions[0]).as_csv())))
    assert (row["depth_below"], row["depth_u"], row["depth_lower_95"]) == ("", "", "0.0")
    assert float(row["depth_upper_95"]) == found.layers[0].depth_upper


def test_spots_share_the_error_of_the_rate():
    """Thickness = rate x time: the 5 % of the rate stay, the rest falls with the root of n.

    What priors and readings contribute to one spot adds up to its Laplace variance: with
    C = 1 / (J'J), C (J_p'J_p + J_r'J_r) C = C.
    """
    experiment = experiment_from_toml(KNOWN)
    inversions = [
        invert(profile_of(dataset(nm, seed), f"spot {seed}"), experiment)
        for seed, nm in enumerate(SPOTS_NM)
    ]
    found = combine_spots(inversions)
    quantity, layer, unit, mean = found.rows[0]
    assert (quantity, layer, unit) == ("thickness", "coat", "nm")
    assert mean.scatter == pytest.approx(np.std(SPOTS_NM, ddof=1), rel=0.3)
    assert mean.common_u == pytest.approx(0.05 * mean.mean, rel=0.15)
    single = np.mean([answer(each).layers[0].u for each in inversions])
    assert math.hypot(mean.common_u, mean.repeatability) == pytest.approx(single, rel=0.02)
    assert mean.u == pytest.approx(math.hypot(mean.common_u, mean.scatter / 2.0))
    assert mean.repeatability < 0.5
    assert abs(mean.mean - np.mean(SPOTS_NM)) < 2.0 * mean.u
    assert json.loads(json.dumps(found.as_dict()))["means"][0]["count"] == 4
    with pytest.raises(InputProblems, match="at least 2 profiles, got 1"):
        combine_spots(inversions[:1])


# --- the command line --------------------------------------------------------------------------


def called(monkeypatch, *arguments):
    monkeypatch.setattr(sys, "argv", ["craterfront", *map(str, arguments)])
    with pytest.raises(SystemExit) as caught:
        main()
    return caught.value.code


def test_a_batch_goes_on_after_a_failure(folder, tmp_path, monkeypatch):
    summary = tmp_path / "summary.csv"
    profiles = [folder / "spot0.nc", folder / "broken.txt", folder / "spot1.nc"]
    options = ["-e", folder / "known.toml", "--each", "-o", summary, "--quiet"]
    assert called(monkeypatch, "invert", *profiles, *options) == 1
    rows = list(csv.DictReader(io.StringIO(summary.read_text())))
    assert tuple(rows[0]) == COLUMNS
    assert [row["status"] for row in rows] == [DONE, FAILED, DONE]
    assert abs(float(rows[0]["value"]) - 58.0) < 3.0 * float(rows[0]["u"])
    assert rows[1]["message"].startswith("no rows of numbers found")
    assert rows[1]["value"] == ""


def test_doubtful_answers_are_no_done_ones(folder, tmp_path, monkeypatch, capsys):
    summary, known = tmp_path / "summary.csv", tmp_path / "bounded.toml"
    bounded = SAMPLE.format(nm="{ guess = 50.0, max = 59.0 }", rate=20.0)
    known.write_text(bounded)
    profiles = [folder / "spot0.nc", folder / "spot2.nc"]
    options = ["-e", known, "--each", "-o", summary, "--quiet"]
    assert called(monkeypatch, "invert", *profiles, *options) == 0
    first, last = csv.DictReader(io.StringIO(summary.read_text()))
    assert (first["status"], first["message"]) == (DONE, "")
    assert last["status"] == DOUBTFUL
    assert last["message"] == "thickness of coat is at a bound (59 nm)"
    assert float(last["value"]) == pytest.approx(59.0)
    assert capsys.readouterr().err.count("is at a bound") == 1


def no_json(constant):
    raise AssertionError(f"{constant} is no JSON")


def test_json_of_a_batch_has_null_for_what_is_not_known(folder, monkeypatch, capsys):
    def unlimited(found):
        answers = answer(found)
        answers.layers[0] = replace(answers.layers[0], resolved=False, u=math.nan, upper=math.inf)
        return answers

    monkeypatch.setattr("craterfront.answers.batch.answer", unlimited)
    profiles = [folder / "spot0.nc", folder / "broken.txt"]
    options = ["-e", folder / "known.toml", "--each", "--json"]
    assert called(monkeypatch, "invert", *profiles, *options) == 1
    printed = json.loads(capsys.readouterr().out, parse_constant=no_json)
    assert [tuple(row) for row in printed] == [COLUMNS, COLUMNS]
    done, failed = printed
    assert [done[key] for key in ("status", "message", "value", "u", "upper_95")] == [DONE] + 4 * [
        None
    ]
    assert done["lower_95"] > 0.0
    assert [failed[key] for key in ("status", "layer", "notes")] == [FAILED, None, None]


def test_doubts_of_several_layers_are_said_once(monkeypatch, capsys):
    row = {"profile": "a", "status": DOUBTFUL, "message": "in doubt"}
    two_layers = Batch(rows=[{**row, "layer": "x"}, {**row, "layer": "y"}])
    monkeypatch.setattr("craterfront.answers.batch.invert_each", lambda *_: two_layers)
    print_each([Path("a")], None, None, json=False, quiet=True)
    assert capsys.readouterr().err == "a: in doubt\n1 of 1 profiles inverted\n"


def test_doubts_about_any_spot_come_before_all_notes():
    experiment = experiment_from_toml(KNOWN)
    spots = [
        replace(invert(profile_of(dataset(60.0, seed), f"spot {seed}"), experiment), notes=["note"])
        for seed in range(2)
    ]
    spots[1] = replace(spots[1], doubts=["doubt"])
    found, out = combine_spots(spots), io.StringIO()
    assert (found.doubts, found.notes) == (["spot 1: doubt"], ["spot 0: note", "spot 1: note"])
    told = found.as_dict()
    assert told["doubts"] == found.doubts
    assert told["warnings"] == [*found.doubts, *found.notes]
    for row in csv.DictReader(io.StringIO(found.as_csv())):
        assert (row["status"], row["notes"], row["message"]) == (DOUBTFUL, "2", "spot 1: doubt")
    print_spots(found, Console(file=out, width=120))
    assert out.getvalue().splitlines()[:2] == ["Note: spot 1: doubt", "Note: spot 0: note"]


def test_an_interrupt_leaves_the_old_summary(tmp_path):
    """Ctrl-C raises KeyboardInterrupt; nothing is written before all profiles are done."""

    def interrupted(_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        invert_each(["a", "b"], interrupted)


def test_an_interrupted_command_writes_nothing(folder, tmp_path):
    summary = tmp_path / "summary.csv"
    summary.write_text("precious")
    profiles = [str(folder / f"spot{i}.nc") for i in (0, 1, 2, 3)] * 20
    command = [sys.executable, "-m", "craterfront.cli", "invert", *profiles]
    command += ["-e", str(folder / "known.toml"), "--each", "-o", str(summary)]
    running = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    time.sleep(6.0)
    running.send_signal(signal.SIGINT)
    assert running.wait(timeout=60) != 0
    assert summary.read_text() == "precious"
    assert [path.name for path in tmp_path.iterdir()] == ["summary.csv"]


def test_spots_print_and_write_their_means(folder, tmp_path, monkeypatch, capsys):
    summary = tmp_path / "means.csv"
    profiles = [folder / f"spot{i}.nc" for i in range(2)]
    options = ["-e", folder / "known.toml", "--spots", "-o", summary, "--json"]
    assert called(monkeypatch, "invert", *profiles, *options) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["means"][0]["quantity"] == "thickness"
    assert printed["doubts"] == []
    row = next(csv.DictReader(io.StringIO(summary.read_text())))
    assert (row["count"], row["status"], row["message"]) == ("2", DONE, "")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ([], "2 profiles: say what they are"),
        (["--each", "--spots"], "--each and --spots: take only one of them"),
        (["--each", "--figure", "x.png"], "--figure: is for a single inversion, not with --each"),
        (["--together", "--relative"], "--relative: not with --together"),
        (["--each", "--experiment", "known.toml"], "is given more than once without --together"),
    ],
)
def test_contradictions_are_refused(folder, monkeypatch, capsys, options, message):
    monkeypatch.chdir(folder)
    code = called(monkeypatch, "invert", "spot0.nc", "spot1.nc", "-e", "known.toml", *options)
    assert code == 2
    assert message in capsys.readouterr().err


@pytest.mark.parametrize("option", ["--spots", "--together"])
def test_one_profile_is_no_group(folder, monkeypatch, capsys, option):
    monkeypatch.chdir(folder)
    assert called(monkeypatch, "invert", "spot0.nc", "-e", "known.toml", option) == 2
    assert f"{option}: takes at least 2 profiles, got 1" in capsys.readouterr().err


def test_calibrate_and_invert(folder, tmp_path, monkeypatch, capsys):
    """The whole round; a plain thickness is refused and nothing is written."""
    monkeypatch.chdir(folder)
    reference = SAMPLE.format(nm="{ value = 58.0, u = 0.6 }", rate="{ guess = 15.0 }")
    (tmp_path / "reference.toml").write_text(reference)
    (tmp_path / "plain.toml").write_text(SAMPLE.format(nm=58.0, rate="{ guess = 15.0 }"))
    target = tmp_path / "instrument.toml"
    arguments = ["calibrate", "spot0.nc", "-o", target, "-e"]
    assert called(monkeypatch, *arguments, tmp_path / "plain.toml") == 2
    assert "thickness_nm: must have its uncertainty in a reference" in capsys.readouterr().err
    assert not target.exists()
    assert called(monkeypatch, *arguments, tmp_path / "reference.toml") == 0
    assert "erosion rate of coat" in capsys.readouterr().out
    unscaled = SAMPLE.format(nm="{ guess = 50.0 }", rate="{ guess = 15.0 }")
    (tmp_path / "unknown.toml").write_text(unscaled)
    options = ["-e", tmp_path / "unknown.toml", "--json"]
    code = called(monkeypatch, "invert", "spot2.nc", *options, "--instrument", target)
    layer = json.loads(capsys.readouterr().out)["layers"][0]
    assert code == 0
    assert abs(layer["thickness_nm"] - SPOTS_NM[2]) < 2.5 * layer["thickness_u_nm"]
    assert called(monkeypatch, "invert", "spot2.nc", *options) == 2  # nothing fixes the scale


def test_a_calibration_does_not_go_with_relative_times(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    options = ["-e", "known.toml", "--relative", "--instrument", "known.toml"]
    assert called(monkeypatch, "invert", "spot0.nc", *options) == 2
    assert "--relative: a calibration has lengths and rates" in capsys.readouterr().err


def test_a_file_that_is_no_instrument(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    options = ["-e", "known.toml", "--instrument", "known.toml"]
    assert called(monkeypatch, "invert", "spot0.nc", *options) == 2
    message = capsys.readouterr().err
    assert message == "known.toml: is an experiment file, no calibration of an instrument\n"


@pytest.mark.parametrize(
    ("degrees", "shown"), [(2.345, "2.35"), (1130.4, "1130"), (float("inf"), "inf")]
)
def test_degrees_of_freedom_are_no_powers_of_ten(degrees, shown):
    assert freedom_shown(degrees) == shown
