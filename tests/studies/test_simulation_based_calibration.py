"""Ranks, coverage and sharpness with truths drawn from the priors, and estimators that must fail.

The criteria: ranks are uniform at a level of 1 % over all kinds; 93 to 97 % of the 95 % intervals
hold the truth, of thicknesses and of widths, and at least 95 % of the limits within two standard
errors; the median half-width of thicknesses is at most 1.25 times what the Fisher information
allows, and where data dominate at most a tenth of the prior's.
"""

from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

from craterfront.forward_model.assembly import Assembly
from studies import resumable
from studies import simulation_based_calibration as study
from studies.drawn_from_priors import (
    BACKGROUND,
    FINER,
    KINDS,
    SENSITIVITY,
    THICKNESS,
    Clean,
    Prior,
)
from studies.simulation_based_calibration import FACTORS, RANKED, drawn, failed, undetected

RECORD = Path(__file__).parents[2] / "benchmarks" / "simulation_based_calibration.json"


def ideal(cases: int, seed: int, bias: float = 0.0) -> list[resumable.Outcome]:
    """Outcomes of a normal problem, of which the posterior is known; off by a bias in u."""
    rng = np.random.default_rng(seed)
    u, prior_u = 0.3, 12.0

    def row() -> tuple[float, float, float, float]:
        truth = 40.0 + prior_u * rng.standard_normal()
        value = truth + u * (rng.standard_normal() + bias)
        return truth, value, value - study.Z95 * u, value + study.Z95 * u

    def ranks() -> list[int]:
        truth, value, _, _ = row()
        draws = u * rng.standard_normal(RANKED)
        return [int(np.sum(value + factor * draws < truth)) for factor in FACTORS.values()]

    return [
        {
            "seed": seed,
            "thicknesses": [[*row(), u, prior_u, 40.0] for _ in range(4)],
            "widths": [[*row(), bool(rng.random() < 0.5)] for _ in range(4)],
            "ranks": {kind: ranks() for kind in KINDS},
        }
        for seed in range(cases)
    ]


def test_an_ideal_estimator_meets_the_criteria_and_wrong_ones_do_not():
    outcomes = ideal(1000, seed=1)
    assert failed(outcomes) == []
    assert undetected(outcomes) == []
    assert {"sharpness", "sharpness where data dominate"} <= set(failed(study.prior_only(outcomes)))
    for factor, estimator in ((2.0, "u doubled"), (0.5, "u halved")):
        found = failed(study.stretched(outcomes, factor), estimator)
        assert {"ranks", "coverage of thicknesses", "coverage of widths"} <= set(found)


def test_a_bias_shows_in_the_ranks():
    assert "ranks" in failed(ideal(1000, seed=2, bias=0.4))


def test_ranks_of_an_ideal_estimator_are_seldom_called_uneven():
    """At 1 %, 2 or more of 10 have a probability of 0.4 % (derived: binomial)."""
    uneven = [study.not_uniform(study.uniformity(ideal(200, seed))) for seed in range(10)]
    assert sum(map(bool, uneven)) <= 1


def test_the_error_of_a_share_counts_cases():
    """Derived: of n cases that are all alike within, sqrt(p (1 - p) / n)."""
    found = study.share([[True] * 5] * 90 + [[False] * 5] * 10)
    assert (found.value, found.number) == (0.9, 500)
    assert found.error == pytest.approx((0.9 * 0.1 / 100) ** 0.5)


@pytest.mark.parametrize("seed", range(4))
def test_numbers_are_drawn_from_the_priors_of_the_inversion(seed):
    design = drawn(seed)[0]
    known = design.known()
    assembly = Assembly(known.stack, known.setup, merge_equal=False)
    parameters = {p.name: p for p in assembly.parameters if not p.is_fixed}
    linear = {number.name: number.quantity for number in assembly.linear_numbers()}
    assert {*parameters, *linear} == set(design.priors)
    for name, quantity in linear.items():
        prior = design.priors[name]
        assert (quantity.value, quantity.u) == (prior.value, prior.u)
    for name, p in parameters.items():
        prior = design.priors[name]
        assert p.logarithmic == (prior.law == "log-normal")
        if prior.law == "uniform":
            assert (p.has_prior, p.lower, p.upper) == (False, 0.0, prior.value)
            continue
        assert (p.value, p.u) == (prior.value, prior.u)
        # What lies between zero and another bound would be drawn, and yet is not allowed.
        below, above = ((end - prior.value) / prior.u for end in (p.lower, p.upper))
        assert p.lower == 0.0 or ndtr(below) < 1e-4
        assert ndtr(-above) < 1e-4


@pytest.mark.parametrize(
    ("prior", "mean"),
    [
        (Prior("log-normal", 5.0, 1.0), 5.0 * np.exp(0.02)),
        (Prior("uniform", 4.0), 2.0),
        (Prior("normal", 1.0, 1.0), 1.0 + np.exp(-0.5) / np.sqrt(2 * np.pi) / ndtr(1.0)),
    ],
)
def test_moments_of_priors(prior, mean):
    """Derived: means of a log-normal, a uniform and a truncated normal distribution."""
    rng = np.random.default_rng(3)
    numbers = np.array([prior.draw(rng) for _ in range(20_000)])
    assert numbers.min() >= 0.0
    assert numbers.mean() == pytest.approx(mean, abs=4.0 * numbers.std() / 20_000**0.5)
    if prior.law != "log-normal":
        assert prior.variance_of_square == pytest.approx(np.var(numbers**2), rel=0.05)


def test_slices_differ_and_signals_hardly():
    """Otherwise the study would ask about slices: within 5 % of the noise of the most counts."""
    design, truth, _ = drawn(1)
    coarse, fine = Clean(design, truth), Clean(design, truth, FINER)
    assert fine.slices.layer.size > 2 * coarse.slices.layer.size
    a, b = coarse(truth).mean, fine(truth).mean
    assert 0.0 < np.max(np.abs(a - b) / np.sqrt(np.maximum(b, 1.0))) < 0.05
    dark = {name: 0.0 * n if name.startswith(BACKGROUND) else n for name, n in truth.items()}
    assert np.allclose(fine(dark).mean, fine(truth).signal)
    twice = {name: 2.0 * n if name.startswith(SENSITIVITY) else n for name, n in truth.items()}
    assert np.allclose(fine(twice).signal, 2.0 * fine(truth).signal)


def _squared(seed: int) -> resumable.Outcome:
    return {"seed": seed, "square": seed**2}


def test_a_study_goes_on_where_it_stopped(tmp_path, capsys):
    path = tmp_path / "record.json"
    resumable.record(path, "this", [{"seed": 1, "square": -1}])
    found = resumable.resumed(_squared, 3, "this", path)
    assert [outcome["square"] for outcome in found] == [0, -1, 4]
    assert resumable.recorded(path, "this") == found
    assert "3 of 3" in capsys.readouterr().out
    assert len(resumable.resumed(_squared, 5, "this", path, minutes=-1.0)) == 3
    with pytest.raises(ValueError, match="another study"):
        resumable.recorded(path, "that")


def test_recorded_study():
    outcomes = resumable.recorded(RECORD, study.digest())
    assert [outcome["seed"] for outcome in outcomes] == list(range(study.CASES))
    for outcome in outcomes[::50]:
        design, truth, _ = drawn(outcome["seed"])
        thicknesses = [truth[name] for name in design.of_kind(THICKNESS)]
        assert [row[0] for row in outcome["thicknesses"]] == pytest.approx(thicknesses, rel=1e-5)
    assert failed(outcomes) == []
    assert undetected(outcomes) == []


@pytest.mark.slow
def test_1000_cases():
    outcomes = resumable.resumed(study.case, study.CASES, study.digest(), None)
    assert failed(outcomes) == []
    assert undetected(outcomes) == []
