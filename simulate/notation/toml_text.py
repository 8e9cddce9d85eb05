"""TOML files that people write: read whole, with the place of what is no TOML."""

import os
import tomllib
from typing import Any

from craterfront.file_access import read_bytes
from craterfront.problems import InputProblems

MOST_BYTES = 5_000_000


def read_toml(path: str | os.PathLike[str]) -> dict[str, Any]:
    """What a TOML file in UTF-8 of at most 5 MB holds.

    Raises
    ------
    InputProblems
        The file cannot be read; of a syntax error, the line and column.
    """
    place = os.fspath(path)
    return parse_toml(_decoded(read_bytes(path, MOST_BYTES), place), place)


def parse_toml(text: str, place: str) -> dict[str, Any]:
    """What a TOML text holds; `place` is where it is from. Errors as `read_toml`."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputProblems([_syntax_error(str(error), text)], place) from None
    except ValueError:  # Python refuses to convert it
        raise InputProblems(["a number has too many digits"], place) from None
    except RecursionError:
        raise InputProblems(["brackets are nested too deeply"], place) from None


def _decoded(raw: bytes, place: str) -> str:
    """The text of a file, which may be anything."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputProblems(["is UTF-16 text; save it as UTF-8"], place)
    if b"\0" in raw:
        raise InputProblems(["is not a text file"], place)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        byte = f"0x{raw[error.start]:02x}"
        raise InputProblems([f"line {line}: is not UTF-8 text (byte {byte})"], place) from None


def _syntax_error(message: str, text: str) -> str:
    """The message of the TOML reader with the place in front."""
    what, _, where = message.removesuffix(")").rpartition(" (at ")
    if where == "end of document":
        lines = text.rstrip().split("\n")
        where = f"line {len(lines)}, column {len(lines[-1]) + 1}"
    return f"{where}: is not valid TOML: {what}"
