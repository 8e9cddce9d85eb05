"""What erodes the sample: a glow-discharge lamp or a rastered ion beam."""

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import PlainValidator

from craterfront.experiments.rate_table import RateTable
from craterfront.notation.quantities import (
    AngleToNormal,
    PositiveRate,
    Quantity,
    SourceNumber,
    SourceShare,
)
from craterfront.notation.table import Mistake, Table, chosen_by, number_list, parsed_formula
from craterfront.problems import shown
from craterfront.samples.composition import Composed

MOST_EDGE_DEFICIT = 0.02
"""Of the rate at the edge of a gate against its centre, from where on a note tells of it."""

_RATES = ("erosion_rate_nm_s", "mass_rate_ug_s")


class OperatingPoint(Composed):
    """A point at which a lamp was measured, with the same anode.

    Parameters
    ----------
    composition, composition_mass, density_g_cm3
        The material, as for a `Layer`: at equal voltage and pressure each draws its own current.
    voltage_V, current_mA
        Voltage [V] and current [mA].
    pressure_hPa
        Gas pressure [hPa]; needed to find the third of voltage, current and pressure elsewhere.
    erosion_rate_nm_s
        Measured erosion rate of the material [nm/s]; all rates from yields are then tied to it.
    mass_rate_ug_s
        Instead: the mass that was eroded per time, over the whole opening of the anode [ug/s].
    """

    voltage_V: SourceNumber
    current_mA: SourceNumber
    pressure_hPa: SourceNumber | None = None
    mass_rate_ug_s: PositiveRate | None = None

    @property
    def rate(self) -> Quantity | None:
        """The measured rate, by depth or by mass."""
        return self.mass_rate_ug_s if self.erosion_rate_nm_s is None else self.erosion_rate_nm_s

    def checks(self) -> Iterator[Mistake]:
        yield from super().checks()
        rates = [key for key in _RATES if self.is_written(key)]
        if len(rates) > 1:
            yield Mistake(rates[1], f"stands beside {rates[0]}; write only one of the two")
        if self.rate is None:
            return
        if self.rate.status == "guess":
            yield Mistake(rates[0], "must be measured, not a guess")
        composed = self.composition or self.composition_mass
        # Without a rate by depth a missing density has been noted with the composition.
        if composed and self.density is None and self.erosion_rate_nm_s is not None:
            yield Mistake("density_g_cm3", "missing; needed with erosion_rate_nm_s")


class GlowDischarge(Table):
    """A glow-discharge lamp in argon.

    Voltage and current are needed, or one of them with the pressure and a `reference` that has a
    pressure, too.

    Parameters
    ----------
    voltage_V
        Voltage at the cathode [V].
    current_mA
        Current [mA]; with ``supply = "RF"`` only for rates from yields.
    pressure_hPa
        Gas pressure [hPa].
    anode_diameter_mm
        Inner diameter of the anode [mm].
    supply
        ``"DC"`` or ``"RF"``.
    power_W
        Power [W]; needed with ``supply = "RF"``, and only there.
    sheath_free_paths
        Length of the cathode sheath in mean free paths of the ions for charge exchange; default
        from the pressure, else the usual range.
    redeposited_share
        Share of the sputtered atoms that falls back on the sample; default the usual range.
    rate_law
        How rates go with the voltage: ``"sheath"``, or from a measured rate ``"linear"`` or
        ``"power"``.
    reference
        An `OperatingPoint` of this lamp.
    rate_table
        A `RateTable` of relative rates, which come before those from yields.
    """

    kind: Literal["glow discharge"] = "glow discharge"
    voltage_V: SourceNumber | None = None
    current_mA: SourceNumber | None = None
    pressure_hPa: SourceNumber | None = None
    anode_diameter_mm: SourceNumber
    supply: Literal["DC", "RF"] = "DC"
    power_W: SourceNumber | None = None
    sheath_free_paths: SourceNumber | None = None
    redeposited_share: SourceShare | None = None
    rate_law: Literal["sheath", "linear", "power"] = "sheath"
    reference: OperatingPoint | None = None
    rate_table: RateTable | None = None

    @property
    def has_measured_rate(self) -> bool:
        """Whether there is a rate that all others can be tied to."""
        return self.reference is not None and self.reference.rate is not None

    def checks(self) -> Iterator[Mistake]:
        if self.supply == "RF" and not self.is_written("power_W"):
            yield Mistake("power_W", 'missing; needed with supply = "RF"')
        if self.supply == "DC" and self.is_written("power_W"):
            yield Mistake("power_W", 'only with supply = "RF"')
        yield from self._missing_numbers()
        if self.rate_law != "sheath" and not self.is_written("reference"):
            yield Mistake(
                "reference",
                f"missing; rate_law = {shown(self.rate_law)} needs [source.reference] with"
                " erosion_rate_nm_s or mass_rate_ug_s",
            )
        elif self.rate_law != "sheath" and self.reference and not self.has_measured_rate:
            message = f"missing; it or mass_rate_ug_s with rate_law = {shown(self.rate_law)}"
            yield Mistake("erosion_rate_nm_s", message, within="reference")

    def _missing_numbers(self) -> Iterator[Mistake]:
        """Voltage and current, unless the measured point and the pressure give one of them."""
        needed = ("voltage_V", "current_mA") if self.supply == "DC" else ("voltage_V",)
        missing = [key for key in needed if not self.is_written(key)]
        measured = self.reference is not None and self.reference.is_written("pressure_hPa")
        other = all(map(self.is_written, {"voltage_V", "current_mA"}.difference(missing)))
        if len(missing) == 1 and other and self.is_written("pressure_hPa") and measured:
            return
        for key in missing:
            yield Mistake(
                key,
                f'missing; needed with supply = "{self.supply}" unless pressure_hPa, here and in'
                " [source.reference], gives it",
            )

    def unused(self) -> list[str]:
        """Keys that are written and have no effect."""
        found = []
        alone = self.reference is not None and self.reference.pressure_hPa is None
        if self.pressure_hPa and self.has_measured_rate and alone:
            found.append("pressure_hPa: unused without pressure_hPa in [source.reference]")
        elif self.sheath_free_paths and self.pressure_hPa and self.voltage_V and self.current_mA:
            found.append("pressure_hPa: unused with sheath_free_paths, voltage_V and current_mA")
        if self.redeposited_share and self.has_measured_rate:
            found.append("redeposited_share: only with --resolved, as the measured rate has it")
        return found


class MeasuredRate(Composed):
    """An erosion rate that was measured under the same ion beam.

    Parameters
    ----------
    composition, composition_mass, density_g_cm3
        The material, as for a `Layer`.
    erosion_rate_nm_s
        Its erosion rate [nm/s]; all rates that nobody wrote are then tied to it.
    """

    def checks(self) -> Iterator[Mistake]:
        yield from super().checks()
        if not self.is_written("erosion_rate_nm_s"):
            yield Mistake("erosion_rate_nm_s", "missing")
        elif self.erosion_rate_nm_s and self.erosion_rate_nm_s.status == "guess":
            yield Mistake("erosion_rate_nm_s", "must be measured, not a guess")
        composed = self.composition or self.composition_mass
        if composed and self.density is None and self.is_written("erosion_rate_nm_s"):
            yield Mistake("density_g_cm3", "missing; needed with erosion_rate_nm_s")


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
    beam_fwhm_um
        Width and height of the beam at half its maximum, no larger than the raster [um]; default
        a current that is evenly spread over the raster.
    reference
        A `MeasuredRate` under this beam.
    rate_table
        As for a `GlowDischarge`.
    """

    kind: Literal["ion beam"] = "ion beam"
    ion: Annotated[str, PlainValidator(_ion)] = "Ar"
    energy_eV: SourceNumber
    angle_deg: AngleToNormal = Quantity.default(0.0)
    current_nA: SourceNumber
    raster_um: _Sides
    gate_um: _Sides | None = None
    beam_fwhm_um: _Sides | None = None
    reference: MeasuredRate | None = None
    rate_table: RateTable | None = None

    @property
    def has_measured_rate(self) -> bool:
        """Whether there is a rate that all others can be tied to."""
        return self.reference is not None

    def checks(self) -> Iterator[Mistake]:
        for key in ("gate_um", "beam_fwhm_um"):
            sides = zip(getattr(self, key) or (), self.raster_um or (), strict=False)
            for index, (side, raster) in enumerate(sides):  # one of them may be wrong
                if side > raster:
                    yield Mistake(
                        f"{key}[{index + 1}]",
                        f"must be <= raster_um[{index + 1}] = {shown(raster)}, got {shown(side)}",
                    )

    @property
    def analysed_um(self) -> tuple[float, float]:
        """Width and height of the analysed area."""
        return self.gate_um or self.raster_um

    def warnings(self) -> Iterator[str]:
        """What is allowed and yet probably not meant."""
        if self.beam_fwhm_um is None:
            if self.gate_um is not None:
                yield "gate_um: unused without beam_fwhm_um"
            return
        from craterfront.models.erosion_front.raster import edge_deficit

        deficit = edge_deficit(self.raster_um, self.analysed_um, self.beam_fwhm_um)
        if deficit > MOST_EDGE_DEFICIT:
            place = "raster_um: without gate_um" if self.gate_um is None else "gate_um: too wide"
            yield (
                f"{place}, at the edge of what is analysed the rate is {100 * deficit:.2g} % below"
                " that in the centre; a gate narrower than the raster by twice the beam avoids it"
            )


Source = Annotated[
    GlowDischarge | IonBeam,
    chosen_by("kind", {"glow discharge": GlowDischarge, "ion beam": IonBeam}),
]
