"""Stylus traces from text files, and what an experiment file takes from them."""

import json
import sys

import numpy as np
import pytest

from craterfront.cli import main
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.measured_files.stylus_trace import crater_of, read_trace
from craterfront.problems import InputProblems

X_MM = np.linspace(-3.5, 3.5, 701)
SAMPLE = """
[[layer]]
composition = "Cu"
thickness_nm = 5000.0
erosion_rate_nm_s = { guess = 20.0 }
[substrate]
composition = "Al"
erosion_rate_nm_s = { guess = 20.0 }
"""


def heights_um(x_mm=X_MM, seed=0):
    floor = 12.0 * (1.0 + 0.08 * (0.5 - (x_mm / 2.0) ** 2))
    wall = np.clip((2.05 - np.abs(x_mm)) / 0.02, 0.0, 1.0)
    noise = 0.02 * np.random.default_rng(seed).normal(size=x_mm.size)
    return 5.0 - floor * wall + 0.2 * x_mm + noise


def written(place, x, z, heading="x (mm)\tz (um)"):
    rows = [heading, *(f"{a:.6f}\t{b:.6f}" for a, b in zip(x, z, strict=True))]
    place.write_text("\n".join(rows), encoding="utf-8")
    return place


def test_units_from_the_header(tmp_path):
    plain = read_trace(written(tmp_path / "a.txt", X_MM, heights_um()))
    other = read_trace(
        written(tmp_path / "b.txt", 1e3 * X_MM, 1e3 * heights_um(), "x [\u00b5m]\tz [nm]")
    )
    assert other.x_mm == pytest.approx(plain.x_mm)
    assert other.z_um == pytest.approx(plain.z_um, abs=1e-6)


def test_units_as_set(tmp_path):
    place = written(tmp_path / "a.txt", 1e3 * X_MM, 1e4 * heights_um(), "x\tz")
    with pytest.raises(InputProblems) as caught:
        read_trace(place)
    assert [p[-17:] for p in caught.value.problems] == ["th; give --x-unit", "th; give --z-unit"]
    read = read_trace(place, "um", "A")
    assert read.x_mm == pytest.approx(X_MM, abs=1e-6)
    with pytest.raises(InputProblems, match='--z-unit: must be "mm", "nm", "um" or "A", got "m"'):
        read_trace(place, "um", "m")


def test_depths_and_backward_traces_are_understood(tmp_path):
    plain = crater_of(read_trace(written(tmp_path / "a.txt", X_MM, heights_um())), 4.0)
    back = read_trace(written(tmp_path / "b.txt", X_MM[::-1], -heights_um()[::-1]))
    assert back.notes == ["the middle is higher than the sides: z is read as depth"]
    assert crater_of(back, 4.0).found.mean_depth_um == pytest.approx(
        plain.found.mean_depth_um, rel=1e-6
    )


def test_the_experiment_file_takes_it(tmp_path):
    traced = crater_of(read_trace(written(tmp_path / "a.txt", X_MM, heights_um())), 4.0, 0.01)
    experiment = experiment_from_toml(SAMPLE + traced.as_toml())
    depth = experiment.depth_scale.final_crater_depth_nm
    assert abs(float(depth) - 12_000.0) < 2.0 * depth.u
    assert 120.0 <= depth.u < 150.0
    assert experiment.setup.crater.shape == "measured"
    assert experiment.setup.crater.radius_mm[-1] == 2.0


def test_a_unit_against_the_header_is_told(tmp_path):
    place = written(tmp_path / "a.txt", X_MM, heights_um())
    assert read_trace(place, "mm", "\u00b5m").notes == []
    (note,) = read_trace(place, z_unit="nm").notes
    assert note == 'the column "z (um)" is read in nm, as --z-unit says and its header does not'


def test_a_scale_that_counts_as_exact_is_told_where_the_depth_is_written(tmp_path):
    trace = read_trace(written(tmp_path / "a.txt", X_MM, heights_um()))
    first = crater_of(trace, 4.0).as_toml().splitlines()[0]
    assert first.startswith("# the height scale of the stylus counts as exact")
    assert crater_of(trace, 4.0, 0.0).as_toml().startswith("[crater]")
    assert crater_of(trace, 4.0, 0.0).notes == []


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("1\n2\n3\n", "no rows of numbers found|has 1 column"),
        ("x (mm),z (um)\n1,2\n1,3\n1,4\n", "x must run in one direction"),
        ("x (mm),z (um)\n1,2\n2,3\n3,4\n", "at least 50 points"),
    ],
)
def test_what_is_no_trace(tmp_path, rows, message):
    place = tmp_path / "a.txt"
    place.write_text(rows)
    with pytest.raises(InputProblems, match=message) as caught:
        crater_of(read_trace(place))
    assert caught.value.source == str(place)


def test_an_area_with_the_wall_in_it_has_no_shape(tmp_path):
    trace = read_trace(written(tmp_path / "a.txt", X_MM, heights_um()))
    with pytest.raises(InputProblems, match="the crater has no depth beyond"):
        crater_of(trace, 6.0)


def called(monkeypatch, *arguments):
    monkeypatch.setattr(sys, "argv", ["craterfront", *map(str, arguments)])
    with pytest.raises(SystemExit) as caught:
        main()
    return caught.value.code


def test_the_command(tmp_path, monkeypatch, capsys):
    place = written(tmp_path / "trace.txt", X_MM, heights_um())
    target, figure = tmp_path / "crater.toml", tmp_path / "trace.png"
    options = ["--diameter-mm", 4, "--scale-u-rel", 0.01, "-o", target, "--figure", figure]
    assert called(monkeypatch, "crater", place, *options) == 0
    assert "mean depth over the area" in capsys.readouterr().out
    assert experiment_from_toml(SAMPLE + target.read_text()).setup.crater.shape == "measured"
    assert figure.stat().st_size > 10_000
    assert called(monkeypatch, "crater", place, "--json") == 0
    assert abs(json.loads(capsys.readouterr().out)["curvature"] - 0.08) < 0.02
    assert called(monkeypatch, "crater", place, "--diameter-mm", -1) == 2
    assert "--diameter-mm: must be > 0" in capsys.readouterr().err
