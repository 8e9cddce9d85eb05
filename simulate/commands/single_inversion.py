"""What a single inversion gives: files, and an answer on standard output."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

from craterfront.cautions import ESTIMATE
from craterfront.commands.files import check_outputs, draw
from craterfront.commands.terminal import give, progress_bar
from craterfront.problems import InputProblems

if TYPE_CHECKING:
    from craterfront.answers.results import Answer
    from craterfront.fitting.inversion import Inversion
    from craterfront.measured_files.input_files import InputFile
    from craterfront.posterior_sampling.sampled_posterior import SampledPosterior


@dataclass(frozen=True)
class Outputs:
    """What is asked of an inversion, as the options say.

    Attributes
    ----------
    dataset, figure, budget, report, posterior : Path, optional
        Files to write.
    draws, seed : int, optional
        Of the draws from the posterior.
    json, explain, no_progress : bool
    """

    dataset: Path | None
    figure: Path | None
    budget: Path | None
    report: Path | None
    posterior: Path | None
    draws: int | None
    seed: int | None
    json: bool
    explain: bool
    no_progress: bool

    @property
    def quiet(self) -> bool:
        """Whether no progress is shown."""
        return self.no_progress or self.json

    def check_sampling(self) -> None:
        """Refuse options of the draws without a file for them, and impossible ones."""
        options = {"--draws": self.draws, "--seed": self.seed}
        given = [option for option, value in options.items() if value is not None]
        if given and self.posterior is None:
            raise InputProblems([f"{', '.join(given)}: of no effect without --posterior"])
        if self.draws is not None:
            from craterfront.posterior_sampling.sampled_posterior import check_draws

            check_draws(self.draws, "--draws")

    def check_places(self, inputs: Iterable[Path]) -> None:
        """Refuse what cannot be written."""
        figures = (self.figure, self.budget)
        check_outputs(inputs, self.dataset, self.posterior, figures=figures, report=self.report)

    def refuse_details(self, mode: str) -> None:
        """Refuse what makes sense for a single inversion only."""
        wanted = {
            "--figure": self.figure,
            "--budget": self.budget,
            "--posterior": self.posterior,
            "--report": self.report,
            "--explain": self.explain or None,
        }
        for option, value in wanted.items():
            if value is not None:
                raise InputProblems([f"{option}: is for a single inversion, not with {mode}"])

    def digests(self, inputs: Iterable[Path]) -> "Sequence[InputFile]":
        """What a report says of the files; as they are before anything is computed from them."""
        if self.report is None:
            return ()
        from craterfront.measured_files.input_files import input_files

        return input_files(*inputs)


def hand_out(found: "Inversion", outputs: Outputs, digests: "Sequence[InputFile]") -> None:
    """Write the files that are asked for, and print the answer."""
    from craterfront.answers.results import answer, estimate_dataset
    from craterfront.measured_files.files import write_dataset
    from craterfront.reports.figures import fit_figure
    from craterfront.reports.resolution_figures import budget_figure

    sampled = _sampled(found, outputs)
    answers = answer(found, sampled)
    dataset = estimate_dataset(found, answers)
    if outputs.dataset is not None:
        write_dataset(dataset, outputs.dataset)
    draw(outputs.figure, fit_figure, dataset, answers)
    draw(outputs.budget, budget_figure, answers.budgets, answers.unit)
    if outputs.report is not None:
        from craterfront.reports.html_report import write_report

        write_report(found, answers, dataset, digests, outputs.report)
    drawn = {} if sampled is None else {"posterior": sampled.as_dict()}
    tables = partial(_print_tables, found, answers, sampled, outputs.explain)
    give(answers.as_dict() | drawn, tables, ESTIMATE, json=outputs.json)


def _sampled(found: "Inversion", outputs: Outputs) -> "SampledPosterior | None":
    """Draws from the posterior, written to their file, if one is named."""
    if outputs.posterior is None:
        return None
    from craterfront.posterior_sampling.posterior_tree import posterior_tree, write_posterior
    from craterfront.posterior_sampling.sampled_posterior import DRAWS, sample_posterior

    with progress_bar(outputs.quiet) as progress:
        sampled = sample_posterior(
            found, draws=outputs.draws or DRAWS, seed=outputs.seed, progress=progress
        )
        write_posterior(posterior_tree(sampled), outputs.posterior)
    return sampled


def _print_tables(
    found: "Inversion",
    answers: "Answer",
    sampled: "SampledPosterior | None",
    explain: bool,
    console: Console,
) -> None:
    from craterfront.reports.report import print_answer, print_parameters, print_priors

    print_answer(answers, console)
    if sampled is not None:
        from craterfront.reports.posterior_report import print_posterior

        print_posterior(sampled, console)
    if explain:
        assembly = found.likelihood.assembly
        print_parameters(assembly.parameters, assembly.linear_rows(), console)
        print_priors(answers, console)
