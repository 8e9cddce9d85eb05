"""Strength of ion mixing: scaling, limits and messages."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from craterfront.models.altered_layers.mixing_strength import (
    DISPLACEMENT_PER_EV,
    RELOCATION_PER_EV,
    deposited_energy_eV_nm,
    mixing_per_recession_nm,
    trailing_length_nm,
)
from craterfront.models.materials.elements import atomic_density_per_nm3, solid_density_g_cm3
from craterfront.models.materials.sputtering import elemental_yield

symbols = st.sampled_from(["Al", "Si", "Ti", "Fe", "Cu", "Ag", "W", "Au"])
lengths = st.floats(0.01, 100)


def deposited(symbol, energy_eV):
    density = atomic_density_per_nm3({symbol: 1}, solid_density_g_cm3({symbol: 1}).value_g_cm3)
    return deposited_energy_eV_nm({symbol: 1}, energy_eV, density)


@given(st.floats(1, 1000), st.floats(0.01, 20), st.floats(0.2, 5), st.floats(1.1, 3))
def test_strength_scales_with_the_energy_and_the_square_of_the_jump(energy, atoms, jump, factor):
    plain = mixing_per_recession_nm(energy, atoms, jump_nm=jump)
    assert mixing_per_recession_nm(factor * energy, factor * atoms, jump_nm=jump) == pytest.approx(
        plain
    )
    wider = mixing_per_recession_nm(energy, atoms, jump_nm=factor * jump)
    assert wider == pytest.approx(factor**2 * plain)


def test_pictures_differ_by_what_an_atom_costs():
    """Derived: (0.608/8) / (0.42/25) = 4.52."""
    assert pytest.approx(4.5238, rel=1e-4) == RELOCATION_PER_EV / DISPLACEMENT_PER_EV
    assert pytest.approx(0.07 / 25.0) == DISPLACEMENT_PER_EV


@given(symbols)
def test_strength_hardly_depends_on_the_energy(symbol):
    """Yield and deposited energy grow alike far above the threshold: by far less than the range,
    which grows by a factor of 3 from 1 to 5 keV."""
    slow, fast = (
        mixing_per_recession_nm(deposited(symbol, energy), elemental_yield(symbol, energy))
        for energy in (1000.0, 5000.0)
    )
    assert 0.6 < fast / slow < 1.0


@given(st.floats(0.05, 0.95))
def test_a_mixture_takes_energy_as_its_elements_do(share):
    pure = [deposited_energy_eV_nm({symbol: 1}, 1000.0, 60.0) for symbol in ("Al", "Cu")]
    mixed = deposited_energy_eV_nm({"Al": share, "Cu": 1 - share}, 1000.0, 60.0)
    assert mixed == pytest.approx(share * pure[0] + (1 - share) * pure[1], rel=1e-12)
    assert deposited_energy_eV_nm({"Al": 1}, 1000.0, 120.0) == pytest.approx(2 * pure[0])


@given(lengths, lengths)
def test_the_length_stays_below_the_range_and_four_strengths(mixing, reach):
    length = trailing_length_nm(mixing, reach)
    assert 0 < length < min(reach, 4.0 * mixing)


@given(lengths, lengths, st.floats(1.01, 3))
def test_stronger_or_deeper_mixing_lasts_longer(mixing, reach, factor):
    length = trailing_length_nm(mixing, reach)
    assert trailing_length_nm(factor * mixing, reach) > length
    assert trailing_length_nm(mixing, factor * reach) > length


def test_limits_of_weak_and_strong_mixing():
    assert trailing_length_nm(0.01, 20.0) == pytest.approx(0.04, rel=1e-4)
    assert trailing_length_nm(1000.0, 2.0) == pytest.approx(2.0, rel=1e-3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: mixing_per_recession_nm(0.0, 1.0), "deposited_eV_nm: must be > 0 and finite"),
        (lambda: mixing_per_recession_nm(1.0, 0.0), "atoms_per_ion: must be > 0 and finite, got 0"),
        (lambda: mixing_per_recession_nm(1.0, 1.0, jump_nm=-1.0), "jump_nm: must be > 0"),
        (lambda: trailing_length_nm(math.nan, 1.0), "mixing_nm: must be > 0 and finite, got nan"),
        (lambda: trailing_length_nm(1.0, 0.0), "range_nm: must be > 0 and finite, got 0"),
        (lambda: deposited_energy_eV_nm({"Cu": 1}, 0.0, 85.0), "energy_eV: must be > 0"),
        (lambda: deposited_energy_eV_nm({"Cu": 1}, 1e3, 0.0), "atomic_density_per_nm3: must be"),
    ],
)
def test_arguments_that_make_no_sense_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call()
