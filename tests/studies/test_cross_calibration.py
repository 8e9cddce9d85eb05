"""Calibrations carry over to other samples, and drifts are noticed."""

import pytest

from studies.cross_calibration import DRIFT, one_case, summary

CASES = 20


@pytest.mark.slow
def test_intervals_hold_the_truth_and_drifts_are_noticed():
    """Of 40 intervals at 95 % fewer than 34 hold the truth in 3 of 1000 studies (binomial)."""
    found = summary([one_case(seed) for seed in range(CASES)])
    assert found["thickness intervals that hold the truth"] >= 34 / 40
    assert found["width intervals that hold the truth"] >= 34 / 40
    assert found["drift reported where there is none"] <= 0.1
    assert found[f"drift of {DRIFT:g} reported"] >= 0.9
