"""One layer of the stack with nothing left to look up."""

import math
from dataclasses import dataclass

from craterfront.notation.quantities import Quantity
from craterfront.samples.asked import Limit
from craterfront.samples.interface import NO_LENGTH, Shape, Side

_ENDLESS = Quantity(math.inf)


@dataclass(frozen=True, slots=True)
class ConcreteLayer:
    """One layer of the stack with nothing left to look up.

    Layers whose group of some parameter is the same share one value of it.

    Attributes
    ----------
    name
        Unique in the stack, such as ``"TiN #3"`` for the third period.
    label
        Name before it was made unique, ``"TiN"``; of a graded layer that of the whole.
    graded
        Name of the graded layer of which it is a part, unique in the stack; None: of none.
    material
        Name of the shared material, if it has one.
    substance
        Short name of what it consists of.
    composition
        Atomic fraction by element, sum 1.
    thickness_nm
        Infinite for the substrate.
    density_g_cm3
        None if it is neither written nor known.
    erosion_rate_nm_s
        None if it is to follow from the yields.
    interface_width_nm, interface_shape, interface_side, interface_table,
    interface_roughness_nm, conformal, diffusion_time_s, has_diffused, enrichment
        As in `Layer`, of the interface below; without meaning for the substrate. The width is
        that of `Layer.true_width`, the thickness of `Layer.true_thickness`.
    limit
        Tolerance limits of the layer; of a part of a graded one those of the whole.
    thickness_group, density_group, rate_group, width_group, roughness_group
        Which layers share the value.
    """

    name: str
    label: str
    material: str | None
    substance: str
    composition: dict[str, float]
    density_g_cm3: Quantity | None
    erosion_rate_nm_s: Quantity | None
    thickness_group: str
    density_group: str
    rate_group: str
    width_group: str
    roughness_group: str
    graded: str | None = None
    thickness_nm: Quantity = _ENDLESS
    interface_width_nm: Quantity = NO_LENGTH
    interface_shape: Shape = "erf"
    interface_side: Side = "below"
    interface_table: tuple[tuple[float, float], ...] = ()
    interface_roughness_nm: Quantity = NO_LENGTH
    conformal: float = 0.0
    diffusion_time_s: Quantity | None = None
    has_diffused: bool = False
    enrichment: tuple[str, ...] = ()
    limit: Limit | None = None

    @property
    def is_substrate(self) -> bool:
        return math.isinf(self.thickness_nm.value)
