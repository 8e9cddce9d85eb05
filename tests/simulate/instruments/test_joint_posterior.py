"""What an inversion passes on to the next one."""

from types import SimpleNamespace

import numpy as np
import pytest

from craterfront.instruments.joint_posterior import _pull
from craterfront.notation.parameters import Parameter


def stopped_at_zero(parameter, mean, variance):
    """An inversion of one square that is normal about a mean below zero, and stopped there."""
    likelihood = SimpleNamespace(
        free=[0],
        assembly=SimpleNamespace(parameters=[parameter]),
        coordinates=SimpleNamespace(jacobian=lambda x: np.eye(1)),
        priors=SimpleNamespace(own=lambda x: [], own_slopes=lambda x: np.zeros((0, 1))),
    )
    objective = SimpleNamespace(
        lower=np.zeros(1),
        jacobian=lambda x: np.full((1, 1), variance**-0.5),
        residuals=lambda x: (x - mean) / variance**0.5,
    )
    fit = SimpleNamespace(x=np.zeros(1))
    return SimpleNamespace(likelihood=likelihood, objective=objective, fit=fit)


@pytest.mark.parametrize("kind", ["width", "mixing length", "curvature", "initial roughness"])
def test_a_square_that_stopped_is_passed_on_where_it_would_have_gone(kind):
    """Means of many references without broadening then scatter about zero, on both sides."""
    free = Parameter(kind, kind, "", 1.0, "free", lower=0.0, upper=10.0)
    found = stopped_at_zero(free, mean=-3.0, variance=4.0)
    assert 4.0 * _pull(found)[0] == pytest.approx(-3.0)


def test_what_is_no_square_stays_at_its_bound():
    bounded = Parameter("thickness", "thickness", "nm", 1.0, "free", lower=0.0, upper=10.0)
    assert _pull(stopped_at_zero(bounded, mean=-3.0, variance=4.0))[0] == 0.0
