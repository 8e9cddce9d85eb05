"""The four ways that fix a depth scale: each alone, in pairs, and against each other.

One copper layer of 60 nm that takes 3 s, then 1 s of the substrate at 16 nm/s, with nothing else
that is a length in nm. Every way then tells the logarithm of the thickness, and the readings are so
good that they add nothing (derived, to first order in the uncertainties).
"""

import io
import math
from dataclasses import replace
from functools import cache
from itertools import combinations

import pytest
from rich.console import Console

from craterfront.answers.results import answer
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.reports.report import print_answer

COAT = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = {thickness}
interface_width_nm = {{ value = 0.0, u = 0 }}
erosion_rate_nm_s = {rate}
density_g_cm3 = {{ value = 8.96, u = 0 }}
[substrate]
composition = "Al"
erosion_rate_nm_s = {{ value = 16.0, u = 0 }}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[crater]
shape = "parabolic"
curvature = {{ value = 0.1, u = 0 }}
[detection]
sampling_s = 0.02
duration_s = 4.0
[[detection.channel]]
element = "Cu"
sensitivity = {sensitivity}
[[detection.channel]]
element = "Al"
[noise]
counts_per_unit_s = 2e4
"""
TRUTH = {"thickness": 60.0, "rate": 20.0, "sensitivity": 1.0}
OPEN = {"thickness": "{ guess = 55.0 }", "rate": "{ guess = 20.0 }", "sensitivity": "{ guess = 1 }"}

# What each way says of 60 nm, and its relative standard uncertainty.
SAYS = {
    "erosion rates": (1.010, 0.015),
    "channel sensitivities": (0.985, 0.02),
    "final crater depth": (1.005, 0.012),
    "a layer of known thickness": (0.990, 0.025),
}

PAIRS = list(combinations(SAYS, 2))


def written(says):
    """The file with some ways, each with a factor of the true thickness and its uncertainty."""
    keys, more = dict(OPEN), ""
    for way, (factor, u_rel) in says.items():
        if way == "erosion rates":
            keys["rate"] = f"{{ value = {20.0 * factor}, u_rel = {u_rel} }}"
        elif way == "channel sensitivities":
            keys["sensitivity"] = f"{{ value = {1.0 / factor}, u_rel = {u_rel} }}"
        elif way == "final crater depth":
            depth, u = 16.0 + 60.0 * factor, 60.0 * factor * u_rel
            more = f"[depth_scale]\nfinal_crater_depth_nm = {{ value = {depth}, u = {u} }}\n"
        else:
            keys["thickness"] = f"{{ value = {60.0 * factor}, u_rel = {u_rel} }}"
    return COAT.format(**keys) + more


@cache
def profile():
    truth = experiment_from_toml(COAT.format(**TRUTH))
    return profile_of(simulate(truth.stack, truth.setup, seed=4), "coat")


def answered(**says):
    return answer(invert(profile(), experiment_from_toml(written(says))))


@cache
def with_ways(*ways):
    return answered(**{way: SAYS[way] for way in ways})


def pooled(ways):
    """Weighted mean of what the ways say, and its relative standard uncertainty."""
    weights = [1.0 / SAYS[way][1] ** 2 for way in ways]
    mean = sum(w * math.log(SAYS[way][0]) for w, way in zip(weights, ways, strict=True))
    return 60.0 * math.exp(mean / sum(weights)), sum(weights) ** -0.5


@pytest.mark.parametrize("way", SAYS)
def test_each_way_alone(way):
    found = with_ways(way)
    (coat,) = found.layers
    factor, u_rel = SAYS[way]
    assert found.scale_sources == [way]
    assert found.scale_comparisons == found.scale_disagreements == []
    assert coat.value == pytest.approx(60.0 * factor, rel=2e-3)
    assert coat.u / coat.value == pytest.approx(u_rel, rel=0.03)


@pytest.mark.derived
@pytest.mark.parametrize("pair", PAIRS, ids=" and ".join)
def test_each_pair_gives_the_product_of_both(pair):
    """The weighted mean of the two; and what the comparison says of each alone is what it says
    when the other is not in the file."""
    found = with_ways(*pair)
    (coat,) = found.layers
    value, u_rel = pooled(pair)
    assert coat.value == pytest.approx(value, rel=2e-3)
    assert coat.u / coat.value == pytest.approx(u_rel, rel=0.03)
    for comparison in found.scale_comparisons:
        (alone,) = with_ways(comparison.way).layers
        assert comparison.alone_nm == pytest.approx(alone.value, rel=1e-3)
        assert comparison.alone_u_nm == pytest.approx(alone.u, rel=0.03)


def test_all_four_together():
    found = with_ways(*SAYS)
    value, u_rel = pooled(list(SAYS))
    (coat,) = found.layers
    assert coat.value == pytest.approx(value, rel=2e-3)
    assert coat.u / coat.value == pytest.approx(u_rel, rel=0.03)
    assert {frozenset(each.ways) for each in found.scale_disagreements} == {
        frozenset(pair) for pair in PAIRS
    }
    for comparison in found.scale_comparisons:
        others, others_u_rel = pooled([way for way in SAYS if way != comparison.way])
        assert comparison.others_nm == pytest.approx(others, rel=2e-3)
        apart = math.log(60.0 * SAYS[comparison.way][0] / others)
        expected = apart / math.hypot(SAYS[comparison.way][1], others_u_rel)
        assert comparison.difference == pytest.approx(expected, abs=0.1)


@pytest.mark.derived
@pytest.mark.parametrize("pair", PAIRS, ids=" and ".join)
@pytest.mark.parametrize("size", [2.0, 4.0])
def test_a_contradiction_of_known_size(pair, size):
    """Two ways of 0.5 % each whose logarithms are `size` times 0.5 % sqrt(2) apart."""
    half = math.exp(0.5 * size * 0.005 * math.sqrt(2.0))
    first, second = pair
    found = answered(**{first: (half, 0.005), second: (1.0 / half, 0.005)})
    (disagreement,) = found.scale_disagreements
    assert disagreement.standard_uncertainties == pytest.approx(size, rel=0.04)
    assert disagreement.of == "coat"
    signs = {each.way: math.copysign(1.0, each.difference) for each in found.scale_comparisons}
    assert signs == {first: 1.0, second: -1.0}


def test_the_report_says_so_in_words():
    found = answered(**{"erosion rates": (1.02, 0.005), "final crater depth": (0.99, 0.005)})
    assert found.scale_disagreements[0].contradicts
    assert (
        "the erosion rates and the final crater depth contradict each other by 4."
        in (found.warnings[0])
    )
    text = io.StringIO()
    print_answer(found, Console(file=text, width=200))
    assert "contradict each other by 4." in text.getvalue()
    assert "Depth scale: each way against the others" in text.getvalue()
    read = found.as_dict()["depth_scale_disagreements"][0]
    assert read["ways"] == ["erosion rates", "final crater depth"]


def test_a_difference_comes_after_doubts_and_a_contradiction_is_one():
    doubt = "the fit did not converge"
    half = math.exp(1.25 * 0.005 * math.sqrt(2.0))
    said = {"erosion rates": (half, 0.005), "final crater depth": (1.0 / half, 0.005)}
    doubtful = replace(invert(profile(), experiment_from_toml(written(said))), doubts=[doubt])
    found = answer(doubtful)
    assert found.doubts == [doubt]
    assert found.warnings[0] == doubt
    assert "depth scale: the erosion rates and the final crater depth differ" in found.warnings[1]
    contrary = answered(**{"erosion rates": (1.02, 0.005), "final crater depth": (0.99, 0.005)})
    assert ["contradict each other" in each for each in contrary.doubts] == [True]
    assert not any("contradict each other" in note for note in contrary.notes)


def test_what_agrees_is_not_mentioned():
    found = with_ways("erosion rates", "final crater depth")
    assert found.scale_disagreements[0].standard_uncertainties < 2.0
    assert not [warning for warning in found.warnings if "depth scale" in warning]


def test_an_exact_way_is_compared_from_the_other_side():
    """A sensitivity that is exact cannot be left out; the rates against it can."""
    file = written({"erosion rates": (math.exp(0.02), 0.01)}).replace("{ guess = 1 }", "1.0")
    found = answer(invert(profile(), experiment_from_toml(file)))
    assert found.scale_sources == ["erosion rates", "channel sensitivities"]
    assert found.scale_disagreements[0].standard_uncertainties == pytest.approx(2.0, rel=0.05)
    rates, sensitivities = found.scale_comparisons
    assert rates.alone_nm is None
    assert rates.difference == pytest.approx(-sensitivities.difference)
    assert sensitivities.alone_nm == pytest.approx(60.0, rel=2e-3)
