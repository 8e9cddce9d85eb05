"""The command line: its commands, and what ends it."""

import os
import sys
import warnings
from typing import Annotated, Any

import typer

from craterfront import __version__
from craterfront.commands import (
    calibrate,
    check,
    crater,
    demo,
    forecast,
    invert,
    quantify,
    resolution,
    simulate,
    unfold,
)
from craterfront.commands.terminal import say
from craterfront.problems import InputProblems

BAD_INPUT = 2

app = typer.Typer(
    name="craterfront",
    help="Simulate sputtering depth profiles of layered samples and invert measured ones.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command(epilog=demo.EXAMPLE)(demo.demo)
app.command(epilog=check.EXAMPLE)(check.check)
app.command(epilog=simulate.EXAMPLE)(simulate.simulate)
app.command(epilog=invert.EXAMPLE)(invert.invert)
app.command(epilog=forecast.EXAMPLE)(forecast.forecast)
app.command(epilog=calibrate.EXAMPLE)(calibrate.calibrate)
app.command(epilog=unfold.EXAMPLE)(unfold.unfold)
app.command(epilog=resolution.EXAMPLE)(resolution.resolution)
app.command(epilog=quantify.EXAMPLE)(quantify.quantify)
app.command(epilog=crater.EXAMPLE)(crater.crater)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"craterfront {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


def _say_warning(message: Warning | str, *_: Any, **__: Any) -> None:
    """A formula used outside its range is worth a note, not a line of its source code."""
    say(f"Note: {message}")


def main() -> None:
    """Entry point: one clear message and exit status 2 for whatever is wrong with the input."""
    # Matrices here are small: threads in linear algebra cost more than they gain.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    warnings.showwarning = _say_warning
    try:
        app(standalone_mode=True)
    except InputProblems as problems:
        say(str(problems))
        sys.exit(BAD_INPUT)


if __name__ == "__main__":
    main()
