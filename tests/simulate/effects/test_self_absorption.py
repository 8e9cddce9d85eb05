"""Self-absorption of a channel: what it does to a profile, and what an inversion makes of it.

Derived checks: a channel that collects q atoms per nm^2 and second gives
sensitivity * (1 - exp(-kappa q)) / kappa.
"""

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.measured_files.measured import MeasuredProfile
from craterfront.models.validity import ValidityWarning
from craterfront.problems import InputProblems

SAMPLE = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {nm}
interface_width_nm = {width}
erosion_rate_nm_s = {rate}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[[layer]]
name = "alloy"
composition = "CuNi"
thickness_nm = {alloy_nm}
density_g_cm3 = {{ value = 8.9, u = 0 }}
erosion_rate_nm_s = {{ value = 15.0, u = 0 }}
[substrate]
composition = "Ni"
erosion_rate_nm_s = {{ value = 16.0, u = 0 }}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[detection]
sampling_s = 0.02
duration_s = 7.0
[[detection.channel]]
element = "Cu"
{copper}
[[detection.channel]]
element = "Ni"
"""
TRUTH = {
    "nm": 60.0,
    "width": 5.0,
    "rate": "{ value = 20.0, u = 0 }",
    "alloy_nm": 40.0,
    "copper": "",
}
GUESS = {
    **TRUTH,
    "nm": "{ guess = 50.0 }",
    "width": "{ guess = 2.0 }",
    "alloy_nm": "{ guess = 50.0 }",
}
KAPPA = 8e-4
COUNTS = "[noise]\ncounts_per_unit_s = 200.0\n"


def text(which, **changes):
    return SAMPLE.format(**{**which, **changes})


def simulated(content, seed=1):
    experiment = experiment_from_toml(content)
    return simulate(experiment.stack, experiment.setup, seed=seed)


def inverted(content, dataset, **options):
    return invert(profile_of(dataset, "profile.nc"), experiment_from_toml(content), **options)


@pytest.mark.parametrize("sensitivity", [1.0, 0.2])
def test_the_signal_is_bent_by_the_atoms_and_not_by_the_detector(sensitivity):
    plain = simulated(text(TRUTH))["clean"].sel(channel="Cu").values
    written = f"self_absorption_nm2_s = {KAPPA}\nsensitivity = {sensitivity}\nbackground = 3.0"
    bent = simulated(text(TRUTH, copper=written))["clean"]
    expected = sensitivity * -np.expm1(-KAPPA * plain) / KAPPA + 3.0
    assert bent.sel(channel="Cu").values == pytest.approx(expected, rel=1e-12)
    assert expected.max() < 0.75 * sensitivity * plain.max()


def test_atoms_out_of_another_layer_absorb_too():
    """With a sensitivity by layer each part shrinks by the share that all copper atoms let out."""
    plain = simulated(text(TRUTH))["clean"].sel(channel="Cu").values
    by_layer = "sensitivity = { coat = 1.0, alloy = 0.3 }"
    parts = simulated(text(TRUTH, copper=by_layer))["clean"].sel(channel="Cu").values
    written = f"{by_layer}\nself_absorption_nm2_s = {KAPPA}"
    bent = simulated(text(TRUTH, copper=written))["clean"].sel(channel="Cu").values
    seen = plain > 1e-6 * plain.max()
    share = -np.expm1(-KAPPA * plain[seen]) / (KAPPA * plain[seen])
    assert bent[seen] == pytest.approx(parts[seen] * share, rel=1e-9)


@pytest.mark.thorough
def test_a_free_sensitivity_and_the_coating_are_found():
    truth = f"self_absorption_nm2_s = {KAPPA}\nsensitivity = 0.5"
    dataset = simulated(text(TRUTH, copper=truth) + COUNTS)
    known = f"self_absorption_nm2_s = {{ value = {KAPPA}, u = 0 }}\nsensitivity = {{ guess = 2.0 }}"
    found = inverted(text(GUESS, copper=known) + COUNTS, dataset)
    coat, alloy = answer(found).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)
    assert alloy.value == pytest.approx(40.0, abs=4.0 * alloy.u)
    assert coat.u < 0.1
    assert coat.width.value_nm == pytest.approx(5.0, abs=0.5)
    assert found.solution.linear[0] == pytest.approx(0.5, rel=0.01)
    assert not any("falls short" in note for note in found.warnings)


def test_a_guessed_self_absorption_is_found():
    """Two levels of copper tell it: coat and alloy stand in another ratio than their atoms do."""
    truth = f"self_absorption_nm2_s = {KAPPA}"
    dataset = simulated(text(TRUTH, copper=truth) + COUNTS)
    guess = f"self_absorption_nm2_s = {{ guess = {0.5 * KAPPA} }}"
    found = inverted(text(GUESS, copper=guess) + COUNTS, dataset)
    index = found.likelihood.assembly.index_of("self-absorption", "Cu")
    assert index is not None
    u = found.standard_uncertainty(index)
    assert found.values[index] == pytest.approx(KAPPA, abs=4.0 * u)
    assert 0 < u < 0.1 * KAPPA


@pytest.mark.thorough
def test_a_plain_self_absorption_is_assumed_and_named():
    found = inverted(
        text(GUESS, copper=f"self_absorption_nm2_s = {KAPPA}") + COUNTS,
        simulated(text(TRUTH, copper=f"self_absorption_nm2_s = {KAPPA}") + COUNTS),
    )
    index = found.likelihood.assembly.index_of("self-absorption", "Cu")
    parameter = found.likelihood.assembly.parameters[index]
    assert (parameter.name, parameter.state) == ("self-absorption of Cu", "assumed")
    assert parameter.u == pytest.approx(0.3 * KAPPA)


@pytest.mark.thorough
def test_relative_times_do_not_rest_on_a_self_absorption():
    """Nominal rates that are wrong by 2: an exact kappa in atoms would bend the wrong way."""
    dataset = simulated(text(TRUTH, copper=f"self_absorption_nm2_s = {KAPPA}") + COUNTS)
    exact = f"self_absorption_nm2_s = {{ value = {KAPPA}, u = 0 }}"
    wrong = text(GUESS, copper=exact, rate="{ guess = 40.0 }", nm="{ guess = 100.0 }")
    found = inverted(wrong + COUNTS, dataset, relative=True)
    (coat, _) = answer(found).layers
    assert coat.value == pytest.approx(3.0, abs=0.02)


@pytest.mark.thorough
def test_a_line_that_hardly_grows_is_named():
    content = text(TRUTH, copper="self_absorption_nm2_s = { value = 2e-3, u = 0 }")
    with pytest.warns(ValidityWarning, match="optical depths reach 3"):
        dataset = simulated(content + COUNTS)
    with_guess = text(GUESS, copper="self_absorption_nm2_s = { value = 2e-3, u = 0 }")
    found = inverted(with_guess + COUNTS, dataset)
    assert any("channel Cu: self-absorption lets through at most" in w for w in found.warnings)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"copper": "self_absorption_nm2_s = 1e-3\ninterference = { Ni = 0.1 }"},
            'detection.channel[1] "Cu" self_absorption_nm2_s: stands beside interference,'
            " whose light these atoms do not absorb",
        ),
        (
            {"copper": "self_absorption_nm2_s = -1e-3"},
            'detection.channel[1] "Cu" self_absorption_nm2_s: must be > 0, got -0.001',
        ),
    ],
)
def test_what_cannot_be_is_refused(changes, message):
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(text(TRUTH, **changes))
    assert message in str(caught.value)


def test_only_atoms_of_an_element_that_are_collected_absorb():
    channel = '[[detection.channel]]\nname = "dimer"\nsensitivity = { coat = 1.0 }\n'
    with pytest.raises(InputProblems, match="without element has no atoms that absorb"):
        experiment_from_toml(text(TRUTH) + channel + "self_absorption_nm2_s = 1e-3\n")
    viewed = 'view = "viewed"\nescape_depth_nm = 1.0\n[[detection.channel]]\nelement = "Cu"\n'
    content = text(TRUTH, copper="self_absorption_nm2_s = 1e-3")
    content = content.replace('[[detection.channel]]\nelement = "Cu"\n', viewed)
    with pytest.raises(InputProblems, match='"Cu" self_absorption_nm2_s: only with view'):
        experiment_from_toml(content)


def test_fractions_and_depths_are_refused():
    content = text(GUESS, copper=f"self_absorption_nm2_s = {KAPPA}")
    axis = np.arange(20.0)
    profile = MeasuredProfile(
        axis="depth",
        axis_values=axis,
        interval=np.ones(20),
        values=np.ones((2, 20)),
        channels=["Cu", "Ni"],
        values_kind="intensity",
        censored=np.zeros((2, 20), dtype=bool),
        notes=[],
        source="film.csv",
    )
    with pytest.raises(InputProblems, match='"Cu" self_absorption_nm2_s: means intensities'):
        invert(profile, experiment_from_toml(content))
