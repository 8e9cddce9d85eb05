"""The cathode sheath against published and derived values."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from craterfront.models.sources import rate_laws
from craterfront.models.sources.sheath import (
    SCATTERING_RATIO,
    SCATTERING_RATIO_U,
    charge_exchange_cross_section_nm2,
    free_path_um,
    mean_ion_energy_share,
    sheath_free_paths,
)


@pytest.mark.derived
@pytest.mark.parametrize(("free_paths", "mean"), [(10.0, 0.1800), (15.0, 0.1244), (20.0, 0.0950)])
def test_mean_energy_of_the_ions(free_paths, mean):
    """Source: derived, 2 l/L - 2 (l/L)^2 for long sheaths."""
    assert mean_ion_energy_share(free_paths) == pytest.approx(mean, rel=1e-3)


@pytest.mark.published
@pytest.mark.parametrize(("energy_eV", "square_angstrom"), [(10.0, 37.4), (100.0, 35.0)])
def test_charge_exchange_of_argon(energy_eV, square_angstrom):
    """Source: A. V. Phelps, J. Appl. Phys. 76 (1994) 747, the backward part of his fit, evaluated
    by hand: (91.4 - 16.6)/2 and (72.6 - 2.6)/2 A^2."""
    cross_section = 100 * charge_exchange_cross_section_nm2(energy_eV)
    assert cross_section == pytest.approx(square_angstrom, rel=0.01)


def momentum_transfer_nm2(energy_eV):
    """Of argon atoms in argon at rest, by classical scattering in the universal potential of
    Ziegler, Biersack and Littmark (1985)."""
    length_nm = 0.0529177 * 0.8854 / (2 * 18**0.23)
    terms = ((0.18175, 3.1998), (0.50986, 0.94229), (0.28022, 0.4029), (0.028171, 0.20162))
    centre_eV = energy_eV / 2
    nodes, weights = np.polynomial.legendre.leggauss(80)
    t = (nodes + 1) / 2

    def remaining(r, b):  # share of the energy that is left for the radial motion
        screening = sum(c * np.exp(-d * r / length_nm) for c, d in terms)
        return 1 - 1.439964 * 18**2 / r * screening / centre_eV - (b / r) ** 2

    def angle(b):
        nearest = brentq(remaining, 0.5 * b + 1e-3, b + 0.6, args=(b,))
        radial = np.maximum(remaining(nearest / (1 - t**2), b), 1e-12)
        return math.pi - 2 * b * np.sum(weights / 2 * 2 * t / nearest / np.sqrt(radial))

    impact = np.linspace(1e-3, 0.6, 300)
    lost = np.array([1 - math.cos(angle(b)) for b in impact])
    return float(np.trapezoid(2 * math.pi * impact * lost, impact))


@pytest.mark.derived
def test_fast_atoms_are_scattered_more_rarely_than_ions_exchange():
    ratio = momentum_transfer_nm2(60.0) / charge_exchange_cross_section_nm2(60.0)
    assert ratio == pytest.approx(SCATTERING_RATIO, abs=0.005)
    for energy_eV in (20.0, 200.0):  # the most that the standard uncertainty is meant to cover
        ratio = momentum_transfer_nm2(energy_eV) / charge_exchange_cross_section_nm2(energy_eV)
        assert abs(ratio - SCATTERING_RATIO) < 1.25 * SCATTERING_RATIO_U


@pytest.mark.recalled
def test_sheath_of_a_usual_lamp():
    """Common practice, no source: a dark space of 0.2 to 0.4 mm, just thicker than the gap of 0.1
    to 0.2 mm around it, at 700 V, 20 mA on 4 mm and 6 hPa; 5 to 20 free paths."""
    free_paths, _ = sheath_free_paths(700.0, 145.0, 6.0)
    assert 0.2 < free_paths * free_path_um(6.0) / 1000 < 0.4
    assert 5.0 < free_paths < 20.0


@pytest.mark.recalled
@pytest.mark.parametrize(
    ("law", "threshold_V", "at_1000"), [("linear", 300.0, 1.75), ("power", 400.0, 2**0.74)]
)
def test_rate_laws_in_use(law, threshold_V, at_1000):
    """Common practice, no source that was opened: P. W. J. M. Boumans, Anal. Chem. 44 (1972) 1219,
    q = C i (U - U0), and R. Payling, Surf. Interface Anal. 21 (1994) 791, q ~ i (U - U0)^0.74;
    from 700 V to 1000 V."""
    assert rate_laws.THRESHOLD_V[law] == threshold_V
    assert rate_laws.voltage_factor(law, 1000.0, 700.0) == pytest.approx(at_1000, rel=1e-9)
