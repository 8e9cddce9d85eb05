"""Slopes of the altered layer: of its size and strength, and of what leaves it."""

from dataclasses import dataclass

import numpy as np

from craterfront.models.altered_layers.confined_mixing import confined_peclet, confined_peclet_slope
from craterfront.models.altered_layers.mixing import AlteredLayer, given, longest_step
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.slopes.column_slopes import march_slopes
from craterfront.models.slopes.directions import Directions

_NOTHING = 1e-10  # of the relative change of any number in a direction


@dataclass(frozen=True)
class LayerSlopes:
    """Slopes of an `AlteredLayer` in P directions.

    Attributes
    ----------
    zone_atoms_nm2, diffusion_per_dose : ndarray, shape (P,)
    relative_mixing : ndarray, shape (M, P), or (0, P) for none
    """

    zone_atoms_nm2: np.ndarray
    diffusion_per_dose: np.ndarray
    relative_mixing: np.ndarray

    @classmethod
    def of(
        cls,
        layer: AlteredLayer,
        sample: LayeredSample,
        instrument: Instrument,
        directions: Directions,
    ) -> "LayerSlopes":
        """Slopes of what `altered_layer.altered_layer` gives."""
        nothing = np.zeros(directions.count)
        none = np.zeros((0, directions.count))
        if layer.cells == 0:
            return cls(nothing, nothing, none)
        first = sample.material[0]
        density = sample.atomic_density_per_nm3[first]
        density_slopes = directions.atomic_density_per_nm3[first]
        if instrument.mixing == "uniform":
            length = instrument.mixing_length_nm
            zone = length * density_slopes + density * directions.mixing_length_nm
            return cls(zone, nothing, none)
        length, reach = instrument.mixing_length_nm, instrument.mixing_range_nm
        zone = reach * density_slopes + density * directions.mixing_range_nm
        share = directions.mixing_length_nm / reach - length / reach**2 * directions.mixing_range_nm
        peclet = confined_peclet(length / reach)
        atom_dose = directions.atom_dose(sample)
        relative = zone / layer.zone_atoms_nm2 - atom_dose[first]
        relative = relative - confined_peclet_slope(peclet) * share / peclet
        by_material = none
        if layer.relative_mixing is not None:
            by_material = _relative_slopes(layer, sample, instrument, directions)
        return cls(zone, layer.diffusion_per_dose * relative, by_material)

    def for_species(self, material: np.ndarray) -> "LayerSlopes":
        """The same for species of the given materials."""
        if not len(self.relative_mixing):
            return self
        return LayerSlopes(
            self.zone_atoms_nm2, self.diffusion_per_dose, self.relative_mixing[material]
        )


def _relative_slopes(
    layer: AlteredLayer, sample: LayeredSample, instrument: Instrument, directions: Directions
) -> np.ndarray:
    """Of `mixing.relative_mixing`, shape (M, P)."""
    lengths, first = instrument.mixing_lengths_nm, int(sample.material[0])
    assert lengths is not None
    assert layer.relative_mixing is not None
    own = np.flatnonzero(~np.isnan(lengths))
    density, reach = sample.atomic_density_per_nm3, instrument.mixing_range_nm
    by_density = directions.atomic_density_per_nm3 / density[:, None]
    depth = reach * density[first] / density
    depth_slopes = by_density[first] - by_density + directions.mixing_range_nm / reach
    per_ion = -directions.atom_dose(sample)
    for m in own:
        share = lengths[m] / depth[m]
        peclet = confined_peclet(share)
        change = directions.mixing_lengths_nm[m] / depth[m] - share * depth_slopes[m]
        per_ion[m] -= confined_peclet_slope(peclet) / peclet * change
    slopes = np.zeros_like(per_ion)
    slopes[own] = layer.relative_mixing[own, None] * (per_ion[own] - per_ion[first])
    return slopes


@dataclass(frozen=True)
class Leaving:
    """What leaves the altered layer, and what is seen of it, with slopes in P directions.

    Attributes
    ----------
    removed, removed_slopes : ndarray, shapes (K, S) and (K, S, P)
    seen, seen_slopes : ndarray, shapes (K + 1, S) and (K + 1, S, P)
        Attenuated atoms in the zone at every slice edge; empty where nothing is viewed.
    passed, passed_slopes : ndarray, shapes (K + 1,) and (K + 1, P)
        Share of the light from below that passes through the zone.
    """

    removed: np.ndarray
    removed_slopes: np.ndarray
    seen: np.ndarray
    seen_slopes: np.ndarray
    passed: np.ndarray
    passed_slopes: np.ndarray


@dataclass(frozen=True)
class View:
    """Through what the altered layer is seen, with slopes in P directions.

    Attributes
    ----------
    volume_nm3, volume_slopes : ndarray, shapes (S,) and (S, P)
        Of an atom of each species.
    escape_depth_nm : float
    escape_slopes : ndarray, shape (P,)
    """

    volume_nm3: np.ndarray
    volume_slopes: np.ndarray
    escape_depth_nm: float
    escape_slopes: np.ndarray


def leaving_slopes(
    atoms: np.ndarray,
    atoms_slopes: np.ndarray,
    layer: AlteredLayer,
    slopes: LayerSlopes,
    preference: np.ndarray,
    dose_per_atom: np.ndarray,
    dose_slopes: np.ndarray,
    view: View | None = None,
) -> Leaving:
    """Atoms that leave with every slice, and their slopes.

    Parameters
    ----------
    atoms, layer, preference, dose_per_atom
        See `mixing.leaving_atoms`.
    atoms_slopes : ndarray, shape (K, S, P)
    slopes : LayerSlopes
        For the species.
    dose_slopes : ndarray, shape (S, P)
        Of the dose that an atom costs.
    view : View, optional
        Where the zone is seen.
    """
    species, directions = atoms_slopes.shape[1:]
    edges = len(atoms) + 1 if view else 0
    seen, passed = np.zeros((edges, species)), np.ones(edges)
    seen_slopes, passed_slopes = (
        np.zeros((edges, species, directions)),
        np.zeros((edges, directions)),
    )
    if layer.cells == 0:
        return Leaving(atoms.copy(), atoms_slopes, seen, seen_slopes, passed, passed_slopes)
    diffusion = layer.diffusion_per_dose
    sizes = [
        np.abs(atoms_slopes / atoms.sum(axis=1)[:, None, None]).max(axis=(0, 1)),
        np.abs(slopes.zone_atoms_nm2 / layer.zone_atoms_nm2),
        np.abs(slopes.diffusion_per_dose / diffusion),
        np.abs(dose_slopes / dose_per_atom[:, None]).max(axis=0),
        np.abs(slopes.relative_mixing).max(axis=0, initial=0.0),
    ]
    nothing = View(np.ones(species), np.zeros_like(dose_slopes), 1.0, np.zeros(directions))
    through = view or nothing
    removed, removed_slopes = march_slopes(
        np.ascontiguousarray(atoms, dtype=float),
        np.ascontiguousarray(atoms_slopes),
        layer.zone_atoms_nm2,
        slopes.zone_atoms_nm2,
        layer.cells,
        diffusion,
        slopes.diffusion_per_dose,
        np.ascontiguousarray(preference, dtype=float),
        np.ascontiguousarray(dose_per_atom, dtype=float),
        np.ascontiguousarray(dose_slopes.T),
        given(layer.relative_mixing),
        np.ascontiguousarray(slopes.relative_mixing.T),
        longest_step(layer.cells),
        _NOTHING * np.max(sizes, axis=0),
        (
            np.ascontiguousarray(through.volume_nm3, dtype=float),
            float(through.escape_depth_nm),
            np.ascontiguousarray(through.volume_slopes.T),
            through.escape_slopes,
        ),
        seen,
        passed,
        seen_slopes,
        passed_slopes,
    )
    return Leaving(removed, removed_slopes, seen, seen_slopes, passed, passed_slopes)
