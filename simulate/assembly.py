"""From the experiment to the numbers that the engine takes, as functions of the parameters.

An `Assembly` knows every parameter of an experiment and builds the engine's sample and
instrument for any values of them. `simulate` uses the nominal values; `invert` varies those that
are not fixed. Nothing else translates between the experiment file and the physics.
"""

import math
from collections import Counter
from collections.abc import Sequence
from copy import copy
from dataclasses import replace

import numpy as np

from craterfront import crater_parameters, electrons, ions
from craterfront import parameters as rules
from craterfront.linear_numbers import LinearNumber
from craterfront.models import start_up, surface_transient
from craterfront.models.causes import u_rel
from craterfront.models.elements import DensityUnknown, FormulaError, atomic_density_per_nm3
from craterfront.models.engine import Instrument, LayeredSample, plan
from craterfront.models.relocation import shortest_decay_length
from craterfront.models.residence import lagged
from craterfront.models.roughening import Growth
from craterfront.models.slicing import SlicePlan
from craterfront.models.transitions import (
    SHAPES,
    TABULATED,
    TransitionTable,
    stacked,
    support_nm,
)
from craterfront.models.validity import collected_warnings
from craterfront.parameters import Parameter
from craterfront.problems import InputProblems, shown
from craterfront.quantities import Quantity
from craterfront.reading_parts import ReadingParts
from craterfront.responses import (
    Response,
    changed_by_hydrogen,
    find_responses,
    self_absorbed,
    sensitivity_label,
)
from craterfront.sample import ConcreteLayer, Stack
from craterfront.setup import LARGEST_LENGTH_TO_RANGE, Channel, Setup
from craterfront.source import GlowDischarge, IonBeam

NOMINAL_ATOMIC_DENSITY_PER_NM3 = 50.0
"""Stands in where no density is known but a rate is: then no mass per area is reported."""

SIMS_ESCAPE_DEPTH_NM = 0.4
"""Escape depth of secondary ions, one to two atomic layers (from memory: 0.3 to 0.6 nm)."""

DEFAULT_SAMPLES = 1000

ION_RANGE_U_REL = 0.4
"""Relative standard uncertainty of a projected range below 1 keV (see `models.ranges`)."""

_RANGE_TO_LENGTH = 1.5  # mixing range over mixing length, where neither it nor the ions say

DEFAULT_DISPLACEMENT = "exponential"

_LEAST_DISPLACEMENT = 0.1  # in a fit, of the written one

SHARE_OF_RANGE = 0.9699
"""Longest mixing length in a fit, as a share of the range: below `LARGEST_LENGTH_TO_RANGE`."""


_MOST_DEFICIT = 0.99  # of the rate at first, in a fit: with none at all there is no first signal
_MOST_EXCESS = 100.0
_LEAST_EFFECT = -0.99  # of hydrogen, in a fit: a line does not vanish

_GROWN_BY = {
    "none": (),
    "statistical": (),
    "grains": ("relative spread", "grain size"),
    "columns": ("relative spread",),
    "saturating": ("final roughness", "settling depth"),
}

_TRANSIENT = ("surface transient excess", "surface transient depth")


class Assembly:
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
        self.stack, self.setup, self.depth_axis = stack, setup, depth_axis
        self.layers = stack.expanded()
        self.elements = tuple(stack.elements())
        self.channels: tuple[Channel, ...] = setup.detection.channels(self.elements)
        self.parameters: list[Parameter] = []
        self.warnings: list[str] = []
        self.knows_rates = True
        with collected_warnings(self.warnings):
            self._build(merge_equal)

    def _build(self, merge_equal: bool) -> None:
        """Parameters of all parts, then what they make of materials and channels."""
        setup = self.setup
        self._problems: list[str] = []
        self._index: dict[tuple[str, str], int] = {}
        self._merge_equal = merge_equal
        self._atoms = [atomic_density_per_nm3(layer.composition, 1.0) for layer in self.layers]
        self._density = [self._add_density(index) for index in range(len(self.layers))]
        self._thickness = [self._add_thickness(layer) for layer in self.layers[:-1]]
        self._width = [self._add_width(index) for index in range(len(self.layers) - 1)]
        self._rough = [self._add_interface_roughness(layer) for layer in self.layers[:-1]]
        self._mixing_length: list[int | None] = [None] * len(self.layers)
        self._heights: np.ndarray | None = None
        self._estimates = self._estimated_rates()
        self._shared_causes = self._causes_of_several()
        self._rate_factors: dict[int, dict[int, float]] = {}
        self._rate = [self._add_rate(index) for index in range(len(self.layers))]
        self._add_instrument()
        self._add_residence()
        self._add_self_absorption()
        self._add_hydrogen()
        self._add_start_up()
        self._add_surface_transient()
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

    @property
    def nominal(self) -> np.ndarray:
        """Nominal value of every parameter."""
        return np.array([parameter.value for parameter in self.parameters])

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

    def _relief_nm(self, values: np.ndarray) -> np.ndarray:
        """Height of each interface against the outer surface, which may follow a share of it."""
        return np.array(
            [
                0.0 if index is None else (1.0 - layer.conformal) * float(values[index])
                for index, layer in zip(self._rough, self.layers, strict=False)
            ]
        )

    def instrument(self, values: np.ndarray) -> Instrument:
        """Instrument for the given parameter values."""
        setup = self.setup

        def value(kind: str, group: str = "") -> float:
            index = self._index.get((kind, group))
            return 0.0 if index is None else float(values[index])

        index = self._mixing_length[0]
        length = 0.0 if index is None else float(values[index])
        reach = value("mixing range") or _RANGE_TO_LENGTH * length
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

    def _zone_depth(self, index: int, values: np.ndarray) -> float:
        """Depth of the altered layer in a layer over that in the first: it holds as many atoms."""
        return self._atomic_density(0, values) / self._atomic_density(index, values)

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
        sample, instrument = self.sample(values), self.instrument(values)
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
        excess, depth = (self.index_of(kind) for kind in _TRANSIENT)
        if excess is None or depth is None:
            return None
        return float(values[excess]), float(values[depth]) / self._rate_nm_s(0, values)

    def contamination_left(self, time_edges_s: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Share of the contamination that is there, mean of each interval, shape (N,)."""
        decay = self.index_of("start-up decay time")
        if decay is None:
            return np.zeros(time_edges_s.size - 1)
        return start_up.mean_remainder(time_edges_s, float(values[decay]))

    def index_of(self, kind: str, name: str = "") -> int | None:
        """Index of a parameter by kind and group, or None."""
        return self._index.get((kind, name))

    def material_of(self, layer: int) -> int:
        """Material of the engine that a layer consists of."""
        return self._material_of[layer]

    def thickness_index(self, layer: int) -> int:
        """Parameter that is the thickness of a layer."""
        return self._thickness[layer]

    def rate_index(self, layer: int) -> int:
        """Parameter that is the erosion rate of a layer, but for a common factor."""
        return self._rate[layer]

    def rates_behind(self, index: int) -> dict[int, float]:
        """Rates that turn a length into the time in which a profile shows it.

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
        for layer, power in powers.items():
            rate = self._rate[layer]
            for factor, own in {rate: 1.0, **self._rate_factors.get(rate, {})}.items():
                behind[factor] = behind.get(factor, 0.0) + power * own
        return behind

    def width_index(self, layer: int) -> int:
        """Parameter that is the width of the interface below a layer."""
        return self._width[layer]

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

    def density_index(self, layer: int) -> int:
        """Parameter that is the density of a layer."""
        return self._density[layer]

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

    # --- parameters ----------------------------------------------------------------------------

    def _add(self, parameter: Parameter, kind: str, group: str = "") -> int:
        key = (kind, group)
        if key not in self._index:
            self._index[key] = len(self.parameters)
            self.parameters.append(parameter)
        return self._index[key]

    def _add_thickness(self, layer: ConcreteLayer) -> int:
        group = layer.thickness_group
        return self._add(rules.thickness(group, layer.thickness_nm), "thickness", group)

    def _add_density(self, index: int) -> int:
        layer = self.layers[index]
        group, known = layer.density_group, layer.density_g_cm3
        if known is None:
            nominal = NOMINAL_ATOMIC_DENSITY_PER_NM3 / self._atoms[index]
            return self._add(rules.unknown_density(group, nominal), "density", group)
        return self._add(rules.density(group, known), "density", group)

    def _add_width(self, index: int) -> int:
        layer = self.layers[index]
        neighbours = [layer.thickness_nm.value]
        if index + 1 < len(self.layers) - 1:
            neighbours.append(self.layers[index + 1].thickness_nm.value)
        widest = max(min(neighbours), layer.interface_width_nm.value * 1.5)
        parameter = rules.width(layer.width_group, layer.interface_width_nm, widest)
        return self._add(parameter, "width", layer.width_group)

    def _add_interface_roughness(self, layer: ConcreteLayer) -> int | None:
        """None where an interface is flat."""
        rough, group = layer.interface_roughness_nm, layer.roughness_group
        if rough.value == 0:
            return None
        kind = "interface roughness"
        name = f"interface roughness below {group}"
        return self._add(rules.instrument_number(name, kind, "nm", rough), kind, group)

    def _add_rate(self, index: int) -> int:
        layer = self.layers[index]
        if self.depth_axis:
            return self._add(
                rules.exact("depth per depth", "rate", "", 1.0, "the profile has a depth axis"),
                "rate",
                "",
            )
        group = layer.rate_group
        if layer.erosion_rate_nm_s is not None:
            return self._add(rules.rate(group, layer.erosion_rate_nm_s), "rate", group)
        estimate = self._estimates.get(group)
        if estimate is None:
            return self._add(rules.exact(group, "rate", "nm/s", 1.0), "rate", group)
        common = self._add_common_rate()
        shared = {c: ln_sd for c, ln_sd in estimate.causes.items() if c in self._shared_causes}
        own = {c: ln_sd for c, ln_sd in estimate.causes.items() if c not in shared}
        rate = self._add(
            rules.estimated_rate(group, estimate.nm_s, u_rel(own), estimate.why), "rate", group
        )
        self._rate_factors[rate] = {} if common is None else {common: 1.0}
        for cause, ln_sd in shared.items():
            factor = rules.shared_rate_factor(cause, abs(ln_sd))
            index = self._add(factor, factor.kind, cause)
            self._rate_factors[rate][index] = ln_sd / self.parameters[index].u
        return rate

    def _add_common_rate(self) -> int | None:
        """What all estimated rates of a lamp, or of one measured rate, have in common."""
        source = self.setup.source
        if source is None or not (isinstance(source, GlowDischarge) or source.has_measured_rate):
            return None
        kind = "common rate factor"
        known = self.index_of(kind)
        if known is not None:
            return known
        ln_sd = ions.common_rate_ln_sd(source)
        return self._add(rules.common_rate_factor(ln_sd, measured=source.has_measured_rate), kind)

    def _estimated_rates(self) -> dict[str, ions.EstimatedRate]:
        """Rates that nobody wrote, by their group."""
        if self.depth_axis:
            return {}
        found = {
            layer.rate_group: self._estimated_rate(layer)
            for layer in self.layers
            if layer.erosion_rate_nm_s is None
        }
        return {group: rate for group, rate in found.items() if rate is not None}

    def _causes_of_several(self) -> set[str]:
        """Causes on which more than one of the estimated rates rests."""
        rests = Counter(cause for rate in self._estimates.values() for cause in rate.causes)
        return {cause for cause, count in rests.items() if count > 1}

    def _estimated_rate(self, layer: ConcreteLayer) -> ions.EstimatedRate | None:
        """Rate from tables, yields and the source; None with a problem."""
        source, density = self.setup.source, layer.density_g_cm3
        if source is None or density is None:
            problem = "missing, and nothing gives it"
        else:
            try:
                rate = ions.erosion_rate(layer.composition, float(density), source)
                if 0 < rate.nm_s < math.inf:
                    return rate
                problem = f"missing, and the yields give {rate.nm_s:g} nm/s"
            except (ValueError, ArithmeticError, DensityUnknown, FormulaError) as error:
                problem = str(error)
        problem = f"layer {shown(layer.label)} erosion_rate_nm_s: {problem}"
        if problem not in self._problems:  # as it is in every period
            self._problems.append(problem)
        return None

    def _rate_nm_s(self, index: int, values: np.ndarray) -> float:
        rate = self._rate[index]
        factors = self._rate_factors.get(rate, {})
        return float(values[rate] * math.prod(values[i] ** power for i, power in factors.items()))

    def _add_instrument(self) -> None:
        setup = self.setup
        number = rules.instrument_number
        for parameter, kind, key in crater_parameters.parameters(setup):
            self._add(parameter, kind, key)
        rough = setup.roughness
        initial = rough.initial_nm
        if rough.heights is not None:
            self._heights, sd_nm = rough.heights.classes()
            initial = initial if rough.is_written("initial_nm") else Quantity(sd_nm)
        name = "initial roughness"
        widest = self._whole_depth_nm()
        self._add(number(name, name, "nm", initial, widest=widest), name)
        grown = {
            "relative spread": ("relative spread of rates", "", rough.relative_spread),
            "grain size": ("grain size", "nm", rough.grain_nm),
            "final roughness": ("final roughness", "nm", rough.final_nm),
            "settling depth": ("settling depth of roughness", "nm", rough.settling_nm),
        }
        for kind, (label, unit, quantity) in grown.items():
            if quantity is None or kind not in _GROWN_BY[rough.growth]:
                continue
            upper = 1.0 if kind == "relative spread" else math.inf
            self._add(number(label, kind, unit, quantity, upper=upper, widest=widest), kind)
        self._add_mixing()
        self._add_escape_depth()

    def _add_residence(self) -> None:
        written = self.setup.detection.residence_s
        if written is not None:
            name = "residence time"
            self._add(rules.positive_instrument_number(name, name, "s", written), name)

    def _add_self_absorption(self) -> None:
        for channel in self.channels:
            written = channel.self_absorption_nm2_s
            if written is not None:
                name = f"self-absorption of {channel.name}"
                self._add(
                    rules.positive_instrument_number(name, "self-absorption", "nm2 s", written),
                    "self-absorption",
                    channel.name,
                )

    def _add_hydrogen(self) -> None:
        detection = self.setup.detection
        if not detection.has_hydrogen_effect or detection.hydrogen_half_per_nm2_s is None:
            return
        kind = "hydrogen effect"
        for channel in self.channels:
            if channel.hydrogen_effect is not None:
                parameter = rules.instrument_number(
                    f"{kind} on {channel.name}",
                    kind,
                    "",
                    channel.hydrogen_effect,
                    lower=_LEAST_EFFECT,
                    upper=_MOST_EXCESS,
                )
                self._add(parameter, kind, channel.name)
        kind = "hydrogen of half effect"
        half = detection.hydrogen_half_per_nm2_s
        self._add(rules.positive_instrument_number(kind, kind, "1/(nm2 s)", half), kind)

    def _add_start_up(self) -> None:
        written = self.setup.start_up
        if written is None:
            return
        name = "start-up rate deficit"
        self._add(
            rules.instrument_number(name, name, "", written.rate_deficit, upper=_MOST_DEFICIT), name
        )
        name = "start-up decay time"
        self._add(rules.positive_instrument_number(name, name, "s", written.decay_s), name)

    def _add_surface_transient(self) -> None:
        written = self.setup.surface_transient
        if written is None:
            return
        excess, depth = _TRANSIENT
        self._add(
            rules.instrument_number(
                excess,
                excess,
                "",
                written.rate_excess,
                lower=-_MOST_DEFICIT,
                upper=_MOST_EXCESS,
                signed=True,
            ),
            excess,
        )
        self._add(rules.positive_instrument_number(depth, depth, "nm", written.decay_nm), depth)

    def _add_mixing(self) -> None:
        mixing = self.setup.mixing
        if mixing.model == "none":
            return
        if isinstance(mixing.length_nm, dict):
            self._add_mixing_by_layer()
            return
        length = mixing.length_nm
        why = ""
        if length is None:
            length, why = Quantity.default(self._ion_range_nm()), "projected range of the ions"
            if length.value == 0:
                self._problems.append("mixing length_nm: missing; [source] has no ions to range")
                return
        upper = math.inf
        if mixing.model == "uniform":
            pass
        elif mixing.range_nm is not None:
            upper = self._add_mixing_range(mixing.range_nm, length)
        elif self._ion_range_nm() > 0:
            reach = Quantity.default(self._default_mixing_range_nm(length.value))
            upper = self._add_mixing_range(reach, length)
        else:
            why = f"{why}; within {_RANGE_TO_LENGTH:g} times as much".removeprefix("; ")
        self._mixing_length[0] = self._add_mixing_length("mixing length", length, upper, "", why)
        if mixing.model == "relocation" and mixing.displacement_nm is not None:
            self._add_displacement(mixing.displacement_nm, length)

    def _add_displacement(self, written: Quantity, length: Quantity) -> None:
        kind = "displacement"
        least = _LEAST_DISPLACEMENT * written.value
        self._add(rules.instrument_number(kind, kind, "nm", written, lower=least), kind)
        within = self.index_of("mixing range")
        reach = _RANGE_TO_LENGTH * length.value
        reach = reach if within is None else self.parameters[within].value
        shortest = self._shortest_nm(written.value, reach)
        if length.value < shortest:
            self._problems.append(
                f"mixing length_nm: must be at least {shortest:.4g} with displacement_nm ="
                f" {shown(written.value)} and range_nm = {reach:.4g}, got {length.value:.4g}"
            )

    def _shortest_nm(self, displacement_nm: float, range_nm: float) -> float:
        """Shortest trailing decay length that relocation makes; 0 without it."""
        if not displacement_nm:
            return 0.0
        law = self.setup.mixing.displacement or DEFAULT_DISPLACEMENT
        return range_nm * shortest_decay_length(law, displacement_nm / range_nm)

    def _add_mixing_length(
        self, name: str, length: Quantity, upper: float, group: str, why: str = ""
    ) -> int:
        parameter = rules.instrument_number(
            name,
            "mixing length",
            "nm",
            length,
            lower=rules.LEAST_MIXING * length.value,
            upper=max(upper, length.value),
            widest=self._whole_depth_nm(),
            default_u_rel=ION_RANGE_U_REL,
            why=why,
        )
        return self._add(parameter, "mixing length", group)

    def _add_mixing_by_layer(self) -> None:
        """A mixing length for each layer that the table has."""
        mixing, nominal = self.setup.mixing, self.nominal
        first = mixing.length_in(self.layers[0])
        assert first is not None  # else the experiment would have a mistake
        reach = mixing.range_nm or Quantity.default(self._default_mixing_range_nm(first[1].value))
        upper = math.inf
        if mixing.range_nm is not None or self._ion_range_nm() > 0:
            upper = self._add_mixing_range(reach, first[1])
        for index, layer in enumerate(self.layers):
            own = mixing.length_in(layer)
            if own is None:
                continue
            (key, length), depth = own, self._zone_depth(index, nominal)
            self._mixing_length[index] = self._add_mixing_length(
                f"mixing length in {key}", length, upper * depth, key
            )
            most = LARGEST_LENGTH_TO_RANGE * reach.value * depth
            problem = f"mixing length_nm: {key} must be < {most:.4g}, got {length.value:.4g}: the"
            problem += " altered layer holds as many atoms there as in the first layer"
            if index and length.value >= most and problem not in self._problems:
                self._problems.append(problem)

    def _own_mixing_lengths_nm(self) -> list[float]:
        """Nominal mixing lengths of layers that have one of their own."""
        own = [self.setup.mixing.length_in(layer) for layer in self.layers]
        return [0.0, *(length.value for _, length in filter(None, own))]

    def _add_mixing_range(self, reach: Quantity, length: Quantity) -> float:
        """Add the range; returns the longest mixing length within it.

        A written one is exact. One that follows from the ions is known no better than their range:
        as an exact length it would be a ruler for all the others.
        """
        if length.value >= LARGEST_LENGTH_TO_RANGE * reach.value:
            self._problems.append(
                f"mixing range_nm: must be > length_nm / {LARGEST_LENGTH_TO_RANGE}"
                f" (length_nm = {length.value:.4g}), got {shown(reach.value)}"
            )
        written = Quantity.prior(reach.value, u=0.0) if reach.status == "plain" else reach
        self._add(
            rules.instrument_number(
                "mixing range",
                "mixing range",
                "nm",
                written,
                lower=0.1 * reach.value,
                default_u_rel=ION_RANGE_U_REL,
                why="twice the range of the ions" if reach.status == "default" else "",
            ),
            "mixing range",
        )
        return SHARE_OF_RANGE * (reach.maximum or reach.value)

    def _add_escape_depth(self) -> None:
        detection, source = self.setup.detection, self.setup.source
        depth = detection.escape_depth_nm
        if depth is None and detection.view == "viewed":
            if detection.electron_energy_eV is None:
                self._problems.append(
                    "detection escape_depth_nm: missing; a viewed signal needs it or"
                    " electron_energy_eV"
                )
            else:
                self._add_attenuation(float(detection.electron_energy_eV))
            return
        if depth is None:
            sims = isinstance(source, IonBeam)
            depth = Quantity.default(SIMS_ESCAPE_DEPTH_NM if sims else 0.0)
        self._add(
            rules.instrument_number(
                "escape depth",
                "escape depth",
                "nm",
                depth,
                widest=self._whole_depth_nm(),
                why="" if depth.status != "default" or not depth.value else "one to two layers",
            ),
            "escape depth",
        )

    def _add_attenuation(self, energy_eV: float) -> None:
        """The escape depth from the attenuation of electrons in the layers."""
        layers = self.layers[:-1] or self.layers
        depth_nm, u_rel = electrons.escape_depth_nm(
            [layer.composition for layer in layers],
            energy_eV,
            float(self.setup.detection.emission_angle_deg),
        )
        self._add(
            rules.instrument_number(
                "escape depth",
                "escape depth",
                "nm",
                Quantity.default(depth_nm),
                default_u_rel=u_rel,
                why=f"attenuation of electrons of {energy_eV:g} eV, mean of the layers",
            ),
            "escape depth",
        )

    def _whole_depth_nm(self) -> float:
        """Nominal depth of the substrate: nothing that broadens the profile is wider."""
        return sum(self.parameters[index].value for index in self._thickness) or math.inf

    def _default_mixing_range_nm(self, length_nm: float) -> float:
        return max(2.0 * self._ion_range_nm(), _RANGE_TO_LENGTH * length_nm)

    def _ion_range_nm(self) -> float:
        """Projected range in the first layer; 0 where the source tells nothing of the ions."""
        if self.setup.source is None:
            return 0.0
        density = self.parameters[self._density[0]].value * self._atoms[0]
        return ions.range_nm(self.layers[0].composition, density, self.setup.source)

    # --- materials and channels ----------------------------------------------------------------

    def _atomic_density(self, index: int, values: np.ndarray) -> float:
        return float(values[self._density[index]] * self._atoms[index])

    def _find_materials(self) -> tuple[list[tuple], list[int]]:
        """Distinct materials, and the material of each layer."""
        keys = []
        for index, layer in enumerate(self.layers):
            if self._merge_equal:
                nominal = self.nominal
                own = (self._atomic_density(index, nominal), self._rate_nm_s(index, nominal))
            else:
                own = (layer.density_group, self._rate[index])
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
