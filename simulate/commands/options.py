"""Arguments and options that several commands share."""

from pathlib import Path
from typing import Annotated, Any

import typer


def file_argument(metavar: str) -> Any:
    return typer.Argument(metavar=metavar, show_default=False, readable=False)


def file_option(*names: str, help: str) -> Any:
    """A path; whether it can be read or written is checked by what does so, in our words."""
    return typer.Option(*names, help=help, show_default=False, readable=False)


ExperimentFile = Annotated[Path, file_argument("EXPERIMENT.toml")]
ProfileFile = Annotated[Path, file_argument("PROFILE")]
ProfileFiles = Annotated[list[Path], file_argument("PROFILE...")]
Dataset = Annotated[Path | None, file_option("-o", "--output", help="netCDF file to write.")]
Seed = Annotated[int | None, typer.Option(min=0, max=2**63 - 1, help="Seed of the draws.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")]
JsonForTable = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress bar.")]
