"""Estimated mixing against a measured decay length, and against what mixing takes by default."""

import math

import pytest

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.assembly import Assembly
from craterfront.models.altered_layers.mixing_strength import (
    DISPLACEMENT_PER_EV,
    RELOCATION_PER_EV,
    SPREAD_FACTOR,
    deposited_energy_eV_nm,
    mixing_per_recession_nm,
    trailing_length_nm,
)
from craterfront.models.materials.elements import atomic_density_per_nm3
from craterfront.models.materials.ranges import projected_range_nm
from craterfront.models.materials.sputtering import elemental_yield
from craterfront.models.materials.yield_formulas import yamamura_yield

# S. Hofmann, A. Rar, D. W. Moon, K. Yoshihara, arXiv cond-mat/0104434 (2001): mixing length of AlAs
# in GaAs under 3 keV argon, by ions at 52 degrees and by electrons at 58 degrees alike.
MEASURED_NM, U_NM = 3.0, 0.3
GALLIUM_ARSENIDE = {"Ga": 0.5, "As": 0.5}
ENERGY_EV = 3000.0


def predicted_nm(jumps_per_eV, angle_deg):
    """Germanium, which stands between gallium and arsenic, lends its yield: 2.6 atoms per ion."""
    density = atomic_density_per_nm3(GALLIUM_ARSENIDE, 5.31)
    deposited = deposited_energy_eV_nm(GALLIUM_ARSENIDE, ENERGY_EV, density)
    mixing = mixing_per_recession_nm(deposited, elemental_yield("Ge", ENERGY_EV), jumps_per_eV)
    reach = projected_range_nm(GALLIUM_ARSENIDE, ENERGY_EV, density)
    return trailing_length_nm(mixing, 2.0 * reach * math.cos(math.radians(angle_deg)))


@pytest.mark.derived
@pytest.mark.parametrize(("energy", "mixing"), [(300, 0.39), (1000, 0.28), (3000, 0.24)])
def test_displacements_in_copper(energy, mixing):
    """Source: derived once, independently, with the yield by formula alone; two digits."""
    density = atomic_density_per_nm3({"Cu": 1}, 8.96)
    deposited = deposited_energy_eV_nm({"Cu": 1}, energy, density)
    found = mixing_per_recession_nm(deposited, yamamura_yield(energy, "Cu"))
    assert found == pytest.approx(mixing, abs=0.006)


@pytest.mark.published
@pytest.mark.parametrize("angle_deg", [52.0, 58.0])
def test_displacements_alone_mix_too_weakly(angle_deg):
    """They give 0.8 nm: a quarter of what was measured, beyond their factor of two."""
    found = predicted_nm(DISPLACEMENT_PER_EV, angle_deg)
    assert found == pytest.approx(0.77, abs=0.01)
    at_most = predicted_nm(SPREAD_FACTOR * DISPLACEMENT_PER_EV, angle_deg)
    assert at_most < MEASURED_NM - 2 * U_NM


@pytest.mark.published
@pytest.mark.parametrize("angle_deg", [52.0, 58.0])
def test_relocation_in_cascades_comes_close(angle_deg):
    """2.6 to 2.7 nm; its factor of two either way in D/v spans 1.6 to 3.6 or 4.0 nm."""
    found = predicted_nm(RELOCATION_PER_EV, angle_deg)
    assert found == pytest.approx(MEASURED_NM, abs=2 * U_NM)
    ends = [SPREAD_FACTOR**sign * RELOCATION_PER_EV for sign in (-1, 1)]
    least, most = (predicted_nm(end, angle_deg) for end in ends)
    assert least < MEASURED_NM - U_NM < MEASURED_NM + U_NM < most


@pytest.mark.published
@pytest.mark.parametrize("angle_deg", [52.0, 58.0])
def test_the_default_length_is_the_range_and_agrees(angle_deg):
    """The projected range along the normal, 2.8 to 3.3 nm."""
    text = f"""
[[layer]]
composition = "GaAs"
thickness_nm = 20.0
erosion_rate_nm_s = 0.1
[substrate]
composition = "GaAs"
erosion_rate_nm_s = 0.1
[source]
kind = "ion beam"
energy_eV = {ENERGY_EV}
angle_deg = {angle_deg}
current_nA = 50
raster_um = [300, 300]
[mixing]
model = "diffusive"
"""
    experiment = experiment_from_toml(text)
    assembly = Assembly(experiment.stack, experiment.setup)
    length = assembly.parameters[assembly.index_of("mixing length")]
    assert length.value == pytest.approx(MEASURED_NM, abs=1.5 * U_NM)
    assert length.u == pytest.approx(0.4 * length.value)
