"""Boundaries in a profile: where an element passes a mass fraction."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from craterfront.problems import InputProblems, shown


@dataclass(frozen=True)
class Boundary:
    """Where an element passes a mass fraction, from either side.

    Attributes
    ----------
    element : str
    mass_fraction : float
        Between 0 and 1.
    """

    element: str
    mass_fraction: float

    @classmethod
    def read(cls, text: str) -> "Boundary":
        """The boundary that ``"Fe=0.5"`` or ``"Fe = 50 %"`` names.

        Raises
        ------
        ValueError
        """
        element, equals, level = (part.strip() for part in text.partition("="))
        try:
            number = float(level.removesuffix("%")) / (100.0 if level.endswith("%") else 1.0)
        except ValueError:
            number = math.nan
        if not (element and equals and 0.0 < number < 1.0):
            rule = "must be like Fe=0.5, with a mass fraction above 0 and below 1"
            raise ValueError(f"{rule}, got {shown(text)}")
        return cls(element, number)

    def __str__(self) -> str:
        return f"{self.element} = {self.mass_fraction:g}"


def read_boundaries(written: Iterable[Boundary | str], place: str) -> list[Boundary]:
    """Boundaries, each of them once; `InputProblems` with all that are none, after `place`."""
    read, problems = [], []
    for boundary in written:
        try:
            read.append(Boundary.read(boundary) if isinstance(boundary, str) else boundary)
        except ValueError as error:
            problems.append(f"{place}: {error}")
    if problems:
        raise InputProblems(problems)
    return list(dict.fromkeys(read))
