"""The page of an inversion: valid, self-contained, warnings first, and true to the JSON."""

import hashlib
import html
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from craterfront.answers.results import answer, estimate_dataset
from craterfront.cautions import CAUTION
from craterfront.experiments.experiment import experiment_from_toml
from craterfront.fitting.inversion import invert
from craterfront.forward_model.forward import simulate
from craterfront.measured_files.files import profile_of
from craterfront.measured_files.input_files import input_files
from craterfront.posterior_sampling.draws import SEED, laplace_draws
from craterfront.problems import InputProblems
from craterfront.reports.html_report import html_report
from craterfront.reports.left_out import left_out
from craterfront.reports.report_page import check_report_suffix
from craterfront.reports.sample_band import composition_band
from craterfront.reports.shown_parameters import shown_parameters

LAYER = '<b>ni&ckel</b> "q" $\\frac$ id="one"'
SUBSTRATE = "</td></table><img src=http://example.org/x.png>"
TITLE = "<script>alert('x')</script> & $title ]]> --> <!--"
CHANNEL = '<i>Ni</i> "onload="x" $x_1$ ]]> url(#x)'

EXPERIMENT = f"""
title = {json.dumps(TITLE)}
[[layer]]
name = {json.dumps(LAYER)}
composition = "Ni"
thickness_nm = 60.0
interface_width_nm = 4.0
erosion_rate_nm_s = {{ value = 20.0, u_rel = 0.05 }}
limit = {{ thickness_nm_min = 40.0 }}
[[layer]]
name = "[red]flash[/red]"
composition = {{ Ni = 0.5, Al = 0.5 }}
thickness_nm = 0.3
erosion_rate_nm_s = {{ value = 18.0, u_rel = 0.05 }}
[substrate]
name = {json.dumps(SUBSTRATE)}
composition = "Al"
erosion_rate_nm_s = {{ value = 16.0, u_rel = 0.05 }}
[source]
kind = "glow discharge"
voltage_V = 700.0
current_mA = 20.0
anode_diameter_mm = 4.0
[roughness]
initial_nm = {{ value = 2.0, u = 0.5 }}
[material.spare]
composition = "Ti"
[detection]
sampling_s = 0.05
duration_s = 5.0
[[detection.channel]]
name = {json.dumps(CHANNEL)}
element = "Ni"
[[detection.channel]]
name = "Al"
element = "Al"
[noise]
counts_per_unit_s = 5.0
"""

VOID = {"br", "hr", "img", "input", "link", "meta"}


class Page(HTMLParser):
    """Every element must be closed by its own end tag; keeps what a reader gets to see."""

    def __init__(self, page):
        super().__init__()
        self.open, self.seen, self.attributes, self.ids, self.tags = [], [], [], [], []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), (tag, names)
        self.attributes += [(tag, *pair) for pair in attrs]
        self.ids += [value for name, value in attrs if name == "id"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        assert "svg" in self.open
        self.handle_starttag(tag, attrs)
        self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.seen.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.seen).split())


def inverted(text, **how):
    experiment = experiment_from_toml(text)
    dataset = simulate(experiment.stack, experiment.setup, seed=3)
    return invert(profile_of(dataset, "profile.nc"), experiment, **how)


@pytest.fixture(scope="module")
def inversion():
    return inverted(EXPERIMENT)


@pytest.fixture(scope="module")
def found(inversion):
    return answer(inversion)


@pytest.fixture(scope="module")
def dataset(inversion, found):
    return estimate_dataset(inversion, found)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("files")
    (folder / "profile.nc").write_bytes(b"\x89HDF")
    (folder / "a & b.toml").write_text(EXPERIMENT, encoding="utf-8")
    return input_files(folder / "profile.nc", folder / "a & b.toml")


@pytest.fixture(scope="module")
def page(inversion, found, dataset, files):
    return html_report(inversion, found, dataset, files)


def rows_of(page, caption):
    """Cells of the table with this caption, as text."""
    (table,) = (t for t in re.findall(r"<table>.*?</table>", page, re.S) if caption in t)
    rows = re.findall(r"<tr>(.*?)</tr>", table, re.S)
    cells = (re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S) for row in rows)
    return [[html.unescape(cell) for cell in row] for row in cells]


def test_the_page_is_valid_and_needs_nothing_else(page):
    read = Page(page)
    assert page.startswith('<!DOCTYPE html>\n<html lang="en">')
    assert len(read.ids) == len(set(read.ids))
    assert not {"script", "iframe", "link", "object", "img"} & set(read.tags)
    for tag, name, value in read.attributes:
        assert not name.startswith("on"), (tag, name)
        if name in ("src", "href", "xlink:href"):
            assert value.startswith(("#", "data:image/png;base64,")), (tag, value[:60])
            if value.startswith("#"):
                assert value[1:] in read.ids
    for target in re.findall(r"url\(#([^)\"]+)\)", re.sub(r">[^<]*<", "><", page)):
        assert target in read.ids
    assert "@import" not in page
    assert len(page) < 1_000_000


def test_figures_and_tables_can_be_read_without_seeing_them(page):
    read = Page(page)
    drawn = {
        (n, v) for tag, n, v in read.attributes if tag == "svg" and n in ("role", "aria-label")
    }
    assert ("role", "img") in drawn
    assert page.count("<figure ") == page.count("<figcaption>") == 5
    assert page.count("<table>") == page.count("<caption>")
    assert all("scope" in tag for tag in re.findall(r"<th\b[^>]*>", page))


def test_names_are_shown_as_they_are_written(page):
    text = Page(page).text
    for name in (TITLE, LAYER, SUBSTRATE, CHANNEL, "[red]flash[/red]"):
        assert name in text
        assert html.escape(name) in page


def test_warnings_come_before_answers(page, found):
    assert found.warnings
    answers = page.index("<main>")
    assert page.index(f"Warnings: {len(found.warnings)}") < answers
    for warning in (*found.warnings, "material.spare", "no certified test report"):
        assert page.index(html.escape(warning)) < answers
    assert answers < page.index("Layers: thickness")


def test_doubts_come_before_notes(monkeypatch, inversion, found, dataset):
    monkeypatch.setattr("craterfront.reports.html_parts.figure", lambda *of_it: "")
    doubtful = replace(found, doubts=["the fit did not converge"])
    page = html_report(inversion, doubtful, dataset, [])
    assert found.notes
    for note in found.notes:
        assert page.index("the fit did not converge") < page.index(html.escape(note))


def test_no_warning_is_no_praise(monkeypatch, inversion, found, dataset):
    monkeypatch.setattr("craterfront.reports.html_parts.figure", lambda *of_it: "")
    page = html_report(inversion, replace(found, doubts=[], notes=[]), dataset, [])
    assert page.index("None came up. That does not make the model right") < page.index("<main>")


def test_numbers_are_those_of_the_json(page, found):
    told = json.loads(found.as_json())
    heading, *rows = rows_of(page, "Layers: thickness")
    assert heading[:5] == ["layer", "nm", "standard unc.", "95 % from", "to"]
    for row, layer in zip(rows, told["layers"], strict=True):
        assert row[0] == layer["layer"]
        keys = ("thickness_nm", "thickness_u_nm", "thickness_lo_nm", "thickness_hi_nm")
        for cell, key in zip(row[1:], keys, strict=False):
            if layer["resolved"]:
                assert float(cell) == pytest.approx(layer[key], abs=0.6 * layer["thickness_u_nm"])
                assert float(cell) == pytest.approx(layer[key], rel=0.06)
        if not layer["resolved"]:
            assert row[1:3] == ["-", "upper limit"]
            assert float(row[4]) == pytest.approx(layer["thickness_hi_nm"], rel=5e-3)
    assert {layer["resolved"] for layer in told["layers"]} == {True, False}
    _, *rows = rows_of(page, "Interfaces: true width")
    for row, interface in zip(rows, told["interfaces"], strict=True):
        assert float(row[3]) == pytest.approx(interface["width_hi_nm"], rel=5e-3)
        assert float(row[-1]) == pytest.approx(interface["depth_hi_nm"], rel=5e-3)
    _, decision = rows_of(page, "Decisions on limits")
    (row,) = told["decisions"]
    assert decision[-1] == row["decision"] == "conforms"


def test_the_page_says_from_what_it_was_made(page, files):
    text = Page(page).text
    assert hashlib.sha256(b"\x89HDF").hexdigest() in text
    assert hashlib.sha256(EXPERIMENT.encode()).hexdigest() in text
    assert "experiment file a & b.toml" in text
    assert html.unescape(re.search(r"<pre><code>(.*?)</code></pre>", page, re.S)[1]) == EXPERIMENT
    assert f"seed {SEED}" in text
    assert re.search(r"craterfront \S+, Python 3\.\S+, numpy \S+, scipy \S+, numba \d", text)
    assert CAUTION in text
    for point in left_out():
        assert point in text


def test_the_same_files_give_the_same_page(page, inversion, found, dataset, files):
    assert html_report(inversion, found, dataset, files) == page


def test_a_rate_table_is_one_of_the_files(tmp_path):
    (tmp_path / "p.txt").write_text("1 2\n", encoding="utf-8")
    (tmp_path / "rates.toml").write_text("# mine\n", encoding="utf-8")
    (tmp_path / "e.toml").write_text('[source]\nrate_table = "rates.toml"\n', encoding="utf-8")
    *_, table = input_files(tmp_path / "p.txt", tmp_path / "e.toml")
    assert (table.role, table.name, table.text) == ("rate table", "rates.toml", "# mine\n")


@pytest.mark.parametrize("name", ["report.pdf", "report"])
def test_a_report_is_a_page(tmp_path, name):
    with pytest.raises(InputProblems, match=r"a report ends in \.html, got"):
        check_report_suffix(tmp_path / name)


# --- what is drawn -----------------------------------------------------------------------------


def test_the_band_is_about_the_sample(inversion, dataset):
    draws = laplace_draws(inversion).values[:200]
    band = composition_band(inversion, draws, dataset["sample_depth"].values)
    assert band.lower.shape == band.upper.shape == (2, band.depth.size)
    assert np.all((band.lower >= -1e-9) & (band.upper <= 1 + 1e-9) & (band.lower <= band.upper))
    # Half-way down the first edge the band is as wide as the interface's depth is uncertain.
    nickel = list(dataset["element"].values).index("Ni")
    assert np.all(band.upper[nickel] >= band.lower[nickel])
    first, last = (band.depth[np.argmax(row[nickel] < 0.5)] for row in (band.lower, band.upper))
    layer = answer(inversion).layers[0]
    assert last - first == pytest.approx(layer.depth_upper - layer.depth_lower, rel=0.2)
    assert 0.5 * (first + last) == pytest.approx(layer.depth, rel=0.05)


def test_pairs_show_thicknesses_first_then_what_matters(inversion, found):
    draws = laplace_draws(inversion).values
    together = shown_parameters(inversion, found, draws)
    names = [each.name for each in together]
    assert names[:2] == [f"thickness of {LAYER}", "thickness of [red]flash[/red]"]
    assert f"erosion rate of {LAYER}" in names[2:]
    assert len(names) <= 6
    layer = found.layers[0]
    assert together[0].best == pytest.approx(layer.value)
    assert together[0].values.std() == pytest.approx(layer.u, rel=0.1)
    assert together[0].values.size == len(draws)


_, THIN = re.split(r"(?=\[\[layer\]\]\nname = \"\[red\])", EXPERIMENT)
ONE_LAYER = EXPERIMENT.replace(THIN[: THIN.index("[substrate]")], "")


def test_at_nominal_rates_everything_is_a_time(files):
    inversion = inverted(ONE_LAYER, relative=True)
    found = answer(inversion)
    page = html_report(inversion, found, estimate_dataset(inversion, found), files)
    text = Page(page).text
    assert "How long does each layer take" in text
    assert text.index("times at nominal rates, no depths") < text.index("Layers: duration")
    assert "time at nominal rates (s)" in page
    assert "depth in the sample" not in page
    draws = laplace_draws(inversion).values
    band = composition_band(inversion, draws, np.linspace(0.0, 75.0, 1001))
    assert band.depth[-1] == pytest.approx(60.0 / 20.0 + 15.0 / 16.0, rel=0.05)
    (shown, *_) = shown_parameters(inversion, found, draws)
    assert (shown.name, shown.unit) == (f"duration of {LAYER}", "s")
    assert shown.best == pytest.approx(found.layers[0].value)


def test_without_draws_the_page_says_so(monkeypatch, inversion, found, dataset):
    found = replace(found, draws=None)
    drawn = []
    monkeypatch.setattr(
        "craterfront.reports.html_parts.figure", lambda f, name, *of_it: drawn.append(name)
    )
    page = html_report(inversion, found, dataset, [])
    assert drawn == ["fit", "residuals", "budget"]
    assert page.count("nothing can be drawn from the posterior") == 2
