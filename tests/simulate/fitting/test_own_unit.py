"""Intervals of lengths, where rates are uncertain and part of a broadening is known in nm."""

import math

import numpy as np
import pytest
from reference.differences import sixth_order
from reference.rough_interface import ROUGH

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.fitting.own_unit import OwnUnit
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of

WIDTH, U_REL = 60.0, 0.08


@pytest.fixture(scope="module")
def rough():
    truth = experiment_from_toml(ROUGH.format(thickness=400.0, width=WIDTH, u_rel=0.0, counts=2e5))
    profile = profile_of(simulate(truth.stack, truth.setup, seed=1), "rough")
    free = "{ guess = 350.0 }", "{ guess = 40.0 }"
    return invert(
        profile,
        experiment_from_toml(
            ROUGH.format(thickness=free[0], width=free[1], u_rel=U_REL, counts=2e5)
        ),
    )


def test_the_interval_of_a_width_lets_the_rates_move(rough):
    """Derived: w^2 + (2 R)^2 is the square of a time, known well, times a rate.

    That rate is the geometric mean of the two, so the ends are where it is off by a factor of
    exp(1.96 u / sqrt(2)); as if the relative uncertainties of w and rate simply added up, they
    would be at 51 and 70 nm.
    """
    (width,) = rough.widths.values()
    spread = 1.96 * math.sqrt(math.log1p(U_REL**2) / 2.0)
    ends = [
        math.sqrt((WIDTH**2 + 60.0**2) * math.exp(2.0 * sign * spread) - 60.0**2)
        for sign in (-1.0, 1.0)
    ]
    assert width.resolved
    assert [width.lower_nm, width.upper_nm] == pytest.approx(ends, rel=0.02)


@pytest.mark.parametrize("kind", ["width", "thickness"])
def test_there_and_back_with_slopes(rough, kind):
    likelihood = rough.likelihood
    parameters = [likelihood.assembly.parameters[index] for index in likelihood.free]
    i = next(i for i, p in enumerate(parameters) if p.kind == kind)
    own, x = OwnUnit(likelihood.coordinates, i), rough.fit.x + 0.01
    y = own.of(x)
    np.testing.assert_allclose(own.back(y), x, rtol=1e-13)
    assert own.value(y[i]) == pytest.approx(likelihood.coordinates.values(x)[likelihood.free[i]])
    columns = [sixth_order(lambda t, e=e: own.back(y + t * e), 1e-3) for e in np.eye(y.size)]
    by_y = np.stack(columns, axis=1)
    np.testing.assert_allclose(own.slopes(np.eye(x.size), x), by_y, atol=1e-9)
    np.testing.assert_allclose(own.gradient(x) @ by_y, np.eye(y.size)[i], atol=1e-9)
