"""Simulated profiles: repeatable, in units, and what the experiment file says.

Most checks follow from the definition of the signal: sensitivity times atoms that leave per nm^2
of analysed area and second. With N_A from the SI (2019) and atomic weights of IUPAC (2021).
"""

import numpy as np
import pytest

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.forward import repeat, simulate
from craterfront.measured_files.files import read_dataset, write_dataset
from craterfront.models.materials.elements import atomic_mass_u
from craterfront.problems import InputProblems

AVOGADRO = 6.02214076e23
COPPER, NICKEL, ALUMINIUM = 63.546, 58.6934, 26.9815384

CU_RATE, NI_RATE, AL_RATE = 20.0, 10.0, 16.0
CU_NM, NI_NM = 60.0, 40.0

LAYERS = f"""
[[layer]]
name = "top"
composition = "Cu"
density_g_cm3 = 8.9
thickness_nm = {CU_NM}
interface_width_nm = 4.0
erosion_rate_nm_s = {CU_RATE}
[[layer]]
name = "middle"
composition = "Ni"
density_g_cm3 = 8.8
thickness_nm = {NI_NM}
erosion_rate_nm_s = {NI_RATE}
[substrate]
name = "base"
composition = "Al"
density_g_cm3 = 2.7
erosion_rate_nm_s = {AL_RATE}
"""

TIMES = """
[detection]
sampling_s = 0.05
duration_s = 10.0
"""

BROADENING = """
[crater]
shape = "parabolic"
curvature = 0.06
[roughness]
initial_nm = 2.0
growth = "grains"
relative_spread = 0.05
grain_nm = 20.0
[mixing]
model = "uniform"
length_nm = 1.0
"""

COUNTING = """
[noise]
counts_per_unit_s = 20.0
flicker = { rms = 0.01, correlation_s = 0.1 }
readout_per_sqrt_s = 1.0
"""

CHANNELS = """
[[detection.channel]]
element = "Cu"
[[detection.channel]]
element = "Ni"
[[detection.channel]]
element = "Al"
"""


def simulated(text, **options):
    experiment = experiment_from_toml(text)
    return simulate(
        experiment.stack, experiment.setup, title=experiment.title, **{"seed": 1, **options}
    )


def atoms_per_nm3(density_g_cm3, mass_u):
    return density_g_cm3 / mass_u * AVOGADRO * 1e-21


def of(dataset, channel, name="clean"):
    return dataset[name].sel(channel=channel).values


@pytest.fixture(scope="module")
def plain():
    return simulated(LAYERS + TIMES)


@pytest.fixture(scope="module")
def full():
    """Everything that broadens, and noise."""
    text = 'title = "three metals, 100 % invented"\n' + LAYERS + BROADENING + TIMES + COUNTING
    return simulated(text, exposure=True)


# --- repeatable --------------------------------------------------------------------------------


def assert_same_numbers(one, other):
    assert set(one.variables) == set(other.variables)
    for name in one.variables:
        assert np.array_equal(one[name].values, other[name].values), name


def test_file_and_repetition_give_the_same_numbers(full, tmp_path):
    write_dataset(full, tmp_path / "profile.nc")
    back = read_dataset(tmp_path / "profile.nc")
    assert_same_numbers(full, back)
    assert back.attrs == full.attrs
    assert all(back[name].attrs == full[name].attrs for name in full.variables)
    again = repeat(back)
    assert_same_numbers(full, again)
    assert again.attrs == full.attrs
    assert [path.name for path in tmp_path.iterdir()] == ["profile.nc"]


def test_same_seed_same_noise_other_seed_other_noise():
    text = LAYERS + TIMES + COUNTING
    one, same, other = (simulated(text, seed=seed) for seed in (3, 3, 4))
    assert np.array_equal(one["intensity"], same["intensity"])
    assert np.array_equal(one["clean"], other["clean"])
    assert np.mean(one["intensity"].values == other["intensity"].values) < 0.1


def test_a_drawn_seed_is_kept():
    text = LAYERS + TIMES + COUNTING
    one, other = simulated(text, seed=None), simulated(text, seed=None)
    assert one.attrs["seed"] != other.attrs["seed"]
    assert np.array_equal(repeat(one)["intensity"], one["intensity"])


def test_without_noise_readings_are_clean(plain):
    assert np.array_equal(plain["intensity"], plain["clean"])


def test_priors_and_guesses_are_simulated_at_their_values():
    written = LAYERS.replace("thickness_nm = 60.0", "thickness_nm = { value = 60.0, u = 5.0 }")
    written = written.replace("erosion_rate_nm_s = 10.0", "erosion_rate_nm_s = { guess = 10.0 }")
    assert written != LAYERS
    assert_same_numbers(simulated(LAYERS + TIMES), simulated(written + TIMES))


# --- variables and coordinates -----------------------------------------------------------------


def test_every_number_has_a_unit_and_a_name(full):
    numeric = [name for name in full.variables if full[name].dtype.kind == "f"]
    assert len(numeric) > 10
    for name in numeric:
        assert full[name].attrs["units"], name
        assert full[name].attrs["long_name"], name


def test_every_variable_has_a_unit_and_a_name(full):
    for name in full.variables:
        assert {"units", "long_name"} <= set(full[name].attrs), name


def test_time_is_the_middle_of_intervals_that_start_at_zero(plain):
    assert plain["time"].values == pytest.approx(0.05 * (np.arange(200) + 0.5))


def test_truth_beside_the_signal(plain):
    assert list(plain["layer"].values) == ["top", "middle"]
    assert list(plain["element"].values) == ["Cu", "Ni", "Al"]
    assert plain["thickness_nm"].values == pytest.approx([60.0, 40.0])
    assert plain["interface_depth_nm"].values == pytest.approx([60.0, 100.0])
    assert plain["interface_width_nm"].values == pytest.approx([4.0, 0.0])
    # Mass per area: 60 nm of 8.9 g/cm3 and 40 nm of 8.8 g/cm3.
    assert plain["areal_mass_g_m2"].values == pytest.approx([0.534, 0.352])
    composition = plain["composition"]
    assert composition.sum("element").values == pytest.approx(np.ones(composition.sizes["depth"]))
    assert composition.sel(element="Ni").sel(depth=80.0, method="nearest") == pytest.approx(1.0)
    by_mass = plain["composition_mass"].sel(depth=60.0, method="nearest")
    by_atoms = composition.sel(depth=60.0, method="nearest")
    ratio = float(by_mass.sel(element="Cu") / by_mass.sel(element="Ni"))
    assert float(by_mass.sum()) == pytest.approx(1.0)
    assert ratio == pytest.approx(
        float(by_atoms.sel(element="Cu") / by_atoms.sel(element="Ni")) * COPPER / NICKEL, rel=1e-4
    )
    halfway = np.interp(60.0, plain["depth"], composition.sel(element="Cu"))
    atoms = atoms_per_nm3(8.9, COPPER), atoms_per_nm3(8.8, NICKEL)
    assert halfway == pytest.approx(atoms[0] / sum(atoms), abs=0.01)


def test_default_duration_reaches_the_substrate_plateau():
    end = simulated(LAYERS + BROADENING)
    assert end.sizes["time"] == pytest.approx(1000, abs=1)
    plateau = atoms_per_nm3(2.7, ALUMINIUM) * AL_RATE
    assert of(end, "Al")[-1] == pytest.approx(plateau, rel=1e-3)
    assert of(end, "Ni")[-1] < 1e-3 * of(end, "Ni").max()


def test_too_many_readings_are_refused():
    with pytest.raises(InputProblems, match=r"sampling_s: 1e-07 s over 10 s gives 100000000 readi"):
        simulated(LAYERS + TIMES.replace("0.05", "1e-7"))


def test_too_many_readings_of_all_channels_are_refused():
    channels = "".join(f'[[detection.channel]]\nname = "{n}"\nelement = "Cu"\n' for n in range(60))
    with pytest.raises(InputProblems, match=r"gives 1000000 readings of 60 channels; at most 5000"):
        simulated(LAYERS + TIMES.replace("0.05", "1e-5") + channels)


def test_more_counts_than_a_number_holds_are_refused():
    with pytest.raises(InputProblems, match=r"counts_per_unit_s: 1e\+20 gives up to .* counts"):
        simulated(LAYERS + TIMES + "[noise]\ncounts_per_unit_s = 1e20\n")


def test_a_default_duration_shorter_than_the_sampling_is_refused():
    with pytest.raises(InputProblems, match=r"sampling_s: 1000 s over .* s gives no reading"):
        simulated(LAYERS + "[detection]\nsampling_s = 1000.0\n")


# --- the collected signal ----------------------------------------------------------------------


def test_plateaus_are_atoms_per_area_and_second(plain):
    """Derived: atomic density times erosion rate."""
    seconds = {"Cu": 1.5, "Ni": 5.0, "Al": 9.0}
    expected = {
        "Cu": atoms_per_nm3(8.9, COPPER) * CU_RATE,
        "Ni": atoms_per_nm3(8.8, NICKEL) * NI_RATE,
        "Al": atoms_per_nm3(2.7, ALUMINIUM) * AL_RATE,
    }
    for channel, time in seconds.items():
        found = plain["clean"].sel(channel=channel).sel(time=time, method="nearest")
        assert float(found) == pytest.approx(expected[channel], rel=1e-4)


def test_mean_depth_is_rate_times_time_without_broadening(plain):
    time = plain["time"].values
    sharp = np.interp(time, [0.0, 3.0, 7.0, 11.0], [0.0, 60.0, 100.0, 164.0])
    away = np.abs(time - 3.0) > 0.3  # where the transition from copper to nickel is over
    assert plain["mean_depth"].values[away] == pytest.approx(sharp[away], rel=2e-3)


def test_every_atom_of_a_buried_layer_arrives_once(full):
    """Derived: the integral over time is atomic density times thickness."""
    collected = of(full, "Ni").sum() * 0.05
    assert collected == pytest.approx(atoms_per_nm3(8.8, NICKEL) * NI_NM, rel=1e-5)
    unit = atoms_per_nm3(8.8, atomic_mass_u("Ni")) * NI_NM  # with the library's atomic weight
    assert collected == pytest.approx(unit, rel=1e-9)


def assert_all_leaves_once(dataset, above_nm):
    """Each slice's shares add up to 1; each interval's slices to the depth that it removed."""
    exposure, thickness = dataset["exposure"].values, dataset["slice_thickness"].values
    total = exposure.sum(axis=1)
    assert np.all(exposure >= -1e-12)
    assert np.all(total <= 1.0 + 1e-9)
    assert total[dataset["slice_depth"].values < above_nm] == pytest.approx(1.0, abs=1e-9)
    edges = np.append(0.0, np.cumsum(thickness @ exposure))
    middle = 0.5 * (edges[1:] + edges[:-1])
    assert middle == pytest.approx(dataset["mean_depth"].values, rel=1e-9)


def test_exposure_sums_to_what_left():
    """A flat surface that a curved crater, mixing and growing roughness blur."""
    smooth = BROADENING.replace("initial_nm = 2.0", "initial_nm = 0.0")
    smooth = smooth.replace('"grains"', '"none"')
    assert_all_leaves_once(simulated(LAYERS + smooth + TIMES, exposure=True), above_nm=90.0)


def test_exposure_of_a_rough_surface_sums_to_what_left(full):
    assert_all_leaves_once(full, above_nm=90.0)


def test_an_exposure_matrix_that_fills_the_memory_is_refused():
    with pytest.raises(InputProblems, match=r"\d+ slices over 200000 intervals are more than"):
        simulated(LAYERS + BROADENING + TIMES.replace("0.05", "5e-5"), exposure=True)


@pytest.mark.parametrize("last", ["[roughness]", "[mixing]"], ids=["smooth", "rough"])
def test_exposure_times_atoms_is_the_signal(last):
    """Without mixing and with sharp interfaces, every slice holds one element."""
    text = LAYERS.replace("interface_width_nm = 4.0", "") + TIMES
    dataset = simulated(text + BROADENING.split(last)[0], exposure=True)
    depth, thickness = dataset["slice_depth"].values, dataset["slice_thickness"].values
    for channel, atoms, top, bottom in (
        ("Cu", atoms_per_nm3(8.9, atomic_mass_u("Cu")), 0.0, 60.0),
        ("Ni", atoms_per_nm3(8.8, atomic_mass_u("Ni")), 60.0, 100.0),
    ):
        inside = (depth > top) & (depth < bottom)
        expected = atoms * thickness[inside] @ dataset["exposure"].values[inside] / 0.05
        assert of(dataset, channel) == pytest.approx(expected, rel=1e-9, abs=1e-9 * expected.max())


# --- channels ----------------------------------------------------------------------------------


def test_sensitivity_background_and_interference_enter_linearly(plain):
    cu, ni = of(plain, "Cu"), of(plain, "Ni")
    text = LAYERS + TIMES
    text += """
[[detection.channel]]
name = "Cu 325"
element = "Cu"
sensitivity = 0.5
background = 7.0
interference = { Ni = 0.1 }
"""
    found = simulated(text)
    assert list(found["channel"].values) == ["Cu 325"]
    expected = 0.5 * (cu + 0.1 * ni) + 7.0
    # Readings are differences of sums, which round to 1e-16 of all that was collected.
    assert of(found, "Cu 325") == pytest.approx(expected, rel=1e-12, abs=1e-12 * cu.sum())


def test_sensitivity_by_layer_follows_where_the_atoms_come_from():
    """One element in two layers; each layer's atoms count with that layer's sensitivity."""
    layers = LAYERS.replace('composition = "Ni"', 'composition = "CuNi"')
    parts = [
        simulated(layers + TIMES + BROADENING + _by_layer(top, middle))
        for top, middle in ((1.0, 0.0), (0.0, 1.0), (2.0, 0.3))
    ]
    top, middle, both = (of(part, "Cu") for part in parts)
    assert both == pytest.approx(2.0 * top + 0.3 * middle, rel=1e-12)
    assert top[20] == pytest.approx(atoms_per_nm3(8.9, COPPER) * CU_RATE, rel=1e-3)
    half = atoms_per_nm3(8.8, 0.5 * (COPPER + NICKEL)) * NI_RATE * 0.5
    assert middle[100] == pytest.approx(half, rel=1e-3)


def _by_layer(top, middle):
    by_layer = f"{{ top = {top}, middle = {middle}, base = 0.0 }}"
    return f'\n[[detection.channel]]\nelement = "Cu"\nsensitivity = {by_layer}\n'


def test_a_fragment_follows_its_layers():
    """A channel without element counts all atoms of a layer; layers not named do not count."""
    fragment = '[[detection.channel]]\nname = "dimer"\nsensitivity = { top = 0.5, base = 0.1 }\n'
    found = simulated(LAYERS + TIMES + CHANNELS + fragment)
    expected = 0.5 * of(found, "Cu") + 0.1 * of(found, "Al")
    assert of(found, "dimer") == pytest.approx(expected, rel=1e-9, abs=1e-6)


def test_saturation_clips_readings_and_not_the_clean_signal(plain):
    limited = CHANNELS.replace('"Cu"\n', '"Cu"\nsaturation = 900.0\n')
    found = simulated(LAYERS + TIMES + limited + COUNTING)
    assert of(found, "Cu", "intensity").max() == 900.0
    assert of(found, "Cu") == pytest.approx(of(plain, "Cu"), rel=1e-12)
    assert of(found, "Al", "intensity").max() > 900.0


# --- the viewed signal -------------------------------------------------------------------------

VIEWED = TIMES + 'view = "viewed"\nescape_depth_nm = 1.0\n'


def test_a_viewed_signal_is_the_fraction_seen():
    found = simulated(LAYERS + BROADENING + VIEWED)
    clean = found["clean"]
    assert clean.sum("channel").values == pytest.approx(np.ones(clean.sizes["time"]), rel=1e-9)
    assert float(clean.sel(channel="Cu")[10]) == pytest.approx(1.0, abs=1e-6)
    assert clean.attrs["units"] == "atomic fraction times sensitivity"


def test_a_viewed_signal_sees_ahead_with_its_escape_depth():
    """Derived: attenuation exp(-x/L); at height h above a sharp interface, exp(-h/L) of the atoms
    seen lie below it (equal atomic densities). Within 0.02 sampling intervals of 1 nm: 2 %."""
    text = LAYERS.replace("interface_width_nm = 4.0", "").replace("8.8", f"{8.9 * NICKEL / COPPER}")
    found = simulated(text + VIEWED + 'timing = "cycle"\n')
    ahead = found.sel(channel="Ni")
    height = 60.0 - ahead["mean_depth"].values
    near = (height > 0.5) & (height < 6.0)
    assert near.sum() > 4
    assert ahead["clean"].values[near] == pytest.approx(np.exp(-height[near]), rel=0.02)


def test_cycles_are_snapshots_that_begin_before_sputtering():
    """Sputtering and measuring by turns: one snapshot more than there are intervals."""
    found = simulated(LAYERS + BROADENING + VIEWED + 'timing = "cycle"\n')
    assert found["time"].values == pytest.approx(0.05 * np.arange(201))
    assert found["mean_depth"].values[0] == 0.0
    assert of(found, "Cu")[0] == pytest.approx(1.0, abs=1e-6)
    between = simulated(LAYERS + BROADENING + VIEWED)
    mean = 0.5 * (of(found, "Cu")[1:] + of(found, "Cu")[:-1])
    assert of(between, "Cu") == pytest.approx(mean, abs=2e-3)


def test_cycles_of_a_collected_signal_are_refused_or_mean_something(plain):
    try:
        found = simulated(LAYERS + TIMES + 'timing = "cycle"\n')
    except InputProblems:
        return
    assert not np.array_equal(found["clean"].values, plain["clean"].values)


# --- one sample written in two ways ------------------------------------------------------------


def assert_same_signal(one, other, factor=1.0):
    assert list(one["channel"].values) == list(other["channel"].values)
    largest = one["clean"].values.max()
    assert other["clean"].values == pytest.approx(factor * one["clean"].values, abs=1e-9 * largest)


def test_joining_equal_neighbours_changes_nothing():
    """An interface between equal layers is none, whatever width is written for it."""
    split = """
[[layer]]
name = "first"
composition = "Cu"
density_g_cm3 = 8.9
thickness_nm = 22.0
interface_width_nm = 9.0
erosion_rate_nm_s = 20.0
"""
    two = split + LAYERS.replace("thickness_nm = 60.0", "thickness_nm = 38.0")
    rest = BROADENING + TIMES
    assert_same_signal(simulated(LAYERS + rest), simulated(two + rest))


def test_an_equal_layer_above_the_substrate_belongs_to_it():
    below = """
[[layer]]
composition = "Al"
density_g_cm3 = 2.7
thickness_nm = 12.0
erosion_rate_nm_s = 16.0
[substrate]"""
    rest = BROADENING + TIMES
    more = LAYERS.replace("[substrate]", below)
    assert_same_signal(simulated(LAYERS + rest), simulated(more + rest))


PERIOD = """
[[layer]]
repeat = 3
[[layer.of]]
material = "hard"
thickness_nm = 9.0
interface_width_nm = 1.0
[[layer.of]]
composition = "Ni"
thickness_nm = 6.0
erosion_rate_nm_s = 10.0
[substrate]
composition = "Al"
erosion_rate_nm_s = 16.0
[material.hard]
composition = "TiN"
density_g_cm3 = 5.3
erosion_rate_nm_s = 12.0
"""

PERIOD_WRITTEN_OUT = (
    3
    * """
[[layer]]
composition = "TiN"
density_g_cm3 = 5.3
erosion_rate_nm_s = 12.0
thickness_nm = 9.0
interface_width_nm = 1.0
[[layer]]
composition = "Ni"
thickness_nm = 6.0
erosion_rate_nm_s = 10.0
"""
    + """
[substrate]
composition = "Al"
erosion_rate_nm_s = 16.0
"""
)


def test_periods_and_shared_materials_equal_the_layers_written_out():
    rest = BROADENING + TIMES
    periodic = simulated(PERIOD + rest)
    assert list(periodic["layer"].values) == [
        f"{name} #{number}" for number in (1, 2, 3) for name in ("hard", "Ni")
    ]
    assert_same_signal(periodic, simulated(PERIOD_WRITTEN_OUT + rest))


def test_composition_by_mass_equals_the_converted_one():
    """x_i = (w_i / M_i) / sum_j (w_j / M_j), with atomic weights of IUPAC."""
    mass = {"Fe": 0.95, "Cr": 0.045, "C": 0.005}
    weight = {"Fe": 55.845, "Cr": 51.9961, "C": 12.011}
    moles = {symbol: share / weight[symbol] for symbol, share in mass.items()}
    atomic = {symbol: amount / sum(moles.values()) for symbol, amount in moles.items()}

    def steel(key, table):
        inline = ", ".join(f"{symbol} = {share!r}" for symbol, share in table.items())
        return LAYERS.replace('composition = "Al"', f"{key} = {{ {inline} }}")

    by_mass = simulated(steel("composition_mass", mass) + TIMES)
    by_atoms = simulated(steel("composition", atomic) + TIMES)
    assert list(by_mass["channel"].values) == ["Cu", "Ni", "Fe", "Cr", "C"]
    assert by_mass["clean"].values == pytest.approx(by_atoms["clean"].values, rel=1e-4, abs=1e-9)


# --- scaling and symmetry ----------------------------------------------------------------------

LAMP = """
[[layer]]
composition = "Cu"
thickness_nm = 60.0
[[layer]]
composition = "Ni"
thickness_nm = 40.0
[substrate]
composition = "Al"
[source]
kind = "glow discharge"
voltage_V = 700.0
current_mA = CURRENT
anode_diameter_mm = 4.0
[crater]
shape = "parabolic"
curvature = 0.05
[mixing]
model = "diffusive"
[detection]
sampling_s = SAMPLING
duration_s = DURATION
"""


def lamp(current, sampling, duration):
    text = LAMP.replace("CURRENT", repr(current)).replace("SAMPLING", repr(sampling))
    return simulated(text.replace("DURATION", repr(duration)))


def test_twice_the_current_takes_half_the_time():
    """Yields depend on the voltage alone: the same profile, twice as fast and twice as high."""
    slow, fast = lamp(10.0, 0.02, 4.0), lamp(20.0, 0.01, 2.0)
    assert of(slow, "Al")[-1] > 0.9 * of(slow, "Al").max() > 0.0  # the whole stack is eroded
    assert_same_signal(slow, fast, factor=2.0)
    assert fast["mean_depth"].values == pytest.approx(slow["mean_depth"].values, rel=1e-9)


def test_swapping_two_elements_swaps_their_channels():
    """Equal atomic densities and rates: the physics cannot tell the two elements apart."""
    dense = {symbol: 80.0 / AVOGADRO * 1e21 * atomic_mass_u(symbol) for symbol in ("Cu", "Ni")}

    def stack(first, second):
        return f"""
[[layer]]
composition = "{first}"
density_g_cm3 = {dense[first]!r}
thickness_nm = 30.0
interface_width_nm = 3.0
erosion_rate_nm_s = 15.0
[[layer]]
composition = {{ {second} = 0.7, {first} = 0.3 }}
density_g_cm3 = {0.7 * dense[second] + 0.3 * dense[first]!r}
thickness_nm = 25.0
erosion_rate_nm_s = 15.0
[substrate]
composition = "Al"
erosion_rate_nm_s = 16.0
"""

    rest = BROADENING + TIMES
    one, other = simulated(stack("Cu", "Ni") + rest), simulated(stack("Ni", "Cu") + rest)
    for here, there in (("Cu", "Ni"), ("Ni", "Cu"), ("Al", "Al")):
        signal = of(one, here)
        assert of(other, there) == pytest.approx(signal, rel=1e-9, abs=1e-9 * signal.max())


def test_densities_scale_the_signal_of_a_uniform_sample():
    """Collected atoms go with the atomic density; with given rates, times do not depend on it."""
    bulk = "[substrate]\ncomposition = 'Cu'\ndensity_g_cm3 = {}\nerosion_rate_nm_s = 20.0\n" + TIMES
    one, two = simulated(bulk.format(4.0)), simulated(bulk.format(8.0))
    assert_same_signal(one, two, factor=2.0)
    assert np.ptp(of(one, "Cu")) < 1e-9 * of(one, "Cu").max()


def test_a_rough_curved_uniform_sample_gives_a_constant_signal():
    """The ion budget is balanced from the first reading on."""
    bulk = "[substrate]\ncomposition = 'Cu'\nerosion_rate_nm_s = 20.0\n"
    found = of(simulated(bulk + BROADENING + TIMES), "Cu")
    assert np.ptp(found) < 1e-3 * found.max()
