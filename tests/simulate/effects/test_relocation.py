"""Ballistic relocation in profiles, inversions and what is refused."""

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import (
    experiment_from_dict,
    experiment_from_toml,
    experiment_to_dict,
)
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import repeat, simulate
from craterfront.measured_files.files import profile_of
from craterfront.problems import InputProblems

SAMPLE = """
[[layer]]
name = "top"
composition = "Cu"
thickness_nm = {top}
interface_width_nm = {width}
erosion_rate_nm_s = {{ value = 2.0, u = 0 }}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[[layer]]
name = "film"
composition = "Ni"
thickness_nm = {film}
interface_width_nm = {width}
erosion_rate_nm_s = {{ value = 1.0, u = 0 }}
density_g_cm3 = {{ value = 8.9, u = 0 }}
[substrate]
name = "last"
composition = "Cu"
erosion_rate_nm_s = {{ value = 2.0, u = 0 }}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[roughness]
initial_nm = {{ value = 0.6, u = 0 }}
[mixing]
{mixing}
[detection]
sampling_s = 0.1
duration_s = 36.0
{view}
[noise]
counts_per_unit_s = 2000.0
"""
RELOCATION = """model = "relocation"
displacement_nm = {displacement}
length_nm = {length}
range_nm = {{ value = 4.0, u = 0 }}
"""
DIFFUSIVE = 'model = "diffusive"\nlength_nm = {length}\nrange_nm = {{ value = 4.0, u = 0 }}\n'


def text(mixing, top="20.0", film="8.0", width="0.8", view=""):
    return SAMPLE.format(mixing=mixing, top=top, film=film, width=width, view=view)


def relocation(displacement="1.2", length="1.6"):
    return RELOCATION.format(displacement=displacement, length=length)


def simulated(content, seed=1):
    experiment = experiment_from_toml(content)
    return simulate(experiment.stack, experiment.setup, seed=seed)


@pytest.mark.parametrize("more", ["", 'displacement = "gaussian"\n'])
def test_atoms_are_conserved_and_trail_with_the_length(more):
    dataset = simulated(text(relocation() + more))
    nickel = dataset["clean"].sel(channel="Ni")
    expected = 8.0 * 8.9 / 58.6934 * 602.214076  # IUPAC 2021
    assert float(nickel.sum()) * 0.1 == pytest.approx(expected, rel=1e-6)
    late = (dataset["time"] > 22.0) & (dataset["time"] < 24.0)
    slope, _ = np.polyfit(dataset["time"][late], np.log(nickel[late]), 1)
    assert -2.0 / slope == pytest.approx(1.6, rel=0.01)
    np.testing.assert_array_equal(repeat(dataset)["intensity"], dataset["intensity"])


def test_seen_fractions_sum_to_one():
    view = 'view = "viewed"\nescape_depth_nm = 1.0'
    clean = simulated(text(relocation(), view=view))["clean"]
    assert clean.sum("channel").values == pytest.approx(np.ones(clean.sizes["time"]), abs=1e-9)
    assert 0.9 < float(clean.sel(channel="Ni").max()) < 1.0


def test_the_table_restores_itself():
    for more in ("", 'displacement = "gaussian"\n'):
        experiment = experiment_from_toml(text(relocation() + more))
        again = experiment_from_dict(experiment_to_dict(experiment))
        assert again.setup == experiment.setup
        assert not again.setup.unused()
        assert ("displacement" in experiment_to_dict(experiment)["mixing"]) == bool(more)


def test_a_plain_displacement_is_assumed():
    experiment = experiment_from_toml(text(relocation()))
    assembly = Assembly(experiment.stack, experiment.setup)
    index = assembly.index_of("displacement")
    assert index is not None
    parameter = assembly.parameters[index]
    assert (parameter.state, parameter.u, parameter.unit) == ("assumed", pytest.approx(0.36), "nm")
    assert assembly.instrument(assembly.nominal).displacement == "exponential"


def inverted(dataset, mixing):
    unknown = text(mixing, "{ guess = 18.0 }", "{ guess = 9.0 }", "{ guess = 1.0 }")
    return invert(profile_of(dataset, "profile.nc"), experiment_from_toml(unknown))


@pytest.mark.slow
def test_an_inversion_finds_sample_and_length():
    dataset = simulated(text(relocation()))
    found = inverted(dataset, relocation("{ value = 1.2, u = 0 }", "{ guess = 1.2 }"))
    index = found.likelihood.assembly.index_of("mixing length")
    assert index is not None
    assert found.values[index] == pytest.approx(1.6, abs=4.0 * found.standard_uncertainty(index))
    for layer, thickness in zip(answer(found).layers, (20.0, 8.0), strict=True):
        assert layer.value == pytest.approx(thickness, abs=4.0 * layer.u)
        assert layer.width.lower_nm < 0.8 < layer.width.upper_nm
    assert not any("falls short" in note for note in found.warnings)


def test_diffusion_takes_far_displacements_for_wide_interfaces():
    """As the guide on theory says: thickness hardly changes, and good data show the misfit."""
    dataset = simulated(text(relocation()))
    found = inverted(dataset, DIFFUSIVE.format(length="{ guess = 1.2 }"))
    for layer, thickness in zip(answer(found).layers, (20.0, 8.0), strict=True):
        assert layer.value == pytest.approx(thickness, abs=0.2)
        assert layer.width.lower_nm > 1.0
    assert any("falls short" in note for note in found.warnings)


@pytest.mark.parametrize(
    ("mixing", "message"),
    [
        (
            'model = "relocation"\nlength_nm = 1.0\n',
            'mixing displacement_nm: missing; needed with model = "relocation"',
        ),
        (
            relocation() + "preference = { Cu = 2.0 }\n",
            'mixing preference: goes with model = "uniform" or "diffusive": relocated atoms leave',
        ),
        (
            relocation(length="{ top = 1.0 }"),
            'mixing length_nm: by layer goes with model = "diffusive": atoms are relocated alike',
        ),
        (relocation(length="3.9"), "mixing length_nm: must be < 0.97 range_nm (range_nm = 4), got"),
        (
            relocation() + 'displacement = "lorentzian"\n',
            'mixing displacement: must be "exponential" or "gaussian", got "lorentzian"',
        ),
        (relocation(displacement="0"), "mixing displacement_nm: must be > 0, got 0"),
    ],
)
def test_what_cannot_be_is_refused(mixing, message):
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(text(mixing))
    assert message in str(caught.value)


def test_a_length_out_of_reach_names_all_numbers():
    experiment = experiment_from_toml(text(relocation(displacement="2.0", length="0.3")))
    with pytest.raises(
        InputProblems,
        match=r"mixing length_nm: must be at least 0\.\d+ with displacement_nm = 2 and"
        r" range_nm = 4, got 0\.3",
    ):
        Assembly(experiment.stack, experiment.setup)


def test_unused_numbers_are_named():
    written = DIFFUSIVE.format(length="1.0") + 'displacement_nm = 1.0\ndisplacement = "gaussian"\n'
    unused = experiment_from_toml(text(written)).setup.unused()
    assert unused == [
        'mixing displacement: unused with model = "diffusive"',
        'mixing displacement_nm: unused with model = "diffusive"',
    ]


def test_a_resolved_crater_refuses_it():
    experiment = experiment_from_toml(text(relocation()))
    with pytest.raises(InputProblems, match='mixing model: is "relocation"; in a resolved crater'):
        simulate(experiment.stack, experiment.setup, resolved=True)
