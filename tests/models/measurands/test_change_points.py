"""Division of a curve into levels of a given order, against all divisions."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from craterfront.models.measurands.change_points import change_points


def total(misfit, boundaries):
    ends = [0, *boundaries, misfit.shape[1]]
    parts = zip(misfit, ends[:-1], ends[1:], strict=True)
    return sum(row[start:end].sum() for row, start, end in parts)


@given(
    arrays(
        float,
        st.tuples(st.integers(1, 4), st.integers(4, 9)),
        elements=st.floats(0.0, 10.0, width=32),
    )
)
def test_no_division_has_a_smaller_misfit(misfit):
    levels, places = misfit.shape
    found = change_points(misfit)
    least = min(total(misfit, each) for each in combinations(range(1, places), levels - 1))
    assert np.all(np.diff([0, *found, places]) > 0)
    assert total(misfit, found) == pytest.approx(least, abs=1e-9)


def test_too_few_places_are_refused():
    with pytest.raises(ValueError, match="2 places are too few for 3 levels"):
        change_points(np.zeros((3, 2)))
