"""The calibration file: how emission lines tell the mass that is sputtered."""

import math
import os
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import AfterValidator, Field, PlainValidator

from craterfront.experiments.channel import Channel
from craterfront.experiments.profile_settings import ProfileSettings
from craterfront.models.detection.emission import CONSTANTS
from craterfront.models.detection.emission_fit import (
    EmissionFit,
    NotDetermined,
    Reference,
    fit_emission,
)
from craterfront.models.materials.elements import (
    U_REL_ALLOY,
    DensityUnknown,
    atomic_to_mass_fractions,
    solid_density_g_cm3,
)
from craterfront.models.materials.partial_volumes import PartialVolumes, partial_volumes
from craterfront.notation.quantities import (
    NonNegativeQuantity,
    PositiveDensity,
    PositiveQuantity,
    Quantity,
    SourceNumber,
    sized,
    within,
)
from craterfront.notation.table import (
    Column,
    Element,
    Mistake,
    Name,
    Table,
    Text,
    named,
    numbered,
    parsed_formula,
)
from craterfront.notation.toml_text import parse_toml, read_toml
from craterfront.problems import InputProblems, mistakes_of, shown

LARGEST_SUM = 1.01
"""Of the mass fractions of a reference material: more is a mistake, not rounding."""


def _compound(written: Any) -> str:
    if not isinstance(written, str):
        raise ValueError(f"must be a formula, got {shown(written)}")
    parsed_formula(written)
    return written


def _with_uncertainty(quantity: Quantity) -> Quantity:
    """References are worth what their uncertainties are, so these must be written."""
    if quantity.status != "prior":
        example = f"{{ value = {shown(quantity.value)}, u = ... }}"
        raise ValueError(f"must have its uncertainty: write {example}")
    return quantity


def _uncertain(quantity: Quantity) -> Quantity:
    if not _with_uncertainty(quantity).u:
        raise ValueError("u must be > 0: readings scatter")
    return quantity


def _no_guess(quantity: Quantity) -> Quantity:
    if quantity.status == "guess":
        raise ValueError("must be known, nothing here would find it: write a number or value and u")
    return quantity


_NOTHING = Quantity.default(0.0)
_FRACTION = AfterValidator(within(at_least=0, at_most=1))
_ANY_SIZE = AfterValidator(sized(1e-30, 1e30))
_KNOWN = AfterValidator(_no_guess)

KnownFraction = Annotated[Quantity, _FRACTION, AfterValidator(_with_uncertainty)]
KnownRate = Annotated[SourceNumber, AfterValidator(_with_uncertainty)]
KnownReading = Annotated[Quantity, _ANY_SIZE, AfterValidator(_uncertain)]
KnownDensity = Annotated[PositiveDensity, _KNOWN]
KnownSize = Annotated[SourceNumber, _KNOWN]
SelfAbsorption = Annotated[
    Quantity, AfterValidator(within(at_least=0)), AfterValidator(sized(1e-9, 1e9))
]


class Line(Table):
    """The emission line of one element.

    Parameters
    ----------
    column
        Column of a text file, by its name or its number from 1, or channel of a netCDF file;
        default the symbol of the element.
    merge
        Instead: columns that are added up.
    saturation
        Intensity from which on a reading is too small.
    intensity_per_ug_s
        Intensity, less background, per mass of the element sputtered per second [1/(ug/s)]. A
        guess, or nothing: found from the references.
    background
        Intensity without the element. A guess: found from the references.
    self_absorption_s_ug
        kappa of (k / kappa) (1 - exp(-kappa x)), x the mass of the element per second [s/ug]. A
        guess: found from the references.
    density_g_cm3
        Density of the solid element or, with `compound`, of the compound [g/cm3]; default from the
        table for metals, semimetals and some compounds.
    compound
        Formula of a compound through which the volume of the element is known.
    """

    column: Column | None = None
    merge: tuple[Column, ...] = ()
    saturation: PositiveQuantity | None = None
    intensity_per_ug_s: PositiveQuantity | None = None
    background: NonNegativeQuantity = _NOTHING
    self_absorption_s_ug: SelfAbsorption = _NOTHING
    density_g_cm3: KnownDensity | None = None
    compound: Annotated[str, PlainValidator(_compound)] | None = None

    def checks(self) -> Iterator[Mistake]:
        if self.merge and self.is_written("column"):
            yield Mistake("merge", "stands beside column; write only one of the two")

    def channel(self, symbol: str) -> Channel:
        """What to read for this line."""
        name = self.column if isinstance(self.column, str) else symbol
        return Channel(
            name=name,
            element=symbol,
            column=self.column,
            merge=self.merge,
            saturation=self.saturation,
        )

    def density(self, symbol: str) -> Quantity | None:
        """Density of the element or its compound; None where none is known."""
        if self.density_g_cm3 is not None:
            return self.density_g_cm3
        composition = parsed_formula(self.compound) if self.compound else {symbol: 1.0}
        try:
            found = solid_density_g_cm3(composition)
        except DensityUnknown:
            return None
        return Quantity.default(found.value_g_cm3, u=found.u_rel * found.value_g_cm3)


class ReferenceMaterial(Table):
    """Readings on a material of known composition that erodes at a known rate.

    Parameters
    ----------
    name
        Of the material.
    composition_mass
        Mass fraction by element, each with its uncertainty (0: exactly known). What has a line
        and is not listed is absent.
    mass_rate_ug_s
        Mass of all elements sputtered per second [ug/s], with its uncertainty.
    intensity
        Reading by element, background included, each with the uncertainty of its repeatability.
    """

    name: Name | None = None
    composition_mass: dict[Element, KnownFraction]
    mass_rate_ug_s: KnownRate
    intensity: dict[Element, KnownReading]

    @property
    def label(self) -> str:
        return self.name or ""

    def checks(self) -> Iterator[Mistake]:
        total = math.fsum(float(fraction) for fraction in (self.composition_mass or {}).values())
        if total > LARGEST_SUM:
            yield Mistake("composition_mass", f"adds up to {total:.4g}, more than 1")

    def readings(self, elements: list[str]) -> Reference:
        """As arrays over the elements that have a line."""
        none = Quantity.prior(0.0, u=0.0)
        unread = Quantity.prior(math.nan, u=1.0)
        fractions = [self.composition_mass.get(symbol, none) for symbol in elements]
        readings = [self.intensity.get(symbol, unread) for symbol in elements]
        return Reference(
            float(self.mass_rate_ug_s),
            _u(self.mass_rate_ug_s),
            np.array([float(q) for q in fractions]),
            np.array([_u(q) for q in fractions]),
            np.array([float(q) for q in readings]),
            np.array([_u(q) for q in readings]),
        )


class ReadingNoise(Table):
    """Noise of single readings; without any value there is none.

    Parameters
    ----------
    counts_per_unit_s
        Counts per second for one unit of intensity [1/s].
    readout_per_sqrt_s
        Standard deviation of the intensity of a reading of one second [intensity * s^(1/2)].
    """

    counts_per_unit_s: Annotated[PositiveQuantity, _KNOWN] | None = None
    readout_per_sqrt_s: Annotated[NonNegativeQuantity, _KNOWN] = _NOTHING

    def u_intensity(self, intensity: np.ndarray, interval_s: np.ndarray) -> np.ndarray:
        """Standard uncertainty of readings (E, T).

        A reading of no counts is taken for one of one count: it is not known better than that.
        """
        variance = float(self.readout_per_sqrt_s) ** 2 / interval_s
        if self.counts_per_unit_s is not None:
            per_reading = float(self.counts_per_unit_s) * interval_s
            variance = variance + np.maximum(intensity * per_reading, 1.0) / per_reading**2
        return np.sqrt(np.broadcast_to(variance, intensity.shape))


class Calibration(Table):
    """Lines of all major elements of a sample, for one set of operating conditions.

    Parameters
    ----------
    title
        Free text.
    anode_diameter_mm
        Diameter of the analysed area [mm].
    area_mm2
        Instead: the area [mm2].
    element
        Lines by the symbol of their element.
    reference
        Readings on reference materials, from which unknown constants are found.
    noise
        Noise of single readings.
    profile
        How a measured file is read.
    """

    place: ClassVar[str] = ""

    title: Text = ""
    anode_diameter_mm: KnownSize | None = None
    area_mm2: KnownSize | None = None
    element: dict[Element, Line] = Field(default_factory=dict)
    reference: tuple[ReferenceMaterial, ...] = ()
    noise: ReadingNoise = ReadingNoise()
    profile: ProfileSettings = ProfileSettings()

    @property
    def elements(self) -> list[str]:
        """Symbols of the elements, in the order of the file."""
        return list(self.element)

    def channels(self) -> tuple[Channel, ...]:
        """What to read, in the order of the elements."""
        return tuple(line.channel(symbol) for symbol, line in self.element.items())

    def area(self) -> Quantity:
        """Analysed area [mm2] with its uncertainty."""
        if self.area_mm2 is not None:
            return Quantity.prior(float(self.area_mm2), _u(self.area_mm2))
        assert self.anode_diameter_mm is not None  # checks() demands one of the two
        diameter = float(self.anode_diameter_mm)
        u = math.pi / 2.0 * diameter * _u(self.anode_diameter_mm)
        return Quantity.prior(math.pi / 4.0 * diameter**2, u)

    def emission(self) -> EmissionFit:
        """Constants of the lines: as written, or found from the references.

        Raises
        ------
        InputProblems
            The references do not determine what is to be found.
        """
        written = [
            [getattr(line, key) or Quantity.guess(math.nan) for key in CONSTANTS]
            for line in self.element.values()
        ]
        known = np.array([[float(q) for q in row] for row in written])
        doubt = np.array([[_u(q) for q in row] for row in written])
        references = [material.readings(self.elements) for material in self.reference]
        try:
            return fit_emission(known, doubt, references)
        except NotDetermined as error:
            raise InputProblems(
                [
                    f"element.{self.elements[element]} {CONSTANTS[constant]}: the references do"
                    " not determine it; write a value, or add readings at other mass rates"
                    for element, constant in error.open
                ]
            ) from None
        except ValueError as error:
            raise InputProblems([f"reference: {error}"]) from None

    def volumes(self) -> PartialVolumes:
        """Volume per mass of every element."""
        symbols = self.elements
        densities = [line.density(symbol) for symbol, line in self.element.items()]
        assert None not in densities  # checks() demands them
        compounds = [
            None if line.compound is None else _mass_shares(parsed_formula(line.compound), symbols)
            for line in self.element.values()
        ]
        value = np.array([float(q) for q in densities if q is not None])
        u = np.array([_u(q) for q in densities if q is not None])
        return partial_volumes(value, u, compounds, U_REL_ALLOY)

    def checks(self) -> Iterator[Mistake]:
        given = [key for key in ("anode_diameter_mm", "area_mm2") if self.is_written(key)]
        if not given:
            yield Mistake("anode_diameter_mm", "missing; write it or area_mm2")
        elif len(given) > 1:
            yield Mistake("area_mm2", "stands beside anode_diameter_mm; write only one of the two")
        if not self.element and not self.is_written("element"):
            yield Mistake("element", "missing; every major element needs a line: [element.Fe]")
        for key, needed in (("axis", "time"), ("values", "intensity")):
            if getattr(self.profile, key) != needed:
                message = f'must be "{needed}": what is quantified are intensities against time'
                yield Mistake(key, message, within="profile")
        for symbol, line in self.element.items():
            yield from self._line_mistakes(symbol, line)
        for index, material in enumerate(self.reference):
            place = named(numbered("reference", index), material.label)
            for symbol in material.intensity or ():
                if symbol not in self.element:
                    message = f"{symbol} has no line: write [element.{symbol}]"
                    yield Mistake("intensity", message, within=place)
        names = [
            symbol if line.column is None else line.column
            for symbol, line in self.element.items()
            if not line.merge
        ]
        for name in sorted({shown(name) for name in names if names.count(name) > 1}):
            yield Mistake("element", f"column {name} is named for two elements")

    def _line_mistakes(self, symbol: str, line: Line) -> Iterator[Mistake]:
        place = f"element.{symbol}"
        if not self.is_written("reference"):
            if not line.is_written("intensity_per_ug_s"):
                message = "missing, and there is no [[reference]] to find it from"
                yield Mistake("intensity_per_ug_s", message, within=place)
            for key in CONSTANTS:
                quantity = getattr(line, key)
                if quantity is not None and quantity.status == "guess":
                    message = "is a guess, and there is no [[reference]] to find it from"
                    yield Mistake(key, message, within=place)
        if line.compound is not None:
            yield from self._compound_mistakes(symbol, line.compound)
        misread = line.compound is None and line.is_written("compound")
        if line.density(symbol) is None and not (line.is_written("density_g_cm3") or misread):
            of = line.compound or symbol
            more = "" if line.compound else ", or the compound that it forms"
            message = f"missing, and no density is known for {of}; write it{more}"
            yield Mistake("density_g_cm3", message, within=place)

    def _compound_mistakes(self, symbol: str, compound: str) -> Iterator[Mistake]:
        place, parts = f"element.{symbol}", parsed_formula(compound)
        if symbol not in parts:
            yield Mistake("compound", f"{compound} has no {symbol}", within=place)
        for other in parts:
            if other != symbol and other not in self.element:
                message = f"{other} in {compound} has no line: write [element.{other}]"
                yield Mistake("compound", message, within=place)
            elif other != symbol and self.element[other].compound is not None:
                message = f"{other} in {compound} has a compound itself, so no volume of its own"
                yield Mistake("compound", message, within=place)


def _u(quantity: Quantity) -> float:
    """Standard uncertainty: none for what is exactly known, no end to it for a guess."""
    if quantity.status == "guess":
        return math.inf
    return quantity.u or 0.0


def _mass_shares(composition: Mapping[str, float], symbols: list[str]) -> np.ndarray:
    by_mass = atomic_to_mass_fractions(composition)
    return np.array([by_mass.get(symbol, 0.0) for symbol in symbols])


# --- files -------------------------------------------------------------------------------------


def load_calibration(path: str | os.PathLike[str]) -> Calibration:
    """Read a calibration file.

    Parameters
    ----------
    path
        A TOML file in UTF-8 of at most 5 MB.

    Raises
    ------
    InputProblems
        The file cannot be read, or all mistakes that are in it.
    """
    return _calibration(read_toml(path), os.fspath(path))


def calibration_from_toml(text: str, place: str = "calibration") -> Calibration:
    """The calibration that a TOML text describes; `place` begins the messages."""
    return _calibration(parse_toml(text, place), place)


def _calibration(written: Mapping[str, Any], place: str) -> Calibration:
    with mistakes_of(place):
        calibration = Calibration(**written)
        calibration.emission()  # what the references leave open is a mistake of the file, too
    return calibration
