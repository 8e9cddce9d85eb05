"""What is seen below the surface: composition weighted with the attenuation of the signal.

Electrons and secondary ions come from a depth of the order of the escape depth L. Through the
altered layer and the undisturbed sample below it, the seen share of species i is

    v_i = int n_i exp(-x / L) dx / sum_j int n_j exp(-x / L) dx,

x being the depth below the surface of the moment. (For electrons at an emission angle, L is the
attenuation length times the cosine.) That is what is viewed. Where atoms themselves are collected,
what comes out of the altered layer is what leaves it, and only the rest is seen through it.
"""

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def mean_transmission(depth):
    """Mean of exp(-x) over 0 < x < depth."""
    return -math.expm1(-depth) / depth if depth > 1e-12 else 1.0


@njit(cache=True, nogil=True)
def thickness(atoms, volume):
    total = 0.0
    for s in range(atoms.size):
        total += atoms[s] * volume[s]
    return total


@njit(cache=True, nogil=True)
def seen_below_edges(atoms, volume, escape):
    """Attenuated atoms below every slice edge; the last slice goes on for ever."""
    slices, species = atoms.shape
    below = np.zeros((slices + 1, species))
    below[slices] = atoms[slices - 1] * escape / thickness(atoms[slices - 1], volume)
    for k in range(slices - 1, -1, -1):
        depth = thickness(atoms[k], volume) / escape
        below[k] = atoms[k] * mean_transmission(depth) + math.exp(-depth) * below[k + 1]
    return below


@njit(cache=True, nogil=True)
def seen_below_zone(atoms, zone_atoms, volume, escape):
    """Attenuated atoms below the altered layer at every slice edge, as from its lower face."""
    slices, species = atoms.shape
    below = seen_below_edges(atoms, volume, escape)
    totals = np.zeros(slices + 1)
    for k in range(slices):
        totals[k + 1] = totals[k] + atoms[k].sum()
    seen = np.empty((slices + 1, species))
    pointer = 0
    for k in range(slices + 1):
        start = totals[k] + zone_atoms
        while pointer < slices - 1 and totals[pointer + 1] <= start:
            pointer += 1
        if start >= totals[slices]:
            seen[k] = below[slices]
        else:
            size = totals[pointer + 1] - totals[pointer]
            rest = atoms[pointer] * ((totals[pointer + 1] - start) / size)
            depth = thickness(rest, volume) / escape
            seen[k] = mean_transmission(depth) * rest + math.exp(-depth) * below[pointer + 1]
    return seen


@njit(cache=True, nogil=True)
def seen_in_zone(zone, cell_atoms, volume, escape, seen):
    """Attenuated atoms in the altered layer, added to `seen`; returns what passes through it."""
    transmitted = 1.0
    for j in range(zone.shape[1]):
        size = 0.0
        for s in range(volume.size):
            size += zone[s, j] * volume[s]
        depth = size * cell_atoms / escape
        weight = transmitted * mean_transmission(depth) * cell_atoms
        for s in range(volume.size):
            seen[s] += weight * zone[s, j]
        transmitted *= math.exp(-depth)
    return transmitted


@njit(cache=True, nogil=True)
def _seen_at_edges(atoms, states, zone_atoms, volume, escape):
    beyond = seen_below_zone(atoms, zone_atoms, volume, escape)
    cells = states.shape[2]
    cell_atoms = zone_atoms / max(cells, 1)
    seen = np.zeros(beyond.shape)
    for k in range(seen.shape[0]):
        transmitted = seen_in_zone(states[k], cell_atoms, volume, escape, seen[k])
        seen[k] += transmitted * beyond[k]
        seen[k] /= seen[k].sum()
    return seen


def seen_fractions(
    atoms_nm2: np.ndarray,
    states: np.ndarray,
    zone_atoms_nm2: float,
    atomic_volume_nm3: np.ndarray,
    escape_depth_nm: float,
) -> np.ndarray:
    """Seen fraction of each species when each slice edge is at the surface.

    Parameters
    ----------
    atoms_nm2 : ndarray, shape (K, S)
        Atoms per area of the undisturbed sample, slice by slice, each with some [1/nm^2].
    states : ndarray, shape (K + 1, S, cells)
        Altered layer at the slice edges, see `mixing.leaving_atoms`; no cells for no mixing.
    zone_atoms_nm2 : float
        Atoms that the altered layer holds [1/nm^2].
    atomic_volume_nm3 : ndarray, shape (S,)
        Volume of an atom of each species [nm^3].
    escape_depth_nm : float
        Escape depth along the normal, L [nm], > 0.

    Returns
    -------
    ndarray, shape (K + 1, S)
        Rows sum to 1.
    """
    return _seen_at_edges(
        np.ascontiguousarray(atoms_nm2, dtype=float),
        states,
        zone_atoms_nm2,
        np.ascontiguousarray(atomic_volume_nm3, dtype=float),
        float(escape_depth_nm),
    )


def collected_atoms(
    atoms_nm2: np.ndarray,
    removed_nm2: np.ndarray,
    zone_atoms_nm2: float,
    escape_atoms_nm2: float,
) -> np.ndarray:
    """Atoms that are collected while each slice's worth of atoms is removed.

    The share exp(-zone / L) comes directly from the undisturbed sample below the altered layer, the
    rest is what leaves the altered layer. Depths count in atoms per area here: then every atom
    comes out once, also where atoms of different size lie on each other.

    Parameters
    ----------
    atoms_nm2 : ndarray, shape (K, S)
        Atoms per area of the undisturbed sample, slice by slice, each with some [1/nm^2].
    removed_nm2 : ndarray, shape (K, S)
        What leaves the altered layer, see `mixing.leaving_atoms` [1/nm^2].
    zone_atoms_nm2 : float
        Atoms that the altered layer holds [1/nm^2].
    escape_atoms_nm2 : float
        Atoms down to the depth L from which atoms come [1/nm^2], > 0.

    Returns
    -------
    ndarray, shape (K, S)
        The sum over species is that of `atoms_nm2`; the sum over slices that of the sample, too,
        but for the outermost L: atoms that would have come out before the first ion are not
        collected, those below take their place.
    """
    total = atoms_nm2.sum(axis=1, keepdims=True)
    edges = seen_below_zone(
        np.ascontiguousarray(atoms_nm2, dtype=float),
        zone_atoms_nm2,
        np.ones(atoms_nm2.shape[1]),
        float(escape_atoms_nm2),
    )
    edges = edges / edges.sum(axis=1, keepdims=True)
    direct = 0.5 * (edges[1:] + edges[:-1]) * total
    share = math.exp(-zone_atoms_nm2 / escape_atoms_nm2)
    return (1.0 - share) * removed_nm2 + share * direct
