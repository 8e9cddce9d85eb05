"""Coordinates of the fit: derivatives, and there and back again."""

import numpy as np
import pytest

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.assembly import Assembly
from craterfront.objective.coordinates import Coordinates

EXPERIMENT = """
[[layer]]
name = "copper"
composition = "Cu"
thickness_nm = { guess = 60.0 }
erosion_rate_nm_s = { value = 20.0, u_rel = 0.05 }
[[layer]]
name = "nickel"
composition = "Ni"
thickness_nm = { value = 40.0, u = 2.0 }
interface_width_nm = { value = 3.0, u = 1.0 }
erosion_rate_nm_s = { value = 12.0, u_rel = 0.1 }
[substrate]
composition = "Fe"
erosion_rate_nm_s = { guess = 10.0 }
[crater]
shape = "parabolic"
curvature = { guess = 0.04 }
[roughness]
initial_nm = { guess = 2.0 }
[mixing]
model = "uniform"
length_nm = { value = 1.0, u = 0.2 }
"""


@pytest.fixture(scope="module")
def coordinates():
    experiment = experiment_from_toml(EXPERIMENT)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    free = [i for i, p in enumerate(assembly.parameters) if not p.is_fixed]
    return assembly, free, Coordinates(assembly, free)


def moved(coordinates, seed):
    _, _, which = coordinates
    x = which.of(coordinates[0].nominal)
    x = x + 0.3 * np.random.default_rng(seed).uniform(0.1, 1.0, x.size)
    return np.clip(x, *which.bounds())


@pytest.mark.parametrize("seed", range(3))
def test_derivatives_of_values_or_squares(coordinates, seed):
    assembly, free, which = coordinates
    x = moved(coordinates, seed)
    squared = np.array([assembly.parameters[i].may_be_zero for i in free])
    assert squared.any()
    assert not squared.all()

    def shown(x):
        values = which.values(x)[free]
        return np.where(squared, values**2, values)

    step = 1e-6
    for i in range(x.size):
        across = step * np.eye(x.size)[i]
        numeric = (shown(x + across) - shown(x - across)) / (2.0 * step)
        assert which.jacobian(x)[:, i] == pytest.approx(numeric, rel=1e-7, abs=1e-7)


def test_a_square_has_a_derivative_at_zero(coordinates):
    """Derived: value^2 = scale^2 x, so the derivative is scale^2, times what rates make of it."""
    assembly, free, which = coordinates
    x = which.of(assembly.nominal)
    i = free.index(assembly.width_index(0))
    x[i] = 0.0
    assert which.values(x)[free[i]] == 0.0
    row = which.jacobian(x)[i]
    assert row[i] == pytest.approx(which.scale(i) ** 2, rel=1e-12)
    assert np.count_nonzero(row) == 1


@pytest.mark.parametrize("seed", range(3))
def test_there_and_back_again(coordinates, seed):
    _, _, which = coordinates
    x = moved(coordinates, seed)
    assert which.of(which.values(x)) == pytest.approx(x, abs=1e-12)
