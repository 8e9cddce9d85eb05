"""Several profiles inverted one by one: a batch, or the spots of one sample."""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from craterfront.cautions import ESTIMATE
from craterfront.commands.files import located
from craterfront.commands.terminal import give, print_json, progress_bar, say
from craterfront.problems import InputProblems

if TYPE_CHECKING:
    from craterfront.fitting.inversion import Inversion

SOME_FAILED = 1
"""Exit status of a batch of which some profiles were not inverted."""

Invert = Callable[[str], "Inversion"]
"""Reads and inverts the profile of a file."""


def check_mode(count: int, *, each: bool, spots: bool, together: bool) -> None:
    """Several profiles need a word on what they are to each other."""
    asked = {"--each": each, "--spots": spots, "--together": together}
    given = [option for option, is_given in asked.items() if is_given]
    if len(given) > 1:
        raise InputProblems([f"{' and '.join(given)}: take only one of them"])
    if count > 1 and not given:
        raise InputProblems(
            [
                f"{count} profiles: say what they are: --each (one by one), --spots (replicates"
                " of one sample) or --together (measurements of one sample as one)"
            ]
        )
    if count < 2 and (spots or together):
        raise InputProblems([f"{given[0]}: takes at least 2 profiles, got {count}"])


def invert_each(
    profiles: list[Path], one: Invert, output: Path | None, *, json: bool, quiet: bool
) -> None:
    """A batch; ends with `SOME_FAILED` where some profiles failed."""
    from craterfront.answers.batch import invert_each as run
    from craterfront.file_access import write_text

    with progress_bar(quiet) as progress:
        batch = run([str(place) for place in profiles], one, progress)
    if output is not None:
        write_text(output, batch.as_csv())
    if json:
        print_json(batch.rows)
    elif output is None:
        typer.echo(batch.as_csv(), nl=False)
    messages = [f"{row['profile']}: {row['message']}" for row in batch.rows if row["message"]]
    for message in dict.fromkeys(messages):  # all layers of a doubtful profile have the same
        say(message)
    say(f"{len(profiles) - len(batch.failed)} of {len(profiles)} profiles inverted")
    if batch.failed:
        raise typer.Exit(SOME_FAILED)


def invert_spots(
    profiles: list[Path], one: Invert, output: Path | None, *, json: bool, quiet: bool
) -> None:
    """Replicate spots of one sample, combined."""
    from craterfront.answers.replicates import combine_spots
    from craterfront.file_access import write_text
    from craterfront.reports.report import print_spots

    inversions = []
    with progress_bar(quiet) as progress:
        for i, place in enumerate(profiles):
            progress(place.name, i / len(profiles))
            with located(place):
                inversions.append(one(str(place)))
    found = combine_spots(inversions)
    if output is not None:
        write_text(output, found.as_csv())
    give(found.as_dict(), partial(print_spots, found), ESTIMATE, json=json)
