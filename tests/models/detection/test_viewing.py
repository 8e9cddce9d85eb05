"""What is seen below the surface: attenuated, positive, and with the right limits."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from craterfront.models.altered_layers.mixing import AlteredLayer, leaving_atoms
from craterfront.models.detection.viewing import seen_fractions

DENSITY = 80.0


def unmixed(atoms, volume, escape_nm):
    states = np.zeros((atoms.shape[0] + 1, atoms.shape[1], 0))
    return seen_fractions(atoms, states, 0.0, volume, escape_nm)


@st.composite
def samples(draw):
    """Atoms of two species in slices, volumes, an altered layer and an escape depth."""
    slices = draw(st.integers(2, 30))
    thickness = np.array(draw(st.lists(st.floats(0.01, 3), min_size=slices, max_size=slices)))
    share = np.array(draw(st.lists(st.sampled_from([0, 0.3, 1]), min_size=slices, max_size=slices)))
    atoms = DENSITY * thickness[:, None] * np.column_stack([share, 1.0 - share])
    volume = np.array([1.0, draw(st.floats(0.4, 2.5))]) / DENSITY
    layer = draw(
        st.sampled_from(
            [
                AlteredLayer(),
                AlteredLayer.uniform(1.5, DENSITY),
                AlteredLayer.diffusive(1.0, 2.0, DENSITY, np.ones(2)),
            ]
        )
    )
    return atoms, volume, layer, draw(st.floats(0.05, 10))


@settings(max_examples=40)
@given(samples())
def test_what_is_seen_are_shares(case):
    atoms, volume, layer, escape_nm = case
    _, states = leaving_atoms(atoms, layer, np.ones(2), np.ones(2), keep_states=True)
    seen = seen_fractions(atoms, states, layer.zone_atoms_nm2, volume, escape_nm)
    assert seen.min() >= 0.0
    assert seen.sum(axis=1) == pytest.approx(np.ones(atoms.shape[0] + 1), rel=1e-12)


@settings(max_examples=60)
@given(samples(), st.floats(0.0, 1.0))
def test_a_uniform_sample_looks_as_it_is(case, share):
    atoms, volume, layer, escape_nm = case
    atoms = atoms.sum(axis=1)[:, None] * np.array([share, 1.0 - share])
    _, states = leaving_atoms(atoms, layer, np.ones(2), np.ones(2), keep_states=True)
    seen = seen_fractions(atoms, states, layer.zone_atoms_nm2, volume, escape_nm)
    assert seen == pytest.approx(np.tile([share, 1.0 - share], (atoms.shape[0] + 1, 1)), abs=1e-9)


@pytest.mark.parametrize("escape_nm", [0.4, 1.0, 5.0])
def test_a_buried_step_shines_through(escape_nm):
    # Derived: equal densities, step at 10 nm: exp(-(10 - z)/L) of what is seen comes from below.
    step_nm = 0.01
    below = (np.arange(1400) + 0.5) * step_nm > 10.0
    atoms = DENSITY * step_nm * np.column_stack([~below, below])
    z = np.arange(1401) * step_nm
    seen = unmixed(atoms, np.full(2, 1 / DENSITY), escape_nm)[:, 1]
    assert seen == pytest.approx(np.exp(-np.maximum(10.0 - z, 0.0) / escape_nm), abs=2e-4)


@pytest.mark.parametrize("size_nm", [0.05, 0.2, 0.4])
def test_thick_slices_show_as_much_of_a_buried_layer_as_thin_ones(size_nm):
    # Derived: over all depths a layer of 0.4 nm of equal density is seen with the integral
    # 0.4 nm times 1, less what the cut at the surface hides: nothing at 30 escape depths.
    count = round(40.0 / size_nm)
    marker = np.zeros(count)
    marker[round(30.0 / size_nm) : round(30.4 / size_nm)] = 1.0
    atoms = DENSITY * size_nm * np.column_stack([1.0 - marker, marker])
    seen = unmixed(atoms, np.full(2, 1 / DENSITY), 1.0)[:, 1]
    assert seen.sum() * size_nm == pytest.approx(0.4, rel=1e-3)


def test_atoms_are_seen_through_their_own_thickness():
    # Derived: a layer of 2 nm over a substrate; large atoms of the layer hide more: the share of
    # layer atoms at the start is n1 (1 - e)/(n1 (1 - e) + n2 e), e = exp(-2/L).
    step_nm, escape_nm = 0.01, 1.5
    atoms = np.zeros((600, 2))
    atoms[:200, 0] = 40.0 * step_nm
    atoms[200:, 1] = 100.0 * step_nm
    hidden = math.exp(-2.0 / escape_nm)
    expected = 40.0 * (1 - hidden) / (40.0 * (1 - hidden) + 100.0 * hidden)
    first = unmixed(atoms, np.array([1 / 40.0, 1 / 100.0]), escape_nm)[0, 0]
    assert first == pytest.approx(expected, rel=1e-12)


def test_the_last_slice_goes_on_for_ever():
    atoms = DENSITY * np.array([[1.0, 0.0], [0.0, 0.1]])
    shallow = unmixed(atoms, np.full(2, 1 / DENSITY), 2.0)
    atoms[1] *= 1000.0
    deep = unmixed(atoms, np.full(2, 1 / DENSITY), 2.0)
    assert shallow[0] == pytest.approx(deep[0], rel=1e-12)


def buried(layer, dose, step_nm=0.02):
    z = (np.arange(900) + 0.5) * step_nm
    inside = (z > 6.0) & (z < 9.0)
    atoms = DENSITY * step_nm * np.column_stack([~inside, inside])
    removed, states = leaving_atoms(atoms, layer, np.ones(2), np.asarray(dose), keep_states=True)
    return atoms, removed / removed.sum(axis=1)[:, None], states


@pytest.mark.parametrize("dose", [(1.0, 1.0), (1.0, 3.0)], ids=["equal rates", "rates"])
@pytest.mark.parametrize("kind", ["uniform", "diffusive"])
def test_the_outermost_atoms_are_those_that_leave(kind, dose):
    # Without preferences the altered layer shows at its very surface what is leaving from it; with
    # 32 cells and slices of 0.02 nm both can agree to a few 1e-4 here.
    layer = (
        AlteredLayer.uniform(2.0, DENSITY)
        if kind == "uniform"
        else AlteredLayer.diffusive(1.6, 3.0, DENSITY, np.asarray(dose))
    )
    atoms, leaving, states = buried(layer, dose)
    edges = seen_fractions(atoms, states, layer.zone_atoms_nm2, np.full(2, 1 / DENSITY), 1e-3)
    seen = 0.5 * (edges[1:] + edges[:-1])
    assert seen == pytest.approx(leaving, abs=1e-3)


def test_a_mixed_zone_hides_what_is_below_it():
    # Derived: escape depth far shorter than the zone sees the zone alone; far longer, the sample.
    layer = AlteredLayer.uniform(2.0, DENSITY)
    atoms, _, states = buried(layer, (1.0, 1.0))
    volume = np.full(2, 1 / DENSITY)
    short = seen_fractions(atoms, states, layer.zone_atoms_nm2, volume, 0.05)
    assert short == pytest.approx(states[:, :, 0], abs=1e-9)
    long = seen_fractions(atoms, states, layer.zone_atoms_nm2, volume, 50.0)
    plain = unmixed(atoms, volume, 50.0)
    assert np.max(np.abs(long[:200] - plain[:200])) < 2e-3
