"""Resolved craters from the experiment file: keys, messages, notes, the dataset, the command."""

import json
import re

import numpy as np
import pytest
from typer.testing import CliRunner

import craterfront as cf
from craterfront.cli import app, main
from craterfront.experiments.experiment import (
    experiment_from_dict,
    experiment_from_toml,
    experiment_to_dict,
)
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.resolved import (
    couplings_of,
    radius_mm,
    recommendations,
    redeposited_share,
)
from craterfront.models.sources.lamp import REDEPOSITED_SHARE

LAYERS = """
[[layer]]
composition = "Cu"
thickness_nm = 20.0
erosion_rate_nm_s = 20.0
[substrate]
composition = "Fe"
erosion_rate_nm_s = 10.0
[detection]
sampling_s = 0.05
duration_s = 3.0
escape_depth_nm = 0.0
"""
LAMP = """
[source]
kind = "glow discharge"
voltage_V = 700.0
current_mA = 20.0
anode_diameter_mm = 4.0
"""
CRATER = '[crater]\nshape = "parabolic"\ncurvature = 0.2\n'


def file_of(text=""):
    return experiment_from_toml(f"{LAYERS}{text}")


def simulated(text="", **options):
    experiment = file_of(text)
    return cf.simulate(experiment.stack, experiment.setup, seed=1, **options)


def problems_of(action, *arguments, **options):
    with pytest.raises(cf.InputProblems) as caught:
        action(*arguments, **options)
    return caught.value.problems


# --- keys ----------------------------------------------------------------------------------------


def test_all_keys_are_written_back():
    text = CRATER + LAMP + "[coupling]\nannuli = 8\nrelative_current = { Cu = 1.2 }\n"
    text += "slope_coefficient = 0.8\nradius_mm = 1.5\n"
    text += "[coupling.edge_field]\nchange = -0.1\ndepth_nm = 50.0\nwidth = 0.1\n"
    experiment = file_of(text)
    again = experiment_from_dict(json.loads(json.dumps(experiment_to_dict(experiment))))
    assert again.setup.coupling == experiment.setup.coupling
    assembly = Assembly(experiment.stack, experiment.setup)
    couplings = couplings_of(assembly)
    assert couplings.relative_current == pytest.approx([1.2, 1.0])
    assert (couplings.slope_coefficient, couplings.radius_nm) == (0.8, 1.5e6)
    assert couplings.edge_field.change == -0.1
    assert couplings.redeposited_share == REDEPOSITED_SHARE


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("annulli = 8", "coupling annulli: unknown key; did you mean annuli?"),
        ("annuli = 0", "coupling annuli: must be >= 1, got 0"),
        ("annuli = 9999", "coupling annuli: must be <= 4096, got 9999"),
        ("relative_current = 2.0", "must be a table of numbers by layer or material"),
        ("relative_current = { Cu = 0.0 }", "Cu must be from 0.01 to 100, got 0"),
        ("relative_current = { Cuu = 1.1 }", '"Cuu" is no layer and no material; did you mean Cu?'),
        ("slope_coefficient = -1.0", "coupling slope_coefficient: must be >= 0"),
        ("radius_mm = 2.0", "coupling radius_mm: only with slope_coefficient"),
        ("edge_field = { change = 0.1, depth_nm = 5.0 }", "coupling.edge_field width: missing"),
        ("edge_field = { change = -1.0, depth_nm = 5.0, width = 1.0 }", "change: must be > -1"),
    ],
)
def test_mistakes_are_named(written, words):
    found = problems_of(file_of, f"[coupling]\n{written}\n")
    assert any(words in problem for problem in found), found


def test_radius_and_share_come_from_the_source_where_it_has_them():
    assert radius_mm(file_of(LAMP).setup) == 2.0
    assert radius_mm(file_of().setup) is None
    measured = '[crater]\nshape = "measured"\nradius_mm = [0.0, 1.5]\ndepth_um = [1.0, 0.9]\n'
    assert radius_mm(file_of(LAMP + measured).setup) == 1.5
    assert redeposited_share(file_of().setup) == 0.0
    assert redeposited_share(file_of(LAMP + "redeposited_share = 0.3\n").setup) == 0.3


# --- what cannot be ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[crater]\nshape = "tilted"\ntilt = 0.1\n', 'crater shape: is "tilted"'),
        ("[coupling]\nslope_coefficient = 1.0\n", "coupling radius_mm: missing"),
    ],
)
def test_what_cannot_be_resolved_is_refused(text, words):
    found = problems_of(simulated, text, resolved=True)
    assert any(words in problem for problem in found), found


def test_viewed_signals_and_escape_depths_are_refused():
    for old, new, words in (
        ("escape_depth_nm = 0.0", "escape_depth_nm = 0.5", "escape_depth_nm: a resolved crater"),
        ("[detection]", '[detection]\nview = "viewed"', 'view: is "viewed"'),
    ):
        experiment = experiment_from_toml(LAYERS.replace(old, new))
        found = problems_of(cf.simulate, experiment.stack, experiment.setup, resolved=True)
        assert words in found[0]


def test_no_exposure_matrix_beside_it():
    assert "--exposure" in problems_of(simulated, resolved=True, exposure=True)[0]


# --- the dataset ---------------------------------------------------------------------------------


def test_without_couplings_it_is_the_quick_profile():
    quick, resolved = simulated(CRATER), simulated(CRATER, resolved=True)
    full_scale = float(quick["clean"].max())
    assert float(np.abs(quick["clean"] - resolved["clean"]).max()) <= 1e-3 * full_scale
    np.testing.assert_allclose(resolved["mean_depth"], quick["mean_depth"], rtol=1e-3)


def test_the_history_of_the_crater():
    dataset = simulated(f"{CRATER}[coupling]\nannuli = 8\n", resolved=True)
    depth = dataset["crater_depth"]
    assert depth.dims == ("radius", "crater_time")
    assert depth.sizes["radius"] == 9
    assert depth.attrs == {"long_name": "depth of the crater", "units": "nm"}
    last = depth.isel(crater_time=-1)
    assert float(last[0]) > float(last[-1])
    assert np.all(dataset["relative_current"] == 1.0)
    for name in ("radius", "crater_time", "relative_current"):
        assert set(dataset[name].attrs) >= {"units", "long_name"}


def test_it_can_be_repeated_and_written(tmp_path):
    text = f"{CRATER}{LAMP}[coupling]\nannuli = 6\nrelative_current = {{ Cu = 1.2 }}\n"
    dataset = simulated(text, resolved=True)
    assert float(dataset["relative_current"][0]) == pytest.approx(1.2)
    cf.write_dataset(dataset, tmp_path / "crater.nc")
    again = cf.repeat(cf.read_dataset(tmp_path / "crater.nc"))
    np.testing.assert_array_equal(again["clean"], dataset["clean"])


def test_notes_tell_what_is_left_out():
    text = f"{CRATER}{LAMP}[coupling]\nannuli = 4\n[roughness]\ninitial_nm = 1.0\n"
    notes = simulated(text, resolved=True).attrs["notes"]
    assert "roughness: not in a resolved crater" in notes
    assert "redeposited_share: 0.45 is taken" in notes


def test_progress_is_told():
    told = []
    simulated(CRATER, resolved=True, progress=lambda stage, share: told.append((stage, share)))
    assert told[-1] == ("crater", 1.0)


# --- recommendations -----------------------------------------------------------------------------


def recommended(text):
    experiment = file_of(text)
    return recommendations(Assembly(experiment.stack, experiment.setup))


MIXED = '[mixing]\nmodel = "diffusive"\nlength_nm = 1.0\nrange_nm = 2.0\n'


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("[coupling]\nrelative_current = { Cu = 1.02 }\n", "relative_current"),
        ("[coupling.edge_field]\nchange = 0.1\ndepth_nm = 5.0\nwidth = 0.1\n", "edge_field"),
        (
            CRATER + "[coupling]\nslope_coefficient = 2.0\nradius_mm = 0.00001\n",
            "slope_coefficient",
        ),
        (LAMP + "redeposited_share = 0.6\n" + MIXED, "redeposited_share"),
    ],
)
def test_couplings_that_matter_recommend_the_resolved_engine(text, place):
    (found,) = recommended(text)
    assert place in found
    assert found.endswith("use --resolved")


@pytest.mark.parametrize(
    "text",
    [
        "",
        LAMP + MIXED,
        LAMP + "redeposited_share = 0.6\n",
        LAMP + "redeposited_share = 0.2\n" + MIXED,
        "[coupling]\nrelative_current = { Cu = 1.005 }\n",
        "[coupling.edge_field]\nchange = 0.01\ndepth_nm = 5000.0\nwidth = 0.1\n",
        CRATER + "[coupling]\nslope_coefficient = 2.0\nradius_mm = 2.0\n",
        '[crater]\nshape = "tilted"\ntilt = 0.1\n[coupling]\nrelative_current = { Cu = 1.5 }\n',
    ],
)
def test_others_do_not(text):
    assert recommended(text) == []


# --- the command ---------------------------------------------------------------------------------


def test_the_command_writes_a_resolved_profile(tmp_path):
    file = tmp_path / "coating.toml"
    file.write_text(LAYERS + CRATER + "[coupling]\nannuli = 4\n", encoding="utf-8")
    output = tmp_path / "profile.nc"
    result = CliRunner().invoke(app, ["simulate", str(file), "-o", str(output), "--resolved"])
    assert result.exit_code == 0
    assert cf.read_dataset(output).attrs["resolved"] == 1


def test_the_command_recommends_it(tmp_path):
    file = tmp_path / "coating.toml"
    file.write_text(LAYERS + "[coupling]\nrelative_current = { Cu = 1.3 }\n", encoding="utf-8")
    result = CliRunner().invoke(app, ["simulate", str(file), "-o", str(tmp_path / "profile.nc")])
    assert "coupling relative_current: changes the profile by up to 30 %" in result.stderr


def test_what_is_refused_leaves_nothing_behind(tmp_path, monkeypatch, capsys):
    file = tmp_path / "coating.toml"
    file.write_text(LAYERS + '[crater]\nshape = "tilted"\ntilt = 0.1\n', encoding="utf-8")
    output = tmp_path / "profile.nc"
    arguments = ["craterfront", "simulate", str(file), "-o", str(output), "--resolved"]
    monkeypatch.setattr("sys.argv", arguments)
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == 2
    assert 'crater shape: is "tilted"' in capsys.readouterr().err
    assert not output.exists()


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (
            '[crater]\nshape = "parabolic"\ncurvature = { Cu = 0.1, Fe = 0.0 }',
            "crater curvature: by layer; a resolved crater has one for all",
        ),
        (
            "[detection.radial_weight]\nradius_mm = [0, 2]\nweight = [1, 0]",
            "detection radial_weight: a resolved crater counts all of its area alike",
        ),
        (
            '[mixing]\nmodel = "diffusive"\nrange_nm = 3\nlength_nm = { Cu = 1.0 }',
            "mixing length_nm: by layer; in a resolved crater ions mix all layers alike",
        ),
    ],
)
def test_what_only_the_quick_engine_knows_is_refused(more, message):
    experiment = experiment_from_toml(
        f"""
        [[layer]]
        name = "Cu"
        composition = "Cu"
        thickness_nm = 20.0
        erosion_rate_nm_s = 5.0
        [substrate]
        name = "Fe"
        composition = "Fe"
        erosion_rate_nm_s = 5.0
        {more}
        """
    )
    with pytest.raises(cf.InputProblems, match=re.escape(message)):
        cf.simulate(experiment.stack, experiment.setup, seed=1, resolved=True)
