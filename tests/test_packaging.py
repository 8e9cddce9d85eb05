"""What is shipped, what depends on what, and what an import costs."""

import ast
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import craterfront

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
SETUPTOOLS = PROJECT["tool"]["setuptools"]
FOLDERS = SETUPTOOLS["package-dir"]
SOURCES = sorted(path for folder in FOLDERS.values() for path in (ROOT / folder).rglob("*.py"))

HEAVY = {"h5py", "matplotlib", "numba", "numpy", "pandas", "scipy", "xarray"}


def _shown(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def _imported(path: Path) -> list[str]:
    """Absolute names of all modules that a file imports, also within functions."""
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{_shown(path)}:{node.lineno}: relative import"
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    return names


# --- what is shipped ---------------------------------------------------------------------------


def _package_of(folder: Path) -> str:
    """Name under which a folder of the checkout is installed."""
    for name, top in FOLDERS.items():
        if folder.is_relative_to(ROOT / top):
            return ".".join((name, *folder.relative_to(ROOT / top).parts))
    raise AssertionError(f"{_shown(folder)} belongs to no package")


def test_every_folder_with_an_init_is_listed_as_a_package():
    """The editable install finds an unlisted one; the wheel silently lacks it."""
    found = {_package_of(path.parent) for path in SOURCES if path.name == "__init__.py"}
    assert found == set(SETUPTOOLS["packages"])


def test_every_data_file_is_shipped():
    shipped = {
        path
        for package, patterns in SETUPTOOLS["package-data"].items()
        for pattern in patterns
        for path in (ROOT / FOLDERS[package]).glob(pattern)
    }
    needed = {path for folder in FOLDERS.values() for path in (ROOT / folder).rglob("*.*")}
    lost = [path for path in needed - shipped if not (_is_module(path) or _is_cache(path))]
    assert sorted(map(_shown, lost)) == []


def _is_module(path: Path) -> bool:
    return path.suffix == ".py" and (path.parent / "__init__.py").exists()


def _is_cache(path: Path) -> bool:
    return "__pycache__" in path.parts


def test_version_is_the_same_everywhere():
    assert craterfront.__version__ == PROJECT["project"]["version"]
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert f"\n## {craterfront.__version__}" in changes


# --- dependencies ------------------------------------------------------------------------------


@pytest.mark.parametrize("path", SOURCES, ids=_shown)
def test_imports_are_absolute(path):
    tops = {name.partition(".")[0] for name in _imported(path)}
    assert tops.isdisjoint({"models", "simulate"}), "import craterfront and craterfront.models"


@pytest.mark.parametrize(
    "path", sorted((ROOT / FOLDERS["craterfront.models"]).rglob("*.py")), ids=_shown
)
def test_models_know_nothing_of_their_callers(path):
    ours = [name for name in _imported(path) if name.partition(".")[0] == "craterfront"]
    assert [name for name in ours if not name.startswith("craterfront.models.")] == []


_COMMAND_LINE = ("craterfront.cli.", "craterfront.commands.", "typer.")
_WORKBENCH = sorted(
    path
    for path in (ROOT / FOLDERS["craterfront"]).rglob("*.py")
    if path.stem != "__main__" and path.parent.name != "commands"
)


@pytest.mark.parametrize("path", _WORKBENCH, ids=_shown)
def test_nothing_but_the_command_line_knows_the_command_line(path):
    names = [name for name in _imported(path) if f"{name}.".startswith(_COMMAND_LINE)]
    assert bool(names) == (path.stem == "cli")


# From the ground up: a part, be it a folder or a module, imports itself and parts before it.
_MODELS = (
    "validity",
    "materials",
    "sources",
    "detection",
    "erosion_front",
    "interfaces",
    "instrument",
    "layered_sample",
    "altered_layers",
    "quick_engine",
    "slopes",
    "resolved_engine",
    "unfolding",
    "measurands",
)
_SIMULATE = (
    "cautions",
    "problems",
    "progress",
    "file_access",
    "notation",
    "samples",
    "experiments",
    "measured_files",
    "forward_model",
    "objective",
    "fitting",
    "posterior_sampling",
    "instruments",
    "unfolding",
    "quantification",
    "forecasts",
    "answers",
    "reports",
    "demo",
    "commands",
    "cli",
    "__main__",
)
_ORDERS = {"craterfront.models": _MODELS, "craterfront": _SIMULATE}


def _parts(package: str) -> dict[str, list[Path]]:
    """Modules of a package by the folder or the module that they are at its top."""
    top, parts = ROOT / FOLDERS[package], {}
    for path in filter(_is_module, sorted(top.rglob("*.py"))):
        part = path.relative_to(top).parts[0].removesuffix(".py")
        parts.setdefault(part, []).append(path)
    return {part: paths for part, paths in parts.items() if part != "__init__"}


@pytest.mark.parametrize("package", _ORDERS)
def test_every_part_has_its_place_in_the_order(package):
    assert sorted(_ORDERS[package]) == sorted(_parts(package))


@pytest.mark.parametrize(
    ("package", "part"), [(package, part) for package in _ORDERS for part in _ORDERS[package]]
)
def test_parts_import_only_those_before_them(package, part):
    order = _ORDERS[package]
    later = order[order.index(part) + 1 :]
    names = {name for path in _parts(package)[part] for name in _imported(path)}
    inside = {name.removeprefix(f"{package}.") for name in names if name.startswith(f"{package}.")}
    assert sorted(name for name in inside if name.partition(".")[0] in later) == []


@pytest.mark.parametrize("package", _ORDERS)
def test_the_map_of_the_code_follows_the_order(package):
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    mapped = re.findall(rf"^### `{FOLDERS[package]}/(\w+)/`$", text, re.MULTILINE)
    assert mapped == [part for part in _ORDERS[package] if part in mapped]
    assert {f"{part}.py" for part in _ORDERS[package] if part not in mapped} == {
        path.name for path in (ROOT / FOLDERS[package]).glob("*.py") if path.stem != "__init__"
    }


# --- lazy imports ------------------------------------------------------------------------------


def _run_python(code: str) -> str:
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    return done.stdout


def _loaded_after(code: str) -> set[str]:
    """Top-level modules that are loaded after some statements."""
    report = "import json, sys; print(); print(json.dumps(list(sys.modules)))"
    names = json.loads(_run_python(f"{code}\n{report}").splitlines()[-1])
    return {name.partition(".")[0] for name in names}


def test_import_costs_nothing():
    """Processor time, which does not depend on how busy the machine is."""
    code = (
        "import time; start = time.process_time(); import craterfront; "
        "print(time.process_time() - start)"
    )
    assert min(float(_run_python(code)) for _ in range(3)) < 0.1
    assert _loaded_after("import craterfront") & HEAVY == set()


@pytest.mark.parametrize("arguments", [[], ["simulate"], ["invert"]], ids=" ".join)
def test_help_loads_nothing_heavy(arguments):
    code = f"""
import sys
from craterfront.cli import main
sys.argv = ["craterfront", *{arguments!r}, "--help"]
try:
    main()
except SystemExit as stop:
    assert not stop.code
"""
    assert _loaded_after(code) & HEAVY == set()


def test_every_public_name_can_be_had():
    assert [name for name in craterfront.__all__ if not hasattr(craterfront, name)] == []
    assert set(craterfront.__all__) <= set(dir(craterfront))
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = craterfront.no_such_name


def test_type_checkers_see_the_names_that_load_lazily():
    source = Path(craterfront.__file__).read_text(encoding="utf-8")
    branch = next(
        node
        for node in ast.parse(source).body
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
    )
    seen = {(node.module, alias.name) for node in branch.body for alias in node.names}
    assert seen == {(home, name) for name, home in craterfront._HOME_OF.items()}
