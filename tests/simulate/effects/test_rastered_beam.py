"""The crater of a rastered beam in the experiment file: what it takes, tells and changes."""

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml, experiment_to_dict
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.models.erosion_front.raster import mean_relative_rate, rastered, side_profile
from craterfront.problems import InputProblems

BARE = """
[[layer]]
composition = "Cu"
thickness_nm = 60.0
[substrate]
composition = "Al"
"""
BEAM = '[source]\nkind = "ion beam"\nenergy_eV = 500\ncurrent_nA = 50\nraster_um = [300, 200]\n'
WIDE = "beam_fwhm_um = [50, 40]\n"
GATE = "gate_um = [260, 150]\n"
TILT = '[crater]\nshape = "rastered"\ntilt = '


def assembled(text):
    experiment = experiment_from_toml(BARE + text)
    return Assembly(experiment.stack, experiment.setup)


def crater_of(text):
    assembly = assembled(text)
    return assembly.instrument(assembly.nominal).crater


def test_a_beam_of_known_width_makes_the_crater():
    expected = rastered((300, 200), (260, 150), (50, 40))
    assert np.array_equal(crater_of(BEAM + WIDE + GATE), expected)
    assert np.array_equal(crater_of(BEAM + WIDE + GATE + '[crater]\nshape = "rastered"'), expected)
    assert np.array_equal(crater_of(BEAM + WIDE), rastered((300, 200), (300, 200), (50, 40)))
    assert len(crater_of(BEAM + GATE)) == 1


def test_a_crater_that_is_written_has_its_say():
    text = BEAM + WIDE + GATE + '[crater]\nshape = "flat"\n'
    assert np.array_equal(crater_of(text), [[1.0, 1.0, 1.0]])
    assert experiment_from_toml(BARE + text).warnings()[0] == (
        "source beam_fwhm_um: makes no crater, as there is another one in [crater]"
    )


def test_a_tilt_comes_on_top():
    expected = rastered((300, 200), (260, 150), (50, 40), 0.1)
    assert np.array_equal(crater_of(BEAM + WIDE + GATE + TILT + "0.1"), expected)
    assembly = assembled(BEAM + WIDE + GATE + TILT + "{ value = 0.1, u = 0.02 }")
    tilt = assembly.parameters[assembly.index_of("tilt")]
    assert (tilt.value, tilt.state, tilt.u, tilt.upper) == (0.1, "prior", 0.02, 1.9)


def test_rates_from_yields_count_what_falls_into_the_gate():
    even, gated = assembled(BEAM), assembled(BEAM + WIDE + GATE)
    share = mean_relative_rate((300, 200), (260, 150), (50, 40))
    assert share < 0.98
    assert gated.nominal_rate_nm_s(0) == pytest.approx(share * even.nominal_rate_nm_s(0))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (BEAM + TILT + "0.1", 'crater shape: is "rastered", but there is no ion beam with beam_'),
        (
            BEAM + "beam_fwhm_um = [50, 201]\n",
            r"source beam_fwhm_um\[2\]: must be <= raster_um\[2\] = 200, got 201",
        ),
        (BEAM + "beam_fwhm_um = 50\n", "source beam_fwhm_um: must be a list of numbers, got 50"),
        (BEAM + WIDE + TILT + "2.0", "crater tilt: must be >= 0 and <= 1.9, got 2"),
    ],
)
def test_mistakes(text, message):
    with pytest.raises(InputProblems, match=message):
        experiment_from_toml(BARE + text)


@pytest.mark.parametrize(
    ("text", "notes"),
    [
        (  # Derived: Phi(-20/21.2), with half the difference of the widths and s = 50/2.355
            WIDE + GATE,
            ["source gate_um: too wide, at the edge of what is analysed the rate is 17 % below that"
             " in the centre; a gate narrower than the raster by twice the beam avoids it"],
        ),
        (WIDE + "gate_um = [200, 120]\n", []),
        (WIDE, ["source raster_um: without gate_um, at the edge of what is analysed the rate is"
                " 50 % below that in the centre; a gate narrower than the raster by twice the beam"
                " avoids it"]),
        (GATE, ["source gate_um: unused without beam_fwhm_um"]),
    ],
)  # fmt: skip
def test_notes(text, notes):
    assert experiment_from_toml(BARE + BEAM + text).warnings() == notes


def test_what_is_written_comes_back():
    written = experiment_to_dict(experiment_from_toml(BARE + BEAM + WIDE + GATE))
    assert written["source"]["beam_fwhm_um"] == [50.0, 40.0]
    assert "crater" not in written


RATED = """
[[layer]]
composition = "Cu"
thickness_nm = {nm}
interface_width_nm = {width}
erosion_rate_nm_s = {{ value = 2.0, u_rel = 0.01 }}
[substrate]
composition = "Al"
erosion_rate_nm_s = {{ value = 2.0, u_rel = 0.01 }}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[detection]
escape_depth_nm = 0
sampling_s = 0.3
[noise]
counts_per_unit_s = 100
"""


def test_the_edge_in_a_gate_sends_the_layer_for_longer():
    """Derived: of collected copper, the mean of g over the places with g < 60 / depth; summed over
    a grid of places, without segments."""
    text = RATED.format(nm=60.0, width=0.0) + BEAM + WIDE + GATE
    experiment = experiment_from_toml(text)
    profile = simulate(experiment.stack, experiment.setup, seed=4)
    copper = profile["clean"].sel(channel="Cu")
    late = copper / copper.values[:20].mean()
    places = (np.arange(1000) + 0.5) / 2000
    rate = np.multiply.outer(
        side_profile(260 * places, 300, 50), side_profile(150 * places, 200, 40)
    )
    rate /= rate.mean()
    for number in (101, 104, 110):  # copper takes 30 s at the mean rate
        times = 0.3 * (number + (np.arange(10) + 0.5) / 10)
        expected = np.mean([np.mean(rate * (rate < 30.0 / time)) for time in times])
        assert expected > 0.01
        assert float(late[number]) == pytest.approx(expected, abs=1e-3)


def test_an_inversion_knows_the_edge():
    """Thickness and width come back; with a flat crater the edge looks like a broad interface."""
    truth = experiment_from_toml(RATED.format(nm=60.0, width=3.0) + BEAM + WIDE + GATE)
    profile = profile_of(simulate(truth.stack, truth.setup, seed=4), "profile.nc")
    guess = RATED.format(nm="{ guess = 50.0 }", width="{ guess = 1.0 }") + BEAM + GATE
    copper, *_ = answer(invert(profile, experiment_from_toml(guess + WIDE))).layers
    assert copper.value == pytest.approx(60.0, abs=3 * copper.u)
    assert copper.width.lower_nm < 3.0 < copper.width.upper_nm
    flat, *_ = answer(invert(profile, experiment_from_toml(guess))).layers
    assert flat.width.lower_nm > 3.0
