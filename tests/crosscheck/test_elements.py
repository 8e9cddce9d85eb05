"""Data of the elements against a second library.

Masses and densities come from ``periodictable``, binding energies from a table of sputter yields;
both are held against the package mendeleev, for all elements that have sputter-yield parameters.
"""

import sqlite3
from contextlib import closing
from importlib.util import find_spec
from pathlib import Path

import pytest

from craterfront.models.materials.elements import atomic_mass_u, element_density_g_cm3
from craterfront.models.materials.tables import read_table

SECOND_LIBRARY = find_spec("mendeleev")

pytestmark = [
    pytest.mark.published,
    pytest.mark.skipif(SECOND_LIBRARY is None, reason="the extra crosscheck is not installed"),
]

KJ_PER_MOL_PER_EV = 96.48533  # exact constants of the SI: e N_A
SYMBOLS = [row["symbol"] for row in read_table("yamamura.csv")]
BINDING_EV = {row["symbol"]: float(row["Us_eV"]) for row in read_table("yamamura.csv")}


@pytest.fixture(scope="module")
def other():
    """Numbers of each element. Read from the package's file: its functions leave it open."""
    columns = "atomic_weight, density, heat_of_formation, evaporation_heat"
    path = Path(SECOND_LIBRARY.origin).with_name("elements.db")
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
        database.row_factory = sqlite3.Row
        rows = database.execute(f"SELECT symbol, {columns} FROM elements").fetchall()
    return {row["symbol"]: row for row in rows}


def test_masses_agree(other):
    ratio = {s: atomic_mass_u(s) / other[s]["atomic_weight"] for s in SYMBOLS}
    assert {s for s, r in ratio.items() if abs(r - 1) > 1e-5} == {"Hf"}
    assert ratio["Hf"] == pytest.approx(1.0, abs=3e-5)  # 178.49, and 178.486 since IUPAC 2019


def test_densities_agree_but_for_four_metals(other):
    """Ratios where the libraries differ by more than 1 %: two schools of handbooks. Here stand the
    denser ones, as the crystal lattice has it: 6.12 g/cm3 for vanadium with a = 0.3024 nm, 16.7 for
    tantalum with 0.3303 nm (edges from memory). Within the 2 % that an element is given, but for
    ruthenium."""
    ratio = {s: element_density_g_cm3(s) / other[s]["density"] for s in SYMBOLS}
    apart = {s: round(float(r), 3) for s, r in ratio.items() if abs(r - 1) > 0.01}
    assert apart == {"V": 1.018, "Ru": 1.026, "Ta": 1.015, "Re": 1.011}


def test_binding_energies_are_heats_of_formation_of_the_atom(other):
    """Cohesive energies within 1.5 %, also those that the table has from memory."""
    for symbol, binding_eV in BINDING_EV.items():
        heat_eV = other[symbol]["heat_of_formation"] / KJ_PER_MOL_PER_EV
        assert binding_eV == pytest.approx(heat_eV, rel=0.016), symbol


def test_the_heat_of_evaporation_would_not_do(other):
    """It leaves out the heat of melting, and some elements evaporate as molecules."""
    heats = {s: (other[s]["evaporation_heat"], other[s]["heat_of_formation"]) for s in SYMBOLS}
    ratios = {s: found / right for s, (found, right) in heats.items() if found}
    far = {s for s, ratio in ratios.items() if ratio < 0.985}
    assert "Zn" in far
    assert len(far) > 0.8 * len(ratios)
