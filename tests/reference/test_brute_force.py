"""The brute-force reference against closed forms.

'Derived' marks a result derived here, with the derivation in one line.
"""

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import erf, ndtr

from reference.brute_force import Instrument, Sample, diffusion_parameter, simulate

DENSITY = 50.0


def layers(
    thickness_nm, rate_nm_s=1.0, density=DENSITY, composition=None, width_nm=0.0, shape="erf"
):
    """Layers with equal or given densities and rates, one element each unless given."""
    count = len(thickness_nm) + 1
    return Sample(
        thickness_nm=thickness_nm,
        width_nm=np.broadcast_to(width_nm, count - 1),
        shape=[shape] * (count - 1),
        side=["below"] * (count - 1),
        atomic_density_per_nm3=np.broadcast_to(density, count),
        composition=np.eye(count) if composition is None else composition,
        rate_nm_s=np.broadcast_to(rate_nm_s, count),
    )


def fractions(result):
    """Signals of the layers over their sum."""
    by_layer = result.signal.sum(axis=2)
    return by_layer / by_layer.sum(axis=1, keepdims=True)


# ------------------------------------------------------------------- one well-mixed zone


def test_uniform_zone_answers_a_step_with_an_exponential():
    # Derived: dc/dz = (c0(z + w) - c)/w gives c = 1 - exp(-(z - z0 + w)/w) after z0 - w.
    # Exponential mixing function: Hofmann, Surf. Interface Anal. 21 (1994) 673 (from memory).
    w, z0 = 3.0, 20.0
    time = np.linspace(0.0, 60.0, 241)
    result = simulate(layers([z0]), Instrument(mixing=("uniform", w)), time)
    x = np.maximum(time - z0 + w, 0.0)
    expected = np.diff(x - w * (1.0 - np.exp(-x / w))) / np.diff(time)
    np.testing.assert_allclose(fractions(result)[:, 1], expected, atol=1e-5)


def test_uniform_zone_answers_a_delta_with_an_exponential():
    # Derived: difference of two steps; area = amount, centroid = centre of the layer.
    w, z0, d = 3.0, 20.0, 0.02
    time = np.linspace(0.0, 90.0, 361)
    result = simulate(layers([z0, d]), Instrument(mixing=("uniform", w)), time)
    mid = 0.5 * (time[1:] + time[:-1])
    amount = result.signal[:, 1].sum(axis=1)
    x = np.maximum(time - z0 + w - 0.5 * d, 0.0)
    expected = d * DENSITY * np.diff(1.0 - np.exp(-x / w))
    inner = mid > z0 - w + 1.0
    np.testing.assert_allclose(
        amount[inner], expected[inner], rtol=1e-4, atol=1e-5 * expected.max()
    )
    assert amount.sum() == pytest.approx(d * DENSITY, rel=1e-6)
    assert np.sum(amount * mid) / amount.sum() == pytest.approx(z0 + 0.5 * d, abs=2e-3)


@pytest.mark.parametrize(
    ("ratio", "share", "expected"), [(3.0, 0.2, 0.44379), (2.0, 0.5, 0.88889), (0.5, 0.3, 1.18343)]
)
def test_preferential_transient(ratio, share, expected):
    # Derived: linearised c' = c_b - r c/(1 + (r - 1) c) decays over w r/(c_b + r (1 - c_b))^2.
    w = 2.0
    sample = layers([], composition=[[share, 1.0 - share]])
    time = np.linspace(0.0, 40.0, 401)
    instrument = Instrument(mixing=("uniform", w), preference=(ratio, 1.0))
    result = simulate(sample, instrument, time)
    rate = result.removed[:, 0, 0] - share  # against depth, free of the clock
    z = 0.5 * (result.depth_nm[1:] + result.depth_nm[:-1])
    tail = (np.abs(rate) < 1e-4) & (np.abs(rate) > 1e-7)
    slope = np.polyfit(z[tail], np.log(np.abs(rate[tail])), 1)[0]
    assert -1.0 / slope / w == pytest.approx(expected, rel=1e-3)


# ------------------------------------------------------------------- diffusive zone


def confined_length(p, reach):
    """Decay length of mixing confined to a zone.

    Derived: the slowest mode exp(-N/lambda) of recession and diffusion between two walls has
    lambda/R = 2 p/(q^2 + p^2), q tan(q/2) = p, p = R/(2 D).
    """
    q = brentq(lambda q: q * np.tan(0.5 * q) - p, 1e-6, np.pi - 1e-9)
    return reach * 2.0 * p / (q * q + p * p)


def trailing_length(result):
    """Decay length of the first layer in what leaves, far below (where one mode is left)."""
    share = result.removed[:, 0, 0]
    z = 0.5 * (result.depth_nm[1:] + result.depth_nm[:-1])
    late = (share < 1e-9) & (share > 1e-12)
    return -1.0 / np.polyfit(z[late], np.log(share[late]), 1)[0]


@pytest.mark.parametrize(
    ("p", "ratio"), [(0.1, 0.967536), (0.5, 0.853269), (1.0, 0.738811), (5.0, 0.330921)]
)
def test_confined_mixing_decays_with_its_length(p, ratio):
    reach = 4.0
    length = confined_length(p, reach)
    assert length / reach == pytest.approx(ratio, abs=1e-6)
    assert diffusion_parameter(length, reach) == pytest.approx(p, rel=1e-9)
    instrument = Instrument(mixing=("diffusive", length, reach))
    result = simulate(layers([10.0]), instrument, [0.0, 150.0])
    assert trailing_length(result) == pytest.approx(length, rel=5e-4)


@pytest.mark.parametrize("ratio", [0.25, 4.0])
def test_mixing_keeps_up_with_the_dose(ratio):
    # Derived: D per atom goes with the dose per atom, so p = R/(2 D) goes with the erosion rate.
    reach, p = 4.0, 1.0
    sample = layers([10.0], rate_nm_s=[1.0, ratio])
    instrument = Instrument(mixing=("diffusive", confined_length(p, reach), reach))
    result = simulate(sample, instrument, [0.0, 10.0 + 150.0 / ratio])
    assert trailing_length(result) == pytest.approx(confined_length(ratio * p, reach), rel=5e-4)


def test_deep_diffusive_zone_is_a_half_space():
    # Radiation boundary, Carslaw & Jaeger, Conduction of Heat in Solids (1959), section 14.2
    # (from memory): c = erfc(a)/2 + exp(v x0/D) erfc(b)/2; values at x0 = 10, v = 1, D = 0.5.
    reach, diffusivity = 40.0, 0.5
    length = confined_length(reach / (2.0 * diffusivity), reach)
    at = np.array([8.0, 10.0, 12.0, 15.0])
    time = np.sort(np.concatenate([[0.0], at - 0.01, at + 0.01]))
    result = simulate(layers([10.0]), Instrument(mixing=("diffusive", length, reach)), time)
    np.testing.assert_allclose(
        fractions(result)[1::2, 1], [0.287446, 0.561607, 0.770091, 0.927904], atol=1e-4
    )


# ------------------------------------------------------------------- preference


@pytest.mark.parametrize("mixing", [("uniform", 2.0), ("diffusive", 1.2, 3.0)])
def test_steady_loss_has_the_composition_of_the_sample(mixing):
    # Steady state of preferential sputtering: Sigmund, in Sputtering by Particle Bombardment I
    # (1981) (from memory). Its erosion rate is the layer's (definition of the costs).
    share = 0.3
    sample = layers([], rate_nm_s=2.0, composition=[[share, 1.0 - share]])
    time = np.linspace(0.0, 60.0, 61)
    result = simulate(sample, Instrument(mixing=mixing, preference=(3.0, 1.0)), time)
    assert result.removed[-1, 0, 0] == pytest.approx(share, abs=1e-6)
    assert result.signal[-1].sum() == pytest.approx(2.0 * DENSITY, rel=1e-6)
    # Derived: p_A/p_B = w c_A/c_B at once, with c the composition of the sample.
    assert result.removed[0, 0, 0] == pytest.approx(3 * share / (1 + 2 * share), rel=5e-3)


# ------------------------------------------------------------------- crater and roughness


def test_parabolic_crater_turns_an_interface_into_a_ramp():
    # Derived: depths are spread evenly over D (1 -/+ c/2), so the removed part of the layer is
    # the mean of min(g D, z0).
    z0, curvature = 30.0, 0.1
    time = np.linspace(0.0, 40.0, 161)
    instrument = Instrument(crater=("parabolic", curvature))
    result = simulate(layers([z0]), instrument, time)
    low, high = 1.0 - curvature / 2.0, 1.0 + curvature / 2.0
    turn = np.clip(z0 / np.maximum(time, 1e-9), low, high)
    removed = (time * (turn**2 - low**2) / 2.0 + z0 * (high - turn)) / curvature
    np.testing.assert_allclose(
        result.signal[:, 0, 0] / DENSITY, np.diff(removed), atol=1e-5 * time[1]
    )


def test_edge_ring_arrives_at_its_own_time():
    # Derived: a share f at relative rate k removes the layer at z0 <g>/k, the rest at z0 <g>.
    z0, share, rate = 30.0, 0.1, 0.5
    mean = 1.0 - share + share * rate
    time = np.linspace(0.0, 70.0, 141)
    result = simulate(layers([z0]), Instrument(crater=("edged", share, rate)), time)
    edge = np.minimum(rate * time / mean, z0)
    removed = share * edge + (1.0 - share) * np.minimum(time / mean, z0)
    np.testing.assert_allclose(result.signal[:, 0, 0] / DENSITY, np.diff(removed), atol=1e-9)


def test_measured_crater_is_weighted_by_area():
    # A parabola in r is a straight line in r^2: the same crater as ("parabolic", curvature).
    radius = np.array([0.0, 0.5, 2.0])
    depth = 7.0 * (1.05 - 0.1 * (radius / 2.0) ** 2)
    time = np.linspace(0.0, 40.0, 81)
    table = simulate(layers([30.0]), Instrument(crater=("measured", radius, depth)), time)
    formula = simulate(layers([30.0]), Instrument(crater=("parabolic", 0.1)), time)
    # 3000 columns each, at other rates: that leaves 3e-8.
    np.testing.assert_allclose(table.signal, formula.signal, atol=1e-7 * DENSITY)


def test_initial_roughness_gives_a_gaussian_edge():
    # Derived: mean of max(0, D - z0 + u sigma) is sigma (x Phi(x) + phi(x)), x = (D - z0)/sigma.
    z0, sigma = 30.0, 1.5
    time = np.linspace(0.0, 45.0, 181)
    result = simulate(layers([z0]), Instrument(initial_nm=sigma), time)
    x = (time - z0) / sigma
    below = sigma * (x * ndtr(x) + np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi))
    np.testing.assert_allclose(
        result.signal[:, 1, 1] / DENSITY, np.diff(below), atol=1e-5 * time[1]
    )


@pytest.mark.parametrize(
    ("growth", "expected"),
    [
        ("statistical", np.sqrt(100.0 * DENSITY ** (-1.0 / 3.0))),  # Poisson: sqrt(d z)
        ("grains", 0.2 * np.sqrt(4.0 * 100.0)),  # random redraw after every grain: s sqrt(D z)
        ("columns", 0.2 * 100.0),  # s z
    ],
)
def test_roughness_grows_by_its_law(growth, expected):
    # Derived: variances of independent steps add. Statistical: Benninghoven, Z. Phys. 230 (1971)
    # 403 (from memory). Share past the interface at z0 = 100: Phi((D - z0)/sigma).
    spread = 0.1 if growth == "columns" else 0.2
    expected *= spread / 0.2 if growth == "columns" else 1.0
    instrument = Instrument(growth=growth, relative_spread=spread, grain_nm=4.0)
    time = np.array([0.0, 85.0, 95.0, 100.0, 105.0, 140.0])
    result = simulate(layers([100.0]), instrument, time)
    face = np.argmin(np.abs(result.depth_nm - 100.0))
    assert result.sigma_s[face] == pytest.approx(expected, rel=1e-6)
    column = result.exposure.shape[1] - result.depth_nm.size + face
    some = np.linspace(0, time.size - 1, 5).astype(int)
    np.testing.assert_allclose(
        result.exposure[1:, column],
        ndtr((result.balanced_dose_s[some][1:] - 100.0) / expected),
        atol=1e-3,  # one of 4001 columns
    )


@pytest.mark.parametrize("growth", ["none", "statistical", "grains", "columns"])
@pytest.mark.parametrize("view", ["collected", "viewed"])
def test_uniform_sample_gives_a_constant_signal(growth, view):
    # What leaves is what the dose pays for: no start-up effect in a uniform sample.
    instrument = Instrument(
        crater=("parabolic", 0.2),
        mixing=("uniform", 1.0),
        initial_nm=1.0,
        growth=growth,
        relative_spread=0.1,
        grain_nm=3.0,
        escape_depth_nm=0.5,
        view=view,
    )
    time = np.linspace(0.0, 6.0, 25)
    result = simulate(layers([], composition=[[0.25, 0.75]], rate_nm_s=2.0), instrument, time)
    scale = 2.0 * DENSITY * time[1] if view == "collected" else 1.0
    np.testing.assert_allclose(result.signal[:, 0, 1], 0.75 * scale, rtol=1e-5)


def test_columns_against_the_plain_sum_over_slices():
    # The definition word by word on equal slices: exposure of every slice, dose by bisection.
    thickness, rate = np.array([3.0, 10.0]), np.array([4.0, 1.0, 2.0])
    time = np.array([0.0, 0.3, 1.0, 9.0])
    instrument = Instrument(crater=("edged", 0.2, 0.8), initial_nm=0.5, growth="statistical")
    result = simulate(layers(thickness, rate_nm_s=rate), instrument, time)

    dz = 0.05
    layer = np.searchsorted(np.cumsum(thickness), np.arange(0.5 * dz, 25.0, dz))
    per_nm = 1.0 / rate[layer]
    dose = np.concatenate([[0.0], np.cumsum(per_nm * dz)])
    growth = np.cumsum(per_nm**2 * DENSITY ** (-1.0 / 3.0) * dz)
    sigma = np.sqrt((0.5 * per_nm[0]) ** 2 + np.concatenate([[0.0], growth]))
    dose, sigma = np.append(-dose[:0:-1], dose), np.append(sigma[:0:-1], sigma)
    layer = np.append(layer[::-1], layer)
    u = np.linspace(-8.5, 8.5, 501)
    normal = np.exp(-0.5 * u * u) / np.exp(-0.5 * u * u).sum()
    arrival = np.maximum.accumulate(dose - u[:, None] * sigma, axis=1)
    width = np.maximum(np.diff(arrival, axis=1), 1e-12)

    def exposure(supplied):
        parts = [np.clip((g * supplied - arrival[:, :-1]) / width, 0.0, 1.0) for g in (0.8, 1.0)]
        return normal @ (0.2 * parts[0] + 0.8 * parts[1])

    scale = 0.2 * 0.8 + 0.8  # mean rate: doses below are per relative rate
    start = exposure(0.0)
    for t, expected in zip(time[1:], np.cumsum(result.signal.sum(axis=2), axis=0), strict=True):
        balanced = brentq(
            lambda d, t=t: np.diff(dose) @ (exposure(d / scale) - start) - t, 0, 2 * t, xtol=1e-6
        )
        gone = (exposure(balanced / scale) - start) * dz * DENSITY
        np.testing.assert_allclose(
            np.bincount(layer, gone), expected, atol=2e-3 * DENSITY * thickness[0]
        )


# ------------------------------------------------------------------- escape depth


def test_escape_depth_sees_the_next_layer_early():
    # Attenuation through a layer (Beer-Lambert): what lies under x contributes exp(-x/L).
    z0, escape = 10.0, 1.5
    time = np.linspace(0.0, 14.0, 141)
    result = simulate(layers([z0]), Instrument(escape_depth_nm=escape, view="viewed"), time)
    mean = np.diff(escape * np.exp(-np.maximum(z0 - time, 0.0) / escape)) / np.diff(time)
    expected = np.where(time[1:] <= z0 + 1e-9, mean, 1.0)
    np.testing.assert_allclose(result.signal[:, 1, 1], expected, atol=2e-5)


def test_delta_layer_seen_through_a_mixed_zone():
    # Derived: before the zone reaches the delta exp(x/l)/l, afterwards
    # (1 - exp(-w/l))/w exp(-(x + w)/w), x = z - z0; then smeared by a Gaussian.
    # Form of Hofmann, Liu, Wang, Kovac, Appl. Surf. Sci. 314 (2014) 942 (from memory).
    w, s, ell, z0, d = 1.0, 0.6, 0.4, 15.0, 0.004

    def response(x):
        mixed = (1.0 - np.exp(-w / ell)) / (2.0 * w) * np.exp(-(x + w) / w + (s / w) ** 2 / 2.0)
        ahead = np.exp(x / ell + (s / ell) ** 2 / 2.0) / (2.0 * ell)
        root = np.sqrt(2.0)
        return mixed * (1.0 + erf(((x + w) / s - s / w) / root)) + ahead * (
            1.0 - erf(((x + w) / s + s / ell) / root)
        )

    assert response(0.0) == pytest.approx(0.3523792, abs=1e-7)
    time = np.arange(0.0, 22.0, 0.25)
    instrument = Instrument(mixing=("uniform", w), initial_nm=s, escape_depth_nm=ell, view="viewed")
    result = simulate(layers([z0, d]), instrument, time)
    centre = z0 + d / 2.0
    expected = [quad(response, a - centre, b - centre)[0] / (b - a)
                for a, b in pairwise(time)]  # fmt: skip
    np.testing.assert_allclose(result.signal[:, 1, 1] / d, expected, atol=1e-4)


# ------------------------------------------------------------------- sums and convergence

STACK = Sample(
    thickness_nm=[12.0, 8.0],
    width_nm=[1.5, 2.0],
    shape=["exponential", "linear"],
    side=["above", "below"],
    atomic_density_per_nm3=[60.0, 85.0, 50.0],
    composition=[[0.5, 0.5, 0.0], [0.2, 0.0, 0.8], [0.0, 0.0, 1.0]],
    rate_nm_s=[1.0, 3.0, 0.5],
)
ROUGH = {"initial_nm": 0.5, "growth": "statistical"}
INSTRUMENTS = {
    "unmixed": Instrument(crater=("tilted", 0.1), **ROUGH),
    "uniform": Instrument(crater=("parabolic", 0.1), mixing=("uniform", 2.0), **ROUGH),
    "preference": Instrument(
        crater=("tilted", 0.05), mixing=("uniform", 2.0), preference=(1.0, 3.0, 0.5), **ROUGH
    ),
    "diffusive": Instrument(
        crater=("parabolic", 0.1),
        mixing=("diffusive", 1.0, 2.0),
        preference=(1.0, 2.0, 1.0),
        **ROUGH,
    ),
}


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_every_atom_is_collected_once(name):
    # Conservation: all atoms of the two layers, whatever stirs and roughens them.
    time = np.linspace(0.0, 160.0, 17)
    result = simulate(STACK, INSTRUMENTS[name], time)
    collected = result.signal.sum(axis=0)[:2]
    supplied = (
        np.array([12.0, 8.0])[:, None]
        * np.array([[60.0], [85.0]])
        * np.array(STACK.composition[:2])
    )
    np.testing.assert_allclose(collected, supplied, rtol=1e-6, atol=1e-9)
    checks = result.checks
    assert checks["planes"] < 1e-10
    assert checks["removed_sum"] < 1e-10
    assert checks["seen_sum"] < 1e-8
    assert checks["ion_budget"] < 1e-8
    assert checks["removed_min"] > -1e-12
    assert checks["exposure_min"] >= 0.0
    assert checks["exposure_max"] <= 1.0 + 1e-12
    assert checks["exposure_order"] < 1e-12
    assert checks["past_the_end"] == 0.0


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_halving_all_steps_changes_nothing(name):
    time = np.linspace(0.0, 50.0, 51)
    coarse = simulate(STACK, INSTRUMENTS[name], time, refine=0.5).signal
    fine = simulate(STACK, INSTRUMENTS[name], time).signal
    np.testing.assert_allclose(coarse, fine, atol=2e-4 * fine.max())


@pytest.mark.parametrize("shape", ["erf", "linear", "exponential"])
def test_layers_hold_their_thickness_under_wide_interfaces(shape):
    # The planes are defined by the amounts: here checked on a plain fine grid (midpoint rule).
    result = simulate(layers([3.0, 2.0], width_nm=[5.0, 4.0], shape=shape), Instrument(), [0, 60.0])
    np.testing.assert_allclose(result.signal[0].sum(axis=1)[:2], [150.0, 100.0], rtol=1e-6)
