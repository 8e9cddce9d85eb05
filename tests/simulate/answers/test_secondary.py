"""Quantities that follow from layers: diffusion, enrichment, case depth, means."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import erfcinv

from craterfront.answers.results import answer
from craterfront.answers.secondary import LayerMean, case_depth_nm
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.models.materials.elements import atomic_density_per_nm3, atomic_mass_u
from craterfront.reports.answer_tables import answer_tables
from craterfront.samples.asked import CaseDepth

# As many atoms of copper as of nickel in a nm3, so that volume fractions are atomic fractions.
NICKEL = 8.902
COPPER = NICKEL * atomic_mass_u("Cu") / atomic_mass_u("Ni")

CASE = """
[[layer]]
name = "case"
composition = "Cu"
density_g_cm3 = {copper}
thickness_nm = {thickness}
interface_shape = "constant source"
diffusivity_time_nm2 = {area}
erosion_rate_nm_s = {{ value = 10.0, u_rel = 0.02 }}
{more}
[substrate]
composition = "Ni"
density_g_cm3 = {nickel}
erosion_rate_nm_s = {{ value = 10.0, u_rel = 0.02 }}
[roughness]
initial_nm = {{ value = 0.5, u = 0.1 }}
[detection]
sampling_s = 0.05
duration_s = 12.0
[noise]
counts_per_unit_s = 2000.0
{asked}
"""
LENGTH_NM = 20.0
THICKNESS_NM = 2.0 * LENGTH_NM / math.sqrt(math.pi)


def case(**written):
    plain = {"thickness": THICKNESS_NM, "area": LENGTH_NM**2, "more": "", "asked": ""}
    return experiment_from_toml(CASE.format(copper=COPPER, nickel=NICKEL, **(plain | written)))


@pytest.fixture(scope="module")
def diffused():
    truth = case()
    known = case(
        thickness="{ guess = 20.0 }",
        area="{ guess = 300.0 }",
        more="diffusion_time_s = { value = 50.0, u = 5.0 }",
        asked='[[case_depth]]\nelement = "Cu"\natomic_fraction = 0.2',
    )
    return invert(profile_of(simulate(truth.stack, truth.setup, seed=2), "case"), known)


def by_name(found, quantity):
    return next(each for each in found.secondary if each.quantity == quantity)


def test_the_diffusion_length_is_recovered(diffused):
    length = by_name(answer(diffused), "diffusion length")
    assert length.of == "interface below case"
    assert length.lower < LENGTH_NM < length.upper
    assert length.u < 0.05 * LENGTH_NM
    assert length.value == pytest.approx(LENGTH_NM, abs=4.0 * length.u)


def test_the_diffusivity_has_the_uncertainty_of_length_and_time(diffused):
    """Derived: D = L^2 / t, so u(D)/D is the root of (2 u(L)/L)^2 + (u(t)/t)^2."""
    found = answer(diffused)
    length, diffusivity = by_name(found, "diffusion length"), by_name(found, "diffusivity")
    assert diffusivity.value == pytest.approx(length.value**2 / 50.0)
    expected = math.hypot(2.0 * length.u / length.value, 0.1)
    assert diffusivity.u / diffusivity.value == pytest.approx(expected)
    assert diffusivity.lower < LENGTH_NM**2 / 50.0 < diffusivity.upper


def test_the_case_depth_of_a_constant_source(diffused):
    """Derived: erfc(z / (2 L)) = 0.2 at z = 2 L erfcinv(0.2)."""
    found = answer(diffused)
    depth = by_name(found, "case depth")
    expected = 2.0 * LENGTH_NM * float(erfcinv(0.2))
    assert depth.lower < expected < depth.upper
    assert depth.value == pytest.approx(expected, abs=4.0 * depth.u)


def test_draws_agree_with_linear_propagation(diffused):
    """Independent check: the case depth's derivative, by differences, with the covariance."""
    coordinates, assembly = diffused.likelihood.coordinates, diffused.likelihood.assembly
    asked = diffused.experiment.case_depth[0]

    def depth(x):
        return case_depth_nm(assembly.sample(coordinates.values(x)), assembly.elements, asked)

    covariance = diffused.curvature.covariance
    steps = 0.3 * np.sqrt(np.diag(covariance))
    slope = [
        (depth(diffused.fit.x + step) - depth(diffused.fit.x - step)) / (2.0 * step.sum())
        for step in np.diag(steps)
    ]
    expected = math.sqrt(slope @ covariance @ slope)
    assert by_name(answer(diffused), "case depth").u == pytest.approx(expected, rel=0.07)


def test_a_width_that_is_a_limit_gives_a_limit():
    truth = case(area=1e-4, thickness=40.0)
    known = case(
        area="{ guess = 9.0 }", thickness="{ guess = 40.0 }", more="diffusion_time_s = 50.0"
    )
    profile = profile_of(simulate(truth.stack, truth.setup, seed=2), "sharp")
    found = answer(invert(profile, known))
    assert not found.layers[0].width.resolved
    length, diffusivity = by_name(found, "diffusion length"), by_name(found, "diffusivity")
    assert length.is_limit
    assert diffusivity.is_limit
    assert length.value is None
    assert length.lower == 0.0
    assert 0.01 < length.upper < 3.0
    assert diffusivity.upper == pytest.approx(length.upper**2 / 50.0)


@pytest.mark.derived
@given(st.floats(0.02, 0.98), st.floats(1.0, 100.0))
def test_case_depths_of_a_constant_source_follow_erfc(level, length_nm):
    thickness = 2.0 * length_nm / math.sqrt(math.pi)
    stack = case(area=length_nm**2, thickness=thickness)
    assembly = Assembly(stack.stack, stack.setup, merge_equal=False)
    sample = assembly.sample(assembly.nominal)
    expected = 2.0 * length_nm * float(erfcinv(level))
    asked = CaseDepth(element="Cu", atomic_fraction=level)
    found = case_depth_nm(sample, assembly.elements, asked)
    assert found == pytest.approx(expected, abs=2e-4 * length_nm)
    by_mass = level * atomic_mass_u("Cu")
    by_mass /= by_mass + (1.0 - level) * atomic_mass_u("Ni")
    asked = CaseDepth(element="Cu", mass_fraction=by_mass)
    assert case_depth_nm(sample, assembly.elements, asked) == pytest.approx(
        expected, abs=2e-4 * length_nm
    )


def test_the_mean_of_a_layer_holds_what_the_interface_brings_in(diffused):
    """Derived: between the surface and the plane, which is the mean depth of the derivative, a
    share h/L of a half-normal distribution: 1 - mean = integral of erf up to the plane."""
    found = answer(diffused)
    (mean,) = found.means
    z = found.layers[0].value / (2.0 * by_name(found, "diffusion length").value)
    expected = math.erf(z) + (math.exp(-z * z) - 1.0) / (z * math.sqrt(math.pi))
    assert mean.fractions["Ni"][0] == pytest.approx(expected, rel=0.02)
    assert sum(value for value, _ in mean.fractions.values()) == pytest.approx(1.0)
    assert 0.0 < mean.fractions["Ni"][1] < 0.05
    assert COPPER > mean.density_g_cm3 > NICKEL


# --- enrichment --------------------------------------------------------------------------------

MARKED = """
[[layer]]
name = "cap"
composition = "Cu"
thickness_nm = 30.0
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[[layer]]
name = "marker"
composition = {{ Cu = 0.5, Ni = 0.5 }}
density_g_cm3 = {{ value = 8.9, u_rel = 0.1 }}
thickness_nm = {marker}
enrichment = ["Ni"]
erosion_rate_nm_s = {{ value = 10.0, u_rel = 0.05 }}
[substrate]
composition = {{ Cu = 0.9, Ni = 0.1 }}
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[roughness]
initial_nm = {{ value = 1.0, u = 0 }}
[detection]
sampling_s = 0.05
duration_s = 6.0
[[detection.channel]]
element = "Cu"
sensitivity = 1.0
[[detection.channel]]
element = "Ni"
sensitivity = 1.0
[noise]
counts_per_unit_s = 200.0
"""


@pytest.fixture(scope="module")
def marked():
    truth = experiment_from_toml(MARKED.format(marker=4.0))
    profile = profile_of(simulate(truth.stack, truth.setup, seed=3), "marked")
    return invert(profile, experiment_from_toml(MARKED.format(marker="{ guess = 3.0 }")))


@pytest.mark.derived
def test_excess_by_its_definition(marked):
    """IUPAC Gold Book, Gibbs adsorption: what is there, less what the adjoining phases would hold
    up to the dividing surface in the middle of the layer; by integrating the profile."""
    found = answer(marked)
    excess = by_name(found, "excess of Ni")
    assembly, values = marked.likelihood.assembly, marked.values
    sample = assembly.sample(values)
    edges = np.linspace(0.0, 200.0, 4001)
    per_nm3 = sample.composition[:, list(assembly.elements).index("Ni")]
    per_nm3 = (per_nm3 * sample.atomic_density_per_nm3)[sample.material]
    there = float(sample.layers_in(edges, sample.planes_nm()).sum(axis=0) @ per_nm3) * 0.05
    middle = values[assembly.thickness_index(0)] + 0.5 * values[assembly.thickness_index(1)]
    reference = per_nm3[0] * middle + per_nm3[2] * (200.0 - middle)
    assert excess.value == pytest.approx(there - reference, rel=1e-6)


def test_the_excess_is_what_the_signal_counts(marked):
    """With known sensitivities atoms are counted: neither the density, of 10 %, nor the rate
    enters their number, but both enter the thickness."""
    found = answer(marked)
    excess, marker = by_name(found, "excess of Ni"), found.layers[1]
    copper = {"Cu": 0.9, "Ni": 0.1}
    of_marker = 0.5 * atomic_density_per_nm3({"Cu": 0.5, "Ni": 0.5}, 8.9)
    density = marked.experiment.stack.expanded()[2].density_g_cm3
    below = 0.1 * atomic_density_per_nm3(copper, float(density))
    truth = 4.0 * (of_marker - 0.5 * below)
    assert excess.value == pytest.approx(truth, abs=4.0 * excess.u)
    assert excess.u / excess.value < 0.4 * marker.u / marker.value
    assert (excess.lower, excess.upper) == pytest.approx(
        (excess.value - 1.96 * excess.u, excess.value + 1.96 * excess.u), rel=1e-3
    )


def test_rows_of_the_json(marked):
    read = answer(marked).as_dict()
    assert [row["quantity"] for row in read["secondary"]] == ["excess of Ni"]
    assert set(read["secondary"][0]) == {"quantity", "of", "value", "u", "lo", "hi", "unit"}
    marker = read["layer_means"][1]
    assert marker["layer"] == "marker"
    assert set(marker["atomic_fraction"]) == {"Cu", "Ni"}


def test_fractions_are_shown_as_far_as_they_mean_something(marked):
    shown = {
        (0.9341, 0.0123): "0.934(12)",
        (0.00052, 0.00021): "0.0005(2)",
        (1.78e-5, 2.4e-6): "1.8(2)e-5",
        (3e-7, 2e-5): "0(2)e-5",
        (1.78e-14, 1.9e-15): "< 0.000001",
        (1.0 - 1.78e-14, 1.9e-15): "1",
        (2.0 / 3.0, None): "0.6667",
    }
    means = [LayerMean(text, None, None, {"Cu": pair}) for pair, text in shown.items()]
    found = replace(answer(marked), means=means)
    (table,) = (t for t in answer_tables(found) if "average" in str(t.title))
    assert list(table.columns[2].cells) == [f"Cu {text}" for text in shown.values()]
