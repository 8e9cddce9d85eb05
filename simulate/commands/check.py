"""The command `check`."""

from pathlib import Path
from typing import Annotated

import typer

from craterfront.cautions import CAUTION
from craterfront.commands.files import check_outputs, draw, located
from craterfront.commands.options import ExperimentFile, file_option
from craterfront.commands.terminal import open_console
from craterfront.reports.printing import write_plain

EXAMPLE = "Example: craterfront check coating.toml --explain"


def check(
    experiment: ExperimentFile,
    explain: Annotated[
        bool,
        typer.Option("--explain", help="Table of what is fixed, has a prior, is assumed or free."),
    ] = False,
    rates: Annotated[
        Path | None,
        file_option(help="Draw a lamp's rates against voltage (png, pdf or svg)."),
    ] = None,
) -> None:
    """Check an experiment file: all mistakes at once, with their places."""
    from craterfront.experiments.experiment import load_experiment
    from craterfront.forward_model.assembly import Assembly
    from craterfront.reports.lamp_figure import rate_law_figure
    from craterfront.reports.report import print_asked, print_parameters, print_stack

    loaded = load_experiment(experiment)
    check_outputs((experiment,), figures=(rates,))
    console = open_console()
    with located(experiment):
        by_depth = loaded.profile.axis == "depth"
        assembly = Assembly(loaded.stack, loaded.setup, depth_axis=by_depth, merge_equal=False)
        draw(rates, rate_law_figure, loaded)
    print_stack(assembly, console)
    notes = (*loaded.warnings(), *assembly.warnings)
    write_plain(console, *(f"Note: {note}" for note in notes))
    if explain:
        print_parameters(assembly.parameters, assembly.linear_rows(), console)
        print_asked(loaded, console)
    if loaded.setup.source is not None:
        console.print(CAUTION, style="italic", highlight=False, markup=False)
    write_plain(console, f"{experiment}: no mistakes")
