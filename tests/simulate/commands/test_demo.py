"""The command `demo`."""

import pytest


@pytest.mark.parametrize("directory", ["good.toml", "good.toml/demo"])
def test_demo_into_a_file_is_refused(craterfront_run, folder, directory):
    status, out, err = craterfront_run("demo", "--directory", directory)
    assert (status, out) == (2, "")
    assert "good.toml" in err
