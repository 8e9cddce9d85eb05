"""Broadening by the instrument that is left to the profile: bounds, limits, refused trials."""

import io
import json
from functools import cache

import numpy as np
import pytest
from rich.console import Console

import craterfront.forward_model.assembly
import craterfront.objective.linear_terms
from craterfront.answers.results import answer
from craterfront.cli import main
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.coarse_objective import CoarseMisfit
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of, write_dataset
from craterfront.models.quick_engine.slicing import MAX_SLICES
from craterfront.objective.coordinates import Coordinates
from craterfront.objective.likelihood import Likelihood
from craterfront.problems import InputProblems
from craterfront.reports.report import print_answer

SAMPLE = """
[[layer]]
name = "copper"
composition = "Cu"
thickness_nm = {copper}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[crater]
shape = "parabolic"
curvature = {curvature}
[roughness]
initial_nm = {roughness}
[mixing]
model = "uniform"
length_nm = {mixing}
[detection]
escape_depth_nm = {escape}
sampling_s = 0.03
duration_s = 6.0
[noise]
counts_per_unit_s = 40.0
"""
TRUTH = {"copper": 50.0, "curvature": 0.0, "roughness": 0.0, "mixing": 2.0, "escape": 0.0}
HELD = {key: f"{{ value = {value}, u = 0 }}" for key, value in TRUTH.items()}
KNOWN = {**HELD, "copper": "{ guess = 40.0 }"}


def loaded(**written):
    return experiment_from_toml(SAMPLE.format(**{**KNOWN, **written}))


@cache
def profile(seed=1, **changed):
    made = experiment_from_toml(SAMPLE.format(**{**TRUTH, **changed}))
    return profile_of(simulate(made.stack, made.setup, seed=seed), "profile.nc")


def parameter(kind, **written):
    experiment = loaded(**written)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    return assembly.parameters[assembly.index_of(kind)]


def estimate(found, name):
    return next(each for each in answer(found).estimates if each.name == name)


# --- bounds ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "kind", "state"),
    [
        ("roughness", "initial roughness", "free, 0 to 40 nm"),
        ("escape", "escape depth", "free, 0 to 40 nm"),
        ("mixing", "mixing length", "free, 0.1 to 40 nm"),
        ("curvature", "curvature", "free, 0 to 1.9"),
    ],
)
def test_nothing_that_is_free_is_wider_than_the_sample(key, kind, state):
    found = parameter(kind, **{key: "{ guess = 1.0 }"})
    assert found.described() == state
    assert found.broadens


def test_the_bounds_of_the_file_come_first():
    found = parameter("escape depth", escape="{ guess = 1.0, min = 0.5, max = 90.0 }")
    assert (found.lower, found.upper) == (0.5, 90.0)
    assert not found.widest_by_default


def test_a_guess_may_be_wider_than_the_sample():
    assert parameter("escape depth", escape="{ guess = 70.0 }").upper == 70.0


@pytest.mark.parametrize(("guess", "bounds"), [(0.1, (0.0, 1.9)), (-0.1, (-1.9, 0.0))])
def test_a_curvature_keeps_the_sign_of_its_guess(guess, bounds):
    """Derived: relative rates are uniform on 1 -/+ curvature/2, whatever its sign."""
    found = parameter("curvature", curvature=f"{{ guess = {guess} }}")
    assert (found.lower, found.upper) == bounds


def test_what_has_a_prior_is_moved_as_before():
    assert not parameter("initial roughness", roughness="{ value = 1.0, u = 0.2 }").may_be_zero
    assert not parameter("initial roughness", roughness="1.0").may_be_zero


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_coordinates_of_free_broadening_are_squares(sign):
    experiment = loaded(curvature=f"{{ guess = {0.05 * sign} }}", roughness="{ guess = 2.0 }")
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    free = [assembly.index_of(kind) for kind in ("curvature", "initial roughness")]
    coordinates = Coordinates(assembly, free)
    x = np.array([4.0, 0.25])
    values = coordinates.values(x)
    assert values[free] == pytest.approx([0.1 * sign, 1.0])
    assert coordinates.of(values) == pytest.approx(x)
    lower, upper = coordinates.bounds()
    assert lower == pytest.approx([0.0, 0.0])
    assert upper == pytest.approx([38.0**2, 20.0**2])
    # Derived: v = s sqrt(x), so dv/dx = v / (2 x).
    assert coordinates.gradient(free[1], values) == pytest.approx([0.0, 1.0 / 0.5])
    assert coordinates.gradient(free[1], coordinates.values(0.0 * x))[1] == np.inf


# --- limits ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "name", "guess"),
    [
        ("roughness", "initial roughness", 3.0),
        ("escape", "escape depth", 1.0),
        ("curvature", "crater curvature", 0.1),
        ("curvature", "crater curvature", -0.1),
    ],
)
def test_what_is_not_there_has_a_limit_and_no_value(key, name, guess):
    found = invert(profile(), loaded(**{key: f"{{ guess = {guess} }}"}))
    answers = answer(found)
    number = estimate(found, name)
    assert not number.resolved
    assert number.lower <= 0.0 <= number.upper
    assert 0.0 in (number.lower, number.upper)
    limit = max(abs(number.lower), abs(number.upper))
    assert 0.0 < limit < abs(guess)
    (row,) = (each for each in answers.as_dict()["parameters"] if each["name"] == name)
    assert (row["value"], row["u"], row["resolved"]) == (None, None, False)
    assert (row["lo"], row["hi"]) == (number.lower, number.upper)
    console = Console(file=io.StringIO(), width=120)
    print_answer(answers, console)
    lines = console.file.getvalue().splitlines()
    assert any(name in line and "upper limit only" in line for line in lines)


def test_what_is_there_has_a_value():
    found = invert(profile(roughness=3.0), loaded(roughness="{ guess = 1.0 }"))
    number = estimate(found, "initial roughness")
    assert number.resolved
    assert number.lower < 3.0 < number.upper
    assert number.value == pytest.approx(3.0, abs=4.0 * number.u)
    assert number.upper - number.lower == pytest.approx(2.0 * 1.96 * number.u, rel=0.05)


def test_a_mixing_length_far_below_its_guess_is_a_limit():
    found = invert(
        profile(mixing=0.05, roughness=3.0),
        loaded(mixing="{ guess = 2.0 }", roughness="{ value = 3.0, u = 0 }"),
    )
    number = estimate(found, "mixing length")
    assert (number.resolved, number.lower) == (False, 0.0)
    assert 0.05 < number.upper < 2.0


def test_what_the_file_excludes_is_no_measurement():
    found = invert(profile(), loaded(roughness="{ guess = 1.0, min = 0.1, max = 5.0 }"))
    number = estimate(found, "initial roughness")
    assert (number.resolved, number.lower) == (False, 0.1)
    assert number.why == "the data do not tell it from zero; the file says that it is larger"


def test_a_limit_widens_what_depends_on_it():
    """A free escape depth shifts an edge: where it is open, so is the thickness."""
    held = answer(invert(profile(), loaded())).layers[0]
    found = answer(invert(profile(), loaded(escape="{ guess = 1.0 }"))).layers[0]
    assert found.u > 1.2 * held.u
    assert found.lower < 50.0 < found.upper


# --- what the engine refuses ---------------------------------------------------------------------


def refusing(monkeypatch, function, beyond_nm):
    """Let the engine refuse instruments whose escape depth is larger."""
    module = {
        "plan": craterfront.forward_model.assembly,
        "run": craterfront.objective.linear_terms,
    }[function]
    original = getattr(module, function)

    def refuse(sample, instrument, *others, **more):
        if instrument.escape_depth_nm > beyond_nm:
            raise ValueError("too deep an escape")
        return original(sample, instrument, *others, **more)

    monkeypatch.setattr(module, function, refuse)


@pytest.mark.parametrize("function", ["plan", "run"])
def test_a_refused_trial_does_not_end_the_fit(monkeypatch, function):
    known = loaded(escape="{ guess = 1.2 }")
    usual = answer(invert(profile(), known)).layers[0]
    refusing(monkeypatch, function, 1.3)
    found = answer(invert(profile(), known)).layers[0]
    assert found.value == pytest.approx(usual.value, abs=0.5 * usual.u)


def test_a_refused_trial_is_infinitely_bad(monkeypatch):
    known = loaded(escape="{ guess = 1.2 }")
    assembly = Assembly(known.stack, known.setup, merge_equal=False)
    likelihood = Likelihood(assembly, profile())
    x = likelihood.coordinates.of(assembly.nominal)
    likelihood.replan(x)
    for objective in (likelihood.objective(), CoarseMisfit(likelihood, 0.0, 0.02).objective()):
        assert np.isfinite(objective.cost(x))
    refusing(monkeypatch, "run", 1.0)
    for objective in (likelihood.objective(), CoarseMisfit(likelihood, 0.0, 0.02).objective()):
        assert objective.cost(x) == np.inf


@pytest.mark.parametrize("function", ["plan", "run"])
def test_a_start_that_is_refused_is_one_problem(monkeypatch, function):
    refusing(monkeypatch, function, 1.0)
    with pytest.raises(InputProblems, match=r"^cannot be computed: too deep an escape; other gue"):
        invert(profile(), loaded(escape="{ guess = 1.2 }"))


def test_too_fine_a_feature_is_one_message_on_the_command_line(tmp_path, monkeypatch, capsys):
    text = SAMPLE.format(**{**KNOWN, "copper": 5e6, "escape": 1e-6})
    fine, data = tmp_path / "fine.toml", tmp_path / "profile.nc"
    slow = text.replace("duration_s = 6.0", "duration_s = 3e5")
    fine.write_text(slow.replace("sampling_s = 0.03", "sampling_s = 300.0"), encoding="utf-8")
    made = experiment_from_toml(SAMPLE.format(**TRUTH))
    write_dataset(simulate(made.stack, made.setup, seed=1), data)
    out = tmp_path / "out.nc"
    for command in (
        ["simulate", str(fine), "-o", str(out)],
        ["invert", str(data), "-e", str(fine), "-o", str(out), "--json"],
    ):
        monkeypatch.setattr("sys.argv", ["craterfront", *command])
        with pytest.raises(SystemExit) as stopped:
            main()
        assert stopped.value.code == 2
        problem = capsys.readouterr().err
        assert "Traceback" not in problem
        assert f"more than {MAX_SLICES} slices" in problem
    assert not out.exists()


def test_the_dataset_holds_the_limits():
    from craterfront.answers.results import estimate_dataset

    found = invert(profile(), loaded(roughness="{ guess = 3.0 }"))
    held = json.loads(estimate_dataset(found, answer(found)).attrs["answer"])
    (row,) = (each for each in held["parameters"] if each["name"] == "initial roughness")
    assert (row["lo"], row["resolved"]) == (0.0, False)
