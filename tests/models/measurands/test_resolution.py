"""Edge and delta responses, their widths and their fits."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ndtr

from craterfront.models.detection.escape import attenuation
from craterfront.models.materials.inelastic_paths import seah_dench_element_nm, seah_dench_nm
from craterfront.models.measurands.curve_fitting import (
    Model,
    Noise,
    correlation_factor,
    counting_scale,
    fit_curve,
    uncertainty,
)
from craterfront.models.measurands.delta_fit import DeltaParameters, fit_delta_response
from craterfront.models.measurands.delta_response import (
    delta_derivatives,
    delta_edge_width,
    delta_fwhm,
    delta_mean,
    delta_peak,
    delta_response,
    delta_variance,
    step_response,
    zone_escape_response,
)
from craterfront.models.measurands.edge_response import (
    LogisticParameters,
    fit_logistic_edge,
    logistic_edge,
    logistic_width,
)
from craterfront.models.measurands.resolution import EXACT_LEVELS, level_width
from craterfront.models.validity import ValidityWarning

lengths = st.floats(0.0, 5.0) | st.floats(-12.0, 0.0).map(lambda p: 10.0**p)
positive = st.floats(0.05, 5.0)
some = settings(max_examples=40, deadline=None)
few = settings(max_examples=20, deadline=None)


def integral(function, mean, sd, marks):
    ends = (mean - 60 * sd, mean + 60 * sd)
    inside = sorted(m for m in marks if ends[0] < m < ends[1])
    parts = zip([ends[0], *inside], [*inside, ends[1]], strict=True)
    return sum(quad(lambda t: float(function(t)), *part, limit=200)[0] for part in parts)


# Delta response ---------------------------------------------------------------------------------


@few
@given(lengths, lengths, positive)
def test_delta_response_has_unit_area_and_the_sum_of_variances(leading, trailing, sigma):
    mean = delta_mean(1.0, leading, trailing)
    sd = math.sqrt(delta_variance(leading, trailing, sigma))
    marks = [1.0 + k * sigma for k in (-8, -2, 0, 2, 8)] + [mean - 5 * sd, mean + 5 * sd]

    def moment(order):
        def weighted(t):
            return (t - mean) ** order * delta_response(t, 1.0, leading, trailing, sigma)

        return integral(weighted, mean, sd, marks)

    assert moment(0) == pytest.approx(1, abs=1e-7)
    assert moment(1) == pytest.approx(0, abs=1e-6 * sd)
    assert moment(2) == pytest.approx(sd**2, rel=1e-6)


@some
@given(lengths, lengths, lengths)
def test_step_response_rises_from_zero_to_one_with_the_delta_response_as_slope(a, b, sigma):
    assume(a + b + sigma > 1e-6)
    sd = math.sqrt(delta_variance(a, b, sigma))
    x = delta_mean(0, a, b) + sd * np.linspace(-30, 30, 601)
    step = step_response(x, 0, a, b, sigma)
    assert np.all(np.diff(step) >= -1e-15)
    assert step[0] == pytest.approx(0, abs=1e-9)
    assert step[-1] == pytest.approx(1, abs=1e-9)
    density = delta_response(x, 0, a, b, sigma)
    assert np.all(density >= 0)
    assert np.all(np.isfinite(density))
    if sigma > 0.05 * sd:
        h = 1e-4 * sigma
        slope = (step_response(x + h, 0, a, b, sigma) - step_response(x - h, 0, a, b, sigma)) / (
            2 * h
        )
        assert slope == pytest.approx(density, abs=1e-6 / sd)


@some
@given(lengths, lengths, lengths, st.floats(1e-6, 1e6))
def test_widths_scale_with_the_unit_and_ignore_the_direction(a, b, sigma, factor):
    assume(a + b + sigma > 1e-9)
    for width in (delta_fwhm, delta_edge_width):
        value = width(a, b, sigma)
        assert 0 < value < 4 * math.sqrt(delta_variance(a, b, sigma))
        scaled = width(a * factor, b * factor, sigma * factor)
        assert scaled == pytest.approx(factor * value, rel=1e-7)
        assert width(b, a, sigma) == pytest.approx(value, rel=1e-7)


@some
@given(lengths, lengths, positive)
def test_peak_and_half_maximum(a, b, sigma):
    peak, width = delta_peak(2.0, a, b, sigma), delta_fwhm(a, b, sigma)
    top = float(delta_response(peak, 2.0, a, b, sigma))
    around = delta_response(peak + width * np.linspace(-3, 3, 301), 2.0, a, b, sigma)
    assert around.max() <= top * (1 + 1e-12)
    assert np.sum(around > top / 2) == pytest.approx(50, abs=1)
    assert delta_peak(2.0, b, a, sigma) == pytest.approx(4.0 - peak, abs=1e-7)


@pytest.mark.parametrize("tiny", [0.0, 1e-300, 1e-120, 1e-30, 1e-12])
def test_vanishing_lengths_give_the_limits(tiny):
    x = np.array([-3.0, -0.5, 0.25, 2.0, 9.0])
    gaussian = np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)
    assert delta_response(x, 0, tiny, tiny, 1.0) == pytest.approx(gaussian, rel=1e-9)
    assert step_response(x, 0, tiny, tiny, 1.0) == pytest.approx(ndtr(x), rel=1e-9)
    decay = np.where(x > 0, np.exp(-x / 2) / 2, 0)
    assert delta_response(x, 0, tiny, 2.0, tiny) == pytest.approx(decay, rel=1e-9, abs=1e-300)
    assert delta_fwhm(tiny, 2.0, tiny) == pytest.approx(2 * math.log(2), rel=1e-8)
    assert delta_edge_width(tiny, tiny, 1.0) == pytest.approx(2.0, rel=1e-9)
    assert delta_peak(1.0, tiny, 2.0, tiny) == pytest.approx(1.0, abs=1e-9)


@few
@given(lengths, lengths, st.just(0.0) | positive)
def test_derivatives_match_differences(leading, trailing, sigma):
    assume(leading + trailing + sigma > 0.01)
    smallest = max(leading, trailing) if sigma == 0 else sigma
    assume(smallest > 0.01)
    shape = [1.0, leading, trailing, sigma]
    size = math.sqrt(delta_variance(*shape[1:]))
    x = 1.0 + size * np.array([-4.1, -1.3, -0.6, 0.7, 2.2, 6.3])
    derivatives = delta_derivatives(x, *shape)
    for i, derivative in enumerate(derivatives):
        h = 1e-4 * min(smallest, sigma or smallest)

        def at(steps, i=i, h=h):
            moved = list(shape)
            moved[i] += steps * h
            return delta_response(x, *moved)

        if shape[i] > h:
            difference = (at(1) - at(-1)) / (2 * h)
        else:  # one-sided, of second order
            difference = (4 * at(1) - 3 * at(0) - at(2)) / (2 * h)
        if sigma == 0 and i == 3:
            assert np.all(derivative == 0)
        else:
            assert derivative == pytest.approx(difference, rel=1e-4, abs=1e-5 / smallest**2)


def test_far_tails_neither_overflow_nor_vanish_early():
    # Derived: far behind, the smeared decay is exp(-t/l + s^2/(2 l^2))/l.
    value = float(delta_response(400.0, 0, 0, 1.0, 1.0))
    assert value == pytest.approx(math.exp(-400 + 0.5), rel=1e-12)
    assert float(delta_response(-400.0, 0, 0, 1.0, 1.0)) == 0
    wide = delta_response(np.array([-1e6, 1e6]), 0, 1e-3, 1e-3, 1.0)
    assert wide.tolist() == [0, 0]


@few
@given(st.floats(0, 5), st.floats(0, 5), positive)
def test_zone_escape_response_has_unit_area_and_its_centroid(w, escape, sigma):
    sd = math.sqrt(w**2 + escape**2 + sigma**2)
    marks = [-w + k * sigma for k in (-8, -2, 0, 2, 8)]

    def moment(order):
        return integral(
            lambda t: t**order * zone_escape_response(t, 0, w, escape, sigma), 0, sd, marks
        )

    share = math.exp(-w / escape) if escape > 0 else 0.0
    assert moment(0) == pytest.approx(1, abs=1e-6)
    assert moment(1) == pytest.approx(-share * (w + escape), abs=1e-5 * sd)


def test_bad_lengths_are_named():
    with pytest.raises(ValueError, match=r"trailing: must be >= 0 and finite, got -1\.0"):
        delta_response(0.0, 0.0, 1.0, -1.0, 1.0)
    with pytest.raises(ValueError, match="leading, trailing, sigma: at least one"):
        step_response(0.0, 0.0, 0.0, 0.0, 0.0)
    with pytest.raises(ValueError, match="escape_depth: must be >= 0"):
        zone_escape_response(0.0, 0.0, 1.0, math.nan, 1.0)
    with pytest.raises(ValueError, match=r"0 < low < high < 1, got 0\.84, 0\.16"):
        delta_edge_width(1.0, 1.0, 1.0, 0.84, 0.16)


# Edges ------------------------------------------------------------------------------------------


@some
@given(positive, st.floats(-1e4, 1e4), st.floats(1e-3, 1e3))
def test_logistic_edge_is_monotone_and_bounded_for_every_asymmetry(half_width, asymmetry, factor):
    x = np.linspace(-1e4, 1e4, 2001)
    y = logistic_edge(x, 0.0, half_width, asymmetry)
    assert np.all(np.isfinite(y))
    assert np.all(np.diff(y) >= 0)
    assert (y[0], y[1000], y[-1]) == pytest.approx((0, 0.5, 1), abs=1e-12)
    width = logistic_width(half_width, asymmetry)
    assert logistic_width(half_width, -asymmetry) == pytest.approx(width, rel=1e-9)
    scaled = logistic_width(factor * half_width, asymmetry / factor)
    assert scaled == pytest.approx(factor * width, rel=1e-9)


def test_plateaus_of_the_logistic_edge_follow_their_slopes():
    y = logistic_edge(np.array([-50.0, 50.0]), 0.0, 1.0, 0.1, 2.0, 5.0, 0.01, -0.02)
    assert y == pytest.approx([2.0 - 0.5, 5.0 - 1.0], rel=1e-9)


@few
@given(st.floats(0.5, 3), st.floats(-5, 5), st.floats(-3, 3), st.floats(0.1, 1e4), st.booleans())
def test_level_width_of_a_clean_edge(sigma, shift, base, height, rising):
    x = np.linspace(-20, 20, 401)
    y = base + height * ndtr((x - shift) / sigma * (1 if rising else -1))
    edge = level_width(x, y)
    assert edge.rising is rising
    # Derived: straight lines between points h apart widen a Gaussian edge by h^2/(4 sigma) at most.
    assert edge.width == pytest.approx(2 * sigma, abs=1.05 * 0.1**2 / (4 * sigma))
    assert edge.midpoint == pytest.approx(shift, abs=1e-3)


def test_level_width_uncertainty_covers_the_truth():
    # Poisson counts, 40 repetitions: the root mean square of the standardised errors is 1 within
    # its own scatter of 1/sqrt(80) = 0.11, and noise must not bias the width.
    x = np.linspace(0, 20, 200)
    scores = []
    for seed in range(40):
        counts = np.random.default_rng(seed).poisson(10 + 1000 * ndtr((10 - x) / 1.5))
        edge = level_width(x, counts)
        scores.append(((edge.width - 3) / edge.u_width, (edge.midpoint - 10) / edge.u_midpoint))
    assert np.max(np.abs(scores)) < 5
    assert np.sqrt(np.mean(np.square(scores), axis=0)) == pytest.approx([1, 1], abs=0.35)
    assert np.abs(np.mean(scores, axis=0)).max() < 0.5


def test_level_width_ignores_false_crossings_and_repeats_itself():
    x = np.linspace(0, 20, 400)
    y = ndtr((x - 10) / 2)
    y[100] = 0.5  # a stray point far before the edge
    edge = level_width(x, y, u=0.01)
    assert edge.width == pytest.approx(4, rel=0.02)
    assert level_width(x, y, u=0.01) == edge


def test_level_width_refuses_what_is_no_edge():
    x = np.arange(20.0)
    with pytest.raises(ValueError, match="both plateaus are 3"):
        level_width(x, np.full(20, 3.0))
    with pytest.raises(ValueError, match=r"does not reach the level 0\.5 "):
        level_width(x, x, plateaus=(0.0, 40.0))
    with pytest.raises(ValueError, match="at least 10 points, got 4"):
        level_width(x[:4], x[:4])
    with pytest.raises(ValueError, match=r"y: must be finite, point 3 is nan"):
        level_width(x, np.where(x == 2, np.nan, x))
    with pytest.raises(ValueError, match=r"x: must increase, point 20 is 0\.0"):
        level_width(np.append(x[:19], 0.0), x)
    with pytest.raises(ValueError, match=r"u: must be > 0, point 1 is 0\.0"):
        level_width(x, x, u=0.0)


# Least squares ----------------------------------------------------------------------------------


def test_straight_line_agrees_with_the_closed_form():
    # Oracle: normal equations of weighted linear regression.
    x = np.linspace(0, 10, 40)
    generator = np.random.default_rng(3)
    u = generator.uniform(0.5, 2.0, 40)
    y = 3 + 2 * x + u * generator.standard_normal(40)
    columns = np.column_stack([np.ones(40), x])
    wide = np.full(2, np.inf)
    line = Model(lambda p: columns @ p, lambda p: columns, np.ones(2), -wide, wide)
    fit = fit_curve(line, np.zeros(2), y, Noise(u=u))
    design = columns / u[:, None]
    expected = np.linalg.lstsq(design, y / u, rcond=None)[0]
    found = uncertainty(fit, np.ones(2, bool), known_noise=True)
    assert fit.parameters == pytest.approx(expected, rel=1e-6)
    curvature = np.linalg.inv(design.T @ design)
    assert found.covariance == pytest.approx(found.inflation * curvature, rel=1e-6)
    assert found.inflation >= 1


def test_weights_from_the_model_do_not_bias_a_mean_of_counts():
    # The likelihood of a constant Poisson rate is largest at the mean. Weights 1/counts would give
    # the harmonic mean, about 12 % low at 10 counts (derived).
    counts = np.random.default_rng(5).poisson(10, 2000).astype(float)
    ones = np.ones((2000, 1))
    scale, low, high = np.array([[10.0], [0.1], [np.inf]])
    constant = Model(lambda p: ones @ p, lambda p: ones, scale, low, high)
    fit = fit_curve(constant, np.array([5.0]), counts, Noise(counting=True))
    assert fit.parameters[0] == pytest.approx(counts.mean(), rel=1e-6)
    assert 1 / np.mean(1 / counts) < 0.93 * counts.mean()
    assert counting_scale(counts, np.full(2000, 10.0)) == pytest.approx(1, abs=0.15)


def test_correlation_factor():
    generator = np.random.default_rng(7)
    white = generator.standard_normal(20000)
    assert correlation_factor(white) == pytest.approx(1, abs=0.05)
    # Derived: a moving sum of m independent numbers has the integrated autocorrelation m.
    summed = np.convolve(white, np.ones(8), mode="valid")
    assert correlation_factor(summed) == pytest.approx(8, rel=0.1)
    assert correlation_factor(np.zeros(9)) == 1


def test_correlated_residuals_and_unexplained_scatter_widen_the_uncertainty():
    x = np.linspace(0, 40, 400)
    clean = delta_response(x, 15, 0.8, 2.0, 1.0)
    ripple = 0.003 * np.convolve(
        np.random.default_rng(1).standard_normal(409), np.ones(10), "valid"
    )
    plain = 0.003 * math.sqrt(10) * np.random.default_rng(1).standard_normal(400)
    wavy = fit_delta_response(x, clean + ripple, u=0.003)
    rough = fit_delta_response(x, clean + plain, u=0.003)
    true = fit_delta_response(x, clean + plain, u=0.003 * math.sqrt(10))
    assert true.residual_scale == pytest.approx(1, abs=0.2)
    assert rough.residual_scale > 2.5
    assert rough.u.trailing == pytest.approx(true.u.trailing, rel=0.2)
    assert wavy.correlation_factor > 3
    assert wavy.u.trailing > 1.5 * rough.u.trailing


# Fits -------------------------------------------------------------------------------------------


def standardised(fit, truth):
    return (np.array(fit.parameters) - np.array(truth)) / np.array(fit.u)


def test_logistic_fit_recovers_the_truth():
    truth = LogisticParameters(10.0, 0.8, 0.3, 900.0, 40.0, -3.0, 0.5)
    x = np.linspace(0, 20, 120)
    width = logistic_width(truth.half_width, truth.asymmetry)
    scores = []
    for seed in range(30):
        counts = np.random.default_rng(seed).poisson(logistic_edge(x, *truth))
        fit = fit_logistic_edge(x, counts, poisson_scale=1.0)
        assert not fit.at_limit
        scores.append([*standardised(fit, truth), (fit.width - width) / fit.u_width])
    assert np.max(np.abs(scores)) < 5
    # 30 repetitions: the root mean square scatters by 1/sqrt(60) = 0.13.
    assert np.sqrt(np.mean(np.square(scores), axis=0)) == pytest.approx(np.ones(8), abs=0.5)


@pytest.mark.parametrize("asymmetry", [-0.4, 0.0, 0.4])
def test_logistic_fit_of_clean_data_is_exact(asymmetry):
    truth = LogisticParameters(1e4, 2e-3, asymmetry / 2e-3, 5e-9, 1e-9, 0.0, 0.0)
    x = 1e4 + np.linspace(-0.02, 0.02, 90)
    fit = fit_logistic_edge(x, logistic_edge(x, *truth))
    assert fit.parameters[:5] == pytest.approx(truth[:5], rel=1e-5, abs=1e-3)
    width = logistic_width(truth.half_width, truth.asymmetry)
    assert fit.width == pytest.approx(width, rel=1e-5)
    assert fit.width / fit.width_nominal == pytest.approx(1.006, abs=0.003)


def test_logistic_width_uncertainty_matches_the_scatter():
    # Constant noise of unknown size: the stated uncertainty must equal the scatter of repetitions.
    x = np.linspace(-10, 10, 100)
    fits = []
    for seed in range(30):
        noise = np.random.default_rng(seed).normal(0, 0.02, 100)
        fits.append(fit_logistic_edge(x, logistic_edge(x, 0.0, 1.0) + noise))
    scatter = np.std([fit.width for fit in fits], ddof=1)
    assert np.mean([fit.u_width for fit in fits]) == pytest.approx(scatter, rel=0.35)
    assert np.mean([fit.residual_scale for fit in fits]) == pytest.approx(0.02, rel=0.1)


def test_edge_narrower_than_the_points_is_reported_as_such():
    x = np.arange(40.0)
    y = np.where(x < 19.5, 1.0, 2.0) + 1e-3 * np.random.default_rng(0).standard_normal(40)
    fit = fit_logistic_edge(x, y, u=1e-3)
    assert fit.width < 1
    assert fit.at_limit or fit.u_width > 0.1 * fit.width


def delta_scores(truth, x, repeats):
    fwhm, width = delta_fwhm(*truth[2:5]), delta_edge_width(*truth[2:5])
    fits, scores = [], []
    for seed in range(repeats):
        clean = truth.area * delta_response(x, *truth[1:5]) + truth.background
        fit = fit_delta_response(x, np.random.default_rng(seed).poisson(clean))
        fits.append(fit)
        derived = [(fit.fwhm - fwhm) / fit.u_fwhm, (fit.edge_width - width) / fit.u_edge_width]
        scores.append([*standardised(fit, truth), *derived])
    return fits, np.array(scores)


@pytest.fixture(scope="module")
def repeated():
    """Thirty fits of one resolved delta response with Poisson counts."""
    return delta_scores(DeltaParameters(5000, 15, 0.8, 1.6, 0.9, 20), np.arange(5, 30, 0.2), 30)


def test_delta_fit_recovers_the_truth(repeated):
    fits, scores = repeated
    assert np.abs(scores).max() < 5
    # 30 repetitions: the root mean square scatters by 1/sqrt(60) = 0.13.
    assert np.sqrt(np.mean(scores**2, axis=0)) == pytest.approx(np.ones(8), abs=0.5)
    assert all(not fit.upper_limits for fit in fits)
    assert np.mean([fit.poisson_scale for fit in fits]) == pytest.approx(1, abs=0.15)
    assert np.mean([fit.correlation_factor for fit in fits]) < 1.2


@pytest.mark.parametrize(
    ("leading", "trailing", "sigma", "absent"),
    [(0.0, 3.0, 1.0, {"leading"}), (0.5, 3.0, 0.0, {"sigma"}), (0.0, 0.0, 2.0, {"leading"})],
)
def test_absent_length_gets_an_upper_limit(leading, trailing, sigma, absent):
    truth = DeltaParameters(5000.0, 15.0, leading, trailing, sigma, 5.0)
    fits, scores = delta_scores(truth, np.arange(5, 35, 0.25), 6)
    # One-sided 95 % limits: each length is excluded from zero by chance in one case of 20.
    named = [absent <= set(fit.upper_limits) for fit in fits]
    assert sum(named) >= len(fits) - 1
    assert np.abs(scores).max() < 5
    for fit in fits:
        for name, limit in fit.upper_limits.items():
            assert getattr(fit.parameters, name) <= limit < 3


def test_upper_limit_holds_the_truth():
    # Too few counts to resolve the leading length: its 95 % limit must lie above the truth.
    truth = DeltaParameters(300.0, 15.0, 0.3, 2.0, 1.2, 1.0)
    fits, _ = delta_scores(truth, np.arange(5, 35, 0.5), 6)
    limits = [fit.upper_limits["leading"] for fit in fits if "leading" in fit.upper_limits]
    assert len(limits) >= 4
    assert sum(limit < truth.leading for limit in limits) <= 2


def test_delta_fit_of_clean_data_is_exact_in_any_unit():
    truth = DeltaParameters(3e-9, 1e4, 2e-3, 5e-3, 3e-3, 4e-8)
    x = 1e4 + np.linspace(-0.05, 0.08, 150)
    fit = fit_delta_response(x, truth.area * delta_response(x, *truth[1:5]) + truth.background)
    assert fit.parameters == pytest.approx(truth, rel=1e-4)
    assert fit.fwhm == pytest.approx(delta_fwhm(*truth[2:5]), rel=1e-5)
    assert fit.edge_width == pytest.approx(delta_edge_width(*truth[2:5]), rel=1e-5)


def test_delta_fit_without_background_and_in_a_window():
    x = np.arange(0, 60, 0.25)
    clean = 2000 * delta_response(x, 20, 0.7, 2.5, 1.0) + 4000 * delta_response(x, 50, 1, 1, 1)
    counts = np.random.default_rng(2).poisson(clean)
    fit = fit_delta_response(x, counts, background=False, poisson_scale=1.0, window=(8, 36))
    truth = np.array([2000, 20, 0.7, 2.5, 1.0])
    assert fit.parameters.background == fit.u.background == 0
    assert np.all(fit.covariance[5] == 0)
    score = (np.array(fit.parameters[:5]) - truth) / np.array(fit.u[:5])
    assert np.abs(score).max() < 4
    assert fit.poisson_scale == 1


def test_covariance_belongs_to_the_named_parameters(repeated):
    fits, _ = repeated
    values = np.array([fit.parameters for fit in fits])
    stated = np.mean([fit.covariance for fit in fits], axis=0)
    u = np.sqrt(np.diag(stated))
    # A correlation from 30 repetitions scatters by up to 1/sqrt(30) = 0.18.
    correlation = np.corrcoef(values.T)
    assert stated / np.outer(u, u) == pytest.approx(correlation, abs=0.5)
    assert correlation[1, 2] > 0.5  # centre and leading length go together


@pytest.mark.filterwarnings("ignore:no convergence:UserWarning")
@pytest.mark.parametrize("kind", ["flat noise", "one spike", "ramp", "decay", "few counts"])
def test_hopeless_data_give_finite_numbers(kind):
    generator = np.random.default_rng(11)
    x = np.arange(30.0)
    y = {
        "flat noise": generator.standard_normal(30),
        "one spike": np.where(x == 12, 1.0, 0.0),
        "ramp": x / 30,
        "decay": np.exp(-x / 6),
        "few counts": generator.poisson(2.0, 30).astype(float),
    }[kind]
    fit = fit_delta_response(x, y)
    assert np.all(np.isfinite(fit.parameters))
    assert np.all(np.isfinite(fit.covariance))
    assert fit.u_fwhm > 0


def test_delta_fit_names_bad_input():
    x = np.arange(30.0)
    peak = delta_response(x, 12, 1, 2, 1)
    with pytest.raises(ValueError, match="shows no peak"):
        fit_delta_response(x, np.full(30, 2.0))
    with pytest.raises(ValueError, match="window: must hold at least 10 points, got 4"):
        fit_delta_response(x, peak, window=(2, 5))
    with pytest.raises(ValueError, match=r"window: must be \(lower, upper\)"):
        fit_delta_response(x, peak, window=(5, 2))
    with pytest.raises(ValueError, match="give one of them"):
        fit_delta_response(x, peak, u=0.1, poisson_scale=1.0)
    with pytest.raises(ValueError, match="poisson_scale: must be > 0"):
        fit_delta_response(x, peak, poisson_scale=0.0)


# Escape depth -----------------------------------------------------------------------------------


def test_escape_depth_warns_outside_its_range_and_refuses_nonsense():
    with pytest.warns(ValidityWarning, match="outside 1 to 10000 eV"):
        assert seah_dench_nm(2e4) > 0
    with pytest.raises(ValueError, match="energy_eV: must be > 0"):
        seah_dench_element_nm(0.0, 0.25)
    with pytest.raises(ValueError, match="monolayer_nm: must be > 0"):
        seah_dench_element_nm(100.0, -0.25)
    with pytest.raises(ValueError, match="angle_deg: must be 0 to below 90"):
        attenuation(1.0, 1.0, 90.0)


@some
@given(st.floats(0, 10), st.floats(0, 10), positive, st.floats(0, 80))
def test_overlayers_multiply(first, second, length, angle):
    both = attenuation(first + second, length, angle)
    product = attenuation(first, length, angle) * attenuation(second, length, angle)
    assert both == pytest.approx(product, rel=1e-9, abs=1e-300)


def test_levels_are_symmetric():
    assert sum(EXACT_LEVELS) == pytest.approx(1, abs=1e-15)
