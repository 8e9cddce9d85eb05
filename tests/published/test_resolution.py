"""Depth-resolution figures against papers, derivations and independent numerical routes."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar
from scipy.special import ndtr
from scipy.stats import exponnorm, laplace_asymmetric

from craterfront.models.detection.escape import attenuation
from craterfront.models.materials.inelastic_paths import seah_dench_element_nm, seah_dench_nm
from craterfront.models.measurands.delta_response import (
    delta_edge_width,
    delta_fwhm,
    delta_mean,
    delta_peak,
    delta_response,
    delta_variance,
    step_response,
    zone_escape_response,
)
from craterfront.models.measurands.edge_response import logistic_edge, logistic_width
from craterfront.models.measurands.resolution import (
    EXACT_LEVELS,
    NOMINAL_LEVELS,
    level_width,
)

LEVELS = [EXACT_LEVELS, NOMINAL_LEVELS, (0.10, 0.90)]


def moment(function, order, end=60.0):
    return quad(lambda t: t**order * float(function(t)), -end, end, points=[0.0], limit=400)[0]


def crossing(function, level, start, end):
    return brentq(lambda t: float(function(t)) - level, start, end, xtol=1e-12)


# Edge widths ------------------------------------------------------------------------------------


@pytest.mark.derived
def test_exact_levels_are_one_standard_deviation_apart_from_the_middle():
    # Derived: the normal distribution function at -1 and +1, by erfc.
    low, high = EXACT_LEVELS
    assert low == pytest.approx(0.158655254, abs=1e-9)
    assert high == pytest.approx(0.841344746, abs=1e-9)


@pytest.mark.derived
@pytest.mark.parametrize(
    ("levels", "width"), list(zip(LEVELS, [2.0, 1.988916, 2.563103], strict=True))
)
def test_gaussian_edge(levels, width):
    # IUPAC Compendium of Chemical Terminology, D01607: the 84 and 16 % levels are 2 sigma apart.
    # Derived: quantiles of the normal distribution; 2 at the exact levels, 1.9889 at 16 and 84 %.
    x = np.linspace(-8, 8, 8001)
    assert level_width(x, ndtr(x), *levels, plateaus=(0, 1)).width == pytest.approx(width, rel=1e-6)
    assert delta_edge_width(0, 0, 1.0, *levels) == pytest.approx(width, rel=1e-6)


@pytest.mark.derived
@pytest.mark.parametrize(
    ("levels", "width"), list(zip(LEVELS, [1.668268, 1.658228, 2.197225], strict=True))
)
def test_exponential_edge(levels, width):
    # Derived: 1 - exp(-x/w) = p, so the width is w ln[(1 - low)/(1 - high)]. The "1.668 w" of the
    # literature therefore belongs to the exact levels.
    assert delta_edge_width(0, 1.0, 0, *levels) == pytest.approx(width, rel=1e-6)
    x = np.linspace(0, 40, 8001)
    measured = level_width(x, -np.expm1(-x), *levels, plateaus=(0, 1))
    assert measured.width == pytest.approx(width, rel=1e-5)


@pytest.mark.derived
@pytest.mark.parametrize(
    ("levels", "width"), list(zip(LEVELS, [3.336536, 3.316456, 4.394449], strict=True))
)
def test_logistic_edge(levels, width):
    # ASTM E1636, symmetric case. Derived: the width is D0 times the difference of the logits.
    assert logistic_width(2.0, 0.0, *levels) == pytest.approx(2 * width, rel=1e-6)
    x = np.linspace(-30, 30, 6001)
    measured = level_width(x, logistic_edge(x, 0, 1), *levels, plateaus=(0, 1))
    assert measured.width == pytest.approx(width, rel=1e-5)


@pytest.mark.derived
def test_logistic_edge_between_12_and_88_percent():
    # Derived: 2 ln(0.88/0.12). The level pair is that of lateral resolution in ISO 18516 (from
    # memory).
    assert logistic_width(1.0, 0.0, 0.12, 0.88) == pytest.approx(3.985, abs=5e-4)


@pytest.mark.recalled
@pytest.mark.parametrize(
    ("product", "width"),
    [(0, 3.3165), (0.1, 3.3392), (0.2, 3.4065), (0.3, 3.5139), (0.5, 3.7906), (1.0, 4.1196)],
)
def test_asymmetric_logistic_width(product, width):
    # ASTM E1636 with D = 2 D0/(1 + exp(Q d)) (this form from memory), 16-84 %. Derived
    # independently by root finding.
    d0 = 1.7
    for sign in (1, -1):
        q = sign * product / d0
        assert logistic_width(d0, q, *NOMINAL_LEVELS) / d0 == pytest.approx(width, abs=6e-5)

        def edge(x, q=q):
            return logistic_edge(x, 0, d0, q)

        ends = [crossing(edge, level, -20, 20) for level in NOMINAL_LEVELS]
        assert logistic_width(d0, q, *NOMINAL_LEVELS) == pytest.approx(ends[1] - ends[0], rel=1e-9)


@pytest.mark.derived
def test_logistic_derivative_has_the_known_spread():
    # Logistic distribution: standard deviation pi D0/sqrt(3), width at half maximum 3.525494 D0
    # (from memory: handbooks of statistics; the second derived, 2 arccosh(sqrt 2) * 2).

    def density(x):
        return (logistic_edge(x + 1e-4, 0, 1) - logistic_edge(x - 1e-4, 0, 1)) / 2e-4

    assert math.sqrt(moment(density, 2)) == pytest.approx(math.pi / math.sqrt(3), rel=1e-6)
    half = crossing(density, 0.125, 0, 10)
    assert 2 * half == pytest.approx(3.525494, rel=1e-6)
    assert 4 * math.acosh(math.sqrt(2)) == pytest.approx(3.525494, rel=1e-6)


@pytest.mark.derived
def test_interdiffusion_edge():
    # Crank, The Mathematics of Diffusion: two half spaces, c = erfc(x/(2 sqrt(Dt)))/2, a falling
    # edge with sigma = sqrt(2Dt), so 2 sigma = 2.8284 sqrt(Dt).
    root_dt = 3.0
    x = np.linspace(-40, 40, 8001)
    falling = np.array([math.erfc(t / (2 * root_dt)) / 2 for t in x])
    edge = level_width(x, falling, plateaus=(1, 0))
    assert not edge.rising
    assert edge.width == pytest.approx(2.8284 * root_dt, rel=1e-4)
    assert edge.midpoint == pytest.approx(0, abs=1e-9)


@pytest.mark.derived
def test_linear_ramp():
    # Derived: a straight ramp of length L covers the share (high - low) L between the levels:
    # 0.682689 L at the exact ones, 0.68 L at 16 and 84 %.
    x = np.linspace(-1, 2, 3001)
    ramp = np.clip(x, 0, 1)
    assert level_width(x, ramp).width == pytest.approx(0.682689, abs=1e-6)
    assert level_width(x, ramp, *NOMINAL_LEVELS).width == pytest.approx(0.68, abs=1e-6)


# Delta layer with the three parameters of ISO 20341 ---------------------------------------------


@pytest.mark.derived
def test_delta_response_values():
    # ISO 20341:2003, leading and trailing decay length and Gaussian broadening. Values derived from
    # the convolution integral.
    values = delta_response([0, 3, -2], 0, 0.8, 1.6, 0.9)
    assert values == pytest.approx([0.242247009, 0.074778785, 0.060186620], abs=1e-9)


@pytest.mark.derived
def test_delta_response_is_the_convolution():
    # Oracles: general-purpose statistics (asymmetric Laplace law) and numerical quadrature.
    leading, trailing, sigma = 0.8, 1.6, 0.9
    scale = math.sqrt(leading * trailing)
    sharp = laplace_asymmetric(kappa=math.sqrt(leading / trailing), scale=scale)

    def smeared(x):
        def integrand(t):
            return sharp.pdf(t) * math.exp(-(((x - t) / sigma) ** 2) / 2)

        return sum(quad(integrand, *part)[0] for part in ((-25, 0), (0, 40))) / (
            sigma * math.sqrt(2 * math.pi)
        )

    for x in (-6.0, -2.0, 0.0, 0.3, 3.0, 12.0):
        value = float(delta_response(x, 0, leading, trailing, sigma))
        assert value == pytest.approx(smeared(x), rel=1e-8)


@pytest.mark.derived
@pytest.mark.parametrize(("length", "sigma"), [(1.6, 0.9), (0.05, 2.0), (30.0, 0.1)])
def test_one_sided_response_is_the_exponentially_modified_gaussian(length, sigma):
    # Oracle: scipy.stats.exponnorm.
    law = exponnorm(length / sigma, scale=sigma)
    x = np.linspace(-6 * sigma, 6 * sigma + 10 * length, 101)
    assert delta_response(x, 0, 0, length, sigma) == pytest.approx(law.pdf(x), rel=1e-9, abs=1e-300)
    assert step_response(x, 0, 0, length, sigma) == pytest.approx(law.cdf(x), rel=1e-7, abs=1e-14)
    assert delta_response(-x, 0, length, 0, sigma) == pytest.approx(
        law.pdf(x), rel=1e-9, abs=1e-300
    )
    assert delta_fwhm(0, length, sigma) == pytest.approx(delta_fwhm(length, 0, sigma), rel=1e-10)


@pytest.mark.derived
def test_delta_response_moments():
    # Derived: the moments of independent causes add.
    shape = (0.8, 1.6, 0.9)

    def response(t):
        return delta_response(t, 0, *shape)

    mean = moment(response, 1)
    assert moment(response, 0) == pytest.approx(1, abs=1e-9)
    assert mean == pytest.approx(0.8, abs=1e-6)
    assert moment(response, 2) - mean**2 == pytest.approx(4.010, abs=1e-6)
    assert delta_mean(0, 0.8, 1.6) == pytest.approx(0.8)
    assert delta_variance(*shape) == pytest.approx(4.010)


@pytest.mark.derived
def test_delta_response_peak_and_half_width():
    # Derived, to three decimals; then against a general-purpose minimiser.
    shape = (0.8, 1.6, 0.9)
    assert delta_peak(0, *shape) == pytest.approx(0.298, rel=1e-3)
    assert delta_fwhm(*shape) == pytest.approx(3.441, rel=1e-3)
    best = minimize_scalar(lambda t: -float(delta_response(t, 0, *shape)), bracket=(-1, 0.3, 2))
    assert delta_peak(0, *shape) == pytest.approx(best.x, abs=1e-6)
    ends = [
        crossing(lambda t: delta_response(t, 0, *shape), -best.fun / 2, *i)
        for i in ((-9, best.x), (best.x, 9))
    ]
    assert delta_fwhm(*shape) == pytest.approx(ends[1] - ends[0], rel=1e-9)


@pytest.mark.derived
def test_gaussian_half_width():
    # Derived: 2 sqrt(2 ln 2) sigma, where the Gaussian has fallen to one half.
    assert delta_fwhm(0, 0, 1.5) == pytest.approx(2.354820 * 1.5, rel=1e-6)


@pytest.mark.derived
def test_mixing_and_escape_make_a_two_sided_exponential():
    # Derived: a decay exp(-z/w) behind and exp(z/lambda) before, convolved, have the height
    # 1/(w + lambda) at their apex.
    w, escape = 1.3, 0.4
    assert float(delta_response(0, 0, escape, w, 0)) == pytest.approx(1 / (w + escape), rel=1e-12)
    x = 0.7
    convolved = quad(lambda t: math.exp(-t / w - (t - x) / escape) / (w * escape), x, 60)[0]
    assert float(delta_response(x, 0, escape, w, 0)) == pytest.approx(convolved, rel=1e-8)


@pytest.mark.published
def test_monolayer_half_width():
    # A 2018 conference paper (SCITEPRESS, no. 74405) gives about 2.9 monolayers, 0.8 nm, for mixing
    # length and roughness of one monolayer (0.25 +- 0.05 nm) and no escape depth. Derived: 2.8909.
    width = delta_fwhm(0, 1.0, 1.0)
    assert width == pytest.approx(2.8909, rel=1e-3)
    assert width == pytest.approx(2.9, abs=0.05)
    assert 0.20 * width < 0.8 < 0.30 * width


@pytest.mark.derived
@pytest.mark.parametrize(
    ("ratio", "true", "rule", "fwhm"),
    [
        (0.1, 2.0099, 2.0069, 2.3663),
        (0.25, 2.0584, 2.0430, 2.4194),
        (0.5, 2.2051, 2.1670, 2.5589),
        (1.0, 2.6469, 2.6044, 2.8909),
        (1.5, 3.2217, 3.2034, 3.2362),
        (2.0, 3.8853, 3.8900, 3.5865),
        (3.0, 5.3496, 5.3896, 4.3003),
        (5.0, 8.4937, 8.5778, 5.7512),
        (10.0, 16.7022, 16.8021, 9.361),
    ],
)
def test_adding_widths_in_quadrature_is_an_approximation(ratio, true, rule, fwhm):
    # Derived: Gaussian roughness and exponential mixing, exact levels. The quadrature rule for
    # 16-84 % widths is 1.8 % low at ratio 0.5 and 1 % high at ratio 5; variances add exactly.
    width = delta_edge_width(0, ratio, 1.0)
    assert width == pytest.approx(true, rel=5e-5)
    assert math.hypot(2.0, 1.668268 * ratio) == pytest.approx(rule, rel=5e-5)
    assert delta_fwhm(0, ratio, 1.0) == pytest.approx(fwhm, rel=5e-5)


@pytest.mark.derived
def test_quadrature_bias():
    # Derived, as above: ratio of the true width to the rule.
    for ratio, bias in ((0.5, 1.0176), (5.0, 0.9902)):
        rule = math.hypot(2.0, delta_edge_width(0, ratio, 0))
        assert delta_edge_width(0, ratio, 1.0) / rule == pytest.approx(bias, abs=5e-4)


# Mixed zone seen through an escape depth --------------------------------------------------------

ZONE = {"centre": 0.0, "mixing_length": 1.0, "escape_depth": 0.4, "sigma": 0.6}


def zone(x):
    return zone_escape_response(x, **ZONE)


@pytest.mark.derived
def test_zone_escape_values():
    # Derived from the balance of a fully mixed zone; the model assumptions are those of Hofmann,
    # Liu, Wang, Kovac, Appl. Surf. Sci. 314 (2014) 942.
    expected = [0.0643434, 0.3436175, 0.4164143, 0.3523792, 0.1483226, 0.0201279]
    assert zone([-2, -1, -0.5, 0, 1, 3]) == pytest.approx(expected, abs=1e-7)


@pytest.mark.derived
def test_zone_escape_area_and_centroid():
    # Derived: unit area, centroid -exp(-w/l) (w + l).
    assert moment(zone, 0) == pytest.approx(1, abs=1e-6)
    assert moment(zone, 1) == pytest.approx(-0.114919, abs=1e-6)
    assert moment(zone, 1) == pytest.approx(-math.exp(-2.5) * 1.4, abs=1e-9)


@pytest.mark.derived
def test_zone_escape_peak_and_widths():
    # Derived numerically.
    best = minimize_scalar(lambda t: -float(zone(t)), bracket=(-2, -0.5, 1))
    assert -best.fun == pytest.approx(0.416442, abs=1e-6)
    assert best.x == pytest.approx(-0.509, abs=1e-3)
    half = [crossing(zone, -best.fun / 2, *i) for i in ((-5, best.x), (best.x, 5))]
    assert half[1] - half[0] == pytest.approx(2.07126, abs=1e-5)

    def edge(x):
        return quad(lambda t: float(zone(t)), -15, x)[0]

    low, middle, high = (crossing(edge, level, -5, 8) for level in (0.16, 0.5, 0.84))
    assert high - low == pytest.approx(2.1010, abs=1e-4)
    assert middle == pytest.approx(-0.2851, abs=1e-4)
    # Derived: the quadrature rule for 16-84 % widths is 2.2 % too wide here.
    rule = math.sqrt((1.658228 * 1.0) ** 2 + (1.658228 * 0.4) ** 2 + (1.988916 * 0.6) ** 2)
    assert rule / (high - low) == pytest.approx(1.022, abs=1e-3)


@pytest.mark.derived
def test_zone_escape_from_its_mixing_balance():
    # Independent route without roughness: the zone holds 1/w of the layer once it has touched it
    # and loses a share dz/w per step; the signal is the sum over depth weighted with exp(-x/l)/l.
    w, escape = 1.0, 0.4

    def signal(z):
        if z < -w:
            return math.exp(z / escape) / escape
        content = math.exp(-(z + w) / w) / w
        return quad(lambda x: content * math.exp(-x / escape) / escape, 0, w)[0]

    for z in (-3.0, -1.2, -0.9, 0.0, 2.0):
        value = float(zone_escape_response(z, 0, w, escape, 0.0))
        assert value == pytest.approx(signal(z), rel=1e-9)


@pytest.mark.derived
def test_zone_without_escape_depth_is_the_mixing_decay():
    # Derived: c = exp(-(z - z0 + w)/w)/w behind z0 - w; with roughness the one-sided response.
    x = np.linspace(-4, 9, 53)
    expected = delta_response(x, 2.0 - 1.5, 0, 1.5, 0.7)
    assert zone_escape_response(x, 2.0, 1.5, 0.0, 0.7) == pytest.approx(expected, rel=1e-12)


# Escape depth of electrons ----------------------------------------------------------------------


@pytest.mark.published
def test_seah_dench_minimum():
    # Seah and Dench, Surf. Interface Anal. 1 (1979) 2: about 0.41 nm at about 41 eV for a monolayer
    # of 0.25 nm. Derived from the formula: 0.408 nm at 40.6 eV.
    best = minimize_scalar(lambda e: float(seah_dench_element_nm(e, 0.25)), bracket=(10, 40, 200))
    assert best.x == pytest.approx(40.6, rel=0.01)
    assert best.fun == pytest.approx(0.408, rel=0.01)
    assert best.fun == pytest.approx(0.41, abs=0.01)
    assert best.x == pytest.approx(41, abs=1)


@pytest.mark.derived
@pytest.mark.parametrize(
    ("energy", "value"),
    [(100, 0.5259), (500, 1.1465), (1000, 1.6208), (1253.6, 1.8147), (1486.6, 1.9761)],
)
def test_seah_dench_values(energy, value):
    # Derived from the formula of the same paper by an independent calculation, monolayer 0.25 nm.
    assert float(seah_dench_element_nm(energy, 0.25)) == pytest.approx(value, abs=6e-5)


@pytest.mark.derived
def test_both_forms_of_seah_and_dench_agree():
    # The same paper gives both for elements. They describe one data set, so for a usual monolayer
    # of 0.25 nm they should agree far within its scatter.
    energy = np.array([30.0, 100.0, 300.0, 1000.0, 1500.0])
    assert seah_dench_nm(energy) == pytest.approx(seah_dench_element_nm(energy, 0.25), rel=0.08)


@pytest.mark.derived
def test_attenuation_by_an_overlayer():
    # Derived: 2 nm of gold, attenuation length 1.65 nm, emission at 45 degrees.
    assert float(attenuation(2.0, 1.65, 45.0)) == pytest.approx(0.18011, abs=1e-5)
    # 63.2, 86.5, 95.02 % of the signal come from one, two, three lengths (exponential law).
    shares = 1 - attenuation([1.0, 2.0, 3.0], 1.0)
    assert shares == pytest.approx([0.632, 0.865, 0.9502], abs=5e-4)
