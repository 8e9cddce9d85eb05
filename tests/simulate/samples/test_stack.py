"""The sample: notebook objects, unique names, shared parameters."""

import copy
import math
import pickle

import pytest

from craterfront.notation.quantities import Quantity
from craterfront.problems import InputProblems
from craterfront.samples.layer import Layer, RepeatedLayers
from craterfront.samples.solids import Material, Substrate
from craterfront.samples.stack import Stack


def problems_of(make):
    """The lines with which making an object fails."""
    with pytest.raises(InputProblems) as caught:
        make()
    return caught.value.problems


# --- notebook objects --------------------------------------------------------------------------


def test_layer_takes_numbers_as_the_file_does():
    layer = Layer(composition="CrN", thickness_nm=400, density_g_cm3={"value": 6.1, "u": 0.1})
    assert layer.thickness_nm == Quantity(400.0)
    assert layer.density_g_cm3 == Quantity.prior(6.1, u=0.1)
    assert layer.interface_width_nm == Quantity.default(0.0)
    assert (layer.interface_shape, layer.interface_side) == ("erf", "below")
    assert layer.label == "CrN"


@pytest.mark.parametrize(
    ("written", "width"),
    [
        # Derived: w = 2 sqrt(2 D t), so u(w) / w is half of u(Dt) / Dt.
        (2.0, Quantity(4.0)),
        ({"value": 2.0, "u": 0.4}, Quantity.prior(4.0, u=0.4)),
        ({"value": 2.0, "u": 0}, Quantity.prior(4.0, u=0)),
        ({"guess": 2.0, "min": 0.5, "max": 8.0}, Quantity.guess(4.0, minimum=2.0, maximum=8.0)),
    ],
)
def test_interdiffusion_gives_the_width(written, width):
    layer = Layer(composition="CrN", thickness_nm=400, diffusivity_time_nm2=written)
    stack = Stack(layers=[layer], substrate=Substrate(composition="Fe"))
    assert stack.expanded()[0].interface_width_nm == width


@pytest.mark.parametrize(
    ("shape", "thickness"),
    # Derived: what diffuses in is 2 sqrt(D t / pi), and sqrt(pi D t) below a thin film.
    [("constant source", 20.0 / math.sqrt(math.pi)), ("limited source", 10.0 * math.sqrt(math.pi))],
)
def test_what_diffuses_in_gives_the_thickness(shape, thickness):
    case = Layer(composition="CrN", interface_shape=shape, diffusivity_time_nm2={"guess": 100.0})
    stack = Stack(layers=[case], substrate=Substrate(composition="Fe"))
    found = stack.expanded()[0].thickness_nm
    assert float(found) == pytest.approx(thickness)
    assert found.status == "guess"
    saturated = Layer(
        composition="CrN", thickness_nm=90, interface_shape=shape, diffusivity_time_nm2=100.0
    )
    assert saturated.true_thickness == Quantity(90.0)


@pytest.mark.parametrize(
    ("keys", "problem"),
    [
        ({}, "missing"),
        ({"diffusivity_time_nm2": 4.0}, "missing"),
        ({"interface_shape": "constant source", "interface_width_nm": 4.0}, "missing"),
        (
            {
                "interface_shape": "limited source",
                "diffusivity_time_nm2": {"value": 4.0, "u": 1.0},
            },
            "missing; it follows from a diffusivity_time_nm2 only if that is > 0 and has no"
            " uncertainty",
        ),
    ],
)
def test_a_thickness_that_nothing_gives(keys, problem):
    problems = problems_of(lambda: Layer(composition="CrN", **keys))
    assert problems == [f'Layer "CrN" thickness_nm: {problem}']


def test_a_sharp_transition_is_known_to_have_no_width():
    layer = Layer(composition="CrN", thickness_nm=400, interface_shape="sharp")
    assert layer.true_width == Quantity.prior(0.0, u=0.0)


def test_a_table_gives_the_width_unless_one_is_written():
    keys = {"interface_shape": "tabulated", "interface_table": [[5.0, 0.0], [15.0, 1.0]]}
    layer = Layer(composition="CrN", thickness_nm=400, **keys)
    assert float(layer.true_width) == pytest.approx(6.826895)  # 2 Phi(1) - 1 of 10 nm
    stretched = Layer(composition="CrN", thickness_nm=400, interface_width_nm=3.0, **keys)
    assert stretched.true_width == Quantity(3.0)


@pytest.mark.parametrize(
    ("table", "problem"),
    [
        (5, "must be a list of [position in nm, share], got 5"),
        ([[0, 0]], "must have from 2 to 200 rows, got 1"),
        ([[0, 0], [1]], "row 2 must be two numbers, position in nm and share, got [1]"),
        ([[0, 0], [1, "1"]], "row 2 must be two numbers, position in nm and share, got [1, '1']"),
        ([[0, 0], [1, 1.2]], "row 2 share must be from 0 to 1, got 1.2"),
        ([[0, 0], [2e9, 1]], "row 2 position must be from -1e9 to 1e9, got 2e+09"),
        ([[0, 0], [0, 1]], "row 2 position must be 1e-06 nm or more below 0 before it, got 0"),
        ([[0, 0], [1, 0.5], [2, 0.4]], "row 3 share must be >= 0.5 before it, got 0.4"),
        (
            [[0, 0], [1, 0.9]],
            "share must run from 0 in the first row to 1 in the last, got 0 to 0.9",
        ),
        ([[i, i / 300] for i in range(301)], "must have from 2 to 200 rows, got 301"),
    ],
)
def test_tables_that_are_no_transitions(table, problem):
    keys = {"interface_shape": "tabulated", "interface_table": table}
    problems = problems_of(lambda: Layer(composition="CrN", thickness_nm=4, **keys))
    assert problems == [f'Layer "CrN" interface_table: {problem}']


def test_repr_shows_what_is_written():
    layer = Layer(composition="CrN", thickness_nm=400)
    assert repr(layer) == "Layer(composition='CrN', thickness_nm=Quantity(400.0))"


def test_mistyped_keyword_names_the_near_one_and_nothing_else():
    assert problems_of(lambda: Layer(composition="CrN", thicknes_nm=400)) == [
        'Layer "CrN" thicknes_nm: unknown key; did you mean thickness_nm?'
    ]
    assert problems_of(lambda: Layer(compositon="CrN", thickness_nm=400)) == [
        "Layer compositon: unknown key; did you mean composition?"
    ]


def test_problems_of_an_object_are_a_value_error():
    with pytest.raises(ValueError, match=r'^Layer "CrN" thickness_nm: must be > 0, got -5$'):
        Layer(composition="CrN", thickness_nm=-5)


def test_objects_are_frozen_compare_by_value_and_can_be_copied():
    layer = Layer(composition="CrN", thickness_nm=400)
    with pytest.raises(ValueError):
        layer.thickness_nm = 5
    assert layer == Layer(composition="CrN", thickness_nm=400)
    assert pickle.loads(pickle.dumps(layer)) == layer
    assert copy.deepcopy(layer) == layer


def test_a_good_layer_stays_good_after_a_stack_that_failed():
    layer = Layer(material="TiN", thickness_nm=4)
    problems_of(lambda: Stack(layers=[layer], substrate=Substrate(composition="Fe")))
    stack = Stack(
        layers=[layer],
        substrate=Substrate(composition="Fe"),
        materials={"TiN": {"composition": "TiN"}},
    )
    assert stack.layers == (layer,)


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        ({}, "composition: missing; write one of composition, composition_mass, material, grading"),
        (
            {"composition": "CrN", "material": "x"},
            '"x" material: stands beside composition; write only one of composition,'
            " composition_mass, material, grading",
        ),
        (
            {"composition": 5},
            "composition: must be a formula or a table of atomic fractions, got 5",
        ),
        (
            {"composition_mass": "Cr"},
            'composition_mass: must be a table of mass fractions, got "Cr"',
        ),
        ({"composition": {"Fe": True}}, '"Fe" composition: Fe must be a number, got true'),
        ({"composition": {"Fe": -1}}, '"Fe" composition: Fe must be from 0 to 1e+12, got -1'),
        (
            {"material": "x", "density_g_cm3": 5},
            '"x" density_g_cm3: belongs in [material.x], named here',
        ),
        (
            {"composition": "TiZrN2"},
            '"TiZrN2" density_g_cm3: missing, and no density is known for a material of Ti, Zr, N;'
            " write density_g_cm3 = ... (g/cm3)",
        ),
        ({"composition": "CrN", "name": " "}, '"CrN" name: must not be empty'),
        ({"composition": "CrN", "name": 5}, '"CrN" name: must be text, got 5'),
        (
            {"composition": "CrN", "interface_shape": "errf"},
            '"CrN" interface_shape: must be "erf", "linear", "exponential", "logistic", "sharp",'
            ' "tabulated", "constant source" or "limited source", got "errf"; did you mean erf?',
        ),
        (
            {"composition": "CrN", "interface_shape": "sharp", "interface_width_nm": 2},
            '"CrN" interface_width_nm: a transition that is "sharp" has no width',
        ),
        (
            {"composition": "CrN", "interface_shape": "tabulated"},
            '"CrN" interface_table: missing; needed with interface_shape = "tabulated"',
        ),
        (
            {"composition": "CrN", "interface_table": [[0, 0], [1, 1]]},
            '"CrN" interface_table: goes with interface_shape = "tabulated"',
        ),
        (
            {
                "composition": "CrN",
                "interface_shape": "tabulated",
                "interface_table": [[0, 0], [1, 1]],
                "interface_width_nm": 0,
            },
            '"CrN" interface_width_nm: must be > 0 for a table, got 0',
        ),
        (
            {"composition": "CrN", "diffusivity_time_nm2": 2, "interface_width_nm": 4},
            '"CrN" diffusivity_time_nm2: stands beside interface_width_nm; write one',
        ),
        (
            {"composition": "CrN", "diffusivity_time_nm2": 2, "interface_shape": "linear"},
            '"CrN" diffusivity_time_nm2: goes with interface_shape = "erf", "constant source" or'
            ' "limited source"',
        ),
        (
            {"composition": "CrN", "diffusivity_time_nm2": {"value": 0, "u": 1}},
            '"CrN" diffusivity_time_nm2: of the value 0 must have u = 0',
        ),
        (
            {"composition": "CrN", "diffusivity_time_nm2": -1},
            '"CrN" diffusivity_time_nm2: must be >= 0, got -1',
        ),
        ({"composition": "CrN", "repeat": 2}, '"CrN" repeat: a period cannot hold another period'),
    ],
)
def test_layer_problems(keys, line):
    problems = problems_of(lambda: Layer(thickness_nm=4, **keys))
    bare = [problem.removeprefix("Layer ") for problem in problems]
    # Where the composition is refused, the layer has no name to show.
    assert bare == [line] or bare == [line.split(" ", 1)[1]]


@pytest.mark.parametrize("composition", ["Xx2O3", "", "Fe2(O", {"Fx": 1}, {}, {"Fe": 0}])
def test_impossible_compositions_are_refused_in_one_line(composition):
    (problem,) = problems_of(lambda: Layer(composition=composition, thickness_nm=4))
    assert problem.startswith(("Layer composition: ", 'Layer "'))


def test_endless_brackets_are_refused():
    (problem,) = problems_of(lambda: Layer(composition="(" * 150 + "Fe", thickness_nm=4))
    assert problem.startswith("Layer composition: ")


def test_a_rate_excuses_the_density():
    layer = Layer(composition="TiZrN2", thickness_nm=4, erosion_rate_nm_s=10)
    stack = Stack(layers=[layer], substrate=Substrate(composition="Fe"))
    assert stack.expanded()[0].density_g_cm3 is None


def test_substrate_has_no_thickness():
    assert problems_of(lambda: Substrate(composition="Fe", thickness_nm=5)) == [
        'Substrate "Fe" thickness_nm: a substrate has no thickness, it goes on without end'
    ]


def test_mass_fractions_become_atomic_fractions():
    brass = Material(composition_mass={"Cu": 63, "Zn": 37})
    # Derived from the standard atomic weights (IUPAC 2021): Cu 63.546, Zn 65.38.
    copper, zinc = 63 / 63.546, 37 / 65.38
    assert brass.atomic_fractions == pytest.approx(
        {"Cu": copper / (copper + zinc), "Zn": zinc / (copper + zinc)}, rel=1e-4
    )


# --- stacks ------------------------------------------------------------------------------------


def multilayer(**changes):
    period = {
        "repeat": 3,
        "of": [
            {"composition": "CrN", "thickness_nm": 20},
            {"material": "TiN", "thickness_nm": 30, "interface_width_nm": 1},
        ],
        "tie": ["thickness_nm"],
    }
    return Stack(
        layers=[
            {"name": "cap", "composition": "CrN", "thickness_nm": 5},
            {"material": "TiN", "thickness_nm": 6},
            {"composition": "CrN", "thickness_nm": 7},
            {"composition": "CrN", "thickness_nm": 8},
            period | changes,
        ],
        substrate={"name": "CrN", "composition": {"Fe": 0.94, "Cr": 0.05, "C": 0.01}},
        materials={"TiN": {"composition": "TiN", "density_g_cm3": 5.3, "erosion_rate_nm_s": 12}},
    )


def test_expanded_names_are_unique_and_keep_what_was_written():
    names = [layer.name for layer in multilayer().expanded()]
    assert names == [
        "cap",
        "TiN",
        "CrN (2)",  # CrN itself is written as the name of the substrate
        "CrN (3)",
        *("CrN #1", "TiN #1", "CrN #2", "TiN #2", "CrN #3", "TiN #3"),
        "CrN",
    ]
    assert [layer.label for layer in multilayer().expanded()][2:6] == ["CrN", "CrN", "CrN", "TiN"]


def test_substrate_is_last_and_endless():
    layers = multilayer().expanded()
    assert [layer.is_substrate for layer in layers] == [False] * 10 + [True]
    assert math.isinf(float(layers[-1].thickness_nm))
    assert layers[-1].composition == pytest.approx({"Fe": 0.94, "Cr": 0.05, "C": 0.01})


def test_tied_thicknesses_share_one_group_per_layer_of_the_period():
    layers = multilayer().expanded()[4:-1]
    groups = [layer.thickness_group for layer in layers]
    assert groups[0::2] == [groups[0]] * 3
    assert groups[1::2] == [groups[1]] * 3
    assert groups[0] != groups[1]
    assert len({layer.width_group for layer in layers}) == 6


def test_what_is_not_tied_is_independent():
    layers = multilayer(tie=[]).expanded()
    assert len({layer.thickness_group for layer in layers}) == len(layers)


def test_a_material_shares_density_and_rate_and_nothing_else():
    nitrides = [layer for layer in multilayer(tie=[]).expanded() if layer.material == "TiN"]
    assert len(nitrides) == 4
    assert len({layer.rate_group for layer in nitrides}) == 1
    assert len({layer.density_group for layer in nitrides}) == 1
    assert len({layer.thickness_group for layer in nitrides}) == 4
    assert {float(layer.erosion_rate_nm_s) for layer in nitrides} == {12.0}
    others = [layer for layer in multilayer().expanded() if layer.material is None]
    assert not {layer.rate_group for layer in others} & {layer.rate_group for layer in nitrides}


def test_groups_of_different_kinds_never_meet():
    chromium = {"composition": "Cr", "thickness_nm": 5, "erosion_rate_nm_s": 10}
    stack = Stack(
        layers=[
            {"name": "material TiN", **chromium},
            {"name": "Cr #1", **chromium},
            {"name": "Cr (all 2)", **chromium},
            {"name": "all Cr", **chromium},
            {"repeat": 2, "of": [chromium], "tie": ["thickness_nm"]},
            {"material": "TiN", "thickness_nm": 5},
            {"composition": "Cr", "thickness_nm": 5},
            {"composition": "Cr", "thickness_nm": 5},
        ],
        substrate={"composition": "Fe"},
        materials={"TiN": {"composition": "TiN"}},
    )
    layers = stack.expanded()
    assert len({layer.name for layer in layers}) == len(layers)
    assert len({layer.thickness_group for layer in layers}) == len(layers) - 1  # two are tied
    assert len({layer.rate_group for layer in layers}) == len(layers) - 2  # and two from yields
    assert layers[-2].rate_group == layers[-3].rate_group == "all Cr (2)"
    assert {layer.density_group for layer in layers} == {"all Cr (2)", "material TiN (2)", "Fe"}


def rate_groups(*layers, **materials):
    """Rate groups of layers on iron, and their density groups."""
    stack = Stack(
        layers=[{"thickness_nm": 5, **layer} for layer in layers],
        substrate={"composition": "Fe"},
        materials=materials,
    )
    *found, _ = stack.expanded()
    return [layer.rate_group for layer in found], [layer.density_group for layer in found]


def test_what_is_written_once_in_a_period_is_one_number():
    """Errors of density and rate are fully correlated across layers of a material."""
    period = [
        {"composition": "Cr", "thickness_nm": 5, "erosion_rate_nm_s": 10, "density_g_cm3": 7},
        {"composition": "Ti", "thickness_nm": 5},
    ]
    stack = Stack(layers=[{"repeat": 3, "of": period}], substrate={"composition": "Fe"})
    layers = stack.expanded()[:-1]
    assert [layer.rate_group for layer in layers] == 3 * ["Cr (all 3)", "Ti (all 3)"]
    assert [layer.density_group for layer in layers] == 3 * ["Cr (all 3)", "Ti (all 3)"]
    assert len({layer.thickness_group for layer in layers}) == 6


def test_what_is_not_written_follows_from_the_composition():
    rates, densities = rate_groups(
        {"name": "a", "composition": "Cu"},
        {"composition": "Ni"},
        {"name": "b", "composition": {"Cu": 2.0}},
        {"material": "foil"},
        foil={"composition_mass": {"Cu": 1.0}},
    )
    assert rates == densities == ["all Cu", "Ni", "all Cu", "all Cu"]


def test_a_written_rate_or_density_is_its_layer_s_own():
    rates, densities = rate_groups(
        {"name": "a", "composition": "Cu", "erosion_rate_nm_s": 20},
        {"name": "b", "composition": "Cu", "erosion_rate_nm_s": 20},
        {"name": "c", "composition": "Cu", "density_g_cm3": 8.0},
        {"name": "d", "composition": "Cu"},
    )
    assert rates == ["a", "b", "c", "d"]  # c is less dense than d, so its rate is another
    assert densities == ["all Cu", "all Cu", "c", "all Cu"]


def test_densities_written_alike_leave_the_rates_from_yields_alike():
    dense = {"composition": "Cu", "density_g_cm3": {"value": 8.0, "u": 0.2}}
    rates, densities = rate_groups({"name": "a", **dense}, {"name": "b", **dense})
    assert rates == ["all Cu", "all Cu"]
    assert densities == ["a", "b"]


def test_density_comes_from_the_table_with_its_uncertainty():
    layer = multilayer().expanded()[0]
    assert layer.density_g_cm3.status == "default"
    assert 0 < layer.density_g_cm3.u < 0.2 * float(layer.density_g_cm3)


def test_elements_come_in_the_order_of_depth():
    assert multilayer().elements() == ["Cr", "N", "Ti", "Fe", "C"]


def test_bulk_sample_needs_no_layer():
    (only,) = Stack(substrate={"composition": "Fe"}).expanded()
    assert only.is_substrate


def test_objects_and_dictionaries_make_the_same_stack():
    of_objects = Stack(
        layers=[
            Layer(composition="CrN", thickness_nm=4),
            RepeatedLayers(repeat=2, of=[Layer(material="TiN", thickness_nm=5)]),
        ],
        substrate=Substrate(composition="Fe"),
        materials={"TiN": Material(composition="TiN")},
    )
    of_dictionaries = Stack(
        layers=[
            {"composition": "CrN", "thickness_nm": 4},
            {"repeat": 2, "of": [{"material": "TiN", "thickness_nm": 5}]},
        ],
        substrate={"composition": "Fe"},
        materials={"TiN": {"composition": "TiN"}},
    )
    assert of_objects == of_dictionaries


def test_stack_problems_come_all_at_once():
    problems = problems_of(
        lambda: Stack(
            layers=[
                {"name": "a", "composition": "Cr", "thickness_nm": 0},
                {"name": "a", "composition": "Cr", "thickness_nm": 1},
                {"material": "TiM", "thickness_nm": 1},
                {
                    "repeat": 2,
                    "tie": ["thicknes_nm"],
                    "of": [{"material": "X", "thickness_nm": "1"}],
                },
                {"repeat": 0, "name": "b"},
                {"repeat": 2, "of": [{"name": "c", "composition": "Cr", "thickness_nm": 1}] * 2},
            ],
            substrate=Substrate(name="a", composition="Fe"),
            materials={"TiN": {"composition": "TiN"}},
        )
    )
    tieable = '"thickness_nm" or "interface_width_nm"'
    assert sorted(problems) == [
        'layer[1] "a" thickness_nm: must be > 0, got 0',
        'layer[2] "a" name: is the name of layer[1], too; names are unique',
        'layer[3] "TiM" material: there is no [material.TiM]; did you mean TiN?',
        f'layer[4] tie[1]: must be {tieable}, got "thicknes_nm"; did you mean thickness_nm?',
        'layer[4].of[1] "X" material: there is no [material.X]',
        'layer[4].of[1] "X" thickness_nm: must be a number, got "1"',
        "layer[5] name: belongs to the layers of the period, each under [[layer.of]]",
        "layer[5] of: missing; the layers of one period, each under [[layer.of]]",
        "layer[5] repeat: must be >= 1, got 0",
        'layer[6].of[2] "c" name: is the name of of[1], too; names are unique',
        'substrate "a" name: is the name of layer[1], too; names are unique',
    ]


@pytest.mark.parametrize(
    ("keys", "problem"),
    [
        ({}, "substrate: missing"),
        ({"substrate": 5}, "substrate: must be a table, got 5"),
        ({"substrate": {"composition": "Fe"}, "layers": 5}, "layer: must be a list, got 5"),
        ({"substrate": {"composition": "Fe"}, "layers": [7]}, "layer[1]: must be a table, got 7"),
        (
            {"substrate": {"composition": "Fe"}, "layers": {"composition": "Fe"}},
            "layer: must be a list of tables: write its head in two brackets, as in [[layer]]",
        ),
        ({"substrate": {"composition": "Fe"}, "materials": 5}, "material: must be a table, got 5"),
        (
            {"substrate": {"composition": "Fe"}, "materials": {"a b": 5}},
            'material."a b": must be a table, got 5',
        ),
        (
            {"substrate": {"composition": "Fe"}, "layer": []},
            "layer: unknown key; did you mean layers?",
        ),
    ],
)
def test_what_is_no_stack(keys, problem):
    assert problems_of(lambda: Stack(**keys)) == [problem]


@pytest.mark.parametrize(
    ("repeat", "problem"),
    [
        (1_000_000_000, "layer[1] repeat: must be <= 1000, got 1000000000"),
        (600, "layer[1]: brings the stack to 1200 layers; at most 1000"),
        (2.0, "layer[1] repeat: must be a whole number, got 2.0"),
        (True, "layer[1] repeat: must be a whole number, got true"),
    ],
)
def test_number_of_periods_is_limited(repeat, problem):
    layer = {"composition": "Cr", "thickness_nm": 1}
    problems = problems_of(
        lambda: Stack(
            layers=[{"repeat": repeat, "of": [layer, layer]}], substrate={"composition": "Fe"}
        )
    )
    assert problems == [problem]


def test_number_of_written_layers_is_limited():
    layers = [{"composition": "Cr", "thickness_nm": 1}] * 1001
    problems = problems_of(lambda: Stack(layers=layers, substrate={"composition": "Fe"}))
    assert problems == ["layer: must be at most 1000 layers, got 1001"]


# --- graded layers -----------------------------------------------------------------------------

NITRIDES = {
    "TiN": {"composition": "TiN", "density_g_cm3": 5.0},
    "CrN": {"composition": "CrN", "density_g_cm3": 6.0},
}
ROWS = [[0, "TiN"], [0.25, "CrN"], [1, "TiN"]]


def graded(thickness_nm=80.0, **keys):
    keys = {"name": "grade", "grading": ROWS, **keys}
    return Layer(thickness_nm=thickness_nm, **keys)


def stack_of(*layers):
    return Stack(layers=layers, substrate=Substrate(composition="Fe"), materials=NITRIDES)


def test_a_graded_layer_is_made_of_its_materials():
    # Derived: materials rise and fall along straight lines, so each holds half of the steps to its
    # neighbours, of 20 and 60 nm.
    layers = stack_of(graded(interface_width_nm=3.0)).expanded()[:-1]
    assert [layer.name for layer in layers] == ["grade: TiN", "grade: CrN", "grade: TiN (2)"]
    assert {layer.label for layer in layers} == {"grade"}
    assert [float(layer.thickness_nm) for layer in layers] == [10.0, 40.0, 30.0]
    assert {layer.thickness_nm.u for layer in layers} == {0.0}
    assert [layer.interface_shape for layer in layers] == ["linear", "linear", "erf"]
    assert layers[-1].interface_width_nm == Quantity(3.0)
    assert layers[0].rate_group == layers[2].rate_group == "material TiN"


def test_a_graded_layer_without_a_name_is_called_by_its_ends():
    assert graded(name=None, grading=[[0, "TiN"], [1, "CrN"]]).label == "TiN to CrN"
    assert stack_of(graded(name=None)).elements() == ["Ti", "N", "Cr", "Fe"]


def test_a_period_may_hold_a_graded_layer():
    period = RepeatedLayers(repeat=2, of=[graded(), Layer(material="CrN", thickness_nm=5)])
    names = [layer.name for layer in stack_of(period).expanded()[:-1]]
    assert names[:4] == ["grade: TiN #1", "grade: CrN #1", "grade: TiN #1 (2)", "CrN #1"]
    assert len(names) == len(set(names)) == 8


@pytest.mark.parametrize(
    ("rows", "problem"),
    [
        (5, "must be a list of [relative depth, material], got 5"),
        ([[0, "TiN"]], "must have from 2 to 200 rows, got 1"),
        (
            [[0, "TiN"], [1, 2]],
            "row 2 must be a relative depth and the name of a material, got [1, 2]",
        ),
        ([[0, "TiN"], ["1", "CrN"]], 'row 2 relative depth must be a number, got "1"'),
        (
            [[0, "TiN"], [0, "CrN"], [1, "TiN"]],
            "row 2 relative depth must be 0.0001 or more below 0 before it, got 0",
        ),
        (
            [[0, "TiN"], [0.9, "CrN"]],
            "relative depth must run from 0 in the first row to 1 in the last, got 0 to 0.9",
        ),
    ],
)
def test_rows_that_are_no_grading(rows, problem):
    assert problems_of(lambda: graded(grading=rows)) == [f'Layer "grade" grading: {problem}']


@pytest.mark.parametrize(
    ("keys", "problem"),
    [
        (
            {"thickness_nm": {"guess": 80}},
            "thickness_nm: of a graded layer must be a plain number or exactly known (u = 0),"
            " got {'guess': 80.0}",
        ),
        (
            {"material": "TiN"},
            "grading: stands beside material; write only one of composition, composition_mass,"
            " material, grading",
        ),
        ({"thickness_nm": 1e-5}, "grading: has rows that are less than 1e-05 nm apart"),
        ({"density_g_cm3": 5}, "density_g_cm3: belongs in [material.TiN], named here"),
        (
            {
                "thickness_nm": None,
                "interface_shape": "constant source",
                "diffusivity_time_nm2": 5,
            },
            "thickness_nm: missing; that of a graded layer has to be written",
        ),
    ],
)
def test_graded_layers_that_cannot_be(keys, problem):
    assert problems_of(lambda: graded(**keys)) == [f'Layer "grade" {problem}']


def test_a_grading_names_materials():
    rows = [[0, "TiN"], [1, "TiM"]]
    assert problems_of(lambda: stack_of(graded(grading=rows))) == [
        'layer[1] "grade" grading: there is no [material.TiM]; did you mean TiN?'
    ]


def test_an_inversion_is_told_that_a_graded_layer_is_known():
    assert list(stack_of(graded()).not_held()) == [
        'layer[1] "grade" thickness_nm: an inversion holds a graded layer as it is written;'
        " write { value = 80, u = 0 } if it is known"
    ]
    assert list(stack_of(graded({"value": 80.0, "u": 0})).not_held()) == []
