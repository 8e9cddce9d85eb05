"""The spread of depth between columns of the sample: heights of the surface, growth."""

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

from craterfront.notation.quantities import (
    NonNegativeLength,
    PositiveLength,
    Quantity,
    RelativeDeviation,
)
from craterfront.notation.table import Mistake, Table, increasing_mistakes, number_list
from craterfront.samples.rows import SMALLEST_STEP_NM

if TYPE_CHECKING:
    import numpy as np


def _is_height(height_nm: float) -> bool:
    return abs(height_nm) <= 1e6


class Heights(Table):
    """How the heights of the outer surface are distributed, as a profilometer or a probe tells.

    Parameters
    ----------
    height_nm
        Heights from any level, increasing outwards [nm].
    density
        How frequent each of them is, in any unit; straight lines in between, nothing beyond.
    """

    height_nm: Annotated[tuple[float, ...], number_list("from -1e6 to 1e6", _is_height)]
    density: Annotated[tuple[float, ...], number_list("from 0 to 1e12", lambda d: 0 <= d <= 1e12)]

    def classes(self) -> "tuple[np.ndarray, float]":
        """Classes of columns and their standard deviation.

        See `models.erosion_front.roughening`.
        """
        import numpy as np

        from craterfront.models.erosion_front.roughening import height_classes

        return height_classes(np.array(self.height_nm), np.array(self.density))

    def checks(self) -> Iterator[Mistake]:
        if self.height_nm is None or self.density is None:  # while mistakes are gathered
            return
        yield from increasing_mistakes("height_nm", self.height_nm, "density", self.density)
        steps = [b - a for a, b in pairwise(self.height_nm)]
        if steps and 0 < min(steps) < SMALLEST_STEP_NM:
            message = f"has heights that are less than {SMALLEST_STEP_NM:g} nm apart"
            yield Mistake("height_nm", message)
        if not any(self.density):
            yield Mistake("density", "must be above 0 somewhere")


class Roughness(Table):
    """Spread of depth between columns, before and through erosion.

    Parameters
    ----------
    initial_nm
        Standard deviation of the outer surface [nm]; default none, or that of the heights.
    heights
        `Heights` of the outer surface; None: a normal distribution.
    growth
        ``"none"``; ``"statistical"``: as the root of depth, by monolayers; ``"grains"``: as the
        root of depth, by grains of different rate; ``"columns"``: in proportion to depth;
        ``"saturating"``: towards a final roughness.
    relative_spread
        Standard deviation of the rate between grains or columns, relative to the mean.
    grain_nm
        Grain size along the depth [nm].
    final_nm, settling_nm
        Standard deviation that is approached, and the depth after which exp(-1) of it is still
        missing [nm].
    """

    initial_nm: NonNegativeLength = Quantity.default(0.0)
    heights: Heights | None = None
    growth: Literal["none", "statistical", "grains", "columns", "saturating"] = "none"
    relative_spread: RelativeDeviation | None = None
    grain_nm: PositiveLength | None = None
    final_nm: NonNegativeLength | None = None
    settling_nm: PositiveLength | None = None

    _used_by: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "relative_spread": ("grains", "columns"),
        "grain_nm": ("grains",),
        "final_nm": ("saturating",),
        "settling_nm": ("saturating",),
    }

    def checks(self) -> Iterator[Mistake]:
        for key, growths in self._used_by.items():
            if self.growth in growths and not self.is_written(key):
                yield Mistake(key, f'missing; needed with growth = "{self.growth}"')

    @property
    def tells_the_initial(self) -> bool:
        """Whether the roughness of the outer surface is written, as a number or as heights."""
        return self.is_written("initial_nm") or self.heights is not None

    @property
    def has_idle_heights(self) -> bool:
        """Whether there are heights beside an initial roughness that is exactly none."""
        initial = self.initial_nm
        none = float(initial) == 0 and initial.status != "guess" and not initial.u
        return self.heights is not None and self.is_written("initial_nm") and none

    def unused(self) -> list[str]:
        """Keys that are written and have no effect."""
        return [
            key
            for key, growths in self._used_by.items()
            if self.is_written(key) and self.growth not in growths
        ]
