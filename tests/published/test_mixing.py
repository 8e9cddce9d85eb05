"""Mixing of the surface against published and derived responses, by the solver itself."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import erfc, erfcx, ndtr

from craterfront.models.altered_layers.confined_mixing import confined_decay_length, confined_peclet
from craterfront.models.altered_layers.mixing import AlteredLayer, leaving_atoms

# --- one cell: the fully mixed zone ---------------------------------------------------------------


def leaving_share(atoms_nm2, layer, preference=(1.0, 1.0)):
    """Share of the second species among what leaves with each slice; dose costs all equal."""
    atoms = np.asarray(atoms_nm2, dtype=float)
    removed, _ = leaving_atoms(atoms, layer, np.array(preference), np.ones(2))
    return removed[:, 1] / removed.sum(axis=1)


def surface_transient(bulk, ratio, step_nm=0.01, end_nm=30.0):
    """Surface fraction of A of a uniform binary under preferential sputtering, zone of 1 nm."""
    atoms = np.tile(step_nm * np.array([1.0 - bulk, bulk]), (round(end_nm / step_nm), 1))
    flux = leaving_share(atoms, AlteredLayer.uniform(1.0, 1.0), (1.0, ratio))
    # The flux is weighted with the preference: c_A = (p_A / r) / (p_A / r + p_B).
    return flux / ratio / (flux / ratio + 1.0 - flux)


@pytest.mark.derived
@pytest.mark.parametrize(
    ("bulk", "ratio", "surface"), [(0.5, 2.0, 1 / 3), (0.3, 0.5, 6 / 13), (0.2, 3.0, 1 / 13)]
)
def test_steady_surface_is_depleted_of_what_sputters_easily(bulk, ratio, surface):
    """Source: rule c_s,A/c_s,B = (c_b,A/c_b,B)(Y_B/Y_A), P. Sigmund in Sputtering by Particle
    Bombardment I (1981), ch. 2 (from memory)."""
    assert surface_transient(bulk, ratio)[-1] == pytest.approx(surface, rel=1e-6)


@pytest.mark.derived
@pytest.mark.parametrize(
    ("bulk", "ratio", "decay_nm"), [(0.5, 2.0, 0.88889), (0.3, 0.5, 1.18343), (0.2, 3.0, 0.44379)]
)
def test_transient_decays_with_the_linearised_length(bulk, ratio, decay_nm):
    """Source: derived, c' = c_b - r c/(1 + (r-1) c) per zone thickness w linearised about the
    steady state: l = w r/(c_b + r (1 - c_b))^2."""
    assert decay_nm == pytest.approx(ratio / (bulk + ratio * (1 - bulk)) ** 2, rel=1e-5)
    surface = surface_transient(bulk, ratio)
    departure = np.abs(surface - surface[-1])
    start, stop = (round(x * decay_nm / 0.01) for x in (7, 10))
    slope = math.log(departure[stop] / departure[start]) / ((stop - start) * 0.01)
    assert -1.0 / slope == pytest.approx(decay_nm, rel=1e-3)


def mixed_step(zone_nm=2.0, plane_nm=10.0, step_nm=0.005, end_nm=40.0):
    middle = (np.arange(round(end_nm / step_nm)) + 0.5) * step_nm
    below = middle > plane_nm
    atoms = step_nm * np.column_stack([~below, below])
    return middle, leaving_share(atoms, AlteredLayer.uniform(zone_nm, 1.0))


@pytest.mark.derived
def test_mixing_zone_step():
    """Source: derived, c' = (c_0(z + w) - c)/w: an exponential from z_0 - w; 16-84 width between
    exact levels 1.668268 w, 50 % at z_0 - w (1 - ln 2)."""
    w, z0 = 2.0, 10.0
    z, share = mixed_step(w, z0)
    low, half, high = np.interp([ndtr(-1.0), 0.5, ndtr(1.0)], share, z)
    assert high - low == pytest.approx(1.668268 * w, rel=1e-4)
    assert half == pytest.approx(z0 - 0.30685 * w, rel=1e-4)
    assert share[z < z0 - w].max() == 0.0
    assert share[z > z0 - w].min() > 0.0


@pytest.mark.derived
def test_mixing_zone_swapped_onset_is_noticed():
    """Negative control: an onset one zone *after* the interface would put the 50 % point at
    z_0 + w (1 - ln 2)."""
    z, share = mixed_step()
    half = float(np.interp(0.5, share, z))
    assert abs(half - (10.0 + 0.30685 * 2.0)) > 1.0


@pytest.mark.derived
def test_mixing_zone_conserves_mass_and_its_centroid():
    """Source: derived; a delta of area density N at z_0 gives (N/w) exp(-(z - z_0 + w)/w) from
    z_0 - w on: integral N, centroid z_0 (each atom is in the zone for w on average)."""
    w, z0, step = 2.0, 10.0, 0.002
    middle = (np.arange(round(70.0 / step)) + 0.5) * step
    atoms = step * np.column_stack([np.ones_like(middle), np.zeros_like(middle)])
    atoms[np.searchsorted(middle, z0)] = [0.0, step]
    z_delta = middle[np.searchsorted(middle, z0)]
    removed, _ = leaving_atoms(atoms, AlteredLayer.uniform(w, 1.0), np.ones(2), np.ones(2))
    assert removed[:, 1].sum() == pytest.approx(step, rel=1e-6)
    centroid = removed[:, 1] @ middle / removed[:, 1].sum()
    assert centroid == pytest.approx(z_delta, rel=1e-6)


# --- recession and diffusion ----------------------------------------------------------------------


def closed_step(x0, d, t):
    """Step response for uniform D, v = 1: zero gradient at the surface."""
    root = 2.0 * math.sqrt(d * t)
    a, b = (x0 - t) / root, (x0 + t) / root
    return 0.5 * erfc(a) + 0.5 * math.exp(-a * a) * erfcx(b)


def closed_delta(x0, d, t):
    """Delta response, the derivative of the step response by -x0."""
    root = 2.0 * math.sqrt(d * t)
    a, b = (x0 - t) / root, (x0 + t) / root
    return math.exp(-a * a) * (1.0 / math.sqrt(math.pi * d * t) - erfcx(b) / (2.0 * d))


STEP_PINS = [(8.0, 0.287446), (10.0, 0.561607), (12.0, 0.770091), (15.0, 0.927904)]
DELTA_PINS = [
    (8.0, 0.124304),
    (9.0, 0.135188),
    (10.0, 0.129099),
    (11.0, 0.112270),
    (12.0, 0.091084),
]


@pytest.mark.derived
@pytest.mark.parametrize(("t", "value"), STEP_PINS)
def test_recession_diffusion_step_closed_form(t, value):
    """Source: derived from the Green function of the radiation boundary (H. S. Carslaw,
    J. C. Jaeger, Conduction of Heat in Solids, 2nd ed. (1959), section 14.2)."""
    assert closed_step(10.0, 0.5, t) == pytest.approx(value, abs=1e-6)


@pytest.mark.derived
@pytest.mark.parametrize(("t", "value"), DELTA_PINS)
def test_recession_diffusion_delta_closed_form(t, value):
    """Source: derived, see the step; minus the derivative of the step by its depth."""
    assert closed_delta(10.0, 0.5, t) == pytest.approx(value, abs=1e-6)


@pytest.mark.derived
def test_recession_diffusion_delta_mass_and_mean():
    """Source: derived; everything arrives, on average at x_0/v + D/v^2."""
    mass, _ = quad(lambda t: closed_delta(10.0, 0.5, t), 0.0, 200.0, points=[9.0], limit=400)
    mean, _ = quad(lambda t: t * closed_delta(10.0, 0.5, t), 0.0, 200.0, points=[9.0], limit=400)
    assert mass == pytest.approx(1.0, rel=1e-5)
    assert mean == pytest.approx(10.5, rel=1e-5)


def half_space(features_from, cell_nm=0.05, range_nm=30.0, end_nm=40.0):
    """The solver with a range so long that its end is not felt; D = 0.5 nm, slices of one cell."""
    middle = (np.arange(round(end_nm / cell_nm)) + 0.5) * cell_nm
    feature = features_from(middle)
    atoms = cell_nm * np.column_stack([~feature, feature])
    layer = AlteredLayer(range_nm, 0.5, round(range_nm / cell_nm))
    removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.ones(2))
    return middle, removed[:, 1] / cell_nm


@pytest.mark.derived
def test_recession_diffusion_step_by_the_solver():
    """Source: derived, see the closed form. The pins are instants, slices are interpolated."""
    z, share = half_space(lambda middle: middle > 10.0, end_nm=16.0)
    for t, value in STEP_PINS:
        assert np.interp(t, z, share) == pytest.approx(value, rel=1e-3)


@pytest.mark.derived
def test_recession_diffusion_delta_by_the_solver():
    """Source: derived; x_0 + D = 10.5 for a slice centred on 10."""
    cell = 0.05
    z, share = half_space(lambda middle: np.abs(middle - 10.0 - cell / 2) < 0.4 * cell)
    amount = share * cell
    assert amount.sum() == pytest.approx(cell, rel=1e-5)
    assert amount @ z / amount.sum() == pytest.approx(10.5 + cell / 2, rel=1e-5)


@pytest.mark.derived
def test_perfect_sink_fails_the_step_check():
    """Negative control: with C = 0 at the surface the flux per recession is
    erfc((x_0-t)/(2 sqrt(Dt)))/2 + sqrt(D/(pi t)) exp(-(x_0-t)^2/(4Dt)) (derived: first passage
    from all depths below x_0); the solver must not agree with that."""
    z, share = half_space(lambda middle: middle > 10.0, end_nm=16.0)
    for t, value in STEP_PINS[:3]:
        a = (10.0 - t) / (2.0 * math.sqrt(0.5 * t))
        sink = 0.5 * erfc(a) + math.sqrt(0.5 / (math.pi * t)) * math.exp(-a * a)
        assert abs(np.interp(t, z, share) / sink - 1.0) > 0.04
        assert abs(value / sink - 1.0) > 0.04


# --- mixing confined to a zone --------------------------------------------------------------------


@pytest.mark.derived
@pytest.mark.parametrize(
    ("peclet", "relative"),
    [
        (0.1, 0.967536),
        (0.25, 0.921923),
        (0.5, 0.853269),
        (1.0, 0.738811),
        (2.0, 0.574655),
        (5.0, 0.330921),
        (20.0, 0.097999),
    ],
)
def test_confined_decay_length(peclet, relative):
    """Source: derived, slowest mode of dC/dt = D C'' + v C' with zero gradient at the surface and
    no diffusive flux from below; p = v R/(2 D), q tan(q/2) = p, lambda/R = 2p/(q^2 + p^2)."""
    assert confined_decay_length(peclet) == pytest.approx(relative, abs=1e-6)
    assert confined_peclet(relative) == pytest.approx(peclet, rel=2e-4)


@pytest.mark.derived
@pytest.mark.parametrize(
    ("peclet", "cells", "relative"),
    [
        (0.1, 32, 0.967536),
        (1.0, 32, 0.738811),
        (2.0, 32, 0.574655),
        (5.0, 35, 0.330921),
        (20.0, 140, 0.097999),
    ],
)
def test_confined_decay_length_by_the_solver(peclet, cells, relative):
    """Source: derived, see above. Read off between 5 and 6 ranges after the monolayer entered the
    zone: at p = 20 the second mode fades only by a factor of 5 per range against the first, from
    q_1 = 2.8577 and q_2 = 8.6116 by exp((q_2^2 - q_1^2)/(2 p)). All terms are positive, so shares
    of 1e-27 still are accurate."""
    share = confined_response(peclet, cells)
    decay = 400 / math.log(share[2400] / share[2800])
    assert decay / 400 == pytest.approx(relative, rel=0.01)


def confined_response(peclet, cells=32, per_range=400):
    """What leaves of a monolayer that enters a zone of unit thickness, per slice from then on."""
    step = 1.0 / per_range
    atoms = np.tile([step, 0.0], (25 * per_range, 1))
    atoms[per_range] = [0.0, step]
    layer = AlteredLayer(1.0, 0.5 / peclet, cells)
    removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.ones(2))
    return removed[:, 1] / step


@pytest.mark.recalled
@pytest.mark.parametrize("peclet", [0.1, 1.0, 5.0, 20.0])
def test_residence_in_the_zone_is_that_of_a_closed_vessel(peclet):
    """Source: dispersion in a closed vessel, O. Levenspiel, Chemical Reaction Engineering, 3rd ed.
    (1999), ch. 13 (from memory): with Pe = v R/D = 2p the residence time has the mean R/v and the
    variance (R/v)^2 (2/Pe - 2 (1 - exp(-Pe))/Pe^2). Sum within what a settled zone leaves over:
    1e-11 of the zone, which holds 400 slices."""
    share = confined_response(peclet)
    z = np.arange(share.size) / 400  # middles of the slices less that of the entering one
    mean = share @ z / share.sum()
    variance = share @ (z - mean) ** 2 / share.sum()
    pe = 2.0 * peclet
    expected = math.sqrt(2.0 / pe + 2.0 * math.expm1(-pe) / pe**2)
    assert share.sum() == pytest.approx(1.0, rel=1e-8)
    assert mean == pytest.approx(1.0, rel=1e-3)
    assert math.sqrt(variance) == pytest.approx(expected, rel=0.01)


@pytest.mark.derived
def test_confined_limits():
    """Source: derived; fully mixed for p -> 0 (lambda = R), weak mixing for p -> infinity
    (lambda = 4 D/v = 2 R/p)."""
    assert confined_decay_length(1e-6) == pytest.approx(1.0, abs=1e-6)
    assert confined_decay_length(1e4) == pytest.approx(2.0 / 1e4, rel=1e-3)


@pytest.mark.derived
def test_strong_confined_mixing_becomes_the_mixed_zone():
    """Source: derived, p -> 0; the solver with 32 cells and D = 500 R against the single cell. The
    front may come one slice late (what enters mixes from the next step on), and a step of a
    hundredth of the zone shortens the decay by 0.5 %."""
    atoms = np.tile([0.01, 0.0], (800, 1))
    atoms[300:400] = [0.0, 0.01]
    many = leaving_share(atoms, AlteredLayer(1.0, 500.0, 32))
    one = leaving_share(atoms, AlteredLayer.uniform(1.0, 1.0))
    assert np.max(np.abs(np.cumsum(many - one))) < 0.5
    assert math.log(many[400] / many[600]) / math.log(one[400] / one[600]) == pytest.approx(
        1.0, abs=0.01
    )
