"""What rescales the rate of a layer, and leaves no residuals, widens the answer."""

import math

import numpy as np
import pytest
from reference.differences import sixth_order

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of

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
    """Derived: nothing in a profile tells the error, and each layer has its own.

    So u^2 = rate^2 + error^2 for each, and in their sum errors add as independent ones do.
    """
    rate, error = 0.03, 0.04
    found = relative_u(rate, f"discrepancy = {{ rate_u_rel = {error} }}")
    each = math.hypot(rate, error)
    together = math.hypot(rate, error * math.hypot(50.0, 70.0) / 120.0)
    assert found == pytest.approx([each, each, together], rel=0.02)


def inversion(more="", count=3.0):
    known = experiment_from_toml(
        TWICE.format(rate_u_rel=0.03, discrepancy="discrepancy = { rate_u_rel = 0.04 }")
        .replace("counts_per_unit_s = 3.0", f"counts_per_unit_s = {count}")
        .replace("[substrate]", f"{more}\n[substrate]")
    )
    return invert(profile_of(simulate(known.stack, known.setup, seed=1), "profile"), known)


def test_however_precise_the_profile_its_shape_does_not_tell_it():
    """Roughness in nm and its width in time would tell rates, if the model were right."""
    found = inversion(count=1e5)
    assembly = found.likelihood.assembly
    error = assembly.rate_error_index(0)
    assert found.standard_uncertainty(error) == pytest.approx(0.04, rel=1e-3)
    assert found.values[error] == pytest.approx(1.0, abs=1e-6)


def test_a_known_crater_depth_tells_what_the_errors_have_in_common():
    """Derived: the depth is a sum of what the layers took, so that sum is known as well as it."""
    with_depth = inversion("[depth_scale]\nfinal_crater_depth_nm = { value = 195.0, u = 0.2 }")
    assembly = with_depth.likelihood.assembly
    thickness = [assembly.thickness_index(layer) for layer in range(3)]
    alone = inversion()
    u_of_sum = [
        each.uncertainty_of_sum(dict.fromkeys(thickness, 1.0)) for each in (with_depth, alone)
    ]
    assert u_of_sum[0] < 0.1 * u_of_sum[1]
    depth = float(with_depth.solution.mean_depth_nm[-1])
    assert depth == pytest.approx(195.0, abs=0.5)
    total = float(np.sum(with_depth.values[thickness]))
    substrate = depth - total
    assert 0.0 < substrate < 20.0


def test_slopes_where_layers_erode_unlike_what_they_are():
    likelihood = inversion().likelihood
    rng = np.random.default_rng(4)
    x = 0.02 * rng.standard_normal(len(likelihood.free))
    likelihood.replan(x)
    values = likelihood.coordinates.values(x)
    assert not np.allclose(likelihood.assembly.rate_errors(values), 1.0, atol=1e-3)
    _, _, slopes, of_depth = likelihood.terms.rows_and_slopes(values)
    for p, index in enumerate(likelihood.free):
        if likelihood.assembly.parameters[index].kind not in KINDS:
            continue

        def moved(change, index=index):
            other = values.copy()
            other[index] += change
            rows, depth = likelihood.terms.rows(other)
            return np.append(rows.ravel(), depth[-1])  # before it there is a kink at each plane

        expected = sixth_order(moved, 2e-4 * values[index])
        found = np.append(slopes[p].ravel(), of_depth[p])
        assert np.abs(found - expected).max() < 1e-6 * np.abs(expected).max()


KINDS = ("rate discrepancy", "thickness", "rate")


def test_without_it_the_rate_alone_counts():
    assert relative_u(0.03) == pytest.approx([0.03, 0.03, 0.03], rel=0.02)
