"""A complete round on an invented sample: simulate, invert, compare with the truth."""

from importlib.resources import files
from pathlib import Path
from textwrap import fill

from craterfront.answers.results import Answer, answer, estimate_dataset
from craterfront.cautions import CAUTION
from craterfront.experiments.experiment import Experiment, experiment_from_toml
from craterfront.file_access import check_writable
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of, write_dataset, write_whole
from craterfront.problems import InputProblems
from craterfront.progress import Progress

STORY = (
    "A workshop re-coats mirror segments of a solar furnace. One segment has gone dull after a "
    "summer of heat, and the workshop wants to know whether silver and copper have grown into "
    "each other. The sample is invented, so the answer can be compared with the truth."
)

SEED = 2024


EXAMPLES = ("mirror-truth.toml", "mirror-analyst.toml")
MADE = ("profile.nc", "profile.png", "estimate.nc", "fit.png", "budget.png")


def check_directory(directory: Path) -> None:
    """Make the directory, and refuse it before anything is computed if it takes no files.

    Raises
    ------
    InputProblems
    """
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputProblems([f"cannot be made: {error.strerror}"], str(directory)) from None
    for name in (*EXAMPLES, *MADE):
        check_writable(directory / name)


def _example(name: str) -> str:
    """An experiment file; it prints a source setting, so the caution stands at its top."""
    caution = fill(CAUTION, 88, initial_indent="# ", subsequent_indent="# ")
    text = files("craterfront").joinpath("examples", name).read_text(encoding="utf-8")
    return f"{caution}\n\n{text}"


def run_demo(directory: Path, progress: Progress) -> tuple[Answer, list[tuple[str, str, str]]]:
    """Simulate the mirror segment, invert its profile and write everything to a directory.

    Parameters
    ----------
    directory : Path
        Created if missing.
    progress : callable
        Called with a stage and the share done.

    Returns
    -------
    answer : Answer
    comparison : list of (what, truth, found)
        Rows for a table.
    """
    from craterfront.reports.figure_style import save_figure
    from craterfront.reports.figures import fit_figure, profile_figure
    from craterfront.reports.resolution_figures import budget_figure

    check_directory(directory)
    texts = {name: _example(name) for name in EXAMPLES}
    truth, known = (experiment_from_toml(text, name) for name, text in texts.items())
    for name, text in texts.items():
        write_whole(directory / name, lambda place, text=text: _write_text(place, text))
    progress("simulate", 0.02)
    measured = simulate(truth.stack, truth.setup, seed=SEED, title=truth.title)
    write_dataset(measured, directory / "profile.nc")
    progress("draw", 0.1)
    save_figure(profile_figure(measured), directory / "profile.png")
    profile = profile_of(measured, "profile.nc")
    found = invert(
        profile, known, progress=lambda stage, share: progress(stage, 0.15 + 0.7 * share)
    )
    answers = answer(found)
    progress("draw", 0.87)
    estimate = estimate_dataset(found, answers)
    write_dataset(estimate, directory / "estimate.nc")
    save_figure(fit_figure(estimate, answers, truth=measured), directory / "fit.png")
    save_figure(budget_figure(answers.budgets, answers.unit), directory / "budget.png")
    progress("done", 1.0)
    return answers, comparison(truth, answers)


def comparison(truth: Experiment, answers: Answer) -> list[tuple[str, str, str]]:
    """Truth beside the answer, row by row."""
    rows = []
    for layer, found in zip(truth.stack.expanded()[:-1], answers.layers, strict=True):
        rows.append(
            (
                f"thickness of {layer.name}",
                f"{float(layer.thickness_nm):.1f} nm",
                f"{found.value:.1f} nm, 95 %: {found.lower:.1f} to {found.upper:.1f}",
            )
        )
        width = found.width
        text = f"below {width.upper_nm:.1f} nm (upper limit, 95 %)"
        if not width.is_limit:
            text = f"{width.value_nm:.1f} nm, 95 %: {width.lower_nm:.1f} to {width.upper_nm:.1f}"
        true_width = float(layer.interface_width_nm)
        rows.append((f"interface width below {layer.name}", f"{true_width:.1f} nm", text))
    return rows


def _write_text(place: Path, text: str) -> None:
    place.write_text(text, encoding="utf-8")
