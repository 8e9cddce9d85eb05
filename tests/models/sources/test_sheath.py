"""The cathode sheath: spectra that conserve particles and energy, and agree with chance."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from craterfront.models.materials.sputtering import elemental_yield, spectrum_yield
from craterfront.models.sources.lamp import effective_yield
from craterfront.models.sources.sheath import (
    cathode_impacts,
    charge_exchange_cross_section_nm2,
    fast_atom_density,
    free_path_um,
    ion_energy_density,
    mean_ion_energy_share,
    sheath_free_paths,
    sheath_length_um,
    uncollided_share,
)

FREE_PATHS = st.floats(1.0, 40.0)


def integral(density, power, free_paths):
    """Of a spectrum times a power of the energy share, with the steep ends substituted away."""

    def integrand(t):  # e = sin(t)^4 is flat at both ends
        share = min(max(math.sin(t) ** 4, 1e-300), 1 - 1e-15)
        return float(density(share, free_paths)) * share**power * 4 * math.sin(t) ** 3 * math.cos(t)

    return quad(integrand, 0.0, math.pi / 2, limit=200)[0]


@given(FREE_PATHS)
def test_every_ion_arrives_once(free_paths):
    collided = integral(ion_energy_density, 0, free_paths)
    assert collided + uncollided_share(free_paths) == pytest.approx(1.0, abs=1e-6)


@given(FREE_PATHS)
def test_the_mean_energy_is_that_of_the_spectrum(free_paths):
    mean = integral(ion_energy_density, 1, free_paths) + uncollided_share(free_paths)
    assert mean_ion_energy_share(free_paths) == pytest.approx(mean, abs=1e-6)


@given(FREE_PATHS)
def test_one_fast_atom_for_each_exchange(free_paths):
    assert integral(fast_atom_density, 0, free_paths) == pytest.approx(free_paths, rel=1e-5)


@given(FREE_PATHS)
def test_ions_and_fast_atoms_carry_the_energy_of_the_sheath(free_paths):
    atoms = integral(fast_atom_density, 1, free_paths)
    assert atoms + mean_ion_energy_share(free_paths) == pytest.approx(1.0, abs=1e-6)


@given(st.floats(1e-6, 1e-2))
def test_without_collisions_ions_keep_the_voltage(free_paths):
    assert mean_ion_energy_share(free_paths) == pytest.approx(1 - free_paths / 3, abs=1e-4)


def flights(free_paths, count, rng):
    """Energies of ions and of fast atoms by following ions step by step, with s from edge to
    cathode: the potential passed is s^2, exchanges come at random with `free_paths` per unit."""
    ions, atoms = [], []
    for _ in range(count):
        start, place = 0.0, rng.exponential(1 / free_paths)
        while place < 1.0:
            atoms.append(place**2 - start**2)
            start = place
            place += rng.exponential(1 / free_paths)
        ions.append(1.0 - start**2)
    return np.array(ions), np.array(atoms)


@pytest.mark.parametrize("free_paths", [2.0, 10.0])
def test_the_spectra_agree_with_single_flights(free_paths):
    count = 40_000
    ions, atoms = flights(free_paths, count, np.random.default_rng(1))
    impacts = cathode_impacts(1.0, free_paths, 0.0)
    n = impacts.per_ion.size - 64**2 - 64
    spectra = {
        "ions": (ions, impacts.energy_eV[:n], impacts.per_ion[:n]),
        "atoms": (atoms, impacts.energy_eV[n:], impacts.per_ion[n:]),
    }
    for sample, energies, numbers in spectra.values():
        for power in (0, 1, 2, 3):
            terms = sample**power
            expected = float(np.sum(numbers * energies**power))
            u = math.sqrt(np.sum(terms**2)) / count
            assert np.sum(terms) / count == pytest.approx(expected, abs=4 * u + 1e-9)


@pytest.mark.parametrize(("low", "high"), [(0.02, 0.1), (0.1, 0.3), (0.3, 0.9)])
def test_the_closed_form_of_the_fast_atoms_counts_single_flights(low, high):
    count = 40_000
    _, atoms = flights(10.0, count, np.random.default_rng(2))
    found = np.count_nonzero((atoms > low) & (atoms < high)) / count
    expected = quad(lambda share: float(fast_atom_density(share, 10.0)), low, high)[0]
    assert found == pytest.approx(expected, abs=4 * math.sqrt(expected / count))


@given(st.floats(100, 2000), FREE_PATHS)
def test_impacts_are_one_ion_its_atoms_and_the_whole_energy(voltage_V, free_paths):
    impacts = cathode_impacts(voltage_V, free_paths, 0.0)
    assert np.sum(impacts.per_ion) == pytest.approx(1 + free_paths, rel=1e-9)
    carried = np.sum(impacts.per_ion * impacts.energy_eV)
    assert carried == pytest.approx(voltage_V, rel=1e-9)
    assert np.all((impacts.energy_eV > 0) & (impacts.energy_eV <= voltage_V))


@pytest.mark.parametrize("symbol", ["Zn", "Fe", "W"])
@pytest.mark.parametrize("free_paths", [3.0, 10.0, 25.0])
def test_yields_over_the_impacts_are_integrals_over_the_spectra(symbol, free_paths):
    def sputtered(share, free_paths):
        number = ion_energy_density(share, free_paths) + fast_atom_density(share, free_paths)
        return number * spectrum_yield(symbol, np.array([700.0 * share]), np.ones(1))

    alone = uncollided_share(free_paths) * elemental_yield(symbol, 700.0)
    expected = alone + integral(sputtered, 0, free_paths)
    assert effective_yield(symbol, 700.0, free_paths, 0.0) == pytest.approx(expected, rel=1e-3)


@given(FREE_PATHS, st.floats(0.01, 1.0))
def test_scattering_takes_fast_atoms_away(free_paths, ratio):
    """Derived: of a atoms made evenly along the way, (1 - exp(-a b))/b arrive."""
    number = np.sum(cathode_impacts(700.0, free_paths, ratio).per_ion) - 1
    expected = -math.expm1(-free_paths * ratio) / ratio
    assert number == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("call", "part"),
    [
        (lambda: cathode_impacts(-700.0, 10.0), "voltage_V: must be > 0 and finite, got -700"),
        (lambda: cathode_impacts(700.0, 0.0), "free_paths: must be > 0 and finite, got 0"),
        (lambda: cathode_impacts(700.0, 10.0, -1.0), "scattering_ratio: must be >= 0 and finite"),
        (lambda: ion_energy_density(np.array([1.0]), 10.0), "energy_share: must be > 0 and < 1"),
        (lambda: free_path_um(0.0), "pressure_hPa: must be > 0"),
        (lambda: charge_exchange_cross_section_nm2(math.nan), "energy_eV: must be > 0"),
        (lambda: sheath_length_um(700.0, 0.0, 40.0), "ion_current_density_mA_cm2: must be > 0"),
    ],
)
def test_arguments_are_checked(call, part):
    with pytest.raises(ValueError, match=part):
        call()


@given(st.floats(1, 20), st.floats(1.1, 3))
def test_the_free_path_goes_with_temperature_over_pressure(pressure_hPa, factor):
    path = free_path_um(pressure_hPa, 500.0)
    assert free_path_um(pressure_hPa * factor, 500.0 * factor) == pytest.approx(path, rel=1e-12)
    assert free_path_um(pressure_hPa * factor, 500.0) < path


@given(st.floats(300, 1500), st.floats(20, 400), st.floats(2, 12), st.floats(0.5, 2))
def test_the_similarity_law_keeps_the_free_paths(voltage_V, density_mA_cm2, pressure_hPa, factor):
    """j ~ p^2 at one voltage: every length goes with 1/p."""
    first, _ = sheath_free_paths(voltage_V, density_mA_cm2, pressure_hPa)
    like, _ = sheath_free_paths(voltage_V, density_mA_cm2 * factor**2, pressure_hPa * factor)
    assert like == pytest.approx(first, rel=1e-9)


def test_the_sheath_solves_the_equation_of_poisson():
    """The field of the law, integrated step by step from the edge, gives the voltage."""
    voltage_V, density_mA_cm2, path_um = 700.0, 150.0, 45.0
    length_m = sheath_length_um(voltage_V, density_mA_cm2, path_um) * 1e-6
    electron_charge, argon_kg, epsilon_0 = 1.602177e-19, 39.948 * 1.660539e-27, 8.854188e-12
    mobility = math.sqrt(2 * electron_charge * path_um * 1e-6 / (math.pi * argon_kg))
    x = np.linspace(0.0, length_m, 200_001)[1:]
    field = np.empty_like(x)
    current = 10 * density_mA_cm2
    field[0] = (1.5 * current * x[0] / (epsilon_0 * mobility)) ** (2 / 3)
    step = x[1] - x[0]
    for k in range(1, len(x)):
        half = field[k - 1] + step / 2 * current / (epsilon_0 * mobility * math.sqrt(field[k - 1]))
        field[k] = field[k - 1] + step * current / (epsilon_0 * mobility * math.sqrt(half))
    assert np.trapezoid(field, x) == pytest.approx(voltage_V, rel=1e-3)
