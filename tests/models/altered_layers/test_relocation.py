"""Ballistic relocation: against an independent solution, and in the limits of the other models."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm
from scipy.special import erf
from studies.relocation_table import HEAD, rows

from craterfront.models.altered_layers.confined_mixing import confined_decay_length
from craterfront.models.altered_layers.mixing import AlteredLayer, leaving_atoms
from craterfront.models.altered_layers.relocation import (
    LAWS,
    LEAST_RELOCATIONS,
    Relocation,
    cosines,
    mode_losses,
    relocated_decay_length,
    relocations_for,
    shortest_decay_length,
)

PER_ZONE = 400  # slices


def layer_of(law, displacement, relocations, cells=48, zone=1.0):
    """A zone in which an atom is relocated so often while a zone's worth of atoms leaves."""
    return AlteredLayer(
        zone, 0.0, cells, relocation=Relocation(law, displacement, relocations / zone)
    )


def matrix_of(law, displacement, cells):
    """Where one relocation takes the atoms of each cell."""
    modes = cosines(cells)
    return (modes.T * (1.0 - mode_losses(law, displacement, cells))) @ modes


def leaving_share(profile, layer, zones, dose=(1.0, 1.0)):
    """Share of the second species in what leaves of a sample with this profile (in zones)."""
    middle = (np.arange(zones * PER_ZONE) + 0.5) / PER_ZONE
    share = profile(middle)
    atoms = np.column_stack([1.0 - share, share]) / PER_ZONE
    removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.array(dose))
    return removed[:, 1] * PER_ZONE


# --- one relocation -------------------------------------------------------------------------------


@pytest.mark.parametrize("law", LAWS)
@settings(max_examples=30)
@given(displacement=st.floats(1e-3, 30.0), cells=st.integers(2, 60))
def test_a_relocation_keeps_atoms_in_positive_numbers(law, displacement, cells):
    matrix = matrix_of(law, displacement, cells)
    assert matrix.min() > -1e-14
    assert matrix.sum(axis=1) == pytest.approx(np.ones(cells), abs=1e-12)
    assert matrix == pytest.approx(matrix.T, abs=1e-13)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("displacement", [0.001, 0.03])
def test_the_variance_of_a_displacement_does_not_depend_on_the_cells(law, displacement):
    cells = 201
    row = matrix_of(law, displacement, cells)[100]
    variance = row @ (np.arange(cells) - 100.0) ** 2 / cells**2
    assert math.sqrt(variance) == pytest.approx(displacement, rel=1e-6)


def test_the_laws_are_the_resolvent_and_the_semigroup_of_a_diffusion():
    cells, displacement = 20, 0.2
    second = np.diag(np.full(cells - 1, 1.0), 1) + np.diag(np.full(cells - 1, 1.0), -1)
    second -= np.diag(second.sum(axis=1))
    spread = 0.5 * (displacement * cells) ** 2 * second
    exponential = np.linalg.inv(np.eye(cells) - spread)
    assert matrix_of("exponential", displacement, cells) == pytest.approx(exponential, abs=1e-13)
    assert matrix_of("gaussian", displacement, cells) == pytest.approx(expm(spread), abs=1e-13)


@pytest.mark.parametrize(
    ("law", "density"),
    [
        ("exponential", lambda x: math.sqrt(0.5) * np.exp(-math.sqrt(2.0) * np.abs(x))),
        ("gaussian", lambda x: np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)),
    ],
)
def test_the_laws_on_fine_cells(law, density):
    cells, displacement = 800, 0.06
    row = matrix_of(law, displacement, cells)[400] * displacement * cells
    x = (np.arange(cells) - 400.0) / (displacement * cells)
    assert row == pytest.approx(density(x), abs=1e-3)


def test_an_unknown_law():
    with pytest.raises(ValueError, match="exponential, gaussian, got 'uniform'"):
        mode_losses("uniform", 0.1, 10)


# --- marching -------------------------------------------------------------------------------------


@st.composite
def samples(draw):
    slices = draw(st.integers(2, 25))
    size = draw(st.lists(st.floats(0.001, 3.0), min_size=slices, max_size=slices))
    kind = st.sampled_from([(1, 0, 0), (0, 1, 0), (0, 0, 1), (0.5, 0.3, 0.2)])
    rows = draw(st.lists(kind, min_size=slices, max_size=slices))
    return np.array(size)[:, None] * np.array(rows, dtype=float)


@pytest.mark.parametrize("law", LAWS)
@settings(max_examples=30)
@given(
    atoms=samples(),
    displacement=st.floats(0.01, 5.0),
    relocations=st.floats(0.0, 300.0),
    dose_ratio=st.floats(0.05, 20.0),
)
def test_positive_and_conserved(law, atoms, displacement, relocations, dose_ratio):
    layer = layer_of(law, displacement, relocations, cells=16)
    dose = np.array([1.0, dose_ratio, 0.5])
    removed, states = leaving_atoms(atoms, layer, np.ones(3), dose, keep_states=True)
    assert removed.min() >= 0.0
    assert states.min() >= 0.0
    assert removed.sum(axis=1) == pytest.approx(atoms.sum(axis=1), rel=1e-12)
    assert states.sum(axis=1) == pytest.approx(np.ones((len(atoms) + 1, 16)), abs=1e-12)
    assert states[0, :, 0].sum() == pytest.approx(1.0)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("dose", [(1.0, 1.0), (1.0, 4.0)])
def test_what_does_not_leave_is_in_the_zone(law, dose):
    """At the end of a whole number of cells, to 1e-12 of all atoms."""
    atoms = np.zeros((60, 2))
    atoms[:, 0] = 0.05
    atoms[20:40] = [0.02, 0.03]
    layer = layer_of(law, 0.3, 5.0, cells=20)
    removed, states = leaving_atoms(atoms, layer, np.ones(2), np.array(dose), keep_states=True)
    in_zone = states[-1].sum(axis=1) / 20
    total = atoms.sum(axis=0) + np.array([1.0, 0.0])
    assert removed.sum(axis=0) + in_zone == pytest.approx(total, abs=1e-12)


@pytest.mark.parametrize("law", LAWS)
def test_a_uniform_sample_stays_uniform(law):
    atoms = np.tile([0.3, 0.7], (50, 1)) * np.linspace(0.1, 0.4, 50)[:, None]
    removed, _ = leaving_atoms(atoms, layer_of(law, 0.3, 5.0), np.ones(2), np.array([1.0, 4.0]))
    assert removed == pytest.approx(atoms, rel=1e-12)


def test_thick_layers_cost_nothing():
    """A micrometre and a millimetre of the same: the rest of the profile is the same."""
    layer = layer_of("gaussian", 0.3, 5.0)
    tails = []
    for thickness in (250.0, 250_000.0):
        atoms = np.zeros((602, 2))
        atoms[0, 0] = thickness
        atoms[1:401, 0] = atoms[401:, 1] = 0.01
        removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.ones(2))
        tails.append(removed[1:, 1])
    assert tails[0] == pytest.approx(tails[1], abs=1e-10)
    assert tails[0].max() > 0.005


def test_preferences_are_refused():
    with pytest.raises(ValueError, match="preference: must be equal for all species"):
        leaving_atoms(np.ones((3, 2)), layer_of("gaussian", 0.3, 5.0), np.arange(1, 3), np.ones(2))


# --- an independent solution ----------------------------------------------------------------------


def chebyshev(count):
    """Nodes from 1 down to 0, differentiation matrix and weights of the integral over them.

    L. N. Trefethen, Spectral Methods in MATLAB (2000), programs cheb and clencurt (from memory).
    """
    n = count - 1
    angle = np.pi * np.arange(count) / n
    x = np.cos(angle)
    c = np.where((np.arange(count) % n) == 0, 2.0, 1.0) * (-1.0) ** np.arange(count)
    d = np.outer(c, 1.0 / c) / (x[:, None] - x + np.eye(count))
    d -= np.diag(d.sum(axis=1))
    weights = np.linalg.solve(
        np.array([np.cos(k * angle) for k in range(count)]),
        [0.0 if k % 2 else 2.0 / (1.0 - k * k) for k in range(count)],
    )
    return 0.5 * (x + 1.0), 2.0 * d, 0.5 * weights


def reference(law, displacement, relocations, profile, until, dose_ratio=1.0, count=64):
    """Share of the second species at the surface by collocation of the integral equation.

    The Gaussian as a sum over images, the exponential law as the solution w of w - L^2 w'' = c with
    w' = 0 at both faces.
    """
    x, d, weights = chebyshev(count)
    if law == "gaussian":
        images = [s * x + 2.0 * m for m in range(-3, 4) for s in (-1.0, 1.0)]
        apart = np.array([x[:, None] - image[None, :] for image in images]) / displacement
        density = np.exp(-0.5 * apart**2) / (math.sqrt(2.0 * math.pi) * displacement)
        thrown = density.sum(axis=0) * weights
    else:
        system = np.eye(count) - 0.5 * displacement**2 * d @ d
        system[[0, -1]] = d[[0, -1]]
        source = np.eye(count)
        source[[0, -1]] = 0.0
        thrown = np.linalg.solve(system, source)

    def change(n, c):
        c[0] = profile(1.0 + n)  # what enters
        often = relocations * (1.0 + (dose_ratio - 1.0) * c[-1])
        slope = d @ c + often * (thrown @ c - c)
        slope[0] = 0.0
        return slope

    found = solve_ivp(
        change,
        (0.0, until),
        profile(x),
        method="LSODA",
        rtol=1e-9,
        atol=1e-11,
        dense_output=True,
    )
    return lambda n: found.sol(n)[-1]


def step(x):
    return 0.5 * (1.0 + erf((x - 1.5) / 0.25))


def marker(x):
    return np.exp(-((x - 1.5) ** 2) / 0.06)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(
    ("profile", "displacement", "relocations", "dose_ratio"),
    [(step, 0.3, 4.0, 3.0), (marker, 0.3, 4.0, 1.0), (marker, 0.15, 20.0, 1.0)],
)
def test_second_order_against_the_integral_equation(
    law, profile, displacement, relocations, dose_ratio
):
    exact = reference(law, displacement, relocations, profile, 3.0, dose_ratio)
    middle = (np.arange(3 * PER_ZONE) + 0.5) / PER_ZONE
    expected = exact(middle)
    errors = []
    for cells in (25, 50, 100):
        layer = layer_of(law, displacement, relocations, cells)
        share = leaving_share(profile, layer, 5, (1.0, dose_ratio))[: middle.size]
        errors.append(float(np.sqrt(np.mean((share - expected) ** 2))))
    assert errors[2] < 3e-4
    assert math.log2(errors[0] / errors[1]) > 1.7
    assert math.log2(errors[1] / errors[2]) > 1.7


# --- limits ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("law", LAWS)
def test_many_short_displacements_are_diffusion(law):
    """At constant s d^2 / 2 the difference from diffusive mixing falls as the variance d^2."""
    strength, cells = 0.25, 128
    diffusive = leaving_share(step, AlteredLayer(1.0, strength, cells), 5)
    apart = []
    for displacement in (0.2, 0.1, 0.05):
        layer = layer_of(law, displacement, 2.0 * strength / displacement**2, cells)
        apart.append(float(np.max(np.abs(leaving_share(step, layer, 5) - diffusive))))
    assert 1e-4 < apart[2] < 3e-3
    assert apart[0] / apart[1] == pytest.approx(4.0, rel=0.15)
    assert apart[1] / apart[2] == pytest.approx(4.0, rel=0.15)


@pytest.mark.parametrize("law", LAWS)
def test_frequent_relocation_mixes_the_zone(law):
    """Cell by cell, a mixed zone of M cells decays over R (1 - 1 / 2M)."""
    uniform = leaving_share(step, AlteredLayer.uniform(1.0, 1.0), 5)
    apart = [
        float(np.max(np.abs(leaving_share(step, layer_of(law, 0.5, 1e5, cells), 5) - uniform)))
        for cells in (50, 100)
    ]
    assert apart[1] < 3e-3
    assert apart[0] / apart[1] == pytest.approx(2.0, rel=0.1)


def test_none_at_all_changes_nothing():
    layer = layer_of("gaussian", 0.3, 0.0, cells=100)
    middle = (np.arange(3 * PER_ZONE) + 0.5) / PER_ZONE
    assert leaving_share(step, layer, 3) == pytest.approx(step(middle), abs=2e-4)


# --- the decay length -----------------------------------------------------------------------------


def mixing_at_one_stroke(relocations):
    """Slowest mode when a relocated atom may come to lie anywhere in the zone (derived).

    c' = (s - 1/l) c - s <c> with c(1) = 0 has c = s <c> / y (1 - exp(-y (1 - x))) with y = s - 1/l;
    its mean asks for 1/s = (y - 1 + exp(-y)) / y^2, which falls with y.
    """
    low, high = -61.0, relocations  # no power of two brings y to 0
    for _ in range(100):
        y = 0.5 * (low + high)
        if (y + math.expm1(-y)) / y**2 > 1.0 / relocations:
            low = y
        else:
            high = y
    return 1.0 / (relocations - y)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("relocations", [0.3, 1.0, 4.0])
def test_far_displacements_go_anywhere(law, relocations):
    expected = mixing_at_one_stroke(relocations)
    assert relocated_decay_length(law, 100.0, relocations) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("peclet", [0.5, 2.0, 5.0])
def test_short_displacements_decay_as_in_diffusion(law, peclet):
    relocations = 1.0 / (peclet * 0.01**2)
    length = relocated_decay_length(law, 0.01, relocations)
    assert length == pytest.approx(confined_decay_length(peclet), rel=2e-3)


@pytest.mark.parametrize("law", LAWS)
@settings(max_examples=10)
@given(displacement=st.floats(0.1, 2.0), length=st.floats(0.25, 0.95))
def test_the_strength_gives_the_length_back(law, displacement, length):
    assume(length > 1.01 * shortest_decay_length(law, displacement))
    relocations = relocations_for(law, displacement, length)
    assert relocated_decay_length(law, displacement, relocations) == pytest.approx(length, rel=1e-6)
    assert relocations > LEAST_RELOCATIONS


@pytest.mark.parametrize("law", LAWS)
def test_a_monolayer_trails_with_the_length_asked_for(law):
    """In both materials of an interface: read off two to four lengths behind it."""
    layer = AlteredLayer.relocated(1.5, 4.0, law, 1.0, 50.0, np.array([1.0, 2.0]))
    per_nm = 50.0
    for dose in (1.0, 2.0):
        atoms = np.tile([1.0, 0.0], (int(30 * per_nm), 1))
        atoms[500] = [0.0, 1.0]
        removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.full(2, dose))
        decay_nm = 5.0 / math.log(removed[800, 1] / removed[1050, 1])
        assert decay_nm == pytest.approx(layer.decay_nm(50.0, dose), rel=2e-3)
    assert layer.decay_nm(50.0, 1.0) == pytest.approx(1.5, rel=1e-6)


@pytest.mark.parametrize(
    ("length_nm", "message"),
    [
        (
            0.2,
            r"length_nm = 0\.2 must be at least 0\.\d+ with displacement_nm = 2 and range_nm = 4",
        ),
        (3.9, r"length_nm = 3\.9 must be below 0\.97 range_nm = 4"),
    ],
)
def test_lengths_out_of_reach_name_their_numbers(length_nm, message):
    with pytest.raises(ValueError, match=message):
        AlteredLayer.relocated(length_nm, 4.0, "gaussian", 2.0, 50.0, np.ones(1))


def test_seen_states_are_those_of_finer_cells():
    """A quarter of the way to the next cell, too: straight lines between whole cells."""
    middle = (np.arange(4 * PER_ZONE) + 0.5) / PER_ZONE
    atoms = np.column_stack([1.0 - step(middle), step(middle)]) / PER_ZONE
    means = []
    for cells in (30, 120):
        layer = replace(layer_of("exponential", 0.3, 4.0), cells=cells)
        _, states = leaving_atoms(atoms, layer, np.ones(2), np.array([1.0, 2.0]), keep_states=True)
        weight = np.exp(-4.0 * (np.arange(cells) + 0.5) / cells)
        means.append(states[:, 1] @ weight / weight.sum())
    assert means[0] == pytest.approx(means[1], abs=2e-3)


def test_the_guide_shows_the_table():
    guide = Path(__file__).parents[3] / "simulate" / "guide" / "theory.md"
    text = guide.read_text(encoding="utf-8")
    for cells in [HEAD, *rows()]:
        assert "| " + " | ".join(cells) + " |" in text
