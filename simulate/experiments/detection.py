"""What is recorded, from where and when."""

from collections.abc import Iterable, Iterator
from typing import Annotated, Literal

from craterfront.experiments.channel import Channel
from craterfront.experiments.crater_shape import is_radius
from craterfront.notation.quantities import (
    AngleToNormal,
    NonNegativeLength,
    PositiveQuantity,
    PositiveTime,
    Quantity,
    SourceNumber,
)
from craterfront.notation.table import (
    Mistake,
    Table,
    increasing_mistakes,
    name_mistakes,
    number_list,
    numbered,
)
from craterfront.problems import shown

STEEPEST_EMISSION_DEG = 60
"""Angle of emission beyond which straight paths no longer do (common practice, no source)."""


class RadialWeight(Table):
    """How strongly the signal counts an atom from each distance to the centre of the crater.

    Parameters
    ----------
    radius_mm
        Distances from 0 to the edge of the analysed area, increasing [mm].
    weight
        Weight at each of them, in any unit; straight lines in between.
    """

    radius_mm: Annotated[tuple[float, ...], number_list("from 0 to 1000", is_radius)]
    weight: Annotated[tuple[float, ...], number_list("from 0 to 1e6", lambda w: 0 <= w <= 1e6)]

    def checks(self) -> Iterator[Mistake]:
        if self.radius_mm is None or self.weight is None:  # while mistakes are gathered
            return
        yield from increasing_mistakes("radius_mm", self.radius_mm, "weight", self.weight)
        if self.radius_mm and self.radius_mm[0] != 0:
            yield Mistake("radius_mm[1]", f"must be 0, got {shown(self.radius_mm[0])}")
        if not any(self.weight):
            yield Mistake("weight", "must be above 0 somewhere")


class Detection(Table):
    """What is recorded, and when.

    Parameters
    ----------
    view
        ``"collected"``: what left the surface; ``"viewed"``: what is seen at the surface.
    timing
        ``"continuous"``, or ``"cycle"``: sputtering and measuring by turns.
    escape_depth_nm
        Depth from which the signal comes, attenuated exponentially [nm]; default by the source.
    electron_energy_eV
        Instead, of a viewed signal: kinetic energy of the electrons that are counted [eV].
    emission_angle_deg
        Angle at which they leave, from the surface normal [deg]; with `electron_energy_eV`.
    residence_s
        Mean time that sputtered atoms spend in the gas of a lamp, of a collected signal [s];
        default none.
    hydrogen_half_per_nm2_s
        Collected atoms of hydrogen per nm2 and second that make half of the `hydrogen_effect` of a
        channel [1/(nm2 s)].
    sampling_s
        Time from one reading to the next [s].
    duration_s
        Length of the measurement [s]; default until the substrate.
    radial_weight
        A `RadialWeight`; None: all of the analysed area counts alike.
    channel
        The channels; none: one for each element.
    """

    view: Literal["collected", "viewed"] = "collected"
    timing: Literal["continuous", "cycle"] = "continuous"
    escape_depth_nm: NonNegativeLength | None = None
    electron_energy_eV: SourceNumber | None = None
    emission_angle_deg: AngleToNormal = Quantity.default(0.0)
    residence_s: PositiveTime | None = None
    hydrogen_half_per_nm2_s: PositiveQuantity | None = None
    sampling_s: PositiveTime | None = None
    duration_s: PositiveTime | None = None
    radial_weight: RadialWeight | None = None
    channel: tuple[Channel, ...] = ()

    def warnings(self) -> Iterator[str]:
        """What is allowed and yet probably not meant."""
        angle_deg = float(self.emission_angle_deg)
        if angle_deg > STEEPEST_EMISSION_DEG:
            yield (
                f"emission_angle_deg: {shown(angle_deg)} is above {STEEPEST_EMISSION_DEG}, where"
                " elastic scattering makes the exponential law unreliable"
            )
        if self.hydrogen_half_per_nm2_s is not None and not self.has_hydrogen_effect:
            yield "hydrogen_half_per_nm2_s: unused without hydrogen_effect of a channel"

    @property
    def has_hydrogen_effect(self) -> bool:
        """Whether hydrogen changes the intensity of a channel."""
        return any(channel.hydrogen_effect is not None for channel in self.channel)

    def placed_channels(self) -> Iterator[tuple[str, Channel]]:
        """The channels that are listed, with their places."""
        for index, channel in enumerate(self.channel):
            yield numbered("channel", index, channel.label), channel

    def channels(self, elements: Iterable[str]) -> tuple[Channel, ...]:
        """The channels that are listed, else one for each of the elements."""
        return self.channel or tuple(Channel(element=symbol) for symbol in elements)

    def checks(self) -> Iterator[Mistake]:
        if self.is_written("electron_energy_eV"):
            if self.is_written("escape_depth_nm"):
                message = "stands beside escape_depth_nm; write only one of the two"
                yield Mistake("electron_energy_eV", message)
            if self.view != "viewed":
                yield Mistake("electron_energy_eV", 'only with view = "viewed"')
        elif self.is_written("emission_angle_deg"):
            message = "only with electron_energy_eV; an escape_depth_nm is along the normal"
            yield Mistake("emission_angle_deg", message)
        if self.view != "collected" and self.is_written("residence_s"):
            yield Mistake("residence_s", 'only with view = "collected"')
        sampling_s, duration_s = self.sampling_s, self.duration_s
        if sampling_s and duration_s and sampling_s.value > duration_s.value:
            limit = f"must be <= duration_s = {shown(duration_s.value)}"
            yield Mistake("sampling_s", f"{limit}, got {shown(sampling_s.value)}")
        users: dict[str, str] = {}
        for index, (where, channel) in enumerate(self.placed_channels()):
            for key in ("self_absorption_nm2_s", "hydrogen_effect"):
                if self.view != "collected" and channel.is_written(key):
                    yield Mistake(key, 'only with view = "collected"', within=where)
            half = "hydrogen_half_per_nm2_s"
            if channel.is_written("hydrogen_effect") and not self.is_written(half):
                yield Mistake("hydrogen_effect", f"needs {half} in [detection]", within=where)
            yield from name_mistakes(users, numbered("channel", index), channel.name)
