"""What follows from the layers: diffusion lengths, enrichment, case depths, means of layers."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from craterfront.answers.layer_answers import WELL_KNOWN
from craterfront.fitting.inversion import Inversion
from craterfront.fitting.limits import WidthAnswer
from craterfront.models.interfaces.diffusion_profiles import diffusion_width_nm
from craterfront.models.interfaces.transitions import SHAPES
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.materials.elements import (
    AVOGADRO_PER_MOL,
    atomic_density_per_nm3,
    atomic_mass_u,
)
from craterfront.models.measurands.case_depth import deepest_crossing_nm
from craterfront.notation.json_numbers import finite_or_none
from craterfront.objective.estimation import Z95
from craterfront.posterior_sampling.draws import Draws
from craterfront.samples.asked import CaseDepth

NO_DENSITY = "no density is known"
HELD = "held: the file says what it is"
LIMIT_OF_WIDTH = "the width is only a limit"
LIMIT_OF_THICKNESS = "the layer is too thin to tell how much of it there is"
NEVER = "the level is nowhere reached"
NOT_FIXED = "neither data nor priors fix all parameters"

_AROUND = np.concatenate([np.linspace(-3.0, 3.0, 61), np.linspace(4.0, 24.0, 21)])
"""Where an interface is looked at, in widths: a tail of 24 widths has lost all but exp(-40)."""

_SMALLEST_NM = 1e-6  # between two planes

_GRAM_PER_UNIT_NM3 = 1e21 / AVOGADRO_PER_MOL
"""g/cm3 of one atomic mass unit per nm3."""


@dataclass(frozen=True)
class Secondary:
    """A quantity that follows from others: value, standard uncertainty, 95 % interval.

    Attributes
    ----------
    quantity, of : str
        What, and of what.
    value, u : float, optional
        None where only a limit is known.
    lower, upper : float, optional
    unit : str
    why : str
        Why there is no value, or what to know of it; else empty.
    """

    quantity: str
    of: str
    value: float | None
    u: float | None
    lower: float | None
    upper: float | None
    unit: str
    why: str = ""

    @property
    def is_limit(self) -> bool:
        """Nothing but an upper limit is known."""
        return self.value is None and self.upper is not None

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings; what is not known is null."""
        row: dict[str, Any] = {
            "quantity": self.quantity,
            "of": self.of,
            "value": self.value,
            "u": self.u,
            "lo": self.lower,
            "hi": self.upper,
            "unit": self.unit,
        }
        if self.why:
            row["note"] = self.why
        return row


@dataclass(frozen=True)
class LayerMean:
    """What a layer is on average between the planes of its interfaces.

    Attributes
    ----------
    name : str
        Of a layer, of a graded one as a whole.
    density_g_cm3, density_u_g_cm3 : float, optional
    fractions : dict of str to (float, float or None)
        Atomic fraction of each element that it has, and its standard uncertainty.
    """

    name: str
    density_g_cm3: float | None
    density_u_g_cm3: float | None
    fractions: dict[str, tuple[float, float | None]]

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings; what is not known is null."""
        return {
            "layer": self.name,
            "density_g_cm3": self.density_g_cm3,
            "density_u_g_cm3": self.density_u_g_cm3,
            "atomic_fraction": {e: value for e, (value, _) in self.fractions.items()},
            "atomic_fraction_u": {e: u for e, (_, u) in self.fractions.items()},
        }


class SecondaryAnswers:
    """All that follows from an inversion.

    Parameters
    ----------
    inversion : Inversion
    values : ndarray
        Of all parameters, as the sample is reconstructed.
    draws : Draws, optional
        From the posterior; none where neither data nor priors fix all parameters.

    Attributes
    ----------
    quantities : list of Secondary
        None of them at nominal rates, where there are no lengths.
    means : list of LayerMean
    """

    def __init__(self, inversion: Inversion, values: np.ndarray, draws: Draws | None) -> None:
        self._inversion, self._values, self._draws = inversion, values, draws
        self._assembly = inversion.likelihood.assembly
        self.means = self._means()
        self.quantities: list[Secondary] = []
        if not inversion.relative:
            self.quantities += self._diffusion()
            self.quantities += self._enrichment()
            self.quantities += [self._case_depth(case) for case in inversion.experiment.case_depth]

    def _of_draws(self, quantity: Callable[[np.ndarray], np.ndarray]) -> np.ndarray | None:
        """A quantity, perhaps of several numbers, for all draws; shape (draws, numbers)."""
        if self._draws is None:
            return None
        return np.array([quantity(drawn) for drawn in self._draws.values])

    # --- diffusion -----------------------------------------------------------------------------

    def _diffusion(self) -> list[Secondary]:
        """Diffusion length, and diffusivity where the time is known, of what has diffused.

        sqrt(D t) goes with the width (J. Crank, The Mathematics of Diffusion, 2nd ed. (1975)), so
        its interval, or its limit, is that of the width.
        """
        found = []
        for number, layer in enumerate(self._assembly.layers[:-1]):
            if not layer.has_diffused:
                continue
            shape = SHAPES.index(layer.interface_shape)
            per_length = diffusion_width_nm(1.0, shape)
            width = self._inversion.widths[number]
            u = self._inversion.standard_uncertainty(self._assembly.width_index(number))
            ends = width.lower_nm / per_length, width.upper_nm / per_length
            value, why = width.value_nm / per_length, _why_of_width(width)
            known = None if width.is_limit else value
            of = f"interface below {layer.name}"
            length_u = None if width.is_limit else u / per_length
            found.append(Secondary("diffusion length", of, known, length_u, *ends, "nm", why))
            time = layer.diffusion_time_s
            if time is not None:
                u_time = (time.u or 0.0) / float(time)
                found.append(_diffusivity(of, known, length_u, ends, float(time), u_time, why))
        return found

    # --- enrichment ----------------------------------------------------------------------------

    def _enrichment(self) -> list[Secondary]:
        return [
            self._excess(number, symbol)
            for number, layer in enumerate(self._assembly.layers[:-1])
            for symbol in layer.enrichment
        ]

    def _excess(self, number: int, symbol: str) -> Secondary:
        """Atoms of an element that a layer holds beyond what its neighbours would in its place.

        Surface excess (IUPAC Gold Book, Gibbs adsorption): what is there, less what would be if
        the adjoining phases went on unchanged to the dividing surface. That lies in the middle of
        the layer; of the outermost layer at the surface. As the integral of a layer's volume
        fraction is its thickness, the widths of its interfaces have no part in it (derived).
        """
        assembly, values = self._assembly, self._inversion.values
        layers = assembly.layers
        counted = {number: 1.0, number + 1: -1.0 if number == 0 else -0.5}
        if number:
            counted[number - 1] = -0.5
        name, of = f"excess of {symbol}", layers[number].name
        if any(layers[i].density_g_cm3 is None for i in counted):
            return Secondary(name, of, None, None, None, None, "atoms/nm2", NO_DENSITY)
        thickness = float(values[assembly.thickness_index(number)])
        per_nm = 0.0
        weights: dict[int, float] = {}
        for layer, share in counted.items():
            index, composition = assembly.density_index(layer), layers[layer].composition
            per_density = atomic_density_per_nm3(composition, 1.0) * composition.get(symbol, 0.0)
            weights[index] = weights.get(index, 0.0) + share * per_density * thickness
            per_nm += share * per_density * float(values[index])
        weights[assembly.thickness_index(number)] = per_nm
        u = self._inversion.uncertainty_of_sum(weights)
        value = per_nm * thickness
        thin = self._inversion.thin_layers.get(number)
        if thin is not None and not thin.resolved and not u < WELL_KNOWN * abs(value):
            most = per_nm * thin.upper_nm
            ends = min(most, 0.0), max(most, 0.0)
            return Secondary(name, of, None, None, *ends, "atoms/nm2", LIMIT_OF_THICKNESS)
        ends = value - Z95 * u, value + Z95 * u
        return Secondary(name, of, value, u, *ends, "atoms/nm2")

    # --- case depth ----------------------------------------------------------------------------

    def _case_depth(self, case: CaseDepth) -> Secondary:
        def depth_nm(values: np.ndarray) -> float:
            sample = self._assembly.sample(values)
            return case_depth_nm(sample, self._assembly.elements, case)

        name, value = "case depth", depth_nm(self._values)
        drawn = self._of_draws(lambda values: np.array([depth_nm(values)]))
        if not math.isfinite(value):
            return Secondary(name, case.described(), None, None, None, None, "nm", NEVER)
        if drawn is None:
            return Secondary(name, case.described(), value, None, None, None, "nm", NOT_FIXED)
        reached = np.where(np.isfinite(drawn[:, 0]), drawn[:, 0], 0.0)
        lower, upper = np.quantile(reached, [0.025, 0.975])
        u = float(_spread(reached))
        return Secondary(name, case.described(), value, u, float(lower), float(upper), "nm")

    # --- means of layers -----------------------------------------------------------------------

    def _means(self) -> list[LayerMean]:
        """Mean density and composition of every layer, of a graded one as a whole."""
        spans = self._spans()
        elements = self._assembly.elements
        masses = np.array([atomic_mass_u(symbol) for symbol in elements])

        def contents(values: np.ndarray) -> np.ndarray:
            """Density, then fractions, of each span in a row."""
            atoms, length_nm = self._contents(values, spans)
            total = np.maximum(atoms.sum(axis=1, keepdims=True), 1e-300)
            density = _GRAM_PER_UNIT_NM3 * (atoms @ masses) / np.maximum(length_nm, 1e-300)
            return np.column_stack([density, atoms / total]).ravel()

        best = contents(self._values).reshape(len(spans), -1)
        drawn = self._of_draws(contents)
        u = np.full_like(best, np.nan) if drawn is None else _spread(drawn).reshape(best.shape)
        means = []
        for (name, layers), row, spread in zip(spans, best, u, strict=True):
            known = all(self._assembly.layers[i].density_g_cm3 is not None for i in layers)
            means.append(
                LayerMean(
                    name,
                    float(row[0]) if known else None,
                    finite_or_none(spread[0]) if known else None,
                    {
                        symbol: (float(share), finite_or_none(share_u))
                        for symbol, share, share_u in zip(
                            elements, row[1:], spread[1:], strict=True
                        )
                        if share > 0
                    },
                )
            )
        return means

    def _spans(self) -> list[tuple[str, list[int]]]:
        """Layers one by one, parts of a graded one together, with their names."""
        spans: list[tuple[str, list[int]]] = []
        for number, layer in enumerate(self._assembly.layers[:-1]):
            if layer.graded is not None and spans and spans[-1][0] == layer.graded:
                spans[-1][1].append(number)
            else:
                spans.append((layer.graded or layer.name, [number]))
        return spans

    def _contents(
        self, values: np.ndarray, spans: Sequence[tuple[str, list[int]]]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Atoms of each element per area within each span, and its length [nm]."""
        sample = self._assembly.sample(values)
        planes = sample.planes_nm()
        ends = np.append(0.0, [planes[layers[-1]] for _, layers in spans])
        # Planes of thin layers under wide interfaces may lie on each other.
        edges = np.maximum.accumulate(ends) + _SMALLEST_NM * np.arange(ends.size)
        density = sample.atomic_density_per_nm3[sample.material]
        atoms = (sample.layers_in(edges, planes) * density) @ sample.composition[sample.material]
        length_nm = np.diff(edges)
        return atoms * length_nm[:, None], length_nm


def case_depth_nm(sample: LayeredSample, elements: Sequence[str], case: CaseDepth) -> float:
    """Depth below which an element stays under its level; nan if it never reaches it."""
    planes = sample.planes_nm()
    deepest = max(float(planes.max()), 1e-3)
    widths = np.maximum(sample.width_nm, 1e-6 * deepest)
    around = (planes[:, None] + widths[:, None] * _AROUND).ravel()
    edges = np.unique(np.concatenate([[0.0], around, np.linspace(0.0, 1.001 * deepest, 101)]))
    edges = edges[edges >= 0.0]
    weight = np.array([atomic_mass_u(e) if case.by_mass else 1.0 for e in elements])
    content = sample.composition[sample.material] * weight
    content *= sample.atomic_density_per_nm3[sample.material][:, None]
    of_element, of_all = content[:, list(elements).index(case.element)], content.sum(axis=1)

    def fraction(between: np.ndarray) -> np.ndarray:
        layers = sample.layers_in(between, planes)
        return (layers @ of_element) / (layers @ of_all)

    return deepest_crossing_nm(fraction, edges, case.level)


def _diffusivity(
    of: str,
    length_nm: float | None,
    length_u_nm: float | None,
    ends_nm: tuple[float, float],
    time_s: float,
    u_time: float,
    why: str,
) -> Secondary:
    """Diffusivity from a diffusion length and a time, of which `u_time` is relative."""
    name, unit = "diffusivity", "nm2/s"
    if length_nm is None or length_u_nm is None or length_nm == 0.0:
        most = ends_nm[1] ** 2 / time_s * math.exp(Z95 * u_time)
        return Secondary(name, of, None, None, 0.0, most, unit, why)
    value = length_nm**2 / time_s
    lower, upper = (
        value * math.exp(sign * math.hypot(2.0 * _ln(end / length_nm), Z95 * u_time))
        for sign, end in zip((-1.0, 1.0), ends_nm, strict=True)
    )
    u = value * math.hypot(2.0 * length_u_nm / length_nm, u_time)
    return Secondary(name, of, value, u, lower, upper, unit, why)


def _spread(drawn: np.ndarray) -> np.ndarray:
    """Standard deviations of draws, exactly 0 of equal ones."""
    return (drawn - drawn[0]).std(axis=0)


def _ln(ratio: float) -> float:
    return math.log(ratio) if ratio > 0 else -math.inf


def _why_of_width(width: WidthAnswer) -> str:
    if width.is_held:
        return HELD
    if width.is_limit:
        return f"{LIMIT_OF_WIDTH}; {width.why}" if width.why else LIMIT_OF_WIDTH
    return width.why
