"""The examples in the docstrings of both packages."""

import doctest
import importlib
import pkgutil

import pytest

import craterfront
import craterfront.models

OPTIONS = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS


def _modules_with_examples() -> list[str]:
    """Names of modules whose source has a prompt, which is found without importing them."""
    names = set()
    for package in (craterfront, craterfront.models):
        for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if not found.ispkg and ">>>" in found.module_finder.find_spec(
                found.name
            ).loader.get_source(found.name):
                names.add(found.name)
    return sorted(names)


@pytest.mark.parametrize("name", _modules_with_examples())
def test_examples(name):
    result = doctest.testmod(importlib.import_module(name), optionflags=OPTIONS)
    assert result.attempted > 0
    assert result.failed == 0
