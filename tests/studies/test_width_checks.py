"""Which widths are resolved, with estimators that must fail.

The criteria, within two standard errors: three times the smallest width of the forecast is resolved
in 95 %, a sharp interface in at most 5 %; the median limit of a sharp one is at most 1.5 times that
smallest width.
"""

from pathlib import Path

import numpy as np
import pytest

from studies import resumable, width_checks
from studies.width_checks import TIMES, case, failed

RECORD = Path(__file__).parents[2] / "benchmarks" / "width_checks.json"


def ideal(cases: int, **other: bool) -> list[resumable.Outcome]:
    """Of an estimator with a normal error of the root statistic, 1.64 from zero being resolved."""
    rng = np.random.default_rng(1)
    found = []
    for seed in range(cases):
        outcome: resumable.Outcome = {"seed": seed, "smallest_nm": 2.0}
        for name, root in (("sharp", 0.0), ("wide", 3.29 * TIMES**2)):
            seen = root + rng.standard_normal()
            upper = 2.0 * (max(seen, 0.0) + 1.64) ** 0.5 / 3.29**0.5
            outcome[name] = [other.get(name, bool(seen > 1.645)), upper]
        found.append(outcome)
    return found


def test_criteria():
    outcomes = ideal(400)
    assert failed(outcomes) == []
    assert failed(ideal(400, sharp=True)) == ["sharp ones are not"]
    assert failed(ideal(400, wide=False)) == ["wide ones are resolved"]
    wider = [{**each, "sharp": [False, 3.0 * each["sharp"][1]]} for each in outcomes]
    assert failed(wider) == ["limits"]


@pytest.mark.thorough
def test_a_live_interface():
    outcome = case(0)
    assert outcome["wide"][0]
    assert outcome["sharp"][1] < TIMES * outcome["smallest_nm"] < outcome["wide"][1] * 1.5


@pytest.mark.skipif(not RECORD.exists(), reason="no long run is recorded")
def test_recorded_interfaces():
    outcomes = resumable.recorded(RECORD, width_checks.digest())
    assert [outcome["seed"] for outcome in outcomes] == list(range(width_checks.INTERFACES))
    assert failed(outcomes) == []


@pytest.mark.slow
def test_400_interfaces():
    cases = width_checks.INTERFACES
    assert failed(resumable.resumed(case, cases, width_checks.digest(), None)) == []
