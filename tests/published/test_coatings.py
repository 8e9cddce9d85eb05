"""Coating mass, thickness and density against standards and handbooks."""

import pytest

from craterfront.models.materials.elements import (
    AVOGADRO_PER_MOL,
    areal_mass_g_m2,
    mass_to_atomic_fractions,
    mean_mass_u,
    parse_formula,
    solid_density_g_cm3,
    thickness_from_areal_mass_nm,
)

# --- zinc coatings --------------------------------------------------------------------------------

ZINC_COATING_G_CM3 = 7.1  # conventional value of the strip standards, common practice


@pytest.mark.derived
@pytest.mark.parametrize(
    ("both_sides_g_m2", "per_side_um"),
    [(100, 7.04), (140, 9.86), (200, 14.08), (275, 19.37), (350, 24.65), (600, 42.25)],
)
def test_hot_dip_strip_by_designation(both_sides_g_m2, per_side_um):
    """Source: designations of EN 10346 (mass of both sides); thickness derived, m/(2 * 7.1)."""
    thickness_nm = thickness_from_areal_mass_nm(both_sides_g_m2 / 2, ZINC_COATING_G_CM3)
    assert thickness_nm / 1e3 == pytest.approx(per_side_um, abs=0.006)


@pytest.mark.recalled
def test_z275_has_about_twenty_micrometres():
    """Source: trade descriptions of Z275 give 20 to 25 um per side, EN 10346 guidance 20 um typical
    (from memory)."""
    thickness_um = thickness_from_areal_mass_nm(275 / 2, ZINC_COATING_G_CM3) / 1e3
    assert abs(thickness_um - 20) < 1


@pytest.mark.published
@pytest.mark.parametrize(
    ("thickness_um", "mass_g_m2"),
    [(35, 250), (45, 325), (55, 395), (60, 430), (70, 505), (80, 575), (85, 610)],
)
def test_batch_galvanising_pairs_imply_the_density_of_zinc(thickness_um, mass_g_m2):
    """Source: minimum coating thickness and mass of ISO 1461 (looked up)."""
    per_g_cm3 = areal_mass_g_m2(thickness_um * 1e3, 1.0)
    assert 7.14 <= mass_g_m2 / per_g_cm3 <= 7.23


@pytest.mark.published
def test_one_micrometre_of_zinc():
    """Source: ASTM A653, 7.14 g/m2 are 1.00 um of zinc (looked up in quotation)."""
    zinc = solid_density_g_cm3({"Zn": 1})
    assert areal_mass_g_m2(1000.0, zinc.value_g_cm3) == pytest.approx(7.14, rel=2e-3)


# --- densities ------------------------------------------------------------------------------------


@pytest.mark.published
def test_titanium_nitride_is_the_compound_and_no_mixture():
    """Source: CRC Handbook, 97th ed. (2016), 5.21; 5.40 from the crystal lattice."""
    assert 5.2 <= solid_density_g_cm3(parse_formula("TiN")).value_g_cm3 <= 5.4


# Four formula units in a cubic cell of edge a [nm]. Source: crystal lattice parameters, those of
# TiN and ZrN looked up, the others from memory.
CUBIC_CELLS = [
    ("TiN", 0.4241),
    ("ZrN", 0.4577),
    ("CrN", 0.4149),
    ("TiC", 0.4328),
    ("GaAs", 0.5653),
    ("MgO", 0.4212),
    ("CaF2", 0.5463),
    ("NiO", 0.4177),
]


@pytest.mark.recalled
@pytest.mark.parametrize(("formula", "edge_nm"), CUBIC_CELLS)
def test_tabulated_densities_against_the_crystal_lattice(formula, edge_nm):
    atoms_per_unit = {"CaF2": 3}.get(formula, 2)
    cell_g = 4 * atoms_per_unit * mean_mass_u(parse_formula(formula)) / AVOGADRO_PER_MOL
    lattice_g_cm3 = cell_g / (edge_nm * 1e-7) ** 3
    density = solid_density_g_cm3(parse_formula(formula))
    assert density.value_g_cm3 == pytest.approx(lattice_g_cm3, rel=2 * density.u_rel)


# Alloys by mass, density [g/cm3]. Source: materials handbooks, from memory.
ALLOYS = [
    ({"Cu": 0.63, "Zn": 0.37}, 8.44),
    ({"Cu": 0.94, "Sn": 0.06}, 8.80),
    ({"Fe": 0.72, "Cr": 0.18, "Ni": 0.10}, 7.9),
    ({"Fe": 0.99, "C": 0.01}, 7.83),
    ({"Ti": 0.90, "Al": 0.06, "V": 0.04}, 4.43),
    ({"Al": 0.88, "Si": 0.12}, 2.66),
    ({"Ni": 0.55, "Ti": 0.45}, 6.45),
    ({"Zn": 0.95, "Al": 0.05}, 6.6),
]


@pytest.mark.recalled
@pytest.mark.parametrize(("by_mass", "published_g_cm3"), ALLOYS, ids=lambda x: str(x))
def test_the_alloy_rule_holds_within_its_uncertainty(by_mass, published_g_cm3):
    density = solid_density_g_cm3(mass_to_atomic_fractions(by_mass))
    assert density.value_g_cm3 == pytest.approx(published_g_cm3, rel=2 * density.u_rel)


@pytest.mark.derived
def test_brass_comes_out_three_percent_low():
    """Source: derived from the mixing rule with handbook densities, 63/37 by mass."""
    density = solid_density_g_cm3(mass_to_atomic_fractions({"Cu": 0.63, "Zn": 0.37}))
    assert density.value_g_cm3 == pytest.approx(8.184, rel=1e-3)
