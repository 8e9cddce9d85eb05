"""How a sample is measured: roughness, mixing, detection and noise, with source and crater."""

import math
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, Field, PlainValidator

from craterfront.by_layer import by_layer, key_of_layer
from craterfront.coupling import Coupling
from craterfront.crater_shape import (
    ROUND_SHAPES,
    Crater,
    FlatCrater,
    MeasuredCrater,
    ParabolicCrater,
    RasteredCrater,
    is_radius,
)
from craterfront.problems import did_you_mean, one_of, shown
from craterfront.quantities import (
    NonNegativeLength,
    NonNegativeQuantity,
    PositiveLength,
    PositiveQuantity,
    PositiveTime,
    Quantity,
    RelativeChange,
    RelativeDeviation,
    SourceNumber,
    SourceShare,
    finite_number,
    read_non_negative,
    read_positive_length,
    within,
)
from craterfront.rows import SMALLEST_STEP_NM
from craterfront.sample import ConcreteLayer
from craterfront.source import GlowDischarge, IonBeam, Source
from craterfront.table import (
    Column,
    Element,
    Flag,
    Mistake,
    Name,
    Table,
    element_symbol,
    increasing_mistakes,
    named,
    number_list,
    numbered,
    read_each,
)

if TYPE_CHECKING:
    import numpy as np

LARGEST_LENGTH_TO_RANGE = 0.97
"""Mixing lengths from here on cannot be reached by mixing within the range."""

STEEPEST_EMISSION_DEG = 60
"""Angle of emission beyond which straight paths no longer do (common practice, no source)."""


Sensitivity = Annotated[Quantity | dict[str, Quantity], PlainValidator(by_layer(read_non_negative))]
LengthByLayer = Annotated[
    Quantity | dict[str, Quantity], PlainValidator(by_layer(read_positive_length))
]


# --- roughness and mixing ----------------------------------------------------------------------


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
        """Classes of columns and their standard deviation, see `models.roughening`."""
        import numpy as np

        from craterfront.models.roughening import height_classes

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


def _preference(written: Any) -> str | dict[str, float]:
    """A word, or a relative number for each element."""
    words = ("none", "yields")
    if isinstance(written, str) and written in words:
        return written
    if not isinstance(written, Mapping):
        near = did_you_mean(written, words) if isinstance(written, str) else ""
        raise ValueError(
            f"must be {one_of(words)} or a table of numbers by element, got {shown(written)}{near}"
        )
    return read_each(written, element_symbol, _positive_number)


def _positive_number(written: Any) -> float:
    if not 1e-6 <= finite_number(written) <= 1e6:
        raise ValueError(f"must be from 1e-6 to 1e6, got {shown(written)}")
    return float(written)


class Mixing(Table):
    """The altered layer at the surface, which ions stir.

    Parameters
    ----------
    model
        ``"none"``; ``"uniform"``: a zone that is always fully mixed; ``"diffusive"``: mixing of
        constant strength within the range; ``"relocation"``: atoms are displaced at one stroke
        within the range.
    length_nm
        Thickness of the uniform zone, or trailing decay length of a buried monolayer [nm], in the
        first layer; of diffusive mixing perhaps a dictionary by the name of the layer or material.
        Default from the range of the ions.
    range_nm
        Depth of the zone of diffusive mixing or relocation [nm]; default from the range of the
        ions.
    displacement
        Law of displacement by relocation: ``"exponential"``, the default, or ``"gaussian"``.
    displacement_nm
        Its standard deviation along the depth, in the first layer [nm].
    preference
        ``"none"``: all elements leave alike; ``"yields"``: by their sputter yields; or a table of
        a relative number for each element, 1 where it has none. Not with relocation.
    """

    model: Literal["none", "uniform", "diffusive", "relocation"]
    length_nm: LengthByLayer | None = None
    range_nm: PositiveLength | None = None
    displacement: Literal["exponential", "gaussian"] | None = None
    displacement_nm: PositiveLength | None = None
    preference: Annotated[str | dict[str, float], PlainValidator(_preference)] = "none"

    _used_by: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "length_nm": ("uniform", "diffusive", "relocation"),
        "range_nm": ("diffusive", "relocation"),
        "displacement": ("relocation",),
        "displacement_nm": ("relocation",),
        "preference": ("uniform", "diffusive"),
    }

    def length_in(self, layer: ConcreteLayer) -> tuple[str, Quantity] | None:
        """Key and length of a layer in a table by layer; None where it has no length of its own."""
        table = self.length_nm if isinstance(self.length_nm, dict) else {}
        key = key_of_layer(table, layer)
        return None if key is None else (key, table[key])

    def checks(self) -> Iterator[Mistake]:
        if self.model == "relocation":
            if not self.is_written("displacement_nm"):
                yield Mistake("displacement_nm", 'missing; needed with model = "relocation"')
            if self.preference != "none":
                message = 'goes with model = "uniform" or "diffusive": relocated atoms leave alike'
                yield Mistake("preference", message)
        if isinstance(self.length_nm, dict):
            reason = {
                "uniform": "a uniform zone has one size",
                "relocation": "atoms are relocated alike in all layers",
            }.get(self.model)
            if reason:
                yield Mistake("length_nm", f'by layer goes with model = "diffusive": {reason}')
            return  # how long they may be depends on the layers
        if self.model not in self._used_by["range_nm"]:
            return
        if self.length_nm is None or self.range_nm is None:
            return
        length_nm, range_nm = float(self.length_nm), float(self.range_nm)
        if length_nm >= LARGEST_LENGTH_TO_RANGE * range_nm:
            yield Mistake(
                "length_nm",
                f"must be < {LARGEST_LENGTH_TO_RANGE} range_nm (range_nm = {shown(range_nm)}),"
                f" got {shown(length_nm)}",
            )

    def unused(self) -> list[str]:
        """Keys that are written and have no effect."""
        return [
            key
            for key, models in self._used_by.items()
            if getattr(self, key) not in (None, "none") and self.model not in models
        ]


# --- start-up ----------------------------------------------------------------------------------


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
        from craterfront.models.start_up import USUAL_DECAY_S  # brings scipy

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


# --- detection ---------------------------------------------------------------------------------


class Channel(Table):
    """One signal of the instrument.

    Parameters
    ----------
    name
        Unique; default the element.
    element
        The element that it follows; None for a fragment, which follows the layers.
    column
        Column of a measured file, by its name or its number from 1; default the name.
    merge
        Instead: columns that are added up.
    sensitivity
        Intensity per collected atom per nm2 and second, or per seen fraction of atoms; one for
        all layers, or a dictionary by the name of the layer or material.
    background
        Intensity without any sample.
    saturation
        Intensity above which a reading is censored.
    interference
        By element, the share of its signal that this channel also sees, relative to the channel's
        own sensitivity.
    self_absorption_nm2_s
        Optical depth of a resonance line per collected atom per nm2 and second of its element.
    hydrogen_effect
        Relative change of the intensity by very much hydrogen in the discharge, above -1.
    dead_time_s
        Time for which a counting detector is blind after each recorded count [s].
    reading_step
        Intensity between neighbouring readings of a converter.
    contamination
        Intensity, at the first moment, of what the surfaces give off at first.
    """

    name: Name
    element: Element | None = None
    column: Column | None = None
    merge: tuple[Column, ...] = ()
    sensitivity: Sensitivity = Quantity.default(1.0)
    background: NonNegativeQuantity = Quantity.default(0.0)
    saturation: PositiveQuantity | None = None
    interference: dict[Element, NonNegativeQuantity] = Field(default_factory=dict)
    self_absorption_nm2_s: PositiveQuantity | None = None
    hydrogen_effect: RelativeChange | None = None
    dead_time_s: PositiveTime | None = None
    reading_step: PositiveQuantity | None = None
    contamination: NonNegativeQuantity | None = None

    def __init__(self, /, **written: Any) -> None:
        if written.get("name") is None and isinstance(written.get("element"), str):
            written["name"] = written["element"]
        super().__init__(**written)

    @property
    def label(self) -> str:
        return self.name or ""

    @property
    def columns(self) -> tuple[str | int, ...]:
        """Columns of a measured file that make up this channel."""
        return self.merge or (self.name if self.column is None else self.column,)

    def sensitivity_in(self, layer: ConcreteLayer) -> Quantity:
        """Sensitivity to what comes from a layer.

        What is not in a table (see `key_of_layer`) has the default, 1, of an element; and 0 of a
        fragment.
        """
        if isinstance(self.sensitivity, Quantity):
            return self.sensitivity
        key = key_of_layer(self.sensitivity, layer)
        if key is not None:
            return self.sensitivity[key]
        return Quantity(0.0) if self.element is None else Quantity.default(1.0)

    def checks(self) -> Iterator[Mistake]:
        if self.merge and self.is_written("column"):
            yield Mistake("merge", "stands beside column; write only one of the two")
        if self.is_written("self_absorption_nm2_s"):
            if not self.is_written("element"):
                message = "a channel without element has no atoms that absorb their own light"
                yield Mistake("self_absorption_nm2_s", message)
            elif self.interference:
                message = "stands beside interference, whose light these atoms do not absorb"
                yield Mistake("self_absorption_nm2_s", message)
        if self.is_written("hydrogen_effect") and self.interference:
            message = "stands beside interference, whose light hydrogen changes in its own way"
            yield Mistake("hydrogen_effect", message)
        if self.is_written("dead_time_s"):
            if self.merge:
                message = "stands beside merge; each detector has its own counts"
                yield Mistake("dead_time_s", message)
            if self.is_written("reading_step"):
                message = "stands beside dead_time_s; counts are whole numbers already"
                yield Mistake("reading_step", message)
        if self.is_written("element") or isinstance(self.sensitivity, dict):
            return
        if not self.is_written("sensitivity") or self.sensitivity.status != "default":
            message = "a channel without element needs a table of numbers by layer"
            yield Mistake("sensitivity", message)


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
    emission_angle_deg: Annotated[Quantity, AfterValidator(within(at_least=0, below=90))] = (
        Quantity.default(0.0)
    )
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
        first: dict[str, str] = {}
        for index, channel in enumerate(self.channel):
            place = numbered("channel", index)
            where = named(place, channel.label)
            for key in ("self_absorption_nm2_s", "hydrogen_effect"):
                if self.view != "collected" and channel.is_written(key):
                    yield Mistake(key, 'only with view = "collected"', within=where)
            half = "hydrogen_half_per_nm2_s"
            if channel.is_written("hydrogen_effect") and not self.is_written(half):
                yield Mistake("hydrogen_effect", f"needs {half} in [detection]", within=where)
            if channel.name in first:
                message = f"is the name of {first[channel.name]}, too; names are unique"
                yield Mistake("name", message, within=named(place, channel.name))
            elif channel.name:
                first[channel.name] = place


# --- noise -------------------------------------------------------------------------------------


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
            from craterfront.models.one_over_f import processes  # brings numpy

            ends_s = float(slow.shortest_s), float(slow.longest_s)
            found += processes(float(slow.rms_per_decade), *ends_s)
        return found


# --- depth scale -------------------------------------------------------------------------------


class DepthScale(Table):
    """What fixes the depth scale, besides rates, sensitivities and known layers.

    Parameters
    ----------
    final_crater_depth_nm
        Measured depth of the crater after the profile, the mean over the analysed area [nm], with
        its uncertainty.
    from_yields
        Whether erosion rates from sputter yields count as a depth scale.
    """

    final_crater_depth_nm: PositiveLength | None = None
    from_yields: Flag = False

    def checks(self) -> Iterator[Mistake]:
        depth = self.final_crater_depth_nm
        if depth is not None and depth.status != "prior":
            yield Mistake(
                "final_crater_depth_nm",
                "must have its uncertainty, as a depth scale is as good as what fixes it: write"
                f" {{ value = {shown(depth.value)}, u = ... }}",
            )


class Discrepancy(Table):
    """By what the model itself may be wrong, besides what its residuals show.

    Parameters
    ----------
    rate_u_rel
        Relative standard uncertainty of the rate of each layer in this very measurement, beside
        that of its material: a current or a redeposition that goes by the surface rescales it, and
        a fit is none the worse.
    """

    rate_u_rel: RelativeDeviation = Quantity.default(0.0)


# --- all together ------------------------------------------------------------------------------


class Setup(Table):
    """One way of measuring.

    Parameters
    ----------
    source
        A `GlowDischarge` or an `IonBeam`; None where every layer has its erosion rate.
    crater
        `FlatCrater`, `ParabolicCrater`, `TiltedCrater`, `EdgedCrater`, `RasteredCrater` or
        `MeasuredCrater`; default that of the raster where the source has the width of its beam,
        else flat.
    roughness, mixing, detection, noise
        Objects of these names; default: none of the effect, everything collected.
    start_up
        A `StartUp`; None: erosion is steady from the first moment.
    surface_transient
        A `SurfaceTransient`; None: the rate is that of the layers from the surface on.
    coupling
        A `Coupling`, for the resolved engine alone.
    discrepancy
        A `Discrepancy`, for inversions.
    """

    place: ClassVar[str] = ""

    source: Source | None = None
    crater: Crater | None = None
    roughness: Roughness = Roughness()
    mixing: Mixing = Mixing(model="none")
    detection: Detection = Detection()
    noise: Noise = Noise()
    start_up: StartUp | None = None
    surface_transient: SurfaceTransient | None = None
    coupling: Coupling | None = None
    discrepancy: Discrepancy = Discrepancy()

    @property
    def beam(self) -> IonBeam | None:
        """The ion beam if it is one of known width, which makes a crater of its own."""
        beam = self.source if isinstance(self.source, IonBeam) else None
        return beam if beam and beam.beam_fwhm_um else None

    @property
    def crater_made(self) -> Crater:
        """The crater as written, else as the ion beam makes it, else a flat one."""
        return self.crater or (RasteredCrater() if self.beam else FlatCrater())

    def checks(self) -> Iterator[Mistake]:
        if isinstance(self.crater, RasteredCrater) and self.beam is None:
            message = 'is "rastered", but there is no ion beam with beam_fwhm_um in [source]'
            yield Mistake("shape", message, within="crater")
        yield from self._crater_checks()
        yield from self._counting_checks()
        if isinstance(self.source, IonBeam) and self.detection.is_written("residence_s"):
            message = "is of the gas of a lamp, and [source] is an ion beam"
            yield Mistake("residence_s", message, within="detection")
        yield from self._start_up_checks()
        if self.is_written("source"):
            return
        if self.mixing.model != "none" and not self.mixing.is_written("length_nm"):
            message = "missing, and there is no [source] for a range of its ions"
            yield Mistake("length_nm", message, within="mixing")
        if self.mixing.preference == "yields":
            message = 'is "yields", but there is no [source] that has yields'
            yield Mistake("preference", message, within="mixing")

    def _crater_checks(self) -> Iterator[Mistake]:
        shape, seen = self.crater_made, self.detection.radial_weight
        if isinstance(shape, ParabolicCrater) and shape.point and shape.is_complete:
            try:
                shape.curvature_with(self.source)
            except ValueError as error:
                yield Mistake("point", str(error), within="crater")
        if seen is None or not seen.radius_mm:
            return
        if shape.shape not in ROUND_SHAPES:
            message = f"goes with a round crater, not with shape = {shown(shape.shape)}"
            yield Mistake("radial_weight", message, within="detection")
            return
        for edge_mm, owner in self._edges_of_the_area():
            if not math.isclose(seen.radius_mm[-1], edge_mm, rel_tol=1e-3):
                message = (
                    f"must reach to {shown(edge_mm)}, {owner}, got {shown(seen.radius_mm[-1])}"
                )
                yield Mistake("radius_mm", message, within="detection.radial_weight")

    def _edges_of_the_area(self) -> Iterator[tuple[float, str]]:
        """Radius of a round analysed area, and what tells it [mm]."""
        shape, source = self.crater_made, self.source
        if isinstance(shape, MeasuredCrater) and shape.radius_mm:
            yield shape.radius_mm[-1], "the last radius_mm of [crater]"
        elif isinstance(source, GlowDischarge) and source.anode_diameter_mm is not None:
            diameter_mm = float(source.anode_diameter_mm)
            yield 0.5 * diameter_mm, "half the anode_diameter_mm of [source]"

    def _counting_checks(self) -> Iterator[Mistake]:
        """What a dead time needs, and what readings it allows."""
        counts = self.noise.counts_per_unit_s
        for index, channel in enumerate(self.detection.channel):
            if channel.dead_time_s is None:
                continue
            place = named(numbered("channel", index), channel.label)
            if counts is None:
                message = "needs counts_per_unit_s in [noise]"
                yield Mistake("dead_time_s", message, within=f"detection.{place}")
            elif channel.saturation is not None:
                most = 1.0 / (float(counts) * float(channel.dead_time_s))
                if float(channel.saturation) >= most:
                    message = (
                        f"must be < {most:g}, which the dead time lets no reading reach,"
                        f" got {shown(channel.saturation.value)}"
                    )
                    yield Mistake("saturation", message, within=f"detection.{place}")

    def _unused_start_up(self) -> Iterator[str]:
        contaminated = any(c.contamination is not None for c in self.detection.channel)
        if self.start_up and not self.start_up.is_written("rate_deficit") and not contaminated:
            yield "start_up decay_s: unused without rate_deficit and contamination of a channel"

    def _start_up_checks(self) -> Iterator[Mistake]:
        if self.is_written("start_up"):
            if self.detection.view != "collected":
                yield Mistake("start_up", 'only with view = "collected"')
            return
        for index, channel in enumerate(self.detection.channel):
            if channel.is_written("contamination"):
                place = named(numbered("channel", index), channel.label)
                message = "needs [start_up], whose decay_s is its decay time"
                yield Mistake("contamination", message, within=f"detection.{place}")

    def unused(self) -> list[str]:
        """Values that are written and have no effect, with their places."""
        growth, model = self.roughness.growth, self.mixing.model
        beside = self.beam is not None and self.crater_made.shape != "rastered"
        lamp = self.source.unused() if isinstance(self.source, GlowDischarge) else []
        return [
            *(f"source {words}" for words in lamp),
            *(
                ["source beam_fwhm_um: makes no crater, as there is another one in [crater]"]
                if beside
                else []
            ),
            *(
                f'roughness {key}: unused with growth = "{growth}"'
                for key in self.roughness.unused()
            ),
            *(
                ["roughness heights: unused with initial_nm = 0"]
                if self.roughness.has_idle_heights
                else []
            ),
            *self._unused_start_up(),
            *(f'mixing {key}: unused with model = "{model}"' for key in self.mixing.unused()),
        ]
