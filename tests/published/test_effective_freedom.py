"""Effective degrees of freedom against the worked examples of the GUM."""

import math

import numpy as np
import pytest

from craterfront.models.measurands.effective_freedom import effective_degrees_of_freedom


@pytest.mark.recalled
@pytest.mark.parametrize(
    ("u", "freedom", "expected"),
    [
        # GUM (JCGM 100:2008), G.4.1: relative uncertainties in per cent of a product; 19.0. From
        # memory.
        ([0.25, 0.57, 0.82], [9, 4, 14], 19.0),
        # The same, H.1.6: end gauge, nm; 16.7 from rounded numbers. From memory.
        ([25.0, 9.7, 2.9, 16.6], [18.0, 25.6, 50.0, 2.0], 16.7),
    ],
)
def test_examples_of_the_guide(u, freedom, expected):
    found = effective_degrees_of_freedom(np.array(u), np.array(freedom))
    assert found == pytest.approx(expected, rel=0.01)


@pytest.mark.derived
def test_equal_shares_add_their_degrees_of_freedom():
    """u_c^4 = (N u^2)^2, and the sum of u^4 / nu is N u^4 / nu: N nu."""
    found = effective_degrees_of_freedom(np.full(4, 0.3), np.full(4, 7.0))
    assert found == pytest.approx(28.0)


@pytest.mark.derived
def test_what_is_exactly_known_multiplies_by_the_square_of_the_variances():
    """u_c^4 / (u_A^4 / nu) = nu (1 + u_B^2 / u_A^2)^2: (1 + 3)^2 times 2."""
    found = effective_degrees_of_freedom(np.array([1.0, 3.0**0.5]), np.array([2.0, math.inf]))
    assert found == pytest.approx(32.0)
