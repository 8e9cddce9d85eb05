"""What couples columns: first-order laws, directions, steady states, and the balance of atoms.

All check values are derived; each derivation stands beside its test.
"""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from reference.sharp_layers import layered

from craterfront.models.erosion_front import crater
from craterfront.models.instrument import Instrument
from craterfront.models.materials.yield_formulas import angular_factor
from craterfront.models.resolved_engine import resolved_annuli, resolved_engine
from craterfront.models.resolved_engine.resolved_couplings import (
    Couplings,
    EdgeField,
    current_factor,
    edge_pattern,
    slope_factor,
)
from craterfront.models.validity import ValidityWarning

SMALL = 0.01
WITHIN = 0.05  # of the first order


def instrument(mixing="none", length=1.5, reach=3.0, preference=None):
    return Instrument(crater.flat(), mixing, length, reach, preference=preference)


def erode(sample, annuli, couplings, edges, how=None):
    layers, elements = sample.composition.shape
    every_atom = np.eye(layers * elements).reshape(layers, elements, -1)
    how = how or instrument()
    return resolved_engine.run(sample, how, annuli, couplings, edges, every_atom)


# --- current -------------------------------------------------------------------------------------


def test_current_of_a_flat_crater_follows_the_layer():
    # Time runs 1.5 times as fast in the second layer: the crater is deeper by that factor there.
    sample = layered([20.0], [2.0, 1.0], [60.0, 80.0])
    edges = np.linspace(0.0, 30.0, 61)
    couplings = Couplings(relative_current=np.array([1.0, 1.5]))
    depth = erode(sample, resolved_annuli.flat(2), couplings, edges).mean_depth_nm
    assert depth[20] == pytest.approx(20.0, rel=1e-9)
    assert depth[-1] == pytest.approx(20.0 + 1.5 * 20.0, rel=1e-3)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_current_in_first_order(sign):
    # The dose supplied is D + x int phi dD, phi being the share of the dose on the second layer,
    # that is, the integral of g over the area where g D > d, d the dose of the first layer.
    curvature, first = 0.6, 10.0
    sample = layered([20.0], [2.0, 1.0], [60.0, 80.0])
    annuli = resolved_annuli.parabolic(curvature, 32)
    edges = np.linspace(0.0, 20.0, 201)
    change = sign * SMALL
    couplings = Couplings(relative_current=np.array([1.0, 1.0 + change]))
    plain = erode(sample, annuli, Couplings(), edges).depth_nm[-1]
    moved = erode(sample, annuli, couplings, edges).depth_nm[-1] - plain
    dose = np.linspace(1e-6, 20.0, 4001)
    passed = np.clip((1.0 + 0.5 * curvature - first / dose) / curvature, 0.0, 1.0)
    phi = passed * (1.0 + 0.5 * curvature) - 0.5 * curvature * passed**2
    gained = change * np.trapezoid(phi, dose)
    np.testing.assert_allclose(moved, 1.0 * annuli.rate * gained, rtol=WITHIN)


def test_the_current_is_the_mean_over_the_dose():
    drawn = np.array([1.0, 2.0, 4.0])
    assert current_factor(drawn, np.array([1.0, 1.0, 2.0])) == pytest.approx(11.0 / 4.0)
    assert current_factor(None, np.array([1.0, 1.0, 2.0])) == 1.0


# --- redeposition --------------------------------------------------------------------------------


def test_a_uniform_sample_erodes_with_redeposition_as_without():
    sample = layered([30.0], [2.0, 2.0], [60.0, 60.0], [[0.5, 0.5], [0.5, 0.5]])
    edges = np.linspace(0.0, 30.0, 31)
    for annuli in (resolved_annuli.parabolic(0.6, 8), resolved_annuli.edged(0.1, 0.5, 8)):
        without, with_it = (
            erode(sample, annuli, Couplings(share), edges, instrument("uniform"))
            for share in (0.0, 0.6)
        )
        np.testing.assert_allclose(
            with_it.signal.reshape(-1, 2, 2).sum(axis=1),
            without.signal.reshape(-1, 2, 2).sum(axis=1),
            rtol=1e-4,
        )
        np.testing.assert_allclose(with_it.depth_nm, without.depth_nm, rtol=1e-4)


def test_a_mixed_zone_does_not_notice_what_falls_back_where_it_came_from():
    # In a flat crater dc/dN = -c + R c over 1 - R of it: the decay per net atom is the same.
    sample = layered([20.0], [1.0, 1.0], [70.0, 70.0])
    edges = np.linspace(0.0, 30.0, 481)
    without, with_it = (
        erode(sample, resolved_annuli.flat(1), Couplings(s), edges, instrument("uniform"))
        for s in (0.0, 0.5)
    )
    assert np.abs(with_it.signal - without.signal).max() <= 1e-3 * without.signal.max()


@pytest.mark.parametrize("mixing", ["none", "uniform", "diffusive"])
def test_redeposition_at_steady_state_is_the_algebraic_balance(mixing):
    # The rim is in the first layer and the floor in the second, both thick. With net rates n_f,
    # n_e per area, area shares a, b, and costs q of a sputtered atom: of the first material
    # E_1 = b n_e / (1 - R) is sputtered, of the second E_2 = a n_f / (1 - R), R E of both falls
    # everywhere and leaves again, and the dose on the floor is q_2 (n_f + R E_2) + q_1 R E_1, that
    # on the rim q_1 (n_e + R E_1) + q_2 R E_2: two linear equations.
    share, rim = 0.5, 0.2
    sample = layered([40.0], [1.0, 3.0], [60.0, 80.0])
    annuli = resolved_annuli.edged(rim, 0.3, 10)
    edges = np.linspace(0.0, 60.0, 61)
    result = erode(sample, annuli, Couplings(share), edges, instrument(mixing))
    cost = (1.0 - share) / np.array([60.0, 240.0])
    supplied = share + (1.0 - share) * np.array([annuli.rate[0], annuli.rate[-1]])
    back = share / (1.0 - share)
    matrix = [
        [cost[1] * (1.0 + back * (1.0 - rim)), cost[0] * back * rim],
        [cost[1] * back * (1.0 - rim), cost[0] * (1.0 + back * rim)],
    ]
    floor, edge = np.linalg.solve(matrix, supplied)
    assert edges[-1] * annuli.rate[-1] < 40.0 / 1.2  # the rim is still in the first layer
    np.testing.assert_allclose(result.signal[50:, 0], rim * edge, rtol=3e-4)
    np.testing.assert_allclose(result.signal[50:, 3], (1.0 - rim) * floor, rtol=3e-4)


def test_redeposition_moves_no_arrival():
    # The dose that all the sputtered atoms cost is the dose supplied; of it the share R falls
    # everywhere and costs R again, so that (1 - R) g is left for erosion, whatever falls.
    sample = layered([20.0], [1.0, 3.0], [60.0, 60.0])
    annuli = resolved_annuli.parabolic(0.6, 16)
    edges = np.linspace(0.0, 40.0, 41)
    plain, moved = (erode(sample, annuli, Couplings(s), edges).depth_nm[-1] for s in (0.0, 0.5))
    np.testing.assert_allclose(moved, plain, rtol=1e-4)


def test_redeposition_in_first_order():
    # Zones of N atoms, equal costs; x is what enters of the first material, c what is in the zone:
    # N c' = R E + n g x - n (g + R / (1 - R)) c, E = n <(g + R / (1 - R)) c>, signal (1 - R) E.
    # With c = c0 + R c1: N c1' = n <g c0> - n c0 - n g c1, and the signal changes by
    # R n (<c0> - <g c0> + <g c1>).
    share, rim, first, zone = SMALL, 0.3, 30.0, 6.0
    sample = layered([first], [1.0, 1.0], [60.0, 60.0])
    annuli = resolved_annuli.edged(rim, 0.5, 10)
    edges = np.linspace(0.0, 100.0, 401)
    how = instrument("uniform", zone)
    plain, moved = (
        erode(sample, annuli, Couplings(s), edges, how).signal[:, 0] for s in (0.0, share)
    )
    area, rate = np.array([1.0 - rim, rim]), np.array([annuli.rate[0], annuli.rate[-1]])
    time = np.linspace(0.0, 100.0, 40_001)
    step = time[1]
    # The first material enters until the interface is at the lower face of the zone.
    since = rate * time[:, None] - (first - zone)
    c0 = np.where(since < 0, 1.0, np.exp(-np.maximum(since, 0.0) / zone))
    drive = ((c0 * rate) @ area)[:, None] - c0
    c1 = np.zeros_like(c0)
    for k in range(time.size - 1):
        c1[k + 1] = c1[k] + step / zone * (drive[k] - rate * c1[k])
    change = share * 60.0 * ((c0 - c0 * rate + c1 * rate) @ area)
    up_to = np.interp(
        edges, time, np.append(0.0, np.cumsum(0.5 * step * (change[1:] + change[:-1])))
    )
    expected = np.diff(up_to)
    # In the sum, as single readings at a kink also depend on where steps happen to end.
    assert np.abs(moved - plain - expected).sum() <= WITHIN * np.abs(expected).sum()
    assert np.abs(expected).max() > 1e-4 * plain.max()


def test_the_upper_layer_lingers_on_the_lower_one():
    sample = layered([30.0], [2.0, 0.5], [60.0, 60.0])
    edges = np.linspace(0.0, 60.0, 121)
    annuli = resolved_annuli.parabolic(0.3, 16)
    signals = [
        erode(sample, annuli, Couplings(share), edges, instrument("uniform", 1.0)).signal[:, 0]
        for share in (0.0, 0.3, 0.6)
    ]
    late = [signal[36:].sum() for signal in signals]
    assert late[0] < late[1] < late[2]


def test_more_may_fall_than_leaves():
    # The rim is still in the slow layer when the floor comes to the fast one below: for a while
    # more falls on the rim than leaves it, and the rim rises. Every atom is found again.
    sample = layered([10.0, 60.0], [0.5, 20.0, 1.0], [60.0, 60.0, 60.0])
    annuli = resolved_annuli.edged(0.2, 0.5, 5)
    edges = np.linspace(0.0, 150.0, 601)
    result = erode(sample, annuli, Couplings(0.6), edges, instrument("uniform", 1.0))
    assert np.diff(result.depth_nm[:, -1]).min() < -0.05
    detected = result.balance.detected + result.balance.suspended
    np.testing.assert_allclose(detected[:2], [600.0, 3600.0], rtol=1e-9)


@settings(max_examples=6)
@given(
    share=st.floats(0.0, 0.8),
    curvature=st.floats(-0.8, 0.8),
    ratio=st.floats(0.2, 5.0),
    mixing=st.sampled_from(["none", "uniform", "diffusive"]),
    preferential=st.booleans(),
)
@example(0.5, 0.75, 4.0, "none", False)  # annuli that lie far apart, and keep a long past
def test_atoms_balance(share, curvature, ratio, mixing, preferential):
    preference = np.array([1.0, 2.5]) if preferential else None
    how = instrument(mixing, 1.0, 2.0, preference)
    sample = layered([8.0], [2.0, 2.0 * ratio], [60.0, 80.0], [[0.7, 0.3], [0.2, 0.8]])
    edges = np.linspace(0.0, 10.0, 21)
    couplings = Couplings(share, np.array([1.0, 1.3]))
    result = erode(sample, resolved_annuli.parabolic(curvature, 4), couplings, edges, how)
    found = result.balance
    whole = found.sputtered.sum()
    np.testing.assert_allclose(
        found.sputtered, found.detected + found.redeposited + found.suspended, atol=1e-9 * whole
    )
    np.testing.assert_allclose(found.eroded, found.detected + found.suspended, atol=1e-9 * whole)
    by_element = result.signal.reshape(-1, 2, 2).sum(axis=(0, 1))
    np.testing.assert_allclose(by_element, found.detected, rtol=1e-9)


def test_what_is_lost_and_what_is_left_is_what_there_was():
    # All of both layers has gone: what was detected, and what is suspended, is what they held.
    sample = layered([6.0, 4.0], [2.0, 1.0, 3.0], [60.0, 80.0, 70.0])
    edges = np.linspace(0.0, 100.0, 101)
    annuli = resolved_annuli.parabolic(0.4, 4)
    result = erode(sample, annuli, Couplings(0.5), edges, instrument("uniform", 0.5))
    found = result.balance.detected + result.balance.suspended
    np.testing.assert_allclose(found[:2], [360.0, 320.0], rtol=1e-9)


# --- shape ---------------------------------------------------------------------------------------


def test_slopes_in_first_order():
    # h = v g D, so dh/dr = -2 c v D r / R^2, and the depth gains a v g int (dh/dr)^2 dD.
    curvature, rate, end, radius, a = 0.2, 1.0, 40.0, 200.0, 1.5
    sample = layered([1000.0], [rate, rate], [60.0, 60.0])
    annuli = resolved_annuli.parabolic(curvature, 200)
    edges = np.linspace(0.0, end, 101)
    couplings = Couplings(slope_coefficient=a, radius_nm=radius)
    plain = erode(sample, annuli, Couplings(), edges).depth_nm[-1]
    moved = erode(sample, annuli, couplings, edges).depth_nm[-1] - plain
    place = annuli.radius * radius
    slope = 2.0 * curvature * rate * end * place / radius**2
    expected = a * rate * annuli.rate * slope**2 * end / 3.0
    assert annuli.mean(moved) == pytest.approx(annuli.mean(expected), rel=WITHIN)
    assert np.all(moved >= 0)


@pytest.mark.parametrize(("symbol", "energy_eV"), [("Cu", 1000.0), ("Fe", 3000.0), ("Si", 1000.0)])
def test_the_angular_yield_gives_the_coefficient_of_slopes(symbol, energy_eV):
    # cos^-f exp(-f c (1/cos - 1)) = 1 + f (1 - c) tan^2 / 2 to second order, c = cos(theta_opt).
    angle = np.radians(0.5)
    found = (angular_factor(energy_eV, 0.5, symbol) - 1.0) / np.tan(angle) ** 2
    assert 0.70 < found < 0.89


def test_a_flat_slope_stays_below_the_bound():
    # 1 + a s^2 with a < 2 and a slope of 1e-2: below 2e-4.
    radius = np.linspace(0.0, 1e6, 65)
    depth = 1e-2 * radius
    factor = slope_factor(2.0, depth, radius)
    assert np.all(factor >= 1.0)
    assert factor.max() <= 1.0 + 2.001e-4


def test_a_deep_place_spreads_along_a_slope_and_a_wall_is_no_slope():
    radius = np.array([0.0, 1.0, 2.0, 2.0, 3.0])
    depth = np.array([0.0, 0.0, 1.0, 5.0, 5.0])
    np.testing.assert_allclose(slope_factor(1.0, depth, radius), [1.0, 2.0, 1.0, 1.0, 1.0])


def test_steep_slopes_are_warned_of():
    sample = layered([1000.0], [1.0, 1.0], [60.0, 60.0])
    couplings = Couplings(slope_coefficient=0.1, radius_nm=20.0)
    with pytest.warns(ValidityWarning, match="slopes up to"):
        erode(sample, resolved_annuli.parabolic(0.2, 8), couplings, np.linspace(0.0, 60.0, 7))


def test_the_edge_field_settles():
    # In a uniform sample h' = v (g + psi (1 - exp(-v D / L))), whose mean stays v.
    rate, end, field = 2.0, 50.0, EdgeField(0.3, 40.0, 0.1)
    sample = layered([1000.0], [rate, rate], [60.0, 60.0])
    annuli = resolved_annuli.parabolic(0.1, 40)
    edges = np.linspace(0.0, end, 101)
    result = erode(sample, annuli, Couplings(edge_field=field), edges)
    pattern = edge_pattern(annuli.radius, field)
    pattern = pattern - annuli.mean(pattern)
    mean = rate * end
    gained = pattern * (mean + field.depth_nm * np.expm1(-mean / field.depth_nm))
    np.testing.assert_allclose(result.depth_nm[-1], mean * annuli.rate + gained, rtol=1e-4)
    assert result.mean_depth_nm[-1] == pytest.approx(mean, rel=1e-9)


@pytest.mark.parametrize("change", [0.01, -0.01])
def test_the_edge_field_moves_arrivals_in_its_direction(change):
    sample = layered([40.0], [2.0, 1.0], [60.0, 80.0])
    annuli = resolved_annuli.flat(20)
    edges = np.linspace(0.0, 30.0, 301)
    field = EdgeField(change, 1.0, 0.2)
    moved = erode(sample, annuli, Couplings(edge_field=field), edges).depth_nm
    plain = erode(sample, annuli, Couplings(), edges).depth_nm
    assert np.all(np.sign(moved[-1, -1] - plain[-1, -1]) == np.sign(change))
    assert np.all(np.sign(moved[-1, 0] - plain[-1, 0]) == -np.sign(change))


def test_impossible_couplings_are_refused():
    with pytest.raises(ValueError, match="redeposited_share"):
        Couplings(1.0)
    with pytest.raises(ValueError, match="relative_current"):
        Couplings(relative_current=np.array([0.0, 1.0]))
    sample = layered([40.0], [2.0, 1.0], [60.0, 80.0])
    field = EdgeField(-0.99, 1e-3, 0.05)
    with pytest.raises(ValueError, match="falls to 0"):
        erode(sample, resolved_annuli.parabolic(1.5, 8), Couplings(edge_field=field), [0.0, 9.0])
