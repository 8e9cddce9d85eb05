"""Calibration on simulated references, and what it is worth for other samples.

Expected numbers follow from propagation of uncertainty (GUM, JCGM 100:2008, section 5.1); the
derivation stands beside each check.
"""

import datetime
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.answers.scale_comparison import KNOWN_BEFORE
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.instruments.instrument_calibration import calibrate
from craterfront.instruments.instrument_file import InstrumentCalibration, OperatingConditions
from craterfront.instruments.instrument_inversion import invert_with_instrument
from craterfront.instruments.instrument_use import use_instrument
from craterfront.instruments.instrument_validity import outside
from craterfront.instruments.joint_inversion import invert_together
from craterfront.instruments.measurement_chain import Measurement
from craterfront.measured_files.files import profile_of
from craterfront.models.materials.yield_formulas import yamamura_yield
from craterfront.notation.quantities import Quantity
from craterfront.objective.curvature import curvature
from craterfront.objective.estimation import Objective, minimise
from craterfront.objective.scale import KNOWN_LAYER
from craterfront.problems import InputProblems

RATES = {"Cu": 20.0, "Ni": 10.0, "Al": 16.0}
SENSITIVITIES = {"Cu": 1.0, "Ni": 0.7, "Al": 1.3}

SAMPLE = """
[[layer]]
composition = "Cu"
thickness_nm = {copper_nm}
interface_width_nm = {copper_width}
erosion_rate_nm_s = {copper_rate}
density_g_cm3 = {{ value = 8.96, u_rel = {density_u} }}
[[layer]]
composition = "Ni"
thickness_nm = {nickel_nm}
interface_width_nm = {nickel_width}
erosion_rate_nm_s = {nickel_rate}
density_g_cm3 = {{ value = 8.9, u_rel = {density_u} }}
[substrate]
composition = "Al"
erosion_rate_nm_s = {substrate_rate}
density_g_cm3 = {{ value = 2.7, u_rel = {density_u} }}
[roughness]
initial_nm = {{ value = 1.5, u = 0.3 }}
[noise]
counts_per_unit_s = 20.0
"""
INSTRUMENT = """
[crater]
shape = "parabolic"
curvature = {curvature}
[mixing]
model = "uniform"
length_nm = {mixing}
"""
TIMES = "[detection]\nsampling_s = 0.06\nduration_s = 9.0\n"
SHARP = "{ value = 0.0, u = 0 }"
TRUE = {"copper_width": 0.0, "nickel_width": 0.0, "density_u": 0.0}
TRUE |= {"copper_rate": RATES["Cu"], "nickel_rate": RATES["Ni"], "substrate_rate": RATES["Al"]}
TRUE_INSTRUMENT = INSTRUMENT.format(curvature=0.05, mixing=1.0)
GUESSED_RATES = {
    "copper_rate": "{ guess = 15.0 }",
    "nickel_rate": "{ guess = 11.0 }",
    "substrate_rate": "{ guess = 16.0 }",
}
REFERENCE = {
    "copper_nm": "{ value = 61.0, u = 1.2 }",
    "copper_width": SHARP,
    "nickel_nm": "{ value = 39.5, u = 0.8 }",
    "nickel_width": SHARP,
    "density_u": 0.03,
    **GUESSED_RATES,
}
UNKNOWN = {
    "copper_nm": "{ guess = 80.0 }",
    "copper_width": 4.0,
    "nickel_nm": "{ guess = 24.0 }",
    "nickel_width": 4.0,
    "density_u": 0.03,
    **GUESSED_RATES,
}
KNOWN_INSTRUMENT = INSTRUMENT.format(
    curvature="{ guess = 0.04 }", mixing="{ value = 1.2, u = 0.3 }"
)
SOURCE = """
[source]
kind = "glow discharge"
voltage_V = {volts}
current_mA = 20.0
anode_diameter_mm = 4.0
"""


def channels(**sensitivities):
    return "".join(
        f'[[detection.channel]]\nelement = "{e}"\nsensitivity = {s}\n'
        for e, s in sensitivities.items()
    )


@cache
def measured(
    copper_nm, nickel_nm, copper_width=0.0, seed=1, faster=1.0, instrument=TRUE_INSTRUMENT
):
    rates = {key: faster * TRUE[key] for key in GUESSED_RATES}
    sample = {**TRUE, **rates, "copper_nm": copper_nm, "nickel_nm": nickel_nm}
    sample["copper_width"] = copper_width
    text = SAMPLE.format(**sample) + instrument + TIMES + channels(**SENSITIVITIES)
    experiment = experiment_from_toml(text)
    dataset = simulate(experiment.stack, experiment.setup, seed=seed)
    return profile_of(dataset, f"profile {seed}")


@cache
def reference_experiment(more="", **changed):
    return experiment_from_toml(SAMPLE.format(**{**REFERENCE, **changed}) + KNOWN_INSTRUMENT + more)


@cache
def unknown_experiment(more="", **changed):
    return experiment_from_toml(SAMPLE.format(**{**UNKNOWN, **changed}) + more)


@cache
def calibrated(more=""):
    reference = Measurement(measured(60.0, 40.0), reference_experiment(more), "reference.toml")
    return calibrate([reference], date=datetime.date(2026, 1, 31))


@cache
def inverted(**sample):
    profile = measured(90.0, 20.0, 8.0, seed=2, **sample)
    return invert_with_instrument(profile, unknown_experiment(), calibrated().calibration)


def numbers_of(calibration):
    return {number.label: number for number in calibration.number}


# --- calibrating -------------------------------------------------------------------------------


def test_the_numbers_are_those_of_the_instrument():
    truth = {"crater curvature": 0.05, "mixing length": 1.0}
    truth |= {f"erosion rate of {metal}": rate for metal, rate in RATES.items()}
    truth |= {f"sensitivity {metal}": number for metal, number in SENSITIVITIES.items()}
    truth |= {"density of Cu": 8.96, "density of Ni": 8.9, "density of Al": 2.7}
    found = numbers_of(calibrated().calibration)
    assert set(found) >= set(truth)
    for name, value in truth.items():
        assert abs(found[name].value - value) < 3.0 * found[name].u, name


def test_a_rate_is_as_uncertain_as_the_thickness():
    """Rate = thickness / time, and the time is known far better: u_rel = 1.2 / 61."""
    rate = numbers_of(calibrated().calibration)["erosion rate of Cu"]
    assert rate.u / rate.value == pytest.approx(1.2 / 61.0, rel=0.1)


def test_the_product_that_the_signal_shows_is_known_far_better_than_its_factors():
    """Sensitivity, density and rate enter a plateau as their product alone: 1e5 counts, 0.3 %."""
    calibration = calibrated().calibration
    labels = [number.label for number in calibration.uncertain]
    weights = np.zeros(len(labels))
    for name in ("erosion rate of Cu", "density of Cu", "sensitivity Cu"):
        assert numbers_of(calibration)[name].coordinate == "logarithm"
        weights[labels.index(name)] = 1.0
    assert (weights @ calibration.covariance @ weights) ** 0.5 < 0.005
    assert numbers_of(calibration)["sensitivity Cu"].u > 0.02


def test_nothing_of_the_sample_is_in_the_file():
    kinds = {number.kind for number in calibrated().calibration.number}
    assert kinds <= {
        "crater curvature",
        "mixing length",
        "erosion rate",
        "density",
        "sensitivity",
        "background",
    }


def test_what_it_is_valid_for():
    calibration = calibrated().calibration
    valid = calibration.valid
    assert (valid.view, valid.crater, valid.mixing) == ("collected", "parabolic", "uniform")
    assert valid.first_material == "Cu"
    assert 100.0 < float(valid.depth_to_nm) < 170.0
    assert [material.name for material in calibration.material] == ["Cu", "Ni", "Al"]
    assert calibration.date == datetime.date(2026, 1, 31)
    assert calibration.source is None


def test_a_plain_reference_thickness_is_refused():
    plain = Measurement(
        measured(60.0, 40.0), reference_experiment(copper_nm=61.0, nickel_nm=39.5), "r.toml"
    )
    with pytest.raises(InputProblems) as caught:
        calibrate([plain])
    assert caught.value.problems == [
        'r.toml: layer[1] "Cu" thickness_nm: must have its uncertainty in a reference: write'
        " { value = 61, u = ... }",
        'r.toml: layer[2] "Ni" thickness_nm: must have its uncertainty in a reference: write'
        " { value = 39.5, u = ... }",
    ]


def test_references_of_other_operating_points_are_refused():
    one, other = (reference_experiment(SOURCE.format(volts=v)) for v in (700.0, 800.0))
    profile = measured(60.0, 40.0)
    with pytest.raises(InputProblems, match="calibrate each operating point by itself"):
        calibrate([Measurement(profile, one, "a.toml"), Measurement(profile, other, "b.toml")])


def test_the_source_is_copied():
    written = calibrated(SOURCE.format(volts=700.0)).calibration.source
    assert written == OperatingConditions(
        kind="glow discharge",
        supply="DC",
        voltage_V=700.0,
        current_mA=20.0,
        anode_diameter_mm=4.0,
    )


@cache
def twice(same_sample):
    """Two profiles, for each of which the file was loaded."""
    loaded = reference_experiment(), reference_experiment.__wrapped__()
    name = "first.toml" if same_sample else "second.toml"
    second = measured(60.0, 40.0, seed=5) if same_sample else measured(62.2, 38.7, seed=5)
    pair = [
        Measurement(measured(60.0, 40.0), loaded[0], "first.toml"),
        Measurement(second, loaded[1], name),
    ]
    return calibrate(pair).calibration


def relative_u(calibration, label):
    number = numbers_of(calibration)[label]
    return number.u / number.value


def test_an_error_of_the_thickness_does_not_average_out_in_one_sample():
    """Two craters in one reference share the error of its thickness; two references do not."""
    once = relative_u(calibrated().calibration, "erosion rate of Cu")
    assert relative_u(twice(True), "erosion rate of Cu") == pytest.approx(once, rel=0.05)
    expected = once / 2.0**0.5
    assert relative_u(twice(False), "erosion rate of Cu") == pytest.approx(expected, rel=0.05)


def test_the_order_of_references_does_not_matter():
    pair = [
        Measurement(measured(60.0, 40.0), reference_experiment(), "first.toml"),
        Measurement(measured(62.2, 38.7, seed=5), reference_experiment(), "second.toml"),
    ]
    back = numbers_of(calibrate(pair[::-1]).calibration)
    for label, number in numbers_of(twice(False)).items():
        if label in back and number.kind != "background":
            assert abs(back[label].value - number.value) < 0.35 * number.u, label
            assert back[label].u == pytest.approx(number.u, rel=0.15), label


# --- using it ----------------------------------------------------------------------------------


def test_another_sample_is_found_with_the_uncertainty_of_the_calibration():
    """The thickness inherits the relative uncertainty of the rate, some 2 %."""
    copper, nickel = answer(inverted()).layers
    assert abs(copper.value - 90.0) < 2.0 * copper.u
    assert abs(nickel.value - 20.0) < 2.0 * nickel.u
    assert 0.01 < copper.u / copper.value < 0.022
    assert copper.width.resolved
    assert copper.width.lower_nm < 8.0 < copper.width.upper_nm


def test_the_calibration_is_a_way_of_its_own_to_the_depth_scale():
    """Without the stated thickness it says what an inversion says to which none is stated."""
    stated = unknown_experiment(copper_nm="{ value = 93.0, u = 1.5 }")
    profile = measured(90.0, 20.0, 8.0, seed=2)
    found = answer(invert_with_instrument(profile, stated, calibrated().calibration))
    of_copper = {each.way: each for each in found.scale_comparisons if each.of == "Cu"}
    assert list(of_copper) == [KNOWN_LAYER, KNOWN_BEFORE]
    copper = answer(inverted()).layers[0]
    alone = of_copper[KNOWN_BEFORE]
    assert alone.alone_nm == pytest.approx(copper.value, rel=0.3 * copper.u / copper.value)
    assert alone.alone_u_nm == pytest.approx(copper.u, rel=0.1)
    assert of_copper[KNOWN_LAYER].others_nm == pytest.approx(alone.alone_nm)


def test_without_a_crater_in_the_file_the_calibrated_one_is_taken():
    values, assembly = inverted().values, inverted().likelihood.assembly
    assert values[assembly.index_of("curvature")] == pytest.approx(0.05, abs=0.01)
    assert assembly.setup.mixing.model == "uniform"


def test_the_table_says_that_numbers_are_calibrated():
    states = {name: state for name, _, _, state in answer(inverted()).parameters}
    assert states["erosion rate of Cu"].startswith("calibrated, u = ")
    assert states["erosion rate of Cu"].endswith("from the calibration of 2026-01-31")
    assert states["thickness of Cu"].startswith("free")


def test_correlations_make_a_difference():
    """Without them sensitivity times density times rate would be known to 5 %, not 0.3 %."""
    calibration = calibrated().calibration
    use = use_instrument(calibration, unknown_experiment())
    assembly = Assembly(use.experiment.stack, use.experiment.setup, merge_equal=False)
    prior = use.joint_prior(assembly)
    information = prior.root.T @ prior.root
    names = [calibration.uncertain[k].label for k, _ in use.used]
    weights = np.array(
        [n in ("erosion rate of Cu", "density of Cu", "sensitivity Cu") for n in names], float
    )
    assert (weights @ np.linalg.inv(information) @ weights) ** 0.5 < 0.005


@pytest.mark.slow
def test_a_calibration_of_the_same_numbers_changes_little():
    """Inverting the reference again with its own calibration finds the stated thickness again."""
    found = invert_with_instrument(
        measured(60.0, 40.0, seed=9), unknown_experiment(), calibrated().calibration
    )
    copper = answer(found).layers[0]
    assert abs(copper.value - 60.0) < 2.5 * copper.u


def noticed(found):
    return [note for note in found.warnings if "is not as calibrated" in note]


def test_no_drift_is_reported_where_there_is_none():
    assert noticed(inverted()) == []


@pytest.mark.thorough
def test_a_drift_of_the_rates_is_reported_first():
    found = inverted(faster=1.05)
    assert found.warnings[0] in noticed(found)
    assert "standard deviations" in found.warnings[0]
    assert found.doubts[0] == found.warnings[0]


DOUBT = "thickness of Cu is at a bound"


def doubted(*arguments, **options):
    return replace(invert(*arguments, **options), doubts=[DOUBT])


def test_doubts_come_before_what_the_calibration_was_used_for(monkeypatch):
    monkeypatch.setattr("craterfront.instruments.instrument_inversion.invert", doubted)
    found = invert_with_instrument(
        measured(90.0, 20.0, 8.0, seed=2), unknown_experiment(), calibrated().calibration
    )
    assert found.warnings[0] == DOUBT
    assert found.notes[0].startswith("calibration of 2026-01-31 used for")


def test_doubts_come_before_what_was_inverted_together(monkeypatch):
    monkeypatch.setattr("craterfront.instruments.measurement_chain.invert", doubted)
    found = invert_together([of_one_sample(31), of_one_sample(32)])
    assert found.doubts == [f"profile 31: {DOUBT}", f"profile 32: {DOUBT}"]
    assert found.warnings[:2] == found.doubts
    assert any(note.startswith("inverted together") for note in found.notes)


def test_doubts_and_notes_of_an_earlier_profile_go_with_the_joint_answer(monkeypatch):
    """A number at its bound and residuals that noise does not explain; a note of both is one."""
    told = [([DOUBT], ["a misfit", "of both"]), ([], ["of both"])]

    def first_in_doubt(*arguments, **options):
        found = invert(*arguments, **options)
        doubts, notes = told.pop(0)
        return replace(found, doubts=doubts, notes=notes)

    monkeypatch.setattr("craterfront.instruments.measurement_chain.invert", first_in_doubt)
    found = invert_together([of_one_sample(31), of_one_sample(32)])
    assert found.doubts == [f"profile 31: {DOUBT}"]
    assert found.notes[-2:] == ["of both", "profile 31: a misfit"]


def test_doubts_about_any_reference_come_before_all_notes():
    one, other = (replace(inverted(), notes=["a note"]) for _ in range(2))
    references = [one, replace(other, doubts=[DOUBT])]
    name = other.profile.source
    found = replace(calibrated(), inversions=references).warnings
    assert found == [f"{name}: {DOUBT}", f"{name}: a note", f"{name}: a note"]


def test_another_view_is_refused():
    viewed = unknown_experiment('[detection]\nview = "viewed"\nescape_depth_nm = 1.0\n')
    with pytest.raises(InputProblems, match='detection view: "viewed", and the calibration has'):
        use_instrument(calibrated().calibration, viewed)


def test_layers_of_one_material_share_the_calibrated_rate():
    sample = SAMPLE.format(**UNKNOWN).replace('"Ni"', '"Cu"')
    use = use_instrument(calibrated().calibration, experiment_from_toml(sample))
    assembly = Assembly(use.experiment.stack, use.experiment.setup, merge_equal=False)
    assert assembly.rate_index(0) == assembly.rate_index(1)
    assert assembly.layers[0].name != assembly.layers[1].name


def test_materials_of_one_composition_are_told_apart_by_their_names():
    made = calibrated().calibration
    dense, loose = ({"name": n, "composition": {"Cu": 1.0}} for n in ("dense", "loose"))
    numbers = [
        {"kind": "erosion rate", "material": name, "value": value, "u": 0.0, "unit": "nm/s"}
        for name, value in (("dense", 20.0), ("loose", 30.0))
    ]
    two = InstrumentCalibration(
        date=made.date,
        valid=made.valid.model_copy(update={"first_material": "dense"}),
        material=[dense, loose],
        reference=made.reference,
        number=numbers,
        correlation={},
    )
    text = """
[material.loose]
composition = "Cu"
[material.dense]
composition = "Cu"
[[layer]]
material = "loose"
thickness_nm = 50.0
[[layer]]
material = "dense"
thickness_nm = 50.0
[substrate]
composition = "Al"
erosion_rate_nm_s = 16.0
"""
    use = use_instrument(two, experiment_from_toml(text + SOURCE.format(volts=700.0)))
    rates = [layer.erosion_rate_nm_s for layer in use.experiment.stack.expanded()[:2]]
    assert rates == [Quantity.prior(30.0, u=0.0), Quantity.prior(20.0, u=0.0)]
    assembly = Assembly(use.experiment.stack, use.experiment.setup, merge_equal=False)
    assert use.joint_prior(assembly).size == 0


def test_models_that_the_file_writes_stay():
    written = unknown_experiment('[mixing]\nmodel = "diffusive"\nlength_nm = 2.0\n')
    use = use_instrument(calibrated().calibration, written)
    assert use.experiment.setup.mixing.length_nm == Quantity(2.0)
    assert any(note.startswith('mixing model: "diffusive", and the calib') for note in use.notes)


def test_a_broadening_of_which_only_a_limit_is_known_is_passed_on_as_its_square():
    flat = INSTRUMENT.format(curvature=0.0, mixing=1.0)
    reference = Measurement(measured(60.0, 40.0, instrument=flat), reference_experiment())
    calibration = calibrate([reference]).calibration
    curvature = numbers_of(calibration)["crater curvature"]
    assert curvature.coordinate == "square"
    profile = measured(90.0, 20.0, 8.0, seed=2, instrument=flat)
    found = invert_with_instrument(profile, unknown_experiment(), calibration)
    estimate = next(e for e in answer(found).estimates if e.name == "crater curvature")
    assert not estimate.resolved
    assert estimate.upper < 0.05
    copper = answer(found).layers[0]
    assert copper.width.lower_nm < 8.0 < copper.width.upper_nm


# --- outside of what it is valid for -----------------------------------------------------------


def widening(calibration, experiment):
    away = outside(calibration, experiment)
    before = dict(
        zip([n.label for n in calibration.uncertain], np.diag(calibration.covariance), strict=True)
    )
    after = np.diag(away.widened(calibration))
    return away.warnings, {
        label: (a - b) ** 0.5 for (label, b), a in zip(before.items(), after, strict=True)
    }


def with_source():
    return calibrated(SOURCE.format(volts=700.0)).calibration


def test_inside_nothing_is_widened():
    notes, more = widening(with_source(), unknown_experiment(SOURCE.format(volts=705.0)))
    assert notes == []
    assert max(more.values()) == 0.0


def test_another_voltage_widens_by_twice_its_relative_change():
    notes, more = widening(with_source(), unknown_experiment(SOURCE.format(volts=770.0)))
    assert [note.split(":")[0] for note in notes] == ["source voltage_V"]
    change = 2.0 * np.log(770.0 / 700.0)
    assert more["erosion rate of Cu"] == pytest.approx(change, rel=0.01)
    assert more["sensitivity Cu"] == pytest.approx(change, rel=0.04)
    curvature = numbers_of(with_source())["crater curvature"].value
    assert more["crater curvature"] == pytest.approx(change * curvature)
    assert more["density of Cu"] == 0.0


def test_rates_are_widened_together():
    """An error that all rates share does not average out in the total depth."""
    calibration = with_source()
    away = outside(calibration, unknown_experiment(SOURCE.format(volts=770.0)))
    labels = [n.label for n in calibration.uncertain]
    added = away.widened(calibration) - calibration.covariance
    pair = labels.index("erosion rate of Cu"), labels.index("erosion rate of Ni")
    assert added[pair] == pytest.approx((2.0 * np.log(770.0 / 700.0)) ** 2)


def u_of_ratio(covariance, calibration, names):
    weights = np.zeros(len(covariance))
    weights[[[n.label for n in calibration.uncertain].index(name) for name in names]] = 1.0, -1.0
    return (weights @ covariance @ weights) ** 0.5


@pytest.mark.parametrize(("volts", "power"), [(705.0, 0.0), (770.0, 1.0), (900.0, 1.0)])
def test_ratios_are_as_uncertain_as_yields_go_apart_with_the_energy(volts, power):
    """Two powers that scatter independently by p differ by 2^1/2 p."""
    calibration = with_source()
    away = outside(calibration, unknown_experiment(SOURCE.format(volts=volts)))
    change = power * np.log(volts / 700.0)
    for kind, p in (("erosion rate of", 0.2), ("sensitivity", 0.5)):
        names = f"{kind} Cu", f"{kind} Ni"
        before = u_of_ratio(calibration.covariance, calibration, names)
        after = u_of_ratio(away.widened(calibration), calibration, names)
        assert (after**2 - before**2) == pytest.approx(2.0 * (p * change) ** 2, abs=1e-12)


@pytest.mark.parametrize(("energy_eV", "spread"), [(200.0, 0.18), (500.0, 0.09), (1000.0, 0.06)])
def test_how_far_yields_of_metals_go_apart(energy_eV, spread):
    """Derived: standard deviation of d ln Y / d ln E between metals, by Yamamura's formula."""
    light = ("Al", "Si", "Ti", "V", "Cr", "Fe", "Co", "Ni", "Cu", "Zn")
    metals = (*light, "Zr", "Nb", "Mo", "Ag", "Ta", "W", "Pt", "Au")
    step = 1.05
    powers = [
        np.log(yamamura_yield(energy_eV * step, m) / yamamura_yield(energy_eV / step, m))
        / (2.0 * np.log(step))
        for m in metals
    ]
    assert np.std(powers, ddof=1) == pytest.approx(spread, abs=0.01)


def test_another_kind_of_source_leaves_guesses():
    beam = '[source]\nkind = "ion beam"\nenergy_eV = 500.0\n'
    beam += "current_nA = 50.0\nraster_um = [300, 300]\n"
    notes, more = widening(with_source(), unknown_experiment(beam))
    assert len(notes) == 1
    assert more["erosion rate of Cu"] == pytest.approx(np.hypot(np.log(3.0), 0.3))


def test_a_source_that_is_not_written_is_told():
    notes, more = widening(with_source(), unknown_experiment())
    assert notes == [
        "the experiment has no [source]: nobody checks that the operating point is equal"
    ]
    assert max(more.values()) == 0.0


def test_a_material_that_was_not_calibrated():
    sample = SAMPLE.format(**UNKNOWN).replace('"Ni"', '"Cr"') + SOURCE.format(volts=700.0)
    notes, more = widening(with_source(), experiment_from_toml(sample))
    assert notes[0].startswith('layer "Cr": its material was not calibrated')
    assert more["mixing length"] == pytest.approx(0.3)
    assert more["erosion rate of Cu"] == more["sensitivity Cu"] == 0.0


def test_deeper_than_the_references():
    """A slope with depth that is known with u over D contributes u z / D at z."""
    deep = unknown_experiment(SOURCE.format(volts=700.0), copper_nm="{ guess = 600.0 }")
    calibration = with_source()
    factor = 624.0 / float(calibration.valid.depth_to_nm)
    away = outside(calibration, deep)
    assert away.depth_factor == pytest.approx(factor)
    assert away.widened(calibration) == pytest.approx(factor**2 * calibration.covariance)
    (note,) = away.warnings
    assert note.startswith("the layers reach 624 nm down")


# --- several measurements of one sample --------------------------------------------------------

KNOWN_RATES = {
    "copper_rate": "{ value = 20.5, u = 0.6 }",
    "nickel_rate": "{ value = 10.2, u = 0.3 }",
    "substrate_rate": "{ value = 16.0, u = 0.5 }",
}


@cache
def of_one_sample(seed):
    experiment = unknown_experiment(KNOWN_INSTRUMENT, **KNOWN_RATES)
    return Measurement(measured(90.0, 20.0, 8.0, seed=seed), experiment, "unknown.toml")


@cache
def alone():
    one = of_one_sample(31)
    return invert(one.profile, one.experiment)


@cache
def both():
    return invert_together([of_one_sample(31), of_one_sample(32)])


def relative_u_alone():
    copper = answer(alone()).layers[0]
    return copper.u / copper.value


def u_of_time(found, layer=0):
    """Relative standard uncertainty of thickness over rate, which no prior knows."""
    assembly = found.likelihood.assembly
    index = found.likelihood.free.index(assembly.thickness_index(layer))
    slope = np.zeros(len(found.likelihood.free))
    slope[index] = 1.0
    return float(found.curvature.covariance[index, index]) ** 0.5


@pytest.mark.thorough
def test_two_profiles_know_durations_better_by_the_root_of_two():
    """The readings are independent, and the time of a layer rests on nothing else."""
    assert u_of_time(both()) == pytest.approx(u_of_time(alone()) / 2.0**0.5, rel=0.15)


def test_one_after_the_other_is_close_to_the_best_for_both_at_once():
    """Residuals of both profiles under each other, the priors once, the noise as each alone has it.

    Curvature enters as its square and a width is near zero: nothing here is exactly normal.
    """
    other = of_one_sample(32)
    likelihoods = [alone().likelihood, invert(other.profile, other.experiment).likelihood]
    count = likelihoods[1].values.size

    def stacked(of_first, of_second):
        return np.concatenate([of_first, of_second[:count]])

    lower, upper = likelihoods[0].coordinates.bounds()
    best = minimise(
        Objective(
            lambda x: stacked(*(each.residuals(x) for each in likelihoods)),
            lambda x: stacked(*(each.jacobian(x) for each in likelihoods)),
            lower,
            upper,
        ),
        alone().fit.x,
        tolerance=1e-9,
    )
    coordinates, assembly = likelihoods[0].coordinates, likelihoods[0].assembly
    parameters = both().likelihood.assembly.parameters
    found = dict(zip((p.name for p in parameters), both().values, strict=True))
    in_turn = coordinates.of(np.array([found[p.name] for p in assembly.parameters]))
    rows = stacked(*(each.information_rows(best.x) for each in likelihoods))
    u = np.sqrt(np.diag(curvature(rows).covariance))[: best.x.size]
    for i, off in zip(likelihoods[0].free, (in_turn - best.x) / u, strict=True):
        # A normal distribution stands for the first profile: squares of broadening are no such.
        is_thickness = assembly.parameters[i].kind == "thickness"
        assert abs(off) < (0.1 if is_thickness else 1.0), assembly.parameters[i].name


def test_what_both_took_for_known_does_not_average_out():
    """Rates are no better known from two profiles, and so neither is the thickness."""
    found = answer(both()).layers[0]
    assert found.u / found.value == pytest.approx(relative_u_alone(), rel=0.1)
    assert abs(found.value - 90.0) < 2.0 * found.u


@pytest.mark.thorough
def test_a_profile_of_another_sample_is_noticed():
    other = replace(of_one_sample(33), profile=measured(80.0, 30.0, 8.0, seed=33))
    found = invert_together([of_one_sample(31), other])
    assert found.warnings[0].startswith("profile 33 disagrees with what was known before")
    assert found.doubts[0] == found.warnings[0]


def test_a_file_that_is_loaded_twice_is_one():
    first = of_one_sample(31)
    again = unknown_experiment.__wrapped__(KNOWN_INSTRUMENT, **KNOWN_RATES)
    second = replace(of_one_sample(32), experiment=again)
    assert second.has_experiment_of(first)
    spelled = f"elsewhere/../{first.experiment_name}"
    assert replace(second, experiment_name=spelled).has_experiment_of(first)
    assert not replace(second, experiment_name="other.toml").has_experiment_of(first)
    together = answer(invert_together([first, second])).layers
    assert [layer.u for layer in together] == [layer.u for layer in answer(both()).layers]


def test_other_layers_are_no_measurement_of_the_same_sample():
    named = SAMPLE.format(**UNKNOWN).replace('composition = "Cu"', 'name = "x"\ncomposition = "Cu"')
    other = Measurement(measured(90.0, 20.0, 8.0), experiment_from_toml(named), "other.toml")
    with pytest.raises(InputProblems, match="one sample has the same layers in all files"):
        invert_together([of_one_sample(31), other])


def test_instruments_of_their_own():
    """Another instrument erodes twice as fast and sees another crater; the sample is the same."""
    fast = {
        key: f"{{ value = {2.0 * RATES[m]}, u_rel = 0.03 }}"
        for key, m in zip(GUESSED_RATES, RATES, strict=True)
    }
    experiment = unknown_experiment(KNOWN_INSTRUMENT, **fast)
    other = Measurement(measured(90.0, 20.0, 8.0, seed=41, faster=2.0), experiment, "fast.toml")
    found = answer(invert_together([of_one_sample(31), other])).layers[0]
    # Two independent sets of rates of much the same uncertainty: the root of two.
    assert found.u / found.value == pytest.approx(relative_u_alone() / 2.0**0.5, rel=0.15)
    assert abs(found.value - 90.0) < 2.5 * found.u


ROUGH = """
[[layer]]
composition = "Ni"
thickness_nm = 400.0
interface_width_nm = {width}
erosion_rate_nm_s = {{ value = 20.0, u_rel = 0.1 }}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 20.0, u_rel = 0.1 }}
[crater]
shape = "flat"
[roughness]
initial_nm = {rough}
[detection]
sampling_s = 0.2
[noise]
counts_per_unit_s = {counts}
"""


def test_a_prior_of_a_width_counts_once():
    """Two profiles know no more than one with twice the counts."""
    true = {"width": 60.0, "rough": 30.0}
    known = {"width": "{ value = 60.0, u = 3.0 }", "rough": "{ value = 30.0, u = 0.3 }"}

    def profile(counts, seed):
        experiment = experiment_from_toml(ROUGH.format(counts=counts, **true))
        return profile_of(simulate(experiment.stack, experiment.setup, seed=seed), str(seed))

    def u_of_rate(found):
        return found.standard_uncertainty(found.likelihood.assembly.rate_index(0))

    experiment = experiment_from_toml(ROUGH.format(counts=3.0, **known))
    together = invert_together([Measurement(profile(3.0, s), experiment) for s in (1, 2)])
    assert together.likelihood.priors.own_count == 0
    one = invert(profile(6.0, 3), experiment_from_toml(ROUGH.format(counts=6.0, **known)))
    assert u_of_rate(together) == pytest.approx(u_of_rate(one), rel=0.08)
