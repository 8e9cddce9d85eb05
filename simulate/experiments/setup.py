"""One way of measuring: source, crater and all that goes with them."""

import math
from collections.abc import Iterator
from typing import ClassVar

from craterfront.experiments.beginning import StartUp, SurfaceTransient
from craterfront.experiments.coupling import Coupling
from craterfront.experiments.crater_shape import (
    ROUND_SHAPES,
    Crater,
    FlatCrater,
    MeasuredCrater,
    ParabolicCrater,
    RasteredCrater,
)
from craterfront.experiments.detection import Detection
from craterfront.experiments.mixing import Mixing
from craterfront.experiments.noise import Noise
from craterfront.experiments.rate_discrepancy import Discrepancy
from craterfront.experiments.roughness import Roughness
from craterfront.experiments.source import GlowDischarge, IonBeam, Source
from craterfront.notation.table import Mistake, Table
from craterfront.problems import shown


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
        for place, channel in self.detection.placed_channels():
            if channel.dead_time_s is None:
                continue
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
        for place, channel in self.detection.placed_channels():
            if channel.is_written("contamination"):
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
