"""Inversion of simulated profiles, whose truth is known.

Expected numbers are derived from the definition of the signal and from propagation of uncertainty
(GUM, JCGM 100:2008, section 5.1); the derivation stands beside each check.
"""

import io
import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

import craterfront.fitting.best_fit
from craterfront.answers.results import answer, estimate_dataset
from craterfront.answers.rounding import in_brackets
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.fitting.limits import ROUGHNESS
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.forward_model.linear_numbers import bounded_solution
from craterfront.measured_files.files import profile_of
from craterfront.measured_files.measured import MeasuredProfile
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.scale import Scale, depth_scale
from craterfront.problems import InputProblems
from craterfront.reports.report import print_answer

# Two layers: a broad interface and a sharp one.
TWO = """
[[layer]]
name = "copper"
composition = "Cu"
thickness_nm = {copper_nm}
interface_width_nm = {copper_width}
erosion_rate_nm_s = {copper_rate}
density_g_cm3 = {{ value = 8.96, u_rel = 0.03 }}
[[layer]]
name = "nickel"
composition = "Ni"
thickness_nm = {nickel_nm}
interface_width_nm = {nickel_width}
erosion_rate_nm_s = {nickel_rate}
[substrate]
composition = "Al"
erosion_rate_nm_s = {substrate_rate}
[crater]
shape = "parabolic"
curvature = {{ value = 0.04, u = 0.005 }}
[roughness]
initial_nm = {{ value = 1.5, u = 0.3 }}
[mixing]
model = "uniform"
length_nm = {{ value = 1.0, u = 0.2 }}
"""
TWO_TRUTH = {
    "copper_nm": 60.0,
    "copper_width": 10.0,
    "copper_rate": 20.0,
    "nickel_nm": 40.0,
    "nickel_width": 0.0,
    "nickel_rate": 10.0,
    "substrate_rate": 16.0,
}
TWO_GUESS = {
    "copper_nm": "{ guess = 70.0 }",
    "copper_width": "{ guess = 4.0 }",
    "copper_rate": "{ value = 20.0, u_rel = 0.03 }",
    "nickel_nm": "{ guess = 34.0 }",
    "nickel_width": "{ guess = 4.0 }",
    "nickel_rate": "{ value = 10.0, u_rel = 0.03 }",
    "substrate_rate": "{ value = 16.0, u_rel = 0.03 }",
}
TWO_TIMES = "[detection]\nsampling_s = 0.03\nduration_s = 9.0\n"

# One layer with nothing else that could fix its depth.
ONE = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {nm}
interface_width_nm = {width}
erosion_rate_nm_s = {rate}
density_g_cm3 = {density}
[substrate]
composition = "Al"
erosion_rate_nm_s = {substrate_rate}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
"""
ONE_TRUTH = {
    "nm": 60.0,
    "width": 4.0,
    "rate": 20.0,
    "density": "{ value = 8.96, u = 0 }",
    "substrate_rate": 16.0,
}
ONE_GUESS = {
    "nm": "{ guess = 50.0 }",
    "width": "{ guess = 2.0 }",
    "rate": "{ guess = 20.0 }",
    "density": "{ value = 8.96, u = 0 }",
    "substrate_rate": "{ guess = 16.0 }",
}
ONE_TIMES = "[detection]\nsampling_s = 0.02\nduration_s = 4.0\n"
EXACT = "{{ value = {}, u = 0 }}".format

COUNTS = "[noise]\ncounts_per_unit_s = 20.0\n"
BRIGHT = "[noise]\ncounts_per_unit_s = 200.0\n"


def channels(*elements, **written):
    """The channels of some elements with the same further settings."""
    settings = "".join(f"{key} = {value}\n" for key, value in written.items())
    return "".join(f'[[detection.channel]]\nelement = "{e}"\n{settings}' for e in elements)


@cache
def simulated(text, seed=1):
    experiment = experiment_from_toml(text)
    return simulate(experiment.stack, experiment.setup, seed=seed)


def measured(text, seed=1):
    return profile_of(simulated(text, seed), "profile.nc")


def two(more="", times=TWO_TIMES, noise=COUNTS, **changed):
    return TWO.format(**{**TWO_TRUTH, **changed}) + times + more + noise


def two_known(more="", noise=COUNTS, **changed):
    return TWO.format(**{**TWO_GUESS, **changed}) + more + noise


def one(more="", noise=COUNTS, **changed):
    return ONE.format(**{**ONE_TRUTH, **changed}) + ONE_TIMES + more + noise


def one_known(more="", noise=COUNTS, **changed):
    return ONE.format(**{**ONE_GUESS, **changed}) + more + noise


def inverted(profile, text, **options):
    return invert(profile, experiment_from_toml(text), **options)


def answered(profile, text, **options):
    return answer(inverted(profile, text, **options))


def known_to(u_rel, layer):
    """Whether a thickness has this relative standard uncertainty, to 5 % of it."""
    return layer.u / layer.value == pytest.approx(u_rel, rel=0.05)


# --- two layers --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ordinary():
    """Rates known to 3 %, everything else as an analyst would write it."""
    return inverted(measured(two()), two_known())


@pytest.fixture(scope="module")
def found(ordinary):
    return answer(ordinary)


@pytest.fixture(scope="module")
def in_seconds():
    return answered(measured(two()), two_known(), relative=True)


def test_thicknesses_are_recovered(found):
    assert not found.warnings
    assert found.scale_sources == ["erosion rates"]
    for layer, truth in zip(found.layers, (60.0, 40.0), strict=True):
        assert layer.value == pytest.approx(truth, abs=4.0 * layer.u)
        assert layer.lower < truth < layer.upper
        # The time of a layer is known far better than 3 %, so the rate decides; edges and
        # roughness in nm tell a little about the rates themselves.
        assert 0.02 < layer.u / layer.value < 0.0302


def test_intervals_are_symmetric_in_the_logarithm(found):
    for layer in found.layers:
        spread = math.exp(1.959964 * layer.u / layer.value)
        assert layer.upper / layer.value == pytest.approx(spread)
        assert layer.value / layer.lower == pytest.approx(spread)


def test_depths_of_interfaces_follow_from_the_joint_uncertainty(ordinary, found):
    """Independent check: the spread of the sum over draws from the Laplace approximation."""
    copper, nickel = found.layers
    assert (copper.depth, copper.depth_lower, copper.depth_upper) == pytest.approx(
        (copper.value, copper.lower, copper.upper)
    )
    assert nickel.depth == pytest.approx(copper.value + nickel.value)
    rng = np.random.default_rng(1)
    drawn = rng.multivariate_normal(ordinary.fit.x, ordinary.curvature.covariance, 4000)
    coordinates, assembly = ordinary.likelihood.coordinates, ordinary.likelihood.assembly
    both = [assembly.thickness_index(0), assembly.thickness_index(1)]
    depths = [coordinates.values(x)[both].sum() for x in drawn]
    low, high = np.quantile(depths, [0.025, 0.975])
    assert nickel.depth_upper - nickel.depth_lower == pytest.approx(high - low, rel=0.06)
    assert nickel.depth_lower == pytest.approx(low, abs=0.06 * (high - low))
    # The shared edge ties the two rates in part: between independent and wholly correlated.
    apart = copper.upper - copper.lower, nickel.upper - nickel.lower
    assert math.hypot(*apart) < nickel.depth_upper - nickel.depth_lower < sum(apart)


def test_a_broad_interface_is_resolved(found):
    width = found.layers[0].width
    assert width.resolved
    assert 0.0 < width.lower_nm < 10.0 < width.upper_nm
    assert width.upper_nm - width.lower_nm < 4.0


def test_a_sharp_interface_gives_an_upper_limit(found):
    width = found.layers[1].width
    assert not width.resolved
    assert width.lower_nm == 0.0
    assert 0.0 < width.upper_nm < 4.0


def test_mass_per_area_and_its_uncertainty(found):
    """Mass = thickness times density; u in quadrature, since the two are independent (GUM)."""
    copper = found.layers[0]
    assert copper.areal_mass_g_m2 == pytest.approx(copper.value * 8.96e-3)
    relative = math.hypot(copper.u / copper.value, 0.03)
    assert copper.areal_mass_u_g_m2 / copper.areal_mass_g_m2 == pytest.approx(relative)


def test_json_has_the_agreed_keys(found):
    read = json.loads(found.as_json())
    assert set(read) >= {
        "craterfront_version",
        "warnings",
        "depth_scale",
        "layers",
        "interfaces",
        "parameters",
        "noise",
        "broadening_two_sd",
    }
    assert [set(layer) for layer in read["layers"]] == 2 * [
        {
            "layer",
            "thickness_nm",
            "thickness_u_nm",
            "thickness_lo_nm",
            "thickness_hi_nm",
            "resolved",
            "areal_mass_g_m2",
            "areal_mass_u_g_m2",
        }
    ]
    assert [set(interface) for interface in read["interfaces"]] == 2 * [
        {
            "below",
            "width_nm",
            "width_lo_nm",
            "width_hi_nm",
            "resolved",
            "depth_nm",
            "depth_u_nm",
            "depth_lo_nm",
            "depth_hi_nm",
        }
    ]
    broad, sharp = read["interfaces"]
    assert (broad["below"], broad["resolved"]) == ("copper", True)
    assert broad["width_lo_nm"] < broad["width_nm"] < broad["width_hi_nm"]
    assert (sharp["below"], sharp["resolved"], sharp["width_nm"]) == ("nickel", False, None)
    assert sharp["width_lo_nm"] == 0.0
    assert sharp["depth_nm"] == sum(layer["thickness_nm"] for layer in read["layers"])
    assert sharp["depth_lo_nm"] < sharp["depth_nm"] < sharp["depth_hi_nm"]
    assert broad["depth_u_nm"] == read["layers"][0]["thickness_u_nm"] < sharp["depth_u_nm"]


@pytest.mark.parametrize("unit", ["nm", "s"])
def test_the_guide_names_every_key_of_an_interface(found, unit):
    page = Path(craterfront.__file__).parent / "guide" / "inversion.md"
    _, told = page.read_text("utf-8").split("Keys in the JSON (`interfaces`)")
    layer = found.layers[0]
    rough = replace(layer, width=replace(layer.width, why=ROUGHNESS))
    row, *_ = replace(found, unit=unit, layers=[rough]).as_dict()["interfaces"]
    told = told.split("*Instrument*")[0]
    assert f"combined_width_{unit}" in row
    assert [key for key in row if f"`{key}`" not in told] == []


def test_depths_of_interfaces_are_printed(found):
    assert " ".join(printed(found).split()).count("in units of the last digit") == 2
    of_interfaces = printed(found).split("Interfaces: true width")[1].splitlines()
    rows = [line.split("│")[-4:-1] for line in of_interfaces if "│" in line][:2]
    for row, layer in zip(rows, found.layers, strict=True):
        depth, low, high = (cell.strip() for cell in row)
        assert depth == in_brackets(layer.depth, layer.depth_u)
        ends = pytest.approx((layer.depth_lower, layer.depth_upper), abs=0.05 * layer.depth_u)
        assert (float(low), float(high)) == ends


def test_budget_adds_in_quadrature_and_knows_the_width(found):
    """2 SD of an error function of width w (16-84 %) is w; of a 0.03 s reading, 0.03 r / sqrt 3 nm.

    r is the geometric mean of the rates above and below, 20 and 10 nm/s.
    """
    copper = found.budgets[0]
    assert copper.two_sd_nm["true transition"] == pytest.approx(found.layers[0].width.value_nm)
    sampling = 0.03 * math.sqrt(20.0 * 10.0) / math.sqrt(3.0)
    assert copper.two_sd_nm["sampling"] == pytest.approx(sampling, rel=0.02)
    assert copper.total_nm == pytest.approx(math.hypot(*copper.two_sd_nm.values()))


def test_estimate_dataset_holds_fit_and_answer(ordinary, found):
    dataset = estimate_dataset(ordinary, found)
    assert json.loads(dataset.attrs["answer"]) == json.loads(found.as_json())
    residual = dataset["residual"].values
    clean = simulated(two())["clean"].values
    bright = clean > 100.0
    assert np.std(residual[bright]) == pytest.approx(1.0, abs=0.1)
    assert dataset["fit"].values == pytest.approx(clean, abs=0.01 * clean.max())
    assert all(dataset[name].attrs["units"] for name in dataset.data_vars)


def test_a_width_at_zero_does_not_stall_the_fit():
    """The best width below nickel is 0; the guesses are 15 % off. A cost near 443 exists."""
    profile = measured(two(copper_width=6.0, nickel_width=1.0), seed=134)
    guess = "{ guess = 3.0 }"
    found = inverted(profile, two_known(copper_width=guess, nickel_width=guess))
    assert found.fit.converged
    assert found.fit.cost < 450.0


# --- times instead of depths -------------------------------------------------------------------


def keys_of(value):
    if isinstance(value, dict):
        yield from value
        for item in value.values():
            yield from keys_of(item)
    elif isinstance(value, list):
        for item in value:
            yield from keys_of(item)


def test_relative_answers_in_seconds_without_any_nm(in_seconds):
    read = json.loads(in_seconds.as_json())
    assert in_seconds.unit == "s"
    assert read["depth_scale"] == []
    assert not [key for key in keys_of(read) if "_nm" in key or "(nm)" in key]
    for layer, truth in zip(read["layers"], (3.0, 4.0), strict=True):
        assert set(layer) == {
            "layer",
            "duration_s",
            "duration_u_s",
            "duration_lo_s",
            "duration_hi_s",
            "resolved",
        }
        assert layer["duration_s"] == pytest.approx(truth, abs=4.0 * layer["duration_u_s"])
        assert layer["duration_u_s"] < 0.01
    # 10 nm, at the geometric mean of the rates above and below
    width_s = 10.0 / math.sqrt(20.0 * 10.0)
    assert read["interfaces"][0]["width_s"] == pytest.approx(width_s, abs=0.05)
    assert "no depths" in in_seconds.warnings[0]


def test_relative_and_absolute_answers_agree(found, in_seconds):
    """Thickness over duration is the rate, which the priors put at 20 and 10 nm/s to 3 %."""
    for depth, time, rate in zip(found.layers, in_seconds.layers, (20.0, 10.0), strict=True):
        assert depth.value / time.value == pytest.approx(rate, rel=4.0 * 0.03)
        assert depth.width.resolved == time.width.resolved


def test_relative_says_so_first():
    profile = measured(one())
    text = one_known(nm="{ guess = 70.0, min = 65.0 }")
    found = answered(profile, text, relative=True)
    assert found.doubts == []
    assert "no depths" in found.warnings[0]


def test_a_known_thickness_has_no_say_in_times():
    """The layer takes 3 s; 66 nm at the nominal 20 nm/s would be 3.3 s."""
    (coat,) = answered(measured(one()), one_known(nm=EXACT(66.0)), relative=True).layers
    assert coat.value == pytest.approx(3.0, abs=0.02)


@pytest.mark.parametrize(
    "known",
    [
        {"nm": "{ value = 66.0, u = 0.1 }"},
        {"nm": "{ guess = 70.0, min = 65.0 }"},
        {"width": EXACT(6.0)},
        {"width": "{ value = 6.0, u = 0.1 }"},
        {"more": channels("Cu", "Al", sensitivity="{ value = 0.7, u = 0.01 }")},
        {"more": channels("Cu", "Al", sensitivity=0.7)},
        {"more": "[depth_scale]\nfinal_crater_depth_nm = { value = 90.0, u = 0.1 }\n"},
    ],
)
def test_what_is_known_of_depths_has_no_say_in_times(known):
    (coat,) = answered(measured(one()), one_known(**known), relative=True).layers
    (free,) = answered(measured(one()), one_known(), relative=True).layers
    assert coat.value == pytest.approx(free.value, abs=0.1 * free.u)
    assert coat.u == pytest.approx(free.u, rel=0.05)
    assert coat.width.value_nm == pytest.approx(free.width.value_nm, rel=0.01)


def test_a_sharp_edge_is_sharp_in_time():
    (coat,) = answered(measured(one()), one_known(width=EXACT(0.0)), relative=True).layers
    assert (coat.width.value_nm, coat.width.is_held) == (0.0, True)


BY_ITSELF = {
    "surface": "[roughness]\ninitial_nm = { value = 5.0, u = 0.2 }\n",
    "interface": "[roughness]\ninitial_nm = { value = 0.0, u = 0 }\n",
    "grains": '[roughness]\ninitial_nm = { value = 0.0, u = 0 }\ngrowth = "grains"\n'
    "relative_spread = { value = 0.1, u = 0 }\ngrain_nm = { value = 40.0, u = 0 }\n",
    "saturating": '[roughness]\ninitial_nm = { value = 0.0, u = 0 }\ngrowth = "saturating"\n'
    "final_nm = { value = 5.0, u = 0.2 }\nsettling_nm = { value = 10.0, u = 1.0 }\n",
    "statistical": '[roughness]\ninitial_nm = { value = 0.0, u = 0 }\ngrowth = "statistical"\n',
    "mixing": "[roughness]\ninitial_nm = { value = 0.0, u = 0 }\n"
    '[mixing]\nmodel = "diffusive"\nlength_nm = { value = 5.0, u = 0.2 }\n',
}


@pytest.mark.parametrize("cause", BY_ITSELF)
def test_lengths_make_no_width_where_the_nominal_rates_are_wrong(cause):
    """A width of 0.025 s under what broadens more; the rates are half of what the file guesses."""
    rough = "interface_roughness_nm = {{ value = 5.0, u = 0.2 }}\n" if cause == "interface" else ""
    sample = ONE.replace("density_g_cm3 = {density}\n", rough).split("[roughness]")[0]
    made = sample.format(nm=200.0, width=0.5, rate=20.0, substrate_rate=20.0) + BY_ITSELF[cause]
    known = sample.format(
        nm="{ guess = 400.0 }",
        width="{ guess = 1.0 }",
        rate="{ guess = 40.0 }",
        substrate_rate="{ guess = 40.0 }",
    )
    times = "[detection]\nsampling_s = 0.04\nduration_s = 14.0\n"
    profile = measured(made + times + BRIGHT)
    (coat,) = answered(profile, known + BY_ITSELF[cause] + BRIGHT, relative=True).layers
    assert not coat.width.resolved
    assert coat.width.lower_nm == 0.0 < 0.025 < coat.width.upper_nm
    assert coat.value == pytest.approx(10.0, abs=0.1)


# --- what fixes the depth scale ----------------------------------------------------------------

# A blurred edge tells something of the ratio of the two rates; a sharp one nothing.
SHARP = {"width": EXACT(0.0)}

SCALES = {
    "erosion rates": {"rate": "{ value = 20.0, u_rel = 0.03 }"},
    "final crater depth": {"more": "[depth_scale]\nfinal_crater_depth_nm={value=76.0,u=1.5}\n"},
    "a layer of known thickness": {"nm": "{ value = 60.0, u = 1.2 }"},
    "channel sensitivities": {"more": channels("Cu", "Al", sensitivity="{value=1.0,u=0.02}")},
}


def scale_of(profile, text):
    experiment = experiment_from_toml(text)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    return depth_scale(assembly, experiment.depth_scale, profile)


def sources(profile, text):
    return scale_of(profile, text).sources


@pytest.mark.parametrize("name", SCALES)
def test_each_source_alone_is_a_depth_scale(name):
    assert scale_of(measured(one()), one_known(**SCALES[name])) == Scale([name], without=[])


def test_without_a_depth_scale_it_stops_and_lists_what_would_fix_it():
    with pytest.raises(InputProblems) as caught:
        inverted(measured(one()), one_known())
    message = str(caught.value)
    first, *ways = message.splitlines()
    assert first.startswith('profile.nc: nothing fixes the depth scale of "coat": ')
    assert all(way.startswith("  - ") for way in ways)
    for way in (
        "erosion_rate_nm_s",
        "sensitivity of every channel",
        "final_crater_depth_nm = { value = ..., u = ... }",
        "thickness_nm = { value = ..., u = ... }",
        "from_yields = true",
        "--relative",
    ):
        assert way in message


def test_sensitivities_fix_nothing_if_a_major_element_is_not_measured_or_nothing_is_collected():
    known = "{value=1.0,u=0.02}"
    profile = measured(one())
    both = one_known(channels("Cu", sensitivity=known), nm="{ guess = 50.0 }")
    assert sources(profile, both) == ["channel sensitivities"]  # aluminium is the substrate
    alloy = both.replace('"Cu"\n', "{ Cu = 0.8, Sn = 0.2 }\n", 1)
    assert alloy != both
    assert sources(profile, alloy) == []
    viewed = '[detection]\nview = "viewed"\nescape_depth_nm = 1.0\n'
    assert sources(profile, one_known(viewed + channels("Cu", sensitivity=known))) == []


def test_the_rate_of_the_substrate_alone_fixes_no_thickness():
    assert sources(measured(one()), one_known(substrate_rate="{ value = 16.0, u = 0.5 }")) == []


def test_the_rate_of_one_layer_fixes_no_other():
    known = two_known(copper_rate="{ guess = 20.0 }")
    assert scale_of(measured(two()), known) == Scale(["erosion rates"], without=["copper"])
    with pytest.raises(InputProblems, match='nothing fixes the depth scale of "copper"'):
        inverted(measured(two()), known)


def test_sensitivities_fix_nothing_without_a_density():
    """Removed atoms are no depth."""
    nitride = one_known(channels("Cu", "N", sensitivity="{value=1.0,u=0.02}"))
    nitride = nitride.replace('composition = "Cu"', "composition = { Cu = 0.75, N = 0.25 }")
    profile = measured(one())
    assert scale_of(profile, nitride).without == []
    unknown = nitride.replace("density_g_cm3 = { value = 8.96, u = 0 }\n", "")
    assert unknown != nitride
    assert scale_of(profile, unknown) == Scale([], without=["coat"])


def test_a_known_layer_calibrates_the_factor_that_estimated_rates_share():
    lamp = """
[source]
kind = "glow discharge"
voltage_V = 700.0
current_mA = 20.0
anode_diameter_mm = 4.0
"""
    text = two_known(lamp, copper_nm="{ value = 60.0, u = 1.0 }")
    for rate in ("copper_rate", "nickel_rate", "substrate_rate"):
        text = text.replace(f"erosion_rate_nm_s = {TWO_GUESS[rate]}\n", "")
    assert "erosion_rate_nm_s" not in text
    assert scale_of(measured(two()), text) == Scale(["a layer of known thickness"], without=[])


def test_yields_count_only_if_the_file_accepts_them():
    lamp = """
[source]
kind = "glow discharge"
voltage_V = 700.0
current_mA = 20.0
anode_diameter_mm = 4.0
"""
    unknown = one_known(lamp).replace("erosion_rate_nm_s = { guess = 20.0 }\n", "")
    unknown = unknown.replace("erosion_rate_nm_s = { guess = 16.0 }\n", "")
    profile = measured(one())
    assert "erosion_rate_nm_s" not in unknown
    assert sources(profile, unknown) == []
    accepted = unknown + "[depth_scale]\nfrom_yields = true\n"
    assert sources(profile, accepted) == ["erosion rates estimated from sputter yields"]


def test_a_rate_passes_its_uncertainty_on():
    """Derived: thickness = rate * time, the time known to far better than 3 %."""
    (coat,) = answered(measured(one(**SHARP)), one_known(**SHARP, **SCALES["erosion rates"])).layers
    assert known_to(0.03, coat)
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)


def test_sensitivities_pass_their_uncertainty_on():
    """Derived: the signal is sensitivity * density * rate, so the rate is known to 2 %, too."""
    known = one_known(**SHARP, **SCALES["channel sensitivities"])
    (coat,) = answered(measured(one(**SHARP)), known).layers
    assert known_to(0.02, coat)
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)


def test_sensitivities_pass_the_uncertainty_of_the_density_on():
    """Derived: depth = removed atoms / density: 2 % of the one and 10 % of the other."""
    known = {**SHARP, **SCALES["channel sensitivities"], "density": "{ value = 8.96, u_rel = 0.1 }"}
    (coat,) = answered(measured(one(**SHARP)), one_known(**known)).layers
    assert known_to(math.hypot(0.02, 0.1), coat)


def test_sensitivities_give_the_mass_per_area_whatever_the_density():
    """Derived: removed atoms times atomic mass; the density cancels."""
    known = {**SHARP, **SCALES["channel sensitivities"], "density": "{ value = 8.96, u_rel = 0.1 }"}
    (coat,) = answered(measured(one(**SHARP)), one_known(**known)).layers
    assert coat.areal_mass_u_g_m2 / coat.areal_mass_g_m2 == pytest.approx(0.02, rel=0.05)


def test_one_sensitivity_in_two_layers_ties_no_rates_together_beyond_the_densities():
    """Derived: the ratio of the signals gives that of density times rate, so that of the rates
    to what the densities leave open: 10 %. One rate known to 1 % gives the other to 10 %."""
    twice = """
[[layer]]
name = "alloy"
composition = {{ Cu = 0.5, Ni = 0.5 }}
thickness_nm = {alloy}
erosion_rate_nm_s = {alloy_rate}
interface_width_nm = {{ value = 0.0, u = 0 }}
density_g_cm3 = {{ value = 8.9, u_rel = 0.1 }}
[[layer]]
name = "copper"
composition = "Cu"
thickness_nm = {copper}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {{ value = 20.0, u_rel = 0.01 }}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[substrate]
composition = "Al"
erosion_rate_nm_s = 16.0
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
"""
    times = "[detection]\nsampling_s = 0.02\nduration_s = 6.0\n"
    profile = measured(twice.format(alloy=30.0, alloy_rate=15.0, copper=50.0) + times + COUNTS)
    loose = "{ value = 17.0, u_rel = 0.5 }"
    known = twice.format(alloy="{ guess = 33.0 }", alloy_rate=loose, copper="{ guess = 46.0 }")
    alloy, copper = answered(profile, known + COUNTS).layers
    assert known_to(0.01, copper)
    assert alloy.u / alloy.value == pytest.approx(0.1, rel=0.05)
    assert alloy.value == pytest.approx(30.0, abs=4.0 * alloy.u)
    # Its mass follows from that of copper: the density cancels.
    assert alloy.areal_mass_u_g_m2 / alloy.areal_mass_g_m2 < 0.015


def test_the_final_crater_depth_passes_its_uncertainty_on():
    """Derived: 76 nm = thickness + 16 nm/s * 1 s; with the 16 exact, u = 1.5 nm is all in it."""
    known = {**SHARP, "substrate_rate": EXACT(16.0)}
    profile = measured(one(**SHARP))
    (coat,) = answered(profile, one_known(**known, **SCALES["final crater depth"])).layers
    assert coat.u == pytest.approx(1.5, rel=0.05)
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)
    # Negative control: without it, there is nothing.
    with pytest.raises(InputProblems, match="nothing fixes the depth scale"):
        inverted(profile, one_known(**known))


def test_an_exactly_known_crater_depth_is_used():
    """u = 0 is exactly known, in every command."""
    more = "[depth_scale]\nfinal_crater_depth_nm = { value = 76.0, u = 0 }\n"
    known = one_known(more, **SHARP, substrate_rate=EXACT(16.0))
    (coat,) = answered(measured(one(**SHARP)), known).layers
    assert coat.value == pytest.approx(60.0, rel=0.005)


def test_a_known_layer_gives_its_scale_to_others_of_its_material():
    """Derived: one rate for both layers of the material, known as well as the first layer."""
    both = """
[[layer]]
name = "first"
material = "copper"
thickness_nm = {first}
[[layer]]
name = "marker"
composition = "Ni"
thickness_nm = {marker}
erosion_rate_nm_s = {marker_rate}
[[layer]]
name = "second"
material = "copper"
thickness_nm = {second}
[substrate]
composition = "Al"
erosion_rate_nm_s = {substrate_rate}
[material.copper]
composition = "Cu"
erosion_rate_nm_s = {rate}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
"""
    truth = {"first": 30.0, "marker": 10.0, "second": 45.0}
    rates = {"rate": 20.0, "marker_rate": 10.0, "substrate_rate": 16.0}
    guesses = {key: f"{{ guess = {1.15 * value} }}" for key, value in (truth | rates).items()}
    known = guesses | {
        "first": "{ value = 30.0, u_rel = 0.02 }",
        "marker_rate": "{ value = 11.5, u_rel = 0.5 }",
    }
    times = "[detection]\nsampling_s = 0.02\nduration_s = 5.5\n"
    profile = measured(both.format(**truth, **rates) + times + COUNTS)
    layers = answered(profile, both.format(**known) + COUNTS).layers
    first, second = layers[0], layers[2]
    assert known_to(0.02, first)
    assert known_to(0.02, second)
    assert second.value == pytest.approx(45.0, abs=4.0 * second.u)


def test_the_interval_of_a_width_includes_that_of_the_depth_scale():
    """Derived: the width is a time times the geometric mean of two rates known to 10 % each.

    Their ratio may be seen in the shape of the edge, their product is not: at least
    0.1 / sqrt 2 = 7.1 % standard uncertainty, so that upper / lower >= exp(2 * 1.96 * 0.071).
    """
    rates = {"rate": "{value=20.0,u_rel=0.1}", "substrate_rate": "{value=16.0,u_rel=0.1}"}
    (coat,) = answered(measured(one()), one_known(**rates)).layers
    assert coat.width.resolved
    assert coat.width.upper_nm / coat.width.lower_nm > math.exp(2 * 1.96 * 0.068)


# --- priors ------------------------------------------------------------------------------------

CLOCK = {"rate": EXACT(20.0), "substrate_rate": EXACT(16.0)}


def test_an_exact_number_is_held():
    (coat,) = answered(measured(one()), one_known(nm=EXACT(57.0))).layers
    assert (coat.value, coat.u, coat.lower, coat.upper) == (57.0, 0.0, 57.0, 57.0)


def test_intervals_stay_within_the_bounds_of_the_file():
    """60 nm and a width of 4 nm, which the file excludes."""
    known = {
        "nm": "{ guess = 61.2, min = 61.0, max = 61.5 }",
        "width": "{ guess = 2.0, max = 3.0 }",
    }
    (coat,) = answered(measured(one()), one_known(**CLOCK, **known)).layers
    assert 61.0 <= coat.lower <= coat.value <= coat.upper <= 61.5
    assert coat.width.lower_nm < coat.width.value_nm <= coat.width.upper_nm <= 3.0


def test_a_least_width_of_the_file_is_not_presented_as_a_measurement():
    """Derived: nothing of a width of 0.1 nm shows outside of the one reading it takes."""
    profile = measured(one(width=0.1, nm=60.2))
    least = "{ guess = 1.0, min = 0.3 }"
    found = answered(profile, one_known(**CLOCK, width=least))
    (coat,) = found.layers
    assert not coat.width.resolved
    assert coat.width.lower_nm == 0.3
    assert coat.width.upper_nm > 0.3
    (interface,) = json.loads(found.as_json())["interfaces"]
    assert interface["width_nm"] is None
    assert "do not tell it from zero" in interface["note"]


def test_a_least_width_does_not_hide_what_the_data_tell():
    """Zero is excluded, and the least width is not."""
    least = "{ guess = 5.0, min = 3.9 }"
    (coat,) = answered(measured(one()), one_known(**CLOCK, width=least)).layers
    assert coat.width.resolved
    assert 3.9 <= coat.width.lower_nm < 4.0 < coat.width.upper_nm


def test_the_interval_of_a_thin_layer_does_not_depend_on_the_guess():
    """A guess is a prior of a factor of 3; 0.2 nm are known to a quarter."""
    text = """
[[layer]]
name = "cap"
composition = "Cu"
thickness_nm = {{ value = 20.0, u = 0 }}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[[layer]]
name = "marker"
composition = "Ni"
thickness_nm = {marker}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[substrate]
composition = "Cu"
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[roughness]
initial_nm = {{ value = 1.0, u = 0 }}
"""
    times = "[detection]\nsampling_s = 0.02\nduration_s = 2.0\n"
    profile = measured(text.format(marker=0.2) + times + "[noise]\ncounts_per_unit_s = 4.0\n")
    intervals = []
    for guess in (0.1, 4.0):
        known = text.format(marker=f"{{ guess = {guess} }}") + "[noise]\ncounts_per_unit_s = 4.0\n"
        _, marker = answered(profile, known).layers
        assert marker.u / marker.value > 0.2
        intervals.append((marker.lower, marker.upper))
    # The likelihood is flat towards thin layers, and the search ends within 4 % of its threshold.
    assert intervals[0] == pytest.approx(intervals[1], rel=0.1)
    assert intervals[0][0] < 0.2 < intervals[0][1]


def test_a_layer_too_thin_to_resolve_widens_the_depth_below_it_by_its_limit():
    """Derived: the gold may be absent or as thick as its limit."""
    text = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {coat}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[[layer]]
name = "gold"
composition = "Au"
thickness_nm = {gold}
erosion_rate_nm_s = {{ value = 30.0, u = 0 }}
[substrate]
composition = "Al"
erosion_rate_nm_s = {{ value = 16.0, u = 0 }}
[roughness]
initial_nm = {{ value = 3.0, u = 1.0 }}
"""
    profile = measured(text.format(gold=0.1, coat=60.0) + ONE_TIMES + COUNTS)
    known = text.format(gold="{ guess = 0.2 }", coat="{ guess = 55.0 }") + COUNTS
    coat, gold = answered(profile, known).layers
    assert not gold.resolved
    assert gold.upper > 0.1
    assert gold.depth_lower == pytest.approx(coat.depth_lower, abs=0.01)
    assert gold.depth_upper == pytest.approx(coat.depth_upper + gold.upper, abs=0.01)
    assert (gold.depth_u, gold.depth_resolved) == (None, True)


@pytest.mark.parametrize("least_nm", [0.0, 0.2])
def test_an_interface_below_nothing_that_is_resolved_has_a_limit_of_its_depth(found, least_nm):
    ends = {"lower": least_nm, "depth_lower": least_nm}
    thin = replace(found.layers[0], resolved=False, depth_resolved=False, depth_u=None, **ends)
    limited = replace(found, layers=[thin, found.layers[1]])
    row = limited.as_dict()["interfaces"][0]
    assert (row["depth_nm"], row["depth_u_nm"]) == (None, None)
    assert row["depth_hi_nm"] == thin.depth_upper
    assert row["depth_lo_nm"] == limited.as_dict()["layers"][0]["thickness_lo_nm"] == least_nm
    layers, interfaces = printed(limited).split("Interfaces: true width")
    assert f"│   upper limit │ {least_nm:9.3g} │  {thin.upper:.3g} │" in layers
    assert f"│         - │ {least_nm:9.3g} │  {thin.depth_upper:.3g} │" in interfaces


def test_an_exact_width_is_held():
    (coat,) = answered(measured(one()), one_known(**CLOCK, width=EXACT(6.0))).layers
    assert (coat.width.value_nm, coat.width.lower_nm, coat.width.upper_nm) == (6.0, 6.0, 6.0)
    assert coat.width.is_held
    assert not coat.width.resolved


def test_a_width_held_at_zero_is_not_resolved():
    """Resolved means that the data tell it from zero."""
    found = answered(measured(one()), one_known(**CLOCK, width=EXACT(0.0)))
    (coat,) = found.layers
    assert not coat.width.resolved
    (interface,) = json.loads(found.as_json())["interfaces"]
    assert (interface["width_nm"], interface["width_hi_nm"]) == (0.0, 0.0)
    assert interface["note"] == "held"


def test_a_narrow_prior_on_a_width_rules():
    """The data say 4.0 nm to a few per cent, the prior 4.3 +- 0.02."""
    prior = "{ value = 4.3, u = 0.02 }"
    (coat,) = answered(measured(one()), one_known(**CLOCK, width=prior)).layers
    assert coat.width.value_nm == pytest.approx(4.3, abs=0.06)
    assert coat.width.upper_nm - coat.width.lower_nm == pytest.approx(4 * 0.02, rel=0.15)


def test_a_prior_is_not_presented_as_a_measurement():
    """Derived: the edge lies 4 standard deviations from either end of a reading of 0.4 nm.

    A reading is a mean, so nothing of a width of 0.1 nm shows outside.
    """
    profile = measured(one(width=0.1, nm=60.2))
    (free,) = answered(profile, one_known(**CLOCK)).layers
    assert not free.width.resolved
    prior = "{ value = 0.1, u = 0.01 }"
    found = answered(profile, one_known(**CLOCK, width=prior))
    (coat,) = found.layers
    assert not coat.width.resolved
    # The limit is that of the data alone, within what its search leaves open.
    assert coat.width.upper_nm == pytest.approx(free.width.upper_nm, rel=0.05)
    (interface,) = json.loads(found.as_json())["interfaces"]
    assert interface["width_nm"] is None
    assert "prior is left out" in interface["note"]
    assert "upper limit only; the data do not tell it from zero" in printed(found)


def test_a_prior_does_not_hide_what_the_data_tell():
    """The data alone tell 4 nm from zero, with any prior that allows it."""
    prior = "{ value = 3.0, u = 2.0 }"
    (coat,) = answered(measured(one()), one_known(**CLOCK, width=prior)).layers
    assert coat.width.resolved
    assert 0.0 < coat.width.lower_nm < 4.0 < coat.width.upper_nm


def test_without_roughness_every_width_is_a_limit():
    """Roughness that nobody wrote could make all of it: the combined width, and limits."""
    silent = one_known(**CLOCK).replace("[roughness]\ninitial_nm = { value = 0.0, u = 0 }\n", "")
    assert "roughness" not in silent
    found = answered(measured(one()), silent)
    (interface,) = json.loads(found.as_json())["interfaces"]
    assert interface["combined_width_nm"] == pytest.approx(4.0, abs=0.5)
    assert (interface["resolved"], interface["width_nm"]) == (False, None)
    assert (interface["width_lo_nm"], interface["width_hi_nm"] > 4.0) == (0.0, True)
    assert "[roughness] is not written" in interface["note"]


# --- noise and wrong models --------------------------------------------------------------------


def linear_only(text, seed, noise):
    """Likelihood with everything known but sensitivities, backgrounds and perhaps the noise."""
    exact = {key: EXACT(ONE_TRUTH[key]) for key in ("nm", "width", "rate", "substrate_rate")}
    experiment = experiment_from_toml(one_known(noise=noise, **exact))
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    likelihood = Likelihood(assembly, measured(text, seed))
    nothing = np.zeros(0)
    likelihood.replan(nothing)
    for _ in range(3):
        likelihood.update_weights(likelihood.solve(nothing))
    return likelihood, likelihood.solve(nothing)


@pytest.mark.parametrize("channel", ["Cu", "Al"])
def test_noise_is_estimated_from_the_data(channel):
    """Standard deviation of a bright reading within 20 % of sqrt(intensity / (20 * 0.02 s)).

    Derived: second differences of n bright readings give it to about 0.7 sqrt(1.94 * 2 / n) / 1.4:
    8 % from the 150 of copper, 14 % from the 50 of aluminium, so within 20 % in 98 and 84 %.
    """
    c = {"Cu": 0, "Al": 1}[channel]
    ratios = []
    for seed in range(30):
        likelihood, solution = linear_only(one(), seed, noise="")
        assert not likelihood.noise.counted
        n = np.argmax(solution.model[c])
        variance = likelihood.noise.variance(solution.model, likelihood.interval)[c, n]
        ratios.append(math.sqrt(variance / (solution.model[c, n] / (20.0 * 0.02))))
    assert np.median(ratios) == pytest.approx(1.0, abs=0.08)
    assert np.mean(np.abs(np.log(ratios)) < math.log(1.2)) > 0.75


FEW = "[noise]\ncounts_per_unit_s = 0.15\n"


def test_few_counts_do_not_bias_sensitivities():
    """About 5 and 4 counts in a reading. Weights from the data favour readings that are low."""
    text = one(noise=FEW)
    assert simulated(text)["clean"].values.max() * 0.15 * 0.02 == pytest.approx(5.1, abs=0.1)
    found, biased = [], []
    for seed in range(60):
        likelihood, solution = linear_only(text, seed, noise=FEW)
        found.append(solution.linear[:2])
        biased.append([_weighted_by_data(likelihood, solution, c) for c in (0, 1)])
    error = np.std(found, axis=0) / math.sqrt(len(found))
    assert np.all(error < 0.015)
    assert np.all(np.abs(np.mean(found, axis=0) - 1.0) < 3.0 * error)
    # Negative control. Derived: the harmonic mean of a Poisson variable of mean 5, zeros counted
    # as 1, is 0.80 of its mean.
    assert np.all(np.mean(biased, axis=0) < 0.9)


def _weighted_by_data(likelihood, solution, c):
    """Sensitivity by least squares with the variance of a reading taken from the reading itself."""
    counts = np.maximum(likelihood.values[c] * 0.15 * 0.02, 1.0)
    bright = solution.model[c] > 0.5 * solution.model[c].max()
    weight = np.where(bright, 1.0 / counts, 0.0)
    term = solution.rows[c]
    return (weight * term) @ likelihood.values[c] / ((weight * term) @ term)


def test_a_right_model_is_rarely_blamed_for_few_counts():
    """The threshold is three standard deviations: about 0.1 % of channels, 10 channels here."""
    text = one_known(noise=FEW, **CLOCK, nm="{ guess = 58.0 }")
    blamed = 0
    for seed in range(5):
        found = inverted(measured(one(noise=FEW, width=15.0), seed), text)
        blamed += int(np.sum(found.likelihood.noise.shortfall > 0))
    assert blamed <= 1


@pytest.mark.parametrize("fault", ["layer", "drift"])
def test_a_wrong_model_is_reported_and_widens_the_intervals(in_seconds, fault):
    """A layer that is not in the file; a detector that drifts by 15 %, and not the others."""
    dataset = simulated(two(HIDDEN if fault == "layer" else "")).copy(deep=True)
    if fault == "drift":
        dataset["intensity"].loc[{"channel": "Cu"}] *= 1.0 + 0.15 * np.sin(dataset["time"] / 0.8)
    found = answered(profile_of(dataset, "profile.nc"), two_known(), relative=True)
    assert not any("common to all channels" in note for note in found.warnings)
    notes = [note for note in found.warnings if "the noise does not explain the residuals" in note]
    assert notes
    assert all(note.startswith("channel ") for note in notes)
    for wrong, right in zip(found.layers, in_seconds.layers, strict=True):
        assert wrong.u > 1.5 * right.u
    wrong, right = found.layers[0].width, in_seconds.layers[0].width
    assert wrong.upper_nm - wrong.lower_nm > 1.5 * (right.upper_nm - right.lower_nm)


def test_a_width_that_rests_on_a_channel_with_a_shortfall_is_doubtful():
    """A mixing length of 3 nm that the file says is 1 nm."""
    right = two(noise=BRIGHT, copper_width=2.0)
    right = right.replace("length_nm = { value = 1.0, u = 0.2 }", "length_nm = 3.0")
    wrong = two_known(noise=BRIGHT).replace("value = 1.0, u = 0.2", "value = 1.0, u = 0")
    found = answered(measured(right), wrong)
    short = [note.split()[1].rstrip(":") for note in found.warnings if "falls short" in note]
    assert short
    resolved = [layer.width for layer in found.layers if layer.width.resolved]
    assert resolved
    for width in resolved:
        assert width.why.startswith("doubtful")
        assert any(f" {name}" in width.why for name in short)
    assert "resolved; doubtful: it rests on" in printed(found)


def test_a_width_without_a_shortfall_is_not_doubtful(found):
    assert found.layers[0].width.why == ""


# --- a source that fluctuates ------------------------------------------------------------------

FLICKER = BRIGHT + "flicker = {{ rms = {}, correlation_s = {} }}\n"


def deviations(made_with, known, seeds):
    """Errors of both durations in standard uncertainties; how often a fluctuation was found."""
    errors, told = [], 0
    for seed in seeds:
        profile = measured(two(noise=made_with), seed)
        found = answered(profile, two_known(noise=known), relative=True)
        errors.append([(q.value - t) / q.u for q, t in zip(found.layers, (3.0, 4.0), strict=True)])
        told += any("common to all channels" in note for note in found.warnings)
    return np.array(errors), told


@pytest.mark.parametrize("known", [BRIGHT, ""], ids=["noise written", "noise estimated"])
@pytest.mark.thorough
def test_a_fluctuation_of_the_source_that_nobody_wrote_is_allowed_for(known):
    errors, told = deviations(FLICKER.format(0.02, 1.0), known, range(50, 58))
    assert told == 8
    # Derived: chi-square of 8 is below 20.1 in 99 %, if both durations of a profile err as one.
    # Without allowing for the fluctuation the mean square of 24 profiles is 11.
    assert np.mean(errors**2) < 20.1 / 8


@pytest.mark.parametrize(
    ("known", "most"), [(BRIGHT, 0), ("", 2)], ids=["noise written", "noise estimated"]
)
@pytest.mark.thorough
def test_a_steady_source_is_not_blamed(known, most):
    """Of 60 profiles each, 0 (noise written) and 4 (noise estimated) were.

    Derived: of 5 with a chance of 4 in 60 each, more than 2 are in 0.3 % of the cases.
    """
    _, told = deviations(BRIGHT, known, range(1000, 1005))
    assert told <= most


def test_what_the_file_says_of_the_source_stands():
    none = BRIGHT + "flicker = { rms = 0.0, correlation_s = 1.0 }\n"
    _, told = deviations(FLICKER.format(0.02, 1.0), none, [50])
    assert told == 0


def test_one_channel_alone_does_not_tell_a_fluctuation_from_a_wrong_model():
    more = channels("Cu")
    made = two(more, noise=FLICKER.format(0.02, 1.0))
    found = answered(measured(made, 50), two_known(more, noise=BRIGHT), relative=True)
    assert not any("common to all channels" in note for note in found.warnings)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rms", "time_s"), [(0.005, 1.0), (0.01, 1.0), (0.02, 1.0), (0.02, 2.0)], ids=str
)
def test_intervals_hold_the_truth_with_a_source_that_fluctuates(rms, time_s):
    """Both durations of 36 profiles: 0.93, 0.96, 0.92 and 0.90 when this was written.

    With none allowed for: 0.77, 0.65, 0.37 and 0.29 (24 profiles).
    """
    errors, _ = deviations(FLICKER.format(rms, time_s), BRIGHT, range(100, 136))
    assert np.mean(np.abs(errors) < 1.96) >= 0.88


HIDDEN = """
[[layer]]
name = "hidden"
composition = "Cu"
thickness_nm = 8.0
erosion_rate_nm_s = 20.0
"""


def test_saturated_readings_are_only_lower_limits():
    """Clipped at 80 % of the plateau: the apparent half height is 40 % of the true one.

    Derived: an edge of standard deviation 5 nm falls from 50 to 40 % in 0.253 * 5 = 1.27 nm.
    """
    limit = 0.8 * simulated(one(width=10.0))["clean"].values[0].max()
    profile = measured(one(channels("Cu", saturation=limit), width=10.0))
    assert np.mean(profile.values[0] >= limit) > 0.6
    (coat,) = answered(profile, one_known(channels("Cu", saturation=limit), **CLOCK)).layers
    (naive,) = answered(profile, one_known(channels("Cu"), **CLOCK)).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)
    assert coat.u < 0.5
    assert naive.value > 60.8


# --- what must be said first -------------------------------------------------------------------


def printed(found):
    page = io.StringIO()
    print_answer(found, Console(width=200, file=page))
    return page.getvalue()


def test_a_number_at_its_bound_is_said_first():
    text = one_known(**CLOCK, nm="{ guess = 70.0, min = 65.0, max = 90.0 }")
    found = answered(measured(one()), text)
    assert found.warnings[0] == "thickness of coat is at a bound (65 nm)"


@pytest.mark.parametrize(
    ("key", "written", "name", "value"),
    [
        ("sensitivity", "{ guess = 1.2, min = 1.1 }", "sensitivity Cu", 1.1),
        ("sensitivity", "{ guess = 0.8, max = 0.9 }", "sensitivity Cu", 0.9),
        ("background", "{ guess = 30.0, min = 20.0 }", "background Cu", 20.0),
    ],
)
def test_bounds_of_sensitivities_and_backgrounds_are_honoured_and_said(key, written, name, value):
    """The truth is a sensitivity of 1 and a background of 0."""
    channel = channels("Cu", **{key: written}) + channels("Al")
    found = inverted(measured(one()), one_known(channel, **CLOCK))
    linear = dict(zip(found.likelihood.linear_names(), found.solution.linear, strict=True))
    assert linear[name] == pytest.approx(value)
    assert f"{name} is at a bound ({value:.4g})" in found.warnings


def test_wide_bounds_of_a_sensitivity_change_nothing():
    (wide,) = answered(
        measured(one()),
        one_known(
            channels("Cu", "Al", sensitivity="{ guess = 1.5, min = 0.1, max = 9.0 }"), **CLOCK
        ),
    ).layers
    (free,) = answered(measured(one()), one_known(**CLOCK)).layers
    assert wide.value == pytest.approx(free.value, abs=0.05 * free.u)


def test_bounded_solution_is_the_constrained_minimum():
    """x + y = 3 and 2 x - 2 y = 2. Derived: for a given y, x = (3 - y + 2 (2 + 2 y)) / 5."""
    matrix, target = np.array([[1.0, 1.0], [2.0, -2.0]]), np.array([3.0, 2.0])
    normal, right = matrix.T @ matrix, matrix.T @ target
    free = bounded_solution(normal, right, np.zeros(2), np.full(2, np.inf))
    assert free == pytest.approx([2.0, 1.0])
    below = bounded_solution(normal, right, np.zeros(2), np.array([np.inf, 0.5]))
    assert below == pytest.approx([1.7, 0.5])
    above = bounded_solution(normal, right, np.array([0.0, 2.0]), np.full(2, np.inf))
    assert above == pytest.approx([2.6, 2.0])


def test_a_fit_that_did_not_converge_is_said_before_anything(monkeypatch):
    honest = craterfront.fitting.best_fit.minimise

    def impatient(*args, **options):
        return honest(*args, **{**options, "max_evaluations": 1})

    for name in ("minimise", "minimise_patiently"):
        monkeypatch.setattr(craterfront.fitting.best_fit, name, impatient)
    found = answered(measured(one()), one_known(**CLOCK))
    assert found.warnings[0].startswith("the fit did not converge")
    assert "take no number from it" in found.warnings[0]
    assert printed(found).startswith("Note: the fit did not converge")
    assert json.loads(found.as_json())["warnings"][0] == found.warnings[0]
    in_seconds = answered(measured(one()), one_known(**CLOCK), relative=True)
    assert in_seconds.warnings[0].startswith("the fit did not converge")
    assert "no depths" in in_seconds.notes[0]


def test_a_channel_that_the_profile_lacks_is_named():
    text = one_known(channels("Cu", "Al", "Sn"), **CLOCK)
    with pytest.raises(InputProblems, match=r'profile.nc: channel "Sn": not in the profile, which'):
        inverted(measured(one()), text)


def test_too_few_readings_are_refused():
    dataset = simulated(one()).isel(time=slice(0, 9))
    with pytest.raises(InputProblems, match="9 readings are too few"):
        inverted(profile_of(dataset, "profile.nc"), one_known(**CLOCK))


def test_a_depth_axis_is_taken_on_trust():
    """Somebody else's fractions against depth: the thickness follows that axis."""
    depth = np.arange(0.25, 90.0, 0.5)
    from scipy.special import ndtr

    copper = ndtr((60.0 - depth) / 2.0) + 0.002 * np.random.default_rng(1).normal(size=depth.size)
    profile = MeasuredProfile(
        "depth",
        depth,
        np.full(depth.size, 0.5),
        ["Cu", "Al"],
        np.vstack([copper, 1.0 - copper]),
        "atomic fraction",
        np.zeros((2, depth.size), dtype=bool),
        [],
        "quantified.txt",
    )
    text = one_known('[profile]\naxis = "depth"\nvalues = "atomic fraction"\n', noise="")
    found = answered(profile, text)
    assert found.scale_sources == ["the depth axis of the profile, taken on trust"]
    assert "the depth scale of the profile was taken on trust" in found.warnings
    (coat,) = found.layers
    # The half height in atoms lies where the volume fraction of the denser copper is smaller.
    assert coat.value == pytest.approx(60.0, abs=0.6)
    assert coat.width.resolved


# --- input that must not break it --------------------------------------------------------------


def test_a_viewed_signal_in_cycles_can_be_inverted():
    seen = '[detection]\nview = "viewed"\ntiming = "cycle"\nescape_depth_nm = 1.0\n'
    counts = "[noise]\ncounts_per_unit_s = 2e4\n"
    text = one(noise=counts).replace("[detection]\n", seen)
    inversion = inverted(measured(text), one_known(seen, noise=counts, **CLOCK))
    found = answer(inversion)
    (coat,) = found.layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)
    assert found.budgets[0].two_sd_nm["sampling"] == 0.0
    dataset = estimate_dataset(inversion, found)
    assert dataset["time"].values == pytest.approx(simulated(text)["time"].values)
    assert dataset["time"].values[0] == 0.0


def test_times_before_zero_are_refused_or_left_out():
    dataset = simulated(one())
    early = dataset.assign_coords(time=dataset["time"].values - 1.0)
    try:
        (coat,) = answered(profile_of(early, "profile.nc"), one_known(**CLOCK)).layers
    except InputProblems:
        return
    assert coat.value == pytest.approx(40.0, abs=0.5)


def test_what_rests_on_priors_always_has_a_name(ordinary):
    """The more parameters a combination has, the smaller are their parts; their order counts."""
    many = len(ordinary.likelihood.free)
    even = np.full(many, 0.2)
    one_of_them = np.eye(many)[2]
    rank = replace(ordinary.rank, resting=[even, one_of_them])
    first, second = replace(ordinary, rank=rank).combinations_resting_on_priors()
    names = [ordinary.likelihood.assembly.parameters[i].name for i in ordinary.likelihood.free]
    assert len(set(first.split(" with ")) & set(names)) == 4
    assert second == names[2]


def test_a_dead_channel_does_not_stop_an_inversion_without_noise_level():
    dataset = simulated(one()).copy(deep=True)
    dataset["intensity"].loc[{"channel": "Al"}] = 0.0
    (coat,) = answered(profile_of(dataset, "profile.nc"), one_known(noise="", **CLOCK)).layers
    assert coat.value == pytest.approx(60.0, abs=4.0 * coat.u)


def test_a_channel_below_zero_is_refused():
    """A baseline was subtracted too generously from a channel without any signal."""
    dataset = simulated(one()).copy(deep=True)
    dataset["intensity"].loc[{"channel": "Al"}] = -0.5
    with pytest.raises(InputProblems, match='"Al": no reading is above 0'):
        inverted(profile_of(dataset, "profile.nc"), one_known(**CLOCK))


def test_sensitivities_of_zero_are_refused():
    with pytest.raises(InputProblems):
        inverted(measured(one()), one_known(channels("Cu", sensitivity=0.0), **CLOCK))
