"""Concentrations after diffusion against the solutions of the diffusion equation."""

import math

import numpy as np
import pytest

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.forward import simulate
from craterfront.models.interfaces.diffusion_profiles import (
    diffusion_thickness_nm,
    diffusion_width_nm,
)
from craterfront.models.interfaces.transitions import (
    CONSTANT_SOURCE,
    ERF,
    LIMITED_SOURCE,
    interface_planes_nm,
    slice_fractions,
)

pytestmark = pytest.mark.derived

DIFFUSIVITY_TIME_NM2 = 400.0
LENGTH_NM = 2.0 * math.sqrt(DIFFUSIVITY_TIME_NM2)


def diffused_in(shape, depth_nm):
    """Share of what has diffused in from the surface, in slices far thinner than the length."""
    thickness = np.array([diffusion_thickness_nm(DIFFUSIVITY_TIME_NM2, shape)])
    interface = np.array([diffusion_width_nm(DIFFUSIVITY_TIME_NM2, shape)]), np.array([shape])
    planes = interface_planes_nm(thickness, *interface)
    edges = np.column_stack([depth_nm - 1e-5, depth_nm + 1e-5]).ravel()
    return slice_fractions(edges, planes, *interface)[::2, 0]


def test_a_constant_source_leaves_erfc():
    """Derived: C = C_0 erfc(x / (2 sqrt(Dt))) solves the equation with C_0 held at the surface, and
    the series of erf gives erfc(0.5) = 0.479500, erfc(1) = 0.157299. As in J. Crank, The
    Mathematics of Diffusion, 2nd ed. (1975), section 2.4.2 (from memory), and M. Abramowitz,
    I. A. Stegun, Handbook of Mathematical Functions (1964), table 7.1 (from memory)."""
    share = diffused_in(CONSTANT_SOURCE, LENGTH_NM * np.array([0.5, 1.0]))
    assert share == pytest.approx([0.479500, 0.157299], abs=1e-6)


def test_half_of_the_surface_concentration_lies_at_0_953873_roots():
    """Derived: erfc(0.4769363) = 1/2, so z = 0.953873 sqrt(Dt)."""
    depth = 0.953873 * math.sqrt(DIFFUSIVITY_TIME_NM2)
    assert diffused_in(CONSTANT_SOURCE, np.array([depth])) == pytest.approx([0.5], abs=1e-6)


def test_a_limited_source_leaves_a_gaussian():
    """Source: J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), section 2.2.1:
    C = M / sqrt(pi D t) exp(-x^2 / (4 D t)) from an instantaneous source at the surface (from
    memory). Derived: e^-1/4 and e^-1 at x = sqrt(Dt) and 2 sqrt(Dt)."""
    share = diffused_in(LIMITED_SOURCE, LENGTH_NM * np.array([0.5, 1.0]))
    assert share == pytest.approx([0.778801, 0.367879], abs=1e-6)


def test_interdiffusion_has_the_width_of_2_8284_roots():
    """Derived: a Gaussian edge of variance 2 D t; J. Crank, as above, section 2.3."""
    assert diffusion_width_nm(1.0, ERF) == pytest.approx(2.8284, abs=5e-5)


def test_the_truth_of_a_simulated_case_shows_erfc():
    """Derived: with as many atoms per volume in case and core, the atomic fraction of carbon is
    c_s erfc(z / (2 sqrt(Dt))): 0.05 at the surface."""
    case_density = 7.874 * (0.95 * 55.845 + 0.05 * 12.011) / 55.845
    experiment = experiment_from_toml(f"""
        [[layer]]
        name = "case"
        composition = {{ Fe = 0.95, C = 0.05 }}
        density_g_cm3 = {case_density}
        erosion_rate_nm_s = 10.0
        interface_shape = "constant source"
        diffusivity_time_nm2 = {DIFFUSIVITY_TIME_NM2}
        [substrate]
        composition = "Fe"
        density_g_cm3 = 7.874
        erosion_rate_nm_s = 10.0
        [detection]
        duration_s = 25.0
    """)
    truth = simulate(experiment.stack, experiment.setup)
    depth = truth["depth"].values
    carbon = truth["composition"].sel(element="C").values
    expected = [0.05 * math.erfc(z / LENGTH_NM) for z in depth]
    assert depth[-1] > 5.0 * LENGTH_NM
    assert carbon == pytest.approx(expected, abs=2e-6)
    # Without crater, mixing and roughness the profile is the truth, with depth = rate times time.
    clean = truth["clean"].sel(channel="C").values
    at = 10.0 * truth["time"].values
    found = clean / truth["clean"].sum("channel").values
    assert found == pytest.approx([0.05 * math.erfc(z / LENGTH_NM) for z in at], abs=5e-5)
