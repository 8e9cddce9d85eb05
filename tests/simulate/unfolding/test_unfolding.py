"""Composition against depth without layers, from simulated profiles."""

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from craterfront.cli import app
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import load_profile, profile_of, read_dataset, write_dataset
from craterfront.problems import InputProblems
from craterfront.unfolding.joined_readings import joined
from craterfront.unfolding.unfolded import answer_as_dict, unfolded_dataset
from craterfront.unfolding.unfolding import unfold

EXACT = "{ value = 1.0, u = 0 }"
TITANIUM, CHROMIUM = 56.6, 83.2  # atoms per nm3, of the densities below


def experiment(
    *,
    width=60.0,
    rates=("{ value = 8.0, u = 0 }", "{ value = 16.0, u = 0 }"),
    sensitivity=(EXACT, EXACT),
    channels=("Ti", "Cr"),
    noise="counts_per_unit_s = 20.0",
    roughness="{ value = 3.0, u = 0 }",
    background="{ value = 0.0, u = 0 }",
    detection="",
    more="",
):
    """Titanium on chromium, interdiffused over the given width."""
    listed = "\n".join(
        f'[[detection.channel]]\nelement = "{e}"\nsensitivity = {s}\nbackground = {background}'
        for e, s in zip(channels, sensitivity, strict=False)
    )
    return experiment_from_toml(f"""
        [[layer]]
        composition = "Ti"
        density_g_cm3 = {{ value = 4.5, u = 0 }}
        thickness_nm = 100.0
        interface_width_nm = {width}
        erosion_rate_nm_s = {rates[0]}
        [substrate]
        composition = "Cr"
        density_g_cm3 = {{ value = 7.19, u = 0 }}
        erosion_rate_nm_s = {rates[1]}
        [crater]
        shape = "parabolic"
        curvature = {{ value = 0.04, u = 0 }}
        [roughness]
        initial_nm = {roughness}
        [detection]
        duration_s = 20.0
        sampling_s = 0.1
        {detection}
        {listed}
        [noise]
        {noise}
        {more}
    """)


def simulated(known, seed=1):
    return simulate(known.stack, known.setup, seed=seed)


def true_fractions(dataset, edges, elements):
    """Means over the cells, shape (E, K)."""
    fine = np.linspace(edges[0], edges[-1], 20_001)
    out = []
    for element in elements:
        true = np.interp(fine, dataset["depth"].values, dataset["composition"].sel(element=element))
        total = np.append(0.0, np.cumsum(0.5 * (true[1:] + true[:-1]) * np.diff(fine)))
        out.append(np.diff(np.interp(edges, fine, total)) / np.diff(edges))
    return np.array(out)


def coverage(dataset, found):
    low, high = found.band()
    truth = true_fractions(dataset, found.depth_edges_nm, found.elements)
    return float(np.mean((truth >= low - 1e-12) & (truth <= high + 1e-12)))


@pytest.fixture(scope="module")
def diffused():
    known = experiment()
    dataset = simulated(known)
    return known, dataset, unfold(profile_of(dataset, "diffused"), known)


def test_an_interdiffused_sample(diffused):
    _, dataset, found = diffused
    assert coverage(dataset, found) > 0.85
    truth = true_fractions(dataset, found.depth_edges_nm, found.elements)
    assert np.abs(found.fractions - truth).max() < 0.02
    assert not found.warnings
    assert np.mean(found.residual**2) == pytest.approx(1.0, abs=0.15)  # of 400 readings: 2 x 0.07
    assert 2.0 < found.resolution_nm.min() < found.resolution_nm.max() < 60.0


def test_fractions_are_a_composition_and_atoms_are_conserved(diffused):
    """Derived: what is unfolded holds as many atoms as were collected, as far as noise allows."""
    _, dataset, found = diffused
    assert found.fractions.min() >= 0.0
    assert found.fractions.sum(axis=0) == pytest.approx(1.0, abs=1e-9)
    thickness = np.diff(found.depth_edges_nm)
    end = np.clip((20.0 - found.model.cells.edges_s[:-1]) / found.model.cells.dose_s, 0.0, 1.0)
    share = dict(zip(found.elements, found.fractions, strict=True))
    volume = share["Ti"] / TITANIUM + share["Cr"] / CHROMIUM
    for element in found.elements:
        atoms = np.sum(share[element] / volume * thickness * end[: thickness.size])
        collected = 0.1 * float(dataset["clean"].sel(channel=element).sum())
        assert atoms == pytest.approx(collected, rel=0.01)


@pytest.mark.thorough
def test_the_unit_of_the_intensity_does_not_matter(diffused):
    _, dataset, found = diffused
    tenfold = dataset.copy()
    tenfold["intensity"] = 10.0 * dataset["intensity"]
    ten = "{ value = 10.0, u = 0 }"
    known = experiment(sensitivity=(ten, ten), noise="counts_per_unit_s = 2.0")
    other = unfold(profile_of(tenfold, "tenfold"), known)
    assert other.fractions == pytest.approx(found.fractions, abs=1e-4)
    assert other.resolution_nm == pytest.approx(found.resolution_nm, rel=1e-2)


@pytest.mark.slow
def test_free_sensitivities_follow_from_the_sum():
    known = experiment(sensitivity=("{ guess = 3.0 }", "{ guess = 0.2 }"))
    dataset = simulated(known)
    found = unfold(profile_of(dataset, "free"), known)
    assert coverage(dataset, found) > 0.85
    gain = found.model.sensitivity * np.exp(found.posterior.nuisance[:2])
    assert gain == pytest.approx([3.0, 0.2], rel=0.03)


ROUGH = "{ value = 8.0, u_rel = 0.1 }", "{ value = 16.0, u_rel = 0.1 }"


@pytest.mark.thorough
def test_free_sensitivities_leave_written_rates_alone():
    """Derived: of pure materials on both sides of an edge only sensitivity times rate shows."""
    known = experiment(width=0.5, rates=ROUGH, sensitivity=("{ guess = 3.0 }", "{ guess = 0.2 }"))
    found = unfold(profile_of(simulated(known), "sharp"), known)
    for each in found.deviations():  # the truth of rates is 0
        if each.name.startswith("erosion rate"):
            assert abs(each.value) < 2.0 * each.u
    assert "unreliable" not in " ".join(found.warnings)


@pytest.mark.thorough
def test_a_wrong_rate_makes_the_depth_scale_unreliable():
    """Known sensitivities tell the rate of chromium, which is written as 5 u too small."""
    rates = "{ value = 8.0, u_rel = 0.02 }", "{ value = 14.4, u_rel = 0.02 }"
    found = unfold(profile_of(simulated(experiment()), "faster"), experiment(rates=rates))
    first, *others = found.deviations()
    assert first.name == "erosion rate of Cr"
    assert abs(first.in_prior_u) > max(3.0, *(abs(each.in_prior_u) for each in others))
    assert found.warnings[0].startswith("the depth scale is unreliable")
    assert "erosion rate of Cr by +" in found.warnings[0]
    assert answer_as_dict(found)["deviations"][0]["name"] == first.name


@pytest.mark.thorough
def test_uncertain_numbers_widen_the_band_and_the_depth():
    unsure = "{ value = 1.0, u_rel = 0.05 }"
    rates = ("{ value = 8.0, u_rel = 0.04 }", "{ value = 16.0, u_rel = 0.04 }")
    known = experiment(
        sensitivity=(unsure, unsure), rates=rates, roughness="{ value = 3.0, u = 0.5 }"
    )
    dataset = simulated(known)
    found = unfold(profile_of(dataset, "unsure"), known)
    own = found.standard_uncertainty(nuisances=False)
    assert np.all(found.standard_uncertainty() >= own - 1e-12)
    assert found.standard_uncertainty().mean() > 1.5 * own.mean()
    # Derived: 100 nm at 8 and 120 nm at 16 nm/s, each to 4 %, and the sum tells a little of both.
    assert 0.5 < found.depth_u_nm[-1] / np.hypot(0.04 * 100.0, 0.04 * 120.0) < 1.01
    assert "erosion rate of Ti" in [row["name"] for row in answer_as_dict(found)["deviations"]]


@pytest.mark.thorough
def test_a_measured_crater_depth_fixes_the_scale():
    rates = ("{ value = 8.0, u_rel = 0.1 }", "{ value = 16.0, u_rel = 0.1 }")
    free = "{ guess = 1.0 }"
    deep = float(simulated(experiment())["mean_depth"][-1])
    more = f"[depth_scale]\nfinal_crater_depth_nm = {{ value = {1.1 * deep}, u = 0.5 }}"
    known = experiment(rates=rates, sensitivity=(free, free), more=more)
    found = unfold(profile_of(simulated(known), "deep"), known)
    supplied = found.model.cells.edges_s[: found.depth_edges_nm.size]
    end = np.interp(20.0, supplied, found.depth_edges_nm)
    assert end == pytest.approx(1.1 * deep, rel=0.005)
    assert found.depth_u_nm[-1] < 1.0


@pytest.mark.thorough
def test_known_sensitivities_give_the_rates():
    """Guesses of 10 and 12 nm/s for 8 and 16: atoms counted per second, over those per volume."""
    exactly = "{ value = 1.0, u = 0.005 }"
    dataset = simulated(experiment())
    known = experiment(
        rates=("{ guess = 10.0 }", "{ guess = 12.0 }"), sensitivity=(exactly, exactly)
    )
    found = unfold(profile_of(dataset, "rates"), known)
    assert found.scale_sources == ["channel sensitivities"]
    by_name = {row["name"]: row for row in answer_as_dict(found)["deviations"]}
    for name, ratio in (("Ti", 8.0 / 10.0), ("Cr", 16.0 / 12.0)):
        row = by_name[f"erosion rate of {name}"]
        assert abs(row["value"] - np.log(ratio)) < 3.0 * row["u"] < 0.1
    assert found.depth_edges_nm[-1] == pytest.approx(220.0, abs=4.0)


@pytest.mark.thorough
def test_fractions_on_a_depth_axis(tmp_path):
    dataset = simulated(experiment())
    fraction = dataset["intensity"].values / dataset["intensity"].values.sum(axis=0)
    place = tmp_path / "fractions.csv"
    rows = np.column_stack([dataset["mean_depth"].values, fraction.T])
    np.savetxt(place, rows, delimiter=",", header="depth (nm),Ti,Cr", comments="")
    known = experiment(
        noise="",
        detection="",
        more='[profile]\naxis = "depth"\naxis_unit = "nm"\nvalues = "atomic fraction"',
    )
    found = unfold(load_profile(place, known), known)
    assert coverage(dataset, found) > 0.8
    assert "reading_depth" in unfolded_dataset(found).dims


@pytest.mark.parametrize(
    ("detection", "more"),
    [
        ('view = "viewed"\nescape_depth_nm = { value = 1.5, u = 0 }', ""),
        ("", '[mixing]\nmodel = "uniform"\nlength_nm = { value = 3.0, u = 0 }'),
        (
            "",
            '[mixing]\nmodel = "uniform"\nlength_nm = { value = 3.0, u = 0 }\n'
            "preference = { Ti = 1.0, Cr = 1.5 }",
        ),
    ],
    ids=["viewed", "mixed", "preference"],
)
@pytest.mark.thorough
def test_other_instruments(detection, more):
    noise = f"counts_per_unit_s = {5e3 if detection else 20.0}"
    known = experiment(detection=detection, more=more, noise=noise)
    dataset = simulated(known)
    found = unfold(profile_of(dataset, "other"), known)
    assert coverage(dataset, found) > 0.85
    assert np.mean(found.residual**2) < 1.25


@pytest.mark.thorough
def test_flicker_is_common_to_all_channels_and_not_structure():
    known = experiment(
        noise="counts_per_unit_s = 20.0\nflicker = { rms = 0.02, correlation_s = 0.5 }"
    )
    dataset = simulated(known)
    found = unfold(profile_of(dataset, "flicker"), known)
    assert coverage(dataset, found) > 0.85
    assert not any(found.steep.values())


@pytest.mark.thorough
def test_noise_that_nobody_wrote_is_found():
    dataset = simulated(experiment())
    found = unfold(profile_of(dataset, "silent"), experiment(noise=""))
    assert coverage(dataset, found) > 0.85


def test_what_has_no_channel_is_the_rest():
    known = experiment(channels=("Ti",))
    dataset = simulated(known)
    found = unfold(profile_of(dataset, "rest"), known)
    assert found.elements == ["Ti", "rest"]
    assert "no channel for Cr: together they are the rest of the sum" in found.warnings
    titanium = true_fractions(dataset, found.depth_edges_nm, ["Ti"])[0]
    assert found.fractions[0] == pytest.approx(titanium, abs=0.03)
    assert "composition_mass" not in unfolded_dataset(found)


def test_a_sharp_layer_is_named_as_no_more_than_the_resolution():
    known = experiment(width=0.5)
    found = unfold(profile_of(simulated(known), "sharp"), known)
    (part,) = found.steep["Ti"]
    assert part.start_nm - 2.0 < 100.0 < part.end_nm + 2.0
    assert any("as steep as a sharp edge would look" in line for line in found.warnings)
    assert any("craterfront invert" in line for line in found.warnings)
    marked = unfolded_dataset(found)["as_steep_as_resolution"].sel(element="Ti")
    assert 90.0 < float(marked["depth"][marked == 1].mean()) < 110.0


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"roughness": "{ guess = 3.0 }"}, "initial roughness: is left open"),
        ({"background": "{ guess = 1.0 }"}, 'channel "Ti" background: cannot be told from'),
        ({"channels": ("Ti",), "sensitivity": ("{ guess = 1.0 }",)}, "without a channel for Cr"),
        ({"sensitivity": ("{ Ti = 1.0, Cr = 2.0 }", EXACT)}, "is given by layer"),
        ({"sensitivity": (EXACT, "0.0")}, "is 0, so it shows nothing"),
        (
            {"more": '[mixing]\nmodel = "diffusive"\nlength_nm = { Ti = 2.0, Cr = 1.0 }'},
            "mixing length_nm: is given by layer",
        ),
        (
            {
                "rates": ("{ guess = 8.0 }", "{ guess = 16.0 }"),
                "sensitivity": ("{ guess = 1.0 }", "{ guess = 1.0 }"),
            },
            "nothing fixes the depth scale",
        ),
    ],
    ids=["roughness", "background", "unmeasured", "by layer", "dark", "mixing by layer", "scale"],
)
def test_refusals_name_place_and_remedy(keys, words):
    dataset = simulated(experiment())
    with pytest.raises(InputProblems, match=words):
        unfold(profile_of(dataset, "refused"), experiment(**keys))


def test_a_composition_that_hardly_varies_gives_no_sensitivity():
    free = ("{ guess = 1.0 }", "{ guess = 1.0 }")
    known = experiment(sensitivity=free)
    dataset = simulated(known).isel(time=slice(0, 12))  # titanium with a constant trace of chromium
    with pytest.raises(InputProblems, match="sensitivity: not known, and the composition varies"):
        unfold(profile_of(dataset, "uniform"), known)


def test_joined_readings_keep_what_was_collected():
    profile = profile_of(simulated(experiment()), "joined")
    fewer = joined(profile, 70)
    assert fewer.axis_values.size == 66
    assert fewer.interval == pytest.approx(0.3)
    assert np.sum(fewer.values * fewer.interval) == pytest.approx(
        np.sum((profile.values * profile.interval)[:, :198])
    )
    assert joined(profile, 200) is profile


EXPERIMENT = """
[[layer]]
composition = "Ti"
thickness_nm = 60.0
interface_width_nm = 30.0
erosion_rate_nm_s = {{ value = 8.0, u_rel = 0.03 }}
[substrate]
composition = "Cr"
erosion_rate_nm_s = 8.0
[roughness]
initial_nm = 3.0
[detection]
sampling_s = 0.2
duration_s = 14.0
[[detection.channel]]
element = "Ti"
sensitivity = {sensitivity}
[[detection.channel]]
element = "Cr"
sensitivity = 1.0
[noise]
counts_per_unit_s = 5.0
"""


@pytest.fixture
def files(tmp_path):
    profile, known = tmp_path / "profile.nc", tmp_path / "known.toml"
    known.write_text(EXPERIMENT.format(sensitivity=1.0), encoding="utf-8")
    loaded = experiment_from_toml(known.read_text(encoding="utf-8"))
    write_dataset(simulate(loaded.stack, loaded.setup, seed=3), profile)
    return profile, known


def test_the_command(files, tmp_path):
    profile, known = files
    output, figure = tmp_path / "unfolded.nc", tmp_path / "unfolded.png"
    arguments = ["unfold", str(profile), "-e", str(known), "-o", str(output)]
    shown = CliRunner().invoke(app, [*arguments, "--figure", str(figure)])
    assert shown.exit_code == 0, shown.output
    assert "maximum evidence" in shown.output
    assert "background: not written, taken as 0" in " ".join(shown.output.split())
    assert figure.stat().st_size > 10_000
    dataset = read_dataset(output)
    low, high = dataset["composition_lo"], dataset["composition_hi"]
    assert bool(((low <= dataset["composition"]) & (dataset["composition"] <= high)).all())
    assert dataset["effective_resolution"].attrs["units"] == "nm"
    assert json.loads(dataset.attrs["experiment"])
    assert float(dataset["composition_mass"].sum("element").mean()) == pytest.approx(1.0)


def test_the_command_as_json(files):
    profile, known = files
    shown = CliRunner().invoke(app, ["unfold", str(profile), "-e", str(known), "--json"])
    answer = json.loads(shown.stdout)
    assert answer["prior"].startswith("matern")
    assert [row["element"] for row in answer["elements"]] == ["Ti", "Cr"]


def test_the_command_refuses_in_one_message(files, tmp_path):
    profile, known = files
    known.write_text(EXPERIMENT.format(sensitivity="{ Ti = 1.0, Cr = 2.0 }"), encoding="utf-8")
    output = tmp_path / "unfolded.nc"
    arguments = ["unfold", str(profile), "-e", str(known), "-o", str(output)]
    shown = CliRunner().invoke(app, arguments)
    assert isinstance(shown.exception, InputProblems)
    assert "sensitivity: is given by layer" in str(shown.exception)
    assert not output.exists()
