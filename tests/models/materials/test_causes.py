"""Uncertainties by their causes: variances of products and ratios of log-normal numbers."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.materials.causes import of_product, of_ratio, u_rel

causes = st.dictionaries(st.sampled_from("abcd"), st.floats(-1.0, 1.0))


@given(one=causes, other=causes)
def test_variances_of_product_and_ratio_differ_by_what_is_shared(one, other):
    # Derived: var(x + y) + var(x - y) = 2 (var x + var y), and their difference is 4 cov(x, y).
    product, ratio = u_rel(of_product(one, other)) ** 2, u_rel(of_ratio(one, other)) ** 2
    covariance = math.fsum(one[name] * other[name] for name in one.keys() & other.keys())
    assert product + ratio == pytest.approx(2.0 * (u_rel(one) ** 2 + u_rel(other) ** 2), abs=1e-12)
    assert product - ratio == pytest.approx(4.0 * covariance, abs=1e-12)


@given(one=causes)
def test_nothing_is_left_of_a_ratio_to_itself(one):
    assert of_ratio(one, one) == {}
    assert u_rel({}) == 0.0
