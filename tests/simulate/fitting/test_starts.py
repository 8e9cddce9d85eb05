"""Starts from the profile itself: guesses that are far off lead to the truth all the same."""

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting import starts
from craterfront.fitting.alternatives import alternatives
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.objective.estimation import Fit, Objective
from craterfront.objective.likelihood import Likelihood

RATES = {"Ti": 6.0, "Al": 9.0, "Si": 5.0}
SETUP = """
[substrate]
material = "Si"
[crater]
shape = "parabolic"
curvature = { value = 0.04, u = 0.01 }
[roughness]
initial_nm = { value = 1.5, u = 0.3 }
[mixing]
model = "uniform"
length_nm = { value = 1.2, u = 0.2 }
[noise]
counts_per_unit_s = 3.0
"""


def experiment(names, thickness_nm, duration_s, *, known):
    """Layers of titanium and aluminium on silicon."""
    layers = [
        f'[[layer]]\nname = "{name} {number}"\nmaterial = "{name}"\n'
        + (f"thickness_nm = {t}\n" if known else f"thickness_nm = {{ guess = {t} }}\n")
        for number, (name, t) in enumerate(zip(names, thickness_nm, strict=True))
    ]
    materials = [
        f'[material.{name}]\ncomposition = "{name}"\n'
        f"erosion_rate_nm_s = {{ value = {rate}, u_rel = 0.03 }}\n"
        for name, rate in RATES.items()
    ]
    times = f"[detection]\nsampling_s = {duration_s / 300}\nduration_s = {duration_s}\n"
    return experiment_from_toml("\n".join([*layers, *materials, SETUP, times]))


def multilayer(seed):
    """An alternating stack, its profile, and guesses that are off by half in every thickness."""
    rng = np.random.default_rng(seed)
    names = [("Ti", "Al")[number % 2] for number in range(int(rng.integers(5, 9)))]
    truth = np.exp(rng.uniform(np.log(20.0), np.log(80.0), len(names)))
    seconds = sum(t / RATES[name] for t, name in zip(truth, names, strict=True))
    duration = 1.15 * seconds + 3.0
    real = experiment(names, truth, duration, known=True)
    guesses = truth * rng.choice([0.5, 1.5], truth.size)
    profile = profile_of(simulate(real.stack, real.setup, seed=seed), f"stack {seed}")
    return truth, profile, experiment(names, guesses, duration, known=False)


@pytest.mark.parametrize("seed", range(6))
def test_change_points_lie_at_the_interfaces(seed):
    """Within 20 %: mixing and curvature blur some 5 nm of layers of 20 to 80 nm."""
    truth, profile, known = multilayer(seed)
    likelihood = Likelihood(Assembly(known.stack, known.setup, merge_equal=False), profile)
    assembly = likelihood.assembly
    for x in starts.divided_profiles(likelihood):
        values = likelihood.coordinates.values(x)
        found = [values[assembly.thickness_index(layer)] for layer in range(truth.size)]
        assert found == pytest.approx(truth, rel=0.2)


@pytest.mark.parametrize("seed", [pytest.param(0, marks=pytest.mark.slow), 1])
@pytest.mark.thorough
def test_guesses_off_by_half_in_every_thickness_land(seed):
    truth, profile, known = multilayer(seed)
    layers = answer(invert(profile, known)).layers
    deviations = [(layer.value - t) / layer.u for layer, t in zip(layers, truth, strict=True)]
    assert np.max(np.abs(deviations)) < 4.0
    assert max(layer.u / layer.value for layer in layers) < 0.05


# --- other solutions -----------------------------------------------------------------------------


class TwoWells:
    """A problem with minima at 1 and -1, of which the second is less probable by `less`.

    It has a linear number besides, whose signal in the second well is `louder` times as large.
    """

    def __init__(self, less, louder=1.0):
        self.less, self.terms = less, "with the slices of the best"
        self.louder = louder
        self.coordinates = self

    def values(self, x):
        return 10.0 * x

    def replan(self, x):
        self.terms = "with the slices of a trial"

    def objective(self):
        def residuals(x):
            return np.array([(x[0] ** 2 - 1.0) / 0.01, self.less * (x[0] - 1.0) / 2.0])

        def jacobian(x):
            return np.array([[2.0 * x[0] / 0.01], [self.less / 2.0]])

        return Objective(residuals, jacobian, np.array([-5.0]), np.array([5.0]))

    def information_rows(self, x):
        own = np.vstack([self.objective().jacobian(x), [[0.0]]])
        return np.hstack([own, [[0.0], [0.0], [1.0 if x[0] > 0 else self.louder]]])


def fit_at(x):
    return Fit(np.array([x]), 1.0, True, "")


@pytest.mark.parametrize("less", [0.0, 1.0, 2.0])
def test_another_solution_has_the_odds_of_its_likelihood(less):
    """Derived: the second residual alone tells the wells apart: exp(-less^2 / 2)."""
    problem = TwoWells(less)
    best = Fit(np.array([1.0]), 0.0, True, "")
    (other,) = alternatives(problem, best, [fit_at(0.9), fit_at(-0.8), fit_at(-1.2)])
    assert other.values == pytest.approx([-10.0], rel=1e-3)
    assert other.odds == pytest.approx(np.exp(-0.5 * less**2), rel=0.01)
    assert problem.terms == "with the slices of the best"


def test_the_odds_are_those_of_what_is_left_of_the_linear_numbers():
    """Derived: a normal density of a number with slope 2 has half the integral of one with 1."""
    problem = TwoWells(1.0, louder=2.0)
    (other,) = alternatives(problem, Fit(np.array([1.0]), 0.0, True, ""), [fit_at(-0.8)])
    assert other.odds == pytest.approx(0.5 * np.exp(-0.5), rel=0.01)


def test_what_is_hardly_probable_is_not_told():
    assert not alternatives(TwoWells(3.0), Fit(np.array([1.0]), 0.0, True, ""), [fit_at(-0.8)])


def test_a_better_solution_than_the_best_comes_first():
    worse = Fit(np.array([-1.0]), 9.0, True, "")
    (other,) = alternatives(TwoWells(3.0), worse, [fit_at(-0.9), fit_at(0.8)])
    assert other.values == pytest.approx([10.0], rel=1e-3)
    assert other.odds == pytest.approx(np.exp(4.5), rel=0.01)
