"""Rough interfaces: from the file to signals, budgets and answers."""

import math
from functools import cache

import numpy as np
import pytest

from craterfront.answers.budget import broadening
from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.problems import InputProblems

FILE = """
[[layer]]
composition = "Cu"
thickness_nm = {copper_nm}
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
interface_width_nm = {width}
{rough}
[[layer]]
composition = "Ni"
thickness_nm = {nickel_nm}
erosion_rate_nm_s = {{ value = {nickel_rate}, u = 0 }}
interface_width_nm = 0.0
[substrate]
composition = "Al"
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[roughness]
initial_nm = {{ value = 1.0, u = 0 }}
[detection]
sampling_s = 0.05
duration_s = 24.0
[noise]
counts_per_unit_s = 40.0
"""


def written(rough="", width=6.0, nickel_rate=10.0, copper_nm="80.0", nickel_nm="80.0", more=""):
    return FILE.format(**{k: v for k, v in locals().items() if k != "more"}) + more


def assembled(text, **options):
    experiment = experiment_from_toml(text)
    return Assembly(experiment.stack, experiment.setup, **options)


def clean(text):
    experiment = experiment_from_toml(text)
    return simulate(experiment.stack, experiment.setup, seed=1)["clean"].values


@pytest.mark.parametrize(
    ("number", "state", "u"),
    [
        ("4.0", "assumed", 1.2),  # 30 %, as for all roughness
        ("{ value = 4.0, u = 0.5 }", "prior", 0.5),
        ("{ value = 4.0, u = 0 }", "fixed", 0.0),
    ],
)
def test_what_is_known_of_it(number, state, u):
    assembly = assembled(written(f"interface_roughness_nm = {number}"))
    parameter = assembly.parameters[assembly.index_of("interface roughness", "Cu")]
    assert (parameter.value, parameter.state, parameter.u) == (4.0, state, pytest.approx(u))
    assert parameter.name == "interface roughness below Cu"


def test_a_flat_interface_has_no_parameter():
    assembly = assembled(written("interface_roughness_nm = 0"))
    assert "interface roughness" not in {parameter.kind for parameter in assembly.parameters}
    assert np.array_equal(clean(written("interface_roughness_nm = 0")), clean(written()))


@pytest.mark.parametrize(
    ("rough", "message"),
    [
        ("interface_roughness_nm = { guess = 4.0 }", "interface_roughness_nm: cannot be a guess"),
        (
            "interface_roughness_nm = { value = 0, u = 1.0 }",
            "interface_roughness_nm: needs a value",
        ),
        ("interface_roughness_nm = -1", "interface_roughness_nm: must be >= 0, got -1"),
        ("conformal = 0.5", "conformal: needs interface_roughness_nm"),
        ("interface_roughness_nm = 1\nconformal = 1.5", "conformal: must be from 0 to 1, got 1.5"),
        ("interface_roughness_nm = 1\nconformal = true", "conformal: must be a number, got true"),
    ],
)
def test_what_is_refused(rough, message):
    with pytest.raises(InputProblems) as problems:
        experiment_from_toml(written(rough))
    (line,) = str(problems.value).splitlines()
    assert line.startswith(f'experiment: layer[1] "Cu" {message}')


def test_it_does_not_belong_to_the_substrate():
    text = written().replace('composition = "Al"', 'composition = "Al"\ninterface_roughness_nm = 1')
    with pytest.raises(InputProblems, match="belongs to the layer above the interface"):
        experiment_from_toml(text)


@pytest.mark.parametrize(
    ("relief_nm", "conformal", "nickel_rate", "most_nm"),
    [(9.0, 0.0, 10.0, "8"), (9.0, 0.0, 40.0, "2"), (9.0, 0.0, 5.0, "8"), (9.0, 0.2, 10.0, None)],
)
def test_a_note_where_layers_are_too_thin_for_it(relief_nm, conformal, nickel_rate, most_nm):
    """A tenth of 80 nm; below, of what takes as long as 80 nm do above."""
    rough = f"interface_roughness_nm = {relief_nm}\nconformal = {conformal}"
    found = experiment_from_toml(written(rough, nickel_rate=nickel_rate)).warnings()
    expected = 'layer "Cu" interface_roughness_nm: too rough for the layers beside it;'
    assert len(found) == (most_nm is not None)
    assert all(note == f"{expected} signals are good up to {most_nm} nm" for note in found)


def test_what_the_surface_follows_adds_nothing():
    whole = clean(written("interface_roughness_nm = 3.0\nconformal = 1.0"))
    assert np.array_equal(whole, clean(written()))
    half = clean(written("interface_roughness_nm = 6.0\nconformal = 0.5"))
    assert half == pytest.approx(clean(written("interface_roughness_nm = 3.0")), rel=1e-12)


def test_it_widens_its_own_interface_like_a_width_at_equal_rates():
    """Derived: 16-84 % of normal heights are two standard deviations, 6^2 + (2 * 4)^2 = 10^2; the
    interface below stays as it was."""
    rough, wide = clean(written("interface_roughness_nm = 4.0")), clean(written(width=10.0))
    assert rough == pytest.approx(wide, abs=1e-3 * wide.max())


def test_the_truth_holds_both():
    experiment = experiment_from_toml(written("interface_roughness_nm = 4.0"))
    truth = simulate(experiment.stack, experiment.setup, seed=1)
    assert truth["interface_roughness_nm"].values == pytest.approx([4.0, 0.0])
    assert truth["interface_width_nm"].values == pytest.approx([6.0, 0.0])


@pytest.mark.parametrize("nickel_rate", [2.0, 10.0, 30.0])
def test_the_budget_counts_it_as_roughness(nickel_rate):
    """Derived: at its own interface h / r in dose, below the next h (1/r - 1/r'); 1 nm of the outer
    surface comes on top; shown at the geometric mean of the rates."""
    assembly = assembled(written("interface_roughness_nm = 3.0", nickel_rate=nickel_rate))
    own, below = broadening(assembly, assembly.nominal, 0.0)
    mean_rate = math.sqrt(10.0 * nickel_rate)
    assert own.two_sd_nm["roughness"] == pytest.approx(2.0 * math.hypot(0.3, 0.1) * mean_rate)
    late = 3.0 * (1.0 / 10.0 - 1.0 / nickel_rate)
    assert below.two_sd_nm["roughness"] == pytest.approx(2.0 * math.hypot(late, 0.1) * mean_rate)
    assert own.two_sd_nm["true transition"] == pytest.approx(6.0)


def test_periods_have_one_roughness():
    text = """
    [[layer]]
    repeat = 3
    [[layer.of]]
    composition = "Cu"
    thickness_nm = 20.0
    erosion_rate_nm_s = 10.0
    interface_roughness_nm = { value = 1.0, u = 0.1 }
    [[layer.of]]
    composition = "Ni"
    thickness_nm = 20.0
    erosion_rate_nm_s = 5.0
    [substrate]
    composition = "Al"
    erosion_rate_nm_s = 10.0
    """
    assembly = assembled(text, merge_equal=False)
    kinds = [parameter.kind for parameter in assembly.parameters]
    assert kinds.count("interface roughness") == 1
    relief = assembly.sample(assembly.nominal).relief_nm
    assert relief == pytest.approx([1.0, 0.0, 1.0, 0.0, 1.0, 0.0])


def test_an_interface_between_equal_layers_means_nothing():
    """Layers of one material are one layer, whatever was written between them."""
    text = """
    [[layer]]
    composition = "Cu"
    thickness_nm = 40.0
    erosion_rate_nm_s = 10.0
    interface_roughness_nm = 3.0
    [[layer]]
    composition = "Cu"
    thickness_nm = 40.0
    erosion_rate_nm_s = 10.0
    interface_roughness_nm = 2.0
    [substrate]
    composition = "Al"
    erosion_rate_nm_s = 10.0
    """
    sample = assembled(text).sample(assembled(text).nominal)
    assert sample.thickness_nm == pytest.approx([80.0])
    assert sample.relief_nm == pytest.approx([2.0])


GUESSED = {"copper_nm": "{ guess = 70.0 }", "nickel_nm": "{ guess = 90.0 }"}


@cache
def rough_profile(nickel_rate):
    """A width of 6 nm and heights of 4 nm."""
    text = written("interface_roughness_nm = 4.0", nickel_rate=nickel_rate)
    experiment = experiment_from_toml(text.replace("duration_s = 24.0", "duration_s = 40.0"))
    return profile_of(simulate(experiment.stack, experiment.setup, seed=3), "profile.nc")


@cache
def width_answered(rough, nickel_rate=10.0):
    text = written(rough, width="{ guess = 3.0 }", nickel_rate=nickel_rate, **GUESSED)
    found = answer(invert(rough_profile(nickel_rate), experiment_from_toml(text)))
    assert found.layers[0].value == pytest.approx(80.0, abs=0.3)
    return found.layers[0].width


@pytest.mark.parametrize("nickel_rate", [4.0, 10.0, 20.0])
@pytest.mark.parametrize("u", ["0", "0.3"])
def test_the_width_is_what_is_left(u, nickel_rate):
    rough = f"interface_roughness_nm = {{ value = 4.0, u = {u} }}"
    width = width_answered(rough, nickel_rate)
    assert width.resolved
    assert width.lower_nm < 6.0 < width.upper_nm


def test_an_uncertain_roughness_makes_the_width_uncertain():
    """Derived: at equal rates w^2 + 4 h^2 is what is known, so w u(w) = 4 h u(h)."""
    known, uncertain = (
        width_answered(f"interface_roughness_nm = {{ value = 4.0, u = {u} }}") for u in ("0", "0.3")
    )
    spans = [(w.upper_nm - w.lower_nm) / (2.0 * 1.96) for w in (known, uncertain)]
    more = math.sqrt(spans[1] ** 2 - spans[0] ** 2)
    assert more == pytest.approx(4.0 * 4.0 * 0.3 / known.value_nm, rel=0.1)


def test_what_is_not_written_counts_as_width():
    """Derived: at equal rates the widths of independent normal laws add in quadrature."""
    alone = width_answered("interface_roughness_nm = { value = 4.0, u = 0 }").value_nm
    assert width_answered("").value_nm == pytest.approx(math.hypot(alone, 8.0), rel=2e-3)
