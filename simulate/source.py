"""What erodes the sample: a glow-discharge lamp or a rastered ion beam."""

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, PlainValidator

from craterfront.problems import shown
from craterfront.quantities import Quantity, SourceNumber, within
from craterfront.table import Mistake, Table, chosen_by, number_list, parsed_formula


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
