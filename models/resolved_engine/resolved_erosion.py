"""The erosion of a resolved crater in time: its steps, and what they count.

In every step the columns are given what falls back, and a dose that follows from the current and
from the shape of the crater. Where they act on each other through the plasma, a step is tried until
what they sputter agrees with what was foreseen.
"""

import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from craterfront.models.altered_layers.species import Species
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.resolved_engine.resolved_annuli import Annuli
from craterfront.models.resolved_engine.resolved_bare_columns import BareColumns
from craterfront.models.resolved_engine.resolved_couplings import (
    STEEPEST_SLOPE,
    Couplings,
    current_factor,
    edge_pattern,
    slope_factor,
    steepest_downhill,
)
from craterfront.models.resolved_engine.resolved_crater import Balance, Crater
from craterfront.models.resolved_engine.resolved_mixed_columns import MixedColumns
from craterfront.models.validity import ValidityWarning

Progress = Callable[[str, float], None]

MOST_FRAMES = 500
"""Of the history of the crater."""

_AGREES = 5e-5  # change of what is sputtered between two trials of a step
_COARSE = 0.03  # ... at the first trial, beyond which the step is halved
_FINEST = 256  # parts of a sampling interval at most
_MOST_TRIALS = 6
_TRACE = 1e-9  # of what falls back
_PER_EDGE_CHANGE = 0.05  # share of the change of an edge field in a step
_COURANT = 0.25


@dataclass(frozen=True)
class _Step:
    """One step in time: what was sputtered and what fell, by species; means over the area."""

    dose: float
    sputtered: np.ndarray
    fallen: np.ndarray
    mean: np.ndarray
    current: float
    smooth: bool = True


class Erosion:
    """One run: the time step, what is known of the plasma, and what has been counted."""

    def __init__(
        self,
        sample: LayeredSample,
        species: Species,
        cost: np.ndarray,
        annuli: Annuli,
        couplings: Couplings,
        columns: BareColumns | MixedColumns,
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
            signal @ self._species.project(projection, self._sample.composition),
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

    def _step(self, dose: float, finest: float) -> _Step:
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

    def _try(self, dose: float, rates: np.ndarray) -> _Step:
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

    def _accept(self, step: _Step, rates: np.ndarray) -> None:
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
        by_element = self._species.project(one, sample.composition)
        return Balance(
            sputtered @ by_element,
            (1.0 - share) * sputtered @ by_element,
            self._fallen @ by_element,
            self._suspended @ by_element,
            self._mean[:-1] @ by_element,
        )


def _contraction(
    tried: np.ndarray, found: np.ndarray, tried_before: np.ndarray, found_before: np.ndarray
) -> float:
    """By which factor what is found changes with what is tried; 0 where nothing tells."""
    step = tried - tried_before
    size = float(step @ step)
    return min(max(float((found - found_before) @ step) / size, -0.9), 0.9) if size > 0 else 0.0
