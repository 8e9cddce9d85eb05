"""Several profiles with their experiments, for commands that take them as one."""

from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from craterfront.commands.files import profile_of
from craterfront.problems import InputProblems

if TYPE_CHECKING:
    from craterfront.experiments.experiment import Experiment
    from craterfront.instruments.measurement_chain import Measurement


class Pair(NamedTuple):
    """A profile with its experiment, and the file of that."""

    profile: Path
    experiment: "Experiment"
    file: Path


def paired(profiles: list[Path], experiments: list[Path]) -> list[Pair]:
    """Profiles with their experiments: one for all, or one for each."""
    from craterfront.experiments.experiment import load_experiment

    if len(experiments) not in (1, len(profiles)):
        raise InputProblems(
            [
                f"--experiment: give one for all {len(profiles)} profiles or one for each, got"
                f" {len(experiments)}"
            ]
        )
    loaded = {path: load_experiment(path) for path in dict.fromkeys(experiments)}
    of_each = experiments * (len(profiles) if len(experiments) == 1 else 1)
    return [Pair(p, loaded[e], e) for p, e in zip(profiles, of_each, strict=True)]


def measurements(pairs: list[Pair]) -> list["Measurement"]:
    """Profiles read with their experiments; notes are said."""
    from craterfront.instruments.measurement_chain import Measurement

    return [
        Measurement(profile_of(place, loaded), loaded, str(file)) for place, loaded, file in pairs
    ]
