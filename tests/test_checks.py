"""The page of checks is true: each test that it names exists and bears the class of its section."""

import ast
import re
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
PAGE = TESTS.parent / "simulate" / "guide" / "checks.md"
CLASSES = ("published", "derived", "recalled")
MARKED = sorted([*TESTS.glob("published/test_*.py"), *TESTS.glob("crosscheck/test_*.py")])


def classes_in(statements: list[ast.expr]) -> list[str]:
    """Classes among marks such as ``pytest.mark.derived``."""
    names = [
        node.attr
        for statement in statements
        for node in ast.walk(statement)
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "pytest.mark"
    ]
    return [name for name in names if name in CLASSES]


def classes_by_test(path: Path) -> dict[str, list[str]]:
    """Classes of every test function of a file, its own or those of the file."""
    body = ast.parse(path.read_text(encoding="utf-8")).body
    common = [
        name
        for node in body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "pytestmark"
        for name in classes_in([node.value])
    ]
    return {
        node.name: [*common, *classes_in(node.decorator_list)]
        for node in body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    }


def named_tests() -> list[tuple[str, str, str]]:
    """Section, file and function of each test that the page names."""
    sections = re.split(r"^## ", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)[1:]
    return [
        (section.splitlines()[0].lower(), file, test)
        for section in sections
        for file, test in re.findall(r"`([\w/]+\.py)::(\w+)`", section)
    ]


NAMED = named_tests()


@pytest.mark.parametrize("path", MARKED, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_every_check_has_one_class(path):
    unclear = {test: marks for test, marks in classes_by_test(path).items() if len(marks) != 1}
    assert unclear == {}


def test_the_page_has_a_section_for_each_class():
    assert list(dict.fromkeys(section for section, _, _ in NAMED)) == list(CLASSES)
    assert len(NAMED) == len({(file, test) for _, file, test in NAMED})


@pytest.mark.parametrize(("section", "file", "test"), NAMED, ids=[test for _, _, test in NAMED])
def test_named_tests_exist_in_their_class(section, file, test):
    assert classes_by_test(TESTS / file).get(test) == [section]


def test_every_row_names_a_test():
    rows = re.findall(r"^\| (?!what is checked|-).*\|$", PAGE.read_text("utf-8"), re.MULTILINE)
    assert [row for row in rows if "::" not in row and not row.startswith("|---")] == []


def test_the_page_names_every_file_of_checks():
    named = {file for _, file, _ in NAMED}
    assert {path.relative_to(TESTS).as_posix() for path in MARKED} <= named
