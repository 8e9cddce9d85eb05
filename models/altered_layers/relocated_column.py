"""March an altered layer with ballistic relocation down a sample, cell by cell.

While a cell's worth of atoms leaves, all cells move up by exactly one, so nothing but relocation
mixes them. Relocation acts in between, the half of what belongs to a step before it and the other
half after it (G. Strang, SIAM J. Numer. Anal. 5 (1968) 506, from memory): second order in the size
of a cell. It is exact in the modes of `relocation`, as a factor exp(-loss x relocations) for each.

How often an atom is relocated goes by the dose, and so by the composition that leaves: for that
the step is solved. What leaves cell by cell is brought to the slices of the sample on straight
lines that keep each cell's content (`sloped`).
"""

import math

import numpy as np
from numba import njit

from craterfront.models.altered_layers.altered_column import (
    SETTLED,
    activate,
    change,
    cumulate,
    mean_composition,
    undisturbed,
)
from craterfront.models.altered_layers.relocation import Relocation, cosines, mode_losses
from craterfront.models.altered_layers.sloped import rises

_AGREES = 1e-12  # of the relocations in a step
_MOST_TRIALS = 60


def relocated(
    atoms: np.ndarray,
    zone_atoms: float,
    cells: int,
    relocation: Relocation,
    dose_per_atom: np.ndarray,
    states: np.ndarray,
) -> np.ndarray:
    """Atoms that leave with every slice, shape (K, S); see `mixing.leaving_atoms`.

    Parameters
    ----------
    atoms : ndarray, shape (K, S)
    zone_atoms : float
    cells : int
        > 1.
    relocation : Relocation
    dose_per_atom : ndarray, shape (S,)
    states : ndarray, shape (K + 1, S, cells) or (0, S, cells)
        Takes the fractions in the zone at every slice edge, on straight lines between whole cells.
    """
    cell_atoms = zone_atoms / cells
    sizes, left = _march(
        atoms,
        zone_atoms,
        cosines(cells),
        mode_losses(relocation.law, relocation.displacement, cells),
        relocation.per_dose * cell_atoms * dose_per_atom,
        states,
    )
    shares = left / sizes[:, None]
    return _on_slices(atoms, cell_atoms, sizes, shares, rises(shares, sizes))


@njit(cache=True, nogil=True)
def _to_modes(zone, by_cell, active, spectrum):
    """How much of each mode is in the zone; `by_cell` are the modes, cell by mode."""
    cells = by_cell.shape[0]
    for s in active:
        spectrum[s] = 0.0
        for j in range(cells):
            amount = zone[s, j]
            for q in range(cells):
                spectrum[s, q] += amount * by_cell[j, q]


@njit(cache=True, nogil=True)
def _relocate(spectrum, modes, losses, relocations, active, zone):
    """The zone after so many relocations of every atom, from its modes."""
    cells = losses.size
    for s in active:
        zone[s] = 0.0
        for q in range(cells):
            amount = spectrum[s, q] * math.exp(-losses[q] * relocations)
            for j in range(cells):
                zone[s, j] += amount * modes[q, j]
        for j in range(cells):
            zone[s, j] = max(zone[s, j], 0.0)


@njit(cache=True, nogil=True)
def _uppermost(spectrum, modes, losses, relocations, per_cell, active):
    """Relocations of a step in which the first cell leaves as it then is."""
    total = 0.0
    for q in range(losses.size):
        weight = modes[q, 0] * math.exp(-losses[q] * relocations)
        for s in active:
            total += weight * spectrum[s, q] * per_cell[s]
    return total


@njit(cache=True, nogil=True)
def _in_step(spectrum, modes, losses, due, per_cell, active, guess):
    """Relocations of an atom in a step, as what leaves in the middle of it asks for."""
    low, high = np.inf, 0.0
    for s in active:
        low, high = min(low, per_cell[s]), max(high, per_cell[s])
    if high - low <= _AGREES * high:
        return high
    number = min(max(guess, low), high)
    for _ in range(_MOST_TRIALS):
        asked = _uppermost(spectrum, modes, losses, due + 0.5 * number, per_cell, active)
        if abs(asked - number) <= _AGREES * number:
            break
        if asked > number:
            low = number
        else:
            high = number
        number = asked if low < asked < high else 0.5 * (low + high)
    return number


@njit(cache=True, nogil=True)
def _longer(sizes, left):
    """The same with twice the room."""
    more_sizes = np.empty(2 * sizes.size)
    more_left = np.empty((2 * sizes.size, left.shape[1]))
    more_sizes[: sizes.size] = sizes
    more_left[: sizes.size] = left
    return more_sizes, more_left


@njit(cache=True, nogil=True)
def _keep_states(states, known, totals, cell_atoms, before, now, start, end):
    """Straight lines between two states of the zone; returns the number of edges known."""
    while known < totals.size and totals[known] <= end * cell_atoms:
        share = min(max((totals[known] / cell_atoms - start) / (end - start), 0.0), 1.0)
        states[known] = (1.0 - share) * before + share * now
        known += 1
    return known


@njit(cache=True, nogil=True)
def _march(atoms, zone_atoms, modes, losses, per_cell, states):
    """How many cells leave at once (mostly one), and what; (B,) and (B, S) in cells.

    `per_cell` are the relocations of an atom in a step in which a cell of one species leaves.
    """
    cells, species = losses.size, per_cell.size
    cumulated, totals = cumulate(atoms)
    cell_atoms = zone_atoms / cells
    zone = undisturbed(cumulated, totals, cells, cell_atoms)
    before, state, last_state = zone.copy(), zone.copy(), zone.copy()
    spectrum, by_cell = np.zeros((species, cells)), modes.T.copy()
    entering = np.zeros(species)
    everything = np.zeros(species, dtype=np.int64)
    end = math.ceil(totals[-1] / cell_atoms)
    sizes, left = np.empty(1024), np.empty((1024, species))
    bins, removed, pointer, known = 0, 0, 0, 0
    due, number = 0.0, 0.0
    keep = states.shape[0] > 0
    if keep:
        states[0] = zone
        known = 1
    while removed < end:
        start = (removed + cells) * cell_atoms
        pointer = mean_composition(cumulated, totals, start, start + cell_atoms, pointer, entering)
        active = activate(zone, entering, everything)
        if bins + 2 > sizes.size:
            sizes, left = _longer(sizes, left)
        before[:] = zone
        _to_modes(zone, by_cell, active, spectrum)
        number = _in_step(spectrum, modes, losses, due, per_cell, active, number)
        _relocate(spectrum, modes, losses, due + 0.5 * number, active, zone)
        for s in range(species):
            left[bins, s] = zone[s, 0]
            zone[s, :-1] = zone[s, 1:]
            zone[s, -1] = entering[s]
        sizes[bins] = 1.0
        bins += 1
        removed += 1
        due = 0.5 * number
        if keep:
            last_state[:] = state
            _to_modes(zone, by_cell, active, spectrum)
            state[:] = 0.0
            _relocate(spectrum, modes, losses, due, active, state)
            known = _keep_states(
                states, known, totals, cell_atoms, last_state, state, removed - 1, removed
            )
        if change(zone, before, active) > SETTLED:
            continue
        until = end if pointer >= totals.size - 2 else int(totals[pointer + 1] / cell_atoms) - cells
        skipped = min(until, end) - removed
        if skipped > 0:
            left[bins] = skipped * entering
            sizes[bins] = skipped
            bins += 1
            removed += skipped
            if keep:
                known = _keep_states(
                    states, known, totals, cell_atoms, state, state, removed - skipped, removed
                )
    while keep and known < totals.size:  # the last edge, to rounding
        states[known] = state
        known += 1
    return sizes[:bins], left[:bins]


@njit(cache=True, nogil=True)
def _on_slices(atoms, cell_atoms, sizes, shares, rise):
    """What leaves with every slice, of what leaves along a straight line in each bin."""
    slices, species = atoms.shape
    removed = np.zeros((slices, species))
    b, top, edge = 0, 0.0, 0.0  # the bin, where it begins, and the upper edge of the slice
    for k in range(slices):
        total = atoms[k].sum()
        lower = edge + total / cell_atoms
        norm = 0.0
        position = edge
        while True:
            last = b == sizes.size - 1
            stop = lower if last else min(lower, top + sizes[b])
            first, second = (position - top) / sizes[b], min((stop - top) / sizes[b], 1.0)
            for s in range(species):
                line = shares[b, s] + 0.5 * rise[b, s] * (first + second - 1.0)
                amount = max(line, 0.0) * (stop - position)
                removed[k, s] += amount
                norm += amount
            position = stop
            if last or top + sizes[b] > lower:
                break
            top += sizes[b]
            b += 1
        for s in range(species):
            removed[k, s] = total * (removed[k, s] / norm if norm > 0.0 else shares[b, s])
        edge = lower
    return removed
