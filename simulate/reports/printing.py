"""Lines, notes and tables in the one look that all commands give them."""

from collections.abc import Iterable

from rich.console import Console
from rich.table import Table


def write_plain(console: Console, *texts: str) -> None:
    """Print texts as they are, each on a line of its own."""
    for text in texts:
        console.print(text, highlight=False, markup=False)


def print_notes(notes: Iterable[str], console: Console) -> None:
    """What a reader must not overlook."""
    for note in notes:
        console.print(f"Note: {note}", style="bold", highlight=False, markup=False)


def titled_table(title: str, *columns: str | tuple[str, ...]) -> Table:
    """A table without rows.

    Parameters
    ----------
    title : str
    *columns : str or tuple of str
        Headings from left to right: a text stands over words, a tuple of texts over numbers, which
        are set to the right.
    """
    table = Table(title=title, title_justify="left")
    for column in columns:
        if isinstance(column, str):
            table.add_column(column)
        else:
            for heading in column:
                table.add_column(heading, justify="right")
    return table
