"""Parts of a quantified profile between two boundaries: thickness and masses."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from craterfront.models.detection.sum_normalisation import Gradient, SumNormalisation
from craterfront.problems import InputProblems, did_you_mean
from craterfront.quantification.boundaries import Boundary

SURFACE, END = "surface", "end of profile"


@dataclass(frozen=True, eq=False)
class Place:
    """A place in the profile: depth, masses by element, and their sum, with derivatives."""

    name: str
    at_s: float
    depth: Gradient
    masses: list[Gradient]
    total: Gradient


@dataclass(frozen=True, eq=False)
class Span:
    """A part of the profile between two places."""

    start: Place
    end: Place

    @property
    def name(self) -> str:
        return f"{self.start.name} to {self.end.name}"

    @property
    def thickness(self) -> Gradient:
        return self.end.depth - self.start.depth

    @property
    def masses(self) -> list[Gradient]:
        """By element."""
        pairs = zip(self.start.masses, self.end.masses, strict=True)
        return [below - above for above, below in pairs]

    @property
    def total_mass(self) -> Gradient:
        return self.end.total - self.start.total


def places_of(
    normalisation: SumNormalisation,
    elements: list[str],
    boundaries: Iterable[Boundary],
    start_s: float,
) -> tuple[list[Place], list[str]]:
    """The boundaries from the surface down, with surface and end; what there is to say of them."""
    notes: list[str] = []
    problems: list[str] = []
    found: list[tuple[str, Gradient]] = []
    for boundary in boundaries:
        try:
            times = _crossings(normalisation, elements, boundary, start_s)
        except ValueError as error:
            problems.append(f"boundary {boundary}: {error}")
            continue
        if times.size > 1:
            notes.append(
                f"boundary {boundary} is passed {times.size} times, from"
                f" {times[0] + start_s:.4g} to {times[-1] + start_s:.4g} s; the middle one is taken"
            )
        number = elements.index(boundary.element)
        moment = normalisation.moment(number, boundary.mass_fraction, times)
        found.append((str(boundary), moment))
    if problems:
        raise InputProblems(problems)
    nothing = np.zeros_like(normalisation.rate)
    whole = float(normalisation.interval_s.sum())
    first, last = (
        (name, Gradient(time, nothing, nothing[:, 0], 0.0, 0.0))
        for name, time in ((SURFACE, 0.0), (END, whole))
    )
    ordered = sorted(found, key=lambda each: each[1].value)
    return [_place(normalisation, *each) for each in (first, *ordered, last)], notes


def _crossings(
    normalisation: SumNormalisation, elements: list[str], boundary: Boundary, start_s: float
) -> np.ndarray:
    """When a boundary is passed: an odd number of times, as noise makes of one."""
    if boundary.element not in elements:
        near = did_you_mean(boundary.element, elements)
        raise ValueError(f"{boundary.element} has no line{near}")
    times = normalisation.crossings(elements.index(boundary.element), boundary.mass_fraction)
    if times.size == 0:
        raise ValueError("is never passed")
    if times.size % 2 == 0:
        first = ", ".join(f"{time + start_s:.4g}" for time in times[:4])
        raise ValueError(
            f"is passed {times.size} times, first at {first} s, and the profile ends on the side"
            " where it begins; name a level that is passed once"
        )
    return times


def _place(normalisation: SumNormalisation, name: str, moment: Gradient) -> Place:
    every = np.eye(normalisation.rate.shape[0])
    return Place(
        name,
        moment.value,
        normalisation.depth_to(moment),
        [normalisation.mass_to(moment, one) for one in every],
        normalisation.mass_to(moment, every.sum(axis=0)),
    )


def spans_between(places: list[Place]) -> list[Span]:
    """From the surface to each place, then from each boundary to the next."""
    surface, *deeper = places
    return [
        *(Span(surface, place) for place in deeper),
        *(Span(above, below) for above, below in pairwise(deeper[:-1])),
    ]
