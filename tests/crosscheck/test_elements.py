"""Data of the elements against a second library.

Masses and densities come from ``periodictable``, binding energies from a table of sputter yields;
both are held against the package mendeleev, for all elements that have sputter-yield parameters.
"""

import math

import pytest

from craterfront.models.elements import atomic_mass_u, element_density_g_cm3
from craterfront.models.tables import read_table

fetch = pytest.importorskip("mendeleev.fetch", reason="the extra crosscheck is not installed")

pytestmark = pytest.mark.published

KJ_PER_MOL_PER_EV = 96.48533  # exact constants of the SI: e N_A
SYMBOLS = [row["symbol"] for row in read_table("yamamura.csv")]
BINDING_EV = {row["symbol"]: float(row["Us_eV"]) for row in read_table("yamamura.csv")}


@pytest.fixture(scope="module")
def other():
    return fetch.fetch_table("elements").set_index("symbol")


def test_masses_agree(other):
    ratio = {s: atomic_mass_u(s) / other.atomic_weight[s] for s in SYMBOLS}
    assert {s for s, r in ratio.items() if abs(r - 1) > 1e-5} == {"Hf"}
    assert ratio["Hf"] == pytest.approx(1.0, abs=3e-5)  # 178.49, and 178.486 since IUPAC 2019


def test_densities_agree_but_for_four_metals(other):
    """Ratios where the libraries differ by more than 1 %: two schools of handbooks. Here stand the
    denser ones, as the crystal lattice has it: 6.12 g/cm3 for vanadium with a = 0.3024 nm, 16.7 for
    tantalum with 0.3303 nm (edges from memory). Within the 2 % that an element is given, but for
    ruthenium."""
    ratio = {s: element_density_g_cm3(s) / other.density[s] for s in SYMBOLS}
    apart = {s: round(float(r), 3) for s, r in ratio.items() if abs(r - 1) > 0.01}
    assert apart == {"V": 1.018, "Ru": 1.026, "Ta": 1.015, "Re": 1.011}


def test_binding_energies_are_heats_of_formation_of_the_atom(other):
    """Cohesive energies within 1.5 %, also those that the table has from memory."""
    for symbol, binding_eV in BINDING_EV.items():
        heat_eV = other.heat_of_formation[symbol] / KJ_PER_MOL_PER_EV
        assert binding_eV == pytest.approx(heat_eV, rel=0.016), symbol


def test_the_heat_of_evaporation_would_not_do(other):
    """It leaves out the heat of melting, and some elements evaporate as molecules."""
    ratio = {s: other.evaporation_heat[s] / other.heat_of_formation[s] for s in SYMBOLS}
    far = {s for s, r in ratio.items() if r < 0.985 or not math.isfinite(r)}
    print(sorted(far), len(SYMBOLS))
    assert "Zn" in far
    assert len(far) > len(SYMBOLS) / 2
