"""Simulate a measurement of a layered sample."""

import json
import warnings
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from craterfront import __version__
from craterfront.experiments.experiment import Experiment, experiment_from_dict, experiment_to_dict
from craterfront.experiments.setup import Setup
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.detectors import Detectors
from craterfront.forward_model.reading_parts import ReadingParts
from craterfront.forward_model.resolved import annuli_of, erode, left_out
from craterfront.forward_model.responses import optical_depths
from craterfront.models.detection.emission import check_optical_depth
from craterfront.models.detection.noise import noisy_readings
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.materials.elements import atomic_mass_u
from craterfront.models.quick_engine.engine import Signals, run
from craterfront.models.resolved_engine.resolved_crater import Crater
from craterfront.models.validity import ValidityWarning
from craterfront.problems import InputProblems
from craterfront.samples.stack import Stack

if TYPE_CHECKING:
    import xarray

MAX_COUNTS = 1e18  # in a reading; a random number of 64 bits holds them
MAX_SAMPLES = 2_000_000
MAX_READINGS = 50_000_000
"""Of all channels together."""

MAX_EXPOSURE = 50_000_000
"""Numbers in an exposure matrix: 0.4 GB."""


def simulate(
    stack: Stack,
    setup: Setup,
    *,
    seed: int | None = None,
    exposure: bool = False,
    title: str = "",
    resolved: bool = False,
    progress: Callable[[str, float], None] | None = None,
) -> "xarray.Dataset":
    """Simulate one depth profile.

    Parameters
    ----------
    stack : Stack
        The sample.
    setup : Setup
        How it is measured.
    seed : int, optional
        Seed of the noise; without one, a new one is drawn and written into the result.
    exposure : bool
        Add the exposure matrix: the share of every slice of the sample that leaves in every
        sampling interval (a dense matrix; over all time, every slice leaves once).
    title : str
        Title of the experiment.
    resolved : bool
        Erode the crater annulus by annulus, with all couplings, instead of the quick engine. The
        result then has ``crater_depth(radius, crater_time)``, the history of the crater, and
        ``relative_current(time)``.
    progress : callable, optional
        Of a resolved run: called with a word and the share that is done.

    Returns
    -------
    xarray.Dataset
        ``intensity(channel, time)`` with noise and ``clean(channel, time)`` without;
        ``mean_depth(time)``, the depth removed at the middle of each interval, averaged over the
        analysed area; the truth: ``composition(element, depth)`` and a table of the layers. The
        whole experiment, the seed and the version are in the attributes, see `repeat`.

    Raises
    ------
    InputProblems
        When something is missing or inconsistent.

    Warns
    -----
    ValidityWarning
        Where a formula is used outside the range for which it was made.
    """
    assembly = Assembly(stack, setup)
    for text in assembly.warnings:
        warnings.warn(text, ValidityWarning, stacklevel=2)
    values = assembly.nominal
    sample, instrument = assembly.sample(values), assembly.instrument(values)
    edges = time_edges_s(assembly)
    parts = assembly.reading_parts(edges, values)
    projection = assembly.collects()
    dose = assembly.supplied_dose_s(parts.edges_s, values)
    if resolved:
        _refuse_exposure(exposure)
        result = erode(assembly, values, dose, projection, progress)
    else:
        result = run(sample, instrument, dose, projection, assembly.slices(parts, values))
    per_time = instrument.view == "collected"
    snapshots = not per_time and instrument.timing == "cycle"
    interval = np.diff(edges)
    if snapshots:
        interval = np.append(interval, interval[-1])
    terms = assembly.readings(result.signal.T, parts, values)
    depth_nm = result.mean_depth_nm[parts.ends]
    absorption = assembly.self_absorption_nm2_s(values)
    count = len(assembly.responses)
    check_optical_depth(optical_depths(assembly.responses, terms[:count], absorption))
    terms = assembly.shining(terms, values)
    signal = np.zeros((len(assembly.channels), interval.size))
    for response, term in zip(assembly.responses, terms, strict=True):
        signal[response.channel] += response.sensitivity.value * term
    for c, channel in enumerate(assembly.channels):
        if channel.contamination is not None:
            signal[c] += float(channel.contamination) * assembly.contamination_left(edges, values)
    if seed is None:
        seed = int(np.random.SeedSequence().generate_state(1)[0])

    def at_readings(of_edges: np.ndarray) -> np.ndarray:
        return of_edges if snapshots else 0.5 * (of_edges[1:] + of_edges[:-1])

    background = np.array([c.background.value for c in assembly.channels])
    dataset = _dataset(
        assembly,
        sample,
        at_readings(edges),
        at_readings(depth_nm),
        signal + background[:, None],
        _readings(assembly, signal, background, interval, seed),
        float(depth_nm[-1]),
    )
    written = Experiment(title=title, stack=stack, setup=setup)
    dataset.attrs.update(
        title=title,
        craterfront_version=__version__,
        seed=seed,
        experiment=json.dumps(experiment_to_dict(written)),
    )
    if isinstance(result, Crater):
        dataset = _with_crater(dataset, assembly, result, parts)
    elif exposure:
        dataset = _with_exposure(dataset, result, parts)
    return _described(dataset, per_time)


def _dataset(
    assembly: Assembly,
    sample: LayeredSample,
    time: np.ndarray,
    mean_depth: np.ndarray,
    clean: np.ndarray,
    readings: np.ndarray,
    deepest_nm: float,
) -> "xarray.Dataset":
    """Signals and truth, without attributes."""
    import xarray as xr

    return xr.Dataset(
        {
            "intensity": (("channel", "time"), readings),
            "clean": (("channel", "time"), clean),
            "mean_depth": ("time", mean_depth),
            **_truth(assembly, sample, deepest_nm),
        },
        coords={
            "channel": [c.name for c in assembly.channels],
            "time": time,
            "element": list(assembly.elements),
            "layer": [layer.name for layer in assembly.layers[:-1]],
        },
    )


def _refuse_exposure(asked: bool) -> None:
    if asked:
        raise InputProblems(["--exposure: not with --resolved, whose columns act on each other"])


def _with_crater(
    dataset: "xarray.Dataset", assembly: Assembly, result: Crater, parts: ReadingParts
) -> "xarray.Dataset":
    """Add the history of the crater, and what a resolved run leaves out."""
    radius = annuli_of(assembly, assembly.nominal).radius
    dataset = dataset.assign_coords(radius=radius, crater_time=parts.edges_s[result.frames])
    dataset["crater_depth"] = (("radius", "crater_time"), result.depth_nm.T)
    dataset["relative_current"] = ("time", parts.means(result.current[None])[0])
    dataset.attrs.update(resolved=1, notes="\n".join(left_out(assembly)))
    return dataset


def _with_exposure(
    dataset: "xarray.Dataset", result: Signals, parts: ReadingParts
) -> "xarray.Dataset":
    edges = result.edges_nm
    slices, intervals = edges.size - 1, parts.ends.size - 1
    if slices * intervals > MAX_EXPOSURE:
        raise InputProblems(
            [
                f"detection sampling_s: {slices} slices over {intervals} intervals are more than "
                f"the {MAX_EXPOSURE} numbers that an exposure matrix may have"
            ]
        )
    share = np.diff(result.left()[:, parts.ends], axis=1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    sliced = dataset.assign_coords(slice_depth=middle[:-1])
    dataset = sliced.assign(exposure=(("slice_depth", "interval"), share[:-1]))
    dataset["slice_thickness"] = ("slice_depth", np.diff(edges)[:-1])
    return dataset


def repeat(dataset: "xarray.Dataset") -> "xarray.Dataset":
    """Simulate again what a dataset of `simulate` holds: the same numbers."""
    experiment = experiment_from_dict(json.loads(dataset.attrs["experiment"]))
    return simulate(
        experiment.stack,
        experiment.setup,
        seed=int(dataset.attrs["seed"]),
        exposure="exposure" in dataset,
        title=experiment.title,
        resolved=bool(dataset.attrs.get("resolved", 0)),
    )


def time_edges_s(assembly: Assembly) -> np.ndarray:
    """Edges of the sampling intervals, from 0 [s]."""
    sampling, duration = assembly.sampling_s(), assembly.duration_s()
    readings, channels = duration / sampling, len(assembly.channels)
    problem = ""
    if not readings <= MAX_SAMPLES:
        problem = f"gives {readings:.0f} readings; at most {MAX_SAMPLES}"
    elif readings * channels > MAX_READINGS:
        problem = f"gives {readings:.0f} readings of {channels} channels; at most {MAX_READINGS}"
    elif readings < 1.0 - 1e-9:
        problem = "gives no reading"
    if problem:
        raise InputProblems([f"detection sampling_s: {sampling:g} s over {duration:g} s {problem}"])
    count = int(np.ceil(readings - 1e-9))
    return sampling * np.arange(count + 1)


def _readings(assembly, signal, background, interval, seed) -> np.ndarray:
    noise = assembly.setup.noise
    detectors = Detectors.of(assembly.channels, noise)
    detectors.require_short_dead_times(interval)
    if noise.counts_per_unit_s is not None:
        most = (signal + background[:, None]).max() * float(noise.counts_per_unit_s)
        if not most * interval.max() <= MAX_COUNTS:
            raise InputProblems(
                [
                    f"noise counts_per_unit_s: {noise.counts_per_unit_s.value:g} gives up to "
                    f"{most * interval.max():.3g} counts in a reading; at most {MAX_COUNTS:g}"
                ]
            )
    readings = noisy_readings(
        signal,
        background,
        interval,
        np.random.default_rng(seed),
        counts_per_unit_s=None
        if noise.counts_per_unit_s is None
        else float(noise.counts_per_unit_s),
        fluctuations=noise.fluctuations,
        readout_per_sqrt_s=float(noise.readout_per_sqrt_s),
        dead_time_s=detectors.dead_time_s,
    )
    return detectors.rounded_and_limited(readings)


def composition_against_depth(
    sample: LayeredSample, deepest_nm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Atomic fractions of the undisturbed sample on a grid that follows the interfaces.

    Where interfaces are rough: of a column in which all of them lie at their mean height.

    Parameters
    ----------
    sample : LayeredSample
    deepest_nm : float
        Where the grid ends [nm].

    Returns
    -------
    depth_nm : ndarray, shape (P,)
    composition : ndarray, shape (E, P)
    """
    planes = sample.planes_nm()
    deepest = max(deepest_nm, float(np.max(planes, initial=0.0)) * 1.05 + 1e-6)
    steps = np.linspace(-3.0, 3.0, 61)
    around = np.concatenate(
        [
            plane + np.maximum(width, 1e-4 * deepest) * steps
            for plane, width in zip(planes, sample.width_nm, strict=True)
        ]
        or [np.zeros(0)]
    )
    edges = np.unique(np.concatenate([np.linspace(0.0, deepest, 401), around]))
    edges = edges[(edges >= 0.0) & (edges <= deepest)]
    return 0.5 * (edges[1:] + edges[:-1]), composition_between(sample, edges)


def composition_between(sample: LayeredSample, edges_nm: np.ndarray) -> np.ndarray:
    """Mean atomic fractions between increasing depths, shape (E, P)."""
    layers = sample.layers_in(edges_nm, sample.planes_nm())
    atoms = layers * sample.atomic_density_per_nm3[sample.material]
    fractions = atoms @ sample.composition[sample.material] / atoms.sum(axis=1, keepdims=True)
    return fractions.T


def by_mass(composition: np.ndarray, elements: Sequence[str]) -> np.ndarray:
    """Mass fractions of atomic fractions, both of shape (E, P)."""
    mass = np.array([atomic_mass_u(symbol) for symbol in elements])[:, None] * composition
    return mass / mass.sum(axis=0)


def _truth(assembly: Assembly, sample: LayeredSample, deepest_nm: float) -> dict:
    depth, composition = composition_against_depth(sample, deepest_nm)
    layers = assembly.layers[:-1]
    thickness = np.array([layer.thickness_nm.value for layer in layers])
    density = np.array(
        [float(d) if (d := layer.density_g_cm3) is not None else np.nan for layer in layers]
    )
    return {
        "composition": (("element", "depth"), composition),
        "composition_mass": (("element", "depth"), by_mass(composition, assembly.elements)),
        "depth": ("depth", depth),
        "thickness_nm": ("layer", thickness),
        "interface_depth_nm": ("layer", np.cumsum(thickness)),
        "interface_width_nm": (
            "layer",
            np.array([layer.interface_width_nm.value for layer in layers]),
        ),
        "interface_roughness_nm": (
            "layer",
            np.array([layer.interface_roughness_nm.value for layer in layers]),
        ),
        "areal_mass_g_m2": ("layer", thickness * density * 1e-3),
    }


_DESCRIPTIONS = {
    "channel": ("name of the channel", "1"),
    "element": ("symbol of the element", "1"),
    "layer": ("name of the layer", "1"),
    "time": ("time at the middle of the sampling interval", "s"),
    "depth": ("depth below the original surface", "nm"),
    "mean_depth": ("depth removed, mean over the analysed area", "nm"),
    "composition": ("atomic fraction in the undisturbed sample", "1"),
    "composition_mass": ("mass fraction in the undisturbed sample", "1"),
    "thickness_nm": ("layer thickness", "nm"),
    "interface_depth_nm": ("depth of the interface below the layer", "nm"),
    "interface_width_nm": ("width of the true transition below the layer, 16-84 %", "nm"),
    "interface_roughness_nm": ("standard deviation of the height of the interface below", "nm"),
    "areal_mass_g_m2": ("mass per area of the layer", "g/m2"),
    "exposure": ("share of the slice that leaves in the sampling interval", "1"),
    "radius": ("distance from the centre, relative to the radius of the analysed area", "1"),
    "crater_time": ("time at which the crater is this deep", "s"),
    "crater_depth": ("depth of the crater", "nm"),
    "relative_current": ("current relative to the one for which erosion rates are given", "1"),
    "slice_depth": ("depth of the slice", "nm"),
    "slice_thickness": ("thickness of the slice", "nm"),
}


def _described(dataset: "xarray.Dataset", per_time: bool) -> "xarray.Dataset":
    unit = "atoms nm-2 s-1 times sensitivity" if per_time else "atomic fraction times sensitivity"
    named = {
        **_DESCRIPTIONS,
        "intensity": ("intensity with noise", unit),
        "clean": ("intensity without noise", unit),
    }
    for name, (long_name, units) in named.items():
        if name in dataset.variables:
            dataset[name].attrs.update(long_name=long_name, units=units)
    return dataset
