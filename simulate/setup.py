"""How a sample is measured: source, crater, roughness, mixing, detection and noise."""

import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, Field, PlainValidator

from craterfront.problems import did_you_mean, one_of, shown
from craterfront.quantities import (
    TABLE_KEYS,
    NonNegativeLength,
    NonNegativeQuantity,
    PositiveLength,
    PositiveQuantity,
    PositiveTime,
    Quantity,
    RelativeDeviation,
    SourceNumber,
    finite_number,
    read_non_negative,
    within,
)
from craterfront.sample import ConcreteLayer
from craterfront.table import (
    Element,
    Flag,
    Mistake,
    Name,
    Table,
    chosen_by,
    element_symbol,
    named,
    number_list,
    numbered,
    parsed_formula,
    read_each,
    whole_number,
)

SMALLEST_RADIUS_MM = 1e-3
"""Of a measured crater: a micrometre."""

LARGEST_LENGTH_TO_RANGE = 0.97
"""Mixing lengths from here on cannot be reached by mixing within the range."""


# --- source ------------------------------------------------------------------------------------


class GlowDischarge(Table):
    """A glow-discharge lamp in argon.

    Parameters
    ----------
    voltage_V
        Voltage at the cathode [V].
    current_mA
        Current [mA]; needed with ``supply = "DC"``.
    power_W
        Power [W]; needed with ``supply = "RF"``, and only there.
    pressure_hPa
        Gas pressure [hPa].
    anode_diameter_mm
        Inner diameter of the anode [mm].
    supply
        ``"DC"`` or ``"RF"``.
    """

    kind: Literal["glow discharge"] = "glow discharge"
    voltage_V: SourceNumber
    current_mA: SourceNumber | None = None
    pressure_hPa: SourceNumber | None = None
    anode_diameter_mm: SourceNumber
    supply: Literal["DC", "RF"] = "DC"
    power_W: SourceNumber | None = None

    def checks(self) -> Iterator[Mistake]:
        if self.supply == "RF" and not self.is_written("power_W"):
            yield Mistake("power_W", 'missing; needed with supply = "RF"')
        if self.supply == "DC" and self.is_written("power_W"):
            yield Mistake("power_W", 'only with supply = "RF"')
        if self.supply == "DC" and not self.is_written("current_mA"):
            yield Mistake("current_mA", 'missing; needed with supply = "DC"')


def _ion(written: Any) -> str:
    if not isinstance(written, str):
        raise ValueError(f"must be a formula such as Ar or O2, got {shown(written)}")
    parsed_formula(written)
    return written


_Sides = Annotated[
    tuple[float, float], number_list("from 0.001 to 1e9", lambda side: 1e-3 <= side <= 1e9, 2)
]


class IonBeam(Table):
    """A rastered ion beam.

    Parameters
    ----------
    ion
        Element or molecule of the projectile.
    energy_eV
        Impact energy [eV].
    angle_deg
        Angle of incidence from the surface normal [deg].
    current_nA
        Beam current [nA].
    raster_um
        Width and height of the raster [um].
    gate_um
        Width and height of the analysed area in its middle [um]; default all of it.
    """

    kind: Literal["ion beam"] = "ion beam"
    ion: Annotated[str, PlainValidator(_ion)] = "Ar"
    energy_eV: SourceNumber
    angle_deg: Annotated[Quantity, AfterValidator(within(at_least=0, below=90))] = Quantity.default(
        0.0
    )
    current_nA: SourceNumber
    raster_um: _Sides
    gate_um: _Sides | None = None

    def checks(self) -> Iterator[Mistake]:
        sides = zip(self.gate_um or (), self.raster_um or (), strict=False)  # one may be wrong
        for index, (gate, raster) in enumerate(sides):
            if gate > raster:
                yield Mistake(
                    f"gate_um[{index + 1}]",
                    f"must be <= raster_um[{index + 1}] = {shown(raster)}, got {shown(gate)}",
                )


Source = Annotated[
    GlowDischarge | IonBeam,
    chosen_by("kind", {"glow discharge": GlowDischarge, "ion beam": IonBeam}),
]


# --- crater ------------------------------------------------------------------------------------


class FlatCrater(Table):
    """The same erosion rate everywhere."""

    shape: Literal["flat"] = "flat"


class ParabolicCrater(Table):
    """Relative rate ``1 + curvature * (1/2 - (r/R)^2)`` over a round analysed area.

    Parameters
    ----------
    curvature
        (Rate at the centre - rate at the edge) / mean rate, from -1.9 to 1.9; positive: deeper
        in the middle.
    """

    shape: Literal["parabolic"] = "parabolic"
    curvature: Annotated[Quantity, AfterValidator(within(at_least=-1.9, at_most=1.9))]


class TiltedCrater(Table):
    """Rate that changes evenly across a rectangular gate.

    Parameters
    ----------
    tilt
        (Highest - lowest rate) / mean rate, up to 1.9.
    """

    shape: Literal["tilted"] = "tilted"
    tilt: Annotated[Quantity, AfterValidator(within(at_least=0, at_most=1.9))]


class EdgedCrater(Table):
    """A flat floor and a rim with another rate.

    Parameters
    ----------
    edge_share
        Share of the analysed area that the rim takes, up to 0.99.
    edge_rate
        Rate of the rim relative to that of the floor, from 0.001 to 1000.
    """

    shape: Literal["edged"] = "edged"
    edge_share: Annotated[Quantity, AfterValidator(within(at_least=0, at_most=0.99))]
    edge_rate: Annotated[Quantity, AfterValidator(within(at_least=1e-3, at_most=1e3))]


def _is_radius(radius_mm: float) -> bool:
    return 0 <= radius_mm <= 1000


def _is_depth(depth_um: float) -> bool:
    return 1e-6 <= depth_um <= 1e6


class MeasuredCrater(Table):
    """A crater as a profilometer gives it; the rate is proportional to the depth.

    Parameters
    ----------
    radius_mm
        Distances from the centre, increasing, within the analysed area [mm].
    depth_um
        Depth at each of them [um].
    """

    shape: Literal["measured"] = "measured"
    radius_mm: Annotated[tuple[float, ...], number_list("from 0 to 1000", _is_radius)]
    depth_um: Annotated[tuple[float, ...], number_list("from 1e-6 to 1e6", _is_depth)]

    def checks(self) -> Iterator[Mistake]:
        radii, depths = self.radius_mm, self.depth_um
        if radii is None or depths is None:  # while mistakes are gathered
            return
        if len(radii) < 2:
            yield Mistake("radius_mm", f"must have at least 2 numbers, got {len(radii)}")
        elif radii[-1] < SMALLEST_RADIUS_MM:
            yield Mistake(
                "radius_mm", f"must reach to {SMALLEST_RADIUS_MM} or more, got {shown(radii[-1])}"
            )
        if len(depths) != len(radii):
            yield Mistake("depth_um", f"has {len(depths)} numbers for {len(radii)} in radius_mm")
        for index in range(1, len(radii)):
            if radii[index] <= radii[index - 1]:
                yield Mistake(
                    f"radius_mm[{index + 1}]",
                    f"must be > {shown(radii[index - 1])} before it, got {shown(radii[index])}",
                )
                break


Crater = Annotated[
    FlatCrater | ParabolicCrater | TiltedCrater | EdgedCrater | MeasuredCrater,
    chosen_by(
        "shape",
        {
            "flat": FlatCrater,
            "parabolic": ParabolicCrater,
            "tilted": TiltedCrater,
            "edged": EdgedCrater,
            "measured": MeasuredCrater,
        },
    ),
]


# --- roughness and mixing ----------------------------------------------------------------------


class Roughness(Table):
    """Spread of depth between columns, before and through erosion.

    Parameters
    ----------
    initial_nm
        Standard deviation of the outer surface [nm].
    growth
        ``"none"``; ``"statistical"``: as the root of depth, by monolayers; ``"grains"``: as the
        root of depth, by grains of different rate; ``"columns"``: in proportion to depth.
    relative_spread
        Standard deviation of the rate between grains or columns, relative to the mean.
    grain_nm
        Grain size along the depth [nm].
    """

    initial_nm: NonNegativeLength = Quantity.default(0.0)
    growth: Literal["none", "statistical", "grains", "columns"] = "none"
    relative_spread: RelativeDeviation | None = None
    grain_nm: PositiveLength | None = None

    _used_by: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "relative_spread": ("grains", "columns"),
        "grain_nm": ("grains",),
    }

    def checks(self) -> Iterator[Mistake]:
        for key, growths in self._used_by.items():
            if self.growth in growths and not self.is_written(key):
                yield Mistake(key, f'missing; needed with growth = "{self.growth}"')

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
        constant strength within the range.
    length_nm
        Thickness of the uniform zone, or trailing decay length of a buried monolayer [nm];
        default from the range of the ions.
    range_nm
        Depth of the zone of diffusive mixing [nm]; default from the range of the ions.
    preference
        ``"none"``: all elements leave alike; ``"yields"``: by their sputter yields; or a table of
        a relative number for each element, 1 where it has none.
    """

    model: Literal["none", "uniform", "diffusive"]
    length_nm: PositiveLength | None = None
    range_nm: PositiveLength | None = None
    preference: Annotated[str | dict[str, float], PlainValidator(_preference)] = "none"

    def checks(self) -> Iterator[Mistake]:
        if self.model != "diffusive" or self.length_nm is None or self.range_nm is None:
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
        values: dict[str, Any] = {"length_nm": self.length_nm, "range_nm": self.range_nm}
        if self.preference != "none":
            values["preference"] = self.preference
        written = [key for key, value in values.items() if value is not None]
        used = {"none": (), "uniform": ("length_nm", "preference")}
        return [key for key in written if key not in used.get(self.model, written)]


# --- detection ---------------------------------------------------------------------------------


def _sensitivity(written: Any) -> Quantity | dict[str, Quantity]:
    """One quantity, or one for each of the layers or materials that are named."""
    if not isinstance(written, Mapping) or any(key in TABLE_KEYS for key in written):
        return read_non_negative(written)
    if not written:
        raise ValueError("must be a number or a table of numbers by layer, got an empty table")
    return read_each(written, str, read_non_negative)


Sensitivity = Annotated[Quantity | dict[str, Quantity], PlainValidator(_sensitivity)]


def _column(written: Any) -> str | int:
    """A column by its name, or by its number from 1."""
    whole = isinstance(written, int) and not isinstance(written, bool)
    if not whole and not (isinstance(written, str) and written.strip()):
        raise ValueError(f"must be a name or a number, got {shown(written)}")
    if whole and written < 1:
        raise ValueError(f"must be >= 1, got {shown(written)}")
    return written


Column = Annotated[str | int, PlainValidator(_column)]


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
    """

    name: Name
    element: Element | None = None
    column: Column | None = None
    merge: tuple[Column, ...] = ()
    sensitivity: Sensitivity = Quantity.default(1.0)
    background: NonNegativeQuantity = Quantity.default(0.0)
    saturation: PositiveQuantity | None = None
    interference: dict[Element, NonNegativeQuantity] = Field(default_factory=dict)

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

        A table is searched for the unique name of the layer, its name before numbering and its
        material, in this order. What is not there has the default, 1, of an element; and 0 of a
        fragment.
        """
        if isinstance(self.sensitivity, Quantity):
            return self.sensitivity
        for name in (layer.name, layer.label, layer.material):
            if name in self.sensitivity:
                return self.sensitivity[name]
        return Quantity(0.0) if self.element is None else Quantity.default(1.0)

    def checks(self) -> Iterator[Mistake]:
        if self.merge and self.is_written("column"):
            yield Mistake("merge", "stands beside column; write only one of the two")
        if self.is_written("element") or isinstance(self.sensitivity, dict):
            return
        if not self.is_written("sensitivity") or self.sensitivity.status != "default":
            message = "a channel without element needs a table of numbers by layer"
            yield Mistake("sensitivity", message)


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
    sampling_s
        Time from one reading to the next [s].
    duration_s
        Length of the measurement [s]; default until the substrate.
    channel
        The channels; none: one for each element.
    """

    view: Literal["collected", "viewed"] = "collected"
    timing: Literal["continuous", "cycle"] = "continuous"
    escape_depth_nm: NonNegativeLength | None = None
    sampling_s: PositiveTime | None = None
    duration_s: PositiveTime | None = None
    channel: tuple[Channel, ...] = ()

    def channels(self, elements: Iterable[str]) -> tuple[Channel, ...]:
        """The channels that are listed, else one for each of the elements."""
        return self.channel or tuple(Channel(element=symbol) for symbol in elements)

    def checks(self) -> Iterator[Mistake]:
        sampling_s, duration_s = self.sampling_s, self.duration_s
        if sampling_s and duration_s and sampling_s.value > duration_s.value:
            limit = f"must be <= duration_s = {shown(duration_s.value)}"
            yield Mistake("sampling_s", f"{limit}, got {shown(sampling_s.value)}")
        first: dict[str, str] = {}
        for index, channel in enumerate(self.channel):
            place = numbered("channel", index)
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


class Noise(Table):
    """Noise of the readings; without any value there is none.

    Parameters
    ----------
    counts_per_unit_s
        Counts per second for one unit of intensity [1/s]; None: no counting noise.
    flicker
        Fluctuation of the source.
    readout_per_sqrt_s
        Standard deviation of the intensity of a reading of one second [intensity * s^(1/2)].
    """

    counts_per_unit_s: PositiveQuantity | None = None
    flicker: Flicker | None = None
    readout_per_sqrt_s: NonNegativeQuantity = Quantity.default(0.0)


# --- measured files ----------------------------------------------------------------------------

AXIS_UNITS = {
    "time": ("s", "ms", "min"),
    "depth": ("nm", "um", "\u03bcm", "A", "\u00c5"),
}


def _unit(written: Any) -> str:
    """A unit with one of the two signs that Unicode has for micro and for angstrom."""
    if not isinstance(written, str):
        raise ValueError(f"must be text, got {shown(written)}")
    return unicodedata.normalize("NFKC", written.strip())


class ProfileSettings(Table):
    """How a measured file is read.

    Parameters
    ----------
    axis_column
        Column with the axis, by its name or its number from 1; default the first.
    axis
        ``"time"`` or ``"depth"``.
    axis_unit
        s, ms or min; nm, um or A; default s or nm.
    axis_position
        Whether the axis gives the ``"start"``, ``"middle"`` or ``"end"`` of each interval.
    values
        ``"intensity"``, ``"atomic fraction"`` or ``"mass fraction"``.
    value_unit
        ``"1"``, or ``"%"`` for fractions given in per cent.
    ignore
        Columns to leave out, by name or pattern with ``*`` and ``?``.
    delimiter
        ``"tab"``, ``"comma"``, ``"semicolon"`` or ``"blanks"``; default found by the reader.
    decimal
        ``"."`` or ``","``; default found by the reader.
    header_rows
        Number of lines before the first data row; default found by the reader.
    names_row
        The line, counted from 1, with the names of the columns; default found by the reader.
    drop_last_rows
        Number of data rows at the end to leave out, such as an incomplete one.
    """

    axis_column: Column | None = None
    axis: Literal["time", "depth"] = "time"
    axis_unit: Annotated[str, PlainValidator(_unit)] | None = None
    axis_position: Literal["start", "middle", "end"] = "middle"
    values: Literal["intensity", "atomic fraction", "mass fraction"] = "intensity"
    value_unit: Literal["1", "%"] = "1"
    ignore: tuple[Name, ...] = ()
    delimiter: Literal["tab", "comma", "semicolon", "blanks"] | None = None
    decimal: Literal[".", ","] | None = None
    header_rows: Annotated[int, whole_number(0)] | None = None
    names_row: Annotated[int, whole_number(1)] | None = None
    drop_last_rows: Annotated[int, whole_number(0)] = 0

    def checks(self) -> Iterator[Mistake]:
        units = AXIS_UNITS[self.axis]
        if self.axis_unit is not None and self.axis_unit not in units:
            yield Mistake(
                "axis_unit",
                f'must be {one_of(units)} with axis = "{self.axis}", got {shown(self.axis_unit)}',
            )
        if self.value_unit == "%" and self.values == "intensity":
            yield Mistake("value_unit", '"%" is for fractions, but values is "intensity"')
        if self.delimiter == "comma" and self.decimal == ",":
            yield Mistake("decimal", 'must be "." with delimiter = "comma", got ","')
        names_row, header_rows = self.names_row or 0, self.header_rows
        if header_rows is not None and names_row > header_rows:
            yield Mistake(
                "names_row",
                f"must be one of the {header_rows} header_rows, got {names_row}",
            )


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


# --- all together ------------------------------------------------------------------------------


class Setup(Table):
    """One way of measuring.

    Parameters
    ----------
    source
        A `GlowDischarge` or an `IonBeam`; None where every layer has its erosion rate.
    crater
        `FlatCrater`, `ParabolicCrater`, `TiltedCrater`, `EdgedCrater` or `MeasuredCrater`.
    roughness, mixing, detection, noise
        Objects of these names; default: none of the effect, everything collected.
    """

    place: ClassVar[str] = ""

    source: Source | None = None
    crater: Crater = FlatCrater()
    roughness: Roughness = Roughness()
    mixing: Mixing = Mixing(model="none")
    detection: Detection = Detection()
    noise: Noise = Noise()

    def checks(self) -> Iterator[Mistake]:
        if self.is_written("source"):
            return
        mixes = self.mixing.model in ("uniform", "diffusive")
        if mixes and not self.mixing.is_written("length_nm"):
            message = "missing, and there is no [source] for a range of its ions"
            yield Mistake("length_nm", message, within="mixing")
        if self.mixing.preference == "yields":
            message = 'is "yields", but there is no [source] that has yields'
            yield Mistake("preference", message, within="mixing")

    def unused(self) -> list[str]:
        """Values that are written and have no effect, with their places."""
        growth, model = self.roughness.growth, self.mixing.model
        return [
            *(
                f'roughness {key}: unused with growth = "{growth}"'
                for key in self.roughness.unused()
            ),
            *(f'mixing {key}: unused with model = "{model}"' for key in self.mixing.unused()),
        ]
