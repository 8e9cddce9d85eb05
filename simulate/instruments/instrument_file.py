"""The instrument file: what reference measurements have shown of an instrument, for people."""

import datetime
import math
import os
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import PlainValidator

from craterfront.experiments.source import GlowDischarge, IonBeam
from craterfront.file_access import write_text
from craterfront.instruments.instrument_numbers import KINDS, OF_MATERIAL
from craterfront.models.materials.elements import normalised
from craterfront.notation.quantities import PositiveLength, Quantity, SourceNumber, finite_number
from craterfront.notation.table import (
    Mistake,
    Name,
    Table,
    Text,
    number_that,
    numbered,
    parsed_formula,
)
from craterfront.notation.toml_text import parse_toml, read_toml
from craterfront.notation.toml_writing import toml_text
from craterfront.objective.joint_prior import Coordinate
from craterfront.problems import InputProblems, did_you_mean, mistakes_of, shown
from craterfront.samples.composition import Composition

OPERATING_NUMBERS = (
    "voltage_V",
    "current_mA",
    "pressure_hPa",
    "power_W",
    "anode_diameter_mm",
    "energy_eV",
    "angle_deg",
    "current_nA",
)
_LEAST_DIGITS = 3
_ROUNDING = 1e-3  # of the smallest eigenvalue of a correlation matrix, that rounding may change
_SINGULAR = 1e-11  # ... and the least one, which that leaves above the rounding of the computer
_NEGATIVE = -1e-9  # ... below which rounding of the computer does not take it


def _date(written: Any) -> datetime.date:
    if not isinstance(written, datetime.date):
        raise ValueError(f"must be a date such as 2026-01-31, got {shown(written)}")
    return written.date() if isinstance(written, datetime.datetime) else written


def _kind(written: Any) -> str:
    if written not in KINDS:
        near = did_you_mean(written, KINDS) if isinstance(written, str) else ""
        raise ValueError(f"is no number of an instrument: {shown(written)}{near}")
    return written


_uncertainty = number_that(">= 0", lambda u: u >= 0)


def _rows(written: Any) -> dict[str, tuple[float, ...]]:
    if not isinstance(written, Mapping):
        raise ValueError(f"must be a table of lists, got {shown(written)}")
    rows: dict[str, tuple[float, ...]] = {}
    for name, row in written.items():
        if not isinstance(row, Sequence) or isinstance(row, str):
            raise ValueError(f"{name} must be a list of numbers, got {shown(row)}")
        rows[name] = tuple(finite_number(item) for item in row)
    return rows


class OperatingConditions(Table):
    """The source with which references were measured; keys as in `[source]`.

    Parameters
    ----------
    kind
        ``"glow discharge"`` or ``"ion beam"``.
    voltage_V, current_mA, pressure_hPa, power_W, anode_diameter_mm, supply
        Of a lamp.
    ion, energy_eV, angle_deg, current_nA
        Of a beam.
    """

    kind: Literal["glow discharge", "ion beam"]
    supply: Literal["DC", "RF"] | None = None
    ion: Name | None = None
    voltage_V: SourceNumber | None = None
    current_mA: SourceNumber | None = None
    pressure_hPa: SourceNumber | None = None
    power_W: SourceNumber | None = None
    anode_diameter_mm: SourceNumber | None = None
    energy_eV: SourceNumber | None = None
    angle_deg: Annotated[float, PlainValidator(finite_number)] | None = None
    current_nA: SourceNumber | None = None

    @classmethod
    def of(cls, source: GlowDischarge | IonBeam) -> "OperatingConditions":
        """What a source of an experiment says of its operating point."""
        written: dict[str, Any] = {"kind": source.kind}
        for key in ("supply", "ion", *OPERATING_NUMBERS):
            value = getattr(source, key, None)
            if value is not None:
                written[key] = value if isinstance(value, str) else float(value)
        return cls(**written)


class CalibratedMaterial(Table):
    """A material of the references.

    Parameters
    ----------
    name
        As the numbers call it.
    composition
        A formula, or atomic fractions; another sample has this material where no fraction
        differs by more than 0.01.
    """

    name: Name
    composition: Composition

    @property
    def label(self) -> str:
        return self.name or ""

    @property
    def fractions(self) -> dict[str, float]:
        """Atomic fraction by element."""
        if isinstance(self.composition, str):
            return dict(parsed_formula(self.composition))
        return normalised(self.composition)


class ReferenceUsed(Table):
    """A reference measurement.

    Parameters
    ----------
    profile, experiment
        Files.
    profile_sha256, experiment_sha256
        Their SHA-256 sums; none where they were no files.
    """

    profile: Name
    profile_sha256: Name | None = None
    experiment: Name
    experiment_sha256: Name | None = None


class Validity(Table):
    """What the calibration is valid for, besides source and materials.

    Parameters
    ----------
    depth_to_nm
        Depth that the references reached [nm].
    view
        ``"collected"`` or ``"viewed"``.
    crater, growth, mixing, displacement
        Models to which the numbers belong: `[crater] shape`, `[roughness] growth`, `[mixing] model`
        and its `displacement`.
    first_material
        Material to whose surface a mixing length for all layers refers.
    """

    depth_to_nm: PositiveLength
    view: Literal["collected", "viewed"]
    crater: Literal["flat", "parabolic", "tilted", "edged", "rastered", "measured"]
    growth: Literal["none", "statistical", "grains", "columns", "saturating"] = "none"
    mixing: Literal["none", "uniform", "diffusive", "relocation"] = "none"
    displacement: Literal["exponential", "gaussian"] | None = None
    first_material: Name


class CalibratedNumber(Table):
    """One number of the instrument.

    Parameters
    ----------
    kind
        What it is.
    material
        Of which material; left out where it is for all.
    channel
        Of which channel.
    value, u
        Value and standard uncertainty in `unit`; u = 0: exactly known, and without a row in the
        table of correlations.
    unit
        Empty for a pure number.
    coordinate
        In which it is normal: ``"linear"``, ``"logarithm"`` (with the standard deviation u / value)
        or ``"square"``: value and u are those of the square, since the references do not tell the
        number itself from zero.
    before
        What was known of it before the references, in words.
    """

    kind: Annotated[str, PlainValidator(_kind)]
    material: Name | None = None
    channel: Name | None = None
    value: Annotated[float, PlainValidator(finite_number)]
    u: Annotated[float, PlainValidator(_uncertainty)]
    unit: Text = ""
    coordinate: Literal["linear", "logarithm", "square"] = "linear"
    before: Text = ""

    @property
    def label(self) -> str:
        of = f" {self.channel}" if self.channel else ""
        if self.material is None:
            return f"{self.kind}{of}"
        return f"{self.kind}{of} {'of' if self.kind in OF_MATERIAL else 'in'} {self.material}"

    @property
    def mean(self) -> float:
        """In its coordinate."""
        return math.log(self.value) if self.coordinate == "logarithm" else self.value

    @property
    def sd(self) -> float:
        """Standard deviation in its coordinate."""
        return self.u / self.value if self.coordinate == "logarithm" else self.u

    def as_quantity(self) -> Quantity:
        """The number as an experiment file would have it."""
        if self.coordinate == "square":
            return Quantity.guess((max(self.value, 0.0) + self.u) ** 0.5)
        return Quantity.prior(self.value, u=self.u)

    @classmethod
    def of(
        cls, mean: float, sd: float, coordinate: Coordinate, **others: Any
    ) -> "CalibratedNumber":
        """From mean and standard deviation in the coordinate."""
        value = math.exp(mean) if coordinate == "logarithm" else mean
        u = value * sd if coordinate == "logarithm" else sd
        return cls(value=value, u=u, coordinate=coordinate, **others)

    def checks(self) -> Iterator[Mistake]:
        if self.coordinate == "logarithm" and self.value is not None and self.value <= 0:
            yield Mistake("value", f"must be > 0 for a logarithm, got {shown(self.value)}")


class InstrumentCalibration(Table):
    """The joint posterior of an instrument's numbers, and what it is valid for.

    Parameters
    ----------
    title
        Free text.
    date
        Of the calibration.
    source
        `OperatingConditions` of the references; None where they do not say.
    valid
        Depth, view and models.
    material
        Materials of the references.
    reference
        Measurements from which it comes.
    number
        The numbers.
    correlation
        Lower triangle of the correlation matrix in the coordinates: a row for each number with
        u > 0, in the same order.
    """

    place: ClassVar[str] = ""

    title: Text = ""
    date: Annotated[datetime.date, PlainValidator(_date)]
    source: OperatingConditions | None = None
    valid: Validity
    material: tuple[CalibratedMaterial, ...]
    reference: tuple[ReferenceUsed, ...]
    number: tuple[CalibratedNumber, ...]
    correlation: Annotated[dict[str, tuple[float, ...]], PlainValidator(_rows)]

    @property
    def uncertain(self) -> tuple[CalibratedNumber, ...]:
        """Numbers that are not exactly known."""
        return tuple(number for number in self.number if number.u > 0)

    @property
    def covariance(self) -> np.ndarray:
        """Of the uncertain numbers in their coordinates, shape (K, K)."""
        sd = np.array([number.sd for number in self.uncertain])
        return _square(self.correlation) * np.outer(sd, sd)

    def composition_of(self, number: CalibratedNumber) -> dict[str, float]:
        """Atomic fractions of the material of a number; empty where it is for all."""
        found = (m for m in self.material if m.name == number.material)
        material = next(found, None)
        return {} if material is None else material.fractions

    def checks(self) -> Iterator[Mistake]:
        numbers, names = self.number or (), {m.name for m in self.material or ()}
        labels = [number.label for number in numbers]
        for i, number in enumerate(numbers):
            place = numbered("number", i, number.label)
            if labels.index(number.label) < i:
                yield Mistake("", "is there twice", within=place)
            if number.material is not None and number.material not in names:
                message = f"{shown(number.material)} is not in [[material]]"
                yield Mistake("material", message, within=place)
        if self.number and self.correlation is not None and all(n.u is not None for n in numbers):
            yield from self._correlation_mistakes()

    def _correlation_mistakes(self) -> Iterator[Mistake]:
        labels = [number.label for number in self.uncertain]
        if list(self.correlation) != labels:
            wanted = ", ".join(labels)
            yield Mistake("correlation", f"needs a row for each of these, in order: {wanted}")
            return
        for i, (label, row) in enumerate(self.correlation.items()):
            if len(row) != i + 1:
                message = f"must be {i + 1} numbers, up to its own, got {len(row)}"
                yield Mistake(shown(label), message, within="correlation")
                return
            if row[-1] != 1.0 or any(abs(r) > 1.0 for r in row):
                message = "must be from -1 to 1 and end with 1"
                yield Mistake(shown(label), message, within="correlation")
                return
        if labels and np.linalg.eigvalsh(_square(self.correlation))[0] <= 0:
            yield Mistake("correlation", "is no correlation matrix: not positive definite")

    def as_file(self) -> dict[str, Any]:
        """The calibration as its file holds it."""
        rows = {label: list(row) for label, row in self.correlation.items()}
        written = {key: value for key, value in self.as_written().items() if value != ""}
        written["number"] = [
            {key: value for key, value in plain.items() if value != ""}
            for plain in written.get("number", [])
        ]
        written.pop("correlation", None)
        return {**written, "correlation": rows}


def _square(rows: Mapping[str, Sequence[float]]) -> np.ndarray:
    """Symmetric matrix of a lower triangle."""
    matrix = np.eye(len(rows))
    for i, row in enumerate(rows.values()):
        matrix[i, : len(row)] = row
        matrix[: len(row), i] = row
    return matrix


def rounded(
    numbers: Sequence[CalibratedNumber], covariance: np.ndarray
) -> tuple[list[CalibratedNumber], dict[str, tuple[float, ...]]]:
    """Numbers and lower triangle of their correlations, with as many digits as it takes.

    Parameters
    ----------
    numbers : sequence of CalibratedNumber
    covariance : ndarray, shape (K, K)
        In their coordinates.

    Raises
    ------
    ValueError
        For a matrix that is no covariance: an eigenvalue of its correlations is below -1e-9.

    Notes
    -----
    Rounding errors of d digits change the eigenvalues of the correlations by no more than
    K 10^-d / 2 (Weyl's inequality): the smallest one, s, keeps all but a thousandth. A combination
    of numbers may be known as well as s^1/2 times the u of one; of that, rounding of value and u
    takes a thousandth. No combination is written as known better than 3e-6 times the u of one.
    """
    sd = np.sqrt(np.diag(covariance))
    matrix = covariance / np.outer(sd, sd)
    smallest = float(np.linalg.eigvalsh(matrix)[0]) if len(sd) else 1.0
    if smallest < _NEGATIVE:
        message = f"covariance: the correlations have the eigenvalue {smallest:.3g}, must be >= 0"
        raise ValueError(message)
    if smallest < _SINGULAR:
        lift = _SINGULAR - smallest
        matrix = (matrix + lift * np.eye(len(sd))) / (1.0 + lift)
        smallest = _SINGULAR
    digits = math.ceil(math.log10(0.5 * max(len(sd), 1) / (_ROUNDING * smallest)))
    rows: dict[str, tuple[float, ...]] = {
        number.label: (*(round(float(r), max(digits, _LEAST_DIGITS)) for r in matrix[i, :i]), 1.0)
        for i, number in enumerate(numbers)
    }
    short = [
        number.model_copy(
            update={
                "value": _to_step(number.value, _ROUNDING * number.u * smallest**0.5),
                "u": _to_step(number.u, _ROUNDING * number.u * smallest**0.5),
            }
        )
        for number in numbers
    ]
    return short, rows


def _to_step(value: float, step: float) -> float:
    """A number rounded to no coarser a decimal than a step."""
    return round(value, -math.floor(math.log10(step)))


def load_instrument(path: str | os.PathLike[str]) -> InstrumentCalibration:
    """Read an instrument file.

    Raises
    ------
    InputProblems
        The file cannot be read, or all mistakes that are in it.
    """
    written, place = read_toml(path), os.fspath(path)
    if {"layer", "substrate"} & set(written):
        raise InputProblems(["is an experiment file, no calibration of an instrument"], place)
    return _instrument(written, place)


def instrument_from_toml(text: str, place: str = "instrument") -> InstrumentCalibration:
    """The calibration that a TOML text describes; `place` begins the messages."""
    return _instrument(parse_toml(text, place), place)


def _instrument(written: Mapping[str, Any], place: str) -> InstrumentCalibration:
    with mistakes_of(place):
        return InstrumentCalibration(**written)


HEADING = """\
# Calibration of an instrument, from reference measurements.
# Use: craterfront invert PROFILE -e EXPERIMENT.toml --instrument THIS_FILE
# Each [[number]] is normal in its coordinate; [correlation] belongs to these coordinates.

"""


def write_instrument(calibration: InstrumentCalibration, path: str | os.PathLike[str]) -> None:
    """Write an instrument file, whole or not at all."""
    text = HEADING + toml_text(calibration.as_file())
    write_text(path, text)
