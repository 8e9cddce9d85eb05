"""How a measurement begins: the first seconds and the first nanometres."""

from collections.abc import Iterator

from craterfront.notation.quantities import (
    PositiveLength,
    PositiveTime,
    Quantity,
    RelativeChange,
    SourceShare,
)
from craterfront.notation.table import Table
from craterfront.problems import shown


class StartUp(Table):
    """The first seconds, in which erosion settles and surfaces give off what lies on them.

    Parameters
    ----------
    rate_deficit
        Share of the final erosion rate that is missing at first.
    decay_s
        Time after which exp(-1) of it is still missing, and of the contamination of channels [s].
    """

    rate_deficit: SourceShare = Quantity.default(0.0)
    decay_s: PositiveTime

    def warnings(self) -> Iterator[str]:
        """What is allowed and yet probably not meant."""
        from craterfront.models.erosion_front.start_up import USUAL_DECAY_S  # brings scipy

        least, most = USUAL_DECAY_S
        if not least <= float(self.decay_s) <= most:
            decay_s = shown(self.decay_s.value)
            yield f"decay_s: {decay_s} is outside {least:g} to {most:g}, as discharges start up"


class SurfaceTransient(Table):
    """The first nanometres, in which the erosion rate settles while ions change the surface.

    Parameters
    ----------
    rate_excess
        Rate at the surface over the final one, less 1: above -1, below 0 for a slow beginning.
    decay_nm
        Depth after which exp(-1) of it is left, counted at the rate of the first layer [nm].
    """

    rate_excess: RelativeChange
    decay_nm: PositiveLength
