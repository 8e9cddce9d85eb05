"""The altered layer: ions mix the top of the sample and sputter some elements faster.

The layer holds a constant number of atoms per area, N_R. In the coordinate N (atoms per area
removed so far) the column moves up by dN while dN atoms leave. Species s leaves with the share

    p_s = c_s w_s / sum_t c_t w_t

of the surface fractions c_s and the preferences w_s; undisturbed material enters at the lower
face. Inside, mixing is diffusion in atom coordinates. Per ion it is constant, or the mean of what
it is in each material, weighted with the atoms in the zone; so per removed atom it scales as the
dose that the atom costs. Preferential sputtering of a mixed layer: P. S. Ho, Surf. Sci. 72 (1978)
253; mixing as confined diffusion: see `confined_mixing`.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from craterfront.models.altered_layers.altered_column import march
from craterfront.models.altered_layers.confined_mixing import confined_decay_length, confined_peclet
from craterfront.models.altered_layers.relocated_column import relocated
from craterfront.models.altered_layers.relocation import (
    Relocation,
    relocated_decay_length,
    relocations_for,
    shortest_decay_length,
)

_FEWEST_CELLS = 16
_CELLS_PER_PECLET = 7  # cells per range of confined diffusion, p = range v / 2 D
MOST_CELLS = 400
_STEEPEST = 10.0  # ratio of preferences beyond which cells are not made finer
_FINER_BY_PREFERENCE = 0.7
_FEWEST_RELOCATED = 48
_CELLS_PER_DECAY = 12  # of relocation, in the material with the shortest trailing edge
_STEPS_PER_ZONE = 64  # the surface changes little during a step ...
_STEPS_WHEN_MIXED = 4  # ... and more slowly if all of the zone has to


@dataclass(frozen=True)
class AlteredLayer:
    """Strength and size of the altered layer, in atoms per area.

    Attributes
    ----------
    zone_atoms_nm2 : float
        Atoms per area that the altered layer holds, N_R [1/nm^2]; 0 for no mixing.
    diffusion_per_dose : float
        Mixing strength per ion dose [1/nm^4 per unit of dose]; infinite for a fully mixed layer,
        none with relocation.
    cells : int
        Cells of the discretisation; 0 for no mixing, 1 for a fully mixed layer.
    relative_mixing : ndarray, shape (M,), optional
        Mixing per ion in each material or species over that in the first layer; alike by default.
    relocation : Relocation, optional
        Instead of diffusion; alike in all materials.
    """

    zone_atoms_nm2: float = 0.0
    diffusion_per_dose: float = math.inf
    cells: int = 0
    relative_mixing: np.ndarray | None = None
    relocation: Relocation | None = None

    @classmethod
    def uniform(cls, length_nm: float, atomic_density_per_nm3: float) -> "AlteredLayer":
        """A zone of the given length that is always fully mixed."""
        return cls(length_nm * atomic_density_per_nm3, math.inf, 1)

    @classmethod
    def diffusive(
        cls,
        length_nm: float,
        range_nm: float,
        atomic_density_per_nm3: float,
        dose_per_atom: np.ndarray,
        preference_ratio: float = 1.0,
        relative_mixing: np.ndarray | None = None,
    ) -> "AlteredLayer":
        """Mixing confined to a range, as strong as the trailing decay length in the first layer.

        Parameters
        ----------
        length_nm : float
            Trailing decay length of a buried monolayer in the first layer [nm].
        range_nm : float
            Depth to which ions mix [nm], > length_nm / 0.97.
        atomic_density_per_nm3 : float
            Of the first layer [1/nm^3].
        dose_per_atom : ndarray
            Dose that an atom costs, in the steady state of every material, the first layer's
            first [dose nm^2].
        preference_ratio : float
            Of the highest to the lowest preference; the profile at the surface is steeper then and
            needs more cells.
        relative_mixing : ndarray, optional
            Mixing per ion over that in the first layer, of every material as in `dose_per_atom`.

        Raises
        ------
        ValueError
            When length_nm >= 0.97 range_nm: that is close to a fully mixed zone, whose decay
            length is the range itself and says nothing of the strength.
        """
        _require_below_range(length_nm, range_nm)
        peclet = confined_peclet(length_nm / range_nm)
        zone = range_nm * atomic_density_per_nm3
        per_dose = zone / (2.0 * peclet) / dose_per_atom[0]
        strengths = dose_per_atom if relative_mixing is None else dose_per_atom * relative_mixing
        weakest = zone / (2.0 * per_dose * float(np.min(strengths)))
        if weakest > MOST_CELLS:
            raise ValueError(_too_short(length_nm, range_nm))
        finer = min(preference_ratio, _STEEPEST) ** _FINER_BY_PREFERENCE
        cells = math.ceil(finer * max(_FEWEST_CELLS, _CELLS_PER_PECLET * weakest))
        return cls(zone, per_dose, min(cells, MOST_CELLS), relative_mixing)

    @classmethod
    def relocated(
        cls,
        length_nm: float,
        range_nm: float,
        law: str,
        displacement_nm: float,
        atomic_density_per_nm3: float,
        dose_per_atom: np.ndarray,
    ) -> "AlteredLayer":
        """Ballistic relocation in a zone, as often as the trailing decay length asks for.

        Parameters
        ----------
        length_nm, range_nm : float
            As of `diffusive`.
        law : str
            One of `relocation.LAWS`.
        displacement_nm : float
            Standard deviation of the displacement along the depth, in the first layer [nm].
        atomic_density_per_nm3 : float
        dose_per_atom : ndarray
            As of `diffusive`.

        Raises
        ------
        ValueError
            For a length that is not between what such displacements reach and 0.97 range_nm.
        """
        _require_below_range(length_nm, range_nm)
        displacement = displacement_nm / range_nm
        try:
            often = relocations_for(law, displacement, length_nm / range_nm)
        except ValueError:
            shortest = range_nm * shortest_decay_length(law, displacement)
            raise ValueError(
                f"mixing length_nm = {length_nm:g} must be at least {shortest:.4g} with"
                f" displacement_nm = {displacement_nm:g} and range_nm = {range_nm:g}"
            ) from None
        weakest = often * float(np.min(dose_per_atom)) / dose_per_atom[0]
        shortest = relocated_decay_length(law, displacement, weakest)
        cells = math.ceil(max(_FEWEST_RELOCATED, _CELLS_PER_DECAY / shortest))
        if cells > MOST_CELLS:
            raise ValueError(_too_short(length_nm, range_nm))
        zone = range_nm * atomic_density_per_nm3
        per_dose = often / (zone * dose_per_atom[0])
        return cls(zone, 0.0, cells, relocation=Relocation(law, displacement, per_dose))

    def for_species(self, material: np.ndarray) -> "AlteredLayer":
        """The same layer for species of the given materials, shape (S,)."""
        if self.relative_mixing is None:
            return self
        return replace(self, relative_mixing=self.relative_mixing[material])

    def decay_nm(
        self, atomic_density_per_nm3: float, dose_per_atom: float, relative_mixing: float = 1.0
    ) -> float:
        """Trailing decay length in a material in which an atom costs the given dose [nm]."""
        if self.cells == 0:
            return 0.0
        zone_nm = self.zone_atoms_nm2 / atomic_density_per_nm3
        if self.cells == 1:
            return zone_nm
        if self.relocation is not None:
            law, displacement = self.relocation.law, self.relocation.displacement
            often = self.relocation.per_dose * dose_per_atom * self.zone_atoms_nm2
            return zone_nm * relocated_decay_length(law, displacement, often)
        strength = self.diffusion_per_dose * relative_mixing * dose_per_atom
        peclet = self.zone_atoms_nm2 / (2.0 * strength)
        return zone_nm * confined_decay_length(peclet)


def _require_below_range(length_nm: float, range_nm: float) -> None:
    if not 0 < length_nm < 0.97 * range_nm:
        raise ValueError(
            f"mixing length_nm = {length_nm:g} must be below 0.97 range_nm = {range_nm:g}"
        )


def _too_short(length_nm: float, range_nm: float) -> str:
    return (
        f"mixing length_nm = {length_nm:g} is too short against range_nm = {range_nm:g} to be"
        " computed; leave mixing out or write a shorter range_nm"
    )


def relative_mixing(
    length_nm: np.ndarray,
    range_nm: float,
    atomic_density_per_nm3: np.ndarray,
    dose_per_atom: np.ndarray,
    first: int,
) -> np.ndarray:
    """Mixing per ion in every material over that in the first layer, from their decay lengths.

    Parameters
    ----------
    length_nm : ndarray, shape (M,)
        Trailing decay length of a monolayer in each material [nm]; nan: mixes as the first layer
        does. The zone holds as many atoms everywhere, so it is range_nm n_first / n deep in a
        material; each length must be below that.
    range_nm : float
        Depth of mixing in the first layer [nm].
    atomic_density_per_nm3, dose_per_atom : ndarray, shape (M,)
        Of each material [1/nm^3], [dose nm^2].
    first : int
        Material of the first layer.

    Notes
    -----
    Per removed atom the strength in a pure material is N_R / 2p for the p of its decay length, so
    per ion it goes as 1 / (p dose) (derived).
    """
    depth_nm = range_nm * atomic_density_per_nm3[first] / atomic_density_per_nm3
    per_ion = [
        math.nan if math.isnan(length) else 1.0 / (confined_peclet(length / depth) * dose)
        for length, depth, dose in zip(length_nm, depth_nm, dose_per_atom, strict=True)
    ]
    return np.nan_to_num(np.array(per_ion) / per_ion[first], nan=1.0)


def leaving_atoms(
    atoms_nm2: np.ndarray,
    layer: AlteredLayer,
    preference: np.ndarray,
    dose_per_atom: np.ndarray,
    keep_states: bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """Atoms of each species that leave while the worth of each slice is removed.

    Parameters
    ----------
    atoms_nm2 : ndarray, shape (K, S)
        Atoms per area of each species in each slice, from the surface down [1/nm^2]. Every slice
        holds some; the composition of the last one goes on below for ever.
    layer : AlteredLayer
        Its relative mixing, if any, is that of the species, shape (S,).
    preference : ndarray, shape (S,)
        Relative readiness to leave, > 0; all equal for none, as they must be with relocation.
    dose_per_atom : ndarray, shape (S,)
        Dose that an atom of each species costs [dose nm^2].
    keep_states : bool
        Also return the composition of the zone at every slice edge.

    Returns
    -------
    removed : ndarray, shape (K, S)
        Non-negative; the sum over species equals that of `atoms_nm2` slice by slice. What
        `atoms_nm2` had and `removed` lacks is in the altered layer at the end.
    states : ndarray, shape (K + 1, S, cells) or (0, S, cells)
        Fractions in each cell of the zone when each slice edge is at the surface.
    """
    atoms = np.ascontiguousarray(atoms_nm2, dtype=float)
    slices, species = atoms.shape
    states = np.zeros((slices + 1 if keep_states else 0, species, layer.cells))
    if layer.cells == 0:
        return atoms.copy(), states
    dose = np.ascontiguousarray(dose_per_atom, dtype=float)
    if layer.relocation is not None:
        if np.ptp(preference) > 0.0:
            raise ValueError("preference: must be equal for all species with relocation")
        zone = layer.zone_atoms_nm2
        removed = relocated(atoms, zone, layer.cells, layer.relocation, dose, states)
    else:
        removed = march(
            atoms,
            layer.zone_atoms_nm2,
            layer.cells,
            layer.diffusion_per_dose,
            np.ascontiguousarray(preference, dtype=float),
            dose,
            given(layer.relative_mixing),
            longest_step(layer.cells),
            states,
        )
    total, kept = atoms.sum(axis=1), removed.sum(axis=1)
    if not np.all(np.abs(total - kept) <= 1e-9 * total):
        raise ArithmeticError("the altered layer did not conserve atoms")
    return removed, states


def longest_step(cells: int) -> float:
    """Cells' worth of atoms that may leave in one step."""
    return cells / (_STEPS_PER_ZONE if cells > 1 else _STEPS_WHEN_MIXED)


def given(numbers: np.ndarray | None) -> np.ndarray:
    """An array for the kernels; empty for None."""
    return np.zeros(0) if numbers is None else np.ascontiguousarray(numbers, dtype=float)
