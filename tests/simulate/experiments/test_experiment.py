"""The experiment file: what it holds, every message, and that nothing else ever comes out."""

import datetime
import json
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from craterfront import file_access
from craterfront.experiments import experiment as module
from craterfront.experiments.channel import Channel
from craterfront.experiments.crater_shape import FlatCrater, MeasuredCrater, ParabolicCrater
from craterfront.experiments.detection import Detection
from craterfront.experiments.experiment import (
    Experiment,
    experiment_from_dict,
    experiment_from_toml,
    experiment_to_dict,
    load_experiment,
)
from craterfront.experiments.mixing import Mixing
from craterfront.experiments.setup import Setup
from craterfront.experiments.source import GlowDischarge, IonBeam
from craterfront.notation.quantities import Quantity
from craterfront.problems import InputProblems, shown

EXAMPLE = Path(__file__).parents[2] / "data" / "nitride_multilayer.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8")

BULK = '[substrate]\ncomposition = "Fe"\nerosion_rate_nm_s = 10\n'


def problems_of(text):
    """The lines with which reading a text fails."""
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(text)
    return caught.value.problems


def refusal(path):
    """The message with which loading a file fails."""
    with pytest.raises(InputProblems) as caught:
        load_experiment(path)
    return str(caught.value)


# --- what the file holds -----------------------------------------------------------------------


def test_example_has_everything():
    experiment = load_experiment(EXAMPLE)
    assert experiment.title == "Nitride multilayer with a cap on steel"
    cap, nitride, period, brass = experiment.stack.layers
    assert cap.interface_width_nm == Quantity(2.0)
    assert (cap.interface_shape, cap.interface_side) == ("exponential", "above")
    assert nitride.thickness_nm == Quantity.guess(400.0, minimum=100.0, maximum=900.0)
    assert (period.repeat, period.tie, len(period.of)) == (3, ("thickness_nm",), 2)
    assert brass.label == "CuZn"
    assert experiment.stack.materials["TiN"].density_g_cm3.u == pytest.approx(0.159)
    assert isinstance(experiment.setup.source, GlowDischarge)
    assert isinstance(experiment.setup.crater, ParabolicCrater)
    assert experiment.setup.mixing.preference == {"Cr": 1.0, "N": 1.5}
    chromium, fragment = experiment.setup.detection.channel
    assert (chromium.name, chromium.columns) == ("Cr", ("Cr 425",))
    assert chromium.sensitivity == {"cap": Quantity(1.0), "steel": Quantity.guess(0.1)}
    assert chromium.interference == {"Fe": Quantity(0.01)}
    assert (fragment.element, fragment.columns) == (None, ("TiN a", "TiN b"))
    assert float(experiment.setup.noise.flicker.rms) == 0.005
    assert experiment.profile.ignore == ("ratio *",)
    assert experiment.depth_scale.final_crater_depth_nm == Quantity.prior(1200.0, u=30.0)
    assert experiment.warnings() == []


def test_unwritten_tables_have_no_effect():
    setup = experiment_from_toml(BULK).setup
    assert setup == Setup()
    assert setup.source is None
    assert setup.crater is None
    assert setup.crater_made == FlatCrater()
    assert setup.mixing.model == "none"
    assert setup.roughness.initial_nm == Quantity.default(0.0)
    assert setup.noise.counts_per_unit_s is None


def test_ion_beam():
    beam = '[source]\nkind = "ion beam"\nenergy_eV = 500\ncurrent_nA = 50\nraster_um = [300, 200]\n'
    source = experiment_from_toml(BULK + beam).setup.source
    assert source == IonBeam(energy_eV=500, current_nA=50, raster_um=(300, 200))
    assert (source.ion, source.raster_um, source.gate_um) == ("Ar", (300.0, 200.0), None)


def test_radio_frequency_lamp_needs_power_and_no_current():
    lamp = GlowDischarge(voltage_V=700, anode_diameter_mm=4, supply="RF", power_W=40)
    assert lamp.current_mA is None


def test_crater_from_arrays():
    numpy = pytest.importorskip("numpy")
    crater = MeasuredCrater(radius_mm=numpy.array([0.0, 1.0]), depth_um=numpy.array([5, 4]))
    assert (crater.radius_mm, crater.depth_um) == ((0.0, 1.0), (5.0, 4.0))


def test_channels_default_to_one_per_element():
    assert [c.name for c in Detection().channels(["Cr", "N"])] == ["Cr", "N"]
    assert [c.name for c in Detection(channel=[{"element": "Fe"}]).channels(["Cr"])] == ["Fe"]


def test_sensitivity_is_found_by_name_then_label_then_material():
    layers = load_experiment(EXAMPLE).stack.expanded()
    third = next(layer for layer in layers if layer.name == "TiN #3")
    table = {"TiN": 1, "TiN #3": 2}
    assert Channel(element="Ti", sensitivity=table).sensitivity_in(third) == Quantity(2.0)
    assert Channel(element="Ti", sensitivity={"TiN": 1}).sensitivity_in(third) == Quantity(1.0)
    assert Channel(element="Ti", sensitivity={"cap": 3}).sensitivity_in(third) == Quantity.default(
        1
    )
    assert Channel(name="TiO", sensitivity={"cap": 3}).sensitivity_in(third) == Quantity(0.0)
    assert Channel(element="Ti").sensitivity_in(third) == Quantity.default(1.0)
    assert Channel(element="Ti", sensitivity=4).sensitivity_in(third) == Quantity(4.0)


def test_byte_order_mark_and_windows_line_ends_are_read(tmp_path):
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode())
    assert load_experiment(path) == load_experiment(EXAMPLE)


# --- to and from dictionaries ------------------------------------------------------------------


def test_dictionary_restores_the_experiment_through_json():
    experiment = load_experiment(EXAMPLE)
    stored = json.dumps(experiment_to_dict(experiment))
    restored = experiment_from_dict(json.loads(stored))
    assert restored == experiment
    assert json.dumps(experiment_to_dict(restored)) == stored


def test_what_is_not_written_stays_unwritten():
    experiment = experiment_from_toml(BULK + "[[detection.channel]]\nelement = 'Fe'\n")
    (channel,) = experiment_to_dict(experiment)["detection"]["channel"]
    assert channel == {"name": "Fe", "element": "Fe"}
    restored = experiment_from_dict(experiment_to_dict(experiment))
    assert restored.setup.detection.channel[0].sensitivity.status == "default"


def test_notebook_objects_make_an_experiment():
    stack = {
        "layers": [{"composition": "Cr", "thickness_nm": 3}],
        "substrate": {"composition": "Fe"},
    }
    lamp = GlowDischarge(voltage_V=700, current_mA=20, anode_diameter_mm=4)
    experiment = Experiment(stack=stack, setup=Setup(source=lamp))
    assert experiment_from_dict(experiment_to_dict(experiment)) == experiment


# --- all mistakes at once ----------------------------------------------------------------------


def test_mistakes_of_all_tables_come_together():
    text = TEXT
    for right, wrong in (
        ('title = "', 'titel = "'),
        ("thickness_nm = { guess = 400.0, min", "thickness_nm = { gues = 400.0, min"),
        ("density_g_cm3 = 4.8", "density_g_cm3 = -4.8"),
        ('shape = "parabolic"', 'shape = "parabolc"'),
        ("length_nm = 1.5", "length_nm = 3.9"),
        ("voltage_V = 700.0", 'voltage_V = "700"'),
        ("correlation_s = 0.1", "corelation_s = 0.1"),
        ("sensitivity = { cap = 1.0", "sensitivity = { cup = 1.0"),
        ('axis_unit = "s"', 'axis_unit = "nm"'),
    ):
        assert right in text
        text = text.replace(right, wrong)
    assert problems_of(text) == [
        "titel: unknown key; did you mean title?",
        'detection.channel[1] "Cr" sensitivity: "cup" is no layer and no material;'
        " did you mean cap?",
        'layer[2] "TiN" thickness_nm: unknown key gues; did you mean guess?',
        'layer[3].of[1] "TiAlN" density_g_cm3: must be > 0, got -4.8',
        'crater: shape must be "flat", "parabolic", "tilted", "edged", "rastered" or'
        ' "measured", got "parabolc"; did you mean parabolic?',
        'source voltage_V: must be a number, got "700"',
        "mixing length_nm: must be < 0.97 range_nm (range_nm = 4), got 3.9",
        "noise.flicker corelation_s: unknown key; did you mean correlation_s?",
        'profile axis_unit: must be "s", "ms" or "min" with axis = "time", got "nm"',
    ]


LAMP = '[source]\nkind = "glow discharge"\nvoltage_V = 700\nanode_diameter_mm = 4\n'
REFERENCE = """
[source.reference]
composition = "Fe"
voltage_V = 700
current_mA = 20
pressure_hPa = 6
"""
BEAM = '[source]\nkind = "ion beam"\nenergy_eV = 500\ncurrent_nA = 50\n'


@pytest.mark.parametrize(
    ("added", "problem"),
    [
        ("[sorce]\n", "sorce: unknown key; did you mean source?"),
        ("[layer]\ncomposition = 'Cr'", "layer: must be a list of tables: write its head in two"),
        ("[[crater]]\nshape = 'flat'", "crater: must be a table, got [{'shape': 'flat'}]"),
        (
            "[crater]\ncurvature = 1",
            'crater: shape is missing; must be "flat", "parabolic", "tilted"',
        ),
        ("[crater]\nshape = 1", 'crater: shape must be "flat", "parabolic", "tilted", "edged"'),
        ("[crater]\nshape = 'parabolic'", "crater curvature: missing"),
        (
            "[crater]\nshape = 'parabolic'\ncurvature = 2",
            "crater curvature: must be >= -1.9 and <= 1.9, got 2",
        ),
        ("[crater]\nshape = 'tilted'\ntilt = -1", "crater tilt: must be >= 0 and <= 1.9, got -1"),
        (
            "[crater]\nshape = 'edged'\nedge_share = 1\nedge_rate = 2",
            "crater edge_share: must be >= 0 and <= 0.99, got 1",
        ),
        (
            "[crater]\nshape = 'measured'\nradius_mm = [0, 1]\ndepth_um = [1]",
            "crater depth_um: has 1 numbers for 2 in radius_mm",
        ),
        (
            "[crater]\nshape = 'measured'\nradius_mm = [0]\ndepth_um = [1]",
            "crater radius_mm: must have at least 2 numbers, got 1",
        ),
        (
            "[crater]\nshape = 'measured'\nradius_mm = [0, 2, 1]\ndepth_um = [1, 1, 1]",
            "crater radius_mm[3]: must be > 2 before it, got 1",
        ),
        (
            "[crater]\nshape = 'measured'\nradius_mm = [0, 1]\ndepth_um = [1, 0]",
            "crater depth_um: number 2 must be from 1e-6 to 1e6, got 0",
        ),
        (
            "[crater]\nshape = 'measured'\nradius_mm = 'a'\ndepth_um = [1, 1]",
            'crater radius_mm: must be a list of numbers, got "a"',
        ),
        ("[source]\n", 'source: kind is missing; must be "glow discharge" or "ion beam"'),
        (LAMP, 'source current_mA: missing; needed with supply = "DC"'),
        (
            LAMP + "pressure_hPa = 6",
            'source current_mA: missing; needed with supply = "DC" unless pressure_hPa, here and in'
            " [source.reference], gives it",
        ),
        (LAMP + REFERENCE, "source current_mA: missing; needed"),
        (
            LAMP + "pressure_hPa = 6" + REFERENCE.replace("pressure_hPa = 6\n", ""),
            "source current_",
        ),
        (
            LAMP.replace("voltage_V = 700", "power_W = 40\nsupply = 'RF'"),
            'source voltage_V: missing; needed with supply = "RF"',
        ),
        (
            LAMP + "current_mA = 20\nrate_law = 'linear'",
            'source reference: missing; rate_law = "linear" needs [source.reference] with erosion',
        ),
        (
            LAMP + "current_mA = 20\nrate_law = 'power'" + REFERENCE,
            "source.reference erosion_rate_nm_s: missing; it or mass_rate_ug_s with rate_law",
        ),
        (
            LAMP + "current_mA = 20" + REFERENCE + "erosion_rate_nm_s = { guess = 40 }",
            "source.reference erosion_rate_nm_s: must be measured, not a guess",
        ),
        (
            LAMP + "current_mA = 20" + REFERENCE + "erosion_rate_nm_s = 40\nmass_rate_ug_s = 4",
            "source.reference mass_rate_ug_s: stands beside erosion_rate_nm_s; write only one",
        ),
        (
            LAMP
            + "current_mA = 20"
            + REFERENCE.replace('"Fe"', '"ZrAlN2"')
            + "erosion_rate_nm_s = 9",
            "source.reference density_g_cm3: missing; needed with erosion_rate_nm_s",
        ),
        (
            LAMP + "current_mA = 20\nredeposited_share = 1",
            "source redeposited_share: must be >= 0 and < 1, got 1",
        ),
        (LAMP + "supply = 'RF'", 'source power_W: missing; needed with supply = "RF"'),
        (LAMP + "current_mA = 5\npower_W = 5", 'source power_W: only with supply = "RF"'),
        (BEAM, "source raster_um: missing"),
        (BEAM + "raster_um = [1]", "source raster_um: must be 2 numbers, got 1"),
        (
            BEAM + "raster_um = [1, 0]",
            "source raster_um: number 2 must be from 0.001 to 1e9, got 0",
        ),
        (
            BEAM + "raster_um = [5, 5]\ngate_um = [5, 6]",
            "source gate_um[2]: must be <= raster_um[2] = 5, got 6",
        ),
        (
            BEAM + "raster_um = [5, 5]\nangle_deg = 90",
            "source angle_deg: must be >= 0 and < 90, got 90",
        ),
        (
            BEAM + "raster_um = [5, 5]\nion = 5",
            "source ion: must be a formula such as Ar or O2, got 5",
        ),
        (BEAM + "raster_um = [5, 5]\nion = 'Xx'", "source ion: formula 'Xx': unknown element 'Xx'"),
        (
            "[roughness]\ngrowth = 'columns'",
            "roughness relative_spread: missing; needed with growth",
        ),
        (
            "[roughness]\ngrowth = 'grains'\nrelative_spread = 0.1",
            'roughness grain_nm: missing; needed with growth = "grains"',
        ),
        ("[mixing]\nlength_nm = 1", "mixing model: missing"),
        (
            "[mixing]\nmodel = 'uniform'",
            "mixing length_nm: missing, and there is no [source] for a range of its ions",
        ),
        (
            "[mixing]\nmodel = 'uniform'\nlength_nm = 1\npreference = 'yields'",
            'mixing preference: is "yields", but there is no [source] that has yields',
        ),
        (
            "[mixing]\nmodel = 'uniform'\nlength_nm = 1\npreference = 'yield'",
            'mixing preference: must be "none" or "yields" or a table of numbers by element,'
            ' got "yield"; did you mean yields?',
        ),
        (
            "[mixing]\nmodel = 'uniform'\nlength_nm = 1\npreference = { Cr = 0, N = 'a' }",
            'mixing preference: Cr must be from 1e-6 to 1e6, got 0; N must be a number, got "a"',
        ),
        (
            "[detection]\nview = 'seen'",
            'detection view: must be "collected" or "viewed", got "seen"',
        ),
        ("[detection]\nsampling_s = 0", "detection sampling_s: must be > 0, got 0"),
        (
            "[detection]\nduration_s = 1979-05-27",
            "detection duration_s: must be a number, got 1979-05",
        ),
        ("[[detection.channel]]\n", "detection.channel[1] name: missing"),
        (
            "[[detection.channel]]\nname = 'Fe'\n[[detection.channel]]\nelement = 'Fe'",
            'detection.channel[2] "Fe" name: is the name of channel[1], too; names are unique',
        ),
        (
            "[[detection.channel]]\nelement = 'Fx'",
            "detection.channel[1] \"Fx\" element: unknown element 'Fx'",
        ),
        (
            "[[detection.channel]]\nname = 'FeO'",
            'detection.channel[1] "FeO" sensitivity: a channel without element needs a table of',
        ),
        (
            "[[detection.channel]]\nelement = 'Fe'\nsensitivity = { Fe = -1, x = { guess = '' } }",
            'detection.channel[1] "Fe" sensitivity: Fe must be >= 0, got -1; x guess must be a num',
        ),
        (
            "[[detection.channel]]\nelement = 'Fe'\nsensitivity = {}",
            'detection.channel[1] "Fe" sensitivity: must be a number or a table of numbers by la',
        ),
        (
            "[[detection.channel]]\nelement = 'Fe'\ninterference = { Xx = 1, Cr = -1 }",
            "detection.channel[1] \"Fe\" interference.Xx: unknown element 'Xx'",
        ),
        (
            "[[detection.channel]]\nelement = 'Fe'\ncolumn = 0",
            'detection.channel[1] "Fe" column: must be >= 1, got 0',
        ),
        (
            "[[detection.channel]]\nelement = 'Fe'\ncolumn = 'a'\nmerge = ['b', 'c']",
            'detection.channel[1] "Fe" merge: stands beside column; write only one of the two',
        ),
        ("[noise]\nflicker = 0.01", "noise flicker: must be a table, got 0.01"),
        ("[profile]\nignore = 'a'", 'profile ignore: must be a list, got "a"'),
        ("[profile]\nheader_rows = 1.0", "profile header_rows: must be a whole number, got 1.0"),
        ("[profile]\nnames_row = 0", "profile names_row: must be >= 1, got 0"),
        (
            "[profile]\nheader_rows = 1\nnames_row = 2",
            "profile names_row: must be one of the 1 header_rows, got 2",
        ),
        ("[profile]\ndelimiter = 'comma'\ndecimal = ','", 'profile decimal: must be "." with'),
        ("[profile]\nvalue_unit = '%'", 'profile value_unit: "%" is for fractions, but values is'),
        ("[depth_scale]\nfrom_yields = 1", "depth_scale from_yields: must be true or false, got 1"),
        *(
            (
                f"[depth_scale]\nfinal_crater_depth_nm = {written}",
                "depth_scale final_crater_depth_nm: must have its uncertainty, as a depth scale is "
                "as good as what fixes it: write { value = 1200, u = ... }",
            )
            for written in ("1200.0", "{ guess = 1200.0 }")
        ),
        (
            "[depth_scale]\nfrom_yields = true",
            "depth_scale from_yields: is true, but there is no [source] that has yields",
        ),
    ],
)
def test_each_mistake_has_its_message(added, problem):
    found = problems_of(BULK + added)
    assert any(line.startswith(problem) for line in found), found
    for line in found:
        assert not {"Input", "validation", "pydantic", "type="} & set(line.split())


@pytest.mark.parametrize(
    ("layer", "problem"),
    [
        ("thickness_nm = 1e308", "thickness_nm: must be from 1e-06 to 1e+09, got 1e+308"),
        ("thickness_nm = 1e-308", "thickness_nm: must be from 1e-06 to 1e+09, got 1e-308"),
        (
            "thickness_nm = { guess = 1.0, min = 1e-300 }",
            "thickness_nm: min must be from 1e-06 to 1e+09, got 1e-300",
        ),
        (
            "thickness_nm = { value = 1.0, u = 1e308 }",
            "thickness_nm: u must be <= 1e+09, got 1e+308",
        ),
        (
            "thickness_nm = 1.0\ninterface_width_nm = 1e-15",
            "interface_width_nm: must be from 1e-06 to 1e+09, got 1e-15",
        ),
        (
            "thickness_nm = 1.0\ndensity_g_cm3 = 1e30",
            "density_g_cm3: must be from 1e-06 to 1000, got 1e+30",
        ),
    ],
)
def test_numbers_that_nobody_means_are_refused(layer, problem):
    text = f"[[layer]]\ncomposition = 'Cu'\nerosion_rate_nm_s = 1\n{layer}\n{BULK}"
    assert problems_of(text) == [f'layer[1] "Cu" {problem}']


def test_sampling_is_not_longer_than_the_measurement():
    assert problems_of(BULK + "[detection]\nsampling_s = 5.0\nduration_s = 4.0\n") == [
        "detection sampling_s: must be <= duration_s = 4, got 5"
    ]


def test_without_source_every_layer_needs_a_rate():
    text = """
        [[layer]]
        composition = "CrN"
        thickness_nm = 1
        [[layer]]
        material = "Ti N"
        thickness_nm = 1
        [[layer]]
        repeat = 2
        [[layer.of]]
        material = "Ti N"
        thickness_nm = 1
        [[layer.of]]
        composition = "Cu"
        thickness_nm = 1
        [material."Ti N"]
        composition = "TiN"
        [substrate]
        name = "steel"
        composition = "Fe"
    """
    reason = "erosion_rate_nm_s: missing, and there is no [source] whose yields would give it"
    assert problems_of(text) == [
        f'layer[1] "CrN" {reason}',
        f'material."Ti N" {reason}',
        f'layer[3].of[2] "Cu" {reason}',
        f'substrate "steel" {reason}',
    ]
    experiment_from_toml(text + LAMP + "current_mA = 20\n")
    experiment_from_toml(text + '[profile]\naxis = "depth"\n')


def oxide_on_iron(written="", lamp=LAMP + "current_mA = 20\n"):
    return f"""
        [[layer]]
        composition = "Al2O3"
        thickness_nm = 50
        erosion_rate_nm_s = 2
        {written}
        [substrate]
        composition = "Fe"
        {lamp}
    """


def test_a_direct_current_needs_layers_that_conduct():
    (problem,) = problems_of(oxide_on_iron())
    assert problem.startswith('layer[1] "Al2O3" conducts: is false or taken to be, and a DC disch')
    assert 'write supply = "RF" and power_W in [source], or conducts = true here' in problem
    experiment_from_toml(oxide_on_iron("conducts = true"))
    experiment_from_toml(oxide_on_iron(lamp=LAMP + "supply = 'RF'\npower_W = 40\n"))
    experiment_from_toml(oxide_on_iron(lamp=BEAM + "raster_um = [5, 5]\n"))


def test_a_user_knows_better_than_the_rule_what_conducts():
    text = oxide_on_iron("conducts = true").replace(
        'composition = "Fe"',
        """composition = "Si"
        conducts = false""",
    )
    (problem,) = problems_of(text)
    assert problem.startswith('substrate "Si" conducts: is false')


def test_a_material_says_whether_it_conducts_not_the_layers_that_name_it():
    text = oxide_on_iron("conducts = true").replace('composition = "Al2O3"', 'material = "alumina"')
    text += '[material.alumina]\ncomposition = "Al2O3"\n'
    problems = problems_of(text.replace("erosion_rate_nm_s = 2", ""))
    insulates, belongs = problems
    assert belongs == 'layer[1] "alumina" conducts: belongs in [material.alumina], named here'
    assert insulates.startswith("material.alumina conducts: is false or taken to be")


def test_warnings_tell_of_lamp_keys_without_effect():
    lamp = LAMP + "current_mA = 20\npressure_hPa = 6\nsheath_free_paths = 8\n"
    lamp += "redeposited_share = 0.4\n" + REFERENCE + "erosion_rate_nm_s = 40\n"
    assert experiment_from_toml(BULK + lamp).warnings() == [
        "source pressure_hPa: unused with sheath_free_paths, voltage_V and current_mA",
        "source redeposited_share: only with --resolved, as the measured rate has it",
    ]


def test_warnings_tell_of_a_pressure_that_nothing_compares_with():
    lamp = LAMP + "current_mA = 20\npressure_hPa = 6\n"
    lamp += REFERENCE.replace("pressure_hPa = 6\n", "") + "erosion_rate_nm_s = 40\n"
    assert experiment_from_toml(BULK + lamp).warnings() == [
        "source pressure_hPa: unused without pressure_hPa in [source.reference]"
    ]


def test_warnings_say_what_is_probably_not_meant():
    text = (
        BULK
        + """
        [[layer]]
        composition = "CrN"
        thickness_nm = 1
        erosion_rate_nm_s = 2
        [material.TiN]
        composition = "TiN"
        [roughness]
        growth = "statistical"
        grain_nm = 3
        [mixing]
        model = "uniform"
        length_nm = 1
        range_nm = 3
        [[detection.channel]]
        element = "Cu"
        [[detection.channel]]
        element = "Cr"
        sensitivity = { Fe = 1 }
        interference = { Zn = 0.1 }
    """
    )
    assert experiment_from_toml(text).warnings() == [
        'roughness grain_nm: unused with growth = "statistical"',
        'mixing range_nm: unused with model = "uniform"',
        "material.TiN: no layer names it",
        'detection.channel[1] "Cu" element: Cu is in no layer',
        'detection.channel[2] "Cr" interference: Zn is in no layer',
        'detection.channel[2] "Cr" sensitivity: no number for layer "CrN", which has Cr;'
        " 1 is taken",
    ]


def test_a_depth_scale_beside_a_depth_axis_is_reported():
    scale = "[depth_scale]\nfinal_crater_depth_nm = { value = 1200.0, u = 30.0 }\n"
    assert experiment_from_toml(BULK + scale + '[profile]\naxis = "depth"\n').warnings() == [
        'depth_scale final_crater_depth_nm: unused with axis = "depth" in [profile]'
    ]


def test_mixing_table_says_when_it_has_no_effect():
    assert Mixing(model="none", length_nm=1, preference={"Cr": 2}).unused() == [
        "length_nm",
        "preference",
    ]


def test_long_lists_of_unknown_keys_are_cut_short():
    problems = problems_of("".join(f"q{i} = 1\n" for i in range(1000)) + BULK)
    assert len(problems) == 51
    assert problems[-1] == "950 more unknown keys"
    problems = problems_of(BULK + "".join(f"q{i} = 1\n" for i in range(1000)))
    assert problems[-1] == "substrate: 950 more unknown keys"


def test_nothing_unprintable_reaches_the_terminal():
    problems = problems_of(
        BULK + '["\\u001b[31m"]\n[noise]\n"a\\u009b" = 1\n[material."\\u202e"]\n'
    )
    assert len(problems) == 3
    assert all(line.isprintable() for line in problems)


def test_values_are_shown_as_they_are_written():
    assert [shown(v) for v in (True, -5.0, 1e300, 0.1, "a\n", [1, 2])] == [
        "true",
        "-5",
        "1e+300",
        "0.1",
        '"a\\n"',
        "[1, 2]",
    ]
    assert shown(datetime.date(2024, 1, 2)) == "2024-01-02"
    assert len(shown("x" * 1000)) < 70


# --- files that are no experiment --------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("a = \n", "line 1, column 5: is not valid TOML: "),
        ("a = 1\nb = [1,\n", "line 2, column 8: is not valid TOML: "),
        ("[a\n", "line 1, column 3: is not valid TOML: "),
        ("a = 1\na = 2", "line 2, column 6: is not valid TOML: "),
        ("a = " + "1" * 10_000, "a number has too many digits"),
        ("a = " + "[" * 10_000, "brackets are nested too deeply"),
        ("a = " + "{a=" * 10_000, "brackets are nested too deeply"),
    ],
)
def test_syntax_errors_give_line_and_column(text, problem):
    (line,) = problems_of(text)
    assert line.startswith(problem)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "substrate: missing"),
        (b"\x00\x01\x02", "is not a text file"),
        (b'title = "x"\nname = "\xe4"', "line 2: is not UTF-8 text (byte 0xe4)"),
        ("title = 1".encode("utf-16"), "is UTF-16 text; save it as UTF-8"),
        (b"#" * 5_000_001, "has 5.0 MB, at most 5 MB are read"),
    ],
)
def test_files_that_are_no_experiment(tmp_path, content, message):
    path = tmp_path / "file.toml"
    path.write_bytes(content)
    assert refusal(path) == f"{path}: {message}"


def test_paths_that_are_no_file(tmp_path):
    assert refusal(tmp_path / "none.toml") == f"{tmp_path / 'none.toml'}: no such file"
    assert refusal(tmp_path) == f"{tmp_path}: is a directory, not a file"
    assert "cannot be read" in refusal("a\0b")
    assert "cannot be read" in refusal("x" * 5000)


def test_missing_permission(monkeypatch):
    def refuse(*_args, **_kwargs):
        raise PermissionError

    monkeypatch.setattr(file_access, "open", refuse, raising=False)
    assert refusal(EXAMPLE) == f"{EXAMPLE}: no permission to read it"


def test_message_has_the_file_once_and_all_lines():
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml("a = 1", "x.toml")
    assert str(caught.value) == "x.toml: 2 mistakes\na: unknown key\nsubstrate: missing"


# --- anything at all ---------------------------------------------------------------------------

ODD_VALUES = [
    *("0", "-1", "1e999", "nan", "-inf", "9" * 400, "9" * 5000, "1_000_000_000", "true"),
    *('""', '"400"', '"\\u0000"', "[]", "[[]]", "{}", "{ a = 1 }", "{ value = 1 }"),
    *("{ guess = 1, min = 2 }", "{ value = 1, u = 1e999 }", "1979-05-27", "07:32:00", "'(((('"),
]


def drop(lines, pick):
    del lines[pick(lines)]


def duplicate(lines, pick):
    lines.insert(pick(lines), lines[pick(lines)])


def misspell(lines, pick):
    i = pick(lines)
    key, equals, value = lines[i].partition("=")
    lines[i] = key[:-2] + "x" + equals + value


def swap_value(lines, pick):
    i, j = pick(lines), pick(lines)
    lines[i] = lines[i].partition("=")[0] + "=" + lines[j].partition("=")[2]


def odd_value(lines, pick):
    i = pick(lines)
    lines[i] = lines[i].partition("=")[0] + "= " + ODD_VALUES[pick(ODD_VALUES)]


def swap_heads(lines, pick):
    heads = [i for i, line in enumerate(lines) if line.startswith("[")]
    if heads:
        i, j = heads[pick(heads)], heads[pick(heads)]
        lines[i], lines[j] = lines[j], lines[i]


def shuffle_characters(lines, pick):
    i = pick(lines)
    lines[i] = "".join(random.Random(pick(lines)).sample(lines[i], len(lines[i])))


CHANGES = [drop, duplicate, misspell, swap_value, odd_value, swap_heads, shuffle_characters]


def outcome(read):
    """What reading gives: an experiment, or the problems; any other error is one."""
    try:
        return read()
    except InputProblems as problems:
        return problems


def loads_or_complains(path):
    started = time.process_time()
    result = outcome(lambda: load_experiment(path))
    if isinstance(result, InputProblems):
        assert result.problems
        assert all(line.isprintable() and len(line) < 1000 for line in result.problems)
    else:
        assert experiment_from_dict(experiment_to_dict(result)) == result
        assert len(result.stack.expanded()) > 0
        assert all(result.warnings())
    assert time.process_time() - started < 1.0


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    load_experiment(EXAMPLE)  # what the first one has to import is not its own time
    return tmp_path_factory.mktemp("mutated") / "experiment.toml"


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_mutated_files_load_or_complain(scratch, data):
    lines = TEXT.splitlines()
    for _ in range(data.draw(st.integers(1, 5))):
        change = data.draw(st.sampled_from(CHANGES))
        change(lines, lambda of: data.draw(st.integers(0, len(of) - 1)))
    scratch.write_text("\n".join(lines), encoding="utf-8")
    loads_or_complains(scratch)


@settings(max_examples=50, deadline=None)
@given(place=st.integers(0, len(TEXT)), junk=st.binary(max_size=20))
def test_stray_bytes_load_or_complain(scratch, place, junk):
    raw = TEXT.encode()
    scratch.write_bytes(raw[:place] + junk + raw[place + len(junk) // 2 :])
    loads_or_complains(scratch)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["composition", "thickness_nm", "of", "repeat", "self", "value", "kind"]
            )
            | st.text(max_size=5),
            inner,
            max_size=4,
        )
    ),
    max_leaves=10,
)


@settings(max_examples=50, deadline=None)
@given(tables=st.dictionaries(st.sampled_from(module.FILE_KEYS), JSON))
def test_any_dictionary_makes_an_experiment_or_complains(tables):
    result = outcome(lambda: experiment_from_dict(tables))
    assert isinstance(result, Experiment) or result.problems


def test_import_brings_no_heavy_library():
    code = (
        "import sys, craterfront.experiments.experiment;"
        "print(*{'numpy', 'scipy', 'xarray', 'pandas', 'matplotlib'} & set(sys.modules))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == ""
