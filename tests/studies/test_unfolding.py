"""Coverage of the band of unfolded compositions, and plain deconvolution beside it."""

import json
from pathlib import Path

import pytest

from studies.unfolding import COUNTS, SHAPES, Outcome, case, figures, run

RECORD = Path(__file__).parents[2] / "benchmarks" / "unfolding.json"


def check_study(outcomes: list[Outcome]) -> None:
    """The band holds the truth as often as it says, or somewhat more often.

    Derived: a case has 10 degrees of freedom or more, so that of 100 cases has a standard deviation
    of up to sqrt(0.95 * 0.05 / 1000) = 0.7 %; three of them downwards. Upwards 99 %: truths that
    are smoother than any of the laws are held more often than stated.
    """
    found = figures(outcomes)
    assert 0.929 < found["coverage_95"] < 0.99
    assert found["median_plain_over_unfolded_rms"] > 3.0
    assert found["median_helped_over_unfolded_rms"] > 1.5


@pytest.mark.derived
def test_recorded_study():
    record = json.loads(RECORD.read_text(encoding="utf-8"))
    assert record["cases"] == 100
    outcomes = [Outcome(**outcome) for outcome in record["outcomes"]]
    assert [o.seed for o in outcomes] == list(range(100))
    assert {o.shape for o in outcomes} == set(SHAPES)
    assert {o.counts for o in outcomes} == set(COUNTS)
    for key, figure in figures(outcomes).items():
        assert record[key] == pytest.approx(figure), key
    check_study(outcomes)


@pytest.mark.thorough
def test_a_live_case():
    """As recorded, to the accuracy to which the rounds settle."""
    pytest.importorskip("skimage", reason="the extra crosscheck is not installed")
    record = json.loads(RECORD.read_text(encoding="utf-8"))
    recorded = Outcome(**record["outcomes"][0])
    found = case(0)
    assert found.rms == pytest.approx(recorded.rms, rel=0.1)
    assert found.coverage == pytest.approx(recorded.coverage, abs=0.05)
    assert found.plain_rms == pytest.approx(recorded.plain_rms, rel=0.02)


@pytest.mark.slow
def test_coverage_of_100_cases():
    pytest.importorskip("skimage", reason="the extra crosscheck is not installed")
    check_study(run(100))
