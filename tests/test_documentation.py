"""The Markdown files are true: files load, commands exist, keys are complete, links resolve."""

import re
import shlex
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic_core import PydanticUndefined
from typer.main import get_command

from craterfront.cli import app
from craterfront.experiments import (
    beginning,
    channel,
    coupling,
    crater_shape,
    depth_scale,
    detection,
    mixing,
    noise,
    operating_points,
    profile_settings,
    rate_discrepancy,
    rate_table,
    roughness,
    setup,
    source,
)
from craterfront.experiments.experiment import FILE_KEYS, experiment_from_toml
from craterfront.instruments import instrument_file
from craterfront.notation.quantities import Quantity
from craterfront.notation.table import Table
from craterfront.quantification import calibration
from craterfront.quantification.calibration import calibration_from_toml
from craterfront.samples import asked, layer, solids, stack
from craterfront.samples.composition import Composed, Substance

ROOT = Path(__file__).parents[1]
GUIDE = ROOT / "simulate" / "guide"
PAGES = sorted([*ROOT.glob("*.md"), *GUIDE.glob("*.md")])

_BLOCK = re.compile(r"^```(\w*) *(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_CODE = re.compile(r"(?<!`)`([^`\n]+)`(?!`)")
_LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")


def _shown(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


def _text(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def _blocks(page: Path, language: str) -> list[tuple[str, str]]:
    """Mark and text of every fenced block in a language."""
    return [(mark, text) for name, mark, text in _BLOCK.findall(_text(page)) if name == language]


def _prose(page: Path) -> str:
    """A page without its fenced blocks."""
    return _BLOCK.sub("", _text(page))


# --- blocks ------------------------------------------------------------------------------------

_TOML = [(page, *block) for page in PAGES for block in _blocks(page, "toml")]


def test_pages_have_experiment_files():
    assert {page.name for page, mark, _ in _TOML if not mark} >= {"README.md", "experiment-file.md"}


@pytest.mark.parametrize(
    ("page", "mark", "text"),
    _TOML,
    ids=[f"{_shown(page)}-{i}" for i, (page, *_) in enumerate(_TOML)],
)
def test_toml_blocks_load(page, mark, text):
    """A block marked as a fragment is no whole file: each of its lines is valid on its own."""
    if mark == "fragment":
        assert all(isinstance(tomllib.loads(line), dict) for line in text.splitlines())
    elif mark == "calibration":
        assert calibration_from_toml(text, _shown(page)).elements
    elif mark == "instrument":
        assert instrument_file.instrument_from_toml(text, _shown(page)).number
    elif mark == "rates":
        assert rate_table.RateTable(**tomllib.loads(text)).rate
    else:
        assert mark == ""
        assert experiment_from_toml(text, _shown(page)).stack.elements()


def test_python_of_the_readme_runs(tmp_path, monkeypatch):
    """In order and in one namespace, beside the first experiment file of the page."""
    monkeypatch.chdir(tmp_path)
    (_, experiment), *_ = _blocks(ROOT / "README.md", "toml")
    Path("coating.toml").write_text(experiment, encoding="utf-8")
    blocks = _blocks(ROOT / "README.md", "python")
    assert blocks
    namespace: dict[str, Any] = {}
    for _, text in blocks:
        exec(compile(text, "README.md", "exec"), namespace)


# --- commands ----------------------------------------------------------------------------------


def _commands(page: Path) -> list[str]:
    """Calls of the command line in shell blocks and in code within the prose."""
    lines = [line for _, text in _blocks(page, "sh") for line in text.splitlines()]
    lines += _CODE.findall(_prose(page).replace("\n", " "))
    parts = [part.strip() for line in lines for part in line.split("&&")]
    return [part for part in parts if part.startswith("craterfront ")]


_COMMANDS = [(page, command) for page in PAGES for command in _commands(page)]


def test_the_readme_shows_every_command():
    shown = {command.split()[1] for page, command in _COMMANDS if page.name == "README.md"}
    assert shown >= set(get_command(app).commands)


@pytest.mark.parametrize(
    ("page", "command"), _COMMANDS, ids=[f"{_shown(page)}-{text}" for page, text in _COMMANDS]
)
def test_commands_exist(page, command):
    """Parsing raises for an unknown command or option and for a missing or surplus argument."""
    _, name, *arguments = shlex.split(command, comments=True)
    if name.startswith("--"):
        assert name in ("--help", "--version")
        return
    known = get_command(app).commands[name]
    if arguments:  # the bare name of a command in a sentence is no call
        known.make_context(name, arguments)


# --- the keys of the files ---------------------------------------------------------------------

_TABLES = {
    "`[[layer]]`": layer.Layer,
    "`[[layer]]` with `repeat`": layer.RepeatedLayers,
    "`[source.reference]`": source.OperatingPoint,
    "`[source.reference]` of an ion beam": source.MeasuredRate,
    "A table of relative rates": rate_table.RateTable,
    "`[[rate]]`": rate_table.RelativeRate,
    "`[material.NAME]`": solids.Material,
    "`[substrate]`": solids.Substrate,
    '`[source]` with `kind = "glow discharge"`': source.GlowDischarge,
    '`[source]` with `kind = "ion beam"`': source.IonBeam,
    '`[crater]` with `shape = "flat"`': crater_shape.FlatCrater,
    '`[crater]` with `shape = "parabolic"`': crater_shape.ParabolicCrater,
    "`[[crater.point]]`": operating_points.CraterPoint,
    '`[crater]` with `shape = "tilted"`': crater_shape.TiltedCrater,
    '`[crater]` with `shape = "edged"`': crater_shape.EdgedCrater,
    '`[crater]` with `shape = "rastered"`': crater_shape.RasteredCrater,
    '`[crater]` with `shape = "measured"`': crater_shape.MeasuredCrater,
    "`[discrepancy]`": rate_discrepancy.Discrepancy,
    "`[roughness]`": roughness.Roughness,
    "`[roughness.heights]`": roughness.Heights,
    "`[mixing]`": mixing.Mixing,
    "`[detection]`": detection.Detection,
    "`[detection.radial_weight]`": detection.RadialWeight,
    "`[[detection.channel]]`": channel.Channel,
    "`[start_up]`": beginning.StartUp,
    "`[surface_transient]`": beginning.SurfaceTransient,
    "`[coupling]`": coupling.Coupling,
    "`[coupling.edge_field]`": coupling.EdgeField,
    "`[noise]`": noise.Noise,
    "`[noise]` `flicker`": noise.Flicker,
    "`[noise]` `one_over_f`": noise.OneOverF,
    "`[profile]`": profile_settings.ProfileSettings,
    "`[depth_scale]`": depth_scale.DepthScale,
    "`limit`": asked.Limit,
    "`[[limit]]`": asked.CoatingLimit,
    "`[[case_depth]]`": asked.CaseDepth,
}
_CALIBRATION_TABLES = {
    "Top level of a calibration": calibration.Calibration,
    "`[element.SYMBOL]`": calibration.Line,
    "`[[reference]]`": calibration.ReferenceMaterial,
    "`[noise]` of the readings": calibration.ReadingNoise,
}
_INSTRUMENT_TABLES = {
    "Top level of an instrument file": instrument_file.InstrumentCalibration,
    "`[source]` of an instrument file": instrument_file.OperatingConditions,
    "`[valid]`": instrument_file.Validity,
    "`[[material]]`": instrument_file.CalibratedMaterial,
    "`[[reference]]` of an instrument file": instrument_file.ReferenceUsed,
    "`[[number]]`": instrument_file.CalibratedNumber,
}
_UNITS = {
    "_nm": "nm",
    "_nm2": "nm²",
    "_um": "µm",
    "_mm": "mm",
    "_mm2": "mm²",
    "mass_rate_ug_s": "µg/s",
    "_per_ug_s": "intensity/(µg/s)",
    "_s_ug": "s/µg",
    "_nm2_s": "nm² s",
    "_per_nm2_s": "1/(nm² s)",
    "_nm_s": "nm/s",
    "_ug_s": "µg/s",
    "_g_cm3": "g/cm³",
    "_eV": "eV",
    "_V": "V",
    "_nA": "nA",
    "_mA": "mA",
    "_W": "W",
    "_hPa": "hPa",
    "_deg": "°",
    "_s": "s",
    "_per_unit_s": "1/s",
    "_per_sqrt_s": "intensity · s^½",
}


def _documented(page: str) -> dict[str, dict[str, tuple[str, str]]]:
    """Unit and default of every key, by heading of a page of the guide."""
    found = {}
    for section in re.split(r"^## ", _text(GUIDE / page), flags=re.MULTILINE)[1:]:
        rows = re.findall(r"^\| `(\w+)` \| (.*?) ?\| (.*?) \|", section, flags=re.MULTILINE)
        if rows:
            found[section.splitlines()[0]] = {key: (unit, default) for key, unit, default in rows}
    return found


DOCUMENTED = _documented("experiment-file.md")
DOCUMENTED_CALIBRATION = _documented("quantification.md")
DOCUMENTED_INSTRUMENT = _documented("instrument.md")


def test_every_table_has_its_section():
    assert set(DOCUMENTED) == {"Top level", *_TABLES}
    tables = {
        value
        for module in (
            asked,
            beginning,
            channel,
            coupling,
            crater_shape,
            depth_scale,
            detection,
            layer,
            mixing,
            noise,
            operating_points,
            profile_settings,
            rate_discrepancy,
            rate_table,
            roughness,
            setup,
            solids,
            source,
            stack,
        )
        for name, value in vars(module).items()
        if isinstance(value, type) and issubclass(value, Table) and not name.startswith("_")
    }
    shared = {Table, Substance, Composed, solids.Solid, solids.Placed}
    assert tables - shared - {stack.Stack, setup.Setup} == {*_TABLES.values()}


def test_every_table_of_a_calibration_has_its_section():
    assert set(DOCUMENTED_CALIBRATION) == set(_CALIBRATION_TABLES)


def test_every_table_of_an_instrument_file_has_its_section():
    assert set(DOCUMENTED_INSTRUMENT) == set(_INSTRUMENT_TABLES)


def test_top_level_keys():
    assert set(DOCUMENTED["Top level"]) == set(FILE_KEYS)


@pytest.mark.parametrize("heading", [*_TABLES, *_CALIBRATION_TABLES, *_INSTRUMENT_TABLES])
def test_keys_and_defaults(heading):
    """All keys are there, required ones are called so, and plain defaults are the true ones."""
    fields = (_TABLES | _CALIBRATION_TABLES | _INSTRUMENT_TABLES)[heading].model_fields
    documented = (DOCUMENTED | DOCUMENTED_CALIBRATION | DOCUMENTED_INSTRUMENT)[heading]
    assert set(documented) == set(fields)
    for key, (unit, default) in documented.items():
        expected = _default_as_written(fields[key].get_default(call_default_factory=True))
        assert expected in (None, default), f"{heading} {key}"
        suffix = max((end for end in _UNITS if key.endswith(end)), key=len, default=None)
        if suffix:
            assert unit.split(",")[0] == _UNITS[suffix], f"{heading} {key}"


def _default_as_written(default: Any) -> str | None:
    """A default as the guide shows it; None where it is described in words."""
    if default is PydanticUndefined:
        return "required"
    if isinstance(default, bool):
        return f"`{str(default).lower()}`"
    if isinstance(default, str):
        return f'`"{default}"`'
    if isinstance(default, Quantity | int):
        return f"{float(default):g}"
    return None


# --- the map of the code -----------------------------------------------------------------------


_PACKAGES = sorted(
    init.parent for top in ("models", "simulate") for init in (ROOT / top).rglob("__init__.py")
)


@pytest.mark.parametrize("folder", _PACKAGES, ids=_shown)
def test_the_map_of_the_code_is_complete(folder):
    """DEVELOPERS.md has a table for each package, with one line for each module."""
    _, after = _text(ROOT / "DEVELOPERS.md").split(f"### `{_shown(folder)}/`")
    listed = re.findall(r"^\| `(\w+)` \|", after.split("\n#")[0], flags=re.MULTILINE)
    modules = {path.stem for path in folder.glob("*.py")} - {"__init__", "__main__"}
    assert set(listed) ^ modules == set()
    assert listed == sorted(listed)


# --- links -------------------------------------------------------------------------------------


def _anchors(page: Path) -> set[str]:
    """Anchors of the headings, made as on code hosting sites."""
    headings = re.findall(r"^#+ (.*)$", _prose(page), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=_shown)
def test_relative_links_lead_somewhere(page):
    lost = []
    for link in _LINK.findall(_prose(page)):
        if re.match(r"[a-z]+:", link):
            continue
        path, _, anchor = link.partition("#")
        target = page.parent / path if path else page
        if not target.exists() or (anchor and anchor not in _anchors(target)):
            lost.append(link)
    assert lost == []
