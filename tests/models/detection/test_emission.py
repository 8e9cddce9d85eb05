"""Emission lines: mass rates from intensities, self-absorption, constants from references."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.detection.emission import (
    DEEPEST,
    EmissionConstants,
    SelfAbsorbed,
    check_optical_depth,
    escaping_share,
    line_intensity,
    mass_rates,
)
from craterfront.models.detection.emission_fit import NotDetermined, Reference, fit_emission
from craterfront.models.validity import ValidityWarning


def exact(*rows):
    value = np.array(rows, dtype=float)
    return EmissionConstants(value, np.zeros((*value.shape, *value.shape)))


# --- self-absorption ---------------------------------------------------------------------------


@pytest.mark.filterwarnings("ignore::craterfront.models.validity.ValidityWarning")
@given(
    k=st.floats(1e-3, 1e3),
    background=st.floats(0.0, 10.0),
    optical_depth=st.floats(-3.0, 12.0).map(lambda power: 10.0**power),
    rate=st.floats(1e-3, 1e2),
)
def test_self_absorption_inverts(k, background, optical_depth, rate):
    """The absorbed line is bent, and what it says of the mass is lost only to rounding."""
    kappa = min(optical_depth, 8.0) / rate
    intensity = line_intensity(rate, k, background, kappa)
    found = mass_rates(exact((k, background, kappa)), np.array([[intensity]]))
    lost = np.exp(kappa * rate) * (1.0 + background / (k * rate))  # digits that saturation takes
    assert found.value[0, 0] == pytest.approx(rate, rel=1e-13 * (10.0 + lost))


@given(depth=st.floats(0.0, 50.0), parts=st.integers(1, 200))
def test_the_share_that_escapes_is_the_mean_along_the_way(depth, parts):
    """Derived (Lambert and Beer): light from the share x of the way keeps exp(-depth x). The mean
    of a convex function lies between those of its midpoints and of its chords."""
    ends = np.exp(-depth * np.linspace(0.0, 1.0, parts + 1))
    middle = np.exp(-depth * (np.arange(parts) + 0.5) / parts)
    share = float(escaping_share(np.array(depth)))
    assert middle.mean() <= share * (1.0 + 1e-12)
    assert share <= 0.5 * (ends[1:] + ends[:-1]).mean() * (1.0 + 1e-12)


@given(depth=st.floats(0.0, 30.0), more=st.floats(1e-3, 10.0))
def test_more_atoms_never_give_less_light(depth, more):
    less, greater = (d * float(escaping_share(np.array(d))) for d in (depth, depth + more))
    assert less <= greater < 1.0 + 1e-12
    assert escaping_share(np.array(depth)) > escaping_share(np.array(depth + more))


def test_a_deep_line_warns():
    """Derived: the slope of 1 - exp(-y) is a tenth at y = ln 10 = 2.3026."""
    assert pytest.approx(2.302585093) == DEEPEST
    check_optical_depth(np.array([[2.30]]))
    with pytest.warns(ValidityWarning, match=r"optical depths reach 2\.5; above 2\.3"):
        check_optical_depth(np.array([[2.5], [0.1]]))


@pytest.mark.parametrize("kappa", [0.0, 1e-9, 1e-5, 1e-3, 0.3])
def test_small_and_large_self_absorption_meet(kappa):
    """Source: derived, x = -ln(1 - kappa n / k) / kappa, in twice the digits."""
    k, net = 2.5, 3.0
    found = mass_rates(exact((k, 0.0, kappa)), np.array([[net]])).value[0, 0]
    depth = np.longdouble(kappa) * net / k
    expected = net / k if kappa == 0 else -np.log1p(-depth) / np.longdouble(kappa)
    assert found == pytest.approx(float(expected), rel=1e-14)


@pytest.mark.parametrize("kappa", [0.0, 1e-4, 0.2])
def test_derivatives_of_mass_rates(kappa):
    """Source: derived, against central differences."""
    row, intensity = np.array([2.0, 0.3, kappa]), 3.0
    found = mass_rates(exact(row), np.array([[intensity]]))
    for number in range(3):
        step = np.zeros(3)
        step[number] = 1e-6
        up, down = (
            mass_rates(exact(row + sign * step), np.array([[intensity]])).value[0, 0]
            for sign in (1.0, -1.0)
        )
        assert found.per_constant[0, number, 0] == pytest.approx((up - down) / 2e-6, rel=1e-7)
    up, down = (
        mass_rates(exact(row), np.array([[intensity + step]])).value[0, 0] for step in (1e-6, -1e-6)
    )
    assert found.per_intensity[0, 0] == pytest.approx((up - down) / 2e-6, rel=1e-7)


def test_a_line_that_hardly_rises_is_told():
    """Of k / kappa = 20 above the background, 18.5 are more than nine tenths."""
    with pytest.warns(ValidityWarning, match=r"intensities reach 92\.5%"):
        mass_rates(exact((2.0, 0.5, 0.1)), np.array([[1.0, 19.0]]))
    mass_rates(exact((2.0, 0.5, 0.1)), np.array([[1.0, 18.4]]))


def test_a_line_brighter_than_any_mass_makes_it():
    with pytest.raises(SelfAbsorbed) as error:
        mass_rates(exact((2.0, 0.5, 0.1)), np.array([[20.4, 20.5, 21.0]]))
    assert error.value.beyond.tolist() == [[False, True, True]]


# --- constants from references -----------------------------------------------------------------

FREE = np.inf
TRUE = np.array([[2.0, 0.3, 0.05], [5.0, 0.1, 0.0]])


def reference(rate, fractions, u_rate=0.0, u_fraction=0.0, u_reading=1e-3):
    fractions = np.array(fractions)
    return Reference(
        rate,
        u_rate,
        fractions,
        np.where(fractions > 0, u_fraction, 0.0),
        line_intensity(rate * fractions, *TRUE.T),
        np.full(fractions.size, u_reading),
    )


REFERENCES = [
    reference(2.0, (1.0, 0.0)),
    reference(6.0, (0.9, 0.1)),
    reference(10.0, (0.4, 0.6)),
    reference(3.0, (0.0, 1.0)),
]


def test_constants_are_found_again():
    """Source: derived, readings without noise from known constants."""
    u = np.array([[FREE, FREE, FREE], [FREE, FREE, 0.0]])
    guess = np.array([[np.nan, 0.0, 0.0], [np.nan, 0.0, 0.0]])
    found = fit_emission(guess, u, REFERENCES)
    assert found.constants.value == pytest.approx(TRUE, rel=1e-7, abs=1e-9)
    assert found.chi_square == pytest.approx(0.0, abs=1e-10)
    assert found.degrees == 3


def test_one_reading_and_one_slope_in_closed_form():
    """Source: derived, k = (I - b) / (q w), relative variances add (JCGM 100, 5.1.6)."""
    one = Reference(4.0, 0.2, np.array([0.5]), np.array([0.01]), np.array([6.3]), np.array([0.06]))
    found = fit_emission(np.array([[np.nan, 0.3, 0.0]]), np.array([[FREE, 0.0, 0.0]]), [one])
    assert found.constants.value[0, 0] == pytest.approx(3.0)
    relative = np.sqrt((0.2 / 4.0) ** 2 + (0.01 / 0.5) ** 2 + (0.06 / 6.0) ** 2)
    assert np.sqrt(found.constants.covariance[0, 0, 0, 0]) / 3.0 == pytest.approx(
        relative, rel=1e-4
    )


def test_a_common_rate_correlates_the_constants():
    """Source: derived, with the rate as the only doubt all slopes are wrong by the same factor."""
    both = reference(5.0, (0.5, 0.5), u_rate=0.5, u_reading=1e-7)
    known = np.array([[np.nan, 0.3, 0.05], [np.nan, 0.1, 0.0]])
    found = fit_emission(known, np.array([[FREE, 0.0, 0.0], [FREE, 0.0, 0.0]]), [both])
    covariance = found.constants.covariance[:, 0, :, 0]
    assert covariance[0, 1] ** 2 == pytest.approx(covariance[0, 0] * covariance[1, 1], rel=1e-6)


def test_what_is_known_before_counts_as_a_reading():
    """Source: derived, the weighted mean of two independent values of one slope."""
    one = Reference(2.0, 0.0, np.array([1.0]), np.array([0.0]), np.array([4.2]), np.array([0.2]))
    found = fit_emission(np.array([[2.0, 0.0, 0.0]]), np.array([[0.1, 0.0, 0.0]]), [one])
    assert found.constants.value[0, 0] == pytest.approx(2.05)
    assert found.constants.covariance[0, 0, 0, 0] == pytest.approx(0.1**2 / 2.0)


def test_references_that_disagree_leave_more_doubt():
    """Source: derived, two readings of the same that differ by 2 d: chi-square 2 d^2 / u^2."""
    pair = [
        Reference(1.0, 0.0, np.ones(1), np.zeros(1), np.array([i]), np.array([0.1]))
        for i in (1.7, 2.3)
    ]
    found = fit_emission(np.array([[np.nan, 0.0, 0.0]]), np.array([[FREE, 0.0, 0.0]]), pair)
    assert found.chi_square == pytest.approx(18.0)
    assert found.constants.covariance[0, 0, 0, 0] == pytest.approx(0.1**2 / 2.0 * 18.0)


def test_what_references_leave_open_is_named():
    guess = np.array([[2.0, 0.0, 0.0], [5.0, 0.0, 0.0]])
    with pytest.raises(NotDetermined) as error:
        fit_emission(guess, np.array([[0.0, 0.0, 0.0], [FREE, FREE, 0.0]]), REFERENCES[2:3])
    assert error.value.open == [(1, 0), (1, 1)]
    guess[1, 0] = np.nan
    with pytest.raises(NotDetermined) as error:
        fit_emission(guess, np.array([[0.0, 0.0, 0.0], [FREE, 0.0, 0.0]]), REFERENCES[:1])
    assert error.value.open == [(1, 0)]


def test_the_covariance_is_that_of_repeated_calibrations():
    """Source: Monte Carlo in the manner of JCGM 101, everything uncertain drawn anew."""
    rng = np.random.default_rng(3)
    doubts = {"u_rate": 0.06, "u_fraction": 0.004, "u_reading": 0.02}
    plan = [(3.0, (0.7, 0.3)), (7.0, (0.7, 0.3)), (6.0, (0.2, 0.8)), (2.0, (0.95, 0.05))]
    u = np.array([[FREE, FREE, 0.0], [FREE, 0.0, 0.0]])
    guess = np.array([[np.nan, 0.3, 0.05], [np.nan, 0.1, 0.0]])
    true = [reference(rate, fractions, **doubts) for rate, fractions in plan]
    stated = fit_emission(guess, u, true).constants.covariance[:, :2, :, :2].reshape(4, 4)[:3, :3]
    drawn = []
    for _ in range(600):
        lot = [
            Reference(
                r.mass_rate_ug_s + rng.normal(0, r.u_mass_rate_ug_s),
                r.u_mass_rate_ug_s,
                r.mass_fraction + rng.normal(0, r.u_mass_fraction),
                r.u_mass_fraction,
                r.intensity + rng.normal(0, r.u_intensity),
                r.u_intensity,
            )
            for r in true
        ]
        drawn.append(fit_emission(guess, u, lot).constants.value[[0, 0, 1], [0, 1, 0]])
    spread = np.std(drawn, axis=0)
    # 600 draws give a standard deviation to 2.9 %; three of these.
    assert np.sqrt(np.diag(stated)) == pytest.approx(spread, rel=0.09)
