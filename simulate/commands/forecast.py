"""The command `forecast`."""

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from craterfront.cautions import ESTIMATE
from craterfront.commands.files import check_outputs, draw, located
from craterfront.commands.options import ExperimentFile, Json, Quiet, file_option
from craterfront.commands.terminal import give, progress_bar, say_notes

EXAMPLE = "Example: craterfront forecast coating.toml --figure forecast.png"


def forecast(
    experiment: ExperimentFile,
    relative: Annotated[
        bool, typer.Option("--relative", help="Forecast seconds at nominal rates.")
    ] = False,
    figure: Annotated[
        Path | None, file_option(help="Draw uncertainties and elasticities (png, pdf or svg).")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Before measuring: the uncertainties to expect, and which setting limits each."""
    from craterfront.experiments.experiment import load_experiment

    loaded = load_experiment(experiment)
    check_outputs((experiment,), figures=(figure,))
    from craterfront.forecasts.forecasting import forecast as run
    from craterfront.reports.forecast_figure import forecast_figure
    from craterfront.reports.forecast_report import print_forecast

    say_notes(loaded.warnings())
    with progress_bar(quiet or json) as progress, located(experiment):
        found = run(loaded, relative=relative, progress=progress)
        draw(figure, forecast_figure, found)
    give(found.as_dict(), partial(print_forecast, found), ESTIMATE, json=json)
