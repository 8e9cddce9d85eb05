"""Coverage and sharpness of the thickness intervals, with estimators that must fail.

The criteria: 90 to 99 % of the 95 % intervals hold the truth, and their median half-width is at
most 1.25 times 1.96 standard deviations of an independently computed Fisher information.
"""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from studies.recovery import Outcome, coverage, is_good, run, width_ratio

RECORD = Path(__file__).parents[2] / "benchmarks" / "recovery.json"


def prior_only(outcome: Outcome) -> Outcome:
    """An estimator that returns what was known before."""
    guess = outcome.prior_u_nm / np.log(3.0)
    factor = 3.0**1.96
    return replace(outcome, value_nm=guess, lower_nm=guess / factor, upper_nm=guess * factor)


def with_uncertainty(outcome: Outcome, factor: float) -> Outcome:
    """An estimator whose standard uncertainty is wrong by a factor."""
    low = np.log(outcome.lower_nm / outcome.value_nm)
    high = np.log(outcome.upper_nm / outcome.value_nm)
    return replace(
        outcome,
        lower_nm=float(outcome.value_nm * np.exp(factor * low)),
        upper_nm=float(outcome.value_nm * np.exp(factor * high)),
    )


def check_study(outcomes: list[Outcome]) -> None:
    assert 0.90 <= coverage(outcomes) <= 0.99
    assert width_ratio(outcomes) <= 1.25
    assert is_good(outcomes)
    assert not is_good([prior_only(o) for o in outcomes])
    assert not is_good([with_uncertainty(o, 2.0) for o in outcomes])
    assert not is_good([with_uncertainty(o, 0.5) for o in outcomes])


def test_recorded_study():
    record = json.loads(RECORD.read_text(encoding="utf-8"))
    outcomes = [Outcome(**outcome) for outcome in record["outcomes"]]
    assert record["cases"] == 100
    assert coverage(outcomes) == pytest.approx(record["coverage_95"])
    assert width_ratio(outcomes) == pytest.approx(record["median_half_width_over_fisher"])
    check_study(outcomes)


@pytest.mark.slow
def test_recovery_of_100_cases():
    check_study(run(100))
