"""Estimation without physics: certified regressions, closed forms, limits at a bound.

Certified values: NIST Statistical Reference Datasets, nonlinear least squares regression,
https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml (Misra1a: lower, Thurber and MGH09: higher
level of difficulty).
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import least_squares, lsq_linear
from scipy.stats import chi2, norm

from craterfront.objective.curvature import curvature, quadratic_form
from craterfront.objective.estimation import (
    NO_ACCOUNT,
    Fit,
    Objective,
    minimise,
    minimise_patiently,
    promised_fall,
)
from craterfront.objective.profile_likelihood import (
    ONE_SIDED_95,
    TWO_SIDED_95,
    profile_fit,
    profile_interval,
)

ENDLESS = np.inf


@dataclass(frozen=True)
class Certified:
    """One data set of the NIST StRD."""

    x: np.ndarray
    y: np.ndarray
    starts: tuple[tuple[float, ...], ...]
    parameters: np.ndarray
    deviations: np.ndarray
    sum_of_squares: float
    residual_deviation: float

    @property
    def freedom(self) -> int:
        return self.y.size - self.parameters.size


def numbers(text):
    return np.array(text.split(), dtype=float)


def misra1a(b, x):
    return b[0] * (1.0 - np.exp(-b[1] * x))


def thurber(b, x):
    above = b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3
    return above / (1.0 + b[4] * x + b[5] * x**2 + b[6] * x**3)


def mgh09(b, x):
    return b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3])


MISRA1A = Certified(
    x=numbers(
        """
        77.6 114.9 141.1 190.8 239.9 289.0 332.8 378.4 434.8 477.3 536.8 593.1 689.1
        760.0
        """
    ),
    y=numbers(
        """
        10.07 14.73 17.94 23.93 29.61 35.18 40.02 44.82 50.76 55.05 61.01 66.40 75.47
        81.78
        """
    ),
    starts=((500.0, 0.0001), (250.0, 0.0005)),
    parameters=np.array([2.3894212918e02, 5.5015643181e-04]),
    deviations=np.array([2.7070075241e00, 7.2668688436e-06]),
    sum_of_squares=1.2455138894e-01,
    residual_deviation=1.0187876330e-01,
)

THURBER = Certified(
    x=numbers(
        """
        -3.067 -2.981 -2.921 -2.912 -2.840 -2.797 -2.702 -2.699 -2.633 -2.481 -2.363
        -2.322 -1.501 -1.460 -1.274 -1.212 -1.100 -1.046 -0.915 -0.714 -0.566 -0.545
        -0.400 -0.309 -0.109 -0.103 0.010 0.119 0.377 0.790 0.963 1.006 1.115 1.572
        1.841 2.047 2.200
        """
    ),
    y=numbers(
        """
        80.574 84.248 87.264 87.195 89.076 89.608 89.868 90.101 92.405 95.854 100.696
        101.060 401.672 390.724 567.534 635.316 733.054 759.087 894.206 990.785 1090.109
        1080.914 1122.643 1178.351 1260.531 1273.514 1288.339 1327.543 1353.863 1414.509
        1425.208 1421.384 1442.962 1464.350 1468.705 1447.894 1457.628
        """
    ),
    starts=(
        (1000.0, 1000.0, 400.0, 40.0, 0.7, 0.3, 0.03),
        (1300.0, 1500.0, 500.0, 75.0, 1.0, 0.4, 0.05),
    ),
    parameters=np.array(
        [
            1.2881396800e03,
            1.4910792535e03,
            5.8323836877e02,
            7.5416644291e01,
            9.6629502864e-01,
            3.9797285797e-01,
            4.9727297349e-02,
        ]
    ),
    deviations=np.array(
        [
            4.6647963344e00,
            3.9571156086e01,
            2.8698696102e01,
            5.5675370270e00,
            3.1333340687e-02,
            1.4984928198e-02,
            6.5842344623e-03,
        ]
    ),
    sum_of_squares=5.6427082397e03,
    residual_deviation=1.3714600784e01,
)

MGH09 = Certified(
    x=np.array([4.0, 2.0, 1.0, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625]),
    y=np.array(
        [0.1957, 0.1947, 0.1735, 0.1600, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246]
    ),
    # The first start of the collection, (25, 39, 41.5, 39), is meant to defeat local methods.
    starts=((0.25, 0.39, 0.415, 0.39),),
    parameters=np.array([1.9280693458e-01, 1.9128232873e-01, 1.2305650693e-01, 1.3606233068e-01]),
    deviations=np.array([1.1435312227e-02, 1.9633220911e-01, 8.0842031232e-02, 9.0025542308e-02]),
    sum_of_squares=3.0750560385e-04,
    residual_deviation=6.6279236551e-03,
)


def regression(data, model, unit, deviation):
    """Objective of a regression: parameters in units of `unit`, residuals of unit variance."""

    def residuals(scaled):
        return (data.y - model(scaled * unit, data.x)) / deviation

    endless = np.full(unit.size, ENDLESS)
    return Objective(residuals, complex_step(residuals), -endless, endless)


def complex_step(function):
    """Derivatives to rounding (W. Squire, G. Trapp, SIAM Rev. 40 (1998) 110; from memory)."""

    def slopes(x):
        steps = 1e-30j * np.eye(x.size)
        return np.column_stack([function(x + step).imag / 1e-30 for step in steps])

    return slopes


CASES = [
    pytest.param(data, model, start, id=f"{model.__name__}-{number + 1}")
    for data, model in ((MISRA1A, misra1a), (THURBER, thurber), (MGH09, mgh09))
    for number, start in enumerate(data.starts)
]


@pytest.mark.parametrize(("data", "model", "start"), CASES)
def test_certified_parameters_and_standard_deviations(data, model, start):
    """NIST StRD: parameters to six digits, standard deviations to five."""
    unit = np.array(start)
    first = minimise(
        regression(data, model, unit, data.y.max() / 100.0),
        np.ones(unit.size),
        max_evaluations=500,
        tolerance=1e-12,
    )
    found = data.y - model(first.x * unit, data.x)
    deviation = float(np.sqrt(found @ found / data.freedom))
    objective = regression(data, model, unit, deviation)
    fit = minimise(objective, first.x, tolerance=1e-12)
    covariance = curvature(objective.jacobian(fit.x)).covariance
    assert fit.converged
    assert deviation == pytest.approx(data.residual_deviation, rel=1e-8)
    assert fit.cost * deviation**2 == pytest.approx(data.sum_of_squares, rel=1e-8)
    assert fit.x * unit == pytest.approx(data.parameters, rel=1e-6)
    assert np.sqrt(np.diag(covariance)) * unit == pytest.approx(data.deviations, rel=1e-5)


def test_an_objective_of_some_parameters_has_their_derivatives():
    objective = regression(THURBER, thurber, THURBER.parameters, THURBER.residual_deviation)
    x, moved = np.linspace(0.9, 1.1, 7), np.array([4, 1])
    part = objective.of_some(x, moved)
    trial = x.copy()
    trial[moved] = [1.3, 0.8]
    assert part.residuals(trial[moved]) == pytest.approx(objective.residuals(trial))
    assert part.jacobian(trial[moved]) == pytest.approx(objective.jacobian(trial)[:, moved])


# --- bounds ------------------------------------------------------------------------------------


def test_a_fit_never_leaves_the_bounds():
    visited = []
    matrix, offset = np.array([[1.0, 0.0], [0.0, 1.0], [0.3, 0.3]]), np.array([1.0, -5.0, 0.0])

    def residuals(x):
        visited.append(x.copy())
        return matrix @ x + offset

    lower, upper = np.array([0.0, -3.0]), np.array([2.0, 2.0])
    objective = Objective(residuals, lambda x: matrix, lower, upper)
    fit = minimise(objective, np.array([7.0, -9.0]))
    assert fit.x == pytest.approx([0.0, 2.0], abs=1e-9)
    assert fit.cost == pytest.approx(1.0 + 9.0 + 0.36)
    assert all(np.all((lower <= x) & (x <= upper)) for x in visited)


def test_nothing_to_fit_is_a_fit():
    fit = minimise(linear(np.zeros((1, 0)), np.array([-3.0])), np.zeros(0))
    assert (fit.cost, fit.converged) == (9.0, True)


def test_too_few_evaluations_are_not_called_converged():
    calls = []
    objective = regression(MISRA1A, misra1a, np.array([500.0, 1e-4]), 0.1)

    def counted(x):
        calls.append(x)
        return objective.residuals(x)

    fit = minimise(replace(objective, residuals=counted), np.ones(2), max_evaluations=2)
    assert not fit.converged
    assert len(calls) == 2


# --- convergence ---


def valley(width, lower=-ENDLESS):
    """y follows x^2 within `width`, and along that bent line x is 3 within 1.

    Derived: on the line the sum of squares is (x - 3)^2, and it can fall by all of it.
    """
    return Objective(
        lambda p: np.array([(p[1] - p[0] ** 2) / width, p[0] - 3.0]),
        lambda p: np.array([[-2.0 * p[0] / width, 1.0 / width], [1.0, 0.0]]),
        np.full(2, lower),
        np.full(2, ENDLESS),
    )


@pytest.mark.parametrize(("standard_uncertainties", "converged"), [(0.09, True), (0.11, False)])
def test_converged_is_what_has_nothing_of_account_left_to_gain(standard_uncertainties, converged):
    start = 3.0 + standard_uncertainties
    fit = minimise(valley(1.0), np.array([start, start**2]), max_evaluations=1)
    assert fit.cost == pytest.approx(standard_uncertainties**2)
    assert fit.converged == converged
    assert converged or fit.message == "chi-square would fall by another 0.012"


@pytest.mark.parametrize(("promised", "converged"), [(0.009, True), (0.011, False)])
def test_the_same_is_of_account_with_one_parameter_held(promised, converged):
    """A derivative of the wrong sign: the step promises a fall that it does not keep."""
    endless, off = np.full(2, ENDLESS), promised**0.5
    slopes = np.diag([1.0, -1.0])
    astray = Objective(lambda x: x - [0.0, off], lambda x: slopes, -endless, endless)
    fit = profile_fit(astray, Fit(np.zeros(2), promised, True, ""), slopes, 0, 1.0)
    assert fit.cost == pytest.approx(1.0 + promised)
    assert fit.converged == converged


def test_a_fit_that_stops_for_small_steps_alone_has_not_converged():
    """One step of 1e-3 of x is below a coarse tolerance, and yet 49 is left to gain."""
    start = np.array([-4.0, 16.0])
    fit = minimise(valley(1e-5), start, tolerance=1e-3)
    assert fit.cost > 48.0
    assert not fit.converged


@pytest.mark.parametrize("start", [-3.0, -10.0])
@pytest.mark.parametrize("lower", [-ENDLESS, -200.0])
def test_patience_leads_to_the_end_of_a_bent_valley(start, lower):
    bent, start = valley(0.01, lower), np.array([start, start**2])
    assert not minimise(bent, start, tolerance=1e-9).converged
    fit = minimise_patiently(bent, start, tolerance=1e-9)
    assert fit.converged
    assert fit.x == pytest.approx([3.0, 9.0], abs=0.1)


def test_patience_has_an_end_and_says_what_is_left():
    calls = []
    bent = valley(1e-3)

    def counted(x):
        calls.append(x)
        return bent.residuals(x)

    fit = minimise_patiently(
        replace(bent, residuals=counted), np.array([-3.0, 9.0]), tolerance=1e-9
    )
    assert fit.cost > 1.0
    assert not fit.converged
    assert fit.message == f"chi-square would fall by another {fit.cost:.2g}"
    assert len(calls) <= 300


def test_patience_does_not_try_the_same_again():
    """Derivatives have the wrong sign: however often it is tried, nothing is gained."""
    visited = []

    def residuals(x):
        visited.append(tuple(x))
        return x - 3.0

    endless = np.full(1, ENDLESS)
    astray = Objective(residuals, lambda x: -np.eye(1), -endless, endless)
    fit = minimise_patiently(astray, np.zeros(1), tolerance=1e-9)
    assert not fit.converged
    assert fit.x == [0.0]
    assert len(visited) <= 3 * len(set(visited))


def test_patience_costs_nothing_where_it_is_not_needed(straight):
    matrix, target = straight
    calls = []

    def residuals(x):
        calls.append(x)
        return matrix @ x - target

    endless = np.full(3, ENDLESS)
    objective = Objective(residuals, lambda x: matrix, -endless, endless)
    minimise(objective, np.zeros(3), tolerance=1e-9)
    alone = len(calls)
    assert minimise_patiently(objective, np.zeros(3), tolerance=1e-9).converged
    assert len(calls) == 2 * alone


def test_the_fall_that_is_promised_within_bounds():
    """Residuals x - 3, y + 2 and 0.5: x may go to 1 only, and y is where it wants to be.

    Derived: 9 - 4 = 5; without the bound 9; with one that allows no step 0.
    """
    jacobian, residuals = np.eye(3)[:, :2], np.array([-3.0, 0.0, 0.5])
    endless = np.full(2, ENDLESS)
    for most, fall in ((1.0, 5.0), (ENDLESS, 9.0), (0.0, 0.0)):
        upper = np.array([most, ENDLESS])
        assert promised_fall(jacobian, residuals, -endless, upper) == pytest.approx(fall)


def test_what_nothing_fixes_promises_nothing():
    """Residuals that depend on x + y only, and not at all on z."""
    jacobian, endless = np.array([[1.0, 1.0, 0.0], [2.0, 2.0, 0.0]]), np.full(3, ENDLESS)
    residuals = np.array([1.0, 2.0])
    assert promised_fall(jacobian, residuals, -endless, endless) == pytest.approx(5.0)
    across = np.array([2.0, -1.0])
    assert promised_fall(jacobian, across, -endless, endless) == pytest.approx(0.0, abs=1e-12)


def at_the_minimum(rng, columns):
    """Residuals, worth 1 each, that are orthogonal to columns to rounding."""
    across, _ = np.linalg.qr(columns)
    residuals = rng.standard_normal(len(columns))
    for _ in range(2):
        residuals -= across @ (across.T @ residuals)
    return residuals


@given(st.integers(0, 2**32 - 1), st.sampled_from([2e-16, 1e-12, 1e-9]))
def test_what_is_parallel_but_for_rounding_promises_nothing(seed, rounding):
    """The share of the largest that is 1e-9 of information is 3e-5 of a column."""
    rng = np.random.default_rng(seed)
    columns, endless = rng.standard_normal((40, 3)), np.full(4, ENDLESS)
    parallel = 3.0 * columns[:, 0] * (1.0 + rounding * rng.standard_normal(40))
    jacobian = np.column_stack([columns, parallel])
    residuals = at_the_minimum(rng, columns)
    assert promised_fall(jacobian, residuals, -endless, endless) < NO_ACCOUNT


@given(st.integers(0, 2**32 - 1), st.sampled_from([1e-17, 1e-15]))
def test_a_column_of_rounding_promises_nothing(seed, rounding):
    rng = np.random.default_rng(seed)
    columns = rng.standard_normal((40, 3))
    jacobian = np.column_stack([columns, rounding * rng.standard_normal(40)])
    residuals = at_the_minimum(rng, columns)
    lower = np.append(np.full(3, -ENDLESS), 0.0)
    assert promised_fall(jacobian, residuals, lower, np.full(4, ENDLESS)) < NO_ACCOUNT


@given(st.integers(0, 2**32 - 1), st.sampled_from([1e-17, 1e-15]))
def test_bounds_make_nothing_of_rounding(seed, rounding):
    """Two columns are parallel where others, at their bounds, may not move."""
    rng = np.random.default_rng(seed)
    columns = rng.standard_normal((40, 3))
    residuals = at_the_minimum(rng, columns)
    parallel = columns[:, 0] * (1.0 + 1e-7 * residuals)
    jacobian = np.column_stack([columns, parallel, residuals + rounding * columns[:, 1]])
    lower = np.append(np.full(4, -ENDLESS), 0.0)
    assert promised_fall(jacobian, residuals, lower, np.full(5, ENDLESS)) < NO_ACCOUNT


@given(st.integers(0, 2**32 - 1), st.sampled_from([1.0, 1e-5, 1e-10]))
def test_what_is_hardly_fixed_keeps_its_promise(seed, size):
    """Two columns that differ by one part in 1000, and one that is short.

    Derived: residuals that are J p fall by |J p|^2.
    """
    rng = np.random.default_rng(seed)
    columns, endless = rng.standard_normal((40, 3)), np.full(3, ENDLESS)
    columns[:, 1] = columns[:, 0] + 1e-3 * columns[:, 1]
    columns[:, 2] *= size
    wanted = columns @ np.array([1e3, -1e3, 1.0 / size])
    residuals = at_the_minimum(rng, columns / np.array([1.0, 1.0, size])) + wanted
    fall = promised_fall(columns, residuals, -endless, endless)
    assert fall == pytest.approx(wanted @ wanted, rel=0.01)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_derivatives_that_are_not_finite_promise_everything(bad, capfd):
    jacobian, endless = np.array([[1.0, bad], [0.0, 1.0]]), np.full(2, ENDLESS)
    assert promised_fall(jacobian, np.ones(2), -endless, endless) == np.inf
    assert promised_fall(np.eye(2), np.array([1.0, bad]), -endless, endless) == np.inf
    assert capfd.readouterr() == ("", "")


@given(st.integers(0, 2**32 - 1))
def test_no_combination_moves_by_more_than_the_root_of_the_promise(seed):
    """In its standard uncertainties, to the minimum within bounds that scipy finds by itself."""
    rng = np.random.default_rng(seed)
    jacobian, residuals = rng.standard_normal((12, 4)), 0.1 * rng.standard_normal(12)
    lower, upper = -rng.random(4) * 0.05, rng.random(4) * 0.05
    step = lsq_linear(jacobian, -residuals, bounds=(lower, upper), tol=1e-14).x
    fall = promised_fall(jacobian, residuals, lower, upper)
    moved = np.sum((jacobian @ step) ** 2)
    left = np.sum((residuals + jacobian @ step) ** 2)
    assert fall == pytest.approx(residuals @ residuals - left, abs=1e-6)
    assert moved <= fall + 1e-6


# --- covariance --------------------------------------------------------------------------------


def linear(matrix, target, lower=None):
    """Objective of a linear problem with residuals of unit variance."""
    count = matrix.shape[1]
    low = np.full(count, -ENDLESS) if lower is None else np.array(lower, dtype=float)
    high = np.full(count, ENDLESS)
    return Objective(lambda x: matrix @ x - target, lambda x: matrix, low, high)


@pytest.fixture(scope="module")
def straight():
    """A well-posed linear problem of three parameters of very different size."""
    rng = np.random.default_rng(7)
    matrix = rng.standard_normal((40, 3)) * np.array([1.0, 30.0, 0.02])
    return matrix, matrix @ np.array([2.0, 0.1, 40.0]) + rng.standard_normal(40)


def test_covariance_of_a_linear_problem_is_the_inverse(straight):
    """Textbook: (A^T A)^-1, whatever the scale of the parameters."""
    matrix, _ = straight
    found = curvature(matrix)
    assert not found.undetermined
    assert found.covariance == pytest.approx(np.linalg.inv(matrix.T @ matrix), rel=1e-9)
    slope = np.array([1.0, -2.0, 0.0])
    exact = slope @ np.linalg.inv(matrix.T @ matrix) @ slope
    assert quadratic_form(slope, found.covariance) == pytest.approx(exact, rel=1e-9)


def test_what_nothing_fixes_is_named_and_infinite():
    """Only x0 + 1000 x1 and x2 matter, so (1000, -1, 0) is open and x2 is known to 1/sqrt(sum)."""
    rng = np.random.default_rng(3)
    both, own = rng.standard_normal((2, 30))
    found = curvature(np.column_stack([both, 1000.0 * both, own]))
    (direction,) = found.undetermined
    assert abs(direction @ np.array([1000.0, -1.0, 0.0])) == pytest.approx(np.hypot(1000.0, 1.0))
    assert quadratic_form(np.array([1.0, 0.0, 0.0]), found.covariance) == np.inf
    residue = own - both * (own @ both) / (both @ both)
    known = quadratic_form(np.array([0.0, 0.0, 1.0]), found.covariance)
    assert known == pytest.approx(1.0 / (residue @ residue), rel=1e-6)


def test_every_parameter_of_an_open_direction_is_infinite():
    """The variance of x1 is as infinite as that of x0, though it moves 1000 times less."""
    both = np.random.default_rng(3).standard_normal(30)
    found = curvature(np.column_stack([both, 5000.0 * both]))
    assert np.all(np.isinf(np.diag(found.covariance)))


@pytest.mark.parametrize("size", [1e-6, 1.0, 1e6])
def test_rounding_makes_no_part_of_an_open_direction(size):
    """Differences with errors of 1e-9: what is known on its own stays known."""
    rng = np.random.default_rng(5)
    both, own, other = rng.standard_normal((3, 30))
    matrix = np.column_stack([both, size * both, own, size * (own + 0.01 * other)])
    matrix *= 1.0 + 1e-9 * rng.standard_normal(matrix.shape)
    variances = np.diag(curvature(matrix).covariance)
    assert np.all(np.isinf(variances[:2]))
    kept = matrix[:, 2:] - both[:, None] * (both @ matrix[:, 2:]) / (both @ both)
    assert variances[2:] == pytest.approx(np.diag(np.linalg.inv(kept.T @ kept)), rel=1e-4)


def test_a_parameter_without_any_effect_is_named():
    found = curvature(np.column_stack([np.ones(5), np.zeros(5)]))
    (direction,) = found.undetermined
    assert np.abs(direction) == pytest.approx([0.0, 1.0])
    assert found.covariance[0, 0] == pytest.approx(0.2)
    assert found.covariance[1, 1] == np.inf


def test_a_poorly_known_direction_is_not_smoothed_over():
    """Two columns that differ by one part in 1000: large, and exactly the inverse."""
    rng = np.random.default_rng(4)
    one, other = rng.standard_normal((2, 50))
    matrix = np.column_stack([one, one + 1e-3 * other])
    found = curvature(matrix)
    assert not found.undetermined
    assert found.covariance == pytest.approx(np.linalg.inv(matrix.T @ matrix), rel=1e-4)
    assert found.covariance[0, 0] > 1e4


# --- profile likelihood ------------------------------------------------------------------------


def test_thresholds_are_those_of_chi_square():
    """95 % of chi-square of one degree of freedom; 90 % for half a point mass at 0 (Chernoff)."""
    assert pytest.approx(chi2.ppf(0.95, 1), abs=1e-3) == TWO_SIDED_95
    assert pytest.approx(chi2.ppf(0.90, 1), abs=1e-3) == ONE_SIDED_95


def test_profile_fit_of_a_linear_problem(straight):
    """Closed form: excess = (shift / standard uncertainty)^2."""
    matrix, target = straight
    objective = linear(matrix, target)
    fit = minimise(objective, np.zeros(3), tolerance=1e-12)
    u = np.sqrt(np.diag(np.linalg.inv(matrix.T @ matrix)))
    for index in range(3):
        for shift in (-3.0, 0.5, 2.0):
            value = fit.x[index] + shift * u[index]
            found = profile_fit(objective, fit, matrix, index, value).cost
            assert found - fit.cost == pytest.approx(shift**2, rel=1e-4)


def test_profile_fit_equals_the_separable_minimum():
    """Misra1a is linear in b1: for a given b2 the smallest sum of squares has a closed form."""
    unit = MISRA1A.parameters
    deviation = MISRA1A.residual_deviation
    objective = regression(MISRA1A, misra1a, unit, deviation)
    fit = minimise(objective, np.ones(2), tolerance=1e-12)
    jacobian = objective.jacobian(fit.x)
    for value in (0.95, 0.98, 1.03, 1.06):
        shape = 1.0 - np.exp(-value * unit[1] * MISRA1A.x)
        left = MISRA1A.y - shape * (shape @ MISRA1A.y) / (shape @ shape)
        exact = float(left @ left) / deviation**2
        found = profile_fit(objective, fit, jacobian, 1, value).cost
        assert found == pytest.approx(exact, rel=1e-4)


@pytest.fixture(scope="module")
def thurber_fit():
    objective = regression(THURBER, thurber, THURBER.parameters, THURBER.residual_deviation)
    fit = minimise(objective, np.ones(7), tolerance=1e-12)
    return objective, fit, objective.jacobian(fit.x)


def brute_force_excess(objective, fit, index, value):
    """By a general minimiser of the other six parameters."""

    def held(others):
        return objective.residuals(np.insert(others, index, value))

    best = least_squares(held, np.delete(fit.x, index), xtol=1e-12, ftol=1e-12, gtol=1e-12)
    return 2.0 * best.cost - fit.cost


STOP = 0.02
"""Corrections of `profile_fit` end once one of them gains less than this."""


@pytest.mark.parametrize("deviations", [-2.0, -1.0])
@pytest.mark.parametrize("index", range(7))
def test_profile_fit_equals_brute_force_for_seven_parameters(thurber_fit, index, deviations):
    objective, fit, jacobian = thurber_fit
    value = float(1.0 + deviations * THURBER.deviations[index] / THURBER.parameters[index])
    found = profile_fit(objective, fit, jacobian, index, value).cost - fit.cost
    assert found == pytest.approx(brute_force_excess(objective, fit, index, value), abs=STOP)


@pytest.mark.parametrize("index", [1, 4])
def test_profile_fit_equals_brute_force_on_the_bent_side(thurber_fit, index):
    objective, fit, jacobian = thurber_fit
    value = float(1.0 + 2.0 * THURBER.deviations[index] / THURBER.parameters[index])
    found = profile_fit(objective, fit, jacobian, index, value).cost - fit.cost
    assert found == pytest.approx(brute_force_excess(objective, fit, index, value), abs=STOP)


def test_profile_fit_keeps_the_others_within_their_bounds():
    """x0 + x1 = 3 and x0 = 1, both +- 1; with x0 held at 5, x1 would be -2 but stays at 0.

    Derived: (5 + 0 - 3)^2 + (5 - 1)^2 = 20.
    """
    matrix = np.array([[1.0, 1.0], [1.0, 0.0]])
    objective = linear(matrix, np.array([3.0, 1.0]), lower=[0.0, 0.0])
    fit = minimise(objective, np.array([0.5, 0.5]))
    assert fit.x == pytest.approx([1.0, 2.0], abs=1e-6)
    assert profile_fit(objective, fit, matrix, 0, 5.0).cost == pytest.approx(20.0, rel=1e-9)


def test_profile_interval_of_a_linear_gaussian_problem(straight):
    """Closed form: +-1.96 standard uncertainties, far from the bound.

    The search ends within 4 % of the threshold, which is 2 % of the half-width.
    """
    matrix, target = straight
    objective = linear(matrix, target, lower=[0.0, -ENDLESS, 0.0])
    fit = minimise(objective, np.ones(3), tolerance=1e-12)
    u = np.sqrt(np.linalg.inv(matrix.T @ matrix)[0, 0])
    assert fit.x[0] > 6.0 * u
    half = norm.ppf(0.975) * u
    for first_step in (0.2 * u, u, 10.0 * u):
        found = profile_interval(objective, fit, matrix, 0, first_step)
        assert found.resolved
        assert found.lower == pytest.approx(fit.x[0] - half, abs=0.025 * half)
        assert found.upper == pytest.approx(fit.x[0] + half, abs=0.025 * half)
        assert found.at_zero == pytest.approx((fit.x[0] / u) ** 2, rel=1e-3)


def mean_interval(seen):
    """Interval of a normal mean that cannot be negative, from one reading of unit variance."""
    objective = linear(np.ones((1, 1)), np.array([seen]), lower=[0.0])
    fit = minimise(objective, np.array([1.0]), tolerance=1e-12)
    return profile_interval(objective, fit, np.ones((1, 1)), 0, 1.0)


@pytest.mark.parametrize("seen", [-2.0, -0.7, 0.0, 0.5, 1.0, 1.6])
def test_limit_of_a_mean_at_zero(seen):
    """Closed form: excess 3.841 over the smallest cost, which is seen^2 where seen < 0."""
    found = mean_interval(seen)
    floor = min(seen, 0.0) ** 2
    exact = seen + np.sqrt(3.841 + floor)
    assert not found.resolved
    assert found.lower == 0.0
    assert found.upper == pytest.approx(exact, abs=0.025 * np.sqrt(3.841 + floor))
    assert found.at_zero == pytest.approx(max(seen, 0.0) ** 2, abs=1e-6)


@pytest.mark.parametrize("seen", [1.66, 1.8, 2.5, 5.0])
def test_a_resolved_mean_has_a_lower_end_above_zero(seen):
    """Chernoff: zero is excluded at 95 % from 1.645 standard deviations on."""
    found = mean_interval(seen)
    assert found.resolved
    assert found.lower > 0.0
    assert found.upper == pytest.approx(seen + 1.96, abs=0.05)
    if seen > 2.5:
        assert found.lower == pytest.approx(seen - 1.96, abs=0.05)


def test_five_per_cent_of_zeros_are_called_resolved():
    """By the null distribution at a bound: exactly those readings above the 95 % quantile."""
    readings = norm.ppf((np.arange(400) + 0.5) / 400)
    assert np.mean([mean_interval(seen).resolved for seen in readings]) == pytest.approx(0.05)


def test_interval_ends_at_a_bound_that_the_data_do_not_exclude():
    slope = np.array([[0.01]])
    objective = Objective(lambda x: 0.01 * (x - 1.0), lambda x: slope, np.zeros(1), np.array([3.0]))
    fit = minimise(objective, np.array([2.0]))
    found = profile_interval(objective, fit, slope, 0, 100.0)
    assert (found.lower, found.upper, found.resolved) == (0.0, 3.0, False)
