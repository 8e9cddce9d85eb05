"""The command `check`."""

import warnings

import pytest
from command_line import GOOD, LAMP, plain

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.assembly import Assembly

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
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_ends_with_one_message_and_touches_nothing(refused, case):
    refused(*BAD[case])


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


@pytest.mark.parametrize("name", ["[/b]", "[red]coat"])
def test_brackets_in_names_are_printed_as_they_are(craterfront_run, folder, name):
    (folder / "named.toml").write_text(GOOD.replace('"coat"', f'"{name}"'), encoding="utf-8")
    status, out, _ = craterfront_run("check", "named.toml")
    assert status == 0
    assert name in out


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
