"""Residence in the gas, in profiles and inversions."""

import numpy as np
import pytest

from craterfront.answers.budget import broadening
from craterfront.answers.results import answer
from craterfront.experiments.experiment import (
    experiment_from_dict,
    experiment_from_toml,
    experiment_to_dict,
)
from craterfront.fitting.inversion import invert
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.problems import InputProblems

TEXT = """
[[layer]]
composition = "Cu"
thickness_nm = 30.0
interface_width_nm = {{ value = 1.0, u = 0 }}
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 20.0, u = 0 }}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[detection]
view = "{view}"
{residence}
sampling_s = 0.005
duration_s = 4.0
[noise]
counts_per_unit_s = 100.0
"""


def experiment(residence="", view="collected"):
    return experiment_from_toml(TEXT.format(residence=residence, view=view))


def simulated(residence, seed=3):
    known = experiment(residence)
    return simulate(known.stack, known.setup, seed=seed)


def test_the_signal_lags_behind_by_the_residence():
    plain, late = simulated(""), simulated("residence_s = 0.05")
    fall = -np.diff(plain.clean.sel(channel="Cu")), -np.diff(late.clean.sel(channel="Cu"))
    time = 0.5 * (plain.time.values[1:] + plain.time.values[:-1])
    late_half = time > 0.5  # behind the beginning
    means = [np.sum(f[late_half] * time[late_half]) / np.sum(f[late_half]) for f in fall]
    assert means[1] - means[0] == pytest.approx(0.05, rel=1e-3)


def test_a_residence_put_in_comes_out():
    profile = profile_of(simulated("residence_s = 0.05"), "profile.nc")
    found = answer(invert(profile, experiment("residence_s = { guess = 0.02 }")))
    value, u = next((e.value, e.u) for e in found.estimates if e.name == "residence time")
    assert abs(value - 0.05) < 3.0 * u < 0.02
    assert found.layers[0].lower <= 30.0 <= found.layers[0].upper


@pytest.mark.parametrize(("residence_s", "sampling_s"), [(0.005, 0.02), (0.05, 0.02), (0.05, 0.4)])
def test_an_edge_within_a_reading_shows_when_it_does(residence_s, sampling_s):
    text = TEXT.replace("value = 1.0", "value = 0.0").replace("= 30.0", "= 30.3")
    text = text.format(view="collected", residence=f"residence_s = {residence_s}")

    def sampled(step_s):
        known = experiment_from_toml(text.replace("sampling_s = 0.005", f"sampling_s = {step_s}"))
        return simulate(known.stack, known.setup, seed=1).clean.values

    coarse, fine = sampled(sampling_s), sampled(0.001)
    many = round(sampling_s / 0.001)
    means = fine.reshape(2, -1, many).mean(axis=2)
    assert coarse == pytest.approx(means, abs=1e-3 * means.max())


def test_a_profile_that_begins_late_has_the_gas_of_what_was_before():
    known = experiment("residence_s = { value = 0.05, u = 0 }")
    dataset = simulate(known.stack, known.setup, seed=3)
    late = invert(profile_of(dataset.isel(time=slice(100, None)), "profile.nc"), known)
    expected = dataset.clean.values[:, 100:102]
    assert late.solution.model[:, :2] == pytest.approx(expected, rel=0.02, abs=1.0)


def test_the_budget_has_it_where_it_is_written():
    (plain,), (late,) = (
        broadening(assembly, assembly.nominal, 0.005)
        for text in ("", "residence_s = 0.05")
        for assembly in [Assembly(experiment(text).stack, experiment(text).setup)]
    )
    assert set(late.two_sd_nm) - set(plain.two_sd_nm) == {"residence"}
    # Derived: an exponential time of 0.05 s at 20 nm/s; the two edges against the drawn signals.
    assert late.two_sd_nm["residence"] == pytest.approx(2.0 * 0.05 * 20.0)
    added = spread_s("residence_s = 0.05") ** 2 - spread_s("") ** 2
    assert added == pytest.approx(0.05**2, rel=1e-3)


def spread_s(residence):
    """Standard deviation of the falling edge of copper."""
    dataset = simulated(residence)
    fall = -np.diff(dataset.clean.sel(channel="Cu"))
    time = 0.5 * (dataset.time.values[1:] + dataset.time.values[:-1])
    fall, time = fall[time > 1.0], time[time > 1.0]
    mean = fall @ time / fall.sum()
    return (fall @ (time - mean) ** 2 / fall.sum()) ** 0.5


def test_an_ion_beam_has_none():
    beam = '[source]\nkind = "ion beam"\nenergy_eV = 500.0\ncurrent_nA = 10.0\n'
    text = TEXT.format(view="collected", residence="residence_s = 0.05")
    message = "detection residence_s: is of the gas of a lamp, and .source. is an ion beam"
    with pytest.raises(InputProblems, match=message):
        experiment_from_toml(text + beam + "raster_um = [100.0, 100.0]\n")


def test_it_is_written_back_and_refused_where_it_means_nothing():
    known = experiment("residence_s = 0.05")
    assert experiment_from_dict(experiment_to_dict(known)) == known
    with pytest.raises(InputProblems, match='residence_s: only with view = "collected"'):
        experiment("residence_s = 0.05\nescape_depth_nm = 1.0", view="viewed")
