"""Mixing length and roughness of a published double layer, by an engine that knows no response.

Source: S. Hofmann, A. Rar, D. W. Moon, K. Yoshihara, arXiv cond-mat/0104434 (2001), abstract: a
mixing length of 3.0 nm, u = 0.3 nm, by SIMS and by AES alike, a roughness of 1.4 to 2 nm, a
negligible information depth of 0.4 nm. The profiles are made from these with the response as a
formula, see the example; the test is that the engine, which discretises an altered layer, and the
inversion find them again. It is no test of whether they are true.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.models.measurands.delta_response import zone_escape_response

EXAMPLE = Path(__file__).parents[2] / "simulate" / "examples" / "alas_in_gaas.py"

_spec = importlib.util.spec_from_file_location("alas_in_gaas", EXAMPLE)
alas = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(alas)


@pytest.fixture(scope="module")
def results():
    return {name: alas.find(name) for name in alas.METHODS}


@pytest.mark.published
@pytest.mark.parametrize("name", alas.METHODS)
def test_the_published_mixing_length_is_found_again(results, name):
    found = results[name].estimates["mixing length"]
    assert abs(found.value - 3.0) < 0.3
    assert abs(found.value - alas.MIXING_NM) < 3 * found.u
    assert found.u < 0.03
    assert found.resolved
    assert results[name].inversion.warnings == []


@pytest.mark.published
@pytest.mark.parametrize("name", alas.METHODS)
def test_the_published_roughness_is_found_again(results, name):
    found = results[name].estimates["initial roughness"]
    assert 1.4 < found.value < 2.0
    assert abs(found.value - alas.ROUGHNESS_NM) < 3 * found.u
    assert found.resolved


@pytest.mark.published
@pytest.mark.parametrize(("name", "limit_nm"), [("SIMS", 0.8), ("AES", 1.1)])
def test_the_published_escape_depth_is_within_its_limit(results, name, limit_nm):
    """Beside a roughness of 1.7 nm one profile does not tell 0.4 nm from zero."""
    found = results[name].estimates["escape depth"]
    assert (found.resolved, found.lower) == (False, 0.0)
    assert 0.4 < found.upper < limit_nm


@pytest.mark.published
def test_both_methods_give_one_mixing_length(results):
    sims, aes = (results[name].estimates["mixing length"] for name in ("SIMS", "AES"))
    assert abs(sims.value - aes.value) < 3 * np.hypot(sims.u, aes.u)


@pytest.mark.derived
@pytest.mark.parametrize("factor", [0.4, 2.5])
@pytest.mark.thorough
def test_guesses_of_the_rates_may_be_off_by_a_factor(results, factor):
    """The same fit, but for what the prior of the cap makes of its guess and for other slices."""
    guesses = alas.EXPERIMENT.format(method="SIMS", recorded=alas.METHODS["SIMS"].recorded)
    text = guesses.replace("guess = 0.06", f"guess = {factor * alas.RATE_NM_S}")
    found = invert(alas.profile("SIMS", 1), experiment_from_toml(text))
    assert found.fit.cost == pytest.approx(results["SIMS"].inversion.fit.cost, abs=3.0)
    (mixing,) = (each for each in answer(found).estimates if each.name == "mixing length")
    assert mixing.value == pytest.approx(results["SIMS"].estimates["mixing length"].value, abs=2e-3)


@pytest.mark.derived
def test_the_formula_of_the_example_is_the_response_of_a_mixed_zone():
    """The transcription in the example against the library, which is written for small lengths."""
    x = np.linspace(-20.0, 40.0, 301)
    library = zone_escape_response(x, 0.0, 3.0, 0.4, 1.7)
    assert alas.response(x, 3.0, 1.7, 0.4) == pytest.approx(library, abs=1e-12)


@pytest.mark.derived
@pytest.mark.parametrize("name", ["SIMS", "AES"])
def test_the_engine_draws_the_formula(name):
    """Without noise and at the true numbers, within a ten-thousandth of full scale."""
    method = alas.METHODS[name]
    known = {
        "guess = 10.0": f"value = {alas.CAP_NM}, u = 0",
        "guess = 0.06": f"value = {alas.RATE_NM_S}, u = 0",
        "guess = 2.0": "value = 3.0, u = 0",
        "initial_nm = { guess = 1.0": "initial_nm = { value = 1.7, u = 0",
        "guess = 0.5": "value = 0.4, u = 0",
        "[detection]": f"[detection]\nsampling_s = {method.seconds}\nduration_s = 1200.0",
        "[noise]\ncounts_per_unit_s = 1.0\n": "",
    }
    text = alas.EXPERIMENT.format(method=name, recorded=method.recorded)
    for guess, number in known.items():
        assert guess in text
        text = text.replace(guess, number)
    experiment = experiment_from_toml(text)
    clean = simulate(experiment.stack, experiment.setup)["clean"]
    signal = clean.values[0]
    # Every second atom is Al. Collected: atoms per second, 8 in a cell. Viewed: their share.
    atoms_nm3 = 8 / (2 * alas.MONOLAYER_NM) ** 3
    full = 0.5 * (atoms_nm3 * alas.RATE_NM_S if name == "SIMS" else 1.0)
    expected = alas.published_signal(alas.RATE_NM_S * clean["time"].values)
    assert np.abs(signal / full - expected).max() < 1e-4


@pytest.mark.derived
def test_the_figure_is_drawn(results, tmp_path):
    figure = alas.figure_of(results)
    alas.save_figure(figure, tmp_path / "figure.png")
    upper, _, lower, _ = figure.axes
    assert upper.get_ylabel() == "intensity of Al (1/s)"
    assert lower.get_xlabel() == "depth (nm)"
    assert (tmp_path / "figure.png").stat().st_size > 10_000
