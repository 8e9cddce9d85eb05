"""Sputter yields against published formulas, fits and measurements."""

import math

import numpy as np
import pytest

from craterfront.models.materials import yield_formulas
from craterfront.models.materials.elements import (
    atomic_density_per_nm3,
    element_density_g_cm3,
    solid_density_g_cm3,
)
from craterfront.models.materials.sputtering import (
    elemental_yield,
    erosion_rate_nm_s,
    preferential_decay_length_nm,
    surface_fractions_steady,
)
from craterfront.models.materials.tables import read_table
from craterfront.models.materials.yield_formulas import (
    angular_factor,
    eckstein_yield,
    electronic_stopping_coefficient,
    energy_transfer_factor,
    nuclear_stopping_eV_A2,
    optimum_angle_deg,
    recoil_factor,
    reduced_energy,
    reduced_nuclear_stopping,
    target_parameters,
    threshold_energy_eV,
    yamamura_yield,
)
from craterfront.models.sources.lamp import (
    Discharge,
    common_rate_ln_sd,
    depth_rate_nm_s,
    lamp_erosion_rate_nm_s,
)

# --- Yamamura and Tawara, At. Data Nucl. Data Tables 62 (1996) 149, erratum 63 (1996) 353 ---------

# Source: derived from the published formula by independent scripts, Ar+ at 500 eV.
# target, Y, E_th, epsilon, s_n, S_n, k_e, alpha*, gamma
PINS = [
    ("Cu", 1.67582, 16.8729, 4.74057e-3, 0.165752, 701.148, 0.188353, 0.329939, 0.948010),
    ("Fe", 0.88656, 22.3468, 5.12557e-3, 0.170348, 712.613, 0.174765, 0.306167, 0.972460),
    ("Si", 0.41021, 31.9938, 7.48800e-3, 0.193663, 682.350, 0.126729, 0.208250, 0.969595),
    ("Al", 0.91123, 23.5987, 7.96333e-3, 0.197596, 664.517, 0.123626, 0.204249, 0.962468),
    ("Au", 2.16280, 14.6494, 1.89251e-3, 0.117587, 475.414, 0.440210, 0.646765, 0.560743),
]


@pytest.mark.derived
@pytest.mark.parametrize("pin", PINS, ids=lambda pin: pin[0])
def test_every_quantity_of_the_formula(pin):
    """Si and Al are lighter than argon, which takes the other branch of alpha* and E_th."""
    symbol, *expected = pin
    eps = reduced_energy(500.0, symbol)
    computed = [
        yamamura_yield(500.0, symbol),
        threshold_energy_eV(symbol),
        eps,
        reduced_nuclear_stopping(eps),
        nuclear_stopping_eV_A2(500.0, symbol),
        electronic_stopping_coefficient(symbol),
        recoil_factor(symbol),
        energy_transfer_factor(symbol),
    ]
    assert computed == pytest.approx(expected, rel=1e-4)


# Source: derived from the published formula by independent scripts, Ar+, 3 decimals.
ENERGIES_EV = (100.0, 300.0, 500.0, 1000.0, 3000.0)
YIELDS = {
    "Al": (0.177, 0.621, 0.911, 1.369, 2.168),
    "Si": (0.058, 0.266, 0.410, 0.644, 1.061),
    "Ti": (0.076, 0.311, 0.472, 0.734, 1.211),
    "Cr": (0.216, 0.746, 1.098, 1.663, 2.690),
    "Fe": (0.174, 0.602, 0.887, 1.346, 2.186),
    "Ni": (0.216, 0.750, 1.108, 1.688, 2.754),
    "Cu": (0.397, 1.174, 1.676, 2.478, 3.940),
    "Mo": (0.091, 0.422, 0.666, 1.080, 1.886),
    "Ag": (0.697, 1.911, 2.702, 3.990, 6.428),
    "W": (0.046, 0.268, 0.445, 0.760, 1.411),
    "Au": (0.480, 1.479, 2.163, 3.315, 5.611),
}


@pytest.mark.derived
@pytest.mark.parametrize("symbol", YIELDS)
def test_the_dependence_on_energy(symbol):
    computed = yamamura_yield(np.array(ENERGIES_EV), symbol)
    # half a unit of the last decimal, and 1e-4 for the atomic masses
    assert computed == pytest.approx(YIELDS[symbol], abs=5.5e-4, rel=1e-4)


@pytest.mark.derived
def test_iron_has_its_threshold_at_22_eV():
    """Source: derived from the published formula."""
    assert threshold_energy_eV("Fe") == pytest.approx(22.347, rel=1e-4)
    at_threshold = np.array([5.0, 22.0, threshold_energy_eV("Fe")])
    assert np.all(yamamura_yield(at_threshold, "Fe") == 0)
    assert yamamura_yield(22.5, "Fe") > 0


# --- Thomas-Fermi nuclear stopping ----------------------------------------------------------------

# Source: Lindhard, Nielsen and Scharff, Mat. Fys. Medd. Dan. Vid. Selsk. 36 (1968) no. 10, table of
# the numerical solution; from memory. The fit of the 1996 paper is to agree within 2 % here.
THOMAS_FERMI = {
    0.002: 0.120,
    0.004: 0.154,
    0.01: 0.211,
    0.02: 0.261,
    0.04: 0.311,
    0.1: 0.372,
    0.2: 0.403,
    0.4: 0.405,
    1.0: 0.356,
    2.0: 0.291,
    4.0: 0.214,
}


@pytest.mark.recalled
def test_nuclear_stopping_follows_the_thomas_fermi_solution():
    computed = reduced_nuclear_stopping(np.array(list(THOMAS_FERMI)))
    assert computed == pytest.approx(list(THOMAS_FERMI.values()), rel=0.02)


@pytest.mark.recalled
def test_the_misprinted_logarithm_misses_the_thomas_fermi_solution(monkeypatch):
    """A transcription in circulation has 2.1718 in place of 2.718: 20 % low at our energies."""
    monkeypatch.setattr(yield_formulas, "STOPPING_LOG_OFFSET", 2.1718)
    computed = reduced_nuclear_stopping(np.array([0.002, 0.01, 0.1]))
    assert np.all(computed < 0.8 * np.array([0.120, 0.211, 0.372]))


# --- measured yields ------------------------------------------------------------------------------


def measured_at(energy_eV):
    return {
        row["symbol"]: float(row["yield"])
        for row in read_table("measured_yields_ar.csv")
        if float(row["energy_eV"]) == energy_eV and target_parameters(row["symbol"]).kind == "table"
    }


def log_ratios(energy_eV):
    measured = measured_at(energy_eV)
    return {s: math.log(yamamura_yield(energy_eV, s) / y) for s, y in measured.items()}


@pytest.mark.recalled
def test_the_formula_against_29_measured_targets():
    """Source: Wehner, 500 eV Ar+, as reprinted in thin-film handbooks (from memory)."""
    ratios = log_ratios(500.0)
    values = np.array(list(ratios.values()))
    assert len(values) == 29
    assert math.exp(values.mean()) == pytest.approx(0.909, abs=0.02)
    assert math.exp(values.std(ddof=1)) <= 1.25
    assert all(0.65 < math.exp(r) < 1.20 for s, r in ratios.items() if s != "C")


@pytest.mark.recalled
@pytest.mark.parametrize(
    ("energy_eV", "mean", "spread"), [(200.0, 0.880, 1.23), (300.0, 0.877, 1.16)]
)
def test_the_formula_at_lamp_energies(energy_eV, mean, spread):
    """Source: Laegreid and Wehner, J. Appl. Phys. 32 (1961) 365 (from memory)."""
    values = np.array(list(log_ratios(energy_eV).values()))
    assert math.exp(values.mean()) == pytest.approx(mean, abs=0.02)
    assert math.exp(values.std(ddof=1)) == pytest.approx(spread, abs=0.02)


@pytest.mark.recalled
@pytest.mark.parametrize(
    ("name", "misprint"), [("STOPPING_FACTOR_EV_A2", 8.478), ("STOPPING_LOG_OFFSET", 2.1718)]
)
def test_misprints_miss_the_measurements(monkeypatch, name, misprint):
    """8.478 for 84.78 stands in the paper, its erratum corrects it, and gives a tenth of the yield;
    2.1718 stands in a transcription and gives three quarters."""
    monkeypatch.setattr(yield_formulas, name, misprint)
    values = np.array(list(log_ratios(500.0).values()))
    assert math.exp(values.mean()) < 0.75


# Milling under Ar+ of 500 eV at normal incidence [um3/(nA s)]. Source: table 1309 of the online
# book Practical Electron Microscopy and Database (looked up; of two values the first).
MILLING_UM3_PER_NA_S = {
    "Ag": 0.366667, "Al": 0.1216667, "Au": 0.28333, "Be": 0.028333, "C": 0.00733, "Co": 0.091667,
    "Cr": 0.096667, "Cu": 0.183333, "Dy": 0.183333, "Er": 0.163333, "Fe": 0.088333,
    "Gd": 0.183333, "Ge": 0.166667, "Hf": 0.11, "Ir": 0.1, "Mo": 0.09, "Nb": 0.073333, "Ni": 0.11,
    "Os": 0.085, "Pd": 0.21667, "Pt": 0.14667, "Re": 0.08667, "Rh": 0.12333, "Ru": 0.10167,
    "Si": 0.06333, "Sm": 0.183333, "Ta": 0.07, "Th": 0.136667, "Ti": 0.06333,
}  # fmt: skip


@pytest.mark.published
def test_milling_rates_confirm_the_relative_yields():
    """Derived: volume per charge, times atoms per volume and the elementary charge, is atoms per
    ion. The yields by default, which rest on values from memory, are lower by one factor, 1.10,
    and by the same within 10 % for every element: the relative yields stand, the scale is open by
    a tenth. Both lists may go back to one set of measurements."""
    per_ion = {
        symbol: rate * 1e18 * 1.602177e-19 * atomic_density_per_nm3({symbol: 1}, density)
        for symbol, rate in MILLING_UM3_PER_NA_S.items()
        for density in [element_density_g_cm3(symbol)]
    }
    ratios = np.array([y / elemental_yield(symbol, 500.0) for symbol, y in per_ion.items()])
    mean = math.exp(np.log(ratios).mean())
    assert mean == pytest.approx(1.10, abs=0.02)
    assert np.all(np.abs(ratios / mean - 1.0) < 0.1)


@pytest.mark.recalled
@pytest.mark.parametrize(
    ("symbol", "measured"), [("Cu", 2.35), ("Fe", 1.10), ("Ni", 1.45), ("Al", 1.05), ("Si", 0.50)]
)
def test_default_yields_are_the_measured_ones_at_500_eV(symbol, measured):
    """Source: Wehner, 500 eV Ar+, as reprinted in thin-film handbooks (from memory)."""
    assert elemental_yield(symbol, 500.0) == pytest.approx(measured, rel=1e-3)


@pytest.mark.recalled
def test_default_yields_hold_at_lamp_energies():
    """Scaled at 500 eV, the formula must find the 300 eV values of Laegreid and Wehner (1961, from
    memory) within the uncertainty of 20 % that a tabulated element is given."""
    measured = measured_at(300.0)
    ratios = np.array([elemental_yield(s, 300.0) / y for s, y in measured.items()])
    assert len(ratios) == 28
    assert np.mean(np.abs(ratios - 1) < 0.2) > 0.9
    assert np.all(np.abs(ratios - 1) < 0.4)


# --- surface binding energies ---------------------------------------------------------------------

KJ_PER_MOL_PER_EV = 96.48533  # exact constants of the SI: e N_A

# Heat of formation of the gaseous atom [kJ/mol]. Source: Cox, Wagman and Medvedev, CODATA Key
# Values for Thermodynamics (1989); Ag, Al, B, Be looked up there, the others as quoted by the
# package mendeleev 1.3.
HEAT_OF_FORMATION = {
    "Ag": 284.9,
    "Al": 330.0,
    "B": 565.0,
    "Be": 324.0,
    "C": 716.68,
    "Cu": 337.4,
    "Ge": 372.0,
    "Si": 450.0,
    "Sn": 301.2,
    "Th": 602.0,
    "Ti": 473.0,
    "U": 533.0,
    "Zn": 130.40,
}
ZINC_HEAT_OF_EVAPORATION = 114.8  # kJ/mol, of the liquid; package mendeleev 1.3


@pytest.mark.published
@pytest.mark.parametrize("symbol", HEAT_OF_FORMATION)
def test_surface_binding_is_the_heat_of_formation_of_the_atom(symbol):
    heat_eV = HEAT_OF_FORMATION[symbol] / KJ_PER_MOL_PER_EV
    assert target_parameters(symbol).surface_binding_eV == pytest.approx(heat_eV, rel=0.015)


@pytest.mark.published
def test_the_heat_of_evaporation_is_another_quantity():
    """It leaves out the heat of melting and is taken at the boiling point: 12 % off for zinc."""
    wrong_eV = ZINC_HEAT_OF_EVAPORATION / KJ_PER_MOL_PER_EV
    assert wrong_eV < 0.9 * target_parameters("Zn").surface_binding_eV


# --- Eckstein -------------------------------------------------------------------------------------


@pytest.mark.published
@pytest.mark.parametrize(
    ("symbol", "energy_eV", "expected"),
    [
        ("W", 202.3, 0.2732),
        ("W", 553.1, 0.5930),
        ("W", 914.6, 0.7626),
        ("W", 3497.0, 1.318),
        ("Zn", 204.2, 3.129),
        ("Zn", 443.0, 4.764),
        ("Zn", 537.6, 5.209),
        ("Ta", 211.1, 0.3162),
        ("Ta", 485.3, 0.5873),
        ("Ta", 944.5, 0.8212),
    ],
)
def test_fits_of_eckstein(symbol, energy_eV, expected):
    """Source: tabulated values of the fits in Eckstein, Topics Appl. Phys. 110 (2007) 33, as given
    by a public atomic-data portal (looked up)."""
    assert eckstein_yield(energy_eV, symbol) == pytest.approx(expected, rel=1e-3)


@pytest.mark.derived
def test_zinc_by_default():
    """Source: the same fit, derived at round energies."""
    assert elemental_yield("Zn", 500.0) == pytest.approx(5.04, abs=0.005)
    assert elemental_yield("Zn", 300.0) == pytest.approx(3.92, abs=0.005)


# --- oblique incidence: Yamamura, Itikawa and Itoh, report IPPJ-AM-26 (1983) ----------------------


@pytest.mark.derived
def test_angular_maximum_of_copper():
    """Source: derived from the published formula (one transcription), Ar+ on Cu at 1 keV."""
    angles_deg = np.arange(0.0, 75.0, 0.01)
    factors = np.array([angular_factor(1000.0, a, "Cu") for a in angles_deg])
    assert optimum_angle_deg(1000.0, "Cu") == pytest.approx(65.79, abs=0.05)
    assert angles_deg[factors.argmax()] == pytest.approx(65.79, abs=0.05)
    assert factors.max() == pytest.approx(2.0636, rel=1e-3)
    assert factors[0] == 1.0


@pytest.mark.derived
@pytest.mark.parametrize(
    ("symbol", "energy_eV", "best_deg", "at_45", "at_60"),
    [
        ("Cu", 1000.0, 65.79, 1.5290, 1.9743),
        ("Cu", 3000.0, 71.09, 1.5635, 2.1745),
        ("Si", 1000.0, 69.57, 1.7263, 2.5348),
    ],
)
def test_angular_factors(symbol, energy_eV, best_deg, at_45, at_60):
    """Source: derived from the published formula by independent scripts."""
    assert optimum_angle_deg(energy_eV, symbol) == pytest.approx(best_deg, abs=0.01)
    assert angular_factor(energy_eV, 45.0, symbol) == pytest.approx(at_45, rel=1e-4)
    assert angular_factor(energy_eV, 60.0, symbol) == pytest.approx(at_60, rel=1e-4)


# --- alloys and erosion ---------------------------------------------------------------------------


@pytest.mark.derived
def test_the_weaker_sputtered_component_covers_two_thirds():
    """Source: steady state by conservation of mass, as in P. Sigmund, Topics Appl. Phys. 47 (1981)
    9 (from memory): c_s,A/c_s,B = (c_b,A/c_b,B) (Y_B/Y_A)."""
    surface = surface_fractions_steady({"Cu": 0.5, "Ni": 0.5}, {"Cu": 2.0, "Ni": 1.0})
    assert surface["Cu"] == pytest.approx(1 / 3, rel=1e-6)
    flux = 2 * surface["Cu"] / (2 * surface["Cu"] + surface["Ni"])
    assert flux == pytest.approx(0.5, rel=1e-6)


@pytest.mark.derived
@pytest.mark.parametrize(
    ("bulk", "ratio", "length"), [(0.2, 3.0, 0.44379), (0.5, 2.0, 0.88889), (0.3, 0.5, 1.18343)]
)
def test_length_of_the_preferential_transient(bulk, ratio, length):
    """Source: derived, w r/(c + r (1 - c))^2 for a mixed zone of w = 1."""
    assert preferential_decay_length_nm(bulk, ratio, 1.0) == pytest.approx(length, rel=1e-3)


@pytest.mark.derived
@pytest.mark.parametrize(
    ("symbol", "per_ion", "rate_nm_s"),
    [("Cu", 2.35, 1.727), ("Fe", 1.10, 0.8086), ("Si", 0.50, 0.6246), ("Au", 2.40, 2.539)],
)
def test_erosion_at_one_milliampere_per_square_centimetre(symbol, per_ion, rate_nm_s):
    """Source: derived, v = J Y/n with J = 6.2415e15 ions/(cm2 s) and handbook densities."""
    density = solid_density_g_cm3({symbol: 1}).value_g_cm3
    atoms_per_nm3 = atomic_density_per_nm3({symbol: 1}, density)
    assert erosion_rate_nm_s(1.0, per_ion, atoms_per_nm3) == pytest.approx(rate_nm_s, rel=2e-3)


@pytest.mark.derived
@pytest.mark.parametrize(("diameter_mm", "rate_nm_s"), [(4.0, 10.106), (2.5, 2.56 * 10.106)])
def test_depth_rate_of_a_microgram_of_iron_per_second(diameter_mm, rate_nm_s):
    """Source: derived, q/(A rho)."""
    density = solid_density_g_cm3({"Fe": 1}).value_g_cm3
    assert depth_rate_nm_s(1.0, density, diameter_mm) == pytest.approx(rate_nm_s, rel=1e-3)


LAMP = Discharge(voltage_V=700.0, current_mA=20.0, anode_diameter_mm=4.0)


def lamp_rate_um_min(symbol):
    """Estimate at 700 V and 20 mA on a 4 mm anode, typical DC settings (from memory)."""
    density = solid_density_g_cm3({symbol: 1}).value_g_cm3
    return lamp_erosion_rate_nm_s({symbol: 1}, density, LAMP)[0] * 60e-3


@pytest.mark.derived
@pytest.mark.parametrize(
    ("symbol", "rate_um_min"), [("Fe", 3.61), ("Al", 4.83), ("Cu", 8.77), ("Zn", 30.2)]
)
def test_where_the_estimate_lands(symbol, rate_um_min):
    """No outside source: what the model itself gives with a sheath of 10 free paths, noted so
    that a change is noticed. Iron lies within the 1 to 5 um/min that are said of metals, aluminium
    at its end, copper at nearly twice that and zinc, which sputters 6.5 times as well as iron, far
    above."""
    assert lamp_rate_um_min(symbol) == pytest.approx(rate_um_min, rel=5e-3)


@pytest.mark.recalled
@pytest.mark.parametrize("symbol", ["Al", "Ti", "Cr", "Fe", "Ni", "Mo", "W"])
def test_a_lamp_erodes_metals_at_one_to_five_micrometres_per_minute(symbol):
    """Source: Z. Weiss, Metals 15 (2025) 768: metals in average conditions; that these are 700 V
    and 20 mA on 4 mm is common practice, no source. Within one standard uncertainty either way."""
    factor = math.exp(math.hypot(common_rate_ln_sd(LAMP), 0.2))
    assert 1.0 / factor < lamp_rate_um_min(symbol) < 5.0 * factor


@pytest.mark.recalled
def test_copper_and_zinc_stand_out_of_that_range():
    """Common practice, no source: 1 to 5 um/min holds for steel and the like. Copper is beyond it
    by no more than two standard uncertainties; zinc by its yield, which the ratio to iron bears
    out below."""
    u = math.hypot(common_rate_ln_sd(LAMP), 0.2)
    assert u < math.log(lamp_rate_um_min("Cu") / 5.0) < 2 * u
    assert math.log(lamp_rate_um_min("Zn") / 5.0) > 2 * u


@pytest.mark.recalled
def test_a_coating_of_hundreds_of_micrometres_takes_minutes_if_it_is_zinc():
    """Common practice, no source: hundreds of micrometres in minutes. Of zinc 300 um take 10
    minutes; of steel they take more than an hour, as they must at 1 to 5 um/min: the two sayings
    cannot both hold for steel."""
    assert 2.0 < 300.0 / lamp_rate_um_min("Zn") < 30.0
    assert 300.0 / lamp_rate_um_min("Fe") > 60.0


@pytest.mark.recalled
def test_a_lamp_reaches_from_a_nanometre_to_a_hundred_micrometres():
    """Common practice, no source: layers from nanometres to about 100 um are measured. At 100
    readings per second one takes 0.6 nm of steel off, and 100 um take half an hour."""
    for symbol in ("Fe", "Al", "Cr", "Ni"):
        um_min = lamp_rate_um_min(symbol)
        assert um_min / 60e-3 * 0.01 < 1.0
        assert 100.0 / um_min < 60.0


@pytest.mark.recalled
@pytest.mark.parametrize(("symbol", "low", "high"), [("Zn", 5.0, 7.0), ("Al", 0.3, 0.4)])
def test_mass_rates_relative_to_iron(symbol, low, high):
    """Source: glow-discharge sputter factors, iron 1 (from memory); published tables and estimates
    from yields differ by 20 to 30 % (common practice, no source)."""
    metal = lamp_rate_um_min(symbol) * solid_density_g_cm3({symbol: 1}).value_g_cm3
    iron = lamp_rate_um_min("Fe") * solid_density_g_cm3({"Fe": 1}).value_g_cm3
    assert 0.7 * low < metal / iron < 1.3 * high
