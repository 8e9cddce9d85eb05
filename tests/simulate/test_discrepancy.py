"""What rescales the rate of a layer, and leaves no residuals, widens the answer."""

import math

import pytest

from craterfront.experiment import experiment_from_toml
from craterfront.files import profile_of
from craterfront.forward import simulate
from craterfront.inversion import invert
from craterfront.results import answer

TWICE = """
{discrepancy}
[[layer]]
name = "upper"
material = "Cu"
thickness_nm = {{ guess = 50.0 }}
[[layer]]
name = "between"
composition = "Ni"
thickness_nm = {{ guess = 60.0 }}
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[[layer]]
name = "lower"
material = "Cu"
thickness_nm = {{ guess = 70.0 }}
[material.Cu]
composition = "Cu"
erosion_rate_nm_s = {{ value = 20.0, u_rel = {rate_u_rel} }}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 8.0, u = 0 }}
[roughness]
initial_nm = {{ value = 3.0, u = 1.0 }}
[detection]
sampling_s = 0.05
duration_s = 14.0
[noise]
counts_per_unit_s = 3.0
"""


def relative_u(rate_u_rel, discrepancy=""):
    """Relative standard uncertainties of both copper layers and of their common depth."""
    known = experiment_from_toml(TWICE.format(rate_u_rel=rate_u_rel, discrepancy=discrepancy))
    profile = profile_of(simulate(known.stack, known.setup, seed=1), "profile")
    found = invert(profile, known)
    assembly = found.likelihood.assembly
    upper, lower = (assembly.thickness_index(layer) for layer in (0, 2))
    together = found.uncertainty_of_sum({upper: 1.0, lower: 1.0})
    layers = answer(found).layers
    whole = layers[0].value + layers[2].value
    return layers[0].u / layers[0].value, layers[2].u / layers[2].value, together / whole


def test_it_adds_to_the_rate_of_the_material():
    """Derived: a collected signal is as high as the rate, so two layers of one material tell the
    ratio of their rates. What they have in common stays: u^2 = rate^2 + error^2 / 2."""
    rate, error = 0.03, 0.04
    found = relative_u(rate, f"discrepancy = {{ rate_u_rel = {error} }}")
    each = math.hypot(rate, error / math.sqrt(2.0))
    assert found == pytest.approx([each, each, each], rel=0.02)


def test_without_it_the_rate_alone_counts():
    assert relative_u(0.03) == pytest.approx([0.03, 0.03, 0.03], rel=0.02)
