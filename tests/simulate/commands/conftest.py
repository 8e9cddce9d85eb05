"""A folder of good and bad files, and command lines that run in it."""

import os
import sys
import tempfile
from pathlib import Path

import pytest
from command_line import GOOD, PRECIOUS, TEXTS, contents

import craterfront.fitting.inversion
import craterfront.forward_model.forward
from craterfront.cli import main
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import write_dataset


@pytest.fixture(scope="session")
def profile_bytes(tmp_path_factory):
    """A simulated profile of the good experiment."""
    place = tmp_path_factory.mktemp("profile") / "profile.nc"
    experiment = experiment_from_toml(GOOD)
    write_dataset(simulate(experiment.stack, experiment.setup, seed=1), place)
    return place.read_bytes()


@pytest.fixture
def folder(tmp_path, monkeypatch, profile_bytes):
    """The working directory, with good and bad files."""
    for name, text in TEXTS.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "profile.nc").write_bytes(profile_bytes)
    (tmp_path / "damaged.nc").write_bytes(b"\x89HDF\r\n\x1a\n" + b"nothing of the kind")
    (tmp_path / "binary.txt").write_bytes(bytes(range(256)) * 8)
    (tmp_path / "old.nc").write_bytes(PRECIOUS)
    (tmp_path / "folder").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def craterfront_run(monkeypatch, capsys):
    """Runs a command line in this process; gives status, standard output and standard error."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["craterfront", *map(str, arguments)])
        try:
            main()
            status = 0
        except SystemExit as stop:
            status = stop.code or 0
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return run


@pytest.fixture
def refused(craterfront_run, folder, monkeypatch):
    """Runs what must end with one message, before anything is computed or written."""

    def never(*_, **__):
        raise AssertionError("computed before the input was checked")

    for module, name in (
        (craterfront.forward_model.forward, "run"),
        (craterfront.fitting.inversion, "best_fit"),
    ):
        monkeypatch.setattr(module, name, never)

    def run(arguments, message):
        before = contents(folder)
        status, out, err = craterfront_run(*arguments)
        assert status == 2
        assert message in err
        assert out == ""
        assert "Traceback" not in err
        assert err.count(message) == 1
        assert contents(folder) == before

    return run


@pytest.fixture
def unprivileged(craterfront_run):
    """A directory that another user owns, seen by one who is not root."""
    if sys.platform == "win32":
        pytest.skip("POSIX permissions")
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        (place / "good.toml").write_text(GOOD, encoding="utf-8")
        (place / "secret.toml").write_text(GOOD, encoding="utf-8")
        craterfront_run("check", place / "good.toml")  # loads what root alone may be able to read
        (place / "locked").mkdir()
        (place / "locked" / "good.toml").write_text(GOOD, encoding="utf-8")
        (place / "open").mkdir()
        (place / "open" / "kept.nc").write_bytes(PRECIOUS)
        (place / "open").chmod(0o777)
        (place / "open" / "kept.nc").chmod(0o444)
        (place / "locked").chmod(0o000)
        (place / "secret.toml").chmod(0o000)
        place.chmod(0o555)
        root = os.geteuid() == 0
        if root:
            os.setresuid(65534, 65534, 0)
        try:
            yield place
        finally:
            if root:
                os.setresuid(0, 0, 0)
            place.chmod(0o755)
            (place / "locked").chmod(0o755)
