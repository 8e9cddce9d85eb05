"""Hydrogen that changes the intensity of lines: in a profile, and in an inversion.

Derived checks: a channel is multiplied with 1 + h x / (x + x_0), x the collected hydrogen.
"""

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
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.measured_files.measured import MeasuredProfile
from craterfront.models.detection.emission import hydrogen_factor
from craterfront.objective.scale import densities_without_effect
from craterfront.problems import InputProblems

SAMPLE = """
[[layer]]
name = "coat"
composition = "Ti"
thickness_nm = {nm}
interface_width_nm = {width}
erosion_rate_nm_s = {rate}
density_g_cm3 = {{ value = 4.506, u = 0 }}
[[layer]]
name = "hydride"
composition = "TiH2"
thickness_nm = {hydride_nm}
density_g_cm3 = {{ value = 3.75, u = 0 }}
erosion_rate_nm_s = {{ value = 15.0, u = 0 }}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[roughness]
initial_nm = {{ value = 2.0, u = 0 }}
[detection]
sampling_s = 0.02
duration_s = 9.0
{half}
[[detection.channel]]
element = "Ti"
{titanium}
[[detection.channel]]
element = "Fe"
[[detection.channel]]
element = "H"
"""
TRUTH = {
    "nm": "60.0",
    "width": "5.0",
    "rate": "{ value = 20.0, u = 0 }",
    "hydride_nm": "40.0",
    "half": "",
    "titanium": "",
}
GUESS = {
    **TRUTH,
    "nm": "{ guess = 50.0 }",
    "width": "{ guess = 2.0 }",
    "hydride_nm": "{ guess = 50.0 }",
}
HALF, EFFECT = 800.0, -0.4  # the hydride gives 1360 atoms of hydrogen per nm2 and second
EXACT = {
    "half": f"hydrogen_half_per_nm2_s = {{ value = {HALF}, u = 0 }}",
    "titanium": f"hydrogen_effect = {{ value = {EFFECT}, u = 0 }}",
}
COUNTS = "[noise]\ncounts_per_unit_s = 200.0\n"


def text(which, **changes):
    return SAMPLE.format(**{**which, **changes})


def simulated(content, seed=1):
    experiment = experiment_from_toml(content)
    return simulate(experiment.stack, experiment.setup, seed=seed)


def inverted(content, dataset, **options):
    return invert(profile_of(dataset, "profile.nc"), experiment_from_toml(content), **options)


def clean(dataset, channel):
    return dataset["clean"].sel(channel=channel).values


# --- the factor -----------------------------------------------------------------------------------


def test_limits_of_the_factor():
    """None of it, little of it (h x / x_0), half, and very much of it."""
    x, effect = np.array([0.0, 1e-6, 3.0, 1e9]), np.array([[0.5], [-0.9], [0.0]])
    factor = hydrogen_factor(x, effect, 3.0)
    assert np.all(factor[:, 0] == 1.0)
    assert factor[:, 1] - 1.0 == pytest.approx(effect[:, 0] * 1e-6 / 3.0, rel=1e-6)
    assert factor[:, 2] == pytest.approx(1.0 + 0.5 * effect[:, 0])
    assert factor[:, 3] == pytest.approx(1.0 + effect[:, 0], rel=1e-6)


@pytest.mark.parametrize("effect", [-0.8, 0.3, 5.0])
def test_constant_hydrogen_of_the_gas_is_in_the_other_numbers(effect):
    x, gas, half = np.linspace(0.0, 50.0, 11), 2.0, 3.0
    with_gas = hydrogen_factor(x + gas, np.array(effect), half)
    other = effect * half / (half + gas * (1.0 + effect))
    expected = hydrogen_factor(x, np.array(other), half + gas)
    assert with_gas / with_gas[0] == pytest.approx(expected, rel=1e-12)


# --- profiles -------------------------------------------------------------------------------------


def test_a_channel_changes_with_the_collected_hydrogen():
    plain = simulated(text(TRUTH))
    written = f"hydrogen_effect = {EFFECT}\nsensitivity = 0.5\nbackground = 3.0"
    changed = simulated(text(TRUTH, half=f"hydrogen_half_per_nm2_s = {HALF}", titanium=written))
    hydrogen = clean(plain, "H")
    factor = 1.0 + EFFECT * hydrogen / (hydrogen + HALF)
    assert clean(changed, "Ti") == pytest.approx(0.5 * clean(plain, "Ti") * factor + 3.0, rel=1e-12)
    assert factor.min() < 0.8
    for channel in ("Fe", "H"):
        np.testing.assert_array_equal(clean(changed, channel), clean(plain, channel))


def test_no_effect_and_no_hydrogen_channel_change_nothing():
    plain = simulated(text(TRUTH))
    none = text(TRUTH, half=EXACT["half"], titanium="hydrogen_effect = 0.0")
    np.testing.assert_array_equal(clean(simulated(none), "Ti"), clean(plain, "Ti"))
    without = text(TRUTH, **EXACT).replace('[[detection.channel]]\nelement = "H"\n', "")
    both = (clean(simulated(content), "Ti") for content in (without, text(TRUTH, **EXACT)))
    np.testing.assert_array_equal(*both)


def test_it_multiplies_what_self_absorption_lets_out():
    both = EXACT | {"titanium": EXACT["titanium"] + "\nself_absorption_nm2_s = 5e-4"}
    absorbed = simulated(text(TRUTH, titanium="self_absorption_nm2_s = 5e-4"))
    hydrogen = clean(absorbed, "H")
    factor = 1.0 + EFFECT * hydrogen / (hydrogen + HALF)
    found = clean(simulated(text(TRUTH, **both)), "Ti")
    assert found == pytest.approx(clean(absorbed, "Ti") * factor, rel=1e-12)


def test_the_setup_restores_itself():
    experiment = experiment_from_toml(text(TRUTH, **EXACT))
    again = experiment_from_dict(experiment_to_dict(experiment))
    assert again.setup == experiment.setup


# --- inversions -----------------------------------------------------------------------------------


def test_a_known_effect_gives_the_sample_back():
    """One sensitivity for coat and hydride: without the effect their titanium does not agree."""
    dataset = simulated(text(TRUTH, **EXACT) + COUNTS)
    found = inverted(text(GUESS, **EXACT) + COUNTS, dataset)
    coat, hydride = answer(found).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)
    assert hydride.value == pytest.approx(40.0, abs=4.0 * hydride.u)
    assert hydride.u < 0.2
    assert not any("falls short" in note for note in found.warnings)
    left_out = inverted(text(GUESS) + COUNTS, dataset)
    assert any("channel Ti" in note and "falls short" in note for note in left_out.warnings)


def test_a_guessed_effect_is_found():
    dataset = simulated(text(TRUTH, **EXACT) + COUNTS)
    guess = EXACT | {"titanium": "hydrogen_effect = { guess = -0.1 }"}
    found = inverted(text(GUESS, **guess) + COUNTS, dataset)
    index = found.likelihood.assembly.index_of("hydrogen effect", "Ti")
    assert index is not None
    u = found.standard_uncertainty(index)
    assert found.values[index] == pytest.approx(EFFECT, abs=4.0 * u)
    assert 0 < u < 0.05


def test_plain_numbers_are_assumed_and_named():
    plain = {
        "half": f"hydrogen_half_per_nm2_s = {HALF}",
        "titanium": f"hydrogen_effect = {EFFECT}",
    }
    experiment = experiment_from_toml(text(GUESS, **plain))
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    found = {p.name: (p.state, p.u) for p in assembly.parameters if "hydrogen" in p.kind}
    assert found == {
        "hydrogen effect on Ti": ("assumed", pytest.approx(0.12)),
        "hydrogen of half effect": ("assumed", pytest.approx(240.0)),
    }


def test_relative_times_do_not_rest_on_an_amount_of_hydrogen():
    experiment = experiment_from_toml(text(GUESS, **EXACT))
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False).at_nominal_rates()
    index = assembly.index_of("hydrogen of half effect")
    assert index is not None
    assert assembly.parameters[index].state == "free"


def test_the_density_of_a_hydride_shows():
    """It does not where the sensitivities of its elements are free and its own."""
    own = "sensitivity = { coat = { guess = 1.0 }, hydride = { guess = 1.0 } }"
    hidden = []
    for changes in ({"titanium": own}, EXACT | {"titanium": f"{EXACT['titanium']}\n{own}"}):
        content = text(GUESS, **changes).replace('element = "H"', 'element = "H"\n' + own)
        experiment = experiment_from_toml(content)
        assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
        hidden.append(assembly.density_index(1) in densities_without_effect(assembly, "intensity"))
    assert hidden == [True, False]


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"titanium": "hydrogen_effect = 0.2"},
            'detection.channel[1] "Ti" hydrogen_effect: needs hydrogen_half_per_nm2_s in',
        ),
        (
            EXACT | {"titanium": "hydrogen_effect = 0.2\ninterference = { Fe = 0.1 }"},
            'detection.channel[1] "Ti" hydrogen_effect: stands beside interference, whose light',
        ),
        (
            EXACT | {"titanium": "hydrogen_effect = -1.0"},
            'detection.channel[1] "Ti" hydrogen_effect: must be > -1 and <= 100, got -1',
        ),
        (
            EXACT | {"half": "hydrogen_half_per_nm2_s = 0"},
            "detection hydrogen_half_per_nm2_s: must be > 0, got 0",
        ),
        (
            EXACT | {"half": EXACT["half"] + '\nview = "viewed"\nescape_depth_nm = 1.0'},
            'detection.channel[1] "Ti" hydrogen_effect: only with view = "collected"',
        ),
    ],
)
def test_what_cannot_be_is_refused(changes, message):
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(text(TRUTH, **changes))
    assert message in str(caught.value)


def test_a_sample_without_hydrogen_is_refused():
    content = text(TRUTH, **EXACT).replace("TiH2", "TiN")
    with pytest.raises(InputProblems, match='"Ti" hydrogen_effect: needs hydrogen in the sample'):
        experiment_from_toml(content)


def test_an_amount_without_effect_is_named():
    experiment = experiment_from_toml(text(TRUTH, half=EXACT["half"]))
    assert experiment.warnings() == [
        "detection hydrogen_half_per_nm2_s: unused without hydrogen_effect of a channel"
    ]


def test_fractions_and_depths_are_refused():
    profile = MeasuredProfile(
        axis="depth",
        axis_values=np.arange(20.0),
        interval=np.ones(20),
        values=np.ones((3, 20)),
        channels=["Ti", "Fe", "H"],
        values_kind="intensity",
        censored=np.zeros((3, 20), dtype=bool),
        notes=[],
        source="film.csv",
    )
    with pytest.raises(InputProblems, match='"Ti" hydrogen_effect: means intensities against'):
        invert(profile, experiment_from_toml(text(GUESS, **EXACT)))
