"""From the experiment to the numbers that the engine takes, as functions of the parameters.

An `Assembly` knows every parameter of an experiment and builds the engine's sample and
instrument for any values of them. `simulate` uses the nominal values; `invert` varies those that
are not fixed. Nothing else translates between the experiment file and the physics.
"""

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import replace

import numpy as np

from craterfront.experiments.setup import Setup
from craterfront.forward_model import crater_parameters, ions
from craterfront.forward_model.input_slopes import InputSlopes
from craterfront.forward_model.instrument_parameters import (
    DEFAULT_DISPLACEMENT,
    RANGE_TO_LENGTH,
    SHARE_OF_RANGE,
    TRANSIENT,
)
from craterfront.forward_model.linear_numbers import LinearNumber
from craterfront.forward_model.reading_parts import ReadingParts
from craterfront.forward_model.responses import (
    Response,
    changed_by_hydrogen,
    find_responses,
    self_absorbed,
    sensitivity_label,
)
from craterfront.models.erosion_front import start_up, surface_transient
from craterfront.models.erosion_front.roughening import Growth
from craterfront.models.instrument import Instrument
from craterfront.models.interfaces.transition_tables import TransitionTable, stacked
from craterfront.models.interfaces.transitions import (
    SHAPES,
    TABULATED,
    support_nm,
)
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.slice_plan import plan
from craterfront.models.quick_engine.slicing import SlicePlan
from craterfront.models.sources.residence import lagged
from craterfront.models.validity import collected_warnings
from craterfront.notation import parameters as rules
from craterfront.notation.quantities import Quantity
from craterfront.problems import InputProblems, shown
from craterfront.samples.concrete_layer import ConcreteLayer
from craterfront.samples.stack import Stack

DEFAULT_SAMPLES = 1000


class Assembly(InputSlopes):
    """All parameters of an experiment, and the engine's input for any values of them.

    Parameters
    ----------
    stack, setup : Stack, Setup
    depth_axis : bool
        The profile has a depth axis, quantified by somebody else: depth stands for time and
        every layer erodes at 1 nm per nm.
    merge_equal : bool
        Treat layers with equal numbers as one material and join neighbours. Right for a
        simulation; in an inversion their parameters differ.

    Attributes
    ----------
    layers : list of ConcreteLayer
        The last one is the substrate.
    elements : tuple of str
    channels : tuple of Channel
    parameters : list of Parameter
        Non-linear parameters; sensitivities and backgrounds are in `responses`.
    responses : list of Response
    warnings : list of str
        Where a formula is used outside the range for which it was made.
    knows_rates : bool
        Lengths are lengths; else the rates are nominal, and only times mean anything.

    Raises
    ------
    InputProblems
        When something that the physics needs is missing, all of it at once.
    """

    def __init__(
        self,
        stack: Stack,
        setup: Setup,
        *,
        depth_axis: bool = False,
        merge_equal: bool = True,
    ) -> None:
        super().__init__(stack, setup, depth_axis)
        self.warnings: list[str] = []
        self.knows_rates = True
        with collected_warnings(self.warnings):
            self._build(merge_equal)

    def _build(self, merge_equal: bool) -> None:
        """Parameters of all parts, then what they make of materials and channels."""
        setup = self.setup
        self._merge_equal = merge_equal
        self._add_layers()
        self._add_instrument()
        if self._problems:
            raise InputProblems(self._problems)
        self._materials, self._material_of = self._find_materials()
        self._first = np.unique(self._material_of, return_index=True)[1]  # layer of each material
        self._composition = self._composition_table()
        self._preference = self._preferences()
        self.responses = find_responses(
            self.channels, self.layers, self._material_of, self.elements
        )
        if not self.responses:
            self._problems.append("detection channel: every sensitivity is 0; there is no signal")
        if setup.detection.timing == "cycle" and setup.detection.view == "collected":
            self._problems.append('detection timing: "cycle" goes with view = "viewed" only')
        self._shape, self._tables = _transitions(self.layers[:-1])
        if self._problems:
            raise InputProblems(self._problems)

    def at_nominal_rates(self) -> "Assembly":
        """The same sample and instrument where times at nominal rates are asked for.

        The sensitivities of a collected signal, which together with rates make it, are free.
        """
        other = copy(self)
        other.knows_rates = False
        other.parameters = [rules.at_nominal_rates(p) for p in self.parameters]
        if self.setup.detection.view == "collected":
            other.responses = [
                replace(r, sensitivity=Quantity.guess(r.sensitivity.value)) for r in self.responses
            ]
        return other

    # --- what the engine takes -----------------------------------------------------------------

    def sample(self, values: np.ndarray) -> LayeredSample:
        """Sample for the given parameter values."""
        rates = np.array([self._rate_nm_s(index, values) for index in range(len(self.layers))])
        first = self._first
        sample = LayeredSample(
            thickness_nm=values[self._thickness],
            width_nm=values[self._width],
            shape=self._shape,
            material=np.array(self._material_of, dtype=np.int64),
            atomic_density_per_nm3=np.array([self._atomic_density(i, values) for i in first]),
            rate_nm_s=rates[first],
            composition=self._composition,
            tables=self._tables,
            relief_nm=self._relief_nm(values),
        )
        return _joined(sample) if self._merge_equal else sample

    def eroding(self, values: np.ndarray) -> LayeredSample:
        """The sample that the engine is given for a measured profile.

        Its layers are as much thinner as the model may be wrong by in their rates.
        """
        sample, errors = self.sample(values), self.rate_errors(values)
        if np.all(errors == 1.0):
            return sample
        across = np.sqrt(errors[:-1] * errors[1:])
        return replace(
            sample,
            thickness_nm=sample.thickness_nm / errors[:-1],
            width_nm=sample.width_nm / across,
        )

    def true_depth_nm(self, depth_nm: np.ndarray, values: np.ndarray) -> np.ndarray:
        """How deep it really is where the engine has come to a depth, for depths of any shape."""
        eroded = self.eroding(values).thickness_nm
        top = np.append(0.0, np.cumsum(eroded)[:-1])
        removed = np.clip(depth_nm[..., None] - top, 0.0, eroded)
        return depth_nm + removed @ (self.rate_errors(values)[:-1] - 1.0)

    def instrument(self, values: np.ndarray) -> Instrument:
        """Instrument for the given parameter values."""
        setup = self.setup

        def value(kind: str, group: str = "") -> float:
            index = self._index.get((kind, group))
            return 0.0 if index is None else float(values[index])

        index = self._mixing_length[0]
        length = 0.0 if index is None else float(values[index])
        reach = value("mixing range") or RANGE_TO_LENGTH * length
        reach = max(reach, length / SHARE_OF_RANGE)
        length = max(length, self._shortest_nm(value("displacement"), reach))
        detection = setup.detection
        made = crater_parameters.segments(setup, value, [self.layers[i] for i in self._first])
        return Instrument(
            crater=made,
            seen_share=crater_parameters.seen_share(setup, made),
            mixing=setup.mixing.model,
            mixing_length_nm=length,
            mixing_range_nm=reach,
            mixing_lengths_nm=self._mixing_lengths_nm(values, reach),
            displacement=setup.mixing.displacement or DEFAULT_DISPLACEMENT,
            displacement_nm=value("displacement"),
            preference=self._preference,
            initial_nm=value("initial roughness"),
            heights=self._heights,
            growth=Growth(
                setup.roughness.growth,
                relative_spread=value("relative spread"),
                grain_nm=value("grain size"),
                final_nm=value("final roughness"),
                settling_nm=value("settling depth") or 1.0,
            ),
            view=detection.view,
            timing=detection.timing,
            escape_depth_nm=value("escape depth"),
        )

    def _mixing_lengths_nm(self, values: np.ndarray, range_nm: float) -> np.ndarray | None:
        """Mixing length of each material, nan where it has none of its own; None where none has."""
        if not isinstance(self.setup.mixing.length_nm, dict):
            return None
        lengths = []
        for index in self._first:
            own = self._mixing_length[index]
            most = SHARE_OF_RANGE * range_nm * self._zone_depth(index, values)
            lengths.append(math.nan if own is None else min(float(values[own]), most))
        return np.array(lengths)

    def reading_parts(self, edges_s: np.ndarray, values: np.ndarray) -> ReadingParts:
        """When the engine is to be asked for readings with these edges, or for snapshots."""
        residence_s, transient = self.residence_s(values), self._transient(values)
        if residence_s > 0.0:
            return ReadingParts.lagging(edges_s, residence_s)
        detection = self.setup.detection
        if transient and (detection.view, detection.timing) == ("viewed", "continuous"):
            rate = surface_transient.relative_rate(edges_s, *transient)
            return ReadingParts.by_rate(edges_s, rate)
        return ReadingParts.whole(edges_s)

    def slices(self, parts: ReadingParts, values: np.ndarray) -> SlicePlan:
        """Slices for a run of the engine.

        Raises
        ------
        ValueError
            When the sample needs too many of them.
        """
        dose = self.supplied_dose_s(parts.edges_s, values)
        shortest_s = float(np.min(np.diff(dose[parts.ends]), initial=math.inf))
        sample, instrument = self.eroding(values), self.instrument(values)
        try:
            return plan(sample, instrument, dose, interval_s=min(shortest_s, float(dose[-1])))
        except ValueError as error:
            raise ValueError(f"{error}{self._wide_interface(values)}") from None

    def _wide_interface(self, values: np.ndarray) -> str:
        """Words for the widest interface, if it is wider than all the layers."""
        above_nm, below_nm = support_nm(values[self._width], self._shape, self._tables)
        reach_nm = above_nm + below_nm
        if not np.max(reach_nm, initial=0.0) > np.sum(values[self._thickness]):
            return ""
        index = int(np.argmax(reach_nm))
        layer = self.layers[index]
        key = "interface_table" if layer.interface_table else "interface_width_nm"
        return f"; layer {shown(layer.label)} {key}: reaches over {reach_nm[index]:.3g} nm"

    def readings(self, signal: np.ndarray, parts: ReadingParts, values: np.ndarray) -> np.ndarray:
        """What shines per second, or is seen, in each reading, shape (Q, N).

        Parameters
        ----------
        signal : ndarray, shape (Q, M)
            Of the engine: what is collected, or the mean of what is seen, in each part.
        parts : ReadingParts
        values : ndarray
        """
        if self.setup.detection.view == "viewed":
            return parts.means(signal)
        interval_s = parts.interval_s
        return parts.means(lagged(signal / interval_s, interval_s, self.residence_s(values)))

    def residence_s(self, values: np.ndarray) -> float:
        """Mean time of atoms in the gas [s]; 0 for none."""
        index = self.index_of("residence time")
        return 0.0 if index is None else float(values[index])

    def self_absorption_nm2_s(self, values: np.ndarray) -> np.ndarray:
        """Optical depth of every channel's line per atom/nm2 and second, 0 for none, shape (C,)."""
        indices = [self.index_of("self-absorption", c.name) for c in self.channels]
        return np.array([0.0 if i is None else float(values[i]) for i in indices])

    def hydrogen_effects(self, values: np.ndarray) -> tuple[np.ndarray, float]:
        """Relative change of every channel by much hydrogen, shape (C,); what makes half of it."""
        indices = [self.index_of("hydrogen effect", c.name) for c in self.channels]
        effect = np.array([0.0 if i is None else float(values[i]) for i in indices])
        half = self.index_of("hydrogen of half effect")
        return effect, math.inf if half is None else float(values[half])

    def shining(self, emitting: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Light of every response, per unit of sensitivity, from what `emission` gives.

        Parameters
        ----------
        emitting : ndarray, shape (R, N) or (R + 1, N)
            Of `collects`.
        values : ndarray

        Returns
        -------
        ndarray, shape (R, N)
            What hydrogen makes of it, as far as atoms of the same element let it out.
        """
        count = len(self.responses)
        absorption = self.self_absorption_nm2_s(values)
        terms = self_absorbed(self.responses, emitting[:count], absorption)
        if not self.setup.detection.has_hydrogen_effect:
            return terms
        return changed_by_hydrogen(
            self.responses, terms, emitting[count], *self.hydrogen_effects(values)
        )

    def collects(self) -> np.ndarray:
        """Projection of atoms on every response, and on hydrogen where it has an effect.

        Returns
        -------
        ndarray, shape (M, E, R) or (M, E, R + 1)
        """
        projections = [r.projection for r in self.responses]
        if self.setup.detection.has_hydrogen_effect:
            is_hydrogen = [float(element == "H") for element in self.elements]
            projections.append(np.broadcast_to(is_hydrogen, projections[0].shape))
        return np.stack(projections, axis=-1)

    def supplied_dose_s(self, time_s: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Dose that erodes as deep as what is supplied, in seconds at the final rate."""
        deficit, decay = (
            self.index_of("start-up rate deficit"),
            self.index_of("start-up decay time"),
        )
        dose_s = time_s
        if deficit is not None and decay is not None:
            dose_s = start_up.supplied_dose_s(time_s, float(values[deficit]), float(values[decay]))
        transient = self._transient(values)
        return surface_transient.eroded_dose_s(dose_s, *transient) if transient else dose_s

    def _transient(self, values: np.ndarray) -> tuple[float, float] | None:
        """Excess of the surface transient, and the time that its depth takes [s]."""
        excess, depth = (self.index_of(kind) for kind in TRANSIENT)
        if excess is None or depth is None:
            return None
        return float(values[excess]), float(values[depth]) / self._rate_nm_s(0, values)

    def contamination_left(self, time_edges_s: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Share of the contamination that is there, mean of each interval, shape (N,)."""
        decay = self.index_of("start-up decay time")
        if decay is None:
            return np.zeros(time_edges_s.size - 1)
        return start_up.mean_remainder(time_edges_s, float(values[decay]))

    def material_of(self, layer: int) -> int:
        """Material of the engine that a layer consists of."""
        return self._material_of[layer]

    def rates_behind(self, index: int) -> dict[int, float]:
        """Numbers that turn a length into the time in which a profile shows it.

        Parameters
        ----------
        index : int
            A parameter.

        Returns
        -------
        dict of int to float
            Parameters, and their powers in the rate; empty for what is no length.
        """
        kind = self.parameters[index].kind
        if kind == "thickness":
            powers = {self._thickness.index(index): 1.0}
        elif kind == "width":
            layer = self._width.index(index)
            powers = {layer: 0.5, layer + 1: 0.5}
        elif kind == "interface roughness":
            powers = {self._rough.index(index): 1.0}
        elif kind == "mixing length":
            powers = {self._mixing_length.index(index): 1.0}
        elif kind in ("initial roughness", "surface transient depth"):
            powers = {0: 1.0}
        else:
            return {}
        behind: dict[int, float] = {}
        of_sample = kind in ("thickness", "width")
        for layer, power in powers.items():
            known = self.length_powers(layer) if of_sample else self.rate_powers(layer)
            for factor, own in known.items():
                behind[factor] = behind.get(factor, 0.0) + power * own
        return behind

    def linear_rows(self) -> list[tuple[str, str, str, str]]:
        """Rows for the table of parameters: the linear numbers."""
        return [
            (number.name, f"{number.quantity.value:.5g}", "", rules.linear_state(number.quantity))
            for number in self.linear_numbers()
        ]

    def linear_numbers(self) -> list[LinearNumber]:
        """Sensitivities of all responses, backgrounds of all channels, then contaminations."""
        numbers = [
            LinearNumber(f"sensitivity {r.label}", r.channel, r.sensitivity) for r in self.responses
        ]
        for c, channel in enumerate(self.channels):
            numbers.append(LinearNumber(f"background {channel.name}", c, channel.background))
        for c, channel in enumerate(self.channels):
            written = channel.contamination
            if written is not None:
                numbers.append(LinearNumber(f"contamination {channel.name}", c, written))
        return numbers

    def rate_origin(self, layer: int) -> str:
        """Where the erosion rate of a layer comes from, in words."""
        rate = self.parameters[self._rate[layer]]
        return rate.why if rate.estimated else "as written"

    def nominal_rate_nm_s(self, layer: int) -> float:
        """Nominal erosion rate of a layer [nm/s] (1 on a depth axis)."""
        return self._rate_nm_s(layer, self.nominal)

    def shows(self, response: Response, layer: int) -> bool:
        """Whether a response collects anything out of a layer."""
        weights = dict(
            zip(self.elements, response.projection[self._material_of[layer]], strict=True)
        )
        return any(weights[e] > 0 for e, share in self.layers[layer].composition.items() if share)

    def duration_s(self) -> float:
        """Until the substrate plateau, if the file does not say."""
        written = self.setup.detection.duration_s
        if written is not None:
            return float(written)
        sample, instrument = self.sample(self.nominal), self.instrument(self.nominal)
        rates = sample.rate_nm_s[sample.material]
        dose = float(np.sum(sample.thickness_nm / rates[:-1]))
        slowest = float(instrument.crater[..., :2].min())
        spread = dose * instrument.growth.of_rate
        blur_nm = (
            5.0 * max(instrument.mixing_length_nm, *self._own_mixing_lengths_nm())
            + 2.0 * float(np.max(sample.width_nm, initial=0.0))
            + 4.0 * (instrument.initial_nm + instrument.growth.final_nm)
            + 4.0 * float(np.max(self._relief_nm(self.nominal), initial=0.0))
        )
        needed = 1.1 * (dose / slowest + 3.0 * spread + blur_nm / rates[-1]) + 1e-3 * dose
        return self._time_of_dose_s(needed)

    def _time_of_dose_s(self, dose_s: float) -> float:
        """When the nominal source has eroded what a steady one does with a dose."""
        transient, settling = self.setup.surface_transient, self.setup.start_up
        dose = np.array(dose_s)
        if transient is not None:
            decay_s = float(transient.decay_nm) / self.nominal_rate_nm_s(0)
            dose = surface_transient.supplied_dose_s(dose, float(transient.rate_excess), decay_s)
        if settling is not None:
            deficit, decay_s = float(settling.rate_deficit), float(settling.decay_s)
            dose = start_up.time_of_dose_s(dose, deficit, decay_s)
        return float(dose)

    def sampling_s(self) -> float:
        """Sampling interval, if the file does not say a thousandth of the duration."""
        written = self.setup.detection.sampling_s
        return self.duration_s() / DEFAULT_SAMPLES if written is None else float(written)

    # --- materials and channels ----------------------------------------------------------------

    def _find_materials(self) -> tuple[list[tuple], list[int]]:
        """Distinct materials, and the material of each layer."""
        keys = []
        for index, layer in enumerate(self.layers):
            if self._merge_equal:
                nominal = self.nominal
                own = (self._atomic_density(index, nominal), self._rate_nm_s(index, nominal))
            else:
                own = (layer.density_group, *self.rate_powers(index))
            sensitivities = tuple(sensitivity_label(channel, layer) for channel in self.channels)
            by_layer = isinstance(self.setup.mixing.length_nm, dict)
            mixes = self._mixing_length[index] if by_layer else None
            curved = crater_parameters.curvature_key(self.setup, layer)
            makeup = tuple(sorted(layer.composition.items()))
            keys.append((makeup, own, sensitivities, mixes, curved))
        number = {key: index for index, key in enumerate(dict.fromkeys(keys))}
        return list(number), [number[key] for key in keys]

    def _composition_table(self) -> np.ndarray:
        table = np.zeros((len(self._materials), len(self.elements)))
        for index, layer in enumerate(self.layers):
            for symbol, fraction in layer.composition.items():
                table[self._material_of[index], self.elements.index(symbol)] = fraction
        return table

    def _preferences(self) -> np.ndarray | None:
        mixing = self.setup.mixing
        if mixing.preference == "none" or mixing.model == "none":
            return None
        if isinstance(mixing.preference, dict):
            return np.array([mixing.preference.get(e, 1.0) for e in self.elements])
        if self.setup.source is None:
            return None
        try:
            return ions.preferences(self.elements, self.setup.source)
        except ValueError as error:
            self._problems.append(f'mixing preference = "yields": {error}')
            return None


def _transitions(layers: Sequence[ConcreteLayer]) -> tuple[np.ndarray, np.ndarray]:
    """Codes of the shapes below the layers, and the tables, each once."""
    tables = list(dict.fromkeys(a.interface_table for a in layers if a.interface_table))
    codes = [
        TABULATED + tables.index(layer.interface_table)
        if layer.interface_table
        else SHAPES.index(_shape_name(layer))
        for layer in layers
    ]
    points = stacked([TransitionTable.of(*zip(*table, strict=True)) for table in tables])
    return np.array(codes, dtype=np.int64), points


def _shape_name(layer: ConcreteLayer) -> str:
    shape = layer.interface_shape
    if shape == "sharp":
        return "erf"  # a width of 0 is a step, whatever the shape
    return f"{shape} {layer.interface_side}" if shape == "exponential" else shape


def _joined(sample: LayeredSample) -> LayeredSample:
    """Join neighbouring layers of one material: the interface between them means nothing."""
    keep = np.append(sample.material[:-1] != sample.material[1:], True)
    if keep.all():
        return sample
    # A layer joins the one below it; at the bottom it becomes part of the substrate.
    group = np.append(0, np.cumsum(keep[:-1]))
    thickness = np.bincount(group[:-1], sample.thickness_nm, minlength=group[-1] + 1)
    return replace(
        sample,
        thickness_nm=thickness[: group[-1]],
        width_nm=sample.width_nm[keep[:-1]],
        relief_nm=None if sample.relief_nm is None else sample.relief_nm[keep[:-1]],
        shape=sample.shape[keep[:-1]],
        material=sample.material[keep],
    )
