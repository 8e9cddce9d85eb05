"""Graded layers: what they hold, their profile, and what an inversion makes of them."""

import io

import numpy as np
import pytest
from rich.console import Console

import craterfront as cf
from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.models.materials.elements import atomic_mass_u
from craterfront.problems import InputProblems
from craterfront.reports.report import print_answer

MASS = {
    "TiN": atomic_mass_u("Ti") + atomic_mass_u("N"),
    "CrN": atomic_mass_u("Cr") + atomic_mass_u("N"),
}
DENSITY, RATE = {"TiN": 5.0, "CrN": 6.2}, {"TiN": 10.0, "CrN": 16.0}


def material(name, tin):
    """A material with a share of TiN by volume: masses per volume and times per depth add up."""
    shares = {"TiN": tin, "CrN": 1.0 - tin}
    titanium, chromium = (shares[nitride] * DENSITY[nitride] / MASS[nitride] for nitride in MASS)
    density = sum(share * DENSITY[nitride] for nitride, share in shares.items())
    rate = 1.0 / sum(share / RATE[nitride] for nitride, share in shares.items())
    return f"""
        [material.{name}]
        composition = {{ Ti = {titanium}, Cr = {chromium}, N = {titanium + chromium} }}
        density_g_cm3 = {density}
        erosion_rate_nm_s = {rate}
    """


def sample(rows, thickness="100.0", more=""):
    """A layer graded by rows of relative depth and share of TiN, on iron."""
    grading = [[depth, f"m{number}"] for number, (depth, _) in enumerate(rows)]
    materials = "".join(material(f"m{number}", tin) for number, (_, tin) in enumerate(rows))
    return experiment_from_toml(f"""
        [[layer]]
        name = "grade"
        grading = {grading}
        thickness_nm = {thickness}
        interface_shape = "sharp"
        {materials}
        [substrate]
        composition = "Fe"
        erosion_rate_nm_s = 25.0
        [detection]
        duration_s = 14.0
        {more}
    """)


def simulated(experiment, **keys):
    return simulate(experiment.stack, experiment.setup, **keys)


def test_the_truth_follows_straight_lines_between_the_rows():
    # Derived: atoms per volume mix by volume, so the ratio of titanium to chromium is that of the
    # shares times formula units per volume.
    rows = [(0.0, 1.0), (0.3, 0.2), (1.0, 0.7)]
    truth = simulated(sample(rows))
    depth = truth["depth"].values
    titanium, chromium = (
        truth["composition"].sel(element=e).values[depth < 100.0] for e in ("Ti", "Cr")
    )
    tin = np.interp(depth[depth < 100.0] / 100.0, *zip(*rows, strict=True))
    units = {nitride: DENSITY[nitride] / MASS[nitride] for nitride in MASS}
    expected = tin * units["TiN"] / (tin * units["TiN"] + (1.0 - tin) * units["CrN"])
    # The truth stands for slices of up to 0.9 nm: at a row the mean differs by a quarter of that
    # times the change of slope, 0.034 per nm.
    assert titanium / (titanium + chromium) == pytest.approx(expected, abs=0.008)
    away = np.abs(depth[depth < 100.0] - 30.0) > 1.0
    assert (titanium / (titanium + chromium))[away] == pytest.approx(expected[away], abs=2e-5)
    assert truth["thickness_nm"].values == pytest.approx([15.0, 50.0, 35.0])


@pytest.mark.parametrize(
    "more",
    [
        "",
        '[crater]\nshape = "parabolic"\ncurvature = 0.1\n[roughness]\ninitial_nm = 2.0\n'
        '[mixing]\nmodel = "uniform"\nlength_nm = 2.0\n',
    ],
)
def test_more_rows_on_the_same_lines_change_nothing(more):
    few = [(0.0, 1.0), (0.4, 0.2), (1.0, 0.6)]
    many = [(0.0, 1.0), (0.1, 0.8), (0.2, 0.6), (0.4, 0.2), (0.7, 0.4), (0.85, 0.5), (1.0, 0.6)]
    one, other = (simulated(sample(rows, more=more))["clean"] for rows in (few, many))
    for channel in ("Ti", "Cr", "N", "Fe"):
        full = float(one.sel(channel=channel).max())
        found = other.sel(channel=channel).values
        assert found == pytest.approx(one.sel(channel=channel).values, abs=1e-3 * full)


def test_the_profile_is_what_leaves_in_time():
    # Derived, by sums over 1 pm: depth costs the time sum f / r per nm and gives f times the atoms
    # per volume.
    rows = [(0.0, 1.0), (0.3, 0.2), (1.0, 0.7)]
    depth = np.linspace(0.0, 100.0, 100_001)
    middle = 0.5 * (depth[1:] + depth[:-1])
    tin = np.interp(middle / 100.0, *zip(*rows, strict=True))
    cost_s = np.diff(depth) * (tin / RATE["TiN"] + (1.0 - tin) / RATE["CrN"])
    avogadro_per_nm3 = 602.214076  # g/cm3 over g/mol
    atoms = np.diff(depth) * tin * DENSITY["TiN"] / MASS["TiN"] * avogadro_per_nm3
    time, held = (np.append(0.0, np.cumsum(each)) for each in (cost_s, atoms))
    found = simulated(sample(rows))
    interval = 14.0 / found["time"].size
    edges = interval * np.arange(found["time"].size + 1)
    expected = np.diff(np.interp(edges, time, held)) / interval
    titanium = found["clean"].sel(channel="Ti").values
    assert titanium == pytest.approx(expected, abs=1e-3 * expected.max())


def test_an_inversion_holds_what_is_exactly_known():
    rows = [(0.0, 1.0), (0.3, 0.2), (1.0, 0.7)]
    noise = "[noise]\ncounts_per_unit_s = 10.0\n"
    profile = profile_of(simulated(sample(rows, more=noise), seed=4), "profile.nc")
    with pytest.raises(InputProblems, match="an inversion holds a graded layer as it is written"):
        invert(profile, sample(rows, more=noise))
    found = invert(profile, sample(rows, "{ value = 100.0, u = 0 }", noise))
    values = dict(
        zip((p.name for p in found.likelihood.assembly.parameters), found.values, strict=True)
    )
    assert values["thickness of grade: m1"] == 50.0
    assert values["erosion rate of Fe"] == pytest.approx(25.0, rel=0.1)
    assert values["erosion rate of material m0"] == pytest.approx(10.0, rel=0.02)


SHARED = """
    [[layer]]
    name = "grade"
    grading = [[0.0, "outer"], [0.3, "inner"], [1.0, "outer"]]
    thickness_nm = { value = 100.0, u = 0 }
    interface_shape = "sharp"
    [material.outer]
    composition = "Ti"
    density_g_cm3 = { value = 5.0, u = 0.5 }
    erosion_rate_nm_s = 10.0
    [material.inner]
    composition = "Cr"
    density_g_cm3 = { value = 6.0, u = 0.3 }
    erosion_rate_nm_s = 16.0
    [substrate]
    composition = "Fe"
    erosion_rate_nm_s = 25.0
    [detection]
    duration_s = 14.0
    [noise]
    counts_per_unit_s = 10.0
"""


def test_a_graded_layer_has_a_sum():
    """Derived: the parts are 15, 50 and 35 nm thick; an error of the density that the first and the
    last share is the same in both."""
    experiment = experiment_from_toml(SHARED)
    profile = profile_of(simulated(experiment, seed=4), "profile.nc")
    found = answer(invert(profile, experiment))
    (whole,) = found.graded
    first, middle, last = found.layers
    assert (whole.name, whole.u) == ("grade", 0.0)
    assert whole.value == pytest.approx(100.0, rel=1e-12)
    assert whole.areal_mass_g_m2 == pytest.approx(0.25 + 0.3, rel=1e-9)
    outer, inner = first.areal_mass_u_g_m2 + last.areal_mass_u_g_m2, middle.areal_mass_u_g_m2
    assert (outer, inner) == pytest.approx((0.025, 0.015), rel=1e-6)
    assert whole.areal_mass_u_g_m2 == pytest.approx(np.hypot(outer, inner), rel=1e-6)
    (row,) = found.as_dict()["graded_layers"]
    assert (row["layer"], row["thickness_nm"]) == ("grade", pytest.approx(100.0))
    assert row["areal_mass_u_g_m2"] == whole.areal_mass_u_g_m2
    console = Console(file=io.StringIO(), width=120)
    print_answer(found, console)
    assert "all of grade" in console.file.getvalue()


def test_the_duration_of_a_graded_layer_is_known_better_than_those_of_its_parts():
    experiment = experiment_from_toml(SHARED)
    profile = profile_of(simulated(experiment, seed=4), "profile.nc")
    found = answer(invert(profile, experiment, relative=True))
    (whole,) = found.graded
    assert whole.value == pytest.approx(sum(part.value for part in found.layers))
    assert whole.u < min(part.u for part in found.layers)
    assert whole.areal_mass_g_m2 is None


def test_graded_layers_of_periods_have_a_sum_each():
    first, rest = SHARED.split("    [material.outer]")
    layer = first.replace("[[layer]]", "[[layer.of]]")
    text = f"[[layer]]\nrepeat = 2\n{layer}    [material.outer]{rest}"
    layers = experiment_from_toml(text).stack.expanded()
    assert [a.graded for a in layers] == 3 * ["grade #1"] + 3 * ["grade #2"] + [None]


def test_a_layer_graded_between_equals_is_that_layer():
    flat = simulated(sample([(0.0, 0.5), (0.3, 0.5), (1.0, 0.5)]))["clean"].values
    plain = experiment_from_toml(f"""
        [[layer]]
        material = "m"
        thickness_nm = 100.0
        {material("m", 0.5)}
        [substrate]
        composition = "Fe"
        erosion_rate_nm_s = 25.0
        [detection]
        duration_s = 14.0
    """)
    assert flat == pytest.approx(simulated(plain)["clean"].values, abs=1e-9 * flat.max())


def test_a_layer_from_a_function_is_the_layer_from_its_table():
    def material_at(depth):
        share = 1.0 - depth**2
        return cf.Material(
            composition={"Ti": 0.5 * share, "Cr": 0.5 * (1.0 - share), "N": 0.5},
            density_g_cm3=5.0 + depth,
            erosion_rate_nm_s=10.0 + 6.0 * depth,
        )

    layer, materials = cf.graded("grade", 80.0, material_at, rows=5, interface_shape="sharp")
    assert [depth for depth, _ in layer.grading] == [0.0, 0.25, 0.5, 0.75, 1.0]
    base = cf.Substrate(composition="Fe", erosion_rate_nm_s=25.0)
    stack = cf.Stack(layers=[layer], substrate=base, materials=materials)
    truth = cf.simulate(stack, cf.Setup(detection=cf.Detection(duration_s=10.0)), seed=1)
    chromium = truth.composition.sel(element="Cr")
    middle = float(chromium.interp(depth=40.0))
    assert middle == pytest.approx(0.125, abs=2e-3)  # half of (1/2)^2
    with pytest.raises(InputProblems, match="grading"):
        cf.graded("grade", 80.0, material_at, rows=300)
