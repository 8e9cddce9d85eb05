"""Files that can be read, and places that can be written: one message for whatever is wrong.

A file is written beside its place and then renamed: it is there whole or not at all.
"""

import os
import stat
import tempfile
from collections.abc import Callable
from pathlib import Path

from craterfront.problems import InputProblems

_LONGEST_STEM = 40  # of the name of a temporary file


def read_bytes(path: str | os.PathLike[str], most_bytes: int) -> bytes:
    """Read a regular file that is not too large.

    Parameters
    ----------
    path : path
    most_bytes : int
        A larger file is refused.

    Raises
    ------
    InputProblems
        One line that says why it cannot be read.
    """
    try:
        problem = _unfit(os.stat(path), most_bytes)
        if problem is None:
            with open(path, "rb") as file:
                return file.read(most_bytes)
    except FileNotFoundError:
        problem = "no such file"
    except PermissionError:
        problem = "no permission to read it"
    except (OSError, ValueError) as error:  # a name that cannot be, a disk that fails
        problem = f"cannot be read: {getattr(error, 'strerror', None) or error}"
    raise InputProblems([problem], os.fspath(path))


def _unfit(status: os.stat_result, most_bytes: int) -> str | None:
    """Why something cannot be read as a file, if so."""
    if stat.S_ISDIR(status.st_mode):
        return "is a directory, not a file"
    if not stat.S_ISREG(status.st_mode):  # a pipe or device may never end
        return "is not a regular file"
    if status.st_size > most_bytes:
        return f"has {status.st_size / 1e6:.1f} MB, at most {most_bytes / 1e6:.0f} MB are read"
    return None


def check_writable(path: str | os.PathLike[str]) -> None:
    """Refuse early what could not be written after a long computation.

    Raises
    ------
    InputProblems
    """
    target = Path(path)
    problem = _unwritable(target)
    if problem:
        raise InputProblems([problem], str(target))


def _unwritable(target: Path) -> str | None:
    """Why a file cannot be written, if so."""
    parent = target.parent
    try:
        there = os.stat(target)
    except (FileNotFoundError, NotADirectoryError):
        there = None
    except OSError as error:
        return f"cannot be written: {error.strerror}"
    if there and stat.S_ISDIR(there.st_mode):
        return "is a directory"
    if there and not stat.S_ISREG(there.st_mode):
        return "cannot be written: is not a regular file"
    if not parent.is_dir():
        return f"cannot be written: there is no directory {parent}"
    if not os.access(parent, os.W_OK | os.X_OK):
        return f"cannot be written: no permission in {parent}"
    if there and not os.access(target, os.W_OK):
        return "cannot be written: is write-protected"
    return None


def write_whole(path: str | os.PathLike[str], write: Callable[[Path], None]) -> None:
    """Write a file through a temporary one beside it.

    Parameters
    ----------
    path : path
        Where the file is to be.
    write : callable
        Writes to the path that it is given.

    Raises
    ------
    InputProblems
        When the place cannot be written to; what was there is untouched.
    """
    target = Path(path)
    check_writable(target)
    try:
        handle, name = tempfile.mkstemp(
            prefix=f".{target.stem[:_LONGEST_STEM]}-", suffix=target.suffix, dir=target.parent
        )
    except OSError as error:
        raise InputProblems([f"cannot be written: {error.strerror}"], str(target)) from None
    temporary = Path(name)
    try:
        os.close(handle)
        write(temporary)
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, target)
    except OSError as error:
        raise InputProblems([f"cannot be written: {error.strerror}"], str(target)) from None
    finally:
        temporary.unlink(missing_ok=True)


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write a text file in UTF-8, whole or not at all, line ends as they are."""

    def write(place: Path) -> None:
        place.write_bytes(text.encode("utf-8"))

    write_whole(path, write)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
