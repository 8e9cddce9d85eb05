"""What figures take from a dataset: strokes, layers, the axis, times at nominal rates."""

import json
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from craterfront.experiments.experiment import Experiment, experiment_from_dict
from craterfront.forward_model.assembly import Assembly
from craterfront.reports.figure_style import Stroke, another, length_unit, strokes

if TYPE_CHECKING:
    from xarray import Dataset


@dataclass(frozen=True)
class Looks:
    """Strokes of all channels and elements; a channel has the colour of its element."""

    channels: dict[str, Stroke]
    elements: dict[str, Stroke]


def looks_of(dataset: "Dataset") -> Looks:
    experiment = experiment_of(dataset)
    known = experiment.setup.detection.channels(experiment.stack.elements())
    element_of = {channel.name: channel.element for channel in known}
    symbols = [str(name) for name in dataset["element"].values]
    names = [str(name) for name in dataset["channel"].values]
    # A channel of no element has a colour of its own, unless it bears the name of one.
    owners = [element_of.get(name) or name for name in names]
    every = strokes([*symbols, *owners])
    counts: Counter[str] = Counter()
    channels = {}
    for name, owner in zip(names, owners, strict=True):
        channels[name] = another(every[owner], counts[owner])
        counts[owner] += 1
    return Looks(channels, {symbol: every[symbol] for symbol in symbols})


def composition_of(dataset: "Dataset") -> dict[str, np.ndarray]:
    elements = [str(name) for name in dataset["element"].values]
    return dict(zip(elements, dataset["composition"].values, strict=True))


def experiment_of(dataset: "Dataset") -> Experiment:
    return experiment_from_dict(json.loads(dataset.attrs["experiment"]))


def layer_names(dataset: "Dataset") -> list[str]:
    """Of all layers and the substrate."""
    return [layer.name for layer in experiment_of(dataset).stack.expanded()]


def axis_of(dataset: "Dataset") -> tuple[np.ndarray, str]:
    """Places of the readings in a unit that is read easily, and the label of their axis."""
    axis = "time" if "time" in dataset["measured"].dims else "depth"
    unit, factor = dataset[axis].attrs["units"], 1.0
    values = dataset[axis].values
    if axis == "depth":
        unit, factor = length_unit(float(values[-1]))
    return values * factor, f"{axis} ({unit})"


def nominal_rates_nm_s(dataset: "Dataset") -> np.ndarray:
    """Nominal erosion rates of all layers and the substrate of a dataset's experiment."""
    experiment = experiment_of(dataset)
    by_depth = experiment.profile.axis == "depth"
    assembly = Assembly(experiment.stack, experiment.setup, depth_axis=by_depth, merge_equal=False)
    return np.array([assembly.nominal_rate_nm_s(i) for i in range(len(assembly.layers))])


def at_nominal_rates(
    depth_nm: np.ndarray, thickness_nm: np.ndarray, rate_nm_s: np.ndarray
) -> np.ndarray:
    """Time [s] at which depths are reached when every layer erodes at its nominal rate."""
    planes = np.concatenate([[0.0], np.cumsum(thickness_nm)])
    times = np.concatenate([[0.0], np.cumsum(thickness_nm / rate_nm_s[:-1])])
    deeper = np.maximum(depth_nm - planes[-1], 0.0) / rate_nm_s[-1]
    return np.interp(depth_nm, planes, times) + deeper
