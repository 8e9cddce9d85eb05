"""What fixes the depth scale, and how its error goes into sums over layers."""

import math
from functools import cache

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.objective.scale import Scale, depth_scale
from craterfront.posterior_sampling.sampled_posterior import sample_posterior

# Nothing in it but the rates is a length in nm: known widths would calibrate the rates.
PERIODS = """
[[layer]]
repeat = 3
[[layer.of]]
composition = "Cr"
thickness_nm = {chromium_nm}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {chromium_rate}
[[layer.of]]
composition = "Ti"
thickness_nm = {titanium_nm}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {titanium_rate}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 8.0, u = 0 }}
[crater]
shape = "parabolic"
curvature = {{ value = 0.1, u = 0 }}
[detection]
sampling_s = 0.06
duration_s = 11.0
[noise]
counts_per_unit_s = 20.0
"""


def periods(**written):
    return experiment_from_toml(PERIODS.format(**written))


def test_an_error_of_rate_does_not_average_out_over_periods():
    """Derived: the total depth is n (r_Cr t_Cr + r_Ti t_Ti), so with 12 and 8 of 20 nm and 3 % for
    each rate its relative uncertainty is 3 % sqrt(0.6^2 + 0.4^2), whatever n. All rates are 3 %
    higher than their numbers; independent errors in 3 periods would give 1.25 %, and an interval
    that misses 60 nm."""
    truth = periods(chromium_nm=12.0, titanium_nm=8.0, chromium_rate=10.3, titanium_rate=5.15)
    known = periods(
        chromium_nm="{ guess = 11.0 }",
        titanium_nm="{ guess = 9.0 }",
        chromium_rate="{ value = 10.0, u_rel = 0.03 }",
        titanium_rate="{ value = 5.0, u_rel = 0.03 }",
    )
    profile = profile_of(simulate(truth.stack, truth.setup, seed=3), "periods")
    last = answer(invert(profile, known)).layers[-1]
    half = (last.depth_upper - last.depth_lower) / 2
    assert half / last.depth == pytest.approx(1.96 * 0.03 * math.hypot(0.6, 0.4), rel=0.05)
    assert last.depth_lower < 60.0 < last.depth_upper


TWO = """
[[layer]]
name = "upper"
composition = "Ti"
thickness_nm = {upper_nm}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {{ value = 10.0, u_rel = 0.03 }}
[[layer]]
name = "lower"
composition = "Cr"
thickness_nm = {lower_nm}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {{ value = 5.0, u_rel = 0.04 }}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 8.0, u = 0 }}
[crater]
shape = "parabolic"
curvature = {{ value = 0.1, u = 0 }}
[detection]
sampling_s = 0.06
duration_s = 13.0
[noise]
counts_per_unit_s = 2000.0
"""


CRATER_DEPTH = "final_crater_depth_nm = { value = 98.0, u = 1.0 }\n"


@cache
def above_one_another(more="", upper="{ guess = 55.0 }", lower="{ guess = 29.0 }", relative=False):
    """60 and 30 nm, eroded in 6 s each, then 1 s of the substrate; nothing but rates in nm."""
    truth = experiment_from_toml(TWO.format(upper_nm=60.0, lower_nm=30.0))
    known = experiment_from_toml(TWO.format(upper_nm=upper, lower_nm=lower) + more)
    profile = profile_of(simulate(truth.stack, truth.setup, seed=3), "two")
    return invert(profile, known, relative=relative)


@pytest.mark.derived
def test_variances_of_layers_add_up_to_that_of_the_deeper_interface():
    """Derived: depth = r1 t1 + r2 t2 with independent rates and times that are known to some 0.1 %,
    so u^2 = (0.03 60)^2 + (0.04 30)^2 nm^2."""
    upper, lower = answer(above_one_another()).layers
    assert (upper.depth, upper.depth_u) == (upper.value, upper.u)
    assert upper.u == pytest.approx(1.8, rel=0.02)
    assert lower.depth_u == pytest.approx(math.hypot(1.8, 1.2), rel=0.02)
    assert lower.depth_upper / lower.depth == pytest.approx(
        math.exp(1.959964 * lower.depth_u / lower.depth)
    )


@pytest.mark.derived
def test_covariances_of_layers_count_in_the_deeper_interface():
    """Derived: a crater depth known to 1 nm takes v_i v_j / (v_1 + v_2 + 1) off each covariance of
    the layers, v_1 = 3.24 and v_2 = 1.44 nm^2 (normal prior and one reading of the sum)."""
    upper, lower = answer(above_one_another("[depth_scale]\n" + CRATER_DEPTH)).layers
    first, second = 3.24 - 3.24**2 / 5.68, 1.44 - 1.44**2 / 5.68
    covariance = -3.24 * 1.44 / 5.68
    assert (upper.u, lower.u) == pytest.approx((math.sqrt(first), math.sqrt(second)), rel=0.02)
    total = first + second + 2.0 * covariance
    assert lower.depth_u == pytest.approx(math.sqrt(total), rel=0.02)


def test_times_at_interfaces_are_sums_of_durations():
    found = answer(above_one_another(relative=True))
    first, second = found.as_dict()["interfaces"]
    assert first["time_s"] == pytest.approx(6.0, abs=0.05)
    assert second["time_s"] == pytest.approx(12.0, abs=0.05)
    assert second["time_s"] == sum(layer.value for layer in found.layers)
    assert second["time_lo_s"] < second["time_s"] < second["time_hi_s"]
    assert second["time_u_s"] < 0.02


def test_depths_of_a_sampled_posterior_are_sums_of_its_thicknesses():
    sampled = sample_posterior(above_one_another(), draws=400, seed=1)
    draws = {number.name: number.draws for number in sampled.numbers}
    below = draws["depth of the interface below lower"]
    assert np.allclose(below, draws["thickness of upper"] + draws["thickness of lower"])
    assert "depth of the interface below upper" not in draws
    (row,) = [row for row in sampled.rows() if row.name.startswith("depth of")]
    assert row.unit == "nm"
    half = 1.96 * math.hypot(1.8, 1.2)
    assert (row.upper - row.lower) / 2.0 == pytest.approx(half, rel=0.2)
    assert 50.0 < row.effective <= 400.0


def test_times_of_a_sampled_posterior_are_sums_of_its_durations():
    sampled = sample_posterior(above_one_another(relative=True), draws=100, seed=1)
    draws = {number.name: number.draws for number in sampled.numbers}
    both = draws["thickness of upper"] + draws["thickness of lower"]
    assert np.allclose(draws["time of the interface below lower"], both)
    assert {n.unit for n in sampled.numbers if n.name.startswith("time of")} == {"s"}


def test_intervals_of_depths_end_at_the_bounds_of_the_file():
    """The rates of both layers would leave more room than the greatest thicknesses do."""
    bounds = {"upper": "{ guess = 55.0, max = 61.0 }", "lower": "{ guess = 29.0, max = 30.5 }"}
    upper, lower = answer(above_one_another(**bounds)).layers
    assert (upper.depth_lower, upper.depth_upper) == (upper.lower, upper.upper)
    assert upper.depth_upper == pytest.approx(61.0)
    assert lower.depth_upper == pytest.approx(91.5)


def test_a_known_layer_calibrates_layers_of_the_same_composition():
    """They share the rate from the yields, and with it its error; nickel does not."""
    text = """
[[layer]]
name = "a"
composition = "Cu"
thickness_nm = { value = 40.0, u = 1.0 }
[[layer]]
name = "b"
composition = "Ni"
thickness_nm = 30.0
[[layer]]
name = "c"
composition = "Cu"
thickness_nm = 40.0
[substrate]
composition = "Al"
[source]
kind = "ion beam"
energy_eV = 500
current_nA = 50
raster_um = [300, 300]
[detection]
duration_s = 600.0
sampling_s = 3.0
"""
    experiment = experiment_from_toml(text)
    profile = profile_of(simulate(experiment.stack, experiment.setup), "like layers")
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    assert depth_scale(assembly, experiment.depth_scale, profile) == Scale(
        ["a layer of known thickness"], without=["b"]
    )
