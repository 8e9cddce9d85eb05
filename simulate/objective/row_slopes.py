"""Slopes of what each linear number multiplies: the maps between the engine and the readings.

The engine's slopes (`models.slopes.engine_slopes`) go through everything that makes readings of its
signals: residence in the gas, means over readings, self-absorption, hydrogen, fractions.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.input_slopes import Move
from craterfront.forward_model.reading_parts import ReadingParts
from craterfront.forward_model.responses import optical_depths
from craterfront.models.detection.emission import escaping_share, escaping_share_slope
from craterfront.models.erosion_front import start_up
from craterfront.models.quick_engine.slice_plan import plan
from craterfront.models.quick_engine.slicing import SlicePlan
from craterfront.models.slopes.engine_slopes import run_with_slopes
from craterfront.models.sources.residence import lagged_slope


@dataclass(frozen=True)
class Shown:
    """What is seen, or shines per second, and its slopes in P directions.

    Attributes
    ----------
    rows, slopes : ndarray, shapes (Q, N) and (P, Q, N)
    depth_nm : ndarray, shape (T,)
        Mean depth at the edges of the readings.
    depth_slopes : ndarray, shape (P,)
        Of the last of them.
    """

    rows: np.ndarray
    slopes: np.ndarray
    depth_nm: np.ndarray
    depth_slopes: np.ndarray


def shown(
    assembly: Assembly,
    values: np.ndarray,
    along: Sequence[Move],
    parts: ReadingParts,
    projection: np.ndarray,
    slices: SlicePlan | None,
) -> Shown:
    """Run the engine with slopes, up to readings.

    Parameters
    ----------
    assembly : Assembly
    values : ndarray
        Of all parameters.
    along : sequence of Move
    parts : ReadingParts
    projection : ndarray, shape (M, E, Q)
    slices : SlicePlan, optional
        Default: as `engine.run` plans them.
    """
    sample, instrument = assembly.eroding(values), assembly.instrument(values)
    dose_s = assembly.supplied_dose_s(parts.edges_s, values)
    result, slopes = run_with_slopes(
        sample,
        instrument,
        dose_s,
        projection,
        slices or plan(sample, instrument, dose_s),
        assembly.directions(values, sample, instrument, parts.edges_s, along),
    )
    signal, change = result.signal.T, slopes.signal.transpose(0, 2, 1)
    count, quantities = len(along), len(signal)
    rows = assembly.readings(signal, parts, values)
    flat = assembly.readings(change.reshape(count * quantities, change.shape[-1]), parts, values)
    of_rows = flat.reshape(count, *rows.shape)
    residence = assembly.index_of("residence time")
    for p, move in enumerate(along):
        if move.index == residence and instrument.view == "collected":
            interval_s = parts.interval_s
            by_time = lagged_slope(signal / interval_s, interval_s, float(values[residence]))
            of_rows[p] += parts.means(by_time) * move.unit
    depth, of_end = result.mean_depth_nm[parts.ends], slopes.mean_depth_nm[:, parts.ends[-1]]
    of_end = assembly.true_depth_slopes(depth[-1], of_end, values, along)
    return Shown(rows, of_rows, assembly.true_depth_nm(depth, values), of_end)


def fractions(raw: np.ndarray, slopes: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """The first rows over the last, and their slopes."""
    whole = np.maximum(raw[-1], 1e-300)
    value = raw[:count] / whole
    return value, (slopes[:, :count] - value * slopes[:, -1:]) / whole


def shining(
    assembly: Assembly,
    emitting: np.ndarray,
    slopes: np.ndarray,
    values: np.ndarray,
    along: Sequence[Move],
) -> tuple[np.ndarray, np.ndarray]:
    """`Assembly.shining`, and its slopes (P, R, N)."""
    responses = assembly.responses
    count, channel = len(responses), [response.channel for response in responses]
    terms, change = emitting[:count], slopes[:, :count]
    absorption = assembly.self_absorption_nm2_s(values)
    if absorption.any():
        depth = optical_depths(responses, terms, absorption)
        share, steep = escaping_share(depth), escaping_share_slope(depth)
        of_depth = np.array([optical_depths(responses, each, absorption) for each in change])
        per_unit = optical_depths(responses, terms, np.ones_like(absorption))
        for c, own in enumerate(assembly.channels):
            index = assembly.index_of("self-absorption", own.name)
            for p, move in enumerate(along):
                if move.index == index:
                    of_depth[p, c] += per_unit[c] * move.unit
        change = change * share[channel] + terms * (steep * of_depth)[:, channel]
        terms = terms * share[channel]
    if not assembly.setup.detection.has_hydrogen_effect:
        return assembly.shining(emitting, values), change
    return assembly.shining(emitting, values), _changed_by_hydrogen(
        assembly, terms, change, emitting[count], slopes[:, count], values, along
    )


def _changed_by_hydrogen(
    assembly: Assembly,
    terms: np.ndarray,
    change: np.ndarray,
    hydrogen: np.ndarray,
    of_hydrogen: np.ndarray,
    values: np.ndarray,
    along: Sequence[Move],
) -> np.ndarray:
    """Slopes of the terms as hydrogen makes them."""
    effect, half = assembly.hydrogen_effects(values)
    channel = [response.channel for response in assembly.responses]
    amount = np.maximum(hydrogen, 0.0)
    share = amount / (amount + half)
    of_share = np.where(hydrogen > 0.0, half / (amount + half) ** 2 * of_hydrogen, 0.0)
    half_index = assembly.index_of("hydrogen of half effect")
    of_factor = effect[:, None] * of_share[:, None]
    for p, move in enumerate(along):
        if move.index == half_index:
            of_factor[p] -= effect[:, None] * share / (amount + half) * move.unit
        for c, own in enumerate(assembly.channels):
            if move.index == assembly.index_of("hydrogen effect", own.name):
                of_factor[p, c] += share * move.unit
    factor = 1.0 + effect[:, None] * share
    return change * factor[channel] + terms * of_factor[:, channel]


def contamination_slopes(
    assembly: Assembly, edges_s: np.ndarray, values: np.ndarray, along: Sequence[Move]
) -> np.ndarray:
    """Slopes of `Assembly.contamination_left`, shape (P, N)."""
    out = np.zeros((len(along), edges_s.size - 1))
    decay = assembly.index_of("start-up decay time")
    for p, move in enumerate(along):
        if decay is not None and move.index == decay:
            out[p] = start_up.mean_remainder_slope(edges_s, float(values[decay])) * move.unit
    return out
