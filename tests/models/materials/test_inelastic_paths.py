"""Paths of electrons: what must always hold, ranges and messages."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.detection.escape import (
    U_REL,
    U_REL_COMPOUND,
    attenuation,
    attenuation_length_nm,
    attenuation_u_rel,
    escape_depth_nm,
)
from craterfront.models.materials.inelastic_paths import seah_s1_nm, seah_s2_nm, tpp2m_nm
from craterfront.models.validity import ValidityWarning

metals = st.sampled_from(["Al", "Ti", "Fe", "Cu", "Zn", "Ag", "W", "Au"])
DENSITY = {
    "Al": 2.7, "Ti": 4.5, "Fe": 7.87, "Cu": 8.96, "Zn": 7.13, "Ag": 10.5, "W": 19.3, "Au": 19.3,
}  # fmt: skip


@given(metals, st.floats(200, 1900), st.floats(1.02, 1.05))
def test_faster_electrons_go_farther(symbol, energy, factor):
    energies = np.array([energy, energy * factor])
    for lengths in (
        tpp2m_nm({symbol: 1}, DENSITY[symbol], energies),
        seah_s1_nm({symbol: 1}, DENSITY[symbol], energies),
        seah_s2_nm({symbol: 1}, energies),
        attenuation_length_nm({symbol: 1}, energies),
    ):
        assert lengths.shape == (2,)
        assert 0 < lengths[0] < lengths[1]


@given(metals, st.floats(200, 2000), st.floats(0.1, 9), st.floats(1, 1000))
def test_a_gap_lengthens_paths_and_amounts_need_not_add_up(symbol, energy, gap, amount):
    density = DENSITY[symbol]
    for formula in (tpp2m_nm, seah_s1_nm):
        conductor = float(formula({symbol: amount}, density, energy))
        assert conductor == pytest.approx(float(formula({symbol: 1}, density, energy)))
        assert float(formula({symbol: 1}, density, energy, gap)) > conductor


@given(st.floats(0.02, 0.98), st.floats(100, 3e4))
def test_a_mixture_attenuates_between_its_elements(share, energy):
    mixed = attenuation_length_nm({"Al": share, "Au": 1 - share}, energy)
    pure = [attenuation_length_nm({symbol: 1}, energy) for symbol in ("Au", "Al")]
    assert pure[0] < mixed < pure[1]


@given(st.floats(0, 80))
def test_the_escape_depth_is_along_the_normal(angle):
    """Through an overlayer as thick as the escape depth 1/e arrives, whatever the angle."""
    depth = escape_depth_nm({"Fe": 1}, 800.0, angle)
    length = float(attenuation_length_nm({"Fe": 1}, 800.0))
    assert float(attenuation(depth, length, angle)) == pytest.approx(math.exp(-1), rel=1e-12)


def test_compounds_are_less_certain_than_metals():
    assert attenuation_u_rel({"Cu": 0.6, "Zn": 0.4}) == U_REL
    assert attenuation_u_rel({"Fe": 0.99, "C": 0.01}) == U_REL
    assert attenuation_u_rel({"C": 1}) == U_REL
    assert attenuation_u_rel({"Ti": 0.5, "N": 0.5}) == U_REL_COMPOUND
    assert attenuation_u_rel({"Si": 1, "O": 2}) == U_REL_COMPOUND


@pytest.mark.parametrize(
    ("formula", "energy", "part"),
    [
        (lambda e: tpp2m_nm({"Cu": 1}, 8.96, e), 49.0, "49.0 is outside 50 to 2000 eV, .* TPP-2M"),
        (lambda e: tpp2m_nm({"Cu": 1}, 8.96, e), 2001.0, "outside 50 to 2000 eV"),
        (lambda e: seah_s1_nm({"Cu": 1}, 8.96, e), 99.0, "outside 100 to 30000 eV, .* Seah 2012"),
        (lambda e: seah_s2_nm({"Cu": 1}, e), 31e3, "outside 100 to 30000 eV"),
        (lambda e: attenuation_length_nm({"Cu": 1}, e), 60.0, "outside 100 to 30000 eV"),
    ],
)
def test_outside_its_range_a_formula_warns(formula, energy, part):
    with pytest.warns(ValidityWarning, match=part):
        assert formula(energy) > 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: tpp2m_nm({"Cu": 1}, 0.0, 500.0), "density_g_cm3: must be > 0 and finite, got 0"),
        (lambda: tpp2m_nm({"Cu": 1}, 8.96, -1.0), "energy_eV: must be > 0 and finite, got -1"),
        (lambda: seah_s1_nm({"Cu": 1}, 8.96, 500.0, 50.0), "band_gap_eV: must be >= 0 and < 50"),
        (lambda: seah_s2_nm({"Cu": 1}, math.nan), "energy_eV: must be > 0 and finite, got nan"),
        (lambda: attenuation_length_nm({"Cu": -1}, 500.0), "fraction of Cu must be finite"),
        (lambda: escape_depth_nm({"Cu": 1}, 500.0, 90.0), "emission_angle_deg: must be 0 to below"),
    ],
)
def test_arguments_that_make_no_sense_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call()
