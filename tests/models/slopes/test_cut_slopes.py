"""Slopes of interface planes, volume fractions and cut samples against differences."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from craterfront.models.erosion_front import crater
from craterfront.models.instrument import Instrument
from craterfront.models.interfaces.transitions import (
    ERF,
    NO_TABLES,
    SHAPES,
    interface_planes_nm,
    slice_fractions,
    transition_variance_nm2,
)
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.cut_sample import CutSample
from craterfront.models.quick_engine.slice_plan import plan
from craterfront.models.slopes.cut_slopes import CutSlopes
from craterfront.models.slopes.directions import Directions
from craterfront.models.slopes.transition_slopes import fraction_slopes, plane_slopes
from tests.reference.differences import deviation

ERROR = 1e-6
BELIEVED = 1e-7
TIMES_S = np.linspace(0.0, 12.0, 41)
SMOOTH = [number for number, name in enumerate(SHAPES) if name in ("erf", "logistic")]


@st.composite
def interfaces(draw):
    """Thicknesses, widths and shapes, of layers so thin that interfaces overlap."""
    count = draw(st.integers(1, 4))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    thickness = rng.uniform(4.0, 20.0, count)
    width = rng.uniform(0.5, 6.0, count)
    return thickness, width, rng.choice(SMOOTH, count), rng


@settings(max_examples=6)
@given(interfaces())
def test_planes_of_interfaces_that_overlap(drawn):
    thickness, width, shape, rng = drawn
    moves, width_moves = rng.normal(size=(2, thickness.size))

    def planes(by):
        return interface_planes_nm(thickness + by * moves, width + by * width_moves, shape)

    arguments = shape, NO_TABLES, moves[:, None], width_moves[:, None]
    slopes = plane_slopes(planes(0.0), width, *arguments)[:, 0]
    error, apart = deviation(slopes, planes, 0.1)
    assume(apart < BELIEVED)
    assert error < ERROR


@settings(max_examples=20)
@given(interfaces())
def test_fractions_in_slices_that_move(drawn):
    thickness, width, shape, rng = drawn
    planes = np.cumsum(thickness)
    edges = np.linspace(0.0, 1.2 * planes[-1], 17)
    moves, width_moves = rng.normal(size=(2, planes.size))
    edge_moves = rng.normal(size=edges.size)

    def fractions(by):
        return slice_fractions(
            edges + by * edge_moves, planes + by * moves, width + by * width_moves, shape
        )

    changes = (each[:, None] for each in (edge_moves, moves, width_moves))
    squares = (2.0 * width * width_moves)[:, None]
    arguments = edges, planes, width, shape, NO_TABLES, fractions(0.0), *changes, squares
    slopes = fraction_slopes(*arguments)[..., 0]
    error, apart = deviation(slopes, fractions, 0.1)
    assume(apart < BELIEVED)
    assert error < ERROR
    assert slopes.sum(axis=1) == pytest.approx(np.zeros(16), abs=1e-9)


@given(st.floats(0.2, 2.0), st.floats(0.2, 2.0), st.integers(0, len(SHAPES) - 1))
def test_by_its_square_a_width_of_none_moves_a_moment_of_half_the_variance(above, below, shape):
    """Derived: a transition of variance v moves the first moment of either layer by v / 2."""
    edges = np.array([0.0, 5.0 - above, 5.0, 5.0 + below, 9.0])
    planes, width, shapes = np.array([5.0]), np.zeros(1), np.array([shape])
    made = slice_fractions(edges, planes, width, shapes)
    still = np.zeros((5, 1)), np.zeros((1, 1)), np.zeros((1, 1))
    arguments = edges, planes, width, shapes, NO_TABLES, made, *still, np.ones((1, 1))
    slopes = fraction_slopes(*arguments)[..., 0]
    size, middle = np.diff(edges), 0.5 * (edges[1:] + edges[:-1])
    assert size @ slopes == pytest.approx([0.0, 0.0], abs=1e-12)
    moment = 0.5 * transition_variance_nm2(1.0, shape)
    assert (size * middle) @ slopes == pytest.approx([moment, -moment])


@st.composite
def samples(draw):
    count = draw(st.integers(2, 4))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    sample = LayeredSample(
        thickness_nm=rng.uniform(8.0, 20.0, count),
        width_nm=rng.uniform(1.0, 4.0, count),
        shape=np.full(count, ERF),
        material=np.arange(count + 1),
        atomic_density_per_nm3=rng.uniform(40.0, 100.0, count + 1),
        rate_nm_s=rng.uniform(4.0, 12.0, count + 1),
        composition=rng.dirichlet(np.ones(3), count + 1),
    )
    return sample, rng


@settings(max_examples=3)
@given(samples(), st.sampled_from([None, (1.0, 2.0, 0.6)]))
def test_a_sample_cut_into_slices(drawn, preference):
    sample, rng = drawn
    preference = None if preference is None else np.array(preference)
    instrument = Instrument(crater.flat(), preference=preference)
    slices = plan(sample, instrument, TIMES_S)
    names = ("thickness_nm", "width_nm", "atomic_density_per_nm3", "rate_nm_s")
    moves = {name: rng.normal(size=getattr(sample, name).size) for name in names}
    directions = Directions.none(sample, instrument, TIMES_S.size, 1)
    for name, move in moves.items():
        getattr(directions, name)[:, 0] = move
    directions.width_square_nm2[:, 0] = 2.0 * sample.width_nm * moves["width_nm"]

    def cut(by):
        there = {name: getattr(sample, name) + by * move for name, move in moves.items()}
        return CutSample.of(replace(sample, **there), instrument, slices)

    here = cut(0.0)
    slopes = CutSlopes.of(here, sample, slices, directions)
    changes = [
        slopes.planes_nm,
        slopes.edges_nm,
        slopes.thickness_nm,
        slopes.atoms,
        slopes.dose_per_atom,
        slopes.surface(here),
    ]

    def numbers(by):
        moved = cut(by)
        dose = moved.species.dose_per_atom
        found = moved.planes_nm, moved.edges_nm, moved.thickness_nm, moved.atoms, dose
        each = zip((*found, moved.surface), changes, strict=True)
        return np.concatenate([value.ravel() / np.abs(change).max() for value, change in each])

    relative = np.concatenate([change.ravel() / np.abs(change).max() for change in changes])
    error, apart = deviation(relative, numbers, 0.1)
    assume(apart < BELIEVED)
    assert error < ERROR
