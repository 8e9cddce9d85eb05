"""Slopes of the engine's input: how sample and instrument change with each parameter.

Parameters enter as they are, in products with powers, or through a few closed forms, so slopes are
written out. Where the input takes the larger of two numbers, they are those of the one it takes.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from craterfront.forward_model import crater_parameter_slopes
from craterfront.forward_model.instrument_parameters import (
    RANGE_TO_LENGTH,
    SHARE_OF_RANGE,
    TRANSIENT,
    InstrumentParameters,
)
from craterfront.models.erosion_front import start_up, surface_transient
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.slopes.directions import Directions

_SHARP_NM = 1e-4
"""A width up to this is none: by its square, the slope of what goes by the width itself would be
rounding magnified; that by the square counts."""


class Move(NamedTuple):
    """A direction: a parameter that changes by its value, or by its square."""

    index: int
    unit: float
    """Derivative of the value: 1, or 1 / (2 value) by the square; 0 where that is 0."""
    square: float
    """Derivative of the square of the value: 2 value, or 1."""


def moves(values: np.ndarray, free: Sequence[int], squared: Collection[int] = ()) -> list[Move]:
    """Directions along the free parameters; by the square for those at the positions squared."""
    out = []
    for position, index in enumerate(free):
        value = float(values[index])
        if position in squared:
            out.append(Move(index, 0.5 / value if value else 0.0, 1.0))
        else:
            out.append(Move(index, 1.0, 2.0 * value))
    return out


class InputSlopes(InstrumentParameters):
    """The same list, with slopes of what the engine is given.

    It holds for materials that are kept apart, as in an inversion.
    """

    _first: np.ndarray

    def directions(
        self,
        values: np.ndarray,
        sample: LayeredSample,
        instrument: Instrument,
        time_s: np.ndarray,
        along: Sequence[Move],
    ) -> Directions:
        """Slopes of the input of `engine.run`.

        Parameters
        ----------
        values : ndarray
            Of all parameters; `sample` and `instrument` are for these.
        time_s : ndarray, shape (T,)
            The edges of time for which doses are supplied.
        along : sequence of Move
            P of them.
        """
        out = Directions.none(sample, instrument, time_s.size, len(along))
        out = replace(out, dose_s=self.supplied_dose_slopes(time_s, values, along))
        for p, move in enumerate(along):
            self._add_layer_slopes(out, p, move, values)
            self._add_crater_slopes(out, p, move, values, instrument)
            self._add_number(out, p, move)
            self._add_mixing_slopes(out, p, move, values, instrument)
        return out

    def _add_layer_slopes(self, out: Directions, p: int, move: Move, values: np.ndarray) -> None:
        errors = self.rate_errors(values)
        for layer in range(len(self.layers) - 1):
            out.thickness_nm[layer, p] = self._thickness_slope(layer, values, errors, move)
            square = errors[layer] * errors[layer + 1]
            if self._width[layer] == move.index:
                if values[move.index] > _SHARP_NM:
                    out.width_nm[layer, p] = move.unit / square**0.5
                out.width_square_nm2[layer, p] = move.square / square
            beside = [self.rate_error_index(layer), self.rate_error_index(layer + 1)]
            if move.index in beside:
                relative = beside.count(move.index) / float(values[move.index]) * move.unit
                width = float(values[self._width[layer]])
                out.width_nm[layer, p] = -0.5 * width / square**0.5 * relative
                out.width_square_nm2[layer, p] = -(width**2) / square * relative
            if self._rough[layer] == move.index:
                out.relief_nm[layer, p] = (1.0 - self.layers[layer].conformal) * move.unit
        for material, layer in enumerate(self._first):
            if self._density[layer] == move.index:
                out.atomic_density_per_nm3[material, p] = self._atoms[layer] * move.unit
            out.rate_nm_s[material, p] = self._rate_slope(layer, values, move)

    def _thickness_slope(
        self, layer: int, values: np.ndarray, errors: np.ndarray, move: Move
    ) -> float:
        """Of a layer as it erodes."""
        if self._thickness[layer] == move.index:
            return move.unit / errors[layer]
        if self.rate_error_index(layer) == move.index:
            return -float(values[self._thickness[layer]]) / errors[layer] ** 2 * move.unit
        return 0.0

    def true_depth_slopes(
        self, depth_nm: float, slopes: np.ndarray, values: np.ndarray, along: Sequence[Move]
    ) -> np.ndarray:
        """Slopes of `Assembly.true_depth_nm` of one depth, shape (P,), from the engine's own."""
        errors = self.rate_errors(values)
        thickness = values[self._thickness] / errors[:-1]
        top = np.append(0.0, np.cumsum(thickness)[:-1])
        within = (depth_nm > top) & (depth_nm < top + thickness)
        past = depth_nm >= top + thickness
        gone = np.clip(depth_nm - top, 0.0, thickness)
        out = slopes.copy()
        for p, move in enumerate(along):
            change = np.array(
                [self._thickness_slope(k, values, errors, move) for k in range(thickness.size)]
            )
            of_top = np.append(0.0, np.cumsum(change)[:-1])
            removed = np.where(within, slopes[p] - of_top, past * change)
            out[p] += removed @ (errors[:-1] - 1.0)
            for layer in range(thickness.size):
                if self.rate_error_index(layer) == move.index:
                    out[p] += gone[layer] * move.unit
        return out

    def _rate_slope(self, layer: int, values: np.ndarray, move: Move) -> float:
        powers = self.rate_powers(layer)
        if move.index not in powers:
            return 0.0
        relative = powers[move.index] / float(values[move.index])
        return self._rate_nm_s(layer, values) * relative * move.unit

    def _add_crater_slopes(
        self, out: Directions, p: int, move: Move, values: np.ndarray, instrument: Instrument
    ) -> None:
        kind, group = self._name_of(move.index)
        share, rate = self.index_of("edge share"), self.index_of("edge rate")
        edge = (0.0, 1.0)
        if share is not None and rate is not None:
            edge = float(values[share]), float(values[rate])
        layers = [self.layers[i] for i in self._first]
        made = instrument.crater
        slopes = crater_parameter_slopes.segment_slopes(self.setup, kind, group, layers, made, edge)
        if slopes is None:
            return
        out.crater[..., p] = slopes * move.unit
        by_value = crater_parameter_slopes.square_slopes(made, slopes, move.square)
        level = made[..., 1] == made[..., 0]
        out.crater_square[..., p] = np.where(level, by_value, by_value * move.unit)
        seen = crater_parameter_slopes.seen_slopes(self.setup, made, slopes)
        if seen is not None:
            out.seen_share[:, p] = seen * move.unit

    def _name_of(self, index: int) -> tuple[str, str]:
        """Kind and group of a parameter."""
        return next(name for name, own in self._index.items() if own == index)

    def _add_number(self, out: Directions, p: int, move: Move) -> None:
        """Numbers that the instrument takes as they are, or whose squares it takes."""
        squares = {
            "initial roughness": out.initial_square_nm2,
            "final roughness": out.final_square_nm2,
            "relative spread": out.spread_square,
        }
        plain = {
            "grain size": out.grain_nm,
            "settling depth": out.settling_nm,
            "escape depth": out.escape_depth_nm,
            "displacement": out.displacement_nm,
        }
        kind = self.parameters[move.index].kind
        if kind in squares:
            squares[kind][p] = move.square
        elif kind in plain:
            plain[kind][p] = move.unit

    def _add_mixing_slopes(
        self, out: Directions, p: int, move: Move, values: np.ndarray, instrument: Instrument
    ) -> None:
        first, within = self._mixing_length[0], self.index_of("mixing range")
        if first is None:
            return
        length, reach = float(values[first]), instrument.mixing_range_nm
        length_slope = move.unit if move.index == first else 0.0
        written = 0.0 if within is None else float(values[within])
        if length / SHARE_OF_RANGE > (written or RANGE_TO_LENGTH * length):
            reach_slope = length_slope / SHARE_OF_RANGE
        elif written:
            reach_slope = move.unit if move.index == within else 0.0
        else:
            reach_slope = RANGE_TO_LENGTH * length_slope
        out.mixing_length_nm[p], out.mixing_range_nm[p] = length_slope, reach_slope
        if instrument.mixing_lengths_nm is None:
            return
        top = out.atomic_density_per_nm3[:, p] / self._densities(values)
        for material, layer in enumerate(self._first):
            own = self._mixing_length[layer]
            if own is None:
                continue
            depth = self._zone_depth(layer, values)
            most = SHARE_OF_RANGE * reach * depth
            slope = move.unit if move.index == own else 0.0
            if float(values[own]) > most:
                relative = top[self._first_material] - top[material]
                slope = SHARE_OF_RANGE * depth * (reach_slope + reach * relative)
            out.mixing_lengths_nm[material, p] = slope

    @property
    def _first_material(self) -> int:
        """Material of the first layer."""
        return int(np.flatnonzero(self._first == 0)[0])

    def _densities(self, values: np.ndarray) -> np.ndarray:
        return np.array([self._atomic_density(layer, values) for layer in self._first])

    def supplied_dose_slopes(
        self, time_s: np.ndarray, values: np.ndarray, along: Sequence[Move]
    ) -> np.ndarray:
        """Slopes of `Assembly.supplied_dose_s`, shape (T, P)."""
        out = np.zeros((time_s.size, len(along)))
        deficit, decay = (
            self.index_of("start-up rate deficit"),
            self.index_of("start-up decay time"),
        )
        dose_s = time_s
        if deficit is not None and decay is not None:
            numbers = float(values[deficit]), float(values[decay])
            dose_s = start_up.supplied_dose_s(time_s, *numbers)
            by_number = dict(
                zip((deficit, decay), start_up.supplied_dose_slopes(time_s, *numbers), strict=True)
            )
            for p, move in enumerate(along):
                if move.index in by_number:
                    out[:, p] = by_number[move.index] * move.unit
        excess, depth = (self.index_of(kind) for kind in TRANSIENT)
        if excess is None or depth is None:
            return out
        rate = self._rate_nm_s(0, values)
        numbers = float(values[excess]), float(values[depth]) / rate
        by_excess, by_decay = surface_transient.eroded_dose_slopes(dose_s, *numbers)
        out *= surface_transient.relative_rate(dose_s, *numbers)[:, None]
        for p, move in enumerate(along):
            change = move.unit / rate if move.index == depth else 0.0
            change -= numbers[1] / rate * self._rate_slope(0, values, move)
            out[:, p] += by_decay * change
            if move.index == excess:
                out[:, p] += by_excess * move.unit
        return out
