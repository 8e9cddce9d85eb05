"""Sampling of known densities, and diagnostics beside those of an independent library.

Moments of the densities are derived from their formulas, which stand beside each check.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from craterfront.posterior_sampling import box_probability
from craterfront.posterior_sampling.bend import Bend
from craterfront.posterior_sampling.convergence import bulk_ess, r_hat, tail_ess
from craterfront.posterior_sampling.density_sampling import NothingFound, sample
from craterfront.posterior_sampling.ensemble import walk
from craterfront.posterior_sampling.importance_sampling import Weighted
from craterfront.posterior_sampling.pareto_smoothing import (
    effective_size,
    fit_generalised_pareto,
    smoothed_log_weights,
)
from craterfront.posterior_sampling.proposal import Proposal
from craterfront.posterior_sampling.trusted_draws import Sample


def proposal(centre, covariance, squared=None, lower=None, upper=None):
    """Unbounded and without squares unless told."""
    size = len(centre)
    return Proposal(
        np.array(centre, dtype=float),
        np.array(covariance, dtype=float),
        np.zeros(size, dtype=bool) if squared is None else np.array(squared),
        np.full(size, -np.inf) if lower is None else np.array(lower, dtype=float),
        np.full(size, np.inf) if upper is None else np.array(upper, dtype=float),
    )


def flat(found: Sample) -> np.ndarray:
    """All draws of all chains."""
    return found.points.reshape(-1, found.points.shape[-1])


COVARIANCE = np.array([[1.0, 0.9], [0.9, 2.0]])
PRECISION = np.linalg.inv(COVARIANCE)


def normal(points):
    """Normal with mean 1 and the covariance above."""
    return -0.5 * np.einsum("si,ij,sj->s", points - 1.0, PRECISION, points - 1.0)


def banana(points):
    """Normal x, and y about x^2: mean of y 1, variance 2 + 0.3^2."""
    return -0.5 * points[:, 0] ** 2 - 0.5 * ((points[:, 1] - points[:, 0] ** 2) / 0.3) ** 2


def funnel(points):
    """R. M. Neal, Ann. Stat. 31 (2003) 705: widths from e^-9 to e^9."""
    width = points[:, 0]
    rest = np.sum(points[:, 1:] ** 2, axis=1)
    count = points.shape[1] - 1
    return -0.5 * (width / 3.0) ** 2 - 0.5 * rest * np.exp(-width) - 0.5 * count * width


def within(value, expected, deviation, effective):
    """Four standard deviations of a mean of so many independent draws."""
    return abs(value - expected) < 4.0 * deviation / math.sqrt(effective)


def test_a_normal_density_is_drawn_by_importance_sampling():
    found = sample(normal, proposal([1, 1], COVARIANCE), 1000, seed=1)
    assert found.method == "importance sampling"
    assert found.pareto_k < 0.5
    assert found.doubts() == []
    draws = flat(found)
    assert draws.shape == (1000, 2)
    for i in range(2):
        deviation = math.sqrt(COVARIANCE[i, i])
        assert within(draws[:, i].mean(), 1.0, deviation, found.bulk[i])
        assert within(draws[:, i].var(), deviation**2, 1.5 * deviation**2, found.bulk[i])
    covariance = float(np.cov(draws.T)[0, 1])
    assert within(covariance, 0.9, math.sqrt(2.0 + 0.9**2), found.effective)


def test_a_proposal_that_is_off_is_moved():
    """Five standard deviations off, and a third of the variance."""
    found = sample(normal, proposal([6, 6], 0.3 * COVARIANCE), 1000, seed=2)
    assert found.method == "importance sampling"
    draws = flat(found)
    assert within(draws[:, 0].mean(), 1.0, 1.0, found.bulk[0])
    assert within(draws[:, 1].mean(), 1.0, math.sqrt(2.0), found.bulk[1])


def test_bounds_of_several_numbers_cost_no_evaluations():
    """Of x + y, with mean 2 and deviation s, below 2 - 2 s: mean 2 - s phi(2) / Phi(-2)."""
    deviation = math.sqrt(4.8)

    def possible(points):
        return points.sum(axis=1) < 2.0 - 2.0 * deviation

    def density(points):
        assert np.all(possible(points))
        return normal(points)

    found = sample(density, proposal([1, 1], COVARIANCE), 1000, seed=10, possible=possible)
    assert found.method == "importance sampling"
    assert found.evaluations < 3000  # of all draws 2 % are possible
    sums = flat(found).sum(axis=1)
    hazard = norm.pdf(2.0) / norm.cdf(-2.0)
    assert within(sums.mean(), 2.0 - deviation * hazard, sums.std(), min(found.bulk))
    beyond = deviation**2 * (1.0 + 2.0 * hazard - hazard**2)
    assert within(sums.var(), beyond, 3.0 * beyond, min(found.bulk))


@pytest.mark.parametrize(
    ("density", "centre", "spread", "bound", "method"),
    [
        (normal, [1, 1], COVARIANCE, -1.9, "importance sampling"),
        (banana, [0, 0], np.diag([1.0, 0.09]), 4.0, "ensemble sampling"),
    ],
)
def test_evaluations_are_the_points_at_which_the_density_was_asked_for(
    density, centre, spread, bound, method
):
    """Draws that are thrown away cost none, and of the first proposal hardly any is possible."""
    asked = []

    def watched(points):
        asked.append(len(points))
        return density(points)

    def possible(points):
        return points[:, 0] < bound

    found = sample(watched, proposal(centre, spread), 200, seed=12, possible=possible)
    assert found.method == method
    assert found.evaluations == sum(asked)


def test_where_nothing_is_possible_it_says_so():
    def nowhere(points):
        return np.zeros(len(points), dtype=bool)

    made = proposal([1, 1], COVARIANCE)
    with pytest.raises(NothingFound, match="density is 0 at all draws"):
        sample(normal, made, 100, seed=11, possible=nowhere)


def test_a_bend_ends_where_a_bent_number_comes_near_its_bound():
    """Bounds cut it off before it is bent: what is bent back into them would never be drawn."""
    second = np.zeros((1, 1, 2))
    second[0, 0, 1] = 0.5
    bent = Bend(np.array([0]), np.array([0.0]), second)
    for spread, bound, kept in ((1.0, -40.0, True), (3.0, -8.0, False)):
        made = replace(proposal([0, 0], np.eye(2), lower=[-np.inf, bound]), bend=bent)
        target = multivariate_normal(np.zeros(2), spread**2 * np.eye(2))
        rng = np.random.default_rng(12)
        weighted = Weighted.of(target.logpdf, made, 2000, rng, lambda share: None)
        assert (weighted.moved_proposal().bend is not None) == kept


def test_where_weights_fail_walkers_take_over():
    found = sample(banana, proposal([0, 0], [[1, 0], [0, 0.09]]), 1000, seed=3)
    assert found.method == "ensemble sampling"
    assert found.pareto_k > 0.7
    draws = flat(found)
    assert within(draws[:, 0].mean(), 0.0, 1.0, found.bulk[0])
    assert within(draws[:, 1].mean(), 1.0, math.sqrt(2.09), found.bulk[1])


def test_draws_that_are_not_to_be_trusted_say_so():
    found = sample(funnel, proposal(np.zeros(10), np.eye(10)), 1000, seed=4)
    assert found.pareto_k > 0.7
    assert any("effective" in doubt or "R-hat" in doubt for doubt in found.doubts())


def test_a_square_below_zero_is_cut_off():
    """Density exp(-(z^2 + 1)^2 / 2) for z > 0; moments by quadrature."""

    def density(points):
        z = points[:, 0]
        return np.where(z >= 0, -0.5 * (z**2 + 1.0) ** 2, -np.inf)

    z = np.linspace(0.0, 3.0, 30001)
    weight = np.exp(-0.5 * (z**2 + 1.0) ** 2)
    mean = float(weight @ z / weight.sum())
    deviation = math.sqrt(float(weight @ (z - mean) ** 2 / weight.sum()))
    found = sample(density, proposal([-1.0], [[1.0]], [True], [0.0]), 1000, seed=5)
    assert found.method == "importance sampling"
    assert within(flat(found).mean(), mean, deviation, found.bulk[0])


def test_draws_of_the_proposal_have_its_density():
    """Against means over a box, of all numbers and of two squares, with bounds that matter."""
    covariance = [[1.0, 0.7, 0.3], [0.7, 2.0, 0.1], [0.3, 0.1, 0.5]]
    lower, upper = [0.0, 0.0, -0.4], [2.0, 3.0, np.inf]
    made = proposal([-0.5, 1.0, 0.0], covariance, [True, True, False], lower, upper)
    rng = np.random.default_rng(6)
    draws = made.draw(20_000, rng)
    assert np.all(draws >= lower)
    assert np.all(draws <= upper)
    box = rng.uniform(lower, [2.0, 3.0, 8.0], (400_000, 3))
    weights = np.exp(made.log_density(box))
    weights /= weights.sum()
    worth = 1.0 / (1.0 / 20_000 + float(np.sum(weights**2)))
    means = weights @ box
    for i, mean in enumerate(means):
        assert within(draws[:, i].mean(), mean, draws[:, i].std(), worth)
    products = (draws - means).T @ (draws - means) / len(draws)
    in_box = ((box - means).T * weights) @ (box - means)
    np.testing.assert_allclose(products, in_box, atol=0.02)


def test_the_seed_decides():
    made = proposal([1, 1], COVARIANCE)
    first, again, other = (sample(normal, made, 200, seed) for seed in (7, 7, 8))
    np.testing.assert_array_equal(first.points, again.points)
    assert not np.array_equal(first.points, other.points)


def test_walkers_sample_a_normal_density():
    """Each kind of step keeps it: mean 1, variances 1 and 2, in spite of a start elsewhere."""
    starts = np.random.default_rng(9).standard_normal((100, 2)) * 0.5
    walked = walk(
        normal,
        lambda points: points,
        starts,
        1500.0,
        100_000,
        np.random.SeedSequence(10),
        lambda share: None,
    )
    draws = walked.points.reshape(-1, 2)
    assert np.all(walked.r_hat < 1.02)
    for i in range(2):
        deviation = math.sqrt(COVARIANCE[i, i])
        assert within(draws[:, i].mean(), 1.0, deviation, walked.bulk[i])
        assert within(draws[:, i].var(), deviation**2, 1.5 * deviation**2, walked.bulk[i])


def test_walkers_forget_their_start_and_keep_what_no_stopping_rule_has_seen():
    """What is kept begins where the rule was last asked, and goes on for as long again.

    T steps of each of 160 walkers in an autocorrelation time t are worth 160 T / t draws.
    """
    looked_at = []

    def asked(points):
        looked_at.append(len(points))
        return points

    starts = 0.1 * np.random.default_rng(14).standard_normal((100, 2))
    seed = np.random.SeedSequence(15)
    found = walk(banana, asked, starts, 500.0, 200_000, seed, lambda share: None)
    kept = found.log_density.size
    assert looked_at[-1] == kept == 2 * looked_at[-2]
    autocorrelation_times = min(found.bulk) / (found.points.shape[0] * found.points.shape[2])
    assert autocorrelation_times > 3.0


# --- diagnostics -------------------------------------------------------------------------------


def correlated(chains, count, phi, seed):
    """Autoregressive chains."""
    rng = np.random.default_rng(seed)
    draws = rng.standard_normal((chains, count))
    for n in range(1, count):
        draws[:, n] += phi * draws[:, n - 1]
    return draws


CASES = {
    "independent": correlated(4, 250, 0.0, 0),
    "correlated": correlated(4, 501, 0.8, 1),
    "heavy tails": np.exp(2.0 * correlated(3, 400, 0.3, 2)),
    "other places": correlated(4, 300, 0.5, 3) + np.arange(4)[:, None],
    "other spreads": correlated(4, 300, 0.0, 4) * np.array([1.0, 1.0, 1.0, 3.0])[:, None],
}


@pytest.fixture(scope="module")
def arviz():
    """The library whose diagnostics are the yardstick; it warns of its own future."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("arviz", reason="ArviZ (extra bayes) is not installed")


@pytest.mark.parametrize("case", CASES)
def test_r_hat_and_effective_sizes_are_those_of_arviz(arviz, case):
    draws = CASES[case]
    assert r_hat(draws) == pytest.approx(float(arviz.rhat(draws)), rel=1e-9)
    assert bulk_ess(draws) == pytest.approx(float(arviz.ess(draws, method="bulk")), rel=1e-6)
    tail = arviz.ess(draws, method="tail", prob=(0.05, 0.95))
    assert tail_ess(draws) == pytest.approx(float(tail), rel=1e-6)


@pytest.mark.parametrize("spread", [0.1, 0.5, 1.0, 2.0])
def test_smoothed_weights_are_those_of_arviz(arviz, spread):
    psislw = getattr(arviz, "psislw", None)
    if psislw is None:
        pytest.skip("this ArviZ has no psislw; 0.x has")
    ratios = spread * np.random.default_rng(11).standard_exponential(2000)
    expected, k = psislw(ratios.copy())
    weights, own_k = smoothed_log_weights(ratios)
    assert own_k == pytest.approx(float(k), abs=1e-9)
    np.testing.assert_allclose(weights, expected, atol=1e-9)


def test_effective_size_of_an_autoregression():
    """(1 - phi) / (1 + phi) of the draws, the sum of its geometric autocorrelations."""
    draws = correlated(8, 20_000, 0.6, 12)
    assert bulk_ess(draws) == pytest.approx(draws.size * 0.4 / 1.6, rel=0.06)


def test_r_hat_sees_chains_in_other_places_and_with_other_spreads():
    assert r_hat(CASES["independent"]) < 1.01
    assert r_hat(CASES["other places"]) > 1.1
    assert r_hat(CASES["other spreads"]) > 1.05
    assert math.isnan(r_hat(np.ones((4, 100))))


@pytest.mark.parametrize("k", [0.2, 0.5, 1.0])
def test_the_shape_of_a_pareto_tail_is_found(k):
    """Quantiles of the distribution itself; the fit draws k to 0.5 by 10 in 2,010 observations."""
    levels = (np.arange(2000) + 0.5) / 2000
    shape, scale = fit_generalised_pareto(3.0 * np.expm1(-k * np.log1p(-levels)) / k)
    assert shape == pytest.approx((2000 * k + 5.0) / 2010, abs=0.03)
    assert scale == pytest.approx(3.0, rel=0.05)


def test_equal_ratios_need_no_smoothing():
    weights, k = smoothed_log_weights(np.full(500, -3.0))
    assert k == -math.inf
    assert effective_size(weights) == pytest.approx(500)
    _, few = smoothed_log_weights(np.r_[np.zeros(3), np.full(497, -np.inf)])
    assert few == math.inf


# --- bounds ------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_the_share_within_a_box(seed):
    """Against scipy's own integration."""
    rng = np.random.default_rng(seed)
    size = 1 + seed % 3
    root = rng.standard_normal((size, size))
    covariance, centre = root @ root.T + 0.2 * np.eye(size), rng.standard_normal(size)
    lower, upper = np.zeros(size), np.where(rng.random(size) < 0.5, np.inf, 2.0)
    expected = multivariate_normal(centre, covariance).cdf(
        np.minimum(upper, 50.0), lower_limit=lower
    )
    found = math.exp(box_probability.log_probability(centre, covariance, lower, upper))
    assert found == pytest.approx(float(expected), rel=3e-3)


def test_independent_numbers_within_bounds_are_exact():
    """A product of normal tails; far in the tail exp(-x^2/2) (1 - 1/x^2) / x sqrt(2 pi)."""
    found = box_probability.log_probability(
        np.array([0.0, -40.0]), np.eye(2), np.zeros(2), np.full(2, np.inf)
    )
    tail = -800.0 - math.log(40.0 * math.sqrt(2.0 * math.pi)) + math.log1p(-1.0 / 1600.0)
    assert found == pytest.approx(math.log(0.5) + tail, abs=1e-5)


def test_draws_within_a_box():
    """Means and variances against quadrature."""
    covariance = np.array([[1.0, -0.6], [-0.6, 0.8]])
    centre, lower = np.array([-0.5, 0.3]), np.zeros(2)
    upper = np.array([np.inf, 1.5])
    rng = np.random.default_rng(13)
    draws = np.concatenate(
        [box_probability.draw(centre, covariance, lower, upper, 10, rng) for _ in range(300)]
    )
    assert np.all((draws >= lower) & (draws <= upper))
    x, y = np.meshgrid(np.linspace(0, 6, 1201), np.linspace(0, 1.5, 601), indexing="ij")
    off = np.stack([x - centre[0], y - centre[1]], axis=-1)
    weight = np.exp(-0.5 * np.einsum("...i,ij,...j", off, np.linalg.inv(covariance), off))
    weight /= weight.sum()
    for i, grid in enumerate((x, y)):
        mean = float(np.sum(weight * grid))
        deviation = math.sqrt(float(np.sum(weight * (grid - mean) ** 2)))
        assert within(draws[:, i].mean(), mean, deviation, 3000)
        assert draws[:, i].std() == pytest.approx(deviation, rel=0.05)
