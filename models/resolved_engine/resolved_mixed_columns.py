"""Columns of a resolved crater with an altered layer each: their state, and how it moves on.

The step itself is in `resolved_columns`, and what a column has lost at every phase of its past in
`resolved_paths`.
"""

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from craterfront.models.altered_layers.mixing import AlteredLayer
from craterfront.models.altered_layers.species import Species
from craterfront.models.resolved_engine.resolved_annuli import Annuli
from craterfront.models.resolved_engine.resolved_columns import march
from craterfront.models.resolved_engine.resolved_paths import area_mean, forget
from craterfront.models.resolved_engine.resolved_sample import Cells

WORKERS = max(1, min(os.cpu_count() or 1, 8))

_NOTES = 512  # of the past of each column
_MOST_NUMBERS = 5e7  # that notes may hold before there is no more room
_PILE = 48  # layers of what fell back, in each column
_STEPS_PER_ZONE = 64
_ZONES_PER_STEP = 2.0  # so that the notes suffice
_CONSERVED = 1e-9  # of what a column has taken


class MixedColumns:
    """Columns with an altered layer each."""

    def __init__(
        self,
        cells: Cells,
        species: Species,
        dose_per_atom: np.ndarray,
        layer: AlteredLayer,
        annuli: Annuli,
        workers: ThreadPoolExecutor,
    ) -> None:
        columns, kinds, count = annuli.rate.size, dose_per_atom.size, layer.cells
        self._sample, self._depth = (cells.atoms, cells.above), cells.depth_nm
        self._areas = (annuli.inner, annuli.outer, annuli.share)
        self._preference, self._cost = species.preference, dose_per_atom
        self._workers = workers
        cell_atoms = layer.zone_atoms_nm2 / count
        strength = layer.diffusion_per_dose / cell_atoms**2 if count > 1 else np.inf
        self._layer = (layer.zone_atoms_nm2, strength)
        self._zone_atoms = layer.zone_atoms_nm2
        edges = cell_atoms * np.arange(count + 1)
        held = _at(edges, cells)
        self._zone = np.repeat((np.diff(held, axis=0).T / cell_atoms)[None], columns, axis=0)
        surface = self._zone[0, :, 0] * self._preference
        mean = surface.sum()
        gross = mean / (surface @ (self._cost * cell_atoms))
        self._progress = (
            np.full(columns, gross),
            np.full(columns, mean),
            np.zeros(columns),
            np.zeros(columns, dtype=np.bool_),
            np.zeros(columns),
            np.zeros((columns, kinds)),
        )
        self._state = (
            np.full(columns, layer.zone_atoms_nm2),
            np.zeros(columns, dtype=np.int64),
            np.zeros(columns, dtype=np.int64),
            np.zeros((columns, _PILE)),
            np.zeros((columns, _PILE, kinds)),
        )
        self._path = (
            np.zeros((columns, _NOTES)),
            np.zeros((columns, _NOTES, kinds + 1)),
            np.ones(columns, dtype=np.int64),
        )
        self._kept = [array.copy() for array in self._arrays()]
        self.longest_dose = _ZONES_PER_STEP * layer.zone_atoms_nm2 * float(dose_per_atom.min())

    def _arrays(self) -> list[np.ndarray]:
        """All that changes; of the paths, notes are only added."""
        return [self._zone, *self._progress, *self._state, self._path[2]]

    def first_rates(self) -> np.ndarray:
        surface = self._zone[0, :, 0] * self._preference
        return surface / (surface @ self._cost)

    def save(self) -> None:
        forget(*self._areas[:2], self._progress[4], self._path)
        self._make_room()
        for kept, array in zip(self._kept, self._arrays(), strict=True):
            kept[...] = array

    def _make_room(self) -> None:
        """Leave half of all room for the notes of the next step."""
        phases, notes, noted = self._path
        if 2 * int(noted.max()) <= phases.shape[1]:
            return
        if notes.size > _MOST_NUMBERS:
            raise ValueError(
                f"annuli: {phases.shape[0] - 1} are so wide here that what lies between their edges"
                " cannot be kept; more of them are narrower"
            )
        self._path = (
            np.concatenate([phases, np.zeros_like(phases)], axis=1),
            np.concatenate([notes, np.zeros_like(notes)], axis=1),
            noted,
        )

    def restore(self) -> None:
        for kept, array in zip(self._kept, self._arrays(), strict=True):
            array[...] = kept

    def advance(self, dose: np.ndarray, fallen: np.ndarray) -> None:
        parts = min(WORKERS, dose.size)
        bounds = np.linspace(0, dose.size, parts + 1).astype(int)
        list(self._workers.map(lambda k: self._march(bounds[k], bounds[k + 1], dose, fallen),
                               range(parts)))  # fmt: skip

    def _march(self, first: int, end: int, dose: np.ndarray, fallen: np.ndarray) -> None:
        march(first, end, dose, fallen, self._zone, self._progress, self._state, self._path,
              self._sample, self._depth, self._layer, self._preference, self._cost,
              1.0 / _STEPS_PER_ZONE)  # fmt: skip

    def mean(self) -> np.ndarray:
        out = np.empty(self._cost.size + 1)
        area_mean(*self._areas, self._progress[4], self._path, out)
        return out

    def depth_nm(self) -> np.ndarray:
        newest = self._path[2] - 1
        return self._path[1][np.arange(newest.size), newest, -1]

    def check(self) -> None:
        """What a column has lost, it has taken from the sample and no longer holds."""
        taken, _, piled, size, pile = self._state
        atoms, above = self._sample
        there = _at(taken, Cells(self._depth, atoms, above))
        used = np.arange(_PILE)[None] < piled[:, None]
        held = np.einsum("jp,jps->js", np.where(used, size, 0.0), pile)
        held += self._zone.sum(axis=2) * (self._zone_atoms / self._zone.shape[2])
        wrong = np.abs(there - held - self._progress[5]).max(axis=1)
        if not np.all(wrong <= _CONSERVED * taken):
            raise ArithmeticError("the columns of the crater did not conserve atoms")


def _at(place: np.ndarray, cells: Cells) -> np.ndarray:
    """Atoms of each species above places in atoms, shape (N, S)."""
    k = np.clip(np.searchsorted(cells.atoms, place, side="right") - 1, 0, cells.atoms.size - 2)
    share = (place - cells.atoms[k]) / (cells.atoms[k + 1] - cells.atoms[k])
    return cells.above[k] + share[:, None] * (cells.above[k + 1] - cells.above[k])
