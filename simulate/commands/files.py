"""Files of a command: outputs checked before anything is computed, profiles with their notes."""

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from craterfront.commands.terminal import say_notes
from craterfront.problems import InputProblems

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from craterfront.experiments.experiment import Experiment
    from craterfront.measured_files.measured_profile import MeasuredProfile


def check_outputs(
    inputs: Iterable[Path | None],
    *files: Path | None,
    figures: Iterable[Path | None] = (),
    report: Path | None = None,
) -> None:
    """Refuse early what cannot be written, what is read, too, and what is named twice."""
    drawn = [place for place in figures if place is not None]
    _check_places(inputs, (*drawn, *files, report))
    if drawn:
        from craterfront.reports.figure_style import check_suffix

        for place in drawn:
            check_suffix(place)
    if report is not None:
        from craterfront.reports.report_page import check_report_suffix

        check_report_suffix(report)


def _check_places(inputs: Iterable[Path | None], outputs: Iterable[Path | None]) -> None:
    from craterfront.file_access import check_writable

    read = {os.path.realpath(place) for place in inputs if place is not None}
    seen: set[str] = set()
    for place in outputs:
        if place is None:
            continue
        real = os.path.realpath(place)
        if real in read:
            raise InputProblems(["is named as input and as output"], str(place))
        if real in seen:
            raise InputProblems(["is named for two outputs"], str(place))
        seen.add(real)
        check_writable(place)


@contextmanager
def located(path: Path) -> Iterator[None]:
    """Add the file to problems that only the physics could find."""
    try:
        yield
    except InputProblems as problems:
        source = problems.source or str(path)
        raise InputProblems(problems.problems, source) from None
    except (ValueError, ArithmeticError, MemoryError) as error:
        # Each number is possible, but the models cannot compute with all of them together.
        raise InputProblems([f"cannot be computed: {error}"], str(path)) from error


def profile_of(place: Path, experiment: "Experiment") -> "MeasuredProfile":
    """Read a measured profile as an experiment says; say what is odd about either."""
    from craterfront.measured_files.files import load_profile

    measured = load_profile(place, experiment)
    say_notes((*experiment.warnings(), *measured.notes))
    return measured


def draw(place: Path | None, figure: Callable[..., "Figure"], *of: Any) -> None:
    """Save a figure, if a place for it is named."""
    if place is None:
        return
    from craterfront.reports.figure_style import save_figure

    save_figure(figure(*of), place)
