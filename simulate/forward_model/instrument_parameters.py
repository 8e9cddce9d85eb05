"""The parameters of a measurement: crater, roughness, mixing, detection, beginning."""

import math

import numpy as np

from craterfront.experiments.channel import Channel
from craterfront.experiments.mixing import LARGEST_LENGTH_TO_RANGE
from craterfront.experiments.setup import Setup
from craterfront.experiments.source import IonBeam
from craterfront.forward_model import crater_parameters, electrons, ions
from craterfront.forward_model.layer_parameters import LayerParameters
from craterfront.models.altered_layers.relocation import shortest_decay_length
from craterfront.notation import parameters as rules
from craterfront.notation.quantities import Quantity
from craterfront.problems import shown
from craterfront.samples.stack import Stack

SIMS_ESCAPE_DEPTH_NM = 0.4
"""Escape depth of secondary ions, one to two atomic layers (from memory: 0.3 to 0.6 nm)."""

ION_RANGE_U_REL = 0.4
"""Relative standard uncertainty of a projected range below 1 keV.

See `models.materials.ranges`.
"""

DEFAULT_DISPLACEMENT = "exponential"

SHARE_OF_RANGE = 0.9699
"""Longest mixing length in a fit, as a share of the range: below `LARGEST_LENGTH_TO_RANGE`."""

RANGE_TO_LENGTH = 1.5
"""Mixing range over mixing length, where neither it nor the ions say."""

TRANSIENT = ("surface transient excess", "surface transient depth")
"""The two parameters of a rate that settles over the first nanometres."""

_LEAST_DISPLACEMENT = 0.1  # in a fit, of the written one
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


class InstrumentParameters(LayerParameters):
    """The same list with the parameters of the measurement in it, after those of the layers.

    Attributes
    ----------
    elements : tuple of str
    channels : tuple of Channel
    """

    def __init__(self, stack: Stack, setup: Setup, depth_axis: bool) -> None:
        super().__init__(stack, setup, depth_axis)
        self.elements = tuple(stack.elements())
        self.channels: tuple[Channel, ...] = setup.detection.channels(self.elements)
        self._mixing_length: list[int | None] = [None] * len(self.layers)
        self._heights: np.ndarray | None = None

    def _add_instrument(self) -> None:
        for parameter, kind, key in crater_parameters.parameters(self.setup):
            self._add(parameter, kind, key)
        self._add_roughness()
        self._add_mixing()
        self._add_escape_depth()
        self._add_residence()
        self._add_self_absorption()
        self._add_hydrogen()
        self._add_start_up()
        self._add_surface_transient()

    def _add_roughness(self) -> None:
        number, rough = rules.instrument_number, self.setup.roughness
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
            why = f"{why}; within {RANGE_TO_LENGTH:g} times as much".removeprefix("; ")
        self._mixing_length[0] = self._add_mixing_length("mixing length", length, upper, "", why)
        if mixing.model == "relocation" and mixing.displacement_nm is not None:
            self._add_displacement(mixing.displacement_nm, length)

    def _add_displacement(self, written: Quantity, length: Quantity) -> None:
        kind = "displacement"
        least = _LEAST_DISPLACEMENT * written.value
        self._add(rules.instrument_number(kind, kind, "nm", written, lower=least), kind)
        within = self.index_of("mixing range")
        reach = RANGE_TO_LENGTH * length.value
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

    def _zone_depth(self, index: int, values: np.ndarray) -> float:
        """Depth of the altered layer in a layer over that in the first: it holds as many atoms."""
        return self._atomic_density(0, values) / self._atomic_density(index, values)

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

    def _default_mixing_range_nm(self, length_nm: float) -> float:
        return max(2.0 * self._ion_range_nm(), RANGE_TO_LENGTH * length_nm)

    def _ion_range_nm(self) -> float:
        """Projected range in the first layer; 0 where the source tells nothing of the ions."""
        if self.setup.source is None:
            return 0.0
        density = self.parameters[self._density[0]].value * self._atoms[0]
        return ions.range_nm(self.layers[0].composition, density, self.setup.source)

    def _whole_depth_nm(self) -> float:
        """Nominal depth of the substrate: nothing that broadens the profile is wider."""
        return sum(self.parameters[index].value for index in self._thickness) or math.inf

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
        excess, depth = TRANSIENT
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
