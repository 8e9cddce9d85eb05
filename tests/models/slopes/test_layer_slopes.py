"""Slopes of the altered layer: its size and strength, one step of it, and what leaves it."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from craterfront.models.altered_layers.altered_layer import altered_layer
from craterfront.models.altered_layers.mixing import AlteredLayer, leaving_atoms
from craterfront.models.altered_layers.zone_steps import diffusive_step, well_mixed_step
from craterfront.models.erosion_front import crater
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.slopes.directions import Directions
from craterfront.models.slopes.layer_slopes import LayerSlopes, leaving_slopes
from craterfront.models.slopes.zone_slopes import diffusive_slopes, well_mixed_slopes
from tests.reference.differences import deviation

ERROR = 1e-6
BELIEVED = 1e-7
UNIFORM = {"mixing": "uniform", "mixing_length_nm": 1.2}
DIFFUSIVE = {"mixing": "diffusive", "mixing_length_nm": 1.2, "mixing_range_nm": 2.5}
OWN = {**DIFFUSIVE, "mixing_lengths_nm": np.array([1.2, 0.9, np.nan])}

few = settings(max_examples=6, suppress_health_check=[HealthCheck.filter_too_much])


def agree(slopes, function, scale=0.01):
    error, apart = deviation(slopes, function, scale)
    assume(apart < BELIEVED)
    assert error < ERROR


@pytest.mark.parametrize("mixing", [UNIFORM, DIFFUSIVE, OWN], ids=["uniform", "alike", "own"])
@few
@given(seed=st.integers(0, 10_000))
def test_size_and_strength(mixing, seed):
    rng = np.random.default_rng(seed)
    density, rate = rng.uniform(40.0, 100.0, 3), rng.uniform(4.0, 12.0, 3)
    shape, composition = np.zeros(2, int), np.eye(3)
    layers = np.array([10.0, 20.0]), np.ones(2), shape, np.arange(3)
    sample = LayeredSample(*layers, density, rate, composition)
    instrument = Instrument(crater.flat(), **mixing)
    moves = 0.1 * rng.normal(size=8)
    directions = Directions.none(sample, instrument, 2, 1)
    directions.atomic_density_per_nm3[:, 0], directions.rate_nm_s[:, 0] = moves[:3], moves[3:6]
    directions.mixing_length_nm[0] = directions.mixing_lengths_nm[0, 0] = moves[6]
    if mixing is not UNIFORM:
        directions.mixing_range_nm[0] = moves[7]

    def numbers(by):
        there = replace(
            sample,
            atomic_density_per_nm3=density + by * moves[:3],
            rate_nm_s=rate + by * moves[3:6],
        )
        own = instrument.mixing_lengths_nm
        layer = altered_layer(
            there,
            replace(
                instrument,
                mixing_length_nm=instrument.mixing_length_nm + by * moves[6],
                mixing_range_nm=instrument.mixing_range_nm + by * moves[7],
                mixing_lengths_nm=None if own is None else own + by * moves[6] * np.eye(3)[0],
            ),
        )
        strength = [] if layer.cells == 1 else [layer.diffusion_per_dose]
        relative = [] if layer.relative_mixing is None else layer.relative_mixing
        return np.array([layer.zone_atoms_nm2, *strength, *relative])

    layer = altered_layer(sample, instrument)
    found = LayerSlopes.of(layer, sample, instrument, directions)
    strength = [] if layer.cells == 1 else [found.diffusion_per_dose[0]]
    slopes = np.array([found.zone_atoms_nm2[0], *strength, *found.relative_mixing[:, 0]])
    scale = numbers(0.0)
    agree(slopes / scale, lambda by: numbers(by) / scale, 1.0)


def changing_fractions(rng, *shape):
    """Fractions of species along the first axis, and changes that leave their sum."""
    fractions = rng.dirichlet(np.ones(shape[0]), shape[1:])
    fractions = np.ascontiguousarray(np.moveaxis(fractions, -1, 0))
    moves = rng.normal(size=shape) * fractions
    return fractions, moves - fractions * moves.sum(axis=0)


@pytest.mark.parametrize("preference", [(1.0, 1.0, 1.0), (1.0, 2.0, 0.6)])
@few
@given(st.integers(0, 10_000), st.floats(0.01, 0.5))
def test_a_step_of_a_well_mixed_zone(preference, seed, x):
    rng = np.random.default_rng(seed)
    preference, active = np.array(preference), np.arange(3)
    zone, zone_moves = changing_fractions(rng, 3, 1)
    entering, moves = changing_fractions(rng, 3)
    x_move = 0.3 * rng.normal()

    def step(by):
        after, leaving = zone + by * zone_moves, np.zeros(3)
        mean = well_mixed_step(
            after, entering + by * moves, x + by * x_move, preference, active, leaving
        )
        return np.append(after[:, 0], leaving), mean

    zone_slopes, left_slopes = zone_moves[None].copy(), np.zeros((1, 3))
    uneven = bool(np.ptp(preference))
    given_slopes = zone_slopes, moves[None], np.array([x_move]), left_slopes
    well_mixed_slopes(zone, entering, x, preference, uneven, active, step(0.0)[1], *given_slopes)
    slopes = np.append(zone_slopes[0, :, 0], left_slopes[0])
    agree(slopes, lambda by: step(by)[0])
    assert slopes[3:].sum() == pytest.approx(x_move)


@pytest.mark.parametrize("preference", [(1.0, 1.0, 1.0), (1.0, 2.0, 0.6)])
@few
@given(st.integers(0, 10_000), st.floats(0.1, 2.0))
def test_a_step_of_a_zone_of_several_cells(preference, seed, x):
    """The step before has left what this one starts from: mean preference, dose, what left."""
    rng = np.random.default_rng(seed)
    species, cells = 3, 8
    preference, active = np.array(preference), np.arange(species)
    zone, zone_moves = changing_fractions(rng, species, cells)
    entering, moves = changing_fractions(rng, species)
    atom_dose, relative = rng.uniform(0.5, 2.0, (2, species))
    atom_dose_moves, relative_moves = 0.3 * rng.normal(size=(2, species))
    x_move, per_dose, per_dose_move = 0.3 * rng.normal(), 3.0, rng.normal()
    surface = zone[:, 0] * preference
    mean, dose = surface.sum(), surface @ atom_dose / surface.sum()
    left, steps = x * surface / surface.sum(), np.zeros(species + 4)

    def step(by):
        after, leaving = zone + by * zone_moves, left.copy()
        found = diffusive_step(
            after, entering + by * moves, x + by * x_move, per_dose + by * per_dose_move,
            preference, atom_dose + by * atom_dose_moves, relative + by * relative_moves, active,
            mean, dose, leaving, np.zeros((2, species, cells + 1)), np.zeros((4, cells)), steps,
        )  # fmt: skip
        return after, leaving, *found

    _, leaving, new_mean, _ = step(0.0)
    at_start = steps.copy()
    zone_slopes, left_slopes = zone_moves[None].copy(), np.zeros((1, species))
    mean_slopes, dose_slopes = np.zeros(1), np.zeros(1)
    diffusive_slopes(
        zone, entering, x, per_dose, preference, bool(np.ptp(preference)), atom_dose, relative,
        active, at_start, mean, new_mean, dose, left, leaving, zone_slopes, np.ones(1, bool),
        moves[None], np.array([x_move]), np.array([per_dose_move]), atom_dose_moves[None],
        relative_moves[None], mean_slopes, dose_slopes, left_slopes,
        np.zeros((4, species, cells + 1)), np.zeros((4, cells)),
    )  # fmt: skip

    def numbers(by):
        after, leaving, _, dose = step(by)
        return np.concatenate([after.ravel(), leaving, [dose]])

    slopes = np.concatenate([zone_slopes.ravel(), left_slopes[0], dose_slopes])
    agree(slopes, numbers)
    assert left_slopes.sum() == pytest.approx(x_move, abs=1e-8)


LAYERS = {
    "none": AlteredLayer(),
    "well mixed": AlteredLayer(20.0, np.inf, 1),
    "diffusive": AlteredLayer(20.0, 40.0, 12),
    "by species": AlteredLayer(20.0, 40.0, 12, np.array([1.0, 0.7, 1.4])),
}


@pytest.mark.parametrize("preference", [(1.0, 1.0, 1.0), (1.0, 2.0, 0.6)])
@pytest.mark.parametrize("kind", LAYERS)
@settings(few, max_examples=3)
@given(seed=st.integers(0, 10_000))
def test_what_leaves_the_layer(kind, preference, seed):
    rng, layer, preference = np.random.default_rng(seed), LAYERS[kind], np.array(preference)
    atoms = rng.dirichlet(np.ones(3), 12) * rng.uniform(2.0, 6.0, 12)[:, None]
    dose = rng.uniform(0.5, 1.5, 3)
    moves, dose_moves = atoms * rng.normal(size=atoms.shape), 0.3 * rng.normal(size=3)
    zone_move, strength_move = rng.normal(size=2)
    of_species = layer.relative_mixing is not None
    relative_moves = 0.3 * rng.normal(size=3 if of_species else 0)

    def leaving(by):
        there = replace(
            layer,
            zone_atoms_nm2=layer.zone_atoms_nm2 + by * zone_move,
            diffusion_per_dose=layer.diffusion_per_dose + by * strength_move,
            relative_mixing=layer.relative_mixing + by * relative_moves if of_species else None,
        )
        return leaving_atoms(atoms + by * moves, there, preference, dose + by * dose_moves)[0]

    of_layer = LayerSlopes(
        np.array([zone_move]), np.array([strength_move]), relative_moves[:, None]
    )
    found = leaving_slopes(
        atoms, moves[..., None], layer, of_layer, preference, dose, dose_moves[:, None]
    )
    assert found.removed == pytest.approx(leaving(0.0), rel=1e-12, abs=1e-12)
    agree(found.removed_slopes[..., 0], leaving)
    assert found.removed_slopes.sum(axis=1) == pytest.approx(moves.sum(axis=1)[:, None], abs=1e-8)
