"""The transition from a layer to what lies below it: shapes, diffusion, what rules what out."""

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Literal

from craterfront.notation.quantities import Quantity
from craterfront.notation.table import Mistake
from craterfront.problems import one_of

if TYPE_CHECKING:
    from craterfront.samples.layer import Layer

Shape = Literal[
    "erf",
    "linear",
    "exponential",
    "logistic",
    "sharp",
    "tabulated",
    "constant source",
    "limited source",
]
SOURCES = ("constant source", "limited source")
"""Shapes of what has diffused in from the top of a layer."""

DIFFUSED = ("erf", *SOURCES)
"""Shapes that diffusion leaves."""

Side = Literal["below", "above"]

INTERFACE_KEYS = (
    "interface_shape",
    "interface_side",
    "interface_table",
    "interface_roughness_nm",
    "conformal",
    "diffusion_time_s",
)
"""Keys of a layer that go with its interface wherever that is, apart from its width."""

NO_LENGTH = Quantity.default(0.0)
"""Width and roughness of an interface of which nothing is written."""

_EXACTLY_NOTHING = Quantity.prior(0.0, u=0.0)


def true_width(layer: "Layer") -> Quantity:
    """Width of the transition [nm] as written, or as shape, table or diffusion give it."""
    from craterfront.models.interfaces.diffusion_profiles import diffusion_width_nm  # brings numpy
    from craterfront.models.interfaces.transition_tables import TransitionTable
    from craterfront.models.interfaces.transitions import SHAPES

    if layer.interface_shape == "sharp":
        return _EXACTLY_NOTHING
    if layer.diffusivity_time_nm2 is not None:
        shape = SHAPES.index(layer.interface_shape)
        return _as_root(layer.diffusivity_time_nm2, lambda area: diffusion_width_nm(area, shape))
    if layer.interface_table and not layer.is_written("interface_width_nm"):
        position_nm, share = zip(*layer.interface_table, strict=True)
        return Quantity(TransitionTable.of(position_nm, share).width_nm)
    return layer.interface_width_nm


def diffused_thickness(area: Quantity, shape: Shape) -> Quantity:
    """Thickness [nm] of what has diffused in, by diffusivity times time [nm2]."""
    from craterfront.models.interfaces.diffusion_profiles import (
        diffusion_thickness_nm,  # brings numpy
    )
    from craterfront.models.interfaces.transitions import SHAPES

    number = SHAPES.index(shape)
    return _as_root(area, lambda one: diffusion_thickness_nm(one, number))


def _as_root(area: Quantity, length_of: Callable[[float], float]) -> Quantity:
    """A length that goes with the root of an area, with half of its relative uncertainty."""
    length = length_of(area.value)
    if area.u is not None:
        return Quantity.prior(length, 0.5 * length * area.u / area.value if area.u else 0.0)
    bounds = (None if b is None else length_of(b) for b in (area.minimum, area.maximum))
    return Quantity(length, None, *bounds, status=area.status)


def transition_mistakes(layer: "Layer") -> Iterator[Mistake]:
    """What is wrong with the shape of a transition and with what tells its width."""
    shape, width = layer.interface_shape, layer.is_written("interface_width_nm")
    if (shape == "tabulated") != layer.is_written("interface_table"):
        missing = shape == "tabulated"
        message = "missing; needed with" if missing else "goes with"
        yield Mistake("interface_table", f'{message} interface_shape = "tabulated"')
    if shape == "sharp" and width:
        yield Mistake("interface_width_nm", 'a transition that is "sharp" has no width')
    if shape == "tabulated" and width and layer.interface_width_nm.value == 0:
        yield Mistake("interface_width_nm", "must be > 0 for a table, got 0")
    if layer.diffusivity_time_nm2 is None:
        return
    if shape not in DIFFUSED:
        yield Mistake("diffusivity_time_nm2", f"goes with interface_shape = {one_of(DIFFUSED)}")
    if width:
        yield Mistake("diffusivity_time_nm2", "stands beside interface_width_nm; write one")
    if layer.diffusivity_time_nm2.value == 0 and layer.diffusivity_time_nm2.u:
        yield Mistake("diffusivity_time_nm2", "of the value 0 must have u = 0")


def interface_roughness_mistakes(layer: "Layer") -> Iterator[Mistake]:
    """What is wrong with the roughness of an interface."""
    rough = layer.interface_roughness_nm
    if rough.status == "guess":
        message = (
            "cannot be a guess: a profile hardly tells roughness from width; write what is"
            " known, { value, u }, and the width is what is left"
        )
        yield Mistake("interface_roughness_nm", message)
    elif rough.u and not rough.value:
        message = "needs a value > 0 beside its u: no first derivative tells 0 from a little"
        yield Mistake("interface_roughness_nm", message)
    if layer.conformal and not layer.is_written("interface_roughness_nm"):
        yield Mistake("conformal", "needs interface_roughness_nm, of which it is a share")
