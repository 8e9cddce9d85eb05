"""What the shape of a crater does to a sharp interface."""

import numpy as np
import pytest

from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.roughening import Growth
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.engine import run

pytestmark = pytest.mark.derived

DEPTH_NM, RATE_NM_S = 1000.0, 10.0


def edge_of(segments, **instrument):
    """Depth scale (dose times rate) and the share of the substrate, across a sharp interface."""
    sample = LayeredSample(
        np.array([DEPTH_NM]), np.zeros(1), np.zeros(1, dtype=int), np.arange(2),
        np.full(2, 80.0), np.full(2, RATE_NM_S), np.eye(2),
    )  # fmt: skip
    projection = np.zeros((2, 2, 1))
    projection[1, 1] = 1.0
    time = np.linspace(0.0, 2.0 * DEPTH_NM / RATE_NM_S, 8001)
    signals = run(sample, Instrument(segments, **instrument), time, projection)
    supplied = 80.0 * RATE_NM_S * np.diff(time)
    return 0.5 * (time[1:] + time[:-1]) * RATE_NM_S, signals.signal[:, 0] / supplied


def width(depth, share, low, high):
    rising = slice(int(np.argmax(share > 1e-6)), int(np.argmax(share > share[-1] - 1e-6)))
    start, stop = np.interp([low, high], share[rising], depth[rising])
    return stop - start


@pytest.mark.parametrize(("curvature", "relative"), [(0.04, 0.02720), (0.10, 0.06800)])
def test_parabolic_crater_by_the_nominal_levels(curvature, relative):
    """Source: derived. The depth is uniform over the area on 1 -/+ curvature/2, a sharp interface
    becomes a ramp of full width curvature * z: 16-84 % (nominal) 0.68 curvature z. Collected atoms
    are weighted with the rate and arrive at z/g: levels at z/g where the share (weighted with g)
    is 16 and 84 %, symmetric to second order in the curvature."""
    depth, share = edge_of(crater.parabolic(curvature))
    assert width(depth, share, 0.16, 0.84) == pytest.approx(relative * DEPTH_NM, rel=2e-3)


@pytest.mark.parametrize("curvature", [0.04, 0.10, -0.10])
def test_parabolic_crater_against_its_exact_ramp(curvature):
    """Source: derived. With g uniform on (a, b), mean 1, atoms of the substrate at dose D:
    int_{z/D}^b g dg/(b - a) = (b^2 - (z/D)^2)/(2 (b - a)), D in nm."""
    depth, share = edge_of(crater.parabolic(curvature))
    b, a = 1 + 0.5 * abs(curvature), 1 - 0.5 * abs(curvature)
    front = np.clip(DEPTH_NM / depth, a, b)
    expected = (b * b - front**2) / (2.0 * (b - a))
    assert share == pytest.approx(expected, abs=1e-3)


def test_concave_and_convex_bottoms_look_alike_in_one_profile():
    """Source: derived, only the distribution of rates over the area counts."""
    _, concave = edge_of(crater.parabolic(0.1))
    _, convex = edge_of(crater.parabolic(-0.1))
    assert concave == pytest.approx(convex, abs=1e-12)


def test_edge_ring_takes_its_share_of_the_area():
    """Source: derived, a ring of 0.1 mm inside 4 mm: 1 - (1 - 0.1/2)^2."""
    assert crater.edge_ring_share(0.1, 4.0) == pytest.approx(0.0975, abs=1e-12)


def test_edge_ring_gives_a_pedestal():
    """Source: derived. The ring (share f, rate k against the floor) reaches the interface at z/g
    of its own; in between it alone (k > 1) contributes, weighted with its g: f g_edge."""
    share_of_area, rate = crater.edge_ring_share(0.1, 4.0), 1.3
    depth, share = edge_of(crater.edged(share_of_area, rate))
    mean = 1.0 - share_of_area + share_of_area * rate
    between = (depth > 1.01 * DEPTH_NM * mean / rate) & (depth < 0.99 * DEPTH_NM * mean)
    assert share[between] == pytest.approx(
        np.full(between.sum(), share_of_area * rate / mean), rel=1e-9
    )
    assert share[depth < 0.99 * DEPTH_NM * mean / rate].max() == 0.0
    assert share[depth > 1.01 * DEPTH_NM * mean] == pytest.approx(1.0, rel=1e-9)


def test_tilted_gate_of_a_raster():
    """Source: derived, a plane tilted across a rectangle is a uniform distribution too; exact
    levels Phi(-1), Phi(1) of a ramp of full width L are 0.682689 L apart."""
    depth, share = edge_of(crater.tilted(0.05))
    span = width(depth, share, 0.158655, 0.841345)
    assert span == pytest.approx(0.682689 * 0.05 * DEPTH_NM, rel=2e-3)


@pytest.mark.parametrize("spread", [0.01, 0.03])
def test_grain_to_grain_spread_without_transport(spread):
    """Source: derived, sigma = spread * z for columns: width 2 sigma between exact levels."""
    depth, share = edge_of(crater.flat(), growth=Growth("columns", spread))
    span = width(depth, share, 0.158655, 0.841345)
    # Columns that are ahead erode faster by u times the spread: odd orders shift, even remain.
    assert span == pytest.approx(2.0 * spread * DEPTH_NM, rel=5 * spread**2 + 1e-3)


def test_sequential_layer_sputtering():
    """Source: A. Benninghoven, Z. Phys. 230 (1970) 403 (from memory): Poisson, 2 sqrt(d z);
    d = n^(-1/3) = 0.23208 nm for 80 atoms per nm3. Columns that are ahead count by the depth that
    they remove, so the front of atoms is narrower by little at 15 nm of 1000."""
    depth, share = edge_of(crater.flat(), growth=Growth("statistical"))
    span = width(depth, share, 0.158655, 0.841345)
    assert span == pytest.approx(2.0 * np.sqrt(80.0 ** (-1 / 3) * DEPTH_NM), rel=5e-3)
