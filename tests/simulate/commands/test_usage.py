"""Help with examples, the version, wrong usage, and cautions."""

import re

import pytest
from command_line import plain

import craterfront.demo
from craterfront.cautions import CAUTION
from craterfront.cli import app
from craterfront.problems import InputProblems

COMMANDS = sorted(info.callback.__name__ for info in app.registered_commands)


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
