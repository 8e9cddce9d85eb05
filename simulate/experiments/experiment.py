"""The experiment file: a sample, how it is measured and how a measured file of it is read."""

import os
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any, ClassVar

from craterfront.experiments.channel import Channel
from craterfront.experiments.crater_shape import ParabolicCrater
from craterfront.experiments.depth_scale import DepthScale
from craterfront.experiments.profile_settings import ProfileSettings
from craterfront.experiments.setup import Setup
from craterfront.experiments.source import GlowDischarge, IonBeam
from craterfront.notation.table import MOST_UNKNOWN_KEYS, Mistake, Table, Text, numbered
from craterfront.notation.toml_text import parse_toml, read_toml
from craterfront.problems import InputProblems, did_you_mean, mistakes_of, shown, shown_key
from craterfront.samples.asked import CaseDepth, CoatingLimit
from craterfront.samples.by_layer import key_of_layer
from craterfront.samples.concrete_layer import ConcreteLayer
from craterfront.samples.layer import Layer
from craterfront.samples.stack import Stack

_STACK_KEYS = {"layer": "layers", "substrate": "substrate", "material": "materials"}
_SETUP_KEYS = tuple(Setup.model_fields)
_OTHER_KEYS = ("title", "profile", "depth_scale", "limit", "case_depth")
# Of the thinner layer beside a rough interface, see `models.erosion_front.roughening`
MOST_RELIEF = 0.1
_SEVERAL = 3.0  # standard deviations that a normal surface is said to reach down
FILE_KEYS = (*_STACK_KEYS, *_SETUP_KEYS, *_OTHER_KEYS)


class Experiment(Table):
    """A sample and how it is measured.

    Parameters
    ----------
    title
        Free text.
    stack
        The sample.
    setup
        How it is measured.
    profile
        How a measured file is read.
    depth_scale
        What fixes the depth scale of an inversion, besides rates and sensitivities.
    limit
        Tolerance limits of several layers together, on which an inversion decides.
    case_depth
        Levels of elements of which an inversion reports the depth.
    """

    place: ClassVar[str] = ""
    file_names: ClassVar[Mapping[str, str]] = {"stack": "", "setup": ""}

    title: Text = ""
    stack: Stack
    setup: Setup = Setup()
    profile: ProfileSettings = ProfileSettings()
    depth_scale: DepthScale = DepthScale()
    limit: tuple[CoatingLimit, ...] = ()
    case_depth: tuple[CaseDepth, ...] = ()

    def warnings(self) -> list[str]:
        """What is allowed and yet probably not meant, one line each."""
        return [
            *self.setup.unused(),
            *self._source_warnings(),
            *(f"detection {warning}" for warning in self.setup.detection.warnings()),
            *self._start_up_warnings(),
            *self._unused_depth_scale(),
            *self._unused_materials(),
            *self._widths_beyond_their_layer(),
            *dict.fromkeys(self._heights_beyond_their_layers()),
            *self._surface_beyond_its_layer(),
            *self._elements_in_no_layer(),
            *self._layers_without_sensitivity(),
        ]

    def asked(self) -> Iterator[tuple[str, str]]:
        """What an inversion is asked besides thicknesses and widths, and of what."""
        for place, part in self.stack.parts():
            if isinstance(part, Layer):
                if part.limit is not None:
                    yield part.limit.described(), place
                if part.has_diffused:
                    of_time = "diffusivity" if part.diffusion_time_s else ""
                    yield " and ".join(filter(None, ("diffusion length", of_time))), place
                for symbol in part.enrichment:
                    yield f"excess of {symbol}", place
        for limit in self.limit:
            yield limit.described(), " + ".join(limit.layers) or "all layers"
        for case in self.case_depth:
            yield "case depth", case.described()

    def checks(self) -> Iterator[Mistake]:
        if self.stack is None:  # while mistakes are gathered
            return
        if not self.setup.is_written("source"):
            if self.profile.axis == "time":  # a depth axis needs no rates
                yield from self._missing_rates()
            if self.depth_scale.from_yields:
                message = "is true, but there is no [source] that has yields"
                yield Mistake("from_yields", message, within="depth_scale")
        yield from self._insulators()
        yield from self._hydrogen()
        yield from self._strange_names()
        if not any(self.stack.problems()):
            yield from self._limits_of_strange_layers()
            yield from self._levels_out_of_reach()

    def _missing_rates(self) -> Iterator[Mistake]:
        """Layers and materials without erosion rate where no source could give it."""
        for place, owner in self._solids().items():
            if not owner.is_written("erosion_rate_nm_s"):
                message = "missing, and there is no [source] whose yields would give it"
                yield Mistake("erosion_rate_nm_s", message, within=place)

    def _insulators(self) -> Iterator[Mistake]:
        """Layers and materials on which no discharge burns with a direct current."""
        source = self.setup.source
        if not isinstance(source, GlowDischarge) or source.supply != "DC":
            return
        for place, owner in self._solids().items():
            if owner.atomic_fractions and not owner.lets_current_through:
                yield Mistake(
                    "conducts",
                    "is false or taken to be, and a DC discharge needs a sample that conducts;"
                    ' write supply = "RF" and power_W in [source], or conducts = true here if the'
                    " layer conducts or is thin enough to let the current through",
                    within=place,
                )

    def _hydrogen(self) -> Iterator[Mistake]:
        """Channels that hydrogen changes where the sample has none."""
        if any(self.stack.problems()) or "H" in self.stack.elements():
            return
        for place, channel in self._channels():
            if channel.is_written("hydrogen_effect"):
                message = (
                    "needs hydrogen in the sample; that of the gas alone, which is constant, is in"
                    " the sensitivity"
                )
                yield Mistake("hydrogen_effect", message, within=place)

    def _solids(self) -> dict[str, Any]:
        """What has a composition and a rate of its own, by its place."""
        owners: dict[str, Any] = {}
        for place, part in self.stack.parts():
            if not part.materials:
                owners[place] = part
            for name in part.materials:
                if name in self.stack.materials:
                    owners[f"material.{shown_key(name)}"] = self.stack.materials[name]
        return owners

    def _strange_names(self) -> Iterator[Mistake]:
        """Numbers for what is no layer and no material, and none for a layer that needs one."""
        known = [part.label for _, part in self.stack.parts()] + list(self.stack.materials)
        every = set(known)
        if not any(self.stack.problems()):
            layers = self.stack.expanded()
            every |= {layer.name for layer in layers}
            yield from self._layers_without_number(layers)
        for place, key, table in self._tables_by_layer():
            for name in table:
                if name not in every:
                    near = did_you_mean(name, known)
                    message = f"{shown(name)} is no layer and no material{near}"
                    yield Mistake(key, message, within=place)

    def _limits_of_strange_layers(self) -> Iterator[Mistake]:
        """Tolerance limits of what is no layer, or of a single one."""
        layers = self.stack.expanded()[:-1]
        known = list(dict.fromkeys(layer.label for layer in layers))
        for index, limit in enumerate(self.limit):
            place = numbered("limit", index)
            for name in limit.layers:
                if not any(name in (each.name, each.label, each.graded) for each in layers):
                    near = did_you_mean(name, known)
                    message = f"{shown(name)} is no layer above the substrate{near}"
                    yield Mistake("layers", message, within=place)
            if len(limit.layers) == 1:
                message = "needs several names; the limit of one layer is a key of that layer"
                yield Mistake("layers", message, within=place)

    def _levels_out_of_reach(self) -> Iterator[Mistake]:
        """Levels that no layer has, or under which the substrate never comes."""
        layers = self.stack.expanded()
        for index, case in enumerate(self.case_depth):
            if any(case.problems()):
                continue
            *above, below = (case.fraction_in(layer.composition) for layer in layers)
            key = "mass_fraction" if case.by_mass else "atomic_fraction"
            place = numbered("case_depth", index, case.label)
            if case.level <= below:
                message = f"must be above that of the substrate, {below:.4g}, got {case.level:g}"
                yield Mistake(key, message, within=place)
            elif case.level >= max(above, default=0.0):
                most = max(above, default=0.0)
                message = f"must be below the most in any layer, {most:.4g}, got {case.level:g}"
                yield Mistake(key, message, within=place)

    def _tables_by_layer(self) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
        """Place, key and table of all numbers that are given by layer."""
        numbers: list[tuple[str, str, Any]] = [
            (place, "sensitivity", channel.sensitivity) for place, channel in self._channels()
        ]
        numbers.append(("mixing", "length_nm", self.setup.mixing.length_nm))
        if self.setup.coupling is not None:
            numbers.append(("coupling", "relative_current", self.setup.coupling.relative_current))
        shape = self.setup.crater
        if isinstance(shape, ParabolicCrater):
            numbers.append(("crater", "curvature", shape.curvature))
            for index, point in enumerate(shape.point):
                numbers.append((f"crater.{numbered('point', index)}", "curvature", point.curvature))
        yield from (entry for entry in numbers if isinstance(entry[2], dict))

    def _layers_without_number(self, layers: Sequence[ConcreteLayer]) -> Iterator[Mistake]:
        for place, key, table in self._tables_by_layer():
            needed = {"length_nm": layers[:1], "curvature": layers}.get(key, ())
            missing = [layer.label for layer in needed if key_of_layer(table, layer) is None]
            if missing:
                yield Mistake(key, f"missing for layer {shown(missing[0])}", within=place)

    def _source_warnings(self) -> Iterator[str]:
        source = self.setup.source
        if isinstance(source, IonBeam):
            yield from (f"source {warning}" for warning in source.warnings())

    def _start_up_warnings(self) -> Iterator[str]:
        if self.setup.start_up is not None:
            yield from (f"start_up {warning}" for warning in self.setup.start_up.warnings())

    def _unused_depth_scale(self) -> Iterator[str]:
        if self.profile.axis == "depth":
            for key in filter(self.depth_scale.is_written, type(self.depth_scale).model_fields):
                yield f'depth_scale {key}: unused with axis = "depth" in [profile]'

    def _unused_materials(self) -> Iterator[str]:
        used = {name for _, part in self.stack.parts() for name in part.materials}
        for name in self.stack.materials:
            if name not in used:
                yield f"material.{shown_key(name)}: no layer names it"

    def _widths_beyond_their_layer(self) -> Iterator[str]:
        for place, part in self.stack.parts():
            if isinstance(part, Layer):
                thickness, width = float(part.true_thickness), float(part.true_width)
                if width > thickness and part.thickness_nm is not None:
                    yield (
                        f"{place} interface_width_nm: {shown(width)} nm are wider than the layer,"
                        f" {shown(thickness)} nm"
                    )

    def _heights_beyond_their_layers(self) -> Iterator[str]:
        """Rough interfaces that the signal of the layers around them shows only nearly."""
        for layer, below in pairwise(self.stack.expanded()):
            relief = (1.0 - layer.conformal) * float(layer.interface_roughness_nm)
            above_rate, below_rate = layer.erosion_rate_nm_s, below.erosion_rate_nm_s
            faster = 1.0
            if above_rate is not None and below_rate is not None:
                faster = max(float(below_rate) / float(above_rate), 1.0)
            thinner = min(float(layer.thickness_nm), float(below.thickness_nm) / faster)
            most = MOST_RELIEF * thinner
            if relief > most:
                yield (
                    f"layer {shown(layer.label)} interface_roughness_nm: too rough for the layers"
                    f" beside it; signals are good up to {most:.3g} nm"
                )

    def _surface_beyond_its_layer(self) -> Iterator[str]:
        """A surface so rough that columns begin without the first layer."""
        rough, layers = self.setup.roughness, self.stack.expanded()
        deepest_nm = _SEVERAL * float(rough.initial_nm)
        if rough.heights is not None:
            classes, sd_nm = rough.heights.classes()
            scale_nm = float(rough.initial_nm) if rough.is_written("initial_nm") else sd_nm
            deepest_nm = -float(classes[0, 0]) * scale_nm
        if len(layers) > 1 and deepest_nm > float(layers[0].thickness_nm):
            key = "initial_nm" if rough.heights is None else "heights"
            yield (
                f"roughness {key}: the surface reaches {deepest_nm:.3g} nm down, through all of"
                f" layer {shown(layers[0].label)}; signals are good for a surface within it"
            )

    def _elements_in_no_layer(self) -> Iterator[str]:
        present = self.stack.elements()
        for place, channel in self._channels():
            if channel.element is not None and channel.element not in present:
                yield f"{place} element: {channel.element} is in no layer"
            for symbol in channel.interference:
                if symbol not in present:
                    yield f"{place} interference: {symbol} is in no layer"

    def _layers_without_sensitivity(self) -> Iterator[str]:
        layers = self.stack.expanded()
        for place, channel in self._channels():
            if isinstance(channel.sensitivity, dict) and channel.element is not None:
                dark = {
                    layer.label: None
                    for layer in layers
                    if channel.element in layer.composition
                    and channel.sensitivity.keys().isdisjoint(
                        (layer.name, layer.label, layer.material or "")
                    )
                }
                for label in dark:
                    yield (
                        f"{place} sensitivity: no number for layer {shown(label)}, which has"
                        f" {channel.element}; 1 is taken"
                    )

    def _channels(self) -> Iterator[tuple[str, Channel]]:
        for place, channel in self.setup.detection.placed_channels():
            yield f"detection.{place}", channel


# --- files and dictionaries --------------------------------------------------------------------


def load_experiment(path: str | os.PathLike[str]) -> Experiment:
    """Read an experiment file.

    Parameters
    ----------
    path
        A TOML file in UTF-8 of at most 5 MB.

    Raises
    ------
    InputProblems
        The file cannot be read, or all mistakes that are in it.
    """
    return experiment_from_dict(read_toml(path), os.fspath(path))


def experiment_from_toml(text: str, place: str = "experiment") -> Experiment:
    """The experiment that a TOML text describes.

    Parameters
    ----------
    text
        What an experiment file holds.
    place
        Where it is from; messages begin with it.

    Raises
    ------
    InputProblems
        All mistakes at once; of a syntax error, the line and column.
    """
    return experiment_from_dict(parse_toml(text, place), place)


def experiment_from_dict(written: Mapping[str, Any], place: str = "experiment") -> Experiment:
    """The experiment from a dictionary with the keys of the file; the rest as from TOML.

    The name of a file in it counts from the folder of `place`.
    """
    unknown = [key for key in written if key not in FILE_KEYS]
    problems = [
        f"{shown_key(key)}: unknown key{did_you_mean(key, FILE_KEYS)}"
        for key in unknown[:MOST_UNKNOWN_KEYS]
    ]
    if len(unknown) > MOST_UNKNOWN_KEYS:
        problems.append(f"{len(unknown) - MOST_UNKNOWN_KEYS} more unknown keys")
    written, unread = _with_rate_table(written, place)
    problems += unread
    stack = {field: written[key] for key, field in _STACK_KEYS.items() if key in written}
    setup = {key: written[key] for key in _SETUP_KEYS if key in written}
    other = {key: written[key] for key in _OTHER_KEYS if key in written}
    with mistakes_of(place, problems):
        experiment = Experiment(stack=stack, setup=setup, **other)
    if problems:
        raise InputProblems(problems, place)
    return experiment


def _with_rate_table(written: Mapping[str, Any], place: str) -> tuple[Mapping[str, Any], list[str]]:
    """What is written, with the rate table in place of the name of its file; and its mistakes."""
    source = written.get("source")
    if not isinstance(source, Mapping) or not isinstance(source.get("rate_table"), str):
        return written, []
    from craterfront.experiments.rate_table import load_rate_table

    path = os.path.join(os.path.dirname(place), source["rate_table"])
    table, problems = None, []
    try:
        table = load_rate_table(path)
    except InputProblems as error:
        problems = [f"source rate_table: {error.source}: {line}" for line in error.problems]
    return {**written, "source": {**source, "rate_table": table}}, problems


def experiment_to_dict(experiment: Experiment) -> dict[str, Any]:
    """The experiment as the dictionary that its file would hold, of plain values fit for JSON.

    What nobody wrote stays unwritten, so that `experiment_from_dict` restores the experiment
    exactly.
    """
    written = experiment.as_written()
    return written.pop("stack") | written.pop("setup") | written
