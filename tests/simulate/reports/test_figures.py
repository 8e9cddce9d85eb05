"""Figures: what is drawn is what was computed, in units, legible, and saved whole or not at all."""

import itertools
import json
import subprocess
import sys

import matplotlib
import numpy as np
import pytest
import xarray as xr
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from craterfront.answers.budget import CAUSES, RESIDENCE, Budget
from craterfront.answers.edge_and_delta import standard_figures
from craterfront.answers.layer_answers import LayerAnswer
from craterfront.answers.results import Answer
from craterfront.experiments.experiment import experiment_from_toml, experiment_to_dict
from craterfront.fitting.limits import WidthAnswer
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.models.measurands.delta_response import delta_response
from craterfront.models.measurands.edge_response import logistic_edge
from craterfront.problems import InputProblems
from craterfront.reports.drawn_dataset import nominal_rates_nm_s
from craterfront.reports.figure_style import PALETTE, length_unit, new_figure, strokes, three_digits
from craterfront.reports.figures import (
    budget_figure,
    check_suffix,
    exposure_figure,
    fit_figure,
    profile_figure,
    rate_law_figure,
    resolution_figure,
    save_figure,
)
from craterfront.reports.resolution_figures import CAUSE_COLOURS

NITRIDES = """
[[layer]]
name = "CrN"
composition = "CrN"
thickness_nm = 400.0
density_g_cm3 = 6.1
interface_width_nm = 40.0
erosion_rate_nm_s = 20.0
[[layer]]
name = "TiN"
composition = "TiN"
thickness_nm = 300.0
density_g_cm3 = 5.3
erosion_rate_nm_s = 12.0
[substrate]
composition = { Fe = 0.9, Cr = 0.1 }
erosion_rate_nm_s = 30.0
[crater]
shape = "parabolic"
curvature = 0.03
[roughness]
initial_nm = 3.0
[mixing]
model = "none"
[detection]
sampling_s = 0.2
[noise]
counts_per_unit_s = 5.0
"""

TWELVE = """
[[layer]]
composition = { Cs = 0.1, Pb = 0.2, I = 0.5, Br = 0.1, Sn = 0.1 }
thickness_nm = 18000.0
density_g_cm3 = 4.0
erosion_rate_nm_s = 40.0
interface_width_nm = 900.0
[[layer]]
composition = { In = 0.4, Sn = 0.05, O = 0.55 }
thickness_nm = 6000.0
density_g_cm3 = 7.0
erosion_rate_nm_s = 15.0
[substrate]
composition = { Si = 0.29, O = 0.6, Na = 0.06, Ca = 0.03, K = 0.01, Mg = 0.01 }
density_g_cm3 = 2.5
erosion_rate_nm_s = 10.0
[mixing]
model = "none"
[detection]
sampling_s = 4.0
"""


def simulated(text, **options):
    experiment = experiment_from_toml(text)
    return simulate(experiment.stack, experiment.setup, seed=1, **options)


@pytest.fixture(scope="module")
def nitrides():
    return simulated(NITRIDES, exposure=True)


@pytest.fixture(scope="module")
def twelve():
    return simulated(TWELVE)


RESOLVED = WidthAnswer(41.0, 36.0, 45.0, True)
LIMIT = WidthAnswer(1.0, 0.0, 7.5, False)
HELD = WidthAnswer(5.0, 5.0, 5.0, False, "held")


def estimate(dataset, axis="time"):
    """A dataset as `estimate_dataset` makes it, with the truth as the fit."""
    x = dataset["time"].values if axis == "time" else dataset["mean_depth"].values
    noisy, clean = dataset["intensity"].values, dataset["clean"].values
    made = xr.Dataset(
        {
            "measured": (("channel", axis), noisy),
            "fit": (("channel", axis), clean),
            "residual": (("channel", axis), (noisy - clean) / np.sqrt(clean + 1.0)),
            "composition": (("element", "sample_depth"), dataset["composition"].values),
        },
        coords={
            "channel": dataset["channel"].values,
            axis: x,
            "element": dataset["element"].values,
            "sample_depth": dataset["depth"].values,
        },
        attrs=dataset.attrs,
    )
    made[axis].attrs.update(units="s" if axis == "time" else "nm")
    made["measured"].attrs.update(units="1", long_name="measured values")
    return made


def answered(values, widths, unit="nm", u_rel=0.02):
    depths = np.cumsum(values)
    layers = [
        LayerAnswer(
            f"layer {i}",
            *(v, u_rel * v, 0.96 * v, 1.04 * v, None, None, w),
            *(d, u_rel * d, 0.96 * d, 1.04 * d),
        )
        for i, (v, w, d) in enumerate(zip(values, widths, depths, strict=True))
    ]
    return Answer(layers, [], unit, [], [], [], [], [], (0, 0), [], [], [])


# --- what is on the page -----------------------------------------------------------------------


def all_axes(figure):
    return [*figure.axes, *(child for axes in figure.axes for child in axes.child_axes)]


def visible_texts(figure):
    """Texts that are drawn: labels of ticks count only within the limits of their axis."""
    hidden = set()
    for axes in all_axes(figure):
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in [*axis.get_major_ticks(), *axis.get_minor_ticks()]:
                if not low - 1e-9 <= tick.get_loc() <= high + 1e-9 or not tick.get_visible():
                    hidden |= {tick.label1, tick.label2}
        if not axes.axison:
            hidden |= {axes.xaxis.label, axes.yaxis.label}
    return [
        t
        for t in figure.findobj(Text)
        if t.get_text().strip() and t.get_visible() and t not in hidden
    ]


def check_legible(figure):
    """Texts lie on the page and do not overlap one another; legends cover no axes."""
    figure.draw_without_rendering()
    page = figure.bbox.padded(1.0)
    boxes = [(t.get_text(), t.get_window_extent()) for t in visible_texts(figure)]
    assert len(boxes) > 5
    for text, box in boxes:
        assert page.x0 <= box.x0 <= box.x1 <= page.x1, text
        assert page.y0 <= box.y0 <= box.y1 <= page.y1, text
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        overlap = min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        assert min(overlap) < 1.0, f"{one!r} over {other!r}"
    assert figure.legends
    for legend in figure.legends:
        box = legend.get_window_extent()
        for axes in figure.axes:
            assert not box.overlaps(axes.get_window_extent())


def check_units(figure):
    """Every visible axis that has numbers says what they are, in brackets."""
    for axes in all_axes(figure):
        for axis in (axes.xaxis, axes.yaxis):
            labels = [t.get_text() for t in axis.get_ticklabels() if t.get_visible()]
            if axes.axison and any(text.strip("$−.0123456789 ") == "" and text for text in labels):
                assert "(" in axis.get_label_text(), axis.get_label_text()


def check(figure):
    check_legible(figure)
    check_units(figure)


# --- a simulated profile -----------------------------------------------------------------------


def test_profile_draws_the_readings_and_the_sample(nitrides):
    figure = profile_figure(nitrides)
    check(figure)
    upper, lower = figure.axes
    lines = upper.get_lines()
    assert len(lines) == 2 * nitrides.sizes["channel"]
    for c in range(nitrides.sizes["channel"]):
        np.testing.assert_array_equal(lines[2 * c].get_ydata(), nitrides["intensity"][c])
        np.testing.assert_array_equal(lines[2 * c + 1].get_ydata(), nitrides["clean"][c])
        np.testing.assert_array_equal(lines[2 * c].get_xdata(), nitrides["time"])
    # Stacked atomic fractions: the outline of the top area reaches 1 everywhere.
    tops = [area.get_paths()[0].vertices[:, 1].max() for area in lower.collections]
    assert tops[-1] == pytest.approx(1.0)
    assert "time (s)" in upper.get_xlabel()
    assert "nm⁻² s⁻¹" in upper.get_ylabel()


def test_profile_shades_the_widths_about_the_planes(nitrides):
    lower = profile_figure(nitrides).axes[1]
    spans = [(p.get_x(), p.get_x() + p.get_width()) for p in lower.patches]
    np.testing.assert_allclose(spans, [(380.0, 420.0), (700.0, 700.0)])


def test_second_axis_is_the_mean_depth(nitrides):
    figure = profile_figure(nitrides)
    figure.draw_without_rendering()
    upper = figure.axes[0]
    (second,) = upper.child_axes
    assert second.get_xlabel() == "mean depth removed (nm)"
    for time in (3.0, 20.0, 30.0, 44.0):
        depth = float(np.interp(time, nitrides["time"], nitrides["mean_depth"]))
        pixel = upper.transData.transform((time, 1.0))[0]
        assert second.transData.transform((depth, 0.5))[0] == pytest.approx(pixel, abs=0.2)


def test_intensity_axis_is_logarithmic_where_a_channel_would_vanish(nitrides, twelve):
    assert profile_figure(nitrides).axes[0].get_yscale() == "linear"
    # A hundredth of potassium in the glass.
    assert profile_figure(twelve).axes[0].get_yscale() == "log"


def test_thick_samples_are_drawn_in_micrometres(twelve):
    figure = profile_figure(twelve)
    check(figure)
    lower = figure.axes[1]
    assert "(µm)" in lower.get_xlabel()
    assert lower.get_xlim()[1] == pytest.approx(float(twelve["depth"][-1]) * 1e-3)
    assert "(µm)" in figure.axes[0].child_axes[0].get_xlabel()


def test_bare_substrate_and_a_single_reading():
    text = '[substrate]\ncomposition = "Fe"\nerosion_rate_nm_s = 10.0\n[mixing]\nmodel = "none"\n'
    profile_figure(simulated(text + "[detection]\nduration_s = 5.0\n"))
    check(profile_figure(simulated(text + "[detection]\nduration_s = 1.0\nsampling_s = 1.0\n")))


# --- an inversion ------------------------------------------------------------------------------


def test_fit_draws_readings_fit_and_residuals(nitrides):
    made = estimate(nitrides)
    figure = fit_figure(made, answered([400.0, 300.0], [RESOLVED, LIMIT]))
    upper, _, lower, _ = figure.axes
    lines = upper.get_lines()
    assert len(lines) == 2 * made.sizes["channel"]
    for c in range(made.sizes["channel"]):
        np.testing.assert_array_equal(lines[2 * c].get_ydata(), made["measured"][c])
        np.testing.assert_array_equal(lines[2 * c + 1].get_ydata(), made["fit"][c])
    drawn = np.concatenate([line.get_ydata() for line in lower.get_lines()[:-1]])
    assert drawn.size == made["residual"].size
    assert lower.get_xlabel() == "time (s)"


def test_residuals_off_the_scale_are_crosses_at_its_edge(nitrides):
    made = estimate(nitrides)
    made["residual"][0, 3] = -50.0
    lower = fit_figure(made, answered([400.0, 300.0], [RESOLVED, LIMIT])).axes[2]
    (cross,) = [line for line in lower.get_lines() if line.get_marker() == "x"]
    assert cross.get_xdata() == [made["time"].values[3]]
    assert lower.get_ylim()[0] < cross.get_ydata()[0] == -8.0


def test_bands_add_up_the_intervals_and_widths_have_bars(nitrides):
    figure = fit_figure(estimate(nitrides), answered([400.0, 300.0], [RESOLVED, LIMIT]))
    sample, widths = figure.axes[1], figure.axes[3]
    spans = {(round(p.get_x(), 6), round(p.get_x() + p.get_width(), 6)) for p in sample.patches}
    # 0.96 and 1.04 times 400, then of 400 + 300, whose width is below 7.5.
    assert spans == {(384.0, 416.0), (672.0, 728.0), (696.25, 703.75)}
    bars = [tuple(segment[:, 1]) for c in widths.collections for segment in c.get_segments()]
    assert bars == [(36.0, 45.0), (0.0, 7.5)]
    assert {t.get_text() for t in widths.texts} == {"41.0", "< 7.50"}
    labels = {t.get_text() for legend in figure.legends for t in legend.get_texts()}
    assert {"width, 95 %", "upper limit of width, 95 %"} <= labels


def test_bands_that_overlap_are_drawn_once(nitrides):
    wide = answered([400.0, 30.0], [RESOLVED, HELD])
    sample = fit_figure(estimate(nitrides), wide).axes[1]
    spans = {(round(p.get_x(), 6), round(p.get_x() + p.get_width(), 6)) for p in sample.patches}
    assert spans == {(384.0, 447.2)}


CHANNELS = """
[[detection.channel]]
element = "Cr"
name = "Cr 425"
column = "a"
[[detection.channel]]
element = "Cr"
name = "Cr 267"
column = "b"
[[detection.channel]]
name = "total"
column = "c"
sensitivity = { CrN = 1.0, TiN = 2.0, steel = 1.5 }
"""


@pytest.fixture(scope="module")
def lines():
    """Two lines of one element, and a channel of none; the substrate bears a name."""
    return simulated(NITRIDES.replace("[substrate]", '[substrate]\nname = "steel"') + CHANNELS)


def test_a_channel_has_the_colour_of_its_element_and_no_other_has(lines):
    figure = profile_figure(lines)
    check(figure)
    upper, lower = figure.axes
    one, other, total = (line for line in upper.get_lines()[1::2])
    outlines = dict(zip(lines["element"].values, lower.get_lines(), strict=False))
    assert one.get_color() == other.get_color() == outlines["Cr"].get_color()
    assert one.get_linestyle() != other.get_linestyle()
    colours = [line.get_color() for line in outlines.values()]
    assert len({*colours, total.get_color()}) == len(colours) + 1


def test_the_substrate_has_its_name(lines):
    answer = answered([400.0, 300.0], [RESOLVED, LIMIT])
    for axes in (profile_figure(lines).axes[1], fit_figure(estimate(lines), answer).axes[1]):
        assert "steel" in {t.get_text() for t in axes.texts}


def test_intensities_have_no_unit_but_that_of_the_file(lines):
    answer = answered([400.0, 300.0], [RESOLVED, LIMIT])
    assert fit_figure(estimate(lines), answer).axes[0].get_ylabel() == "intensity (as measured)"


def test_a_narrow_layer_has_its_name_and_the_number_of_its_width():
    thin = simulated(NITRIDES.replace("thickness_nm = 300.0", "thickness_nm = 12.0"))
    figure = fit_figure(estimate(thin), answered([400.0, 12.0], [RESOLVED, LIMIT]))
    check(figure)
    assert "TiN" in {t.get_text() for t in figure.axes[1].texts}
    assert {t.get_text() for t in figure.axes[3].texts} == {"41.0", "< 7.50"}


def test_readings_of_zero_are_faint_points(nitrides):
    made = estimate(nitrides)
    made["measured"][0, 100:] = 0.0
    lower = fit_figure(made, answered([400.0, 300.0], [RESOLVED, LIMIT])).axes[2]
    faint = [line for line in lower.get_lines() if line.get_marker() == "."]
    points = sum(line.get_xdata().size for line in faint)
    assert points == np.count_nonzero(made["measured"] == 0)


def test_unlimited_uncertainty_stays_on_the_page(nitrides):
    nothing_known = WidthAnswer(3.0, 0.0, np.inf, False)
    layers = answered([400.0, 300.0], [nothing_known, HELD]).layers
    layers[0] = LayerAnswer(
        "CrN", 400.0, np.inf, 0.0, np.inf, None, None, nothing_known, 400.0, np.inf, 0.0, np.inf
    )
    figure = fit_figure(
        estimate(nitrides), Answer(layers, [], "nm", [], [], [], [], [], (0, 0), [], [], [])
    )
    check(figure)
    assert "no limit" in {t.get_text() for t in figure.axes[3].texts}


def test_truth_is_dashed_over_the_estimate(nitrides):
    answer = answered([400.0, 300.0], [RESOLVED, LIMIT])
    figure = fit_figure(estimate(nitrides), answer, truth=nitrides)
    check(figure)
    plain = fit_figure(estimate(nitrides), answer)
    boundaries = nitrides["composition"].values.cumsum(axis=0)[:-1]
    added = figure.axes[1].get_lines()[len(plain.axes[1].get_lines()) :]
    assert len(added) == len(boundaries)
    for line, boundary in zip(added, boundaries, strict=True):
        assert line.is_dashed()
        np.testing.assert_allclose(line.get_ydata(), boundary)
    diamonds = [line for line in figure.axes[3].get_lines() if line.get_marker() == "D"]
    np.testing.assert_array_equal(diamonds[-1].get_ydata(), [40.0, 0.0])


def test_relative_answers_are_drawn_in_seconds(nitrides):
    # 400 nm at 20 nm/s and 300 nm at 12 nm/s, then the steel at 30 nm/s.
    answer = answered([20.0, 25.0], [LIMIT, HELD], unit="s")
    figure = fit_figure(estimate(nitrides), answer, truth=nitrides)
    check(figure)
    sample, widths = figure.axes[1], figure.axes[3]
    assert widths.get_xlabel() == "time at nominal rates (s)"
    assert "(s)" in widths.get_ylabel()
    deepest = float(nitrides["depth"][-1])
    assert sample.get_xlim()[1] == pytest.approx(45.0 + (deepest - 700.0) / 30.0)
    (truth,) = [line for line in widths.get_lines() if line.get_marker() == "D"]
    np.testing.assert_allclose(truth.get_xdata(), [20.0, 45.0])
    np.testing.assert_allclose(truth.get_ydata(), [40.0 / 20.0, 0.0])


def test_profile_with_a_depth_axis(nitrides):
    figure = fit_figure(
        estimate(nitrides, axis="depth"), answered([400.0, 300.0], [RESOLVED, HELD])
    )
    check_units(figure)
    assert figure.axes[2].get_xlabel() == "depth (nm)"


def test_twelve_channels_leave_everything_legible(twelve):
    assert twelve.sizes["channel"] >= 12
    figure = fit_figure(estimate(twelve), answered([18000.0, 6000.0], [RESOLVED, LIMIT]), twelve)
    check(figure)
    names = {t.get_text() for t in figure.legends[0].get_texts()}
    assert {str(name) for name in twelve["channel"].values} <= names


def test_long_names_are_shortened_not_spilled(twelve):
    names = [f"fragment {i} of a molecule with a very long name {i}" for i in range(12)]
    check(profile_figure(twelve.assign_coords(channel=names)))


# --- what broadens -----------------------------------------------------------------------------


def budget(name, *two_sd):
    return Budget(name, dict(zip(CAUSES, two_sd, strict=True)))


def test_budget_stacks_variances_not_widths():
    # 3, 4 and 12 add in squares to 13.
    figure = budget_figure([budget("CrN", 3.0, 4.0, 12.0, 0.0, 0.0, 0.0)])
    check_legible(figure)
    left, right = figure.axes
    assert [bar.get_width() for bar in left.patches] == pytest.approx([13.0])
    lengths = [bar.get_width() for bar in right.patches]
    assert lengths == pytest.approx([900 / 169, 1600 / 169, 14400 / 169, 0.0, 0.0, 0.0])
    assert "variances add, widths do not" in right.get_xlabel()
    assert "(nm)" in left.get_xlabel()
    assert {"13.0"} <= {t.get_text() for t in left.texts}
    assert {"4.00", "12.0"} <= {t.get_text() for t in right.texts}
    assert {t.get_text() for t in figure.legends[0].get_texts()} == set(CAUSES)


def test_a_transition_that_is_a_limit_has_an_open_bar():
    # 3 and 4 add in squares to 5, and with a limit of 12 to 13.
    limited = Budget("CrN", dict(zip(CAUSES, (0.0, 3.0, 4.0, 0.0, 0.0, 0.0), strict=True)), 12.0)
    figure = budget_figure([limited, budget("TiN", 2.0, 1.0, 1.0, 0.0, 0.0, 0.0)])
    check_legible(figure)
    left, right = figure.axes
    assert {"5.00 to 13.0", "2.45"} == {t.get_text() for t in left.texts}
    assert "< 12.0" in {t.get_text() for t in right.texts}
    (sum_bar,) = [bar for bar in left.patches if to_rgb(bar.get_facecolor()) == (1, 1, 1)]
    assert (sum_bar.get_x(), sum_bar.get_width()) == pytest.approx((5.0, 8.0))
    shares = [bar for bar in right.patches if to_rgb(bar.get_facecolor()) == (1, 1, 1)]
    assert [bar.get_width() for bar in shares] == pytest.approx([14400 / 169, 0.0])


def test_a_transition_without_limit_is_not_drawn():
    unknown = Budget("CrN", dict(zip(CAUSES, (0.0, 3.0, 4.0, 0.0, 0.0, 0.0), strict=True)), np.inf)
    left = budget_figure([unknown]).axes[0]
    assert [t.get_text() for t in left.texts] == ["5.00 or more"]


def test_a_cause_that_not_all_experiments_have_is_drawn_too():
    late = Budget("CrN", {**budget("CrN", 3.0, *[0.0] * 5).two_sd_nm, RESIDENCE: 4.0})
    figure = budget_figure([late])
    check_legible(figure)
    assert [bar.get_width() for bar in figure.axes[1].patches][-1] == pytest.approx(64.0)
    assert RESIDENCE in {t.get_text() for t in figure.legends[0].get_texts()}


def test_budget_of_many_interfaces_is_legible():
    count = 60
    rows = [budget(f"layer {i}", 1.0, i + 1.0, 2.0, 1.0, 0.0, 0.1) for i in range(count)]
    figure = budget_figure(rows, unit="s")
    check_legible(figure)
    assert "(s)" in figure.axes[0].get_xlabel()
    assert len(figure.axes[1].patches) == count * len(CAUSES)
    assert figure.get_figheight() * 25.4 < 260.0


def test_budget_without_any_broadening():
    bars = budget_figure([budget("a", *[0.0] * 6)]).axes[1].patches
    assert [bar.get_width() for bar in bars] == [0.0] * 6
    with pytest.raises(InputProblems, match="no interface"):
        budget_figure([])


def test_resolution_function_has_unit_area_and_the_spread_that_it_states(nitrides):
    figure = exposure_figure(nitrides)
    check(figure)
    (axes,) = figure.axes
    curves = axes.patches
    assert len(curves) == 2
    for curve, legend in zip(curves, figure.legends[0].get_texts(), strict=True):
        values, edges, _ = curve.get_data()
        share = values * np.diff(edges)
        assert share.sum() == pytest.approx(1.0)
        middle = 0.5 * (edges[1:] + edges[:-1])
        assert share @ middle == pytest.approx(0.0, abs=1e-6)
        variance = share @ (middle**2 + np.diff(edges) ** 2 / 12.0)
        assert f"2 SD {three_digits(2.0 * variance**0.5)} nm" in legend.get_text()


def test_resolution_function_needs_the_exposure_matrix(twelve):
    with pytest.raises(InputProblems, match="exposure=True"):
        exposure_figure(twelve)


# --- measured responses ------------------------------------------------------------------------

X = np.linspace(0.0, 60.0, 121)


def figures_of(y, feature, counts=None, axis="depth"):
    profile = MeasuredProfile(
        axis=axis,
        axis_values=X,
        interval=np.full(X.size, 0.5),
        channels=["B"],
        values=np.asarray(y, dtype=float)[None, :],
        values_kind="intensity",
        censored=np.zeros((1, X.size), dtype=bool),
        notes=[],
        source="made",
    )
    return standard_figures(profile, "B", feature, counts=counts)


def table(figure):
    (text,) = [axes.texts[0].get_text() for axes in figure.axes if not axes.axison]
    return text


@pytest.mark.parametrize(("a", "b"), [(900.0, 40.0), (40.0, 900.0)])
def test_edge_has_its_width_marked(a, b):
    u = 10.0
    y = logistic_edge(X, 28.0, 1.6, -0.15, a, b) + np.random.default_rng(1).normal(0, u, X.size)
    found = figures_of(y, "edge")
    fit = found.fit
    figure = resolution_figure(found, u=u)
    check_units(figure)
    upper, _, lower = figure.axes
    span = upper.patches[0]
    assert span.get_width() == pytest.approx(fit.width, rel=1e-4)
    assert span.get_x() < fit.parameters.midpoint < span.get_x() + span.get_width()
    np.testing.assert_allclose(
        lower.get_lines()[0].get_ydata(), (y - logistic_edge(X, *fit.parameters)) / u
    )
    assert f"{fit.width:.2f} nm, u = {fit.u_width:.2f} nm" in table(figure)
    one_line = " ".join(table(figure).split())
    for name, *_ in found.rows:
        assert name in one_line


def test_band_of_the_fit_is_that_of_the_covariance():
    y = logistic_edge(X, 28.0, 1.6, 0.0, 900.0, 40.0)
    y = y + np.random.default_rng(2).normal(0, 10.0, X.size)
    found = figures_of(y, "edge")
    fit = found.fit
    upper = resolution_figure(found, u=10.0).axes[0]
    band = next(c for c in upper.collections if len(c.get_paths()) == 1)
    outline = band.get_paths()[0].vertices
    first = outline[np.isclose(outline[:, 0], X[0]), 1]
    # Far before the edge the curve is a + a_slope d, linear in both: JCGM 100 (GUM), 5.2.2.
    d = X[0] - fit.parameters.midpoint
    i, j = fit.parameters._fields.index("a"), fit.parameters._fields.index("a_slope")
    c = fit.covariance
    expected = 1.959964 * np.sqrt(c[i, i] + 2 * d * c[i, j] + d**2 * c[j, j])
    assert 0.5 * np.ptp(first) == pytest.approx(expected, rel=1e-2)


def test_unknown_noise_is_measured_by_the_residuals():
    y = logistic_edge(X, 28.0, 1.6, 0.0, 900.0, 40.0)
    y = y + np.random.default_rng(3).normal(0, 10.0, X.size)
    figure = resolution_figure(figures_of(y, "edge", axis="time"))
    lower = figure.axes[2]
    residual = lower.get_lines()[0].get_ydata()
    assert np.sqrt(np.mean(residual**2)) == pytest.approx(1.0)
    assert lower.get_xlabel() == "time (s)"
    assert "RMS" in lower.get_ylabel()


def test_peak_has_its_half_width_marked_and_decades_shown():
    y = np.random.default_rng(0).poisson(20000 * delta_response(X, 25.0, 0.8, 2.5, 1.5) + 1.0)
    found = figures_of(y, "delta", counts=1.0)
    fit = found.fit
    figure = resolution_figure(found)
    check(figure)
    upper = figure.axes[0]
    assert upper.get_yscale() == "log"
    assert upper.patches[0].get_width() == pytest.approx(fit.fwhm, rel=1e-3)
    assert "95 % of the fit" in {t.get_text() for t in figure.legends[0].get_texts()}


def test_length_that_may_be_zero_is_an_upper_limit():
    y = np.random.default_rng(0).poisson(3000 * delta_response(X, 25.0, 0.05, 1.0, 3.0) + 60.0)
    found = figures_of(y, "delta")
    limits = found.fit.upper_limits
    assert "leading" in limits
    figure = resolution_figure(found)
    assert f"   < {three_digits(limits['leading'])} nm (95 %)" in table(figure).splitlines()
    # No linear band where a length vanishes.
    assert "95 % of the fit" not in {t.get_text() for t in figure.legends[0].get_texts()}


# --- files -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("suffix", "first"), [(".png", b"\x89PNG"), (".pdf", b"%PDF"), (".SVG", b"<?xml")]
)
def test_same_figure_is_the_same_file_in_the_format_of_its_suffix(tmp_path, suffix, first):
    paths = [tmp_path / f"one{suffix}", tmp_path / f"two{suffix}"]
    for path in paths:
        save_figure(budget_figure([budget("a", *[1.0] * 6)]), path)
    assert sorted(tmp_path.iterdir()) == paths
    one, two = (path.read_bytes() for path in paths)
    assert one == two
    assert one.startswith(first)


def test_dollars_in_names_begin_no_formula(twelve, tmp_path):
    """But the ticks of a logarithmic axis are formulas."""
    names = [str(name) for name in twelve["channel"].values]
    figure = profile_figure(twelve.assign_coords(channel=["$\\frac$", "a$b$", *names[2:]]))
    save_figure(figure, tmp_path / "figure.svg")
    assert not any(text.get_parse_math() for text in figure.legends[0].get_texts())
    ticks = figure.axes[0].yaxis.get_majorticklabels()
    assert ticks
    assert all(text.get_parse_math() for text in ticks)


def test_a_depth_axis_erodes_at_1_nm_per_nm():
    rates = [20.0, 12.0, 30.0]
    for settings, expected in (("", rates), ('[profile]\naxis = "depth"\n', [1.0, 1.0, 1.0])):
        experiment = experiment_from_toml(NITRIDES + settings)
        attributes = {"experiment": json.dumps(experiment_to_dict(experiment))}
        assert nominal_rates_nm_s(xr.Dataset(attrs=attributes)) == pytest.approx(expected)


@pytest.mark.parametrize(("name", "got"), [("figure.jpeg", '".jpeg"'), ("figure", '""')])
def test_unknown_suffix_names_the_known_ones(tmp_path, name, got):
    path = tmp_path / name
    expected = f'{path}: a figure ends in ".png", ".pdf" or ".svg", got {got}'
    for refuse in (check_suffix, lambda p: save_figure(new_figure(50.0), p)):
        with pytest.raises(InputProblems) as caught:
            refuse(path)
        assert str(caught.value) == expected
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_left_when_writing_fails(tmp_path, monkeypatch):
    figure = budget_figure([budget("a", *[1.0] * 6)])
    (tmp_path / "figure.png").write_bytes(b"old")

    def fail(place, **options):
        place.write_bytes(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(figure, "savefig", fail)
    with pytest.raises(InputProblems, match="No space left"):
        save_figure(figure, tmp_path / "figure.png")
    assert (tmp_path / "figure.png").read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["figure.png"]


# --- style -------------------------------------------------------------------------------------


def test_settings_of_the_user_neither_act_nor_change(nitrides):
    with matplotlib.rc_context({"font.size": 30.0, "xtick.labelsize": 30.0, "axes.grid": True}):
        before = dict(matplotlib.rcParams)
        figure = profile_figure(nitrides)
        figure.draw_without_rendering()
        assert dict(matplotlib.rcParams) == before
        assert max(t.get_fontsize() for t in visible_texts(figure)) <= 8.0
    assert figure.get_figwidth() * 25.4 == pytest.approx(160.0)


def test_pyplot_is_not_needed(nitrides, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib.pyplot", None)  # its import fails
    profile_figure(nitrides).draw_without_rendering()


def test_matplotlib_is_not_imported_before_it_is_needed():
    code = "import sys, craterfront.reports.figures; assert 'matplotlib' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_strokes_differ_and_neighbours_differ_in_all_ways():
    looks = list(strokes(range(40)).values())
    assert len(set(looks)) == 40
    for one, other in itertools.pairwise(looks):
        assert one.colour != other.colour
        assert one.dash != other.dash
        assert one.marker != other.marker


def linear_rgb(colours):
    """IEC 61966-2-1."""
    c = np.array([to_rgb(colour) for colour in colours])
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def test_colours_stand_out_from_white():
    luminance = linear_rgb(PALETTE) @ [0.2126, 0.7152, 0.0722]
    # WCAG 2.1, success criterion 1.4.11: 3 to 1 for graphics.
    assert np.all(1.05 / (luminance + 0.05) >= 3.0)


# Linear RGB as seen by protanopes and deuteranopes: F. Vienot, H. Brettel, J. D. Mollon, Color
# Res. Appl. 24 (1999) 243 (matrices from memory).
PROTANOPE = [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]
DEUTERANOPE = [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]


EYES = pytest.mark.parametrize(
    "eye", [np.eye(3), PROTANOPE, DEUTERANOPE], ids=["all", "prot", "deut"]
)


def lab(colours, eye):
    """CIELAB, ISO/CIE 11664-4, above its linear toe."""
    to_xyz = np.array(  # IEC 61966-2-1
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    xyz = np.clip(linear_rgb(colours) @ np.transpose(eye), 0.0, 1.0) @ to_xyz.T
    f = np.cbrt(xyz / to_xyz.sum(axis=1))
    return np.stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1
    )


# Over four times a just noticeable difference of 2.3 (M. Mahy, L. Van Eycken, A. Oosterlinck,
# Color Res. Appl. 19 (1994) 105, from memory).
APART = 10.0


@EYES
@pytest.mark.parametrize("colours", [PALETTE, CAUSE_COLOURS], ids=["names", "causes"])
def test_colours_differ_for_colour_blind_readers(eye, colours):
    seen = lab(colours, eye)
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) > APART


@EYES
def test_causes_are_not_taken_for_elements(eye):
    elements = [*PALETTE, *(look.tint for look in strokes(range(len(PALETTE))).values())]
    causes = lab(CAUSE_COLOURS, eye)
    assert min(np.linalg.norm(a - b) for a in lab(elements, eye) for b in causes) > APART


@pytest.mark.parametrize(
    ("value", "text"),
    [(14.0, "14.0"), (0.3456, "0.346"), (100.0, "100"), (3630.0, "3630"), (-2.5, "−2.50")],
)
def test_three_digits(value, text):
    assert three_digits(value) == text


def test_length_unit():
    assert length_unit(9999.0) == ("nm", 1.0)
    assert length_unit(30_000.0) == ("µm", 1e-3)


# --- rate laws of a lamp ------------------------------------------------------------------------

LAMP = """
[[layer]]
composition = "Zn"
thickness_nm = 8000.0
[substrate]
composition = "Fe"
[source]
kind = "glow discharge"
voltage_V = 800.0
current_mA = 20.0
anode_diameter_mm = 4.0
[source.reference]
composition = "Fe"
voltage_V = 700.0
current_mA = 20.0
erosion_rate_nm_s = 40.0
"""


def test_rate_laws_meet_at_the_measured_voltage():
    figure = rate_law_figure(experiment_from_toml(LAMP))
    (axes,) = figure.axes
    curves = [line for line in axes.lines if len(line.get_xdata()) > 2]
    assert len(curves) == 4  # zinc, iron and two published laws
    at_700 = [np.interp(700.0, line.get_xdata(), line.get_ydata()) for line in curves]
    assert at_700 == pytest.approx([1.0] * 4, rel=2e-3)
    at_1000 = [np.interp(1000.0, line.get_xdata(), line.get_ydata()) for line in curves]
    assert at_1000[2:] == pytest.approx([1.75, 2**0.74], rel=2e-3)
    assert axes.get_ylabel().endswith("1 at 700 V")
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert "sheath: Zn" in labels
    assert "(U − 300 V)" in labels


def test_no_law_is_drawn_from_below_its_threshold():
    figure = rate_law_figure(experiment_from_toml(LAMP.replace("700.0", "350.0")))
    *_, linear, power = (line for line in figure.axes[0].lines if len(line.get_xdata()) > 2)
    assert np.isfinite(linear.get_ydata()).any()
    assert not np.isfinite(power.get_ydata()).any()


@pytest.mark.parametrize(
    ("lamp", "problem"),
    [
        (
            'kind = "ion beam"\nenergy_eV = 500\ncurrent_nA = 5\nraster_um = [9, 9]\n',
            'source: rate laws are those of kind = "glow discharge"',
        ),
        (
            'kind = "glow discharge"\nvoltage_V = 700\nanode_diameter_mm = 4\n'
            'supply = "RF"\npower_W = 40\n',
            "source current_mA: missing",
        ),
    ],
)
def test_a_figure_of_rate_laws_needs_a_lamp_that_runs(lamp, problem):
    text = LAMP[: LAMP.index("[source]")] + "[source]\n" + lamp
    with pytest.raises(InputProblems, match=problem):
        rate_law_figure(experiment_from_toml(text))
