"""Case depths against a printed table of the error function."""

import math

import pytest

from craterfront.answers.secondary import case_depth_nm
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.assembly import Assembly
from craterfront.models.materials.elements import atomic_mass_u
from craterfront.samples.asked import CaseDepth

LENGTH_NM = 50.0
CASE = f"""
[[layer]]
composition = "Cu"
density_g_cm3 = {8.902 * atomic_mass_u("Cu") / atomic_mass_u("Ni")}
thickness_nm = {2.0 * LENGTH_NM / math.sqrt(math.pi)}
interface_shape = "constant source"
diffusivity_time_nm2 = {LENGTH_NM**2}
erosion_rate_nm_s = 10.0
[substrate]
composition = "Ni"
density_g_cm3 = 8.902
erosion_rate_nm_s = 10.0
"""


@pytest.mark.published
@pytest.mark.parametrize(
    ("z", "erf"),
    [(0.10, 0.1125), (0.35, 0.3794), (0.50, 0.5205), (0.95, 0.8209), (1.3, 0.9340), (1.7, 0.9838)],
)
def test_case_depth_by_a_table_of_the_error_function(z, erf):
    """W. D. Callister, D. G. Rethwisch, Materials Science and Engineering, table 5.1 (read in a
    copy of page 147 on the web), and its equation 5.5: (C - C0) / (Cs - C0) = 1 - erf(x/(2 sqrt(D
    t))). With as many atoms of both elements in a nm3, C is the atomic fraction, 1 at the surface
    and 0 in the substrate."""
    experiment = experiment_from_toml(CASE)
    assembly = Assembly(experiment.stack, experiment.setup, merge_equal=False)
    asked = CaseDepth(element="Cu", atomic_fraction=1.0 - erf)
    depth = case_depth_nm(assembly.sample(assembly.nominal), assembly.elements, asked)
    rounding = 0.5e-4 * math.sqrt(math.pi) / 2.0 * math.exp(z * z)  # of erf, as one of z
    assert depth / (2.0 * LENGTH_NM) == pytest.approx(z, abs=rounding + 1e-5)
