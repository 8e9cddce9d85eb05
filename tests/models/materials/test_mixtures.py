"""Mixtures of known materials."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.materials.mixtures import nearest_mixtures, slopes

PURE = np.eye(3)
LINE = np.array([[1.0, 0.0], [0.75, 0.25], [0.5, 0.5], [0.0, 1.0]])


@given(st.integers(0, 2**32 - 1))
def test_pure_materials_are_mixed_as_the_composition_says(seed):
    composition = np.random.default_rng(seed).dirichlet(np.ones(3), size=4)
    assert nearest_mixtures(composition, PURE) == pytest.approx(composition, abs=1e-5)


def test_between_several_materials_the_two_nearest_are_mixed():
    shares = nearest_mixtures(np.array([[0.6, 0.4], [0.2, 0.8], [0.75, 0.25]]), LINE)
    expected = [[0.0, 0.4, 0.6, 0.0], [0.0, 0.0, 0.4, 0.6], [0.0, 1.0, 0.0, 0.0]]
    assert shares == pytest.approx(np.array(expected), abs=1e-4)


def test_what_no_mixture_has_is_replaced_by_the_nearest():
    shares = nearest_mixtures(np.array([[0.9, 0.1]]), LINE[1:])
    assert shares[0] == pytest.approx([1.0, 0.0, 0.0], abs=1e-3)


def test_slopes_are_those_of_the_mean():
    each = np.array([3.0, 1.0, 2.0])
    composition = np.array([[0.2, 0.3, 0.5]])
    change = np.array([0.01, -0.03, 0.02])
    found = slopes(nearest_mixtures(composition, PURE), PURE, each)[0] @ change
    before, after = (nearest_mixtures(c, PURE) @ each for c in (composition, composition + change))
    assert found == pytest.approx(float(after[0] - before[0]), rel=1e-3)


def test_a_pure_material_says_nothing_of_others():
    assert slopes(np.array([[0.0, 1.0, 0.0, 0.0]]), LINE, np.arange(4.0))[0] @ [1.0, -1.0] == (
        pytest.approx(0.0)
    )
