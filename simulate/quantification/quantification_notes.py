"""What a reader of a quantified profile must know."""

import math

import numpy as np

from craterfront.measured_files.column_selection import listed
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.models.detection.emission_fit import EmissionFit
from craterfront.models.detection.sum_normalisation import SumNormalisation
from craterfront.quantification.calibration import Calibration

LARGEST_U_REL = 0.1
"""Up to which propagation to first order will do (common practice, no source)."""


def notes_on_readings(
    profile: MeasuredProfile,
    calibration: Calibration,
    rows: list[int],
    normalisation: SumNormalisation,
) -> list[str]:
    """What a reader must know of the profile as it was calibrated."""
    notes = list(profile.notes)
    unused = [name for i, name in enumerate(profile.channels) if i not in rows]
    if unused:
        notes.append(f"channels without a line in the calibration, left out: {listed(unused)}")
    for row, symbol in zip(rows, calibration.elements, strict=True):
        count = int(profile.censored[row].sum())
        if count:
            notes.append(f"saturated readings of {symbol}, whose amounts are too small: {count}")
    idle = int((~normalisation.eroding).sum())
    if idle:
        notes.append(f"readings without mass or volume, which count as no erosion: {idle}")
    if not calibration.noise.is_written("counts_per_unit_s") and not float(
        calibration.noise.readout_per_sqrt_s
    ):
        notes.append("no [noise]: uncertainties hold the calibration only")
    return notes


def notes_on_constants(calibration: Calibration, fit: EmissionFit) -> list[str]:
    """What a reader must know of the constants of the lines."""
    notes = []
    exact = [
        symbol
        for symbol, line in calibration.element.items()
        if line.intensity_per_ug_s is not None and line.intensity_per_ug_s.status == "plain"
    ]
    if exact:
        notes.append(f"intensity_per_ug_s without uncertainty, taken as exact: {', '.join(exact)}")
    variance = np.einsum("iaia->ia", fit.constants.covariance)[:, 0]
    vague = np.sqrt(variance) > LARGEST_U_REL * fit.constants.value[:, 0]
    if vague.any():
        which = ", ".join(s for s, far in zip(calibration.elements, vague, strict=True) if far)
        notes.append(
            f"intensity_per_ug_s of {which} is uncertain by more than {LARGEST_U_REL:.0%}:"
            " uncertainties are of first order and no more than estimates"
        )
    if fit.degrees and fit.chi_square > fit.degrees:
        widened = math.sqrt(fit.chi_square / fit.degrees)
        notes.append(
            f"the references scatter {widened:.2g} times as much as their uncertainties say;"
            " those of the constants are enlarged as much"
        )
    return notes
