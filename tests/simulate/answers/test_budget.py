"""The broadening budget against the moments of simulated edges."""

import math

import numpy as np
import pytest

from craterfront.answers.budget import broadening, crater_variances, relative_column_variance
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.assembly import Assembly
from craterfront.models.erosion_front import crater
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.engine import run
from craterfront.models.quick_engine.slice_plan import plan

RATE, THICKNESS_NM, READINGS = 10.0, 200.0, 6000

EDGE = """
[[layer]]
composition = "Cu"
density_g_cm3 = {density}
thickness_nm = 200.0
erosion_rate_nm_s = 10.0
interface_width_nm = {width}
interface_shape = "{shape}"
[substrate]
composition = "Al"
density_g_cm3 = 2.7
erosion_rate_nm_s = {rate_below}
[detection]
view = "{view}"
escape_depth_nm = {escape}
"""
EQUALLY_DENSE = 2.7 * 63.546 / 26.982  # as many atoms of copper per volume as of aluminium


def assembled(
    more="", rate_below=10.0, width=0.0, shape="erf", view="collected", escape=0.0, density=8.96
):
    text = EDGE.format(**{key: value for key, value in locals().items() if key != "more"}) + more
    experiment = experiment_from_toml(text)
    return Assembly(experiment.stack, experiment.setup, merge_equal=False)


def simulated_two_sd_nm(assembly):
    """Two standard deviations of the edge of the upper layer [nm], and its budget.

    The edge is the derivative of the signal by time. Differences of means over intervals have
    twice the variance of an interval more than the edge itself.
    """
    sample, instrument = (make(assembly.nominal) for make in (assembly.sample, assembly.instrument))
    step = 3.0 * THICKNESS_NM / RATE / READINGS
    time = np.arange(READINGS + 1) * step
    copper = np.zeros((2, 2, 1))
    copper[0, 0] = 1.0
    slices = plan(sample, instrument, time, refine=4.0)
    signal = run(sample, instrument, time, copper, slices).signal[:, 0]
    edge = -np.diff(signal) / signal[:20].mean()
    assert edge.sum() == pytest.approx(1.0, abs=1e-5)
    mean = edge @ time[1:-1]
    variance = edge @ (time[1:-1] - mean) ** 2 - step**2 / 6.0
    (budget,) = broadening(assembly, assembly.nominal, 0.0)
    return 2.0 * math.sqrt(variance * math.prod(sample.rate_nm_s)), budget


CAUSES = {
    "parabolic": '[crater]\nshape = "parabolic"\ncurvature = 0.6\n',
    "edged": '[crater]\nshape = "edged"\nedge_share = 0.1\nedge_rate = 0.6\n',
    "columns": '[roughness]\ngrowth = "columns"\nrelative_spread = 0.12\n',
    "initial roughness": "[roughness]\ninitial_nm = 5.0\n",
    "uniform mixing": '[mixing]\nmodel = "uniform"\nlength_nm = 4.0\n',
    "diffusive mixing": '[mixing]\nmodel = "diffusive"\nlength_nm = 2.0\nrange_nm = 4.0\n',
    "weak mixing": '[mixing]\nmodel = "diffusive"\nlength_nm = 0.5\nrange_nm = 4.0\n',
    "relocation": '[mixing]\nmodel = "relocation"\nlength_nm = 2.0\nrange_nm = 4.0\n'
    "displacement_nm = 1.0\n",
}


@pytest.mark.parametrize("view", ["collected", "viewed"])
@pytest.mark.parametrize("rate_below", [10.0, 5.0, 30.0])
@pytest.mark.parametrize("cause", CAUSES)
def test_each_cause_alone_is_exact(cause, rate_below, view):
    assembly = assembled(CAUSES[cause], rate_below, view=view)
    two_sd_nm, budget = simulated_two_sd_nm(assembly)
    assert budget.total_nm == pytest.approx(two_sd_nm, rel=3e-4)


@pytest.mark.parametrize("rate_below", [10.0, 5.0, 30.0])
@pytest.mark.parametrize("density", [8.96, EQUALLY_DENSE])
@pytest.mark.parametrize("view", ["collected", "viewed"])
def test_escape_depth_alone_is_exact(rate_below, density, view):
    assembly = assembled("", rate_below, view=view, escape=2.0, density=density)
    two_sd_nm, budget = simulated_two_sd_nm(assembly)
    assert budget.two_sd_nm["escape depth"] == pytest.approx(two_sd_nm, rel=3e-4)
    if density == EQUALLY_DENSE:  # an exponential with 2 nm, in the layer above
        expected = 4.0 * math.sqrt(rate_below / RATE)
        assert budget.total_nm == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("rate_below", [10.0, 5.0, 30.0])
@pytest.mark.parametrize(
    "shape",
    [
        "erf",
        "linear",
        "exponential",
        "logistic",
        "constant source",
        "limited source",
        "tabulated",
    ],
)
def test_a_true_transition_keeps_its_width_at_the_geometric_mean_of_the_rates(shape, rate_below):
    """Derived: with the distribution f of the transition in depth and independent x, x' from it,
    the variance of dose is s^2/r^2 + 2 (1/r' - 1/r)/r <max(x' - x, 0)^2>/2 = s^2/(r r')."""
    table = '"\ninterface_table = [[2.0, 0.0], [3.0, 0.4], [9.0, 0.5], [14.0, 1.0]] #'
    named = shape + table if shape == "tabulated" else shape
    two_sd_nm, budget = simulated_two_sd_nm(assembled("", rate_below, width=10.0, shape=named))
    assert budget.total_nm == pytest.approx(two_sd_nm, rel=1e-4)
    if shape == "erf":
        assert budget.two_sd_nm["true transition"] == 10.0


@pytest.mark.parametrize("rate_below", [10.0, 5.0, 30.0])
def test_causes_that_shift_a_dose_add_exactly(rate_below):
    more = CAUSES["initial roughness"] + CAUSES["uniform mixing"]
    two_sd_nm, budget = simulated_two_sd_nm(assembled(more, rate_below, width=6.0))
    assert budget.total_nm == pytest.approx(two_sd_nm, rel=1e-4)


@pytest.mark.parametrize("rate_below", [10.0, 5.0, 30.0])
def test_spreads_of_rate_multiply(rate_below):
    """Derived: points of relative rate g see all other edges with the supply D g, so collected
    edges of variance v at the mean dose d have (v + d^2) <1/g> - d^2: the sum is too small by
    v (<1/g> - 1)."""
    more = CAUSES["edged"] + CAUSES["initial roughness"] + CAUSES["uniform mixing"]
    two_sd_nm, budget = simulated_two_sd_nm(assembled(more, rate_below, width=6.0))
    by_crater = budget.two_sd_nm["crater"]
    others = budget.total_nm**2 - by_crater**2
    factor = relative_variance(crater.edged(0.1, 0.6), viewed=False)
    assert two_sd_nm == pytest.approx(math.sqrt(budget.total_nm**2 + factor * others), rel=1e-4)


def relative_variance(segments, viewed):
    """Of the dose at which a crater reaches the dose 1."""
    one = np.ones(2)
    sample = LayeredSample(
        one[:1], np.zeros(1), np.zeros(1, int), np.arange(2), one, one, np.eye(2)
    )
    view = "viewed" if viewed else "collected"
    return crater_variances(Instrument(segments, view=view), sample)[0]


def test_a_spread_of_yields_multiplies_with_the_crater():
    """Derived: independent rates g and h have <1/(g h)> = <1/g> <1/h>."""
    two_sd_nm, budget = simulated_two_sd_nm(assembled(CAUSES["parabolic"] + CAUSES["columns"]))
    crater_nm, roughness_nm = budget.two_sd_nm["crater"], budget.two_sd_nm["roughness"]
    product_nm = crater_nm * roughness_nm / (2.0 * THICKNESS_NM)
    assert two_sd_nm == pytest.approx(math.hypot(budget.total_nm, product_nm), rel=3e-4)


GRAINS = '[roughness]\ngrowth = "grains"\nrelative_spread = 0.1\ngrain_nm = 50.0\n'


@pytest.mark.parametrize(
    ("more", "options", "least", "most"),
    [
        (CAUSES["diffusive mixing"], {"width": 4.0, "rate_below": 10.0}, -0.005, 0.0),
        (CAUSES["diffusive mixing"], {"width": 4.0, "rate_below": 5.0}, -0.015, -0.005),
        (GRAINS, {"rate_below": 10.0}, -0.001, 0.0),
        (GRAINS, {"rate_below": 30.0}, 0.005, 0.015),
        (CAUSES["uniform mixing"], {"escape": 2.0}, 0.02, 0.06),
        (
            CAUSES["diffusive mixing"],
            {"escape": 1.0, "rate_below": 30.0, "density": EQUALLY_DENSE},
            0.1,
            0.17,
        ),
        ("", {"view": "viewed", "width": 10.0, "density": EQUALLY_DENSE}, -1e-4, 1e-4),
        ("", {"view": "viewed", "width": 10.0, "rate_below": 30.0}, -0.15, -0.05),
    ],
)
def test_where_the_sum_is_only_near(more, options, least, most):
    """Sizes as the guide on theory gives them."""
    two_sd_nm, budget = simulated_two_sd_nm(assembled(more, **options))
    assert least <= budget.total_nm / two_sd_nm - 1.0 <= most


def test_sampling_is_the_mean_over_an_interval():
    """Derived: variance of a uniform distribution; 0.3 s at the mean rate sqrt(10 * 5) nm/s."""
    assembly = assembled("", rate_below=5.0)
    (budget,) = broadening(assembly, assembly.nominal, 0.3)
    expected = 0.3 * math.sqrt(50.0) / math.sqrt(3.0)
    assert budget.two_sd_nm["sampling"] == pytest.approx(expected)
    assert budget.total_nm == pytest.approx(expected)


@pytest.mark.parametrize("viewed", [False, True])
@pytest.mark.parametrize(
    "segments",
    [crater.flat(), crater.parabolic(1e-9), crater.parabolic(1.9), crater.edged(0.3, 2.5)],
)
def test_crater_variance_is_that_of_the_arrival(segments, viewed):
    """Quadrature over g, points weighted with their rate where the signal is collected."""
    nodes, weights = np.polynomial.legendre.leggauss(200)
    low, high, share = segments.T[:, :, None]
    g = (low + high) / 2 + (high - low) / 2 * nodes
    weight = share * weights / 2 * (1.0 if viewed else g)
    mean = np.sum(weight / g)
    expected = np.sum(weight * (1.0 / g - mean) ** 2)
    assert relative_variance(segments, viewed) == pytest.approx(expected, abs=1e-12)


def test_a_crater_that_differs_by_layer_adds_what_each_layer_does():
    """Derived: with g = 1 + c (1/2 - u) small, the variance is ((c1 d1 + c2 d2)^2) / 12."""
    first, second = 0.01, -0.004
    sample = LayeredSample(
        np.array([30.0, 50.0]), np.zeros(2), np.zeros(2, int), np.arange(3), np.ones(3),
        np.array([1.0, 2.0, 1.0]), np.eye(3),
    )  # fmt: skip
    floors = [crater.divided(crater.parabolic(c), 32) for c in (first, second, 0.0)]
    for view in ("collected", "viewed"):
        variance = crater_variances(Instrument(np.stack(floors), view=view), sample)
        expected = np.array([first * 30.0, first * 30.0 + second * 25.0]) ** 2 / 12.0
        assert variance == pytest.approx(expected, rel=1e-2)


def test_column_variance_of_a_narrow_spread():
    """Derived: <1/(1 - s x)> = 1 + s^2 + 3 s^4 + 15 s^6 + ..., moments of the normal law."""
    s = 0.05
    series = s**2 + 3 * s**4 + 15 * s**6
    assert relative_column_variance(s, viewed=False) == pytest.approx(series, rel=1e-5)
    assert relative_column_variance(s, viewed=True) == pytest.approx((s * (1 + series)) ** 2)
    assert relative_column_variance(0.0, viewed=False) == 0.0
