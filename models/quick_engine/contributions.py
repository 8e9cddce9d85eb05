"""What each slice contributes to the signal: atoms that are collected, or what is seen of it."""

import numpy as np

from craterfront.models.altered_layers.sloped import rises
from craterfront.models.detection.viewing import collected_atoms, seen_fractions
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.cut_sample import CutSample


def collected(
    cut: CutSample,
    removed: np.ndarray,
    sample: LayeredSample,
    escape_depth_nm: float,
) -> np.ndarray:
    """Atoms of each species that are collected while each slice is removed, shape (K, S)."""
    if escape_depth_nm == 0:
        return removed
    escape_atoms = escape_depth_nm * float(sample.atomic_density_per_nm3[sample.material[0]])
    return collected_atoms(cut.atoms, removed, cut.layer.zone_atoms_nm2, escape_atoms)


def viewed(
    cut: CutSample,
    removed: np.ndarray,
    states: np.ndarray,
    sample: LayeredSample,
    escape_depth_nm: float,
) -> np.ndarray:
    """Seen fraction of each species at the top and at the bottom of each slice, (2, K, S)."""
    atoms, layer, species = cut.atoms, cut.layer, cut.species
    if escape_depth_nm > 0:
        volume = 1.0 / sample.atomic_density_per_nm3[species.material]
        seen = seen_fractions(atoms, states, layer.zone_atoms_nm2, volume, escape_depth_nm)
        return np.stack([seen[:-1], seen[1:]])
    # Atoms leave in proportion to their preference and to what is at the surface.
    surface = removed if layer.cells == 0 else removed / species.preference
    shares = surface / surface.sum(axis=1, keepdims=True)
    half = 0.5 * rises(shares, atoms.sum(axis=1))
    return np.stack([shares - half, shares + half])
