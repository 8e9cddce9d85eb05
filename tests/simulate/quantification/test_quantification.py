"""Quantified profiles: calibration files, boundaries, datasets, figures, and what is refused."""

import json

import numpy as np
import pytest

import craterfront as cf
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.models.materials.elements import solid_density_g_cm3
from craterfront.quantification.quantified_dataset import answer_as_dict, span_rows
from craterfront.reports.composition_figure import composition_figure
from craterfront.reports.figure_style import save_figure

LINES = """
anode_diameter_mm = { value = 4.0, u = 0.02 }
[element.Fe]
intensity_per_ug_s = { value = 2.0, u_rel = 0.02 }
[element.Zn]
intensity_per_ug_s = { value = 5.0, u_rel = 0.03 }
background = { value = 0.5, u = 0.01 }
"""

NITRIDE = """
area_mm2 = 12.5
[element.Ti]
intensity_per_ug_s = 2.0
[element.N]
intensity_per_ug_s = 1.0
compound = "TiN"
[element.O]
intensity_per_ug_s = 1.0
density_g_cm3 = { value = 2.8, u = 0.5 }
"""

REFERENCES = """
area_mm2 = 12.5
[element.Fe]
[element.Zn]
background = { guess = 0.0 }
[[reference]]
name = "steel"
composition_mass = { Fe = { value = 0.99, u = 0.002 } }
mass_rate_ug_s = { value = 3.0, u = 0.05 }
intensity = { Fe = { value = 5.94, u = 0.01 }, Zn = { value = 0.5, u = 0.01 } }
[[reference]]
name = "zinc alloy"
composition_mass = { Zn = { value = 0.95, u = 0.003 }, Al = { value = 0.05, u = 0.003 } }
mass_rate_ug_s = { value = 10.0, u = 0.1 }
intensity = { Zn = { value = 48.0, u = 0.2 } }
"""


def profile(intensity, channels=("Fe", "Zn"), step=1.0, **changed):
    values = np.array(intensity, dtype=float)
    time = step * (np.arange(values.shape[1]) + 0.5)
    made = {
        "axis": "time",
        "axis_values": time,
        "interval": np.full(time.size, step),
        "channels": list(channels),
        "values": values,
        "values_kind": "intensity",
        "censored": np.zeros(values.shape, dtype=bool),
        "notes": [],
        "source": "profile.txt",
    }
    return MeasuredProfile(**made | changed)


IRON = np.array([0.0, 0.0, 0.0, 0.25, 0.75, 1.0, 1.0, 1.0])
EDGE = [2.0 * IRON, 5.0 * 3.0 * (1.0 - IRON) + 0.5]


def problems_of(text):
    with pytest.raises(cf.InputProblems) as error:
        cf.calibration_from_toml(text)
    return error.value.problems


# --- calibration files -------------------------------------------------------------------------


def test_constants_from_references():
    """Source: derived. k = I / (q w) for Fe; Zn has its background on steel: (48.0 - 0.5) / 9.5."""
    found = cf.calibration_from_toml(REFERENCES).emission().constants
    assert found.value[:, 0] == pytest.approx([2.0, 5.0], rel=1e-6)
    assert found.value[:, 1] == pytest.approx([0.0, 0.5], abs=1e-6)
    u_iron = 2.0 * np.hypot(np.hypot(0.05 / 3.0, 0.002 / 0.99), 0.01 / 5.94)
    assert np.sqrt(found.covariance[0, 0, 0, 0]) == pytest.approx(u_iron, rel=1e-3)


def test_densities_of_elements_and_compounds():
    volumes = cf.calibration_from_toml(NITRIDE).volumes()
    by_mass = np.array([47.867, 14.007, 0.0]) / 61.874
    tin = solid_density_g_cm3({"Ti": 1, "N": 1})
    assert 1.0 / (by_mass @ volumes.value_cm3_g) == pytest.approx(tin.value_g_cm3, rel=1e-6)
    u_volume = np.sqrt(by_mass @ volumes.covariance @ by_mass)
    assert u_volume * tin.value_g_cm3 == pytest.approx(tin.u_rel, rel=1e-6)
    assert volumes.value_cm3_g[2] == pytest.approx(1.0 / 2.8)


BAD = {
    "no area": ("[element.Fe]\nintensity_per_ug_s = 1", "anode_diameter_mm: missing"),
    "two areas": (f"area_mm2 = 3\n{LINES}", "area_mm2: stands beside anode_diameter_mm"),
    "no line": ("area_mm2 = 3", "element: missing"),
    "an unknown element": (f"{LINES}\n[element.Xx]\n", "unknown element 'Xx'"),
    "no constant": (
        "area_mm2 = 3\n[element.Fe]\n",
        "element.Fe intensity_per_ug_s: missing, and there is no [[reference]]",
    ),
    "a guess without references": (
        LINES.replace("value = 0.5, u = 0.01", "guess = 0.5"),
        "element.Zn background: is a guess, and there is no [[reference]]",
    ),
    "a gas without density": (
        f"{LINES}\n[element.N]\nintensity_per_ug_s = 1",
        "element.N density_g_cm3: missing, and no density is known for N;"
        " write it, or the compound that it forms",
    ),
    "a halogen without density": (
        f"{LINES}\n[element.Cl]\nintensity_per_ug_s = 1",
        "element.Cl density_g_cm3: missing",
    ),
    "a compound of unknown density": (
        f'{LINES}\n[element.N]\nintensity_per_ug_s = 1\ncompound = "ZnFeN"',
        "element.N density_g_cm3: missing, and no density is known for ZnFeN; write it",
    ),
    "a compound without the element": (
        f'{LINES}\n[element.N]\nintensity_per_ug_s = 1\ncompound = "FeO"',
        "element.N compound: FeO has no N",
    ),
    "a compound with an element without line": (
        f'{LINES}\n[element.N]\nintensity_per_ug_s = 1\ncompound = "TiN"',
        "element.N compound: Ti in TiN has no line: write [element.Ti]",
    ),
    "an unknown key": (f"{LINES}\nself_absorbtion_s_ug = 1", "did you mean self_absorption_s_ug"),
    "a column twice": (
        LINES.replace("[element.Zn]", '[element.Zn]\ncolumn = "a"').replace(
            "[element.Fe]", '[element.Fe]\ncolumn = "a"'
        ),
        'element: column "a" is named for two elements',
    ),
    "a column by its name and by default": (
        LINES.replace("[element.Fe]", '[element.Fe]\ncolumn = "Zn"'),
        'element: column "Zn" is named for two elements',
    ),
    "a reference without uncertainty": (
        REFERENCES.replace("{ value = 3.0, u = 0.05 }", "3.0"),
        'reference[1] "steel" mass_rate_ug_s: must have its uncertainty: write { value = 3, u =',
    ),
    "a reference read without scatter": (
        REFERENCES.replace("value = 5.94, u = 0.01", "value = 5.94, u = 0"),
        'reference[1] "steel" intensity.Fe: u must be > 0: readings scatter',
    ),
    "a reference of more than everything": (
        REFERENCES.replace("value = 0.05, u", "value = 0.5, u"),
        'reference[2] "zinc alloy" composition_mass: adds up to 1.45, more than 1',
    ),
    "a reading without line": (
        REFERENCES.replace("{ Zn = { value = 48.0", "{ Al = { value = 48.0"),
        'reference[2] "zinc alloy" intensity: Al has no line: write [element.Al]',
    ),
    "references that tell too little": (
        REFERENCES.replace("[element.Fe]", "[element.Fe]\nbackground = { guess = 0.1 }"),
        "element.Fe background: the references do not determine it",
    ),
    "depths": (f'{LINES}\n[profile]\naxis = "depth"', 'profile axis: must be "time"'),
    "fractions": (
        f'{LINES}\n[profile]\nvalues = "mass fraction"',
        'profile values: must be "intensity"',
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_calibrations_are_named(case):
    text, problem = BAD[case]
    problems = problems_of(text)
    assert any(problem in line for line in problems), problems


# --- what comes out ----------------------------------------------------------------------------


def test_every_variable_has_unit_and_meaning_and_survives_a_file(tmp_path):
    dataset = cf.quantify(profile(EDGE), cf.calibration_from_toml(LINES), ["Fe = 50 %"])
    assert all({"units", "long_name"} <= set(dataset[name].attrs) for name in dataset.variables)
    for name in ("composition_mass", "composition", "depth", "mass_rate", "density", "areal_mass"):
        assert np.isfinite(dataset[name]).all()
        assert (dataset[f"{name}_u"] > 0).any()
    cf.write_dataset(dataset, tmp_path / "out.nc")
    again = cf.read_dataset(tmp_path / "out.nc")
    assert again.identical(dataset)
    assert (
        json.loads(again.attrs["calibration"])["element"]["Fe"]["intensity_per_ug_s"]["value"] == 2
    )


def test_fractions_masses_and_spans():
    """Source: derived; rates of 3 and 1 ug/s cross Fe = 0.5 where 3 (1 - f) = f, at f = 0.75."""
    dataset = cf.quantify(profile(EDGE), cf.calibration_from_toml(LINES), ["Fe = 50 %"])
    assert dataset["composition_mass"].sel(element="Fe").values[4] == pytest.approx(0.5)
    names = list(dataset["span"].values)
    assert names == ["surface to Fe = 0.5", "surface to end of profile"]
    rows = span_rows(dataset)
    assert rows[0]["end_s"] == pytest.approx(4.5)
    area = np.pi * 4.0
    zinc = 3.0 * (3.0 + 0.75 + 0.5 * 0.25)
    assert rows[0]["elements"]["Zn"]["areal_mass_g_m2"] == pytest.approx(zinc / area)
    assert rows[0]["areal_mass_g_m2"] == pytest.approx((zinc + 0.25 + 0.5 * 0.75) / area)
    assert rows[1]["elements"]["Fe"]["areal_mass_g_m2"] == pytest.approx(4.0 / area)


def test_a_dataset_and_the_profile_in_it_give_the_same():
    data = profile(EDGE).to_dataset()
    one = cf.quantify(data, cf.calibration_from_toml(LINES))
    other = cf.quantify(profile(EDGE), cf.calibration_from_toml(LINES))
    assert one["depth"].values == pytest.approx(other["depth"].values)


def test_a_row_left_out_leaves_no_hole():
    whole = profile([[2.0] * 9, [5.5] * 9])
    gap = whole.at(np.array([0, 1, 2, 3, 5, 6, 7, 8]))
    calibration = cf.calibration_from_toml(LINES)
    depths = [span_rows(cf.quantify(each, calibration))[0]["thickness_nm"] for each in (whole, gap)]
    assert depths[0] == pytest.approx(depths[1], rel=1e-12)


def test_counting_noise_enters():
    silent = cf.quantify(profile(EDGE), cf.calibration_from_toml(LINES))
    noisy = cf.quantify(
        profile(EDGE), cf.calibration_from_toml(f"{LINES}\n[noise]\ncounts_per_unit_s = 10.0")
    )
    assert (noisy["mass_rate_u"] > silent["mass_rate_u"]).all()
    assert "no [noise]: uncertainties hold the calibration only" in silent.attrs["notes"]
    assert "no [noise]" not in noisy.attrs["notes"]
    # In the last reading Fe has 2 * 10 counts of 1 ug/s, and none of Zn but its background's 5.
    u_x = np.array([np.sqrt(20.0) / 10.0 / 2.0, np.sqrt(5.0) / 10.0 / 5.0])
    more = noisy["mass_rate_u"].values[-1] ** 2 - silent["mass_rate_u"].values[-1] ** 2
    assert more == pytest.approx(np.sum(u_x**2), rel=1e-9)


def test_notes_tell_what_was_not_used():
    censored = np.zeros((3, 8), dtype=bool)
    censored[1, :2] = True
    made = profile([*EDGE, EDGE[0]], ("Fe", "Zn", "Mn"), censored=censored)
    made.values[:, 7] = 0.0
    dataset = cf.quantify(
        made, cf.calibration_from_toml(LINES.replace(", u_rel = 0.02", ", u = 0"))
    )
    notes = dataset.attrs["notes"]
    assert 'channels without a line in the calibration, left out: "Mn"' in notes
    assert "saturated readings of Zn, whose amounts are too small: 2" in notes
    assert "readings without mass or volume, which count as no erosion: 1" in notes


def test_vague_constants_are_told():
    vague = LINES.replace("u_rel = 0.03", "u_rel = 0.2")
    dataset = cf.quantify(profile(EDGE), cf.calibration_from_toml(vague))
    assert "intensity_per_ug_s of Zn is uncertain by more than 10%" in dataset.attrs["notes"]


def test_noise_makes_a_boundary_pass_more_than_once():
    iron = np.array([0.0, 0.1, 0.7, 0.3, 0.8, 1.0])
    dataset = cf.quantify(
        profile([2.0 * iron, 5.0 * (1.0 - iron) + 0.5]), cf.calibration_from_toml(LINES), ["Fe=0.5"]
    )
    assert "boundary Fe = 0.5 is passed 3 times" in dataset.attrs["notes"]
    assert span_rows(dataset)[0]["end_s"] == pytest.approx(3.0)


REFUSED = {
    "a missing channel": (profile(EDGE, ("Fe", "Cd")), (), 'channel "Zn": not in the profile'),
    "fractions": (
        profile(EDGE, values_kind="mass fraction"),
        (),
        "holds mass fractions against time; only intensities",
    ),
    "nothing eroded": (
        profile([[0.0, 0.0, 1.0], [0.5, 0.5, 0.5]]),
        (),
        "profile.txt: fewer than two readings add up to any mass",
    ),
    "no boundary": (profile(EDGE), ("Fe",), "boundary: must be like Fe=0.5"),
    "a boundary beyond": (profile(EDGE), ("Fe=1.5",), "boundary: must be like Fe=0.5"),
    "a boundary of nothing": (profile(EDGE), ("Ni=0.5",), "boundary Ni = 0.5: Ni has no line"),
    "a boundary never passed": (
        profile([[1.0] * 4, [5.5] * 4]),
        ("Fe=0.9",),
        "boundary Fe = 0.9: is never passed",
    ),
    "a boundary passed back": (
        profile([[0.0, 2.0, 0.0], [5.5, 0.5, 5.5]]),
        ("Fe=0.5",),
        "boundary Fe = 0.5: is passed 2 times, first at 1, 2 s",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_quantified_is_named(case):
    made, boundaries, problem = REFUSED[case]
    with pytest.raises(cf.InputProblems) as error:
        cf.quantify(made, cf.calibration_from_toml(LINES), boundaries)
    assert problem in str(error.value)


def test_a_line_too_bright_for_its_self_absorption():
    absorbed = LINES.replace("background", "self_absorption_s_ug = 0.4\nbackground")
    with pytest.raises(cf.InputProblems) as error:
        cf.quantify(profile(EDGE), cf.calibration_from_toml(absorbed))
    assert "element.Zn self_absorption_s_ug: 3 readings, the first at 0.5 s" in str(error.value)


def test_the_figure_shows_fractions_bands_and_boundaries(tmp_path):
    dataset = cf.quantify(profile(EDGE), cf.calibration_from_toml(LINES), ["Fe = 50 %"])
    figure = composition_figure(dataset)
    upper, lower = figure.axes
    assert upper.lines[0].get_ydata() == pytest.approx(dataset["composition_mass"].values[0])
    assert lower.lines[0].get_ydata() == pytest.approx(dataset["composition"].values[0])
    place = upper.lines[-1].get_xdata()[0]
    assert place == pytest.approx(span_rows(dataset)[0]["thickness_nm"])
    assert lower.get_xlabel() == "depth (nm)"
    (legend,) = figure.legends
    labels = [text.get_text() for text in legend.get_texts()]
    assert labels == ["Fe", "Zn", "95 % of the fraction", "boundary"]
    save_figure(figure, tmp_path / "figure.svg")


def test_the_answer_is_json():
    dataset = cf.quantify(profile(EDGE), cf.calibration_from_toml(LINES), ["Fe = 50 %"])
    answer = json.loads(json.dumps(answer_as_dict(dataset)))
    assert answer["constants"][1]["background"] == 0.5
    assert answer["constants"][1]["intensity_per_ug_s_u"] == pytest.approx(0.15)
    assert len(answer["spans"]) == 2
