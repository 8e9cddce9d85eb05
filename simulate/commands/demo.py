"""The command `demo`."""

from pathlib import Path
from typing import Annotated

import typer

from craterfront.cautions import CAUTION, ESTIMATE
from craterfront.commands.options import Quiet
from craterfront.commands.terminal import open_console, progress_bar
from craterfront.reports.printing import write_plain

EXAMPLE = "Example: craterfront demo --directory mirror-demo"


def demo(
    directory: Annotated[
        Path, typer.Option(help="Where figures and files go; created if missing.", readable=False)
    ] = Path("craterfront-demo"),
    quiet: Quiet = False,
) -> None:
    """A complete round on an invented sample: simulate, invert, compare with the truth."""
    from craterfront.demo import STORY, check_directory, run_demo
    from craterfront.reports.report import print_answer, print_comparison

    check_directory(directory)
    console = open_console()
    write_plain(console, STORY)
    console.print(CAUTION, style="italic", highlight=False, markup=False)
    with progress_bar(quiet) as progress:
        answer, rows = run_demo(directory, progress)
    print_answer(answer, console)
    print_comparison(rows, console)
    where = f"Figures and files are in {directory}: profile.png, fit.png, budget.png, ..."
    write_plain(console, ESTIMATE, where)
