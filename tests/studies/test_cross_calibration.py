"""Calibrations carry over to other samples, and drifts are noticed, as recorded.

The criteria, within two standard errors: 95 % intervals hold the truth in at least 95 %, of
thicknesses and of widths; their uncertainty is at most half of that without the calibration; a
drift of 5 % of all rates is reported in at least 90 %, and none in at least 95 % where there is
none.
"""

from pathlib import Path

import pytest

from studies import cross_calibration, resumable
from studies.cross_calibration import case, failed

RECORD = Path(__file__).parents[2] / "benchmarks" / "cross_calibration.json"


def stretched(outcomes: list[resumable.Outcome], factor: float) -> list[resumable.Outcome]:
    """Intervals and u of thicknesses that are too wide by a factor."""

    def row(truth, value, lower, upper, u):
        return [
            truth,
            value,
            value + factor * (lower - value),
            value + factor * (upper - value),
            factor * u,
        ]

    return [
        {**o, "same": {**o["same"], "thicknesses": [row(*r) for r in o["same"]["thicknesses"]]}}
        for o in outcomes
    ]


@pytest.mark.skipif(not RECORD.exists(), reason="no long run is recorded")
def test_recorded_cases():
    outcomes = resumable.recorded(RECORD, cross_calibration.digest())
    assert [each["seed"] for each in outcomes] == list(range(cross_calibration.CASES))
    assert failed(outcomes) == []


@pytest.mark.skipif(not RECORD.exists(), reason="no long run is recorded")
def test_estimators_that_must_fail():
    outcomes = resumable.recorded(RECORD, cross_calibration.digest())
    assert "coverage of thicknesses" in failed(stretched(outcomes, 0.5))
    wide = cross_calibration.relative_u(outcomes, "without")
    factor = wide / cross_calibration.relative_u(outcomes, "same")
    assert "worth" in failed(stretched(outcomes, factor))
    blind = [{**each, "drifted: reported": False} for each in outcomes]
    assert failed(blind) == ["alarms"]
    anxious = [{**each, "same: reported": True} for each in outcomes]
    assert failed(anxious) == ["false alarms"]


@pytest.mark.thorough
def test_a_live_case():
    outcome = case(0)
    for row in outcome["same"]["thicknesses"]:
        assert abs(row[1] - row[0]) < 4.0 * row[4]
    assert outcome["drifted: reported"]
    assert not outcome["same: reported"]
