"""What erodes the sample: a glow-discharge lamp or a rastered ion beam."""

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, PlainValidator

from craterfront.problems import shown
from craterfront.quantities import Quantity, SourceNumber, within
from craterfront.table import Mistake, Table, chosen_by, number_list, parsed_formula

MOST_EDGE_DEFICIT = 0.02
"""Of the rate at the edge of a gate against its centre, from where on a note tells of it."""


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
    beam_fwhm_um
        Width and height of the beam at half its maximum, no larger than the raster [um]; default
        a current that is evenly spread over the raster.
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
    beam_fwhm_um: _Sides | None = None

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
        from craterfront.models.raster import edge_deficit

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
