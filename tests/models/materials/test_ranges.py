"""Projected ranges against a table of the same theory, and their scaling."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.materials.elements import atomic_density_per_nm3, solid_density_g_cm3
from craterfront.models.materials.ranges import U_REL, projected_range_nm
from craterfront.models.validity import ValidityWarning

ENERGY_EV = (250.0, 500.0, 1000.0, 2000.0, 3000.0, 5000.0)

# Projected range of Ar [nm] by R = int dE/(n S_n), R_p = R/(1 + M2/(3 M1)), Thomas-Fermi nuclear
# stopping. Source: derived once with the element data of the handbooks (no measurement).
THOMAS_FERMI_NM = {
    "Si": (1.23, 1.89, 2.95, 4.68, 6.19, 8.93),
    "Al": (1.05, 1.62, 2.52, 4.01, 5.32, 7.69),
    "Ti": (0.93, 1.43, 2.21, 3.47, 4.57, 6.54),
    "Fe": (0.60, 0.92, 1.42, 2.22, 2.91, 4.15),
    "Cu": (0.59, 0.90, 1.38, 2.16, 2.83, 4.02),
    "Zn": (0.76, 1.15, 1.77, 2.76, 3.62, 5.14),
    "Au": (0.77, 1.16, 1.74, 2.65, 3.41, 4.73),
}


def range_in(symbol, energy_eV, ion="Ar"):
    density = solid_density_g_cm3({symbol: 1}).value_g_cm3
    return projected_range_nm(
        {symbol: 1}, energy_eV, atomic_density_per_nm3({symbol: 1}, density), ion
    )


@pytest.mark.parametrize("symbol", THOMAS_FERMI_NM)
def test_argon_in_elements(symbol):
    """Source: derived, see the table; 10 % for the analytic form of the stopping."""
    computed = [range_in(symbol, energy) for energy in ENERGY_EV]
    assert computed == pytest.approx(THOMAS_FERMI_NM[symbol], rel=0.1)


@pytest.mark.parametrize(
    ("symbol", "krypton_carbon_nm"), [("Si", 3.72), ("Ti", 2.87), ("Fe", 1.88), ("Cu", 1.85)]
)
def test_another_potential_agrees_within_the_stated_uncertainty(symbol, krypton_carbon_nm):
    """Source: derived, the same integral with Kr-C stopping, 1 keV."""
    assert range_in(symbol, 1000.0) == pytest.approx(krypton_carbon_nm, rel=U_REL)


@given(st.sampled_from(sorted(THOMAS_FERMI_NM)), st.floats(60, 4000), st.floats(1.05, 2))
def test_faster_ions_go_deeper(symbol, energy_eV, factor):
    assert range_in(symbol, energy_eV * factor) > range_in(symbol, energy_eV)


@given(st.floats(10, 200), st.floats(1.1, 5))
def test_the_range_is_a_number_of_atoms(density, factor):
    thin = projected_range_nm({"Si": 1}, 500.0, density)
    dense = projected_range_nm({"Si": 1}, 500.0, density * factor)
    assert dense * factor == pytest.approx(thin, rel=1e-12)


@given(st.floats(0.02, 0.98))
def test_a_mixture_lies_between_its_elements(share):
    pure = sorted(projected_range_nm({symbol: 1}, 500.0, 80.0) for symbol in ("Al", "Cu"))
    mixed = projected_range_nm({"Al": share, "Cu": 1 - share}, 500.0, 80.0)
    assert pure[0] < mixed < pure[1]


def test_heavier_ions_stay_nearer_the_surface():
    assert (
        range_in("Si", 1000.0, "Xe") < range_in("Si", 1000.0, "Ar") < range_in("Si", 1000.0, "Ne")
    )


def test_ranges_beyond_ten_keV_warn():
    with pytest.warns(ValidityWarning, match="20000 eV is above 10 keV"):
        range_in("Si", 20_000.0)


@pytest.mark.parametrize("energy_eV", [0.0, -5.0])
def test_an_impossible_energy_is_named(energy_eV):
    with pytest.raises(ValueError, match=f"energy_eV: must be > 0 and finite, got {energy_eV:g}"):
        range_in("Si", energy_eV)


def test_an_impossible_density_is_named():
    with pytest.raises(ValueError, match="atomic_density_per_nm3: must be > 0 and finite, got 0"):
        projected_range_nm({"Si": 1}, 500.0, 0.0)
