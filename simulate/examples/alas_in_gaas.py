"""A published double layer of AlAs in GaAs: mixing, roughness and escape depth from one profile.

Usage: python alas_in_gaas.py OUT writes the figure of the guide's page to the folder OUT.

S. Hofmann, A. Rar, D. W. Moon and K. Yoshihara (arXiv cond-mat/0104434, 2001) profiled layers of 1
and 36 monolayers of AlAs, 44 monolayers apart in GaAs, with argon ions of 3 keV: Al+ by SIMS at 52
degrees and Al (LVV) electrons at 58 degrees. The response of a mixed zone described both with one
mixing length. Their readings are not at hand. So the profiles here are made with that response as a
formula, from their three numbers and the noise of counting, and are inverted with the engine, which
knows no response but marches an altered layer down the sample. Mixing length and roughness are to
come out as they went in; that they are true of the sample is what the publication says.
"""

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import erf, erfc

from craterfront.answers.results import Estimate, answer, estimate_dataset
from craterfront.experiments.experiment import Experiment, experiment_from_toml
from craterfront.fitting.inversion import Inversion, invert
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.reports.figure_style import (
    GREY,
    INK,
    PALETTE,
    draw_residuals,
    legend_outside,
    new_figure,
    save_figure,
    styled,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MONOLAYER_NM = 0.28265  # half the edge of the cubic cell of GaAs, 0.5653 nm, a handbook value

MIXING_NM, MIXING_U_NM = 3.0, 0.3  # published
ROUGHNESS_NM = 1.7  # published: 1.4 to 2
ESCAPE_NM = 0.4  # published

CAP_NM = 44 * MONOLAYER_NM  # what lies above the layers is not published: as much as between them
LAYERS_NM = (  # top and bottom of each layer of AlAs
    (CAP_NM, CAP_NM + MONOLAYER_NM),
    (CAP_NM + 45 * MONOLAYER_NM, CAP_NM + 81 * MONOLAYER_NM),
)
END_NM = LAYERS_NM[1][1] + 25.0
RATE_NM_S = 0.05

EXPERIMENT = f"""
title = "AlAs in GaAs, seen by {{method}}"

[[layer]]
name = "cap"
material = "GaAs"
thickness_nm = {{{{ guess = 10.0 }}}}
interface_shape = "sharp"
[[layer]]
name = "1 monolayer"
material = "AlAs"
thickness_nm = {{{{ value = {MONOLAYER_NM}, u = 0 }}}}
interface_shape = "sharp"
[[layer]]
name = "44 monolayers"
material = "GaAs"
thickness_nm = {{{{ value = {44 * MONOLAYER_NM}, u = 0 }}}}
interface_shape = "sharp"
[[layer]]
name = "36 monolayers"
material = "AlAs"
thickness_nm = {{{{ value = {36 * MONOLAYER_NM}, u = 0 }}}}
interface_shape = "sharp"
[substrate]
name = "wafer"
material = "GaAs"

[material.GaAs]
composition = "GaAs"
density_g_cm3 = 5.318  # both have 8 atoms in a cell
erosion_rate_nm_s = {{{{ guess = 0.06 }}}}
[material.AlAs]
composition = "AlAs"
density_g_cm3 = 3.747
erosion_rate_nm_s = {{{{ guess = 0.06 }}}}

[mixing]
model = "uniform"
length_nm = {{{{ guess = 2.0 }}}}
[roughness]
initial_nm = {{{{ guess = 1.0 }}}}

[detection]
{{recorded}}
escape_depth_nm = {{{{ guess = 0.5 }}}}
[[detection.channel]]
element = "Al"
sensitivity = {{{{ guess = 1.0 }}}}
[noise]
counts_per_unit_s = 1.0
"""


@dataclass(frozen=True)
class Method:
    """How the profile was recorded."""

    recorded: str  # keys of [detection]
    seconds: float  # from reading to reading
    counts_s: float  # of pure AlAs


METHODS = {
    "SIMS": Method('view = "collected"', 3.0, 1e4),
    "AES": Method('view = "viewed"\ntiming = "cycle"', 12.0, 1e3),
}


def response(x: np.ndarray, mixing: float, roughness: float, escape: float) -> np.ndarray:
    """Signal at the distance x below a thin layer, per amount [1/nm].

    A zone as thick as the mixing length w is always fully mixed and recedes with the surface, the
    signal comes from the escape depth e, and the roughness s smears both as a Gaussian: the model
    of S. Hofmann et al., Appl. Surf. Sci. 314 (2014) 942, with the expression derived here from
    exp(x/e)/e ahead of the zone and (1 - exp(-w/e))/w exp(-(x + w)/w) from x = -w on.
    """
    w, s, e = mixing, roughness, escape
    root = np.sqrt(2.0)
    mixed = np.exp(-(x + w) / w + s**2 / (2 * w**2)) * (1 + erf(((x + w) / s - s / w) / root))
    below = np.exp(x / e + s**2 / (2 * e**2)) * erfc(((x + w) / s + s / e) / root)
    return (1 - np.exp(-w / e)) / (2 * w) * mixed + below / (2 * e)


def published_signal(depth_nm: np.ndarray) -> np.ndarray:
    """Share of AlAs in the signal: the response, integrated over both layers."""
    nodes, weights = np.polynomial.legendre.leggauss(60)
    total = np.zeros(depth_nm.size)
    for top, bottom in LAYERS_NM:
        half = 0.5 * (bottom - top)
        places = 0.5 * (top + bottom) + half * nodes
        distance = depth_nm[:, np.newaxis] - places
        seen = response(distance, MIXING_NM, ROUGHNESS_NM, ESCAPE_NM)
        total += half * seen @ weights
    return total


def profile(name: str, seed: int) -> MeasuredProfile:
    """Counts per second of Al against time, with the noise of counting."""
    method = METHODS[name]
    first = 0.5 if name == "SIMS" else 0.0
    time = method.seconds * (np.arange(round(END_NM / RATE_NM_S / method.seconds)) + first)
    expected = method.counts_s * published_signal(RATE_NM_S * time)
    counts = np.random.default_rng(seed).poisson(method.seconds * expected)
    return MeasuredProfile(
        axis="time",
        axis_values=time,
        interval=np.full(time.size, method.seconds),
        channels=["Al"],
        values=counts[np.newaxis] / method.seconds,
        values_kind="intensity",
        censored=np.zeros((1, time.size), dtype=bool),
        notes=[],
        source=name,
    )


def experiment(name: str) -> Experiment:
    """What is known before: the sample but for its cap, and what kind of mixing there is."""
    return experiment_from_toml(EXPERIMENT.format(method=name, recorded=METHODS[name].recorded))


@dataclass(frozen=True)
class Found:
    """What the inversion of one profile says.

    Attributes
    ----------
    inversion : Inversion
    estimates : dict of str to Estimate
        Of every number that was open. Of the escape depth that is no more than an upper limit: the
        signal knows it from its third power alone, beside position and roughness that are open.
    """

    inversion: Inversion
    estimates: dict[str, Estimate]


def find(name: str, seed: int = 1) -> Found:
    """Invert the profile of a method."""
    inversion = invert(profile(name, seed), experiment(name))
    return Found(inversion, {each.name: each for each in answer(inversion).estimates})


@styled
def figure_of(results: dict[str, Found]) -> "Figure":
    """Readings, fit and residuals of each method, with the layers where they are."""
    figure = new_figure(95.0)
    rows = figure.subplots(2, len(results), sharex=True, height_ratios=(3.0, 1.0))
    keys = {}
    for (name, found), upper, lower in zip(results.items(), *rows, strict=True):
        inversion, colour = found.inversion, PALETTE[0]
        depth = found.estimates["erosion rate of material GaAs"].value * inversion.profile.middle
        shown = inversion.profile.values[0] > 0
        points = {"linestyle": "none", "marker": "o", "color": INK, "markersize": 1.8}
        fine = np.linspace(0.0, depth[-1], 600)
        (keys["readings"],) = upper.plot(
            depth[shown], inversion.profile.values[0][shown], **points, alpha=0.5
        )
        (keys["response by formula"],) = upper.plot(
            fine, METHODS[name].counts_s * published_signal(fine), color=PALETTE[1], linewidth=2.4
        )
        (keys["fit"],) = upper.plot(depth, inversion.solution.model[0], color=colour)
        for top, bottom in LAYERS_NM:
            keys["AlAs"] = upper.axvspan(top, bottom, color=GREY, alpha=0.3, linewidth=0)
        upper.set_yscale("log")
        upper.set_ylim(METHODS[name].counts_s * 1e-4, METHODS[name].counts_s * 2.0)
        upper.set_title(name)
        residuals = estimate_dataset(inversion, answer(inversion))["residual"].values
        draw_residuals(lower, depth, residuals, [points], inversion.profile.values == 0)
        lower.set_xlabel("depth (nm)")
        tidy(upper)
        tidy(lower)
    rows[0, 0].set_ylabel("intensity of Al (1/s)")
    rows[1, 0].set_ylabel("residual\n(SD of noise)")
    legend_outside(figure, keys, "upper")
    return figure


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Fit the double layer and draw the figure.")
    parser.add_argument("folder", type=Path, help="where alas-in-gaas.png goes")
    folder = parser.parse_args().folder
    results = {name: find(name) for name in METHODS}
    save_figure(figure_of(results), folder / "alas-in-gaas.png")
