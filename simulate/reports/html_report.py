"""An inversion as one page: question, warnings, answers, figures, and what they rest on."""

import os
import platform
from collections.abc import Iterator, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from craterfront import __version__
from craterfront.answers.results import Answer
from craterfront.cautions import CAUTION, ESTIMATE
from craterfront.file_access import write_whole
from craterfront.fitting.inversion import Inversion
from craterfront.measured_files.input_files import InputFile
from craterfront.reports import html_parts
from craterfront.reports.answer_tables import (
    budget_table,
    found_tables,
    origin_tables,
    prior_table,
    scale_tables,
)
from craterfront.reports.figures import budget_figure, fit_figure
from craterfront.reports.left_out import left_out
from craterfront.reports.posterior_figures import band_figure, pairs_figure, residual_figure
from craterfront.reports.posterior_report import how_drawn, posterior_table
from craterfront.reports.report import parameter_table, stack_table, what_the_data_fix
from craterfront.reports.report_page import PAGE
from craterfront.reports.sample_band import composition_band
from craterfront.reports.shown_parameters import shown_parameters

if TYPE_CHECKING:
    from xarray import Dataset

_UNDATED = (
    "The page bears no date: the same files and versions give the same page. The title of the "
    "experiment file is the place for a date."
)
_NO_DRAWS = (
    "Neither data nor priors fix all parameters, so nothing can be drawn from the posterior: "
    "there is no band about the sample and no figure of pairs."
)


class Section(NamedTuple):
    """A part of the page under a heading of its own."""

    name: str
    heading: str
    content: list[str]


def write_report(
    inversion: Inversion,
    answer: Answer,
    dataset: "Dataset",
    files: Sequence[InputFile],
    path: str | os.PathLike[str],
) -> None:
    """Write the page of an inversion, whole or not at all.

    Parameters
    ----------
    inversion, answer, dataset
        As for `html_report`.
    files : sequence of InputFile
    path : path

    Raises
    ------
    InputProblems
        The place cannot be written to.
    """
    page = html_report(inversion, answer, dataset, files).encode("utf-8")

    def write(place: Path) -> None:
        place.write_bytes(page)

    write_whole(path, write)


def html_report(
    inversion: Inversion, answer: Answer, dataset: "Dataset", files: Sequence[InputFile]
) -> str:
    """The page: HTML that loads nothing from elsewhere and runs no script.

    Parameters
    ----------
    inversion : Inversion
    answer : Answer
        From `craterfront.answers.results.answer`, of the same inversion.
    dataset : xarray.Dataset
        From `craterfront.answers.results.estimate_dataset`, of the same inversion.
    files : sequence of InputFile
        That the inversion was made from.
    """
    sections = [
        Section("answers", "Answers", [html_parts.table(t) for t in found_tables(answer)]),
        Section("scale", "Depth scale", list(_scale(answer))),
        Section("fit-and-sample", "Fit and sample", list(_fit(inversion, answer, dataset))),
        Section("broadening", "What broadens the interfaces", list(_broadening(answer))),
        Section("together", "Which numbers hang together", list(_pairs(inversion, answer))),
        Section("sampled", "Sampled posterior", list(_sampled(answer))),
        Section("assumed", "Assumptions", list(_assumptions(inversion, answer))),
        Section("origins", "Where the uncertainty comes from", list(_origins(answer))),
        Section("noise", "Noise", [html_parts.bullets(answer.noise)]),
        Section("left-out", "What the model leaves out", [html_parts.bullets(left_out())]),
        Section("repeat", "To repeat it", list(_repeat(answer, files))),
    ]
    return PAGE.substitute(
        title=html_parts.text(inversion.experiment.title or "Inversion of a sputter depth profile"),
        question="\n".join(_question(inversion, answer, files)),
        warnings="\n".join(_warnings(inversion, answer)),
        contents="\n".join(html_parts.link(s.name, s.heading) for s in sections),
        sections="\n".join(html_parts.section(*section) for section in sections),
        footer="\n".join(_footer(inversion)),
    )


def _question(inversion: Inversion, answer: Answer, files: Sequence[InputFile]) -> Iterator[str]:
    profile, assembly = inversion.profile, inversion.likelihood.assembly
    *layers, substrate = [layer.name for layer in assembly.layers]
    what = "How thick is each layer" if answer.unit == "nm" else "How long does each layer take"
    yield html_parts.paragraph(
        f"{what} of {' / '.join(layers)} on {substrate}, how wide are its interfaces truly, and "
        "how sure is that?",
        "asked",
    )
    axis, unit = profile.axis_values, "s" if profile.axis == "time" else "nm"
    yield html_parts.paragraph(
        f"Asked of a profile of {profile.values_kind} against {profile.axis}: {axis.size} readings "
        f"from {axis[0]:.4g} to {axis[-1]:.4g} {unit}, "
        f"channels {', '.join(channel.name for channel in assembly.channels)}."
    )
    yield html_parts.bullets(f"{what}; of {of}" for what, of in inversion.experiment.asked())
    yield html_parts.digests((f"{file.role} {file.name}", file.sha256) for file in files)
    yield html_parts.paragraph(_UNDATED, "below")


def _warnings(inversion: Inversion, answer: Answer) -> Iterator[str]:
    count = len(answer.warnings)
    yield html_parts.heading(
        f"Warnings: {count}, to be read before any number" if count else "No warnings"
    )
    if not count:
        yield html_parts.paragraph(
            "None came up. That does not make the model right: look at the residuals."
        )
    yield html_parts.bullets(answer.warnings, "first")
    on_files = [*inversion.experiment.warnings(), *inversion.profile.notes]
    if on_files:
        yield html_parts.paragraph("On the files:")
        yield html_parts.bullets(on_files)
    yield html_parts.paragraph(ESTIMATE)


def _scale(answer: Answer) -> Iterator[str]:
    if answer.unit != "nm":
        yield html_parts.paragraph("None: the answers are times at nominal erosion rates.")
        return
    yield html_parts.paragraph(f"It comes from: {', '.join(answer.scale_sources)}.")
    comparisons = [html_parts.table(table) for table in scale_tables(answer)]
    yield from comparisons
    if not comparisons:
        yield html_parts.paragraph("There is no second way to compare it with.")


def _fit(inversion: Inversion, answer: Answer, dataset: "Dataset") -> Iterator[str]:
    yield html_parts.figure(
        fit_figure(dataset, answer),
        "fit",
        "Readings with the fit and its residuals; the reconstructed sample and the widths of its "
        "interfaces.",
        "Left: does the fit go through the readings, and are the residuals without a pattern, "
        "most of them within two standard deviations (shaded)? A pattern at an edge is something "
        "that the model lacks. Right: the most probable sample; hatched, where each interface may "
        "lie; below it the widths with their 95 % intervals or limits.",
    )
    yield html_parts.figure(
        residual_figure(dataset),
        "residuals",
        "Residuals of each channel in units of the standard deviation of the noise.",
        "Residuals of each channel: look for one that is worse than the others, and for runs of "
        "one sign. Crosses at the edge lie beyond it.",
    )
    if answer.draws is None:
        yield html_parts.paragraph(_NO_DRAWS)
        return
    band = composition_band(inversion, answer.draws.values, dataset["sample_depth"].values)
    yield html_parts.figure(
        band_figure(dataset, answer, band),
        "sample",
        "Atomic fraction of each element against depth with a band of 95 %.",
        "Lines: the most probable sample, in which interfaces of which only a limit is known are "
        "sharp. Shaded: where 95 % of the samples lie that explain the profile, at each depth "
        "(joint posterior, with what widths those interfaces may have). A wide band between two "
        "layers says that the place of the interface is uncertain, not that it is wide.",
    )


def _broadening(answer: Answer) -> Iterator[str]:
    yield html_parts.table(budget_table(answer))
    if answer.budgets:
        yield html_parts.figure(
            budget_figure(answer.budgets, answer.unit),
            "budget",
            "Two standard deviations of all causes of broadening of each interface, and the share "
            "of each cause in the variance.",
            "Is the true transition a large part of the bar? If it is small, its width rests on "
            "how well the other causes are known.",
        )


def _pairs(inversion: Inversion, answer: Answer) -> Iterator[str]:
    if answer.draws is None:
        yield html_parts.paragraph(_NO_DRAWS)
        return
    together = shown_parameters(inversion, answer, answer.draws.values)
    if not together:
        yield html_parts.paragraph("There is nothing to draw.")
        return
    yield html_parts.figure(
        pairs_figure(together),
        "pairs",
        "Draws from the posterior of the parameters that matter most, in pairs, with their "
        "coefficients of correlation.",
        "Where a cloud is oblique, each of the two would be better known if the other were. "
        "Diagonal: the distribution of each, its 95 % interval (dashed) and its most probable "
        "value; above: coefficients of correlation. The draws are from "
        f"{answer.draws.origin}.",
    )


def _sampled(answer: Answer) -> Iterator[str]:
    if answer.sampled is None:
        yield html_parts.paragraph("Not asked for: the intervals above are those of the fit.")
        return
    yield html_parts.paragraph(
        "These draws are not to be trusted; the warnings say why."
        if answer.sampled.doubts()
        else "Where intervals differ from those above, the posterior is not normal: trust these."
    )
    yield html_parts.table(posterior_table(answer.sampled))
    yield html_parts.paragraph(how_drawn(answer.sampled))


def _assumptions(inversion: Inversion, answer: Answer) -> Iterator[str]:
    assembly = inversion.likelihood.assembly
    yield html_parts.paragraph(
        "The layers, their order and the shapes of their interfaces are a hypothesis: an answer "
        "holds if it does."
    )
    yield html_parts.table(stack_table(assembly))
    yield html_parts.table(parameter_table(answer.parameters, assembly.linear_rows()))
    yield html_parts.paragraph(what_the_data_fix(answer))
    yield html_parts.table(prior_table(answer))


def _origins(answer: Answer) -> Iterator[str]:
    sentences = [f"{origin.sentence()}." for origin in answer.origins if origin.dominating]
    yield html_parts.bullets(sentences)
    yield from (html_parts.table(table) for table in origin_tables(answer))


def _repeat(answer: Answer, files: Sequence[InputFile]) -> Iterator[str]:
    draws = answer.draws
    random = "nothing is random"
    if draws is not None:
        number = len(draws.values)
        random = (
            f"{number} draws from {draws.origin} with seed {draws.seed}; nothing else is random"
        )
    packages = [f"{name} {version(name)}" for name in ("numpy", "scipy", "numba")]
    yield html_parts.bullets(
        [
            ", ".join(
                [f"craterfront {__version__}", f"Python {platform.python_version()}", *packages]
            ),
            random,
        ]
    )
    for file in files:
        if file.text:
            yield html_parts.paragraph(f"{file.role}, {file.name}:")
            yield html_parts.preformatted(file.text)


def _footer(inversion: Inversion) -> Iterator[str]:
    if inversion.experiment.setup.source is not None:
        yield html_parts.paragraph(CAUTION)
