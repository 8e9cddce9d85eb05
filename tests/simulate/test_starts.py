"""Starts from the profile itself: guesses that are far off lead to the truth all the same."""

import numpy as np
import pytest

from craterfront import starts
from craterfront.assembly import Assembly
from craterfront.experiment import experiment_from_toml
from craterfront.files import profile_of
from craterfront.forward import simulate
from craterfront.inversion import invert
from craterfront.likelihood import Likelihood
from craterfront.results import answer

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


@pytest.mark.parametrize("seed", [0, 1])
def test_guesses_off_by_half_in_every_thickness_land(seed):
    truth, profile, known = multilayer(seed)
    layers = answer(invert(profile, known)).layers
    deviations = [(layer.value - t) / layer.u for layer, t in zip(layers, truth, strict=True)]
    assert np.max(np.abs(deviations)) < 4.0
    assert max(layer.u / layer.value for layer in layers) < 0.05


# A tracer in aluminium: the supposed stack has one, the sample two.
TRACER = """
[[layer]]
name = "cap"
material = "Al"
thickness_nm = {{ guess = {cap} }}
{more}
[[layer]]
name = "tracer"
material = "Ti"
thickness_nm = {{ value = 5.0, u = 0 }}
[[layer]]
name = "buffer"
material = "Al"
thickness_nm = {{ guess = 60.0 }}
[substrate]
material = "Si"
[material.Al]
composition = "Al"
erosion_rate_nm_s = {{ value = 9.0, u_rel = 0.03 }}
[material.Ti]
composition = "Ti"
erosion_rate_nm_s = {{ value = 9.0, u_rel = 0.03 }}
[material.Si]
composition = "Si"
erosion_rate_nm_s = {{ value = 9.0, u_rel = 0.03 }}
[roughness]
initial_nm = {{ value = 2.0, u = 0 }}
[detection]
sampling_s = 0.1
duration_s = 25.0
[noise]
counts_per_unit_s = 1.0
"""
FIRST = """
[[layer]]
name = "first tracer"
material = "Ti"
thickness_nm = 5.0
[[layer]]
name = "between"
material = "Al"
thickness_nm = 60.0
"""


def test_two_solutions_that_are_about_equally_good_are_both_told():
    """One tracer for two that are alike: at 60 nm or at 125 nm, as the profile has it."""
    real = experiment_from_toml(TRACER.format(cap=60.0, more=FIRST))
    profile = profile_of(simulate(real.stack, real.setup, seed=1), "two tracers")
    found = invert(profile, experiment_from_toml(TRACER.format(cap=80.0, more="")))
    assembly = found.likelihood.assembly
    caps = [
        each[assembly.thickness_index(0)] for each in (found.values, found.alternatives[0].values)
    ]
    assert sorted(caps) == pytest.approx([60.0, 125.0], rel=0.05)
    assert found.warnings[0].startswith("another sample explains the profile about as well")
