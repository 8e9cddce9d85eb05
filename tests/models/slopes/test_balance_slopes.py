"""Slopes of the balanced dose against differences of what is solved anew."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from craterfront.models.erosion_front.dose_balance import interpolated
from craterfront.models.slopes.balance_slopes import balanced_slopes
from tests.reference.differences import sixth_order

DOSES = np.linspace(0.5, 12.0, 24)
LATE = DOSES * (12.0 - DOSES) / 12.0
NODES = np.array([0, 3, 6, 10, 15, 20, 23])


def used(dose, size):
    """What is used lags behind the dose by up to so much."""
    return dose - size * -np.expm1(-dose)


def solved(supplied, size):
    def one(supply):
        return brentq(lambda d: used(d, size) - supply, 0.0, supply + size + 1.0, xtol=1e-14)

    return np.array([one(supply) for supply in supplied])


def slopes_at(size, nodes):
    dose = solved(DOSES, size)
    if nodes is not None:
        dose = DOSES + interpolated(DOSES, DOSES[nodes], dose[nodes] - DOSES[nodes])
    by_dose = 1.0 - size * np.exp(-dose)
    by_size = np.expm1(-dose)
    supply = np.stack([np.zeros_like(DOSES), LATE], axis=1)
    of_used = np.stack([by_size, np.zeros_like(DOSES)], axis=1)
    return balanced_slopes(dose, DOSES, supply, nodes, by_dose, of_used)


@settings(max_examples=25)
@given(st.floats(0.1, 0.9))
def test_solved_at_every_dose(size):
    slopes = slopes_at(size, None)
    by_size = sixth_order(lambda by: solved(DOSES, size + by), 1e-3)
    by_supply = sixth_order(lambda by: solved(DOSES + by * LATE, size), 1e-3)
    assert slopes[:, 0] == pytest.approx(by_size, abs=1e-8 * np.abs(by_size).max())
    assert slopes[:, 1] == pytest.approx(by_supply, abs=1e-8 * np.abs(by_supply).max())


@settings(max_examples=25)
@given(st.floats(0.1, 0.9))
def test_interpolated_between_nodes_that_move(size):
    def between(supplied, size):
        at = supplied[NODES]
        return supplied + interpolated(supplied, at, solved(at, size) - at)

    slopes = slopes_at(size, NODES)
    by_size = sixth_order(lambda by: between(DOSES, size + by), 1e-3)
    by_supply = sixth_order(lambda by: between(DOSES + by * LATE, size), 1e-3)
    assert slopes[:, 0] == pytest.approx(by_size, abs=1e-8 * np.abs(by_size).max())
    assert slopes[:, 1] == pytest.approx(by_supply, abs=1e-8 * np.abs(by_supply).max())
