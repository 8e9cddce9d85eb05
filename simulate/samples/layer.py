"""A layer as the experiment file writes it, alone or in a period that is repeated."""

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Annotated, Any, ClassVar, Literal

from pydantic import PlainValidator

from craterfront.notation.quantities import (
    NonNegativeArea,
    NonNegativeLength,
    PositiveLength,
    PositiveTime,
    Quantity,
)
from craterfront.notation.table import (
    Element,
    Mistake,
    Table,
    name_mistakes,
    number_that,
    numbered,
    whole_number,
)
from craterfront.problems import one_of, shown
from craterfront.samples.asked import Limit
from craterfront.samples.interface import (
    DIFFUSED,
    INTERFACE_KEYS,
    NO_LENGTH,
    SOURCES,
    Shape,
    Side,
    diffused_thickness,
    interface_roughness_mistakes,
    transition_mistakes,
    true_width,
)
from craterfront.samples.rows import Grading, Points
from craterfront.samples.solids import Placed

MOST_LAYERS = 1000
"""Of a stack, and of the periods in it."""

Tieable = Literal["thickness_nm", "interface_width_nm"]

_OF_TRANSITION = ("interface_width_nm", "diffusivity_time_nm2", *INTERFACE_KEYS)

_share = number_that("from 0 to 1", lambda share: 0 <= share <= 1)


class Layer(Placed):
    """A layer and the interface to what lies below it.

    Parameters
    ----------
    name
        Unique among the layers; default the composition.
    composition
        A formula, or a table of atomic fractions by element.
    composition_mass
        Instead: a table of mass fractions by element.
    material
        Instead: the name of a `Material`, which also gives density and erosion rate.
    grading
        Instead: rows of relative depth, from 0 to 1, and name of a `Material`. Volume fractions
        are straight lines between the rows. The layer is held as it is written.
    thickness_nm
        Integral of the volume fraction of the layer over depth [nm]. Below a source, default what
        `diffusivity_time_nm2` lets diffuse in from the top of the layer.
    density_g_cm3
        Density [g/cm3]; default from the table for metals, alloys and some compounds.
    erosion_rate_nm_s
        Erosion rate [nm/s]; default from the sputter yields.
    conducts
        As for a `Material`.
    interface_width_nm
        Width of the true transition to the layer below, 16-84 % [nm]; default 0, that of a
        tabulated transition as in the table, which another width stretches.
    diffusivity_time_nm2
        Instead of the width of a transition that diffusion made: diffusivity times time [nm2].
    interface_shape
        ``"erf"``, ``"linear"``, ``"exponential"``, ``"logistic"``, ``"sharp"``,
        ``"tabulated"``; or what has diffused in from the top: ``"constant source"`` (erfc),
        ``"limited source"`` (Gaussian).
    interface_side
        Where an exponential transition has its tail: ``"below"`` in the lower layer.
    interface_table
        Rows of a tabulated transition: position [nm], of any origin, and share of the layer below.
    interface_roughness_nm
        Standard deviation of the height of the interface [nm], apart from its width; default 0.
    conformal
        Share of that height that all above follows, outer surface included.
    diffusion_time_s
        How long the transition took to diffuse [s]; an inversion then reports the diffusivity.
    enrichment
        Elements of which an inversion reports the excess that a thin layer holds over its
        neighbours.
    limit
        Tolerance limits on which an inversion decides.
    """

    misplaced: ClassVar[Mapping[str, str]] = {
        "repeat": "a period cannot hold another period",
        "of": "a period cannot hold another period",
    }
    made_of: ClassVar[tuple[str, ...]] = (*Placed.made_of, "grading")

    grading: Grading = ()
    thickness_nm: PositiveLength | None = None
    interface_width_nm: NonNegativeLength = NO_LENGTH
    diffusivity_time_nm2: NonNegativeArea | None = None
    interface_shape: Shape = "erf"
    interface_side: Side = "below"
    interface_table: Points = ()
    interface_roughness_nm: NonNegativeLength = NO_LENGTH
    conformal: Annotated[float, PlainValidator(_share)] = 0.0
    diffusion_time_s: PositiveTime | None = None
    enrichment: tuple[Element, ...] = ()
    limit: Limit | None = None

    @property
    def materials(self) -> tuple[str, ...]:
        return tuple(name for _, name in self.grading) or super().materials

    def sublayers(self) -> "list[Layer]":
        """The layer itself; a graded one as layers of its materials.

        Linear transitions that follow on each other make volume fractions that are straight lines
        between the rows: each material rises to 1 at its row and falls to 0 at the next.
        """
        if not self.grading:
            return [self]
        from craterfront.models.interfaces.transitions import (
            LINEAR_WIDTH_PER_LENGTH,  # brings numpy
        )

        depths_nm = [float(self.true_thickness) * depth for depth, _ in self.grading]
        steps_nm = [below - above for above, below in pairwise(depths_nm)]
        around_nm = zip([0.0, *steps_nm], [*steps_nm, 0.0], strict=True)
        layers = []
        for name, (above_nm, below_nm) in zip(self.materials, around_nm, strict=True):
            keys: dict[str, Any] = {
                "interface_shape": "linear",
                "interface_width_nm": Quantity.prior(LINEAR_WIDTH_PER_LENGTH * below_nm, u=0.0),
            }
            if below_nm == 0:
                keys = {key: getattr(self, key) for key in _OF_TRANSITION if self.is_written(key)}
            layers.append(
                Layer(
                    name=f"{self.label}: {name}",
                    material=name,
                    thickness_nm=Quantity.prior(0.5 * (above_nm + below_nm), u=0.0),
                    **keys,
                )
            )
        return layers

    @property
    def true_width(self) -> Quantity:
        """Width of the transition [nm] as written, or as shape, table or diffusion give it."""
        return true_width(self)

    @property
    def true_thickness(self) -> Quantity:
        """Thickness [nm] as written, or of what has diffused in."""
        if self.thickness_nm is not None:
            return self.thickness_nm
        assert self.diffusivity_time_nm2 is not None  # else the layer would have a mistake
        return diffused_thickness(self.diffusivity_time_nm2, self.interface_shape)

    def checks(self) -> Iterator[Mistake]:
        yield from super().checks()
        yield from transition_mistakes(self)
        yield from interface_roughness_mistakes(self)
        yield from self._mistakes_of_what_is_asked()
        if self.grading:
            yield from self._grading_mistakes()
        if self.is_written("thickness_nm"):
            return
        area = self.diffusivity_time_nm2
        if self.interface_shape not in SOURCES or area is None:
            yield Mistake("thickness_nm", "missing")
        elif area.value == 0 or area.u:
            message = "missing; it follows from a diffusivity_time_nm2 only if that is > 0 and"
            yield Mistake("thickness_nm", f"{message} has no uncertainty")

    def _grading_mistakes(self) -> Iterator[Mistake]:
        thickness = self.thickness_nm
        if thickness is None:
            if not self.is_written("thickness_nm") and self.interface_shape in SOURCES:
                yield Mistake("thickness_nm", "missing; that of a graded layer has to be written")
            return
        if thickness.status == "guess" or thickness.u:
            message = "of a graded layer must be a plain number or exactly known (u = 0)"
            yield Mistake("thickness_nm", f"{message}, got {shown(thickness.written())}")
        if float(thickness) * min(b - a for (a, _), (b, _) in pairwise(self.grading)) < 1e-5:
            yield Mistake("grading", "has rows that are less than 1e-05 nm apart")

    def _mistakes_of_what_is_asked(self) -> Iterator[Mistake]:
        time_s = self.diffusion_time_s
        if time_s is not None and self.interface_shape not in DIFFUSED:
            yield Mistake("diffusion_time_s", f"goes with interface_shape = {one_of(DIFFUSED)}")
        if time_s is not None and time_s.status == "guess":
            yield Mistake("diffusion_time_s", "cannot be a guess: no profile tells it")
        if self.enrichment and self.grading:
            yield Mistake("enrichment", "belongs to a uniform layer, not to a graded one")
        if not self.grading:
            for symbol in self.enrichment:
                if self.atomic_fractions and symbol not in self.atomic_fractions:
                    yield Mistake("enrichment", f"{symbol} is not in this layer")

    @property
    def has_diffused(self) -> bool:
        """Whether the file says that diffusion made the transition to the layer below."""
        written = self.diffusivity_time_nm2, self.diffusion_time_s
        return self.interface_shape in SOURCES or any(each is not None for each in written)


class RepeatedLayers(Table):
    """A period of layers, repeated.

    Parameters
    ----------
    repeat
        Number of periods.
    of
        The layers of one period, from the surface down.
    tie
        Of ``"thickness_nm"`` and ``"interface_width_nm"``, what has one value in all periods;
        the rest is independent from period to period. Density and erosion rate belong to the
        material and are the same in all periods, and so is the roughness of an interface.
    """

    repeat: Annotated[int, whole_number(1, MOST_LAYERS)]
    of: tuple[Layer, ...] = ()
    tie: tuple[Tieable, ...] = ()

    misplaced: ClassVar[Mapping[str, str]] = dict.fromkeys(
        Layer.model_fields, "belongs to the layers of the period, each under [[layer.of]]"
    )

    def checks(self) -> Iterator[Mistake]:
        if not self.of:
            yield Mistake("of", "missing; the layers of one period, each under [[layer.of]]")
        users: dict[str, str] = {}
        for index, layer in enumerate(self.of):
            yield from name_mistakes(users, numbered("of", index), layer.name)
