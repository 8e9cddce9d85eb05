"""One edge, fitted by the inversion and by lmfit (https://lmfit.github.io) on its formula.

Derived: a flat crater, no mixing and an interface that is a Gaussian edge of standard deviation s
give a signal that falls as 1 - Phi((z - d) / s) with the depth z = rate x time, averaged over each
reading with the integral of Phi, H(x) = x Phi(x / s) + s phi(x / s).
"""

import numpy as np
import pytest
from scipy.special import ndtr

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.measured_files.measured import MeasuredProfile

lmfit = pytest.importorskip("lmfit", reason="the extra crosscheck is not installed")

pytestmark = pytest.mark.derived

RATE_NM_S, SUBSTRATE_NM_S = 10.0, 10.0
EDGES_S = np.linspace(0.0, 12.0, 241)
NOISE = 0.03
EXPERIMENT = f"""
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {{ guess = 55.0 }}
interface_width_nm = {{ guess = 4.0 }}
erosion_rate_nm_s = {{ value = {RATE_NM_S}, u = 0 }}
[substrate]
composition = "Ni"
erosion_rate_nm_s = {{ value = {SUBSTRATE_NM_S}, u = 0 }}
[crater]
shape = "flat"
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[mixing]
model = "none"
[[detection.channel]]
element = "Cu"
[[detection.channel]]
element = "Ni"
[noise]
counts_per_unit_s = 1e12
readout_per_sqrt_s = {NOISE * np.sqrt(EDGES_S[1])}
"""


def passed(depth_nm, sd_nm):
    """Mean of Phi over each reading."""
    z = EDGES_S * RATE_NM_S - depth_nm
    integral = z * ndtr(z / sd_nm) + sd_nm * np.exp(-0.5 * (z / sd_nm) ** 2) / np.sqrt(2 * np.pi)
    return np.diff(integral) / np.diff(EDGES_S * RATE_NM_S)


def signals(depth_nm, variance_nm2, copper, nickel, below_copper, below_nickel):
    share = passed(depth_nm, np.sqrt(variance_nm2))
    return np.array([below_copper + copper * (1.0 - share), below_nickel + nickel * share])


TRUTH = {
    "depth_nm": 62.3,
    "variance_nm2": 25.0,
    "copper": 1.0,
    "nickel": 0.7,
    "below_copper": 0.3,
    "below_nickel": 0.2,
}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.thorough
def test_values_and_uncertainties(seed):
    """Values within a tenth of their uncertainty, uncertainties within 2 %.

    The prior of a guessed thickness (a factor of 3) pulls by less than 1e-3 of u. Slices leave
    steps of 1e-5 of full scale in the signal where nothing smooths it, as here, and dents of a few
    hundredths of u in the sum of squares.
    """
    rng = np.random.default_rng(seed)
    readings = signals(**TRUTH) + NOISE * rng.standard_normal((2, EDGES_S.size - 1))
    other = lmfit.minimize(
        lambda numbers: ((signals(**numbers.valuesdict()) - readings) / NOISE).ravel(),
        lmfit.create_params(**TRUTH),
        scale_covar=False,
        ftol=1e-12,
        xtol=1e-12,
    )
    profile = MeasuredProfile(
        axis="time",
        axis_values=0.5 * (EDGES_S[1:] + EDGES_S[:-1]),
        interval=np.diff(EDGES_S),
        channels=["Cu", "Ni"],
        values=readings,
        values_kind="intensity",
        censored=np.zeros(readings.shape, dtype=bool),
        notes=[],
        source="edge",
    )
    found = invert(profile, experiment_from_toml(EXPERIMENT))
    layer = answer(found).layers[0]
    depth, variance = other.params["depth_nm"], other.params["variance_nm2"]
    assert layer.value == pytest.approx(depth.value, abs=0.1 * depth.stderr)
    assert layer.u == pytest.approx(depth.stderr, rel=0.02)
    square = (layer.width.value_nm / 2.0) ** 2
    assert square == pytest.approx(variance.value, abs=0.1 * variance.stderr)
    low, high = ((end / 2.0) ** 2 for end in (layer.width.lower_nm, layer.width.upper_nm))
    assert (high - low) / (2 * 1.959964) == pytest.approx(variance.stderr, rel=0.05)
