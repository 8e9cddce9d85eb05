"""The resolved engine: a round crater in annuli whose columns erode together in time.

Columns stand at the edges of annuli (`resolved_annuli`). Each has its own altered layer
(`resolved_columns`) and its own way down the sample (`resolved_sample`); what one of them sputters
acts on all (`resolved_couplings`). Nothing of this knows of arrival times: it is the second way to
compute a profile, and the only one where columns act on each other.

Dose is counted in seconds at the current for which rates are given. A relative rate g is that of
net erosion, as the depth of the crater shows it. Where the share R of the sputtered atoms falls
back evenly, the ions must be spread as R + (1 - R) g for that, and a sputtered atom costs 1 - R of
the dose that an eroded one costs: a uniform sample then erodes as it does without.

Between two columns the *phase* is linear in the area: the dose that what a column has lost would
have cost without redeposition. Without couplings it is the dose itself, g D, and the profile is
exact however few the annuli are. What a column in between has lost is read off the past of the
column that is ahead.

Signals follow what is sputtered. Of every atom the share 1 - R leaves for good and counts as
detected, so that a uniform sample gives the same signal with and without redeposition.
"""

import os
import warnings
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from craterfront.models.engine import Instrument, LayeredSample, altered_layer
from craterfront.models.mixing import MOST_CELLS, AlteredLayer
from craterfront.models.resolved_annuli import Annuli
from craterfront.models.resolved_columns import (
    area_mean,
    bare_area_mean,
    bare_at,
    forget,
    march,
)
from craterfront.models.resolved_couplings import (
    STEEPEST_SLOPE,
    Couplings,
    current_factor,
    edge_pattern,
    slope_factor,
    steepest_downhill,
)
from craterfront.models.resolved_sample import Cells, Species
from craterfront.models.validity import ValidityWarning

Progress = Callable[[str, float], None]

MOST_FRAMES = 500
"""Of the history of the crater."""

_NOTES = 512  # of the past of each column
_MOST_NUMBERS = 5e7  # that notes may hold before there is no more room
_PILE = 48  # layers of what fell back, in each column
_STEPS_PER_ZONE = 64
_ZONES_PER_STEP = 2.0  # so that the notes suffice
_AGREES = 5e-5  # change of what is sputtered between two trials of a step
_COARSE = 0.03  # ... at the first trial, beyond which the step is halved
_FINEST = 256  # parts of a sampling interval at most
_MOST_TRIALS = 6
_CELLS_PER_SMOOTHING = 8.0  # cells of the altered layer against what smooths the signal ...
_FINER = 2.5  # ... but no more than so many times as many as without
_TRACE = 1e-9  # of what falls back
_PER_EDGE_CHANGE = 0.05  # share of the change of an edge field in a step
_COURANT = 0.25
_CONSERVED = 1e-9


@dataclass(frozen=True)
class Balance:
    """Where the atoms of each element are at the end, mean over the area, shape (E,) [1/nm^2].

    Attributes
    ----------
    sputtered : ndarray
        All that has left the surface; twice, if it fell back and left again.
    detected : ndarray
        What left for good, at the time when it was sputtered.
    redeposited : ndarray
        What has fallen back.
    suspended : ndarray
        What will fall back but has not yet.
    eroded : ndarray
        What the sample has lost: sputtered less redeposited.
    """

    sputtered: np.ndarray
    detected: np.ndarray
    redeposited: np.ndarray
    suspended: np.ndarray
    eroded: np.ndarray


@dataclass(frozen=True)
class Crater:
    """Result of a run.

    Attributes
    ----------
    signal : ndarray, shape (N, Q)
        The projected atoms per area of each interval [1/nm^2].
    mean_depth_nm : ndarray, shape (N + 1,)
        Depth removed, averaged over the area, at each edge of the intervals.
    frames : ndarray of int, shape (F,)
        Edges at which the crater is kept, the first and the last among them.
    depth_nm : ndarray, shape (F, J)
        Depth of each column there.
    current : ndarray, shape (N,)
        Current relative to the one for which rates are given, mean of each interval.
    balance : Balance
    steps : int
        How many steps in time were taken.
    """

    signal: np.ndarray
    mean_depth_nm: np.ndarray
    frames: np.ndarray
    depth_nm: np.ndarray
    current: np.ndarray
    balance: Balance
    steps: int


@dataclass(frozen=True)
class _Step:
    """One step in time: what was sputtered and what fell, by species; means over the area."""

    dose: float
    sputtered: np.ndarray
    fallen: np.ndarray
    mean: np.ndarray
    current: float
    smooth: bool = True


class _BareColumns:
    """Columns without an altered layer: what is removed leaves."""

    def __init__(self, cells: Cells, dose_per_atom: np.ndarray, annuli: Annuli) -> None:
        self._table = np.column_stack([cells.above, cells.depth_nm])
        self._clock = cells.above @ dose_per_atom
        self._areas = (annuli.inner, annuli.outer, annuli.share)
        self._dose = np.zeros(annuli.rate.size)
        self._saved = self._dose
        self.longest_dose = np.inf

    def first_rates(self) -> np.ndarray:
        step = self._table[1, :-1] - self._table[0, :-1]
        return step / self._clock[1]

    def save(self) -> None:
        self._saved = self._dose.copy()

    def restore(self) -> None:
        self._dose = self._saved.copy()

    def advance(self, dose: np.ndarray, _: np.ndarray) -> None:
        self._dose = self._dose + dose

    def mean(self) -> np.ndarray:
        out = np.empty(self._table.shape[1])
        bare_area_mean(*self._areas, self._dose, self._clock, self._table, out)
        return out

    def depth_nm(self) -> np.ndarray:
        return bare_at(self._clock, self._table, self._dose)[:, -1]

    def check(self) -> None:
        """Nothing can be wrong: a column loses what lies above its depth."""


class _MixedColumns:
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
        parts = min(_WORKERS, dose.size)
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


_WORKERS = max(1, min(os.cpu_count() or 1, 8))


def _at(place: np.ndarray, cells: Cells) -> np.ndarray:
    """Atoms of each species above places in atoms, shape (N, S)."""
    k = np.clip(np.searchsorted(cells.atoms, place, side="right") - 1, 0, cells.atoms.size - 2)
    share = (place - cells.atoms[k]) / (cells.atoms[k + 1] - cells.atoms[k])
    return cells.above[k] + share[:, None] * (cells.above[k + 1] - cells.above[k])


def _contraction(
    tried: np.ndarray, found: np.ndarray, tried_before: np.ndarray, found_before: np.ndarray
) -> float:
    """By which factor what is found changes with what is tried; 0 where nothing tells."""
    step = tried - tried_before
    size = float(step @ step)
    return min(max(float((found - found_before) @ step) / size, -0.9), 0.9) if size > 0 else 0.0


def monolayer(sample: LayeredSample) -> AlteredLayer:
    """The least that takes up what falls back: one layer of atoms, fully mixed."""
    density = float(sample.atomic_density_per_nm3[sample.material[0]])
    return AlteredLayer.uniform(density ** (-1.0 / 3.0), density)


def _cells(
    layer: AlteredLayer, sample: LayeredSample, annuli: Annuli, intervals_s: np.ndarray
) -> int:
    """Cells of the altered layer: more of them where crater and sampling smooth little."""
    if sample.thickness_nm.size == 0:
        return layer.cells
    rate = float(sample.rate_nm_s[sample.material[0]])
    jumps = np.any(np.diff(annuli.radius) == 0.0)
    spread = 0.0 if jumps else float(np.ptp(annuli.rate)) * sample.thickness_nm[0] / rate
    smooth_nm = rate * float(np.hypot(spread / np.sqrt(12.0), 0.5 * np.min(intervals_s)))
    zone_nm = layer.zone_atoms_nm2 / float(sample.atomic_density_per_nm3[sample.material[0]])
    wanted = _CELLS_PER_SMOOTHING * zone_nm / max(smooth_nm, 1e-9)
    return min(max(layer.cells, int(min(wanted, _FINER * layer.cells))), MOST_CELLS)


def _refuse(sample: LayeredSample, instrument: Instrument) -> None:
    if instrument.view != "collected":
        raise ValueError("a resolved crater collects what leaves it; view is 'viewed'")
    if instrument.escape_depth_nm > 0:
        raise ValueError(
            "a resolved crater collects what leaves the surface; escape_depth_nm is"
            f" {instrument.escape_depth_nm:g}"
        )
    if instrument.mixing == "relocation":
        raise ValueError("a resolved crater mixes by diffusion, not by relocation")
    if instrument.mixing_lengths_nm is not None:
        raise ValueError("a resolved crater mixes all materials alike per ion")
    rough = instrument.initial_nm > 0 or instrument.growth.law != "none"
    if rough or (sample.relief_nm is not None and np.any(sample.relief_nm > 0)):
        raise ValueError("the columns of a resolved crater are smooth; there is roughness")


def run(
    sample: LayeredSample,
    instrument: Instrument,
    annuli: Annuli,
    couplings: Couplings,
    dose_edges_s: np.ndarray,
    projection: np.ndarray,
    progress: Progress | None = None,
) -> Crater:
    """Erode a crater.

    Parameters
    ----------
    sample : LayeredSample
        Its interfaces are flat.
    instrument : Instrument
        Mixing and preferences. Its crater is not used; there is no roughness, and the signal is
        collected at the surface.
    annuli : Annuli
        The crater.
    couplings : Couplings
    dose_edges_s : ndarray, shape (N + 1,)
        Dose supplied up to the edges of the sampling intervals, without what couplings do to the
        current, from 0 [s].
    projection : ndarray, shape (M, E, Q)
        What one atom of element e out of material m contributes to each of Q quantities.
    progress : callable, optional
        Called with a word and the share of the work that is done.

    Returns
    -------
    Crater

    Raises
    ------
    ValueError
        For what the engine does not do, and where a rate falls to 0.

    Warns
    -----
    ValidityWarning
        Where slopes count and are steeper than `resolved_couplings.STEEPEST_SLOPE`.
    """
    _refuse(sample, instrument)
    species = Species.of(sample, instrument.preference)
    cells = Cells.of(sample, species)
    layer = altered_layer(sample, instrument)
    share = couplings.redeposited_share
    if layer.cells == 0 and share > 0:
        layer = monolayer(sample)
    elif layer.cells > 1:
        layer = replace(layer, cells=_cells(layer, sample, annuli, np.diff(dose_edges_s)))
    cost = (1.0 - share) * species.dose_per_atom
    with ThreadPoolExecutor(_WORKERS) as workers:
        columns = (
            _MixedColumns(cells, species, cost, layer, annuli, workers)
            if layer.cells
            else _BareColumns(cells, cost, annuli)
        )
        return _Erosion(sample, species, cost, annuli, couplings, columns).run(
            np.asarray(dose_edges_s, dtype=float), projection, progress or (lambda *_: None)
        )


class _Erosion:
    """One run: the time step, what is known of the plasma, and what has been counted."""

    def __init__(
        self,
        sample: LayeredSample,
        species: Species,
        cost: np.ndarray,
        annuli: Annuli,
        couplings: Couplings,
        columns: _BareColumns | _MixedColumns,
    ) -> None:
        self._sample, self._species, self._cost = sample, species, cost
        self._annuli, self._couplings, self._columns = annuli, couplings, columns
        kinds = cost.size
        self._of_material = np.zeros((sample.rate_nm_s.size, kinds))
        self._of_material[species.material, np.arange(kinds)] = 1.0
        sized = couplings.slope_coefficient != 0.0
        self._radius_nm = annuli.radius * (couplings.radius_nm if sized else 1.0)
        field = couplings.edge_field
        self._edge = np.zeros(annuli.rate.size)
        if field is not None:
            pattern = edge_pattern(annuli.radius, field)
            self._edge = pattern - annuli.mean(pattern)
        self._depth = np.zeros(annuli.rate.size)
        self._rise = np.zeros(annuli.rate.size)  # of the depth per dose
        self._rates = columns.first_rates()  # what is sputtered per dose, by species
        self._trend = np.zeros(kinds)
        self._last = 0.0  # the step before
        self._known = False
        self._mean = columns.mean()
        self._suspended, self._fallen = np.zeros(kinds), np.zeros(kinds)

    def run(self, edges: np.ndarray, projection: np.ndarray, progress: Progress) -> Crater:
        intervals, kinds = edges.size - 1, self._cost.size
        frames = np.unique(np.linspace(0, intervals, min(intervals, MOST_FRAMES) + 1).astype(int))
        sputtered = np.zeros((intervals, kinds))
        depth, current = np.zeros(edges.size), np.ones(intervals)
        crater = np.zeros((frames.size, self._depth.size))
        frame, steps, step = 1, 0, np.inf
        for n in range(intervals):
            whole = edges[n + 1] - edges[n]
            left, supplied = whole, 0.0
            while left > 0.0:
                wanted = min(step, left, self._longest())
                if wanted > 0.999 * left:
                    wanted = left
                taken = self._step(wanted, whole / _FINEST)
                sputtered[n] += taken.sputtered
                supplied += taken.current * taken.dose
                left = 0.0 if taken.dose == left else left - taken.dose
                if taken.dose < wanted:
                    step = taken.dose
                elif taken.smooth:
                    step = max(step, 2.0 * taken.dose)
                steps += 1
            depth[n + 1] = self._mean[-1]
            current[n] = supplied / whole
            if n + 1 == frames[frame]:
                crater[frame] = self._depth
                frame += 1
            progress("crater", (n + 1) / intervals)
        self._columns.check()
        self._warn_of_slopes()
        signal = (1.0 - self._couplings.redeposited_share) * sputtered
        return Crater(
            signal @ self._species.projected(self._sample, projection),
            depth,
            frames,
            crater,
            current,
            self._balance(sputtered.sum(axis=0)),
            steps,
        )

    def _warn_of_slopes(self) -> None:
        if self._couplings.slope_coefficient == 0.0:
            return
        slope = float(steepest_downhill(self._depth, self._radius_nm).max())
        if slope > STEEPEST_SLOPE:
            warnings.warn(
                f"slope_coefficient: slopes up to {slope:.2g} are beyond {STEEPEST_SLOPE:g}, where"
                " the second order is no measure of the yield",
                ValidityWarning,
                stacklevel=2,
            )

    def _longest(self) -> float:
        """Dose after which the shape of the crater may have changed, and the notes are full."""
        longest = self._columns.longest_dose / max(float(self._annuli.rate.max()), 1.0)
        fastest = float(self._rise.max())
        field, coefficient = self._couplings.edge_field, self._couplings.slope_coefficient
        if not self._known and self._couplings.through_the_shape:
            fastest = float(self._sample.rate_nm_s.max())
        if field is not None and fastest > 0:
            to_come = np.exp(-max(float(self._mean[-1]), 0.0) / field.depth_nm)
            if to_come > _PER_EDGE_CHANGE:
                depth = -field.depth_nm * np.log1p(-_PER_EDGE_CHANGE / to_come)
                longest = min(longest, depth / fastest)
        if coefficient != 0.0 and fastest > 0:
            slope = float(steepest_downhill(self._depth, self._radius_nm).max())
            run = np.diff(self._radius_nm)
            if slope > 0:
                speed = 2.0 * abs(coefficient) * slope * fastest
                longest = min(longest, _COURANT * float(run[run > 0].min()) / speed)
        return longest

    def _relative_rates(self, dose: float) -> np.ndarray:
        """Ion dose of each column per dose supplied, in the middle of a step."""
        share = self._couplings.redeposited_share
        rate = self._annuli.rate
        if self._couplings.through_the_shape:
            depth = self._depth + 0.5 * dose * self._rise
            field = self._couplings.edge_field
            if field is not None:
                mean = float(self._annuli.mean(depth))
                rate = rate + self._edge * -np.expm1(-mean / field.depth_nm)
            if not np.all(rate > 0):
                raise ValueError("edge_field: the rate near the wall falls to 0")
            coefficient = self._couplings.slope_coefficient
            if coefficient != 0.0:
                factor = slope_factor(coefficient, depth, self._radius_nm)
                if not np.all(factor > 0):
                    raise ValueError("slope_coefficient: the rate on a slope falls to 0")
                rate = rate * factor
        return share + (1.0 - share) * rate

    def _step(self, dose: float, finest: float) -> "_Step":
        """Advance all columns, by less than asked for where much would change."""
        columns, coupled = self._columns, self._couplings.through_the_plasma
        columns.save()
        rates = self._foreseen(dose)
        trials, before, smooth = 0, (rates, rates), True
        while True:
            step = self._try(dose, rates)
            found = step.sputtered / dose
            change = float(np.abs(found - rates).sum() / found.sum())
            if trials == 0:
                smooth = change <= 0.3 * _COARSE
            if not coupled or change <= _AGREES:
                break
            exhausted = trials == _MOST_TRIALS
            coarse = change > (_COARSE if trials == 0 else _AGREES) and dose > 2.0 * finest
            if exhausted and not coarse:
                break
            columns.restore()
            if coarse and (trials == 0 or exhausted):
                dose, trials = 0.5 * dose, 0
                rates = self._foreseen(dose)
                before = (rates, rates)
            else:
                further = (found - rates) / (1.0 - _contraction(rates, found, *before))
                before = (rates, found)
                rates = np.where(rates + further > 0.0, rates + further, found)
                trials += 1
        self._accept(step, found)
        return replace(step, smooth=smooth)

    def _try(self, dose: float, rates: np.ndarray) -> "_Step":
        """Advance all columns, if so much is sputtered per dose meanwhile."""
        share = self._couplings.redeposited_share
        fallen = share * rates * dose + self._suspended
        fallen[fallen < _TRACE * fallen.sum()] = 0.0  # traces stay in the plasma for a while
        spent = self._of_material @ (rates * self._cost)
        current = current_factor(self._couplings.relative_current, spent)
        self._columns.advance(self._relative_rates(dose) * current * dose, fallen)
        mean = self._columns.mean()
        return _Step(dose, mean[:-1] - self._mean[:-1] + fallen, fallen, mean, current)

    def _foreseen(self, dose: float) -> np.ndarray:
        """What will be sputtered per dose in the next step, as far as trends tell."""
        rates = self._rates + self._trend * 0.5 * (dose + self._last)
        return np.clip(rates, 0.5 * self._rates, 2.0 * self._rates)

    def _accept(self, step: "_Step", rates: np.ndarray) -> None:
        if self._known:
            self._trend = (rates - self._rates) / (0.5 * (step.dose + self._last))
        self._rates, self._last, self._known = rates, step.dose, True
        returned = self._couplings.redeposited_share * step.sputtered
        self._suspended = self._suspended + returned - step.fallen
        self._fallen = self._fallen + step.fallen
        self._mean = step.mean
        depth = self._columns.depth_nm()
        self._rise, self._depth = (depth - self._depth) / step.dose, depth

    def _balance(self, sputtered: np.ndarray) -> Balance:
        sample, share = self._sample, self._couplings.redeposited_share
        elements = sample.composition.shape[1]
        one = np.broadcast_to(np.eye(elements), (sample.rate_nm_s.size, elements, elements))
        by_element = self._species.projected(sample, one)
        return Balance(
            sputtered @ by_element,
            (1.0 - share) * sputtered @ by_element,
            self._fallen @ by_element,
            self._suspended @ by_element,
            self._mean[:-1] @ by_element,
        )
