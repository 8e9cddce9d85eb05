"""Open measured sets against what was read off the same curves by eye.

Data and licences: ``tests/data/measured``, one folder each with SOURCE.txt and LICENSE. The
expected numbers are by-eye readings of the raw curves (SOURCE.txt, 'Seen', and half-height spans).
"""

import importlib.util
from pathlib import Path

import pytest

from craterfront import InputProblems

pytestmark = pytest.mark.published

DATA = Path(__file__).parents[1] / "data" / "measured"
EXAMPLE = Path(__file__).parents[2] / "simulate" / "examples" / "measured_sets.py"

_spec = importlib.util.spec_from_file_location("measured_sets", EXAMPLE)
sets = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(sets)


def value_of(figures, name):
    return next((value, u) for row, value, u in figures.rows if row.startswith(name))


@pytest.fixture(scope="module")
def monolayer():
    return sets.buried_monolayer(DATA)


@pytest.fixture(scope="module")
def runs():
    return sets.two_runs(DATA)


@pytest.fixture(scope="module")
def cell():
    return sets.solar_cell(DATA)


def test_delta_response_of_the_monolayer(monolayer):
    # By eye: growth 0.54 s, decay 4.3 s, full width 3.9 s, peak at 20.5 s; within 25 %.
    # The rising flank is no exponential: its 1/e length depends on the part that is read (0.40 to
    # 0.67 s), and the reading by eye lies between. The decay agrees whatever the part.
    assert min(monolayer.growth_s) < 0.54 < max(monolayer.growth_s)
    assert monolayer.decay_s == pytest.approx((4.3, 4.3), rel=0.25)
    assert value_of(monolayer.delta, "trailing")[0] == pytest.approx(4.3, rel=0.25)
    assert value_of(monolayer.delta, "full width")[0] == pytest.approx(3.9, rel=0.25)
    peak = monolayer.delta.x[monolayer.delta.y.argmax()]
    assert peak == pytest.approx(20.5, abs=0.2)


def test_flank_is_gaussian_so_the_leading_decay_length_is_a_limit(monolayer):
    # The flank of 0.54 s read by eye is that of the whole response; the fit attributes it to the
    # Gaussian and can only limit the leading exponential.
    name, limit, u = next(row for row in monolayer.delta.rows if row[0].startswith("leading"))
    assert "upper limit" in name
    assert u is None
    assert 0 < limit < 0.6


def test_tail_of_one_channel_is_an_upper_bound_on_the_response(monolayer):
    # Cumulated PO_3-: about 6.4 s; rise of InO_2- in the same run: 4.3 to 5.0 s (both by eye).
    assert monolayer.predicted_width_s == pytest.approx(6.4, abs=0.3)
    width, u = value_of(monolayer.edge, "width 15.87-84.13 %, read off")
    assert 4.1 < width < 5.1
    # The real edge is sharper than the response would allow: part of the tail is the layer's own.
    difference = monolayer.predicted_width_s - width
    assert difference > 3 * (u**2 + monolayer.predicted_u_s**2) ** 0.5


def test_buried_layer_is_an_upper_limit_and_resolved_when_broadened(monolayer):
    thin, wide = monolayer.thin.layers[1], monolayer.broadened.layers[1]
    assert not thin.resolved
    assert thin.lower == 0
    assert 0 < thin.upper < 2.5  # below the full width of the response
    assert wide.resolved
    truth = sets.BROADENED * thin.upper
    assert wide.value == pytest.approx(truth, rel=0.1)


def test_erosion_times_of_one_film_in_two_runs(runs):
    # Half-height spans of I_2-, by eye: 110.0 s and 117.3 s.
    film, u_film = runs.film_s
    covered, u_covered = runs.covered_film_s
    assert film == pytest.approx(110.0, abs=3.0)
    assert covered == pytest.approx(117.3, abs=3.0)
    assert 0.05 < u_film < 1.0
    assert 0.05 < u_covered < 1.0
    # The runs differ by more than their uncertainties: the guide discusses it.
    assert covered - film > 2 * (u_film**2 + u_covered**2) ** 0.5


def test_both_runs_as_one_film_contradict_each_other(runs):
    """What they share is one time: the sum of squares would rise by about 1 by chance.

    Normalised error E_n = |d| / (2 u(d)), at most 1 for results that agree (ISO 13528, from
    memory). The joint time lies between the two, and its small uncertainty says nothing of that.
    """
    film, u_film = runs.film_s
    covered, u_covered = runs.covered_film_s
    assert abs(covered - film) / (2.0 * (u_film**2 + u_covered**2) ** 0.5) > 1.0
    joint = sets.one_film(runs)
    assert film < joint.film_s < covered
    assert joint.u_s < min(u_film, u_covered)
    assert joint.rise > 25.0  # five standard deviations
    # The report of each run says that its model falls short, too.
    for run in (runs.film, runs.overlayer):
        assert any("the noise does not explain the residuals" in each for each in run.warnings)


def test_nothing_fixes_the_depth_scale_of_the_film():
    folder = DATA / "tofsims-mapi-device"
    experiment = sets.load_experiment(folder / "film.toml")
    profile = sets.load_profile(DATA / sets.FILM_FILE, experiment)
    with pytest.raises(InputProblems, match='nothing fixes the depth scale of "film"'):
        sets.invert(profile, experiment)


def test_saturated_channel_knows_less_and_says_so(runs):
    # PbI_3- is clipped near 9.3e4 counts: its plateau is censored, its amplitude unknown.
    film, u_film = runs.film_s
    saturated, u_saturated = runs.saturated_s
    assert runs.saturated.likelihood.censored.mean() > 0.3
    # It has more than one minimum (100.2 and 103.1 s, u = 1.6 and 0.8 s), and rounding decides.
    assert u_saturated > 2 * u_film
    assert saturated < film


def test_solar_cell_on_a_depth_axis(cell):
    # 50 % fall of Zn at 0.37 um, 50 % rise of Mo at 1.10 um (SOURCE.txt, by eye).
    assert sets.half_height_nm(cell, "Zn 330", rising=False) == pytest.approx(370, abs=40)
    assert sets.half_height_nm(cell, "Mo 386", rising=True) == pytest.approx(1100, abs=40)
    assert any("on trust" in warning for warning in cell.warnings)
    assert any("on trust" in source for source in cell.scale_sources)
    for width in cell.widths.values():
        assert not width.resolved
        assert "roughness" in width.why
        assert width.lower_nm == 0
