"""Slopes of slices on the dose axis, of what is collected of them and what is seen.

Against differences of sixth order, with slices, spreads and crater all in motion at once.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from craterfront.models.erosion_front.arrival import Arrival
from craterfront.models.erosion_front.floor import Floor
from craterfront.models.slopes.arrival_slopes import ArrivalSlopes, FloorSlopes, summed
from craterfront.models.slopes.dose_axis_slopes import arrival_slopes
from craterfront.models.slopes.seen_slopes import seen
from tests.reference.differences import deviation

ERROR = 1e-6
BELIEVED = 1e-7
SLICES = 14
SCALE = 0.01
DOSES = np.linspace(0.0, 16.0, 25)


@dataclass(frozen=True)
class Case:
    """Slices and a crater, and how they change."""

    dose: np.ndarray
    variance: np.ndarray
    segments: np.ndarray
    columns: np.ndarray
    dose_moves: np.ndarray
    variance_moves: np.ndarray
    segment_moves: np.ndarray
    column_moves: np.ndarray

    def columns_at(self, by: float) -> np.ndarray:
        return self.columns + by * self.column_moves

    def arrival(self, by: float = 0.0) -> Arrival:
        spread = np.sqrt(self.variance + by * self.variance_moves)
        floor = Floor.of(self.segments + by * self.segment_moves)
        return Arrival.of(self.dose + by * self.dose_moves, spread, floor)

    def slopes(self) -> ArrivalSlopes:
        moves = self.segment_moves
        across, still = self.segments[:, 1] - self.segments[:, 0], np.zeros((len(moves), 1))
        floor = FloorSlopes(
            moves[:, :2].mean(axis=1)[:, None],
            (2.0 * across * (moves[:, 1] - moves[:, 0]))[:, None],
            moves[:, 2:],
            moves[:, 2:],
            still,
            still,
        )
        changes = self.dose_moves[:, None], self.variance_moves[:, None]
        arrival = self.arrival()
        return arrival_slopes(arrival, self.dose, np.sqrt(self.variance), *changes, floor)


@st.composite
def cases(draw):
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    pieces = draw(st.integers(1, 3))
    segments = np.ones((pieces, 3))
    segments[:, 0] += rng.uniform(0.01, 0.1, pieces)
    segments[:, 1] -= rng.uniform(0.01, 0.1, pieces)
    segments[:, 2] = rng.dirichlet(np.full(pieces, 4.0))
    segment_moves = 0.1 * rng.normal(size=segments.shape)
    segment_moves[:, 2] -= segment_moves[:, 2].mean()
    grows = rng.uniform(0.0, 0.1, SLICES) * draw(st.sampled_from([0.0, 1.0]))
    variance = rng.uniform(0.1, 0.5) + np.append(0.0, np.cumsum(grows))
    return Case(
        rng.uniform(0.3, 1.2, SLICES),
        variance,
        segments,
        rng.uniform(size=(SLICES, 2)),
        rng.normal(size=SLICES),
        rng.normal() + np.append(0.0, np.cumsum(0.1 * rng.normal(size=SLICES))),
        segment_moves,
        rng.normal(size=(SLICES, 2)),
    )


def agree(slopes, function):
    error, apart = deviation(slopes, function, SCALE)
    assume(apart < BELIEVED)
    assert error < ERROR


many = settings(max_examples=8, suppress_health_check=[HealthCheck.filter_too_much])


@many
@given(cases())
def test_slices_and_mirror_slices_on_the_dose_axis(case):
    here, slopes = case.arrival(), case.slopes()

    def numbers(by):
        there = case.arrival(by)
        assume(there.first == here.first)
        return np.concatenate([there.edges, there.sigma**2, there.sigma_above**2])

    parts = slopes.edges, slopes.variance, slopes.variance_above
    assert here.first > 0
    agree(np.concatenate(parts)[:, 0], numbers)
    # Derived: spreads are even on both sides, so a mirror slice gains what the slice has lost.
    lost = here.exposure(np.zeros(1))[: here.first, 0][::-1]
    weight_slopes = slopes.weight[: here.first, 0]
    assert weight_slopes[lost > 1e-4] == pytest.approx(0.0, abs=1e-6)


@many
@given(cases())
def test_what_is_collected(case):
    arrival, slopes = case.arrival(), case.slopes()
    area, area_slopes = arrival.floor.area, slopes.floor.area
    held = case.columns[arrival.source] * arrival.weight[:, None]
    moves = slopes.held(arrival, case.columns, case.column_moves[None])
    numbers = area, area_slopes, held, moves
    up_to = summed(arrival, slopes, DOSES, *numbers)
    before = summed(arrival, slopes, np.zeros(1), *numbers)
    collected = arrival.collected(case.columns, DOSES)
    assert up_to.value - before.value == pytest.approx(collected, abs=1e-12)
    agree(
        (up_to.slopes - before.slopes)[0],
        lambda by: case.arrival(by).collected(case.columns_at(by), DOSES),
    )
    late = DOSES[1:-1]
    by_dose = up_to.by_dose[1:-1]
    agree(by_dose, lambda by: arrival.collected(case.columns, late + by))


@many
@given(cases(), st.sampled_from([0.3, 0.0]))
def test_what_is_seen_in_intervals(case, length):
    arrival, slopes = case.arrival(), case.slopes()
    start = DOSES[1:]
    end, bottom, bottom_moves = start + length, case.columns[::-1], case.column_moves[::-1]
    moves = case.column_moves[None], bottom_moves[None]
    found = seen(arrival, slopes, case.columns, bottom, *moves, start, end)
    value = arrival.seen(case.columns, bottom, start, end)
    assert found.value == pytest.approx(value, abs=1e-12)
    agree(
        found.slopes[0],
        lambda by: case.arrival(by).seen(
            case.columns_at(by), bottom + by * bottom_moves, start, end
        ),
    )
    if length:
        agree(found.by_start, lambda by: arrival.seen(case.columns, bottom, start + by, end))
        agree(found.by_end, lambda by: arrival.seen(case.columns, bottom, start, end + by))


def test_where_there_is_no_spread_it_has_no_slope():
    dose, still = np.ones(4), FloorSlopes.none(1, 1)
    arrival = Arrival.of(dose, np.zeros(5), Floor.of(np.array([[1.05, 0.95, 1.0]])))
    found = arrival_slopes(arrival, dose, np.zeros(5), np.ones((4, 1)), np.ones((5, 1)), still)
    assert not found.variance.any()
    assert not found.variance_above.any()
    assert found.edges[arrival.first :, 0] == pytest.approx(np.arange(5.0))
