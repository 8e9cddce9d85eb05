"""Noise of the readings, as the experiment file writes it: counting, fluctuation, readout."""

from collections.abc import Iterator

from craterfront.notation.quantities import (
    NonNegativeQuantity,
    PositiveQuantity,
    PositiveTime,
    Quantity,
    RelativeDeviation,
)
from craterfront.notation.table import Mistake, Table
from craterfront.problems import shown


class Flicker(Table):
    """Fluctuation of the source, the same in all channels.

    Parameters
    ----------
    rms
        Standard deviation relative to the mean.
    correlation_s
        Time after which it has forgotten itself to 1/e [s].
    """

    rms: RelativeDeviation
    correlation_s: PositiveTime


class OneOverF(Table):
    """Fluctuation of the source with a 1/f spectrum, the same in all channels.

    Parameters
    ----------
    rms_per_decade
        Standard deviation in each decade of frequency, relative to the mean.
    shortest_s, longest_s
        Shortest and longest correlation time T [s]: 1/f holds between the frequencies 1/(2 pi T).
    """

    rms_per_decade: RelativeDeviation
    shortest_s: PositiveTime = Quantity.default(0.01)
    longest_s: PositiveTime = Quantity.default(1000.0)

    def checks(self) -> Iterator[Mistake]:
        shortest_s, longest_s = float(self.shortest_s), float(self.longest_s)
        if shortest_s >= longest_s:
            limit = f"must be > shortest_s = {shown(shortest_s)}"
            yield Mistake("longest_s", f"{limit}, got {shown(longest_s)}")


class Noise(Table):
    """Noise of the readings; without any value there is none.

    Parameters
    ----------
    counts_per_unit_s
        Counts per second for one unit of intensity [1/s]; None: no counting noise.
    flicker
        Fluctuation of the source.
    one_over_f
        More of it, with a 1/f spectrum.
    readout_per_sqrt_s
        Standard deviation of the intensity of a reading of one second [intensity * s^(1/2)].
    """

    counts_per_unit_s: PositiveQuantity | None = None
    flicker: Flicker | None = None
    one_over_f: OneOverF | None = None
    readout_per_sqrt_s: NonNegativeQuantity = Quantity.default(0.0)

    @property
    def fluctuations(self) -> list[tuple[float, float]]:
        """Relative standard deviation and correlation time [s] of the processes of the source."""
        found: list[tuple[float, float]] = []
        if self.flicker is not None and float(self.flicker.rms) > 0:
            found.append((float(self.flicker.rms), float(self.flicker.correlation_s)))
        slow = self.one_over_f
        if slow is not None and float(slow.rms_per_decade) > 0:
            from craterfront.models.detection.one_over_f import processes  # brings numpy

            ends_s = float(slow.shortest_s), float(slow.longest_s)
            found += processes(float(slow.rms_per_decade), *ends_s)
        return found
