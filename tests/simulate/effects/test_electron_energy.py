"""Escape depths from the energy of electrons in the experiment file."""

import math

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.models.detection.escape import escape_depth_nm
from craterfront.problems import InputProblems

SAMPLE = """
[[layer]]
composition = "{first}"
thickness_nm = {nm}
density_g_cm3 = 5.0
erosion_rate_nm_s = {{ value = 2.0, u_rel = 0.02 }}
[[layer]]
composition = "{second}"
thickness_nm = 20.0
density_g_cm3 = 5.0
erosion_rate_nm_s = {{ value = 2.0, u_rel = 0.02 }}
[substrate]
composition = "Si"
erosion_rate_nm_s = {{ value = 2.0, u_rel = 0.02 }}
[detection]
view = "viewed"
"""
ENERGY = "electron_energy_eV = 850\n"


def depth_of(text, first="Ni", second="Cu"):
    experiment = experiment_from_toml(SAMPLE.format(first=first, second=second, nm=30.0) + text)
    assembly = Assembly(experiment.stack, experiment.setup)
    return assembly.parameters[assembly.index_of("escape depth")]


def test_the_mean_of_the_layers_with_its_uncertainty():
    """Nickel and copper differ by 1 %; the substrate lies below every interface."""
    depths = [escape_depth_nm({symbol: 1}, 850.0) for symbol in ("Ni", "Cu")]
    found = depth_of(ENERGY)
    assert found.value == pytest.approx(np.mean(depths))
    assert found.state == "assumed"
    assert found.u == pytest.approx(found.value * math.hypot(0.1, np.std(depths) / np.mean(depths)))
    assert found.why == "attenuation of electrons of 850 eV, mean of the layers"


def test_layers_that_differ_make_one_number_uncertain():
    found = depth_of(ENERGY, first="Al", second="Au")
    depths = [escape_depth_nm({symbol: 1}, 850.0) for symbol in ("Al", "Au")]
    assert found.u / found.value == pytest.approx(math.hypot(0.1, np.std(depths) / np.mean(depths)))
    assert found.u > 0.3 * found.value
    oxide = depth_of(ENERGY, first="NiO", second="NiO")
    assert oxide.u == pytest.approx(0.2 * oxide.value)


def test_an_inclined_view_sees_less_deep():
    straight, inclined = depth_of(ENERGY), depth_of(ENERGY + "emission_angle_deg = 60\n")
    assert inclined.value == pytest.approx(0.5 * straight.value)


def test_a_bare_substrate_has_its_own():
    text = '[substrate]\ncomposition = "Cu"\nerosion_rate_nm_s = 2\n[detection]\nview = "viewed"\n'
    experiment = experiment_from_toml(text + ENERGY)
    assembly = Assembly(experiment.stack, experiment.setup)
    depth = assembly.instrument(assembly.nominal).escape_depth_nm
    assert depth == pytest.approx(escape_depth_nm({"Cu": 1}, 850.0))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            ENERGY + "escape_depth_nm = 1.0\n",
            "detection electron_energy_eV: stands beside escape_depth_nm; write only one",
        ),
        (
            "emission_angle_deg = 10\nescape_depth_nm = 1.0\n",
            "detection emission_angle_deg: only with electron_energy_eV",
        ),
        (ENERGY + "emission_angle_deg = 90\n", "emission_angle_deg: must be >= 0 and < 90, got 90"),
        ("electron_energy_eV = 0\n", "detection electron_energy_eV: must be > 0, got 0"),
    ],
)
def test_mistakes(text, message):
    with pytest.raises(InputProblems, match=message):
        depth_of(text)


def test_a_viewed_signal_needs_one_of_the_two():
    with pytest.raises(InputProblems, match=r"escape_depth_nm: missing.* or electron_energy_eV$"):
        depth_of("")


def test_what_is_collected_has_no_electrons():
    text = SAMPLE.format(first="Ni", second="Cu", nm=30.0) + ENERGY
    with pytest.raises(InputProblems, match='electron_energy_eV: only with view = "viewed"'):
        experiment_from_toml(text.replace('"viewed"', '"collected"'))


def test_a_grazing_view_is_told():
    text = SAMPLE.format(first="Ni", second="Cu", nm=30.0) + ENERGY + "emission_angle_deg = 70\n"
    (note,) = experiment_from_toml(text).warnings()
    assert note.startswith("detection emission_angle_deg: 70 is above 60, where elastic")


def test_an_inversion_takes_it_as_a_prior():
    noise = 'timing = "cycle"\nsampling_s = 0.25\n[noise]\nreadout_per_sqrt_s = 0.004\n'
    smooth = "[roughness]\ninitial_nm = { value = 0.0, u = 0 }\n"
    kinds = {"first": "Ni", "second": "Cu"}
    truth = experiment_from_toml(SAMPLE.format(nm=30.0, **kinds) + ENERGY + noise + smooth)
    profile = profile_of(simulate(truth.stack, truth.setup, seed=2), "profile.nc")
    known = SAMPLE.format(nm="{ guess = 25.0 }", **kinds) + ENERGY + noise + smooth
    found = invert(profile, experiment_from_toml(known))
    index = found.likelihood.assembly.index_of("escape depth")
    depth = escape_depth_nm({"Ni": 1}, 850.0)
    assert 0 < found.standard_uncertainty(index) < 0.1 * depth
    assert found.values[index] == pytest.approx(depth, rel=0.1)
    nickel, *_ = answer(found).layers
    assert nickel.value == pytest.approx(30.0, abs=3 * nickel.u)
