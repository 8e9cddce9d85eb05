"""What all tests share: the cache of compiled kernels, Hypothesis profiles, the data folder."""

import hashlib
import importlib.metadata
import importlib.util
import os
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).parents[1]


def _kernels_digest() -> str:
    """Names the state of all files with kernels, and of their compiler."""
    digest = hashlib.sha256(importlib.metadata.version("numba").encode())
    folder = Path(importlib.util.find_spec("craterfront.models").origin).parent
    sources = (path.read_bytes() for path in sorted(folder.rglob("*.py")))
    for source in sources:
        digest.update(source if b"njit" in source else b"")
    return digest.hexdigest()[:16]


# Numba looks only at the file of a kernel, not at the kernels that it imports from other files.
# A cache of its own for every state of the sources never serves a stale one. It must be named
# before numba is imported; subprocesses inherit the name.
os.environ.setdefault("NUMBA_CACHE_DIR", str(ROOT / ".pytest_cache" / "numba" / _kernels_digest()))

# No deadline: the first call of a kernel compiles it. The blob repeats a failure elsewhere.
settings.register_profile("default", deadline=None, print_blob=True)
settings.register_profile(
    "ci", deadline=None, print_blob=True, max_examples=100, database=None, derandomize=True
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))


@pytest.fixture(scope="session")
def data_folder() -> Path:
    """Measured and written data for tests, each with its source."""
    return ROOT / "tests" / "data"
