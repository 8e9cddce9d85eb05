"""Standard figures of one channel: what they say of the profile, and how sure they are."""

import numpy as np
import pytest

from craterfront.answers.edge_and_delta import standard_figures
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.models.measurands.delta_response import delta_peak, delta_response
from craterfront.problems import InputProblems

X = np.arange(0.0, 60.0, 0.25)


def profile(*rows, notes=()):
    return MeasuredProfile(
        axis="time",
        axis_values=X,
        interval=np.full(X.size, 0.25),
        channels=[f"c{i}" for i in range(len(rows))],
        values=np.array(rows, dtype=float),
        values_kind="intensity",
        censored=np.zeros((len(rows), X.size), dtype=bool),
        notes=list(notes),
        source="made",
    )


def figures(found):
    return {name: (value, u) for name, value, u in found.rows}


def test_the_peak_is_where_the_response_is_highest_and_as_sure_as_it_scatters():
    shape = (25.0, 0.8, 2.5, 1.2)
    mean = 2e4 * delta_response(X, *shape) + 5.0
    rng = np.random.default_rng(4)
    peaks = [
        figures(standard_figures(profile(rng.poisson(mean)), "c0", "delta", counts=1.0))
        for _ in range(40)
    ]
    value, u = np.array([peak["position of the peak"] for peak in peaks]).T
    truth = delta_peak(*shape)
    assert truth == pytest.approx(X[np.argmax(mean)], abs=0.25)
    assert abs(value.mean() - truth) < 4.0 * value.std() / np.sqrt(value.size)
    # The standard deviation of 40 values is known to 11 %.
    assert np.median(u) == pytest.approx(value.std(ddof=1), rel=0.45)
    centre = np.array([peak["centre of the exponentials"] for peak in peaks])[:, 0]
    assert abs(centre.mean() - 25.0) < 4.0 * centre.std() / np.sqrt(centre.size)


def test_notes_of_the_profile_come_first():
    edge = 5e3 / (1.0 + np.exp((X - 30.0) / 2.0)) + 20.0
    found = standard_figures(profile(edge, notes=["line 3 left out"]), "c0", "edge")
    assert found.notes[0] == "line 3 left out"
    assert found.as_dict()["notes"] == found.notes
    assert (found.axis, found.unit) == ("time", "s")


def test_an_unknown_channel_and_an_empty_window_tell_what_there_is():
    two = profile(X, X, notes=["line 3 left out"])
    with pytest.raises(InputProblems, match='its channels are "c0", "c1"'):
        standard_figures(two, "d", "edge")
    with pytest.raises(InputProblems, match=r"0 readings in the window.*; line 3 left out"):
        standard_figures(two, "c0", "edge", (90.0, 99.0))
