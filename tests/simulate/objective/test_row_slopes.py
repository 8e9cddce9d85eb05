"""Slopes of what an inversion fits, by every parameter, against differences of sixth order.

Errors are over the largest slope in the same direction.
"""

from dataclasses import replace

import numpy as np
import pytest

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.forward_model.input_slopes import moves
from craterfront.measured_files.files import profile_of
from craterfront.objective.likelihood import Likelihood
from tests.reference.differences import RELATIVE_STEPS, most_certain

LAYERS = """
[[layer]]
name = "copper"
composition = "Cu"
thickness_nm = { guess = 60.0 }
interface_width_nm = { guess = 5.0 }
erosion_rate_nm_s = { guess = 20.0 }
density_g_cm3 = { value = 8.96, u_rel = 0.03 }
[[layer]]
name = "nickel"
composition = "Ni"
thickness_nm = { guess = 40.0 }
interface_width_nm = { guess = 2.0 }
interface_roughness_nm = { value = 1.0, u = 0.2 }
erosion_rate_nm_s = { guess = 10.0 }
density_g_cm3 = { value = 8.9, u_rel = 0.03 }
[substrate]
composition = "Al"
erosion_rate_nm_s = { guess = 16.0 }
density_g_cm3 = { value = 2.7, u_rel = 0.03 }
"""
TIMES = "sampling_s = 0.2\nduration_s = 9.0\n"
CHANNELS = "".join(f'[[detection.channel]]\nelement = "{e}"\n' for e in ("Ni", "Al"))

LAMP = f"""{LAYERS}
[crater]
shape = "parabolic"
curvature = {{ guess = 0.04 }}
[roughness]
initial_nm = {{ guess = 1.5 }}
growth = "grains"
relative_spread = {{ guess = 0.05 }}
grain_nm = {{ guess = 20.0 }}
[mixing]
model = "uniform"
length_nm = {{ guess = 1.0 }}
[start_up]
rate_deficit = {{ guess = 0.4 }}
decay_s = {{ guess = 0.5 }}
[detection]
{TIMES}residence_s = {{ guess = 0.05 }}
[[detection.channel]]
element = "Cu"
self_absorption_nm2_s = {{ guess = 0.0005 }}
contamination = {{ guess = 10.0 }}
{CHANNELS}"""

BEAM = f"""{LAYERS}
[crater]
shape = "edged"
edge_share = {{ guess = 0.1 }}
edge_rate = {{ guess = 0.7 }}
[roughness]
growth = "saturating"
initial_nm = {{ guess = 0.5 }}
final_nm = {{ guess = 2.5 }}
settling_nm = {{ guess = 60.0 }}
[mixing]
model = "diffusive"
length_nm = {{ copper = {{ guess = 1.0 }}, nickel = {{ guess = 0.8 }} }}
range_nm = {{ value = 2.5, u = 0.2 }}
[surface_transient]
rate_excess = {{ guess = 0.5 }}
decay_nm = {{ guess = 3.0 }}
[detection]
view = "viewed"
escape_depth_nm = {{ guess = 0.8 }}
{TIMES}[[detection.channel]]
element = "Cu"
{CHANNELS}"""


PAIR = """
[[layer]]
name = "coat"
composition = "{coat}"
thickness_nm = {{ guess = 30.0 }}
interface_width_nm = {{ value = 8.0, u = 0 }}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
density_g_cm3 = {{ value = 4.5, u = 0 }}
[substrate]
name = "base"
composition = "Fe"
erosion_rate_nm_s = {{ value = 16.0, u = 0 }}
[roughness]
initial_nm = {{ value = 3.0, u = 0 }}
"""
BRIEFLY = "[detection]\nsampling_s = 0.3\nduration_s = 3.0\n"
ALLOY = PAIR.format(coat="TiNi") + BRIEFLY
BY_LAYER = f"""{ALLOY.replace("guess = 30.0", "value = 30.0, u = 0")}
[crater]
shape = "parabolic"
curvature = {{ coat = {{ guess = 0.1 }}, base = {{ guess = -0.05 }} }}
"""
HYDROGEN = f"""{PAIR.format(coat="TiH2")}{BRIEFLY}
hydrogen_half_per_nm2_s = {{ guess = 800.0 }}
[[detection.channel]]
element = "Ti"
hydrogen_effect = {{ guess = -0.4 }}
[[detection.channel]]
element = "Fe"
hydrogen_effect = {{ guess = 0.3 }}
[[detection.channel]]
element = "H"
"""


def likelihood_of(text, values_kind="intensity"):
    experiment = experiment_from_toml(text)
    stack, setup = experiment.stack, experiment.setup
    profile = profile_of(simulate(stack, setup, seed=1), "simulated")
    likelihood = Likelihood(
        Assembly(stack, setup, merge_equal=False), replace(profile, values_kind=values_kind)
    )
    likelihood.terms = likelihood.terms.replanned(likelihood.assembly.nominal)
    return likelihood


def checked(likelihood, relative_steps=RELATIVE_STEPS):
    """The kinds of parameters whose slopes are those of the rows and of the depth."""
    values = likelihood.assembly.nominal
    rows, depth, slopes, depth_slopes = likelihood.terms.rows_and_slopes(values)
    plain, plain_depth = likelihood.terms.rows(values)
    assert rows == pytest.approx(plain, rel=1e-12, abs=1e-12 * plain.max())
    assert np.array_equal(depth, plain_depth)
    kinds = set()
    for p, index in enumerate(likelihood.free):

        def moved(by, index=index):
            other = values.copy()
            other[index] += by
            found, deep = likelihood.terms.rows(other)
            return np.append(found.ravel(), deep[-1])

        parameter = likelihood.assembly.parameters[index]
        found, apart = most_certain(moved, abs(values[index]), relative_steps)
        here = np.append(slopes[p].ravel(), depth_slopes[p])
        peak = np.abs(found).max()
        # What differences themselves do not agree on says nothing.
        believed = max(1e-6 * peak, 3.0 * apart)
        assert np.abs(here - found).max() <= believed, parameter.name
        assert apart <= 1e-4 * peak, parameter.name
        kinds.add(parameter.kind)
    return kinds


@pytest.mark.parametrize("text", [LAMP, BEAM], ids=["collected", "viewed"])
def test_slopes_are_those_of_the_rows(text):
    kinds = checked(likelihood_of(text))
    assert {"thickness", "width", "rate", "mixing length", "interface roughness"} <= kinds


@pytest.mark.parametrize("depth_nm", [25.0, 85.0, 120.0])
def test_true_depth_at_a_given_depth_of_the_engine(depth_nm):
    likelihood = likelihood_of("discrepancy = { rate_u_rel = 0.04 }\n" + LAMP)
    assembly, values = likelihood.assembly, likelihood.assembly.nominal
    values[[assembly.rate_error_index(layer) for layer in range(2)]] = 1.05, 0.97
    along = moves(values, likelihood.free)
    found = assembly.true_depth_slopes(depth_nm, np.zeros(len(along)), values, along)
    for slope, move in zip(found, along, strict=True):

        def depth(by, move=move):
            moved = values.copy()
            moved[move.index] += by
            return float(assembly.true_depth_nm(np.array([depth_nm]), moved)[0])

        step = 1e-4 * max(abs(values[move.index]), 1e-3)
        differences = (depth(step) - depth(-step)) / (2.0 * step) * move.unit
        assert slope == pytest.approx(differences, rel=1e-6, abs=1e-9)
    assert found.any()


def test_where_hydrogen_changes_the_intensity():
    kinds = checked(likelihood_of(HYDROGEN))
    assert {"thickness", "hydrogen effect", "hydrogen of half effect"} <= kinds


def test_of_a_crater_by_layer():
    assert checked(likelihood_of(BY_LAYER), RELATIVE_STEPS[:2]) == {"curvature"}


@pytest.mark.parametrize("values_kind", ["atomic fraction", "mass fraction"])
def test_of_fractions(values_kind):
    assert checked(likelihood_of(ALLOY, values_kind)) == {"thickness"}


@pytest.mark.parametrize(
    ("text", "kind"),
    [(LAMP, "relative spread"), (LAMP, "curvature"), (BEAM, "final roughness")],
)
def test_by_their_square_numbers_have_a_slope_at_zero(text, kind):
    """Against one-sided differences of fourth order in the square."""
    likelihood = likelihood_of(text)
    values = likelihood.assembly.nominal
    index = likelihood.assembly.index_of(kind)
    step = (0.03 * values[index]) ** 2

    def at(square):
        there = values.copy()
        there[index] = np.sqrt(square)
        return likelihood.terms.rows(there)[0]

    weights = (-25 / 12, 4.0, -3.0, 4 / 3, -0.25)
    found = sum(weight * at(k * step) for k, weight in enumerate(weights)) / step
    values[index] = 0.0
    position = likelihood.free.index(index)
    _, _, by_value, _ = likelihood.terms.rows_and_slopes(values)
    _, _, by_square, _ = likelihood.terms.rows_and_slopes(values, squared=[position])
    peak = np.abs(found).max()
    assert by_square[position] == pytest.approx(found, abs=1e-5 * peak)
    assert not by_value[position].any()


def test_by_the_square_a_width_has_a_slope_at_zero():
    likelihood = likelihood_of(LAMP)
    values = likelihood.assembly.nominal
    width = likelihood.assembly.width_index(0)
    position = likelihood.free.index(width)
    _, _, by_value, _ = likelihood.terms.rows_and_slopes(values)
    _, _, by_square, _ = likelihood.terms.rows_and_slopes(values, squared=[position])
    assert by_square[position] == pytest.approx(by_value[position] / (2.0 * values[width]))
    values[width] = 0.0
    _, _, by_value, _ = likelihood.terms.rows_and_slopes(values)
    _, _, at_zero, _ = likelihood.terms.rows_and_slopes(values, squared=[position])
    assert not by_value[position].any()
    # The signal is smoothed to 3.5 nm or so: a width of 1 nm enters by its square, to (1 / 3.5)^2.
    sharp, _ = likelihood.terms.rows(values)
    for tiny in (1e-11, 1e-8, 1e-5):
        values[width] = tiny
        _, _, there, _ = likelihood.terms.rows_and_slopes(values, squared=[position])
        assert there[position] == pytest.approx(at_zero[position], abs=1e-3 * np.abs(at_zero).max())
    values[width] = 1.0
    rise = likelihood.terms.rows(values)[0] - sharp
    assert at_zero[position] == pytest.approx(rise, abs=0.1 * np.abs(rise).max())
