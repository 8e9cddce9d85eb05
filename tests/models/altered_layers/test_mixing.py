"""The altered layer: nothing is lost, nothing is negative, and the scheme converges."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.special import erfc, erfcx

from craterfront.models.altered_layers.confined_mixing import confined_decay_length, confined_peclet
from craterfront.models.altered_layers.mixing import AlteredLayer, leaving_atoms, relative_mixing

CELLS = 24
ZONE_NM2 = 8.0

RATIOS = st.floats(-6, 6).map(lambda exponent: 10.0**exponent)


def layer_of(cells, strength=0.4):
    """A zone of ZONE_NM2 atoms/nm2; strength: mixing in units of the zone for unit dose."""
    return AlteredLayer(ZONE_NM2, math.inf if cells == 1 else strength * ZONE_NM2, cells)


@st.composite
def samples(draw):
    """Slices of random size and composition, three species, some pure and some absent."""
    slices = draw(st.integers(2, 25))
    size = draw(st.lists(st.floats(0.01, 12), min_size=slices, max_size=slices))
    kind = st.sampled_from([(1, 0, 0), (0, 1, 0), (0, 0, 1), (0.5, 0.3, 0.2), (0.001, 0.999, 0)])
    rows = draw(st.lists(kind, min_size=slices, max_size=slices))
    return np.array(size)[:, None] * np.array(rows, dtype=float)


def budget(atoms, zone_nm2):
    """Atoms of each species down to one zone below the last slice, whose composition goes on."""
    return atoms.sum(axis=0) + zone_nm2 * atoms[-1] / atoms[-1].sum()


@pytest.mark.parametrize("cells", [1, 2, CELLS])
@settings(max_examples=40)
@given(atoms=samples(), first=RATIOS, second=RATIOS, dose_ratio=st.floats(0.05, 20))
def test_positive_and_conserved_for_every_preference(cells, atoms, first, second, dose_ratio):
    layer = layer_of(cells)
    preference = np.array([1.0, first, second])
    dose = np.array([1.0, dose_ratio, 1.0])
    removed, states = leaving_atoms(atoms, layer, preference, dose, keep_states=True)
    assert removed.min() >= 0.0
    assert states.min() >= 0.0
    # slice by slice as many atoms leave as the slice holds
    assert removed.sum(axis=1) == pytest.approx(atoms.sum(axis=1), rel=1e-9)
    # species by species: what was there has left or is in the zone
    in_zone = states[-1].sum(axis=1) * ZONE_NM2 / cells
    total = budget(atoms, ZONE_NM2)
    assert removed.sum(axis=0) + in_zone == pytest.approx(total, abs=1e-9 * total.sum())


@pytest.mark.parametrize("cells", [1, CELLS])
@settings(max_examples=30)
@given(atoms=samples(), strength=st.floats(0.02, 50))
def test_the_zone_always_holds_its_number_of_atoms(cells, atoms, strength):
    layer = layer_of(cells, strength)
    preference = np.array([1.0, 3.0, 0.2])
    _, states = leaving_atoms(atoms, layer, preference, np.ones(3), keep_states=True)
    assert states.sum(axis=1) == pytest.approx(np.ones((atoms.shape[0] + 1, cells)), abs=1e-9)


@pytest.mark.parametrize("cells", [1, CELLS])
def test_a_pure_marker_leaves_completely(cells):
    # A buried monolayer of pure marker, and a matrix to wash it out: 60 zones are exp(-60).
    atoms = np.zeros((700, 2))
    atoms[:, 0] = 1.0
    atoms[100] = [0.0, 1.0]
    removed, _ = leaving_atoms(atoms, layer_of(cells), np.ones(2), np.ones(2))
    assert removed[:, 1].sum() == pytest.approx(1.0, rel=1e-9)
    assert removed[: int(100 - ZONE_NM2 - 1), 1].max() == 0.0


@pytest.mark.parametrize("cells", [1, CELLS])
@settings(max_examples=30)
@given(ratio=RATIOS, share=st.floats(0.05, 0.95), dose_ratio=st.floats(0.2, 5))
def test_the_steady_flux_has_the_composition_of_the_bulk(cells, ratio, share, dose_ratio):
    # Conservation of each element in a steady state; P. S. Ho, Surf. Sci. 72 (1978) 253.
    atoms = np.tile(0.5 * ZONE_NM2 * np.array([share, 1.0 - share]), (400, 1))
    preference, dose = np.array([ratio, 1.0]), np.array([1.0, dose_ratio])
    removed, _ = leaving_atoms(atoms, layer_of(cells), preference, dose)
    assert removed[-1] == pytest.approx(atoms[-1], abs=1e-6 * atoms[-1].sum())


@pytest.mark.parametrize("cells", [1, CELLS])
def test_a_uniform_sample_stays_uniform_without_preferences(cells):
    atoms = np.tile([0.3, 0.7], (50, 1))
    removed, _ = leaving_atoms(atoms, layer_of(cells), np.ones(2), np.array([1.0, 4.0]))
    assert removed == pytest.approx(atoms, rel=1e-12)


def test_no_mixing_changes_nothing():
    atoms = np.array([[1.0, 0.0], [0.2, 0.8], [0.0, 2.0]])
    removed, _ = leaving_atoms(atoms, AlteredLayer(), np.array([1.0, 9.0]), np.ones(2))
    assert np.array_equal(removed, atoms)


@pytest.mark.parametrize("cells", [1, CELLS])
def test_the_common_factor_of_preferences_does_not_matter(cells):
    atoms = np.tile([2.0, 1.0], (40, 1))
    atoms[10:20] = [0.0, 3.0]
    once, _ = leaving_atoms(atoms, layer_of(cells), np.array([1.0, 4.0]), np.ones(2))
    again, _ = leaving_atoms(atoms, layer_of(cells), np.array([3.0, 12.0]), np.ones(2))
    assert again == pytest.approx(once, rel=1e-9)


# --- order of convergence -------------------------------------------------------------------------


def step_response(depth_nm, diffusivity_nm, removed_nm):
    """Surface fraction of what lies below a depth, uniform mixing in the whole half-space.

    Derived: dC/dt = D C'' + v C' with zero gradient at the surface, v = 1 (duality with the first
    passage of a diffusing particle; inverse Gaussian distribution). erfcx avoids the overflow.
    """
    root = 2.0 * np.sqrt(diffusivity_nm * removed_nm)
    a, b = (depth_nm - removed_nm) / root, (depth_nm + removed_nm) / root
    return 0.5 * erfc(a) + 0.5 * np.exp(-a * a) * erfcx(b)


def solved_step(depth_nm, diffusivity_nm, cell_nm, range_nm, end_nm):
    """Fraction leaving with slices of one cell, one atom per nm3, and the middles of the slices."""
    cells = round(range_nm / cell_nm)
    slices = round(end_nm / cell_nm)
    below = np.arange(slices) >= round(depth_nm / cell_nm)
    atoms = cell_nm * np.column_stack([~below, below]).astype(float)
    layer = AlteredLayer(range_nm, diffusivity_nm, cells)
    removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.ones(2))
    return (np.arange(slices) + 0.5) * cell_nm, removed[:, 1] / cell_nm


def test_order_against_the_closed_form_for_constant_diffusivity():
    # D = 0.5 nm, feature at 5 nm. A first-order scheme (plain upwind) would err by 0.0046, 0.0024
    # and 0.0012 (derived: it adds half a cell to D). Measured: 4.5e-4, 1.1e-4 and 2.8e-5, order
    # 1.99.
    errors = []
    for cell_nm in (0.1, 0.05, 0.025):
        z, leaving = solved_step(5.0, 0.5, cell_nm, range_nm=15.0, end_nm=10.0)
        errors.append(np.max(np.abs(leaving - step_response(5.0, 0.5, z))))
    assert errors[0] < 5e-4
    assert errors[2] < 3.5e-5
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert orders.min() > 1.9


def surface_after(zero_gradient, depth_nm, diffusivity_nm, removed_nm, cell_nm=0.1, range_nm=15.0):
    """Flux through the surface with one boundary condition or the other: plain finite volumes.

    Central fluxes and short explicit steps, written out here as a yardstick for the yardstick.
    """
    middle = (np.arange(round(range_nm / cell_nm)) + 0.5) * cell_nm
    c = (middle > depth_nm).astype(float)
    step = 0.2 * cell_nm**2 / diffusivity_nm
    for _ in range(round(removed_nm / step)):
        ahead = np.append(c, 1.0)
        flux = 0.5 * (ahead[1:] + ahead[:-1]) + diffusivity_nm * np.diff(ahead) / cell_nm
        surface = c[0] if zero_gradient else diffusivity_nm * c[0] / (0.5 * cell_nm)
        c = c + step / cell_nm * np.diff(np.append(surface, flux))
    return surface


def test_a_perfect_sink_at_the_surface_is_the_wrong_boundary_condition():
    # Negative control: loss by sputtering takes what is at the surface, D dC/dx = 0 there. With
    # C = 0 instead, the same check fails by far more than its tolerance.
    expected = step_response(5.0, 0.5, np.array([4.0, 5.0, 7.0]))
    right = [surface_after(True, 5.0, 0.5, z) for z in (4.0, 5.0, 7.0)]
    wrong = [surface_after(False, 5.0, 0.5, z) for z in (4.0, 5.0, 7.0)]
    assert right == pytest.approx(expected, abs=4e-3)
    assert np.abs(np.array(wrong) - expected).min() > 0.04
    z, leaving = solved_step(5.0, 0.5, 0.1, range_nm=15.0, end_nm=10.0)
    assert np.interp([4.0, 5.0, 7.0], z, leaving) == pytest.approx(expected, abs=1e-3)


def refined(preference, dose, cells):
    """Leaving atoms around a buried layer, summed over slices that do not depend on the cells."""
    parts = cells // 16
    atoms = np.zeros((160, 2))
    atoms[:, 0] = 0.5
    atoms[50:70] = [0.0, 0.5]
    atoms = np.repeat(atoms, parts, axis=0) / parts
    removed, _ = leaving_atoms(atoms, layer_of(cells), preference, dose)
    return removed[:, 1].reshape(-1, parts).sum(axis=1)


@pytest.mark.parametrize(
    ("preference", "dose", "order"),
    [
        ((1.0, 1.0), (1.0, 1.0), 1.9),
        ((1.0, 1.0), (1.0, 3.0), 1.9),
        ((1.0, 5.0), (1.0, 3.0), 1.2),
    ],
    ids=["constant", "rates", "preferences"],
)
def test_order_when_the_mixing_varies_with_the_surface(preference, dose, order):
    # Without a closed form: successive differences when cells and slices are halved. Strength and
    # preferences that follow the surface must not cost the order of constant mixing; but with
    # preferences the first atoms leave from a boundary layer thinner than any cell.
    runs = [refined(np.array(preference), np.array(dose), cells) for cells in (64, 128, 256)]
    coarse, fine = (np.max(np.abs(a - b)) for a, b in itertools.pairwise(runs))
    assert math.log2(coarse / fine) > order


# --- mixing that depends on the material ----------------------------------------------------------

STRENGTHS = [
    ((0.4, 1.2), (1.0, 1.0)),
    ((1.2, 0.3), (1.0, 1.0)),
    ((0.4, 1.2), (1.0, 0.5)),
    ((0.3, 1.5), (1.0, 3.0)),
]
"""Mixing per ion of an upper and a lower material, and the dose that their atoms cost."""


@settings(max_examples=40)
@given(
    atoms=samples(),
    relative=st.tuples(st.just(1.0), st.floats(0.02, 50), st.floats(0.02, 50)),
    ratio=st.floats(0.1, 10),
    dose_ratio=st.floats(0.05, 20),
)
def test_positive_and_conserved_for_every_mixing(atoms, relative, ratio, dose_ratio):
    layer = replace(layer_of(CELLS), relative_mixing=np.array(relative))
    preference, dose = np.array([1.0, ratio, 1.0]), np.array([1.0, dose_ratio, 1.0])
    removed, states = leaving_atoms(atoms, layer, preference, dose, keep_states=True)
    assert removed.min() >= 0.0
    assert states.min() >= 0.0
    assert removed.sum(axis=1) == pytest.approx(atoms.sum(axis=1), rel=1e-12)
    in_zone = states[-1].sum(axis=1) * ZONE_NM2 / CELLS
    total = budget(atoms, ZONE_NM2)
    assert removed.sum(axis=0) + in_zone == pytest.approx(total, abs=1e-12 * total.sum())


@pytest.mark.parametrize("common", [0.2, 1.0, 5.0])
@pytest.mark.parametrize("dose", [(1.0, 1.0, 1.0), (1.0, 3.0, 0.4)])
def test_a_common_strength_is_the_constant_case(common, dose):
    atoms = np.zeros((60, 3))
    atoms[:20, 0] = atoms[20:25, 1] = atoms[25:, 2] = 0.7
    alike = AlteredLayer(ZONE_NM2, 0.4 * ZONE_NM2, CELLS, np.full(3, common))
    plain = AlteredLayer(ZONE_NM2, 0.4 * common * ZONE_NM2, CELLS)
    found, expected = (
        leaving_atoms(atoms, layer, np.ones(3), np.array(dose))[0] for layer in (alike, plain)
    )
    assert found == pytest.approx(expected, abs=1e-10)


def lines(below, strength, dose, cells, zone=2.0, end=12.0):
    """Removed atoms of the lower material against all that are removed, by the method of lines.

    A second way to compute it: central fluxes, the surface extrapolated from two cells, a stiff
    solver; strength per ion weighted with the atoms in the zone, doses with those that leave.
    """
    size = zone / cells

    def rate(_, c):
        c = c[:-1]
        surface = 1.5 * c[0] - 0.5 * c[1]
        per_ion = strength[0] + (strength[1] - strength[0]) * c.mean()
        mixing = per_ion * (dose[0] + (dose[1] - dose[0]) * surface)
        inner = 0.5 * (c[1:] + c[:-1]) + mixing * np.diff(c) / size
        return np.append(np.diff(np.concatenate([[surface], inner, [1.0]])) / size, surface)

    start = below - zone
    found = solve_ivp(
        rate,
        (start, end),
        np.zeros(cells + 1),
        method="LSODA",
        rtol=1e-8,
        atol=1e-10,
        dense_output=True,
    )
    return lambda n: np.where(n <= start, 0.0, found.sol(np.maximum(n, start))[-1])


@pytest.mark.parametrize(("strength", "dose"), STRENGTHS)
def test_a_step_between_materials_is_that_of_the_equations(strength, dose):
    # Measured: 1.0e-3 to 1.1e-3 atoms/nm2 with 16 cells and order 1.995 to 2.000.
    coarse, fine = (lines(4.0, strength, dose, cells) for cells in (100, 200))
    errors = []
    for cells in (16, 32):
        edges = np.linspace(0.0, 12.0, 24 * cells + 1)
        below = edges[:-1] >= 4.0 - 1e-9
        atoms = edges[1] * np.column_stack([~below, below]).astype(float)
        layer = AlteredLayer(2.0, strength[0], cells, np.array(strength) / strength[0])
        removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.array(dose))
        reached = edges[4::4]
        exact = (4.0 * fine(reached) - coarse(reached)) / 3.0
        errors.append(np.abs(np.cumsum(removed[:, 1])[3::4] - exact).max())
    assert errors[0] < 1.2e-3
    assert math.log2(errors[0] / errors[1]) > 1.9


@pytest.mark.parametrize(("upper", "lower"), [(1.0, 1.9), (1.9, 1.0)])
@pytest.mark.parametrize("density", [(80.0, 80.0), (60.0, 90.0)])
def test_each_side_of_an_interface_trails_with_its_own_length(upper, lower, density):
    """Derived: the tail of the upper material lies in the lower one alone, and a zone of one
    material is a case of `confined_mixing` with the length that was asked for."""
    dose, n = np.array([1.0, 2.5]), np.array(density)
    range_nm, step_nm = 3.0, 0.02
    relative = relative_mixing(np.array([upper, lower]), range_nm, n, dose, 0)
    layer = AlteredLayer.diffusive(upper, range_nm, n[0], dose, 1.0, relative)
    for material, length_nm in enumerate((upper, lower)):
        own = layer.decay_nm(n[material], dose[material], relative[material])
        assert own == pytest.approx(length_nm, rel=1e-6)
    below = np.arange(1500) >= 200
    atoms = step_nm * n * np.column_stack([~below, below])
    removed, _ = leaving_atoms(atoms, layer, np.ones(2), dose)
    depth_nm = range_nm * n[0] / n[1]
    # The strength nears that of the lower material with the share of the upper one.
    start = 200 + round(4 * depth_nm / step_nm)
    stop = start + round(depth_nm / step_nm)
    slope = np.log(removed[stop, 0] / removed[start, 0]) / ((stop - start) * step_nm)
    assert -1.0 / slope == pytest.approx(lower, rel=0.01)


def test_a_material_without_a_length_mixes_per_ion_as_the_first():
    dose = np.array([1.0, 2.0, 0.5])
    lengths = np.array([1.0, math.nan, 1.4])
    relative = relative_mixing(lengths, 2.0, np.full(3, 80.0), dose, 0)
    assert relative[:2] == pytest.approx([1.0, 1.0], rel=1e-12)
    # Derived: strength per ion goes as 1 / (p dose).
    expected = confined_peclet(0.5) / (confined_peclet(0.7) * 0.5)
    assert relative[2] == pytest.approx(expected, rel=1e-12)


# --- decay length ---------------------------------------------------------------------------------


@given(st.floats(1e-4, 0.9999))
def test_the_peclet_number_is_the_inverse_of_the_decay_length(relative):
    assert confined_decay_length(confined_peclet(relative)) == pytest.approx(relative, rel=1e-9)


@given(st.floats(-6, 6), st.floats(0.01, 1))
def test_weaker_mixing_decays_faster(exponent, factor):
    peclet = 10.0**exponent
    assert confined_decay_length(peclet * (1 + factor)) < confined_decay_length(peclet)


@settings(max_examples=15)
@given(relative=st.floats(0.35, 0.96), density=st.floats(20, 120), dose=st.floats(1e-4, 1))
def test_a_buried_monolayer_trails_with_the_length_that_was_asked_for(relative, density, dose):
    range_nm, step_nm = 3.0, 0.02
    length_nm = relative * range_nm
    layer = AlteredLayer.diffusive(length_nm, range_nm, density, np.array([dose]))
    assert layer.decay_nm(density, dose) == pytest.approx(length_nm, rel=1e-6)
    atoms = np.zeros((1200, 2))
    atoms[:, 0] = density * step_nm
    atoms[200] = [0.0, density * step_nm]
    removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.full(2, dose))
    # Three ranges after the zone has reached it, faster modes are gone.
    start = 200 + round(2 * range_nm / step_nm)
    stop = start + round(range_nm / step_nm)
    slope = np.log(removed[stop, 1] / removed[start, 1]) / ((stop - start) * step_nm)
    assert -1.0 / slope == pytest.approx(length_nm, rel=0.01)


def test_the_decay_length_of_a_uniform_zone_is_the_zone():
    layer = AlteredLayer.uniform(2.0, 80.0)
    assert layer.decay_nm(80.0, 1.0) == pytest.approx(2.0)
    assert layer.decay_nm(40.0, 1.0) == pytest.approx(4.0)  # it holds atoms, not nm


@pytest.mark.parametrize(("length", "reach"), [(3.0, 3.0), (2.92, 3.0), (0.0, 3.0)])
def test_a_mixing_length_that_does_not_fit_the_range_is_named(length, reach):
    with pytest.raises(ValueError, match=rf"length_nm = {length:g} .*range_nm = {reach:g}"):
        AlteredLayer.diffusive(length, reach, 80.0, np.ones(1))


@pytest.mark.parametrize("peclet", [0.0, -1.0, math.inf, math.nan])
def test_an_impossible_peclet_number_is_named(peclet):
    with pytest.raises(ValueError, match=f"peclet must be a finite number > 0, got {peclet}"):
        confined_decay_length(peclet)


@pytest.mark.parametrize("relative", [0.0, 1.0, 1.5, -0.1])
def test_an_impossible_decay_length_is_named(relative):
    with pytest.raises(ValueError, match=f"got {relative}"):
        confined_peclet(relative)
