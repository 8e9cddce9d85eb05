"""Craters by layer, by operating point and weighed by radius; heights that are not normal."""

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
from craterfront.models.erosion_front import crater
from craterfront.problems import InputProblems

SAMPLE = """
[[layer]]
name = "top"
composition = "Cu"
thickness_nm = 200.0
interface_width_nm = {{ value = 2.0, u = 0 }}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[[layer]]
name = "under"
composition = "Ni"
thickness_nm = 150.0
interface_width_nm = {{ value = 2.0, u = 0 }}
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[substrate]
name = "base"
composition = "Fe"
erosion_rate_nm_s = {{ value = 15.0, u = 0 }}
[crater]
{crater}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
{heights}
[detection]
sampling_s = 0.2
duration_s = 40.0
{weight}
[noise]
counts_per_unit_s = 300.0
"""
EACH = 'shape = "parabolic"\ncurvature = {{ top = {}, under = {}, base = {} }}'
LAMP = """
[source]
kind = "glow discharge"
voltage_V = 700
current_mA = 20
pressure_hPa = {}
anode_diameter_mm = 4
"""
POINTS = """
shape = "parabolic"
[[crater.point]]
pressure_hPa = 7.0
curvature = { top = { value = 0.10, u = 0.010 }, under = 0.2, base = { value = 0.1, u = 0 } }
[[crater.point]]
pressure_hPa = 5.0
curvature = { top = { value = -0.02, u = 0.006 }, under = 0.1, base = { value = 0.1, u = 0 } }
"""


def text(shape='shape = "flat"', heights="", weight="", more=""):
    content = SAMPLE.format(crater=shape, heights=heights, weight=weight)
    return content + more


def simulated(content, seed=2):
    experiment = experiment_from_toml(content)
    return simulate(experiment.stack, experiment.setup, seed=seed)


def crater_of(content):
    experiment = experiment_from_toml(content)
    assembly = Assembly(experiment.stack, experiment.setup)
    return assembly.instrument(assembly.nominal), assembly


def test_a_table_of_equal_curvatures_is_one_curvature():
    one = simulated(text('shape = "parabolic"\ncurvature = 0.1')).clean.values
    each = simulated(text(EACH.format(0.1, 0.1, 0.1))).clean.values
    assert np.abs(one - each).max() < 1e-3 * one.max()


def test_each_layer_has_its_crater():
    made, assembly = crater_of(text(EACH.format(0.1, -0.05, 0.0)))
    assert made.crater.shape == (3, 32, 3)
    centre, edge = made.crater[:, 0, 0], made.crater[:, -1, 1]
    assert centre == pytest.approx([1.05, 0.975, 1.0])
    assert edge == pytest.approx([0.95, 1.025, 1.0])
    names = [p.name for p in assembly.parameters if p.kind == "curvature"]
    assert names == [f"crater curvature in {name}" for name in ("top", "under", "base")]


def test_what_is_put_in_comes_out_with_its_uncertainty():
    truth = EACH.format(0.12, -0.06, "{ value = 0.0, u = 0 }")
    known = EACH.format("{ guess = 0.05 }", "{ guess = 0.0 }", "{ value = 0.0, u = 0 }")
    profile = profile_of(simulated(text(truth)), "simulated")
    result = answer(invert(profile, experiment_from_toml(text(known))))
    for layer, thickness_nm in zip(result.layers, (200.0, 150.0), strict=False):
        assert abs(layer.value - thickness_nm) < 3.0 * layer.u < 0.1
    found = {e.name: (e.value, e.u) for e in result.estimates}
    for name, truth in (("top", 0.12), ("under", -0.06)):
        value, u = found[f"crater curvature in {name}"]
        assert abs(value - truth) < 3.0 * u < 0.05


def test_a_curvature_between_measured_operating_points():
    # Derived: at a quarter of the way the weights are 3/4 and 1/4.
    made, assembly = crater_of(text(POINTS, more=LAMP.format(5.5)))
    top, under, base = ((p.value, p.u) for p in assembly.parameters if p.kind == "curvature")
    assert top == pytest.approx((-0.02 + 0.25 * 0.12, np.hypot(0.75 * 0.006, 0.25 * 0.010)))
    # No uncertainty is written: 0.3 of each point is assumed.
    assert under == pytest.approx((0.125, 0.3 * np.hypot(0.75 * 0.1, 0.25 * 0.2)))
    assert base == pytest.approx((0.1, 0.0))
    assert made.crater[0, 0, 0] == pytest.approx(1.0 + 0.5 * top[0])


def test_a_curvature_of_zero_between_plain_points_is_not_exact():
    points = POINTS.replace("under = 0.2", "under = -0.1")
    source = LAMP.format("{ value = 6.0, u = 0.2 }")
    _, assembly = crater_of(text(points, more=source))
    under = assembly.parameters[assembly.index_of("curvature", "under")]
    # Derived: 0.03 of either point with the weight 1/2, and 0.1 a hPa times 0.2 hPa.
    assert under.value == pytest.approx(0.0, abs=1e-12)
    assert (under.state, under.u) == ("assumed", pytest.approx(np.hypot(0.03 / 2**0.5, 0.02)))


def test_an_uncertain_operating_point_makes_an_uncertain_curvature():
    _, assembly = crater_of(text(POINTS, more=LAMP.format("{ value = 6.0, u = 0.2 }")))
    top = next(p for p in assembly.parameters if p.kind == "curvature")
    assert top.u == pytest.approx(np.sqrt(0.003**2 + 0.005**2 + (0.06 * 0.2) ** 2))


@pytest.mark.parametrize(
    ("shape", "more", "message"),
    [
        (EACH.format(0.1, 0.1, 3.0), "", "crater curvature: base must be >= -1.9 and <= 1.9"),
        ('shape = "parabolic"\ncurvature = { top = 0.1 }', "", 'missing for layer "under"'),
        (EACH.format(0.1, 0.1, 0.1).replace("base", "bsae"), "", '"bsae" is no layer and no'),
        ('shape = "parabolic"', "", "crater curvature: missing"),
        (POINTS, "", "crater point: needs pressure_hPa in [source]"),
        (POINTS, LAMP.format(9), "points reach from 5 to 7, and the source works at pressure_hPa"),
        (POINTS + "voltage_V = 700", LAMP.format(6), "crater.point[2]: needs one of"),
        (POINTS.replace("5.0", "7.0"), LAMP.format(7), "pressure_hPa: is 7, as at a point before"),
        (POINTS[: POINTS.rindex("[[")], LAMP.format(7), "crater point: needs at least 2 points"),
        (
            POINTS.replace("top = { value = -0.02, u = 0.006 }", "top = { guess = 0.1 }"),
            LAMP.format(6),
            'curvature: must be measured, not a guess of "top"',
        ),
        (
            POINTS.replace("{ value = 0.10, u = 0.010 }, under", "0.1, undr"),
            LAMP.format(6),
            'crater.point[1] curvature: "undr" is no layer and no material; did you mean under?',
        ),
    ],
)
def test_what_cannot_be_is_refused(shape, more, message):
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(text(shape, more=more))
    assert message in str(caught.value)


HEIGHTS = "[roughness.heights]\nheight_nm = [-10.0, -5.0, 35.0]\ndensity = [0.0, 1.0, 0.0]\n"
WEIGHT = "[detection.radial_weight]\nradius_mm = [0.0, 1.0, 2.0]\nweight = [1.0, 0.9, 0.2]\n"


def test_heights_give_the_initial_roughness_unless_it_is_written():
    content = text(heights=HEIGHTS).replace("initial_nm = { value = 0.0, u = 0 }\n", "")
    made, _ = crater_of(content)
    # Derived: variance of a triangle.
    assert made.initial_nm == pytest.approx(np.sqrt((100 + 25 + 1225 - 50 + 350 + 175) / 18))
    scaled = content.replace("[roughness]", "[roughness]\ninitial_nm = 3.0")
    assert crater_of(scaled)[0].initial_nm == 3.0
    skewed, normal = simulated(content), simulated(scaled.replace(HEIGHTS, ""))
    assert np.abs(skewed.clean - normal.clean).max() > 0.01 * normal.clean.max()


def test_the_spread_of_heights_is_assumed_like_a_plain_roughness():
    content = text(heights=HEIGHTS).replace("initial_nm = { value = 0.0, u = 0 }\n", "")
    made, assembly = crater_of(content)
    initial = assembly.parameters[assembly.index_of("initial roughness")]
    assert (initial.state, initial.u) == ("assumed", pytest.approx(0.3 * made.initial_nm))


def test_heights_are_a_written_roughness():
    """A wide interface is told from flat ones under rough heights."""
    content = text(heights=HEIGHTS).replace("initial_nm = { value = 0.0, u = 0 }\n", "")
    wide = content.replace("{ value = 2.0, u = 0 }", "{ guess = 40.0 }", 1)
    profile = profile_of(simulated(wide), "simulated")
    width = answer(invert(profile, experiment_from_toml(wide))).layers[0].width
    assert (width.resolved, width.why) == (True, "")


def test_heights_of_no_roughness_are_told():
    assert experiment_from_toml(text(heights=HEIGHTS)).setup.unused() == [
        "roughness heights: unused with initial_nm = 0"
    ]


def test_a_weighed_radius_changes_the_signal_and_not_the_depth():
    shape = 'shape = "parabolic"\ncurvature = 0.2'
    plain, weighed = simulated(text(shape)), simulated(text(shape, weight=WEIGHT))
    assert np.abs(plain.clean - weighed.clean).max() > 0.01 * plain.clean.max()
    assert weighed.mean_depth.values == pytest.approx(plain.mean_depth.values, rel=1e-9)
    flat = simulated(text()).clean.values
    assert simulated(text(weight=WEIGHT)).clean.values == pytest.approx(flat, abs=1e-9 * flat.max())


@pytest.mark.parametrize(
    "content",
    [
        text(EACH.format(0.1, -0.05, "{ guess = 0.0, min = -0.2 }")),
        text(POINTS, more=LAMP.format(5.5)),
        text(heights=HEIGHTS),
        text(weight=WEIGHT),
    ],
)
def test_a_file_holds_all_of_it(content):
    experiment = experiment_from_toml(content)
    assert experiment_from_dict(experiment_to_dict(experiment)) == experiment
    dataset = simulate(experiment.stack, experiment.setup, seed=4)
    assert np.array_equal(repeat(dataset).intensity, dataset.intensity)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"heights": HEIGHTS.replace("-5.0", "-20.0")}, "heights height_nm[2]: must be > -10"),
        ({"heights": HEIGHTS.replace("1.0", "0.0")}, "heights density: must be above 0 somewhere"),
        ({"heights": HEIGHTS.replace("[0.0, ", "[")}, "heights density: has 2 numbers for 3"),
        ({"weight": WEIGHT.replace("[0.0, 1.0", "[0.5, 1.0")}, "radius_mm[1]: must be 0, got 0.5"),
        ({"weight": WEIGHT.replace("0.9", "-0.9")}, "weight: number 2 must be from 0 to 1e6"),
        (
            {"heights": HEIGHTS.replace("-5.0", "-9.9999999")},
            "has heights that are less than",
        ),
        (
            {"weight": WEIGHT.replace("2.0]", "3.3]"), "more": LAMP.format(6)},
            "radial_weight radius_mm: must reach to 2, half the anode_diameter_mm of [source]",
        ),
        (
            {"weight": WEIGHT, "shape": 'shape = "tilted"\ntilt = 0.1'},
            'detection radial_weight: goes with a round crater, not with shape = "tilted"',
        ),
        (
            {
                "weight": WEIGHT,
                "shape": 'shape = "measured"\nradius_mm = [0, 1.5]\ndepth_um = [1.0, 0.9]',
            },
            "radial_weight radius_mm: must reach to 1.5, the last radius_mm of [crater], got 2",
        ),
    ],
)
def test_tables_that_make_no_sense_are_refused(changes, message):
    with pytest.raises(InputProblems) as caught:
        experiment_from_toml(text(**changes))
    assert message in str(caught.value)


def test_a_surface_that_reaches_through_its_layer_is_noted():
    deep = HEIGHTS.replace("35.0", "900.0")
    content = text(heights=deep).replace("initial_nm = { value = 0.0, u = 0 }\n", "")
    (note,) = experiment_from_toml(content).warnings()
    assert "roughness heights: the surface reaches" in note
    assert 'through all of layer "top"' in note
    plain = text().replace("initial_nm = { value = 0.0, u = 0 }", "initial_nm = 90.0")
    (note,) = experiment_from_toml(plain).warnings()
    assert "roughness initial_nm: the surface reaches 270 nm" in note


def test_a_strongly_curved_crater_has_more_places():
    made, _ = crater_of(text(EACH.format(0.1, -0.8, 0.0)))
    assert made.crater.shape == (3, 128, 3)


def test_a_divided_crater_is_seen_like_a_whole_one():
    made, _ = crater_of(text('shape = "edged"\nedge_share = 0.1\nedge_rate = 0.8', weight=WEIGHT))
    assert made.crater.shape == (32, 3)
    assert made.seen_share is not None
    r = np.linspace(0.0, 2.0, 20001)
    weight = 2 * r * np.interp(r, [0.0, 1.0, 2.0], [1.0, 0.9, 0.2])
    inner = r**2 <= 4.0 * 0.9
    expected = np.trapezoid(weight[inner], r[inner]) / np.trapezoid(weight, r)
    assert made.seen_share[:16].sum() == pytest.approx(expected, abs=1e-3)
    assert crater.relative_smoothing(made.crater) == 0.0
