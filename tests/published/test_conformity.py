"""Conformity by JCGM 106:2012 (ISO/IEC Guide 98-4)."""

import pytest

from craterfront.models.measurands.conformity import conformance_probability, decision, guard_band


@pytest.mark.recalled
@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_one_sided_factors(probability, z):
    """JCGM 106:2012, table 1, of one-sided tolerance intervals and normal distributions (from
    memory; that this is what table 1 holds was read in a program that quotes the guide)."""
    assert guard_band(1.0, probability) == pytest.approx(z, abs=0.005)


@pytest.mark.recalled
def test_breakdown_voltage_of_a_zener_diode():
    """JCGM 106:2012, section 7: at most -5.40 V wanted, -5.47 V with u = 0.05 V found, conforming
    with Phi(1.40) = 0.92 (from memory). At 95 % that would be undecided."""
    chance = conformance_probability(-5.47, 0.05, 0.05, upper=-5.40)
    assert chance == pytest.approx(0.92, abs=0.005)
    assert decision(chance, 0.90) == "conforms"
    assert decision(chance, 0.95) == "undecided"


@pytest.mark.derived
def test_a_value_at_a_limit_conforms_with_even_odds():
    """The normal distribution is symmetric: simple acceptance at the limit risks 50 %."""
    assert conformance_probability(7.0, 0.3, 0.3, lower=7.0) == pytest.approx(0.5)
