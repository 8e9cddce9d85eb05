"""The figure of what a lamp's erosion rates do when its voltage changes."""

import warnings
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.experiments.experiment import Experiment
from craterfront.experiments.source import GlowDischarge
from craterfront.forward_model import ions
from craterfront.problems import InputProblems
from craterfront.reports.figure_style import (
    GREY,
    INK,
    legend_height_mm,
    legend_outside,
    new_figure,
    strokes,
    styled,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from craterfront.models.sources.lamp import Discharge

_WIDEST = 0.5, 1.6  # of the voltage, from the least to the highest
_VOLTAGES = 60

BAND = "sheath one u longer or shorter"


@styled
def rate_law_figure(experiment: Experiment) -> "Figure":
    """Draw the mass rates of a lamp against its voltage, by the sheath and by published laws.

    Parameters
    ----------
    experiment : Experiment
        With a glow discharge as its source.

    Returns
    -------
    matplotlib.figure.Figure
        Rates at constant current, relative to those at the voltage of the measured reference, or
        else of the file: a line for each material by the model of the sheath, a band for the first
        of them where the sheath is one standard uncertainty longer or shorter, and the two laws.

    Raises
    ------
    InputProblems
        There is no glow discharge, its current is not known, or no layer has a known yield.
    """
    source = experiment.setup.source
    if not isinstance(source, GlowDischarge):
        raise InputProblems(['source: rate laws are those of kind = "glow discharge"'])
    try:
        here = ions.lamp_discharge(source)
    except ions.CurrentUnknown as error:
        raise InputProblems([f"source current_mA: {error}"]) from None
    measured = ions.measured_rate(source)
    point = here if measured is None else measured.discharge
    least, most = (edge * point.voltage_V for edge in _WIDEST)
    volts = np.linspace(least, most, _VOLTAGES)
    solids = _with_yields(experiment, point)
    if not solids:
        raise InputProblems(["no layer has sputter yields to draw rates from"])
    looks = strokes([f"sheath: {name}" for name in solids])
    laws = {"linear": "(U − 300 V)", "power": "(U − 400 V)^0.74"}
    figure = new_figure(78.0 + legend_height_mm([*looks, BAND, *laws.values()]))
    axes = figure.subplots()
    keys: dict[str, Any] = {}
    for (label, look), composition in zip(looks.items(), solids.values(), strict=True):
        rates = _relative(composition, point, volts)
        (keys[label],) = axes.plot(volts, rates, color=look.colour, linestyle=look.dash)
    first = next(iter(solids.values()))
    band = _shorter_and_longer(first, point, volts)
    keys[BAND] = axes.fill_between(volts, *band, color=INK, alpha=0.12, linewidth=0)
    for (law, label), dash in zip(laws.items(), ("dashed", "dotted"), strict=True):
        (keys[label],) = axes.plot(volts, _by_law(law, point, volts), color=GREY, linestyle=dash)
    axes.axvline(here.voltage_V, color=GREY, linewidth=0.5)
    axes.set_xlim(volts[0], volts[-1])
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel("voltage U (V); line: as it runs")
    axes.set_ylabel(f"mass rate at equal current, 1 at {point.voltage_V:.4g} V")
    tidy(axes)
    legend_outside(figure, keys, "upper")
    return figure


def _with_yields(experiment: Experiment, point: "Discharge") -> dict[str, dict[str, float]]:
    """Composition of each substance that is sputtered at a point, from the surface down."""
    from craterfront.models.materials.yield_formulas import YieldUnknown
    from craterfront.models.sources.lamp import lamp_erosion_rate_nm_s

    found = {}
    for layer in experiment.stack.expanded():
        try:
            rate_nm_s, _ = lamp_erosion_rate_nm_s(layer.composition, 1.0, point)
        except YieldUnknown:
            continue
        if rate_nm_s > 0:
            found.setdefault(layer.substance, layer.composition)
    return found


def _relative(
    composition: dict[str, float], point: "Discharge", volts: np.ndarray, longer: float = 1.0
) -> np.ndarray:
    """Rates by the model of a sheath that is so much longer, over that at the point, shape (V,)."""
    from craterfront.models.sources.lamp import lamp_erosion_rate_nm_s
    from craterfront.models.validity import ValidityWarning

    def rate(discharge: "Discharge") -> float:
        return lamp_erosion_rate_nm_s(composition, 1.0, discharge)[0]

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)  # the axis goes where no lamp may run
        changed = replace(point, free_paths=point.free_paths * longer)
        rates = [rate(replace(changed, voltage_V=float(voltage))) for voltage in volts]
        return np.array(rates) / rate(changed)


def _shorter_and_longer(
    composition: dict[str, float], point: "Discharge", volts: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    factor = float(np.exp(point.free_paths_ln_sd))
    shorter, longer = (_relative(composition, point, volts, by) for by in (1 / factor, factor))
    return shorter, longer


def _by_law(law: str, point: "Discharge", volts: np.ndarray) -> np.ndarray:
    """Rates by a published law over the rate at a point, shape (V,); none below its threshold."""
    from craterfront.models.sources.rate_laws import THRESHOLD_V, voltage_factor

    least_V = THRESHOLD_V[law] if point.voltage_V > THRESHOLD_V[law] else np.inf
    return np.array(
        [
            voltage_factor(law, float(voltage), point.voltage_V) if voltage > least_V else np.nan
            for voltage in volts
        ]
    )
