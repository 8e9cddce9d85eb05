"""The sampled posterior of an inversion: its density, its draws, its file.

The sample is a layer of copper on aluminium, small enough that integrals can be taken by brute
force. Expected numbers are derived from the stated priors and likelihoods beside each check.
"""

import json
import math
from dataclasses import replace
from functools import cache
from io import StringIO

import numpy as np
import pytest
from rich.console import Console
from scipy.special import logsumexp, ndtr

from craterfront.answers.results import answer, estimate_dataset
from craterfront.cli import app
from craterfront.commands.single_inversion import _print_tables
from craterfront.experiments.experiment import experiment_from_dict, experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of, write_dataset
from craterfront.posterior_sampling.density_sampling import sample
from craterfront.posterior_sampling.linear_marginal import Conditional, LinearMarginal
from craterfront.posterior_sampling.posterior import Posterior
from craterfront.posterior_sampling.posterior_tree import (
    GROUPS,
    posterior_tree,
    read_posterior,
    write_posterior,
)
from craterfront.posterior_sampling.predictive import Check, discrepancies, replicate
from craterfront.posterior_sampling.sampled_posterior import sample_posterior
from craterfront.posterior_sampling.trusted_draws import CHAINS
from craterfront.problems import InputProblems
from craterfront.reports.html_report import html_report

COAT = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {thickness}
interface_width_nm = {width}
erosion_rate_nm_s = {rate}
[substrate]
composition = "Al"
erosion_rate_nm_s = {{ value = 10.0, u = 0 }}
[roughness]
initial_nm = {{ value = 1.0, u = {roughness_u} }}
[[detection.channel]]
element = "Cu"
sensitivity = {sensitivity}
background = {background}
[detection]
sampling_s = 0.1
duration_s = 6.0
[noise]
{noise}
"""
COUNTED = "counts_per_unit_s = 2.0"
MEASURED = "readout_per_sqrt_s = 3.0"  # nothing counted: normal noise
TRUTH = {
    "thickness": 30.0,
    "width": 3.0,
    "rate": 10.0,
    "roughness_u": 0.0,
    "sensitivity": 1.0,
    "background": 5.0,
}
GUESS = {
    "thickness": "{ guess = 32.0 }",
    "width": "{ guess = 4.0, max = 15.0 }",
    "rate": "{ value = 10.0, u_rel = 0.03 }",
    "roughness_u": 0.2,
    "sensitivity": "{ guess = 1.0 }",
    "background": "{ guess = 1.0 }",
}


def experiment(noise=COUNTED, **written):
    """Of the coat, as the analyst or as nature knows it."""
    return experiment_from_toml(COAT.format(noise=noise, **written))


@cache
def inverted(noise=COUNTED, seed=1):
    """A simulated profile of the coat, inverted."""
    truth = experiment(noise, **TRUTH)
    profile = profile_of(simulate(truth.stack, truth.setup, seed=seed), "coat")
    return invert(profile, experiment(noise, **GUESS))


@cache
def sampled():
    """Draws from its posterior."""
    return sample_posterior(inverted(), draws=400, seed=1)


def integral_by_brute_force(marginal, solution, given):
    """Logarithm of the likelihood integrated over sensitivity and background by quadrature.

    In units of (2 pi)^(1/2) for each, as the analytic one is.
    """
    nodes, weights = np.polynomial.legendre.leggauss(40)
    places, log_weights = [], []
    for centre, variance in zip(given.centre, np.diag(given.covariance), strict=True):
        low = max(centre - 8.0 * math.sqrt(variance), 0.0)
        high = max(centre, 0.0) + 8.0 * math.sqrt(variance)
        places.append(0.5 * (low + high) + 0.5 * (high - low) * nodes)
        log_weights.append(np.log(0.5 * (high - low) * weights))
    logs = [
        wa + wb - 0.5 * marginal.data_cost(marginal.with_linear(solution, np.array([a, b])))
        for a, wa in zip(places[0], log_weights[0], strict=True)
        for b, wb in zip(places[1], log_weights[1], strict=True)
    ]
    return float(logsumexp(logs)) - math.log(2.0 * math.pi)


@pytest.mark.parametrize("noise", [MEASURED, COUNTED])
def test_linear_numbers_are_integrated_out(noise):
    """Exactly for normal noise. For counts as well as Stirling's formula gives n factorial.

    The integral over the mean b of n counts is that of b^n exp(-b): the parabola at the maximum
    makes it smaller by 1 / 12 n, with n the counts where nothing but background is seen.
    """
    found = inverted(noise)
    likelihood = found.likelihood
    if noise == MEASURED:
        likelihood, tolerance = _normal_noise(likelihood), 1e-6
    else:
        background_counts = 0.2 * float(likelihood.values[0, 40:].sum())
        tolerance = 1.0 / (12.0 * background_counts)
    marginal = LinearMarginal(likelihood, found.solution)
    errors = []
    for shift in (0.0, 0.003, -0.003):
        solution = likelihood.solve(found.fit.x + np.eye(found.fit.x.size)[0] * shift)
        given = marginal.at(solution, found.values)
        errors.append(given.log_integral - integral_by_brute_force(marginal, solution, given))
    assert errors[0] == pytest.approx(0.0, abs=tolerance)
    # What differs between samples is what matters.
    np.testing.assert_allclose(np.diff(errors), 0.0, atol=tolerance)


def _normal_noise(likelihood):
    """The same with readout noise alone."""
    from copy import copy

    other = copy(likelihood)
    none = np.zeros_like(likelihood.noise.kappa)
    other.take_noise(replace(likelihood.noise, kappa=none))
    return other


def test_a_background_of_which_the_data_say_little_is_cut_off_at_zero():
    """With normal noise the integral over b > 0 is that over all b times a normal tail."""
    found = inverted(MEASURED)
    likelihood = _normal_noise(found.likelihood)
    solution = likelihood.solve(found.fit.x)
    marginal = LinearMarginal(likelihood, solution)
    free, held = marginal.at(solution, found.values), LinearMarginal(likelihood, solution)
    held._lower = np.full(2, -np.inf)
    without = held.at(solution, found.values)
    tail = float(ndtr(free.centre[1] / math.sqrt(free.covariance[1, 1])))
    assert free.log_integral - without.log_integral == pytest.approx(math.log(tail), abs=1e-6)
    rng = np.random.default_rng(2)
    draws = np.array([marginal.drawn(free, rng) for _ in range(200)])
    assert np.all(draws >= 0)


def test_linear_numbers_of_few_counts_are_drawn_as_skew_as_they_are():
    """Derived: n counts leave n + 1 +/- (n + 1)^(1/2) expected ones (a gamma distribution).

    The parabola at the maximum has its middle at n. Mean by quadrature over both numbers.
    """
    few = "counts_per_unit_s = 0.02"
    truth = experiment(few, **{**TRUTH, "background": 100.0})
    profile = profile_of(simulate(truth.stack, truth.setup, seed=1), "coat")
    found = invert(profile, experiment(few, **GUESS))
    marginal, solution = LinearMarginal(found.likelihood, found.solution), found.solution
    given = marginal.at(solution, found.values)
    nodes, weights = np.polynomial.legendre.leggauss(40)
    deviation = np.sqrt(np.diag(given.covariance))
    low = np.maximum(given.centre - 8.0 * deviation, 0.0)
    high = given.centre + 8.0 * deviation
    places = 0.5 * (low + high)[:, None] + 0.5 * (high - low)[:, None] * nodes
    costs = [
        [marginal.data_cost(marginal.with_linear(solution, np.array([a, b]))) for b in places[1]]
        for a in places[0]
    ]
    density = np.outer(weights, weights) * np.exp(-0.5 * (np.array(costs) - np.min(costs)))
    of_background = density.sum(axis=0) / density.sum()
    mean = float(of_background @ places[1])
    sd = math.sqrt(of_background @ (places[1] - mean) ** 2)
    rng = np.random.default_rng(5)
    draws = np.array([marginal.drawn_skew(given, solution, found.values, rng) for _ in range(600)])
    assert draws[:, 1].mean() == pytest.approx(mean, abs=3.0 * sd / math.sqrt(600.0))
    assert draws[:, 1].std() == pytest.approx(sd, rel=0.1)
    assert mean - given.centre[1] > 0.2 * sd


def test_very_many_counts_are_normal():
    """1e12 for one unit beside readout: the deviance would be lost in rounding.

    Derived: covariance of least squares with the standard deviation 3 / 0.1^(1/2).
    """
    found = inverted(f"counts_per_unit_s = 1e12\n{MEASURED}")
    given = LinearMarginal(found.likelihood, found.solution).at(found.solution, found.values)
    expected = 90.0 * np.linalg.inv(found.solution.rows @ found.solution.rows.T)
    np.testing.assert_allclose(given.covariance, expected, rtol=1e-3)


@pytest.mark.thorough
def test_without_data_the_draws_are_those_of_the_stated_priors(monkeypatch):
    """Thickness log-normal with sd ln 3, width uniform up to 15 nm, rate log-normal with 3 %.

    Roughness normal. The coordinates in which they are moved are others: times, and squares.
    """
    found = inverted()
    posterior = Posterior(found)
    nothing = Conditional(0.0, np.zeros(0), np.zeros((0, 0)), np.zeros(0))
    wide = posterior.proposal()
    monkeypatch.setattr(posterior.linear, "at", lambda solution, values: nothing)
    monkeypatch.setattr(posterior.likelihood.__class__, "solve", lambda self, x: None)
    size = len(posterior.parameters)
    spread = {"thickness": 1.2, "width": 3.0, "rate": 0.04, "initial roughness": 0.25}
    scale = np.array([spread[p.kind] for p in posterior.parameters])
    centre = np.where(posterior.squared, 2.0, 0.0)
    centre[[p.kind == "initial roughness" for p in posterior.parameters]] = 1.0
    wide = replace(wide, centre=centre, covariance=np.diag(scale**2))
    drawn = sample(posterior.log_densities, wide, 4000, seed=3, quantities=posterior.values)
    assert drawn.method == "importance sampling"
    values = dict(
        zip(
            [p.kind for p in posterior.parameters],
            posterior.values(drawn.points.reshape(-1, size)).T,
            strict=True,
        )
    )
    nominal = {p.kind: p.value for p in posterior.parameters}
    for kind, deviation in (("thickness", math.log(3.0)), ("rate", 0.03)):
        logs = np.log(values[kind] / nominal[kind])
        assert logs.mean() == pytest.approx(0.0, abs=0.1 * deviation)
        assert logs.std() == pytest.approx(deviation, rel=0.07)
    quantiles = np.quantile(values["width"], [0.05, 0.25, 0.5, 0.75, 0.95])
    np.testing.assert_allclose(quantiles, 15.0 * np.array([0.05, 0.25, 0.5, 0.75, 0.95]), atol=0.6)
    assert values["width"].max() <= 15.0
    assert values["initial roughness"].std() == pytest.approx(0.2, rel=0.07)
    assert abs(np.corrcoef(values["rate"], values["width"])[0, 1]) < 0.08


@pytest.mark.slow
def test_draws_agree_with_walkers_on_the_joint_density():
    """Thickness and width, with the linear numbers walked along instead of integrated out."""
    emcee = pytest.importorskip("emcee")
    found = inverted()
    posterior = Posterior(found)
    likelihood, linear = found.likelihood, posterior.linear
    size = len(posterior.parameters)

    def joint(point):
        numbers = point[size:]
        z = np.where(posterior.squared, np.abs(point[:size]), point[:size])
        if np.any(numbers < 0) or np.any(z < posterior.lower) or np.any(z > posterior.upper):
            return -np.inf
        log_prior = posterior.log_prior(z)
        if not math.isfinite(log_prior):
            return -np.inf
        solution = linear.with_linear(likelihood.solve(posterior.coordinates(z)), numbers)
        return log_prior - 0.5 * linear.data_cost(solution)

    drawn = sampled()
    at = drawn.sample.points.reshape(-1, size)
    numbers = np.array([number.draws.ravel() for number in drawn.numbers[size:]]).T
    walkers = 40
    sampler = emcee.EnsembleSampler(
        walkers,
        size + 2,
        joint,
        moves=[(emcee.moves.DEMove(), 0.7), (emcee.moves.StretchMove(), 0.3)],
    )
    sampler.random_state = np.random.MT19937(4).state
    sampler.run_mcmc(np.hstack([at, numbers])[:walkers], 400)
    walked = sampler.get_chain(discard=100)
    seen = walked[..., :size].reshape(-1, size)
    values = posterior.values(np.where(posterior.squared, np.abs(seen), seen))
    independent = walked.shape[0] * walkers / 40.0  # autocorrelation times of some 40 steps
    for i in range(2):
        own = drawn.numbers[i].draws.ravel()
        worth = 1.0 / (1.0 / independent + 1.0 / drawn.numbers[i].bulk)
        assert abs(own.mean() - values[:, i].mean()) < 4.0 * own.std() / math.sqrt(worth)
        assert own.std() == pytest.approx(values[:, i].std(), rel=0.25)


def test_what_was_drawn_can_be_trusted_and_holds_the_truth():
    found = sampled()
    assert found.sample.method == "importance sampling"
    assert found.sample.pareto_k < 0.7
    rows = {row.name: row for row in found.rows()}
    for name, truth in (("thickness of coat", 30.0), ("sensitivity Cu", 1.0)):
        assert rows[name].lower < truth < rows[name].upper
        assert 0.99 < rows[name].r_hat < 1.05
    assert all(row.effective > 100 for row in rows.values())
    assert found.numbers[0].draws.shape == (CHAINS, 100)
    assert not any(problem for check in found.checks for problem in check.problems())
    assert np.all(found.numbers[-1].draws >= 0)  # the background


def test_the_seed_decides():
    inversion = inverted()
    first, again = (sample_posterior(inversion, draws=100, seed=7) for _ in range(2))
    for a, b in zip(first.numbers, again.numbers, strict=True):
        np.testing.assert_array_equal(a.draws, b.draws)
    np.testing.assert_array_equal(first.predicted, again.predicted)


@pytest.mark.parametrize("draws", [0, 99, 10**9])
def test_a_number_of_draws_out_of_range_is_refused(draws):
    with pytest.raises(InputProblems, match=f"draws: must be from 100 to 100000, got {draws}"):
        sample_posterior(inverted(), draws=draws)


# --- predictive checks -------------------------------------------------------------------------


def test_replicates_have_the_noise_of_the_readings():
    """Standardised, normal ones have unit variance; 30 stretches of two readings each as well."""
    found = inverted(MEASURED)
    likelihood, solution = _normal_noise(found.likelihood), found.solution
    rng = np.random.default_rng(8)
    scatter = [
        discrepancies(likelihood, solution, replicate(likelihood, solution, rng))[:, 0]
        for _ in range(300)
    ]
    np.testing.assert_allclose(np.mean(scatter, axis=0), [60.0, 30.0], rtol=0.05)


def test_replicates_of_readings_in_which_counting_hardly_shows():
    """1e12 counts for one unit beside readout: more counts than a draw of Poisson's could have."""
    found = inverted(f"counts_per_unit_s = 1e12\n{MEASURED}")
    likelihood, rng = found.likelihood, np.random.default_rng(8)
    rows = [replicate(likelihood, found.solution, rng) for _ in range(300)]
    deviations = (np.array(rows) - found.solution.model) / (3.0 / math.sqrt(0.1))
    assert np.std(deviations) == pytest.approx(1.0, rel=0.03)


def test_correlated_shortfall_is_replicated():
    """Integrated correlation over 9 readings: 1 + 2 sum phi^k = (1 + phi) / (1 - phi) with 0.8."""
    found = inverted()
    noise = replace(found.likelihood.noise, correlation=np.array([9.0]), shortfall=np.array([3.0]))
    likelihood = _with_noise(found.likelihood, noise)
    rng = np.random.default_rng(9)
    rows = [
        (replicate(likelihood, found.solution, rng) - found.solution.model)[0] for _ in range(400)
    ]
    deviation = np.array(rows) / np.array(rows).std(axis=0)
    lag = float(np.mean(deviation[:, 1:] * deviation[:, :-1]))
    assert lag == pytest.approx(0.8, abs=0.03)


def _with_noise(likelihood, noise):
    from copy import copy

    other = copy(likelihood)
    other.take_noise(noise)
    return other


def test_a_bad_check_is_put_in_words():
    assert Check("Cu", 0.4, 0.6).problems() == []
    (scatter,) = Check("Cu", 0.001, 0.5).problems()
    assert scatter.startswith("channel Cu: the readings scatter more")
    (slow,) = Check("Cu", 0.5, 0.0).problems()
    assert "something is missing in the model" in slow


def test_readings_that_the_model_misses_are_seen():
    """A bump of three deviations over ten readings that no layer of the file explains."""
    found = inverted()
    likelihood = found.likelihood
    bumped = likelihood.values.copy()
    variance = likelihood.noise.variance(found.solution.model, likelihood.interval)
    bumped[0, 10:20] += 3.0 * np.sqrt(variance[0, 10:20])
    rng = np.random.default_rng(10)
    measured = discrepancies(likelihood, found.solution, bumped)
    replicates = [
        discrepancies(likelihood, found.solution, replicate(likelihood, found.solution, rng))
        for _ in range(200)
    ]
    assert np.mean(np.array(replicates)[:, 1, 0] >= measured[1, 0]) < 0.01


# --- files -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    """A posterior as a file."""
    place = tmp_path_factory.mktemp("posterior") / "posterior.nc"
    write_posterior(posterior_tree(sampled()), place)
    return place


def test_the_tree_comes_back(file):
    tree, made = read_posterior(file), posterior_tree(sampled())
    assert set(tree.children) == set(GROUPS)
    assert tree["posterior"]["thickness_of_coat"].attrs["units"] == "nm"
    assert tree["posterior"]["thickness_of_coat"].attrs["long_name"] == "thickness of coat"
    for group in GROUPS:
        assert tree[group].to_dataset().equals(made[group].to_dataset())
    predicted = tree["posterior_predictive"]["reading"]
    assert predicted.dims == ("chain", "draw", "channel", "time")
    assert tree.attrs["seed"] == 1
    assert tree.attrs["method"] == "importance sampling"
    assert tree.attrs["craterfront_version"]
    written = experiment_from_dict(json.loads(tree.attrs["experiment"]))
    assert written.stack.elements() == ["Cu", "Al"]


def test_arviz_opens_the_file(file):
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        arviz = pytest.importorskip("arviz", reason="ArviZ (extra bayes) is not installed")
        tree = read_posterior(file)
        posterior = tree["posterior"].to_dataset()
        if hasattr(arviz, "psislw"):  # 0.x
            opened = arviz.from_netcdf(file)
            assert set(opened.groups()) == set(GROUPS)
            table = arviz.summary(posterior)
        else:
            table = arviz.summary(tree)
    row = next(row for row in sampled().rows() if row.name == "thickness of coat")
    assert float(table.loc["thickness_of_coat", "mean"]) == pytest.approx(row.median, rel=0.02)
    assert set(table.index) == set(posterior.data_vars)


def test_what_is_no_posterior_is_refused(tmp_path):
    missing = tmp_path / "missing.nc"
    with pytest.raises(InputProblems, match="cannot be read as netCDF"):
        read_posterior(missing)
    truth = experiment(**TRUTH)
    profile = tmp_path / "profile.nc"
    write_dataset(simulate(truth.stack, truth.setup, seed=1), profile)
    with pytest.raises(InputProblems, match="has no group posterior"):
        read_posterior(profile)


# --- the command line --------------------------------------------------------------------------


def doubtful_draws():
    """Draws that are not to be trusted, of a model that does not explain the readings."""
    doubtful = replace(sampled(), sample=replace(sampled().sample, pareto_k=0.9))
    return replace(doubtful, checks=[Check("Cu", 0.001, 0.5)])


def test_doubts_about_draws_are_doubts_about_the_answer_that_uses_them():
    doubtful = doubtful_draws()
    limited = COAT.replace("[substrate]", "limit = {{ thickness_nm_min = 20.0 }}\n[substrate]")
    known = experiment_from_toml(limited.format(noise=COUNTED, **GUESS))
    inversion = invert(inverted().profile, known)
    found = answer(inversion, replace(doubtful, inversion=inversion))
    assert found.doubts == [*inversion.doubts, *doubtful.doubts()]
    assert found.notes[-1:] == doubtful.notes()
    told = json.loads(found.as_json())
    assert told["doubts"] == found.doubts
    assert told["warnings"] == [*found.doubts, *found.notes]
    (before,), (ruling,) = answer(inversion).rulings, found.rulings
    assert (before.decision, ruling.decision) == ("conforms", "undecided")
    assert ruling.why.startswith("the sampled posterior is not to be trusted")


def test_doubts_about_draws_are_read_before_any_number():
    inversion, out = inverted(), StringIO()
    found = answer(inversion, doubtful_draws())
    _print_tables(inversion, found, found.sampled, False, Console(file=out, width=120))
    first, *_ = out.getvalue().splitlines()
    assert first.startswith("Note: the sampled posterior is not to be trusted: Pareto k")
    assert out.getvalue().count("not to be trusted: Pareto k") == 1
    page = html_report(inversion, found, estimate_dataset(inversion, found), [])
    assert page.count("not to be trusted: Pareto k") == 1
    assert page.index("not to be trusted: Pareto k") < page.index("<main>")
    assert "These draws are not to be trusted" in page
    assert "trust these" not in page


def test_doubts_about_draws_are_told_from_notes():
    doubtful = doubtful_draws()
    doubts, warnings = doubtful.as_dict()["doubts"], doubtful.as_dict()["warnings"]
    assert doubts[0].startswith("the sampled posterior is not to be trusted: Pareto k")
    assert warnings[:-1] == doubts
    assert posterior_tree(doubtful).attrs["doubts"].splitlines() == doubts


def test_invert_samples_and_writes(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    truth = experiment(**TRUTH)
    write_dataset(simulate(truth.stack, truth.setup, seed=1), tmp_path / "profile.nc")
    (tmp_path / "coat.toml").write_text(COAT.format(noise=COUNTED, **GUESS), encoding="utf-8")
    command = "invert profile.nc -e coat.toml --posterior draws.nc --draws 100 --seed 3 --json"
    app(command.split(), standalone_mode=False)
    answer = json.loads(capsys.readouterr().out)
    assert answer["layers"]
    assert answer["posterior"]["seed"] == 3
    assert answer["doubts"] == answer["posterior"]["doubts"] != []
    names = [number["name"] for number in answer["posterior"]["numbers"]]
    assert "thickness of coat" in names
    assert read_posterior(tmp_path / "draws.nc").attrs["seed"] == 3


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ("--draws 500", "--draws: of no effect without --posterior"),
        ("--seed 1", "--seed: of no effect without --posterior"),
        ("--posterior p.nc --draws 5", "--draws: must be from 100 to 100000, got 5"),
    ],
)
def test_options_that_cannot_be(options, message):
    with pytest.raises(InputProblems, match=message):
        app(f"invert none.nc -e none.toml {options}".split(), standalone_mode=False)


def test_sampling_changes_nothing_in_the_inversion():
    found = inverted()
    before = found.likelihood.residuals(found.fit.x)
    sample_posterior(found, draws=100, seed=1)
    np.testing.assert_array_equal(found.likelihood.residuals(found.fit.x), before)


def test_what_is_no_simple_sum_comes_from_the_draws():
    """The density of a layer follows the thickness, as its interface brings some aluminium in."""
    found, by_laplace = answer(inverted(), sampled()), answer(inverted())
    thickness = inverted().likelihood.assembly.thickness_index(0)
    assert np.array_equal(found.draws.values[:, thickness], sampled().numbers[0].draws.ravel())
    (mean,), (before,) = found.means, by_laplace.means
    shares = [each.fractions["Cu"] for each in (mean, before)]
    assert shares[0][0] == shares[1][0]
    assert shares[0][1] > 0.0
    assert shares[0][1] != shares[1][1]


def test_a_report_has_the_sampled_posterior_beside_the_fit():
    inversion = inverted()
    found = answer(inversion, sampled())
    page = html_report(inversion, found, estimate_dataset(inversion, found), [])
    thickness = sampled().rows()[0]
    assert f'<td class="number">{thickness.median:.4g}</td>' in page
    assert "400 draws from the sampled posterior (importance sampling) with seed 1" in page
