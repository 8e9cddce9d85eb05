"""Files that may not be read, places that may not be written."""

import pytest
from command_line import PRECIOUS


@pytest.mark.parametrize("name", ["secret.toml", "locked/good.toml"])
@pytest.mark.parametrize(
    "command",
    [
        ("check", "{}"),
        ("simulate", "{}", "-o", "x.nc"),
        ("invert", "{}", "-e", "good.toml"),
        ("invert", "x.txt", "-e", "{}"),
        ("resolution", "{}", "--channel", "Cu", "--feature", "edge"),
        ("resolution", "x.txt", "-e", "{}", "--channel", "Cu", "--feature", "edge"),
    ],
)
def test_a_file_without_permission(craterfront_run, unprivileged, monkeypatch, command, name):
    monkeypatch.chdir(unprivileged)
    status, out, err = craterfront_run(*(part.format(name) for part in command))
    assert (status, out, err) == (2, "", f"{name}: no permission to read it\n")


@pytest.mark.parametrize(
    ("target", "problem"),
    [
        ("profile.nc", "no permission in ."),
        ("locked/profile.nc", "Permission denied"),
        ("locked", "no permission in ."),
        ("secret.toml", "no permission in ."),
        ("open/kept.nc", "is write-protected"),
    ],
)
def test_a_place_without_permission(craterfront_run, unprivileged, monkeypatch, target, problem):
    monkeypatch.chdir(unprivileged)
    status, out, err = craterfront_run("simulate", "good.toml", "-o", target)
    problem = "is a directory" if target == "locked" else f"cannot be written: {problem}"
    assert (status, out, err) == (2, "", f"{target}: {problem}\n")
    assert (unprivileged / "open" / "kept.nc").read_bytes() == PRECIOUS


def test_demo_into_a_directory_without_permission(craterfront_run, unprivileged):
    for place, problem in (
        (unprivileged, f"cannot be written: no permission in {unprivileged}"),
        (unprivileged / "locked" / "new", "cannot be made: Permission denied"),
    ):
        status, _, err = craterfront_run("demo", "--directory", place)
        assert status == 2
        assert err.endswith(f": {problem}\n")
        assert err.count("\n") == 1
