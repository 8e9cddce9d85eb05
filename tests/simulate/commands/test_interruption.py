"""Files are whole or not there at all, whenever a command is interrupted."""

import signal
import subprocess
import sys
import time

import pytest
from command_line import GOOD, INVERT, PRECIOUS, contents

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import read_dataset, write_dataset, write_whole


def test_an_interrupted_write_keeps_what_was_there(tmp_path):
    target = tmp_path / "old.nc"
    target.write_bytes(PRECIOUS)

    def interrupted(place):
        place.write_bytes(b"half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_whole(target, interrupted)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {"old.nc": PRECIOUS}


posix = pytest.mark.skipif(sys.platform == "win32", reason="SIGINT is a POSIX signal")


INTERRUPTED = (130, -signal.SIGINT)
"""Shells show 130 for both: ended because of the signal, or by it (while Python itself ends)."""


def interrupted(arguments, folder, ready, wait_s=0.0):
    """Start a command, send SIGINT once a file of this pattern is there, and wait for the end."""
    started = subprocess.Popen(
        [sys.executable, "-m", "craterfront", *arguments],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        deadline = time.monotonic() + 120.0
        while not any(folder.glob(ready)) and started.poll() is None:
            assert time.monotonic() < deadline
            time.sleep(0.005)
        time.sleep(wait_s)
        assert started.poll() is None, "it was over before it could be interrupted"
        started.send_signal(signal.SIGINT)
        out, err = started.communicate(timeout=60)
    finally:
        started.kill()
    return started.returncode, out, err


@posix
def test_interrupting_demo_leaves_only_whole_files(tmp_path):
    status, out, err = interrupted(("demo", "--directory", "."), tmp_path, "profile.nc")
    assert status in INTERRUPTED
    assert "Traceback" not in out + err
    names = {p.name for p in tmp_path.iterdir()}
    assert names >= {"mirror-truth.toml", "mirror-analyst.toml", "profile.nc"}
    assert not [name for name in names if name.startswith(".")]
    assert "estimate.nc" not in names
    assert read_dataset(tmp_path / "profile.nc")["intensity"].sizes["channel"] == 5


@posix
def test_interrupting_simulate_while_it_writes_leaves_the_output_whole(tmp_path):
    """The exposure matrix of 8000 intervals takes a while to write."""
    fine = GOOD.replace("sampling_s = 0.02", "sampling_s = 5e-4")
    (tmp_path / "good.toml").write_text(fine, encoding="utf-8")
    (tmp_path / "old.nc").write_bytes(PRECIOUS)
    before = contents(tmp_path)
    arguments = ("simulate", "good.toml", "-o", "old.nc", "--exposure", "--figure", "p.png")
    status, out, err = interrupted(arguments, tmp_path, ".old-*.nc")
    assert status in INTERRUPTED
    assert (out, err) == ("", "")
    after = contents(tmp_path)
    assert after.keys() == before.keys()
    if after != before:  # the signal came just after the file was whole
        assert "exposure" in read_dataset(tmp_path / "old.nc")


@posix
def test_interrupting_invert_leaves_the_output_alone(tmp_path):
    """Six layers and 4000 readings take longer than the wait."""
    layers = "".join(
        f'[[layer]]\ncomposition = "{symbol}"\nthickness_nm = 30.0\nerosion_rate_nm_s = 10.0\n'
        for symbol in ("Cu", "Ni", "Ti", "Mo", "Ag", "W")
    )
    text = layers + '[substrate]\ncomposition = "Al"\nerosion_rate_nm_s = 10.0\n'
    text += (
        "[noise]\ncounts_per_unit_s = 20.0\n[detection]\nsampling_s = 0.005\nduration_s = 20.0\n"
    )
    experiment = experiment_from_toml(text)
    write_dataset(simulate(experiment.stack, experiment.setup, seed=1), tmp_path / "profile.nc")
    (tmp_path / "good.toml").write_text(text, encoding="utf-8")
    (tmp_path / "old.nc").write_bytes(PRECIOUS)
    before = contents(tmp_path)
    status, out, err = interrupted(
        (*INVERT, "-o", "old.nc", "--json"), tmp_path, "profile.nc", wait_s=2.0
    )
    assert status in INTERRUPTED
    assert (out, "Traceback" in err) == ("", False)
    assert contents(tmp_path) == before
