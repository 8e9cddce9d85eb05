"""What a command says: answers on standard output, all else on standard error."""

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from json import dumps
from typing import Any

import typer
from rich.console import Console

from craterfront.progress import Progress, silent
from craterfront.reports.printing import write_plain

_WIDTH = 110  # of tables that no terminal bounds


def open_console() -> Console:
    return Console(width=None if sys.stdout.isatty() else _WIDTH)


def say(text: str) -> None:
    """What belongs beside the result goes to standard error."""
    typer.echo(text, err=True)


def say_notes(notes: Iterable[object]) -> None:
    for note in notes:
        say(f"Note: {note}")


def print_json(answer: Any) -> None:
    typer.echo(dumps(answer, indent=2))


def give(answer: Any, as_tables: Callable[[Console], None], *closing: str, json: bool) -> None:
    """Print an answer as JSON, or as tables with closing words."""
    if json:
        print_json(answer)
        return
    console = open_console()
    as_tables(console)
    write_plain(console, *closing)


@contextmanager
def progress_bar(hidden: bool) -> Iterator[Progress]:
    """A progress bar on standard error; silent when asked or when nobody watches."""
    if hidden or not sys.stderr.isatty():
        yield silent
        return
    from rich import progress

    columns = (
        progress.TextColumn("{task.description:<14}"),
        progress.BarColumn(),
        progress.TimeElapsedColumn(),
    )
    with progress.Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda stage, share: bar.update(task, description=stage, completed=share)
