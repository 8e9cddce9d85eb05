"""What layers, substrate and shared materials consist of, and where each says so."""

from collections.abc import Iterator, Mapping
from typing import ClassVar

from craterfront.notation.table import Flag, Mistake, Name
from craterfront.problems import shown_key
from craterfront.samples.composition import COMPOSED, Composed


class Solid(Composed):
    """What a discharge may burn on."""

    conducts: Flag | None = None

    @property
    def lets_current_through(self) -> bool:
        """Whether it conducts: as written, else by a rule from the composition."""
        if self.conducts is not None:
            return self.conducts
        from craterfront.models.materials.conduction import conducts  # brings numpy

        return conducts(self.atomic_fractions)


class Material(Solid):
    """One set of composition, density and erosion rate for all layers that name it.

    Parameters
    ----------
    composition
        A formula, or a table of atomic fractions by element.
    composition_mass
        Instead: a table of mass fractions by element.
    density_g_cm3
        Density [g/cm3]; default from the table for metals, alloys and some compounds.
    erosion_rate_nm_s
        Erosion rate [nm/s]; default from the sputter yields.
    conducts
        Whether a direct current gets through; default by a rule from the composition.
    """


class Placed(Solid):
    """What lies somewhere in the stack: a layer or the substrate."""

    made_of: ClassVar[tuple[str, ...]] = (*COMPOSED, "material")
    """Keys of which one says what it consists of."""

    name: Name | None = None
    material: Name | None = None

    @property
    def materials(self) -> tuple[str, ...]:
        """Names of the shared materials that it consists of."""
        return () if self.material is None else (self.material,)

    @property
    def label(self) -> str:
        """The name, else the material (of a graded layer two), else what it consists of."""
        ends = self.materials[:1] + self.materials[1:][-1:]
        return self.name or " to ".join(ends) or self.substance

    def checks(self) -> Iterator[Mistake]:
        written = {key for key in self.made_of if self.is_written(key)}
        if written and written <= set(COMPOSED):
            yield from super().checks()
            return
        yield from self.one_of(*self.made_of)
        for key in ("density_g_cm3", "erosion_rate_nm_s", "conducts"):
            if self.is_written(key) and self.materials:
                place = f"[material.{shown_key(self.materials[0])}]"
                yield Mistake(key, f"belongs in {place}, named here")


class Substrate(Placed):
    """What the layers lie on, without end.

    Parameters
    ----------
    name
        Default: the composition.
    composition, composition_mass, material
        One of the three, as for a `Layer`.
    density_g_cm3, erosion_rate_nm_s, conducts
        As for a `Layer`.
    """

    misplaced: ClassVar[Mapping[str, str]] = {
        "thickness_nm": "a substrate has no thickness, it goes on without end",
        "interface_width_nm": "belongs to the layer above the interface, not to the substrate",
        "grading": "belongs to a layer: a substrate goes on without end",
        "interface_roughness_nm": "belongs to the layer above the interface, not to the substrate",
    }
