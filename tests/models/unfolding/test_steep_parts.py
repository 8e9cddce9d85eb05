"""What is as steep as the resolution."""

import numpy as np
import pytest
from scipy.special import erf

from craterfront.models.unfolding.steep_parts import steep_parts, turning_points

DEPTH = np.linspace(0.0, 100.0, 401)


def edge(width, place=50.0):
    return 0.5 * (1.0 + erf((DEPTH - place) / (width / np.sqrt(2.0))))


def found(values, resolution, least=0.02):
    return steep_parts(
        DEPTH, values, np.full(DEPTH.size, least), np.full(DEPTH.size, float(resolution))
    )


def test_the_width_of_a_gaussian_edge():
    (part,) = found(edge(5.0), 5.0)
    assert part.width_nm == pytest.approx(5.0, rel=0.01)
    assert (part.start_nm, part.end_nm) == pytest.approx((47.5, 52.5), abs=0.3)
    assert part.change == pytest.approx(1.0, abs=1e-6)


def test_a_wide_edge_and_noise_are_no_steep_parts():
    assert not found(edge(20.0), 5.0)
    assert not found(edge(20.0) + 0.005 * np.sin(2.0 * DEPTH), 5.0)


def test_both_flanks_of_a_layer():
    layer = edge(4.0, 40.0) - edge(4.0, 60.0)
    parts = found(layer, 4.0)
    assert [np.sign(part.change) for part in parts] == [1.0, -1.0]


def test_turning_points_pass_over_what_does_not_count():
    values = np.array([0.0, 0.5, 0.45, 1.0, 0.2, 0.25, 0.0])
    assert turning_points(values, np.full(7, 0.1)) == [0, 3, 6]
