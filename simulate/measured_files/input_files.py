"""The files that an answer was made from, so that others can tell whether they have the same."""

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from craterfront.file_access import read_bytes
from craterfront.measured_files.files import MOST_BYTES
from craterfront.notation.toml_text import read_toml


@dataclass(frozen=True)
class InputFile:
    """One file.

    Attributes
    ----------
    role : str
        What it is for.
    name : str
        Without its folder.
    sha256 : str
        Digest of its content, in hexadecimal digits.
    text : str
        What it says; of a profile empty.
    """

    role: str
    name: str
    sha256: str
    text: str = ""

    @classmethod
    def read(cls, role: str, path: Path, *, is_text: bool = False) -> Self:
        """The file at a path.

        Raises
        ------
        InputProblems
            It cannot be read.
        """
        content = read_bytes(path, MOST_BYTES)
        name = os.fsencode(path.name).decode("utf-8", "replace")
        text = content.decode("utf-8-sig", "replace") if is_text else ""
        return cls(role, name, hashlib.sha256(content).hexdigest(), text)


def input_files(profile: Path, experiment: Path) -> list[InputFile]:
    """Profile, experiment file, and the rate table that this one names.

    Raises
    ------
    InputProblems
        One of them cannot be read.
    """
    files = [
        InputFile.read("profile", profile),
        InputFile.read("experiment file", experiment, is_text=True),
    ]
    table = read_toml(experiment).get("source", {}).get("rate_table")
    if isinstance(table, str):
        files.append(InputFile.read("rate table", experiment.parent / table, is_text=True))
    return files
