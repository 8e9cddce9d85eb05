"""The forecast of a measurement, against Fisher information computed without it."""

import io
import json
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from rich.console import Console
from studies import recovery

from craterfront import cli
from craterfront.experiments.depth_scale import DepthScale
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forecasts.forecasting import Forecast, forecast
from craterfront.forecasts.information import Information
from craterfront.forecasts.planned import plan_measurement
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate, time_edges_s
from craterfront.measured_files.files import profile_of
from craterfront.objective.curvature import curvature, quadratic_form
from craterfront.objective.likelihood import Likelihood
from craterfront.problems import InputProblems
from craterfront.reports.figure_style import save_figure
from craterfront.reports.forecast_figure import forecast_figure
from craterfront.reports.forecast_report import print_forecast

# A nickel layer on copper; what is written in braces differs between tests.
ONE = """
[[layer]]
name = "nickel"
composition = "Ni"
thickness_nm = {thickness}
interface_width_nm = {width}
erosion_rate_nm_s = {rate}
density_g_cm3 = {density}
[substrate]
composition = "Cu"
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[crater]
shape = "parabolic"
curvature = {curvature}
[roughness]
initial_nm = {roughness}
[mixing]
model = "uniform"
length_nm = {{ value = 1.0, u = 0 }}
[detection]
sampling_s = {sampling}
duration_s = 6.0
[noise]
counts_per_unit_s = {counts}
flicker = {{ rms = {flicker}, correlation_s = 0.1 }}
readout_per_sqrt_s = {readout}
"""
WRITTEN = {
    "thickness": "60.0",
    "width": "12.0",
    "rate": "{ value = 20.0, u_rel = 0.02 }",
    "density": "{ value = 8.9, u_rel = 0.03 }",
    "curvature": "{ value = 0.05, u = 0.01 }",
    "roughness": "{ value = 2.0, u = 0.2 }",
    "sampling": "0.05",
    "counts": "3.0",
    "flicker": "0.01",
    "readout": "5.0",
}


@cache
def of_one(**changes: str) -> Forecast:
    return forecast(experiment_from_toml(ONE.format(**{**WRITTEN, **changes})))


def u_of(found: Forecast, name: str) -> float:
    return next(answer.u for answer in found.answers if answer.name == name)


# --- against other ways to the information -----------------------------------------------------


@pytest.mark.derived
@pytest.mark.parametrize("seed", [2, 25, 30])
def test_thicknesses_against_an_information_computed_apart(seed):
    """Derived: `studies.recovery` takes counts, sixth-order differences and Woodbury's identity."""
    truth = recovery.draw(seed)[0]
    count = len(truth.thickness_nm)
    truth = replace(truth, curvature=0.04, initial_nm=2.0, mixing_nm=1.5, width_nm=[2.0] * count)
    known = recovery._experiment(truth, truth.rate_nm_s, truth.thickness_nm, known=False)
    assembly = Assembly(known.stack, known.setup, merge_equal=False)
    planned = plan_measurement(assembly, time_edges_s(assembly), DepthScale())
    information = Information.of(planned)
    covariance = information.picture().covariance
    weights = [{assembly.thickness_index(i): 1.0} for i in range(count)]
    weights.append({assembly.thickness_index(i): 1.0 for i in range(count)})
    u = [quadratic_form(information.gradient(each), covariance) ** 0.5 for each in weights]
    assert u == pytest.approx(recovery.fisher_u(truth), rel=1e-3)


def test_the_objective_of_an_inversion_gives_the_same_covariance():
    """There linear numbers are solved for at every trial; backgrounds stand off their bound."""
    channels = "".join(
        f'[[detection.channel]]\nelement = "{e}"\nbackground = {{ guess = 40.0 }}\n'
        for e in ("Ni", "Cu")
    )
    experiment = experiment_from_toml(ONE.format(**WRITTEN) + channels)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    planned = plan_measurement(assembly, time_edges_s(assembly), experiment.depth_scale)
    clean = simulate(experiment.stack, experiment.setup, seed=1)
    assert planned.signal == pytest.approx(clean["clean"].values, rel=1e-6)
    clean["intensity"] = clean["clean"]
    likelihood = Likelihood(assembly, profile_of(clean, "clean"))
    likelihood.replan(planned.x)
    likelihood.update_weights(likelihood.solve(planned.x))
    full = likelihood.information_rows(planned.x)
    information = Information.of(planned)
    count = planned.x.size
    ours = information.picture().covariance[:count, :count]
    theirs = curvature(full).covariance[:count, :count]
    assert np.sqrt(np.diag(ours)) == pytest.approx(np.sqrt(np.diag(theirs)), rel=0.01)


@pytest.mark.derived
def test_the_smallest_width_of_a_gaussian_edge():
    """Derived: an edge S Phi(-t/s) changes with its variance v = s^2 by S z phi(z) / (2 v), so
    readings of the noise density rho have the information S^2 / (16 sqrt(pi) rho^2 s^3) about v,
    twice that in two channels. The width w adds (w / 2)^2 / rate^2 to v; it is told from zero where
    v / u(v) = 2 sqrt(2.706). The long plateaus fix everything else."""
    text = """
[[layer]]
composition = "Ni"
density_g_cm3 = 8.9
thickness_nm = 400.0
interface_width_nm = 0.0
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[substrate]
composition = "Cu"
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[roughness]
initial_nm = {{ value = 6.0, u = 0 }}
[mixing]
model = "none"
[detection]
sampling_s = 0.02
duration_s = 40.0
[noise]
readout_per_sqrt_s = {}
"""
    experiment = experiment_from_toml(text.format(1.0))
    plateau = simulate(experiment.stack, experiment.setup, seed=1)["clean"].values.max(axis=1)
    s, rho = 6.0 / 20.0, 1.0
    information = np.sum(plateau**2) / (16.0 * math.sqrt(math.pi) * rho**2 * s**3)
    smallest = 2.0 * 20.0 * math.sqrt(2.0 * math.sqrt(2.706) / math.sqrt(information))
    assert smallest < 0.25 * 6.0  # so small that the edge keeps its shape
    (told,) = forecast(experiment).told
    assert told.smallest == pytest.approx(smallest, rel=0.02)
    assert told.share == pytest.approx(0.05, abs=0.001)
    at_it = text.replace("interface_width_nm = 0.0", f"interface_width_nm = {told.smallest}")
    (told,) = forecast(experiment_from_toml(at_it.format(1.0))).told
    assert told.share == pytest.approx(0.95, abs=0.01)


def test_repeats_scatter_as_forecast():
    """The estimator to first order, of 200 simulated profiles and of priors that scatter, too."""
    text = ONE.format(**WRITTEN)
    experiment = experiment_from_toml(text)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    planned = plan_measurement(assembly, time_edges_s(assembly), experiment.depth_scale)
    information = Information.of(planned)
    noise = planned.likelihood.noise
    slopes = planned.white(planned.slopes, noise)
    slopes = np.pad(slopes, ((0, 0), (0, len(information.hidden))))
    priors = np.array([prior.row for prior in information.priors])
    covariance = information.picture().covariance
    rng = np.random.default_rng(7)
    found = []
    for seed in range(200):
        readings = simulate(experiment.stack, experiment.setup, seed=seed)["intensity"].values
        white = planned.white((readings - planned.signal)[..., None], noise)[:, 0]
        pull = slopes.T @ white + priors.T @ rng.standard_normal(len(priors))
        found.append(covariance @ pull)
    thickness, width = assembly.thickness_index(0), assembly.width_index(0)
    mass = {thickness: 8.9e-3, assembly.density_index(0): 60e-3}
    forecasts = of_one()
    for name, weights in (
        ("thickness of nickel", {thickness: 1.0}),
        ("width below nickel", {width: 1.0}),
        ("mass of nickel", mass),
    ):
        errors = np.array(found) @ information.gradient(weights)
        assert np.std(errors) == pytest.approx(u_of(forecasts, name), rel=0.15)


# --- elasticities ------------------------------------------------------------------------------


@pytest.mark.derived
def test_elasticities_add_up_to_one():
    """Derived: the variance is homogeneous of degree 1 in all variances of noise and priors, so the
    elasticities by their roots add up to 1; counts enter as one over a variance. A smallest width
    goes with the root of an uncertainty."""
    found = forecast(
        experiment_from_toml(
            ONE.format(**{**WRITTEN, "width": "1.0", "density": "{ value = 8.9, u_rel = 0.1 }"})
        )
    )
    for answer in found.answers:
        closed = {n: e for n, e in answer.elasticities.items() if n not in found.reruns}
        total = sum(closed.values()) - 3.0 * closed["total counts"]
        assert total == pytest.approx(0.5 if answer.is_smallest else 1.0, rel=1e-4)
        assert all(e > -1e-9 for n, e in closed.items() if n != "total counts")
    assert [a.is_smallest for a in found.answers] == [False, False, True]


@pytest.mark.parametrize(
    ("setting", "changed", "rel"),
    [
        ("total counts", {"counts": "6.0"}, 1e-4),
        ("flicker of the source", {"flicker": "0.005"}, 1e-4),
        ("readout noise", {"readout": "2.5"}, 1e-4),
        ("u of erosion rates", {"rate": "{ value = 20.0, u_rel = 0.01 }"}, 1e-4),
        ("u of densities", {"density": "{ value = 8.9, u_rel = 0.015 }"}, 1e-4),
        ("u of roughness", {"roughness": "{ value = 2.0, u = 0.1 }"}, 1e-4),
        ("sampling interval", {"sampling": "0.025"}, 0.01),
        ("crater curvature", {"curvature": "{ value = 0.025, u = 0.01 }"}, 0.01),
        ("initial roughness", {"roughness": "{ value = 1.0, u = 0.2 }"}, 0.01),
    ],
)
def test_a_step_gives_what_the_changed_file_gives(setting, changed, rel):
    before, after = of_one(), of_one(**changed)
    for answer in before.answers:
        assert answer.improved[setting] == pytest.approx(u_of(after, answer.name), rel=rel)


def test_the_limit_is_the_largest_elasticity_and_said_in_words():
    found = of_one()
    thickness = found.answers[0]
    assert thickness.limit == "u of erosion rates"
    assert thickness.elasticities[thickness.limit] > 0.9
    assert "uncertainty of erosion rate of nickel" in thickness.words
    assert "more counts would not help" in thickness.words
    assumed = of_one(rate="20.0").answers[0]
    assert "assumed uncertainty of erosion rate of nickel" in assumed.words


# --- what cannot be forecast -------------------------------------------------------------------


def test_without_noise_it_stops():
    text = ONE.format(**WRITTEN)
    with pytest.raises(InputProblems, match=r"noise: .* counts_per_unit_s, or readout_per_sqrt_s"):
        forecast(experiment_from_toml(text[: text.index("[noise]")]))


def test_without_a_depth_scale_it_stops_and_relative_answers_in_seconds():
    guessed = {**WRITTEN, "rate": "{ guess = 20.0 }"}
    experiment = experiment_from_toml(ONE.format(**guessed))
    with pytest.raises(InputProblems, match="nothing fixes the depth scale"):
        forecast(experiment)
    found = forecast(experiment, relative=True)
    assert found.unit == "s"
    assert found.notes[0] == "times at nominal rates, no depths"
    assert {answer.unit for answer in found.answers} == {"s"}
    assert found.answers[0].value == pytest.approx(3.0)
    assert found.answers[0].u < 0.05 * found.answers[0].value
    assert found.told[0].value == pytest.approx(12.0 / 20.0)


def test_a_profile_against_depth_is_refused():
    text = ONE.format(**WRITTEN) + '[profile]\naxis = "depth"\nvalues = "atomic fraction"\n'
    with pytest.raises(InputProblems) as caught:
        forecast(experiment_from_toml(text))
    assert [line.split(":")[0] for line in caught.value.problems] == [
        "profile axis",
        "profile values",
    ]


def test_roughness_that_nobody_wrote_leaves_no_width_to_tell():
    text = ONE.format(**WRITTEN)
    start, end = text.index("[roughness]"), text.index("[mixing]")
    (told,) = forecast(experiment_from_toml(text[:start] + text[end:])).told
    assert told.smallest == math.inf
    assert told.share == 0.0
    assert told.why.startswith("[roughness] is not written")


def test_a_held_width_is_called_held():
    (told,) = of_one(width="{ value = 3.0, u = 0 }").told
    assert told.why == "held"
    assert [a.name for a in of_one(width="{ value = 3.0, u = 0 }").answers] == [
        "thickness of nickel",
        "mass of nickel",
    ]


def test_what_the_readings_hardly_tell_rests_on_the_guess():
    """Of a layer deeper than the measurement reaches nothing is learned: a factor of 3 is left."""
    found = of_one(thickness="400.0")
    assert found.answers[0].u == pytest.approx(400.0 * math.log(3.0), rel=0.02)
    assert found.answers[0].words.startswith("rests on the guess")
    assert any("rough there" in note for note in found.notes)


def test_saturated_readings_tell_nothing():
    channels = '[[detection.channel]]\nelement = "Cu"\n[[detection.channel]]\nelement = "Ni"\n'
    text = ONE.format(**WRITTEN) + channels
    free, limited = (
        forecast(experiment_from_toml(text + more)) for more in ("", "saturation = 900.0\n")
    )
    assert u_of(limited, "width below nickel") > 1.05 * u_of(free, "width below nickel")
    assert any("will be saturated" in note for note in limited.notes)


# --- what people see ---------------------------------------------------------------------------


@pytest.fixture
def plan_file(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text(ONE.format(**WRITTEN), encoding="utf-8")
    return path


def test_tables_name_every_answer():
    text = io.StringIO()
    print_forecast(of_one(), Console(width=140, file=text))
    for answer in of_one().answers:
        assert answer.name in text.getvalue()
    assert "told from zero" in text.getvalue()
    assert "Elasticities" in text.getvalue()


def test_json_and_figure_of_the_command(plan_file, tmp_path, monkeypatch, capsys):
    figure = tmp_path / "forecast.png"
    arguments = ["forecast", str(plan_file), "--json", "--figure", str(figure)]
    monkeypatch.setattr("sys.argv", ["craterfront", *arguments])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 0
    written = json.loads(capsys.readouterr().out)
    assert written == json.loads(of_one().as_json())
    assert written["answers"][0]["u"] == pytest.approx(of_one().answers[0].u)
    assert figure.read_bytes().startswith(b"\x89PNG")


def test_no_noise_ends_with_status_2(plan_file, monkeypatch, capsys):
    text = plan_file.read_text(encoding="utf-8")
    plan_file.write_text(text[: text.index("[noise]")], encoding="utf-8")
    monkeypatch.setattr("sys.argv", ["craterfront", "forecast", str(plan_file)])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == cli.BAD_INPUT
    assert capsys.readouterr().err.startswith(f"{plan_file}: noise: ")


def test_a_figure_has_a_row_for_each_answer_and_a_column_for_each_setting(tmp_path):
    found = of_one()
    figure = forecast_figure(found)
    left, right = figure.axes
    assert len(left.get_yticks()) == len(found.answers)
    assert [t.get_text() for t in right.get_xticklabels()] == found.settings_that_matter(0.02)
    save_figure(figure, tmp_path / "forecast.svg")
