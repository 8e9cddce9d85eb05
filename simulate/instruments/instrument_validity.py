"""Whether a measurement is within what a calibration is valid for, and by how much to widen.

Outside, every number keeps its value and gets more uncertainty. The rules:

- Another operating point: what goes as the p-th power of a number of the source changes by p times
  the logarithm of its ratio. p = 2 counts as one standard deviation for every number of the
  instrument and of materials (common practice, no source: rates go with the first power of the
  current, and hardly with more than the second of the voltage). All rates move together, and so do
  all sensitivities. Besides, the rate of each material goes with a power of its own: p = 0.2 is the
  standard deviation between metals of d ln Y / d ln E at 200 eV (0.18; 0.09 at 500 eV and 0.06 at 1
  keV. Derived: from `models.materials.yield_formulas.yamamura_yield` for argon on 18 metals). For
  the sensitivity of each channel p = 0.5 (common practice, no source).
- Another kind of source, ion or supply: a factor of 3 either way for all together, as for a guess.
  Besides, 30 % for each material and each channel (derived in the same way: the ratio of the yields
  of two ions has a standard deviation of 0.13 to 0.21 between metals, an energy that differs by a
  factor of 3 adds 0.2 ln 3).
- A material that was not calibrated, in the sample or where the mixing length refers to: 30 %, as
  for a plain number that nobody knows exactly (common practice, no source), for what was found of
  all materials alike.
- Deeper than the references: a slope with depth that is known with an uncertainty u over the depth
  range D contributes u z / D at a depth z (derived), so all standard uncertainties grow by z / D.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from craterfront.experiments.experiment import Experiment
from craterfront.instruments.instrument_file import (
    OPERATING_NUMBERS,
    CalibratedNumber,
    InstrumentCalibration,
    OperatingConditions,
)
from craterfront.instruments.instrument_numbers import (
    GENERAL,
    MIXING,
    RATE,
    SENSITIVITY,
    same_material,
)
from craterfront.notation.parameters import ASSUMED_U_REL, THICKNESS_LN_SD
from craterfront.problems import shown

SAME_POINT = 0.02
"""Relative deviation of a number of the source that is none (common practice, no source)."""

SAME_ANGLE_DEG = 1.0

_POWER = 2.0
_POWER_APART = {RATE: 0.2, SENSITIVITY: 0.5}
"""Standard deviation of the power from material to material, and from channel to channel."""


@dataclass(frozen=True)
class Outside:
    """How a measurement is outside of what a calibration is valid for.

    Attributes
    ----------
    warnings : list of str
    of_source : float
        Relative standard uncertainty to add for the source.
    apart : dict of str to float
        The same by kind, of each material or channel by itself: ratios are uncertain by that.
    uncalibrated : set of str
        Elements of materials that were not calibrated.
    other_surface : bool
        The mixing length refers to another material.
    depth_factor : float
        By which standard uncertainties grow, at least 1.
    """

    warnings: list[str]
    of_source: float
    apart: Mapping[str, float]
    uncalibrated: frozenset[str]
    other_surface: bool
    depth_factor: float

    def widened(self, calibration: InstrumentCalibration) -> np.ndarray:
        """Covariance of the uncertain numbers with all that is added, shape (K, K)."""
        numbers = calibration.uncertain
        covariance = calibration.covariance * self.depth_factor**2
        relative = np.array([_per_relative(number) for number in numbers])
        for kind, apart in self.apart.items():
            whose = [_whose(n) if n.kind == kind else None for n in numbers]
            together = relative * [self.of_source * (each is not None) for each in whose]
            covariance = covariance + np.outer(together, together)
            for one in {each for each in whose if each is not None}:
                alike = relative * [apart * (each == one) for each in whose]
                covariance = covariance + np.outer(alike, alike)
        own = np.array([self._own(number, calibration) for number in numbers])
        return covariance + np.diag((relative * own) ** 2)

    def _own(self, number: CalibratedNumber, calibration: InstrumentCalibration) -> float:
        """Relative standard uncertainty that is added to one number alone."""
        parts = [0.0]
        if number.kind not in (RATE, SENSITIVITY, "density"):
            parts.append(self.of_source)
        if number.material is None and self._is_of_others(number):
            parts.append(ASSUMED_U_REL)
        return math.hypot(*parts)

    def _is_of_others(self, number: CalibratedNumber) -> bool:
        """Whether materials that were not calibrated have a say in a number."""
        if number.kind == SENSITIVITY:
            return number.channel in self.uncalibrated
        if number.kind in MIXING and self.other_surface:
            return True
        return number.kind in GENERAL and bool(self.uncalibrated)


def _whose(number: CalibratedNumber) -> str:
    """Material of a rate, channel of a sensitivity."""
    return (number.material if number.kind == RATE else number.channel) or ""


def _per_relative(number: CalibratedNumber) -> float:
    """Change of a number's coordinate by a relative change of the number."""
    if number.coordinate == "logarithm":
        return 1.0
    return abs(number.value) * (2.0 if number.coordinate == "square" else 1.0)


def outside(calibration: InstrumentCalibration, experiment: Experiment) -> Outside:
    """Compare an experiment with what a calibration is valid for."""
    notes, of_source, apart = _source(calibration.source, experiment)
    layers = experiment.stack.expanded()
    known = [material.fractions for material in calibration.material]
    others = [
        layer for layer in layers if not any(same_material(layer.composition, k) for k in known)
    ]
    for label in dict.fromkeys(layer.label for layer in others):
        notes.append(
            f"layer {shown(label)}: its material was not calibrated; what was found for all"
            f" materials alike is uncertain by {100 * ASSUMED_U_REL:.0f} % more"
        )
    uncalibrated = {element for layer in others for element in layer.composition}
    first = next(
        (m.fractions for m in calibration.material if m.name == calibration.valid.first_material),
        {},
    )
    other_surface = not same_material(layers[0].composition, first)
    if other_surface and any(n.kind in MIXING and n.material is None for n in calibration.number):
        notes.append(
            f"the calibrated mixing is that of {calibration.valid.first_material} at the surface,"
            f" and the sample begins with {layers[0].label}; it is uncertain by"
            f" {100 * ASSUMED_U_REL:.0f} % more"
        )
    depth_nm = sum(float(layer.thickness_nm) for layer in layers[:-1])
    reached_nm = float(calibration.valid.depth_to_nm)
    factor = max(depth_nm / reached_nm, 1.0)
    if factor > 1.0:
        notes.append(
            f"the layers reach {depth_nm:.4g} nm down, the calibration {reached_nm:.4g} nm: all its"
            f" standard uncertainties are multiplied by {factor:.2f}"
        )
    return Outside(notes, of_source, apart, frozenset(uncalibrated), other_surface, factor)


def _source(
    known: OperatingConditions | None, experiment: Experiment
) -> tuple[list[str], float, dict[str, float]]:
    """Notes on another source or operating point, and the relative uncertainties for it."""
    source = experiment.setup.source
    if source is None or known is None:
        which = "experiment" if source is None else "calibration"
        return [
            f"the {which} has no [source]: nobody checks that the operating point is equal"
        ], *_uncertain_by(0.0)
    present = OperatingConditions.of(source)
    for key in ("kind", "supply", "ion"):
        before, now = getattr(known, key), getattr(present, key)
        if before != now:
            words = f"source {key}: {shown(now)}, and the calibration has {shown(before)}"
            note = f"{words}; its numbers are no more than guesses here, a factor of 3 either way"
            return [note], THICKNESS_LN_SD, dict.fromkeys(_POWER_APART, ASSUMED_U_REL)
    notes, total = [], 0.0
    for key in OPERATING_NUMBERS:
        before, now = getattr(known, key), getattr(present, key)
        if before is None and now is None:
            continue
        if before is None or now is None:
            notes.append(f"source {key}: not in both experiment and calibration, so not compared")
            continue
        change = _change(key, float(before), float(now))
        if change:
            total += change
            notes.append(
                f"source {key}: {shown(float(now))}, and the calibration was made at"
                f" {shown(float(before))}; its numbers are uncertain by"
                f" {100 * _POWER * change:.2g} % more"
            )
    return notes, *_uncertain_by(total)


def _uncertain_by(change: float) -> tuple[float, dict[str, float]]:
    """Of all together, and of each by itself, for a relative change of the source."""
    return _POWER * change, {kind: power * change for kind, power in _POWER_APART.items()}


def _change(key: str, before: float, now: float) -> float:
    """Relative change of a number of the source; 0 where it is none."""
    if key == "angle_deg":
        turned = abs(now - before)
        return math.radians(turned) if turned > SAME_ANGLE_DEG else 0.0
    ratio = abs(math.log(now / before))
    return ratio if ratio > SAME_POINT else 0.0
