"""Three open measured sets: what can be said of them, and what cannot.

Usage: python measured_sets.py DATA OUT, where DATA is the folder ``tests/data/measured`` of the
repository; the figures of the guide's page on measured data are written to the folder OUT.

What a set shows is returned by one function each, so that tests can hold it against the numbers
that were read off the same curves by eye.
"""

import argparse
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.answers.edge_and_delta import StandardFigures, standard_figures
from craterfront.answers.results import Answer, answer, estimate_dataset
from craterfront.experiments.experiment import load_experiment
from craterfront.fitting.inversion import Inversion, invert
from craterfront.measured_files.files import load_profile
from craterfront.measured_files.measured import MeasuredProfile, read_profile
from craterfront.models.measurands.delta_fit import DeltaFit
from craterfront.models.measurands.delta_response import step_response
from craterfront.models.measurands.resolution import EdgeWidth, level_width
from craterfront.objective.curvature import curvature
from craterfront.objective.estimation import Objective, minimise
from craterfront.reports.figure_style import INK, PALETTE, legend_outside, new_figure, styled, tidy

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SIMS_TEXT: dict[str, Any] = {
    "axis_column": "Sputter Time (s)",
    "axis_position": "start",
    "delimiter": "tab",
    "decimal": ".",
    "header_rows": 4,
    "names_row": 2,
    "drop_last_rows": 1,
}

SAM_FILE = "tofsims-sam-delta/I231020y_I_SAM-DIR-CH_01s_neg-1_NF.txt"
FILM_FILE = "tofsims-mapi-device/I241209p_A_MAPI_1f-1nA_neg-B4_NF.txt"
OVERLAYER_FILE = "tofsims-mapi-device/I241209zb_C_MAPI-dev_1f-1nA_neg-B3_NF.txt"
CELL_FILE = "gdoes-sb2se3/sample_gdoes.txt"

FLANKS = ((0.01, 0.3), (0.05, 0.5))  # shares of the peak between which a flank is read

BROADENED = 10  # how many times the limit of its thickness the layer is broadened in a copy


@dataclass(frozen=True)
class BuriedMonolayer:
    """A monolayer under a film, and the interface right below it, in one run.

    Attributes
    ----------
    delta : StandardFigures
        Of the PO_3- peak.
    growth_s, decay_s : tuple of float
        1/e lengths of the flanks of the peak, read off its logarithm between the shares of
        `FLANKS` of its height. A flank that is no exponential has a length for each.
    edge : StandardFigures
        Of the rise of InO_2-.
    predicted_width_s, predicted_u_s : float
        Width of an ideal edge with the response of PO_3-.
    thin, broadened : Answer
        Inversion of the peak as it is, and of a copy with the layer broadened.
    """

    delta: StandardFigures
    growth_s: tuple[float, ...]
    decay_s: tuple[float, ...]
    edge: StandardFigures
    predicted_width_s: float
    predicted_u_s: float
    thin: Answer
    broadened: Answer


def buried_monolayer(data: Path) -> BuriedMonolayer:
    """Response to a buried monolayer, and what it predicts for the interface below."""
    path = data / SAM_FILE
    both = read_profile(path, columns={name: name for name in ("PO_3-", "InO_2-")}, **SIMS_TEXT)
    delta = standard_figures(both, "PO_3-", "delta", (5.0, 80.0))
    edge = standard_figures(both, "InO_2-", "edge", (10.0, 40.0), counts=1.0)
    fit = delta.fit
    assert isinstance(fit, DeltaFit)
    peak = both.values[0]
    growth = tuple(flank_length(both.middle, peak, part, rising=True) for part in FLANKS)
    decay = tuple(flank_length(both.middle, peak, part, rising=False) for part in FLANKS)
    experiment = load_experiment(path.parent / "experiment.toml")
    profile = load_profile(path, experiment)
    thin = answer(invert(profile, experiment, relative=True))
    wide = broadened_copy(profile, BROADENED * thin.layers[1].upper)
    broadened = answer(invert(wide, experiment, relative=True))
    return BuriedMonolayer(
        delta, growth, decay, edge, fit.edge_width, fit.u_edge_width, thin, broadened
    )


def flank_length(
    x: np.ndarray, y: np.ndarray, levels: tuple[float, float], *, rising: bool
) -> float:
    """1/e length of a flank: straight line through the logarithm between two shares of the peak."""
    top = int(np.argmax(y))
    flank = slice(0, top) if rising else slice(top, y.size)
    share = y[flank] / y[top]
    inside = (share > levels[0]) & (share < levels[1])
    # Only the readings next to the peak, not noise far from it.
    chosen = np.flatnonzero(inside)
    chosen = chosen[chosen > top - 40] if rising else chosen[chosen < 150]
    slope = np.polyfit(x[flank][chosen], np.log(share[chosen]), 1)[0]
    return float(abs(1.0 / slope))


def broadened_copy(profile: MeasuredProfile, thickness_s: float) -> MeasuredProfile:
    """What the same response would have made of a layer this thick, counted anew."""
    step = float(profile.interval[0])
    box = np.ones(max(round(thickness_s / step), 1))
    smeared = np.array([np.convolve(row, box / box.size)[: row.size] for row in profile.values])
    counted = np.random.default_rng(1).poisson(np.maximum(smeared, 0.0)).astype(float)
    return replace(profile, values=counted, source=f"{profile.source} (layer broadened)")


@dataclass(frozen=True)
class TwoRuns:
    """A film alone and the film under an overlayer."""

    film: Inversion
    overlayer: Inversion
    saturated: Inversion

    @property
    def film_s(self) -> tuple[float, float]:
        """Erosion time of the film alone, and its standard uncertainty."""
        layer = answer(self.film).layers[0]
        return layer.value, layer.u

    @property
    def covered_film_s(self) -> tuple[float, float]:
        """Erosion time of the film under the overlayer, and its standard uncertainty."""
        layer = answer(self.overlayer).layers[1]
        return layer.value, layer.u

    @property
    def saturated_s(self) -> tuple[float, float]:
        """Erosion time of the film alone from a channel whose plateau is censored."""
        layer = answer(self.saturated).layers[0]
        return layer.value, layer.u


def two_runs(data: Path) -> TwoRuns:
    """Erosion times of one film in two runs, at nominal rates."""
    folder = data / "tofsims-mapi-device"

    def run(file: str, settings: str) -> Inversion:
        experiment = load_experiment(folder / settings)
        return invert(load_profile(data / file, experiment), experiment, relative=True)

    return TwoRuns(
        run(FILM_FILE, "film.toml"),
        run(OVERLAYER_FILE, "film-with-overlayer.toml"),
        run(FILM_FILE, "film-saturated-channel.toml"),
    )


@dataclass(frozen=True)
class OneFilm:
    """Both runs at once, as if the film took the same time in both.

    Attributes
    ----------
    film_s, u_s : float
        Its erosion time, and its standard uncertainty if that were so.
    rise : float
        By how much the sum of squared residuals is larger than with a time for each run.
    """

    film_s: float
    u_s: float
    rise: float


def one_film(runs: TwoRuns) -> OneFilm:
    """Residuals of both runs under each other, with the film's time as their only common number.

    The noise of each run is that of its own inversion. The prior of the time, a factor of 3,
    counts twice, and hardly at that.
    """
    both = (runs.film, runs.overlayer)
    likelihoods = [run.likelihood for run in both]
    first, second = (
        [each.assembly.parameters[i].name for i in each.free].index("thickness of film")
        for each in likelihoods
    )
    count = runs.film.fit.x.size

    def joined(of_film: np.ndarray, of_overlayer: np.ndarray) -> np.ndarray:
        return np.append(of_film, np.delete(of_overlayer, second))

    def apart(x: np.ndarray) -> list[np.ndarray]:
        return [x[:count], np.insert(x[count:], second, x[first])]

    def residuals(x: np.ndarray) -> np.ndarray:
        parts = zip(likelihoods, apart(x), strict=True)
        return np.concatenate([each.residuals(own) for each, own in parts])

    def jacobian(x: np.ndarray) -> np.ndarray:
        parts = zip(likelihoods, apart(x), strict=True)
        of_film, of_overlayer = (each.jacobian(own) for each, own in parts)
        rows = np.zeros((len(of_film) + len(of_overlayer), x.size))
        rows[: len(of_film), :count] = of_film
        rows[len(of_film) :, count:] = np.delete(of_overlayer, second, axis=1)
        rows[len(of_film) :, first] += of_overlayer[:, second]
        return rows

    bounds = (each.coordinates.bounds() for each in likelihoods)
    lower, upper = (joined(*ends) for ends in zip(*bounds, strict=True))
    objective = Objective(residuals, jacobian, lower, upper)
    fit = minimise(objective, joined(*(run.fit.x for run in both)), tolerance=1e-9)
    free, assembly = likelihoods[0].free, likelihoods[0].assembly
    nanometres = likelihoods[0].coordinates.values(fit.x[:count])[free[first]]
    film_s = float(nanometres / assembly.nominal_rate_nm_s(0))
    u_relative = float(curvature(jacobian(fit.x)).covariance[first, first]) ** 0.5
    alone = sum(float(np.sum(run.objective.residuals(run.fit.x) ** 2)) for run in both)
    rise = float(np.sum(residuals(fit.x) ** 2)) - alone
    return OneFilm(film_s, film_s * u_relative, rise)


def solar_cell(data: Path) -> Inversion:
    """Layers of a solar cell from a profile that somebody else has quantified."""
    experiment = load_experiment(data / "gdoes-sb2se3" / "experiment.toml")
    return invert(load_profile(data / CELL_FILE, experiment), experiment)


def half_height_nm(inversion: Inversion, channel: str, *, rising: bool) -> float:
    """Depth at which the fitted curve of a channel passes half of its largest value."""
    names = [c.name for c in inversion.likelihood.assembly.channels]
    curve = inversion.solution.model[names.index(channel)]
    depth = 0.5 * (inversion.likelihood.edges[1:] + inversion.likelihood.edges[:-1])
    above = curve > 0.5 * curve.max()
    return float(
        depth[np.argmax(above)] if rising else depth[above.size - 1 - np.argmax(above[::-1])]
    )


def draw(data: Path, out: Path) -> None:
    """Make the figures of the guide."""
    from craterfront.reports.figure_style import save_figure
    from craterfront.reports.figures import fit_figure
    from craterfront.reports.resolution_figures import resolution_figure

    out.mkdir(parents=True, exist_ok=True)
    monolayer = buried_monolayer(data)
    save_figure(resolution_figure(monolayer.delta), out / "measured-delta.png")
    save_figure(prediction_figure(monolayer), out / "measured-edge-prediction.png")
    runs = two_runs(data)
    for name, inversion in (
        ("film", runs.film),
        ("overlayer", runs.overlayer),
        ("cell", solar_cell(data)),
    ):
        found = answer(inversion)
        dataset = estimate_dataset(inversion, found)
        save_figure(fit_figure(dataset, found), out / f"measured-{name}.png")


@styled
def prediction_figure(monolayer: BuriedMonolayer) -> "Figure":
    """The measured edge, and the one that the response to the monolayer predicts."""
    edge, fit = monolayer.edge, monolayer.delta.fit
    assert isinstance(fit, DeltaFit)
    figure = new_figure(80.0)
    axes = figure.subplots()
    levels = level_width(edge.x, edge.y)
    low, high = levels.plateaus
    (measured,) = axes.plot(edge.x, (edge.y - low) / (high - low), "o", color=INK, markersize=2.2)
    (predicted,) = axes.plot(edge.x, _predicted(edge.x, levels, fit), color=PALETTE[0])
    for height, centre, width, u, colour in (
        (1.14, levels.midpoint, levels.width, levels.u_width, INK),
        (1.22, levels.midpoint, monolayer.predicted_width_s, monolayer.predicted_u_s, PALETTE[0]),
    ):
        ends = [centre - 0.5 * width, centre + 0.5 * width]
        axes.errorbar(ends, [height] * 2, xerr=u, color=colour, capsize=2.0)
        text = f"  width {width:.2f} s, u = {u:.2f} s"
        axes.text(ends[1] + u, height, text, color=colour, va="center")
    axes.set_ylim(-0.05, 1.3)
    axes.set_xlabel(f"{edge.axis} ({edge.unit})")
    axes.set_ylabel("share of the step (1)")
    tidy(axes)
    keys = {"InO2-, measured": measured, "predicted from PO3-": predicted}
    legend_outside(figure, keys, "upper")
    return figure


def _predicted(x: np.ndarray, levels: EdgeWidth, fit: DeltaFit) -> np.ndarray:
    """An ideal edge seen through the response, where the measured one has its middle."""
    lengths = fit.parameters.leading, fit.parameters.trailing, fit.parameters.sigma
    distance = np.linspace(-30.0, 60.0, 2001)
    middle = np.interp(0.5, step_response(distance, 0.0, *lengths), distance)
    return step_response(x, levels.midpoint - middle, *lengths)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Draw the figures of the measured sets.")
    parser.add_argument("data", type=Path, help="the folder of the sets, tests/data")
    parser.add_argument("folder", type=Path, help="where the figures go")
    arguments = parser.parse_args()
    draw(arguments.data, arguments.folder)
