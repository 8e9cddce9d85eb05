"""March the altered layer down a sample, slice by slice.

The zone holds a constant number of atoms per area in cells of equal size. While a cell's worth of
atoms leaves, one enters at the lower face. Fractions are kept as (species, cells).
"""

import numpy as np
from numba import njit

from craterfront.models.altered_layers.zone_steps import diffusive_step, well_mixed_step

SETTLED = 1e-11  # change per cell's worth of atoms below which a zone counts as steady


@njit(cache=True, nogil=True)
def cumulate(atoms):
    """Running sums over the slices: per species, and of all atoms."""
    slices, species = atoms.shape
    cumulated = np.zeros((slices + 1, species))
    totals = np.zeros(slices + 1)
    for k in range(slices):
        total = 0.0
        for s in range(species):
            cumulated[k + 1, s] = cumulated[k, s] + atoms[k, s]
            total += atoms[k, s]
        totals[k + 1] = totals[k] + total
    return cumulated, totals


@njit(cache=True, nogil=True)
def mean_composition(cumulated, totals, start, end, pointer, out):
    """Mean composition between two atom coordinates of the undisturbed sample."""
    species, slices = out.size, totals.size - 1
    out[:] = 0.0
    while pointer < slices - 1 and totals[pointer + 1] <= start:
        pointer += 1
    k, position = pointer, start
    while position < end:
        last = k >= slices - 1
        stop = end if last else min(end, totals[k + 1])
        size = totals[k + 1] - totals[k]
        if stop > position and size > 0.0:
            for s in range(species):
                out[s] += (stop - position) * (cumulated[k + 1, s] - cumulated[k, s]) / size
        position = max(position, stop)
        if last:
            break
        k += 1
    norm = 0.0
    for s in range(species):
        norm += out[s]
    for s in range(species):
        out[s] /= norm
    return pointer


@njit(cache=True, nogil=True)
def undisturbed(cumulated, totals, cells, cell_atoms):
    """The zone before the first ion: the uppermost part of the sample."""
    species = cumulated.shape[1]
    zone = np.empty((species, cells))
    mean = np.empty(species)
    pointer = 0
    for j in range(cells):
        pointer = mean_composition(
            cumulated, totals, j * cell_atoms, (j + 1) * cell_atoms, pointer, mean
        )
        zone[:, j] = mean
    return zone


@njit(cache=True, nogil=True)
def activate(zone, entering, active):
    """List the species that are in the zone or enter it; drop what is below all meaning."""
    count = 0
    for s in range(entering.size):
        held = entering[s] + zone[s].sum()
        if held > 1e-30:
            active[count] = s
            count += 1
        elif held > 0.0:
            zone[s] = 0.0
    return active[:count]


@njit(cache=True, nogil=True)
def change(zone, before, active):
    """Largest change of a fraction."""
    largest = 0.0
    for s in active:
        for j in range(zone.shape[1]):
            largest = max(largest, abs(zone[s, j] - before[s, j]))
    return largest


@njit(cache=True, nogil=True)
def surface_means(zone, preference, dose_per_atom):
    """Mean preference of the surface, and the dose that the next atom to leave costs."""
    mean, dose = 0.0, 0.0
    for s in range(preference.size):
        share = zone[s, 0] * preference[s]
        mean += share
        dose += share * dose_per_atom[s]
    return mean, dose / mean


@njit(cache=True, nogil=True)
def march(
    atoms,
    zone_atoms,
    cells,
    diffusion_per_dose,
    preference,
    dose_per_atom,
    relative_mixing,
    longest,
    states,
):
    """Atoms that leave with every slice; `states` (if not empty) keeps the zone at every edge."""
    slices, species = atoms.shape
    cumulated, totals = cumulate(atoms)
    removed = np.zeros((slices, species))
    cell_atoms = zone_atoms / cells
    per_dose = diffusion_per_dose / cell_atoms  # mixing strength in cells per unit of dose
    zone = undisturbed(cumulated, totals, cells, cell_atoms)
    before = zone.copy()
    trials = np.zeros((2, species, cells + 1))
    work, steps = np.zeros((2, cells)), np.zeros(species + 4)
    entering, leaving = np.zeros(species), np.zeros(species)
    everything = np.zeros(species, dtype=np.int64)
    mean, dose = surface_means(zone, preference, dose_per_atom)
    pointer = 0
    if states.shape[0] > 0:
        states[0] = zone
    for k in range(slices):
        size = (totals[k + 1] - totals[k]) / cell_atoms
        pointer = mean_composition(
            cumulated, totals, totals[k] + zone_atoms, totals[k + 1] + zone_atoms, pointer, entering
        )
        active = activate(zone, entering, everything)
        left = size
        while left > 0.0:
            x = min(left, longest)
            before[:] = zone
            if cells == 1:
                mean = well_mixed_step(zone, entering, x, preference, active, leaving)
            else:
                mean, dose = diffusive_step(
                    zone, entering, x, per_dose, preference, dose_per_atom, relative_mixing,
                    active, mean, dose, leaving, trials, work, steps,
                )  # fmt: skip
            for s in active:
                removed[k, s] += leaving[s] * cell_atoms
            left -= x
            if left <= 1e-12 * size:
                break
            if change(zone, before, active) <= SETTLED * x:
                for s in active:
                    removed[k, s] += left * cell_atoms * entering[s]
                break
        if states.shape[0] > 0:
            states[k + 1] = zone
    return removed
