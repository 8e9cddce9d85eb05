"""Slopes of what is seen below the surface (`viewing`), in P directions."""

import math

import numpy as np
from numba import njit

from craterfront.models.detection.viewing import (
    mean_transmission,
    seen_below_edges,
    seen_below_zone,
)


@njit(cache=True, nogil=True)
def _transmission_slope(depth):
    """Of `mean_transmission`."""
    if depth < 1e-4:
        return -0.5 + depth / 3.0 - depth * depth / 8.0
    return (math.exp(-depth) - mean_transmission(depth)) / depth


@njit(cache=True, nogil=True)
def _layer_slopes(
    atoms, atoms_slopes, volume, volume_slopes, escape, escape_slopes, share, share_slopes, below,
    below_slopes, out,
):  # fmt: skip
    """Of what is seen of a share of a slice and below it, shape (S, P)."""
    species, directions = atoms_slopes.shape
    depth = 0.0
    for s in range(species):
        depth += share * atoms[s] * volume[s] / escape
    mean, kept, steep = mean_transmission(depth), math.exp(-depth), _transmission_slope(depth)
    for p in range(directions):
        deeper = -depth * escape_slopes[p] / escape
        for s in range(species):
            held_slope = share * atoms_slopes[s, p] + share_slopes[p] * atoms[s]
            size_slope = held_slope * volume[s] + share * atoms[s] * volume_slopes[s, p]
            deeper += size_slope / escape
        for s in range(species):
            held_slope = share * atoms_slopes[s, p] + share_slopes[p] * atoms[s]
            change = held_slope * mean + share * atoms[s] * steep * deeper
            out[s, p] = change + kept * (below_slopes[s, p] - deeper * below[s])


@njit(cache=True, nogil=True)
def below_zone_slopes(
    atoms, atoms_slopes, zone_atoms, zone_slopes, volume, volume_slopes, escape, escape_slopes
):
    """Attenuated atoms below the altered layer at every slice edge, and their slopes.

    Shapes (K + 1, S) and (K + 1, S, P), see `viewing.seen_below_zone`; `volume_slopes` is (S, P).
    """
    slices, species = atoms.shape
    directions = zone_slopes.size
    below = seen_below_edges(atoms, volume, escape)
    below_slopes = np.zeros((slices + 1, species, directions))
    whole, none = 1.0, np.zeros(directions)
    last, last_slopes = atoms[slices - 1], atoms_slopes[slices - 1]
    size = 0.0
    for s in range(species):
        size += last[s] * volume[s]
    for p in range(directions):
        size_slope = 0.0
        for s in range(species):
            size_slope += last_slopes[s, p] * volume[s] + last[s] * volume_slopes[s, p]
        relative = escape_slopes[p] / escape - size_slope / size
        for s in range(species):
            change = last_slopes[s, p] + last[s] * relative
            below_slopes[slices, s, p] = change * escape / size
    for k in range(slices - 1, -1, -1):
        _layer_slopes(
            atoms[k], atoms_slopes[k], volume, volume_slopes, escape, escape_slopes, whole, none,
            below[k + 1], below_slopes[k + 1], below_slopes[k],
        )  # fmt: skip
    totals, total_slopes = np.zeros(slices + 1), np.zeros((slices + 1, directions))
    for k in range(slices):
        totals[k + 1] = totals[k] + atoms[k].sum()
        for p in range(directions):
            total_slopes[k + 1, p] = total_slopes[k, p] + atoms_slopes[k, :, p].sum()
    slopes = np.zeros((slices + 1, species, directions))
    share_slopes = np.zeros(directions)
    pointer = 0
    for k in range(slices + 1):
        start = totals[k] + zone_atoms
        while pointer < slices - 1 and totals[pointer + 1] <= start:
            pointer += 1
        if start >= totals[slices]:
            slopes[k] = below_slopes[slices]
            continue
        size = totals[pointer + 1] - totals[pointer]
        share = (totals[pointer + 1] - start) / size
        for p in range(directions):
            grown = total_slopes[pointer + 1, p] - total_slopes[pointer, p]
            rest = total_slopes[pointer + 1, p] - total_slopes[k, p] - zone_slopes[p]
            share_slopes[p] = (rest - share * grown) / size
        _layer_slopes(
            atoms[pointer], atoms_slopes[pointer], volume, volume_slopes, escape, escape_slopes,
            share, share_slopes, below[pointer + 1], below_slopes[pointer + 1], slopes[k],
        )  # fmt: skip
    return seen_below_zone(atoms, zone_atoms, volume, escape), slopes


@njit(cache=True, nogil=True)
def in_zone_slopes(
    zone, zone_slopes, alive, cell_atoms, cell_slopes, volume, volume_slopes, escape,
    escape_slopes, moving, seen_slopes, passed_slopes,
):  # fmt: skip
    """Slopes of `viewing.seen_in_zone`, into (S, P) and (P,).

    `zone_slopes` is (P, S, cells) and counts where `alive`; `volume_slopes` is (P, S). In the
    directions that do not move, neither cells nor volumes nor the escape depth change.
    """
    species, cells = zone.shape
    for p in range(passed_slopes.size):
        seen_slopes[:, p], passed_slopes[p] = 0.0, 0.0
        if not (alive[p] or moving[p]):
            continue
        transmitted, passed = 1.0, 0.0
        for j in range(cells):
            size, size_slope = 0.0, 0.0
            for s in range(species):
                size += zone[s, j] * volume[s]
                size_slope += zone_slopes[p, s, j] * volume[s] + zone[s, j] * volume_slopes[p, s]
            depth = size * cell_atoms / escape
            relative = cell_slopes[p] / cell_atoms - escape_slopes[p] / escape
            deeper = size_slope * cell_atoms / escape + depth * relative
            mean, kept = mean_transmission(depth), math.exp(-depth)
            weight = transmitted * mean * cell_atoms
            change = passed * mean * cell_atoms + transmitted * mean * cell_slopes[p]
            change += transmitted * _transmission_slope(depth) * deeper * cell_atoms
            for s in range(species):
                seen_slopes[s, p] += change * zone[s, j] + weight * zone_slopes[p, s, j]
            passed = kept * (passed - transmitted * deeper)
            transmitted *= kept
        passed_slopes[p] = passed


def normalised(seen: np.ndarray, slopes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Shares of what is seen at every edge, and their slopes, (K + 1, S) and (K + 1, S, P)."""
    total = seen.sum(axis=1, keepdims=True)
    share = seen / total
    of_total = slopes.sum(axis=1, keepdims=True)
    return share, (slopes - share[..., None] * of_total) / total[..., None]
