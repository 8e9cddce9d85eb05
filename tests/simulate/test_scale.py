"""What fixes the depth scale, and how its error goes into sums over layers."""

import math

import pytest

from craterfront.assembly import Assembly
from craterfront.experiment import experiment_from_toml
from craterfront.files import profile_of
from craterfront.forward import simulate
from craterfront.inversion import invert
from craterfront.results import answer
from craterfront.scale import Scale, depth_scale

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
