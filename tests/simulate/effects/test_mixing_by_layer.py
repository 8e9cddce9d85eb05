"""Mixing lengths by layer, in profiles and inversions."""

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
from craterfront.models.altered_layers.altered_layer import altered_layer
from craterfront.problems import InputProblems

SAMPLE = """
[[layer]]
name = "top"
composition = "Cu"
thickness_nm = {top}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {{ value = 2.0, u = 0 }}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[[layer]]
name = "under"
composition = "Ni"
thickness_nm = {under}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {{ value = 1.0, u = 0 }}
density_g_cm3 = {{ value = 8.9, u = 0 }}
[substrate]
name = "last"
composition = "Fe"
erosion_rate_nm_s = {{ value = 1.5, u = 0 }}
density_g_cm3 = {{ value = 7.87, u = 0 }}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[mixing]
model = "{model}"
length_nm = {length}
{more}
[detection]
sampling_s = 0.1
duration_s = 60.0
[noise]
counts_per_unit_s = 1e3
"""
TRUTH = {
    "top": 20.0,
    "under": 30.0,
    "model": "diffusive",
    "length": "{ top = 1.2, under = 2.2 }",
    "more": "range_nm = { value = 3.0, u = 0 }",
}


def text(**changes):
    return SAMPLE.format(**{**TRUTH, **changes})


def simulated(content, seed=1):
    experiment = experiment_from_toml(content)
    return simulate(experiment.stack, experiment.setup, seed=seed)


def tail_nm(dataset, channel, start_s, rate_nm_s):
    """Decay length of a trailing edge from where it is exponential [nm]."""
    time, signal = dataset["time"].values, dataset["clean"].sel(channel=channel).values
    late = (time > start_s) & (time < start_s + 3.0)
    slope, _ = np.polyfit(time[late], np.log(signal[late]), 1)
    return -rate_nm_s / slope


def test_each_layer_trails_with_its_own_length():
    """The substrate, in no row, mixes per ion as the top layer."""
    dataset = simulated(text())
    # 20 nm at 2 nm/s and 30 nm at 1 nm/s; the tails lie in what is below.
    assert tail_nm(dataset, "Cu", 21.0, 1.0) == pytest.approx(2.2, rel=0.01)
    alone = simulated(text(length=1.2))
    in_iron = tail_nm(alone, "Ni", 50.0, 1.5)
    assert tail_nm(dataset, "Ni", 50.0, 1.5) == pytest.approx(in_iron, rel=0.01)
    assert tail_nm(alone, "Cu", 21.0, 1.0) < 2.0


def test_atoms_are_conserved():
    dataset = simulated(text())
    expected = 20.0 * 8.96 / 63.546 * 602.214076  # IUPAC 2021
    collected = float(dataset["clean"].sel(channel="Cu").sum()) * 0.1
    assert collected == pytest.approx(expected, rel=1e-6)
    np.testing.assert_array_equal(repeat(dataset)["intensity"], dataset["intensity"])


def test_lengths_that_follow_from_the_first_layer_change_nothing():
    """A table that says of every layer what constant mixing per ion makes of it."""
    plain = experiment_from_toml(text(length=1.2))
    assembly = Assembly(plain.stack, plain.setup)
    sample, instrument = assembly.sample(assembly.nominal), assembly.instrument(assembly.nominal)
    layer = altered_layer(sample, instrument)
    density, rate = sample.atomic_density_per_nm3, sample.rate_nm_s
    own = [layer.decay_nm(n, 1.0 / (n * v)) for n, v in zip(density, rate, strict=True)]
    table = f"{{ top = {own[0]}, under = {own[1]}, last = {own[2]} }}"
    expected = simulated(text(length=1.2))["clean"].values
    found = simulated(text(length=table))["clean"].values
    assert found == pytest.approx(expected, abs=1e-6 * expected.max())


def test_an_inversion_finds_the_length_of_a_layer():
    dataset = simulated(text())
    unknown = text(
        top="{ guess = 18.0 }",
        under="{ guess = 33.0 }",
        length="{ top = { value = 1.2, u = 0 }, under = { guess = 1.6 } }",
    )
    found = invert(profile_of(dataset, "profile.nc"), experiment_from_toml(unknown))
    assembly = found.likelihood.assembly
    index = assembly.index_of("mixing length", "under")
    assert index is not None
    u = found.standard_uncertainty(index)
    assert u < 0.1
    assert found.values[index] == pytest.approx(2.2, abs=4.0 * u)
    top, under = answer(found).layers
    assert top.value == pytest.approx(20.0, abs=4.0 * top.u)
    assert under.value == pytest.approx(30.0, abs=4.0 * under.u)


def test_layers_of_one_material_share_its_length():
    shared = """
[[layer]]
material = "copper"
thickness_nm = 5.0
[[layer]]
composition = "Ni"
thickness_nm = 5.0
erosion_rate_nm_s = 1.0
[[layer]]
material = "copper"
thickness_nm = 5.0
[substrate]
composition = "Ni"
erosion_rate_nm_s = 1.0
[material.copper]
composition = "Cu"
erosion_rate_nm_s = 2.0
[mixing]
model = "diffusive"
length_nm = { copper = { value = 1.0, u = 0.1 } }
"""
    experiment = experiment_from_toml(shared)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    lengths = [p for p in assembly.parameters if p.kind == "mixing length"]
    assert [(p.name, p.value, p.u) for p in lengths] == [("mixing length in copper", 1.0, 0.1)]
    found = assembly.instrument(assembly.nominal).mixing_lengths_nm
    assert found is not None
    assert list(np.isnan(found)) == [False, True, True]
    again = experiment_from_dict(experiment_to_dict(experiment))
    assert again.setup == experiment.setup


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"length": "{ under = 2.0 }"}, 'mixing length_nm: missing for layer "top"'),
        (
            {"length": "{ top = 1.0, undr = 2.0 }"},
            'mixing length_nm: "undr" is no layer and no material; did you mean under?',
        ),
        ({"length": "{ top = 1.0, under = -2 }"}, "mixing length_nm: under must be > 0, got -2"),
        ({"length": "{}"}, "mixing length_nm: must be a number or a table of numbers by layer"),
        (
            {"model": "uniform", "more": ""},
            'mixing length_nm: by layer goes with model = "diffusive": a uniform zone has one',
        ),
    ],
)
def test_what_cannot_be_is_refused(changes, message):
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(text(**changes))
    assert message in str(caught.value)


def test_a_length_beyond_the_altered_layer_is_refused():
    experiment = experiment_from_toml(text(length="{ top = 1.2, under = 2.95 }"))
    with pytest.raises(
        InputProblems, match=r"mixing length_nm: under must be < 2\.7\d*, got 2\.95"
    ):
        Assembly(experiment.stack, experiment.setup)
