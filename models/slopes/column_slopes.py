"""Slopes of what leaves the altered layer, in P directions, on the march of `altered_column`.

The very march of the signal, with the slopes of the zone beside it. Slices move with their layers,
so in one direction the zone changes only near a few interfaces: elsewhere nothing has to be
advanced.
"""

import numpy as np
from numba import njit

from craterfront.models.altered_layers.altered_column import (
    SETTLED,
    activate,
    change,
    cumulate,
    mean_composition,
    surface_means,
    undisturbed,
)
from craterfront.models.altered_layers.zone_steps import bounds, diffusive_step, well_mixed_step
from craterfront.models.detection.viewing import seen_in_zone
from craterfront.models.slopes.viewing_slopes import in_zone_slopes
from craterfront.models.slopes.zone_slopes import diffusive_slopes, well_mixed_slopes

TRACE = 1e-11
"""Of a cell: less of a species has no slopes."""


@njit(cache=True, nogil=True)
def composition_slopes(
    atoms, atoms_slopes, totals, total_slopes, start, end, start_slopes, end_slopes, pointer, mean,
    out,
):  # fmt: skip
    """Slopes (P, S) of `mean_composition`; the pointer is the one that it returns."""
    slices, species = atoms.shape
    out[:] = 0.0
    k, position, whole = pointer, start, 0.0
    first = True
    while True:
        last = k >= slices - 1
        size = totals[k + 1] - totals[k]
        stop = end if last else min(end, totals[k + 1])
        if stop > position and size > 0.0:
            share = (stop - position) / size
            for p in range(start_slopes.size):
                grown = total_slopes[k + 1, p] - total_slopes[k, p]
                top = start_slopes[p] if first else total_slopes[k, p]
                bottom = end_slopes[p] if stop == end else total_slopes[k + 1, p]
                within = bottom - top - share * grown
                for s in range(species):
                    out[p, s] += share * atoms_slopes[k, s, p] + within * atoms[k, s] / size
            whole += stop - position
            first = False
        position = max(position, stop)
        if last or position >= end:
            break
        k += 1
    for p in range(start_slopes.size):
        total = 0.0
        for s in range(species):
            total += out[p, s]
        for s in range(species):
            out[p, s] = (out[p, s] - mean[s] * total) / whole


@njit(cache=True, nogil=True)
def _undisturbed_slopes(atoms, atoms_slopes, cumulated, totals, total_slopes, zone, cell_atoms,
                        cell_slopes):  # fmt: skip
    species, cells = zone.shape
    slopes = np.zeros((cell_slopes.size, species, cells))
    mean, out = np.empty(species), np.zeros((cell_slopes.size, species))
    pointer = 0
    for j in range(cells):
        start, end = j * cell_atoms, (j + 1) * cell_atoms
        pointer = mean_composition(cumulated, totals, start, end, pointer, mean)
        composition_slopes(
            atoms, atoms_slopes, totals, total_slopes, start, end, j * cell_slopes,
            (j + 1) * cell_slopes, pointer, mean, out,
        )  # fmt: skip
        slopes[:, :, j] = out
    return slopes


@njit(cache=True, nogil=True)
def _drop_rounding(slopes, least, alive):
    """Set to nothing what is rounding, and tell where something is left."""
    for p in range(slopes.shape[0]):
        if not alive[p]:
            continue
        alive[p] = False
        for s in range(slopes.shape[1]):
            if _matters(slopes[p, s], least[p]):
                alive[p] = True
            else:
                slopes[p, s] = 0.0


@njit(cache=True, nogil=True)
def _matters(numbers, least):
    largest = 0.0
    for number in numbers:
        largest = max(largest, abs(number))
    return largest > least


@njit(cache=True, nogil=True)
def _mattering(zone, entering, zone_slopes, alive, entering_slopes, out):
    """The species that are more than a trace, or change, even if there is nothing of them yet."""
    count = 0
    for s in range(entering.size):
        matters = entering[s] + zone[s].sum() > TRACE
        for p in range(alive.size):
            if matters:
                break
            matters = entering_slopes[p, s] != 0.0
            if alive[p] and not matters:
                matters = _matters(zone_slopes[p, s], 0.0)
        if matters:
            out[count] = s
            count += 1
    return out[:count]


@njit(cache=True, nogil=True)
def _forget_others(leaving_slopes, matters):
    """What is no more than a trace leaves without slopes."""
    i = 0
    for s in range(leaving_slopes.shape[1]):
        if i < matters.size and matters[i] == s:
            i += 1
        else:
            leaving_slopes[:, s] = 0.0


@njit(cache=True, nogil=True)
def _surface_slopes(zone, zone_slopes, preference, dose_per_atom, atom_dose_slopes, mean, dose):
    """Of `surface_means`, shape (2, P)."""
    out = np.zeros((2, zone_slopes.shape[0]))
    for p in range(out.shape[1]):
        for s in range(preference.size):
            share = zone_slopes[p, s, 0] * preference[s]
            out[0, p] += share
            out[1, p] += share * (dose_per_atom[s] - dose)
            out[1, p] += zone[s, 0] * preference[s] * atom_dose_slopes[p, s]
        out[1, p] /= mean
    return out


@njit(cache=True, nogil=True)
def march_slopes(
    atoms, atoms_slopes, zone_atoms, zone_atoms_slopes, cells, diffusion_per_dose,
    diffusion_slopes, preference, dose_per_atom, atom_dose_slopes, relative_mixing,
    relative_slopes, longest, least, viewer, seen, passed, seen_slopes, passed_slopes,
):  # fmt: skip
    """`march`, and the slopes (K, S, P) of what leaves.

    Parameters
    ----------
    atoms_slopes : ndarray, shape (K, S, P)
    zone_atoms_slopes, diffusion_slopes : ndarray, shape (P,)
    atom_dose_slopes, relative_slopes : ndarray, shape (P, S)
    least : ndarray, shape (P,)
        Changes of a fraction that are rounding.
    viewer : tuple
        Volumes of the species and the escape depth, and their slopes (P, S) and (P,).
    seen, passed, seen_slopes, passed_slopes : ndarray
        Take what is seen of the zone at every slice edge and what passes through it, (K + 1, S)
        and (K + 1,), and their slopes, (K + 1, S, P) and (K + 1, P); empty where nothing is seen.
    """
    slices, species = atoms.shape
    directions = least.size
    cumulated, totals = cumulate(atoms)
    total_slopes = np.zeros((slices + 1, directions))
    for k in range(slices):
        for p in range(directions):
            grown = 0.0
            for s in range(species):
                grown += atoms_slopes[k, s, p]
            total_slopes[k + 1, p] = total_slopes[k, p] + grown
    removed = np.zeros((slices, species))
    slopes = np.zeros((slices, species, directions))
    cell_atoms, cell_slopes = zone_atoms / cells, zone_atoms_slopes / cells
    per_dose = diffusion_per_dose / cell_atoms
    per_dose_slopes = np.zeros(directions)
    if cells > 1:
        per_dose_slopes = (diffusion_slopes - per_dose * cell_slopes) / cell_atoms
    zone = undisturbed(cumulated, totals, cells, cell_atoms)
    zone_slopes = _undisturbed_slopes(
        atoms, atoms_slopes, cumulated, totals, total_slopes, zone, cell_atoms, cell_slopes
    )
    alive = np.ones(directions, dtype=np.bool_)
    _drop_rounding(zone_slopes, least, alive)
    before = zone.copy()
    trials = np.zeros((2, species, cells + 1))
    work, steps = np.zeros((4, cells)), np.zeros(species + 4)
    operators = np.zeros((4, species, cells + 1))
    entering, leaving, left_before = np.zeros(species), np.zeros(species), np.zeros(species)
    entering_slopes = np.zeros((directions, species))
    leaving_slopes = np.zeros((directions, species))
    everything = np.zeros(species, dtype=np.int64)
    something = np.zeros(species, dtype=np.int64)
    mean, dose = surface_means(zone, preference, dose_per_atom)
    mean_slopes, dose_slopes = _surface_slopes(
        zone, zone_slopes, preference, dose_per_atom, atom_dose_slopes, mean, dose
    )
    mean_slopes, dose_slopes = mean_slopes.copy(), dose_slopes.copy()
    fixed = np.zeros(directions)
    pointer = 0
    views = seen.shape[0] > 0
    volume, escape, volume_slopes, escape_slopes = viewer
    moving = np.zeros(directions, dtype=np.bool_)
    for p in range(directions):
        moving[p] = cell_slopes[p] != 0.0 or escape_slopes[p] != 0.0
        moving[p] |= np.any(volume_slopes[p] != 0.0)
    if views:
        passed[0] = seen_in_zone(zone, cell_atoms, volume, escape, seen[0])
        in_zone_slopes(
            zone, zone_slopes, alive, cell_atoms, cell_slopes, volume, volume_slopes, escape,
            escape_slopes, moving, seen_slopes[0], passed_slopes[0],
        )  # fmt: skip
    for k in range(slices):
        size = (totals[k + 1] - totals[k]) / cell_atoms
        start, end = totals[k] + zone_atoms, totals[k + 1] + zone_atoms
        pointer = mean_composition(cumulated, totals, start, end, pointer, entering)
        composition_slopes(
            atoms, atoms_slopes, totals, total_slopes, start, end,
            total_slopes[k] + zone_atoms_slopes, total_slopes[k + 1] + zone_atoms_slopes, pointer,
            entering, entering_slopes,
        )  # fmt: skip
        for p in range(directions):
            if not _matters(entering_slopes[p], least[p]):
                entering_slopes[p] = 0.0
        left_slopes = total_slopes[k + 1] - total_slopes[k]
        left_slopes = (left_slopes - size * cell_slopes) / cell_atoms
        active = activate(zone, entering, everything)
        matters = _mattering(zone, entering, zone_slopes, alive, entering_slopes, something)
        _forget_others(leaving_slopes, matters)
        low, high = bounds(preference, active)
        left = size
        while left > 0.0:
            x = min(left, longest)
            whole = left <= longest
            x_slopes = left_slopes if whole else fixed
            before[:] = zone
            left_before[:] = leaving
            last_mean, last_dose = mean, dose
            if cells == 1:
                mean = well_mixed_step(zone, entering, x, preference, active, leaving)
                well_mixed_slopes(
                    before, entering, x, preference, high > low, matters, mean, zone_slopes,
                    entering_slopes, x_slopes, leaving_slopes,
                )  # fmt: skip
                alive[:] = True
            else:
                mean, dose = diffusive_step(
                    zone, entering, x, per_dose, preference, dose_per_atom, relative_mixing,
                    active, mean, dose, leaving, trials, work, steps,
                )  # fmt: skip
                diffusive_slopes(
                    before, entering, x, per_dose, preference, high > low, dose_per_atom,
                    relative_mixing, matters, steps, last_mean, mean, last_dose, left_before,
                    leaving, zone_slopes, alive, entering_slopes, x_slopes, per_dose_slopes,
                    atom_dose_slopes, relative_slopes, mean_slopes, dose_slopes, leaving_slopes,
                    operators, work,
                )  # fmt: skip
            for s in active:
                removed[k, s] += leaving[s] * cell_atoms
            for s in matters:
                for p in range(directions):
                    slopes[k, s, p] += leaving_slopes[p, s] * cell_atoms
                    slopes[k, s, p] += leaving[s] * cell_slopes[p]
            left -= x
            if left <= 1e-12 * size:
                break
            if change(zone, before, active) <= SETTLED * x:
                for s in active:
                    removed[k, s] += left * cell_atoms * entering[s]
                for s in matters:
                    for p in range(directions):
                        rest = left_slopes[p] * cell_atoms + left * cell_slopes[p]
                        slopes[k, s, p] += rest * entering[s]
                        slopes[k, s, p] += left * cell_atoms * entering_slopes[p, s]
                break
        _drop_rounding(zone_slopes, least, alive)
        if views:
            passed[k + 1] = seen_in_zone(zone, cell_atoms, volume, escape, seen[k + 1])
            in_zone_slopes(
                zone, zone_slopes, alive, cell_atoms, cell_slopes, volume, volume_slopes, escape,
                escape_slopes, moving, seen_slopes[k + 1], passed_slopes[k + 1],
            )  # fmt: skip
    return removed, slopes
