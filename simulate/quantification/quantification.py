"""Intensities to composition against depth: calibration, sum normalisation, masses, thickness."""

import json
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Union

import numpy as np

from craterfront import __version__
from craterfront.measured_files.column_selection import listed
from craterfront.measured_files.files import profile_of
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.models.detection.emission import (
    CONSTANTS,
    EmissionConstants,
    SelfAbsorbed,
    mass_rates,
)
from craterfront.models.detection.sum_normalisation import SumNormalisation
from craterfront.models.materials.elements import atomic_mass_u
from craterfront.problems import InputProblems, did_you_mean, shown
from craterfront.quantification.boundaries import Boundary, read_boundaries
from craterfront.quantification.calibration import Calibration
from craterfront.quantification.quantification_notes import notes_on_constants, notes_on_readings
from craterfront.quantification.quantified_dataset import quantified_dataset
from craterfront.quantification.spans import places_of, spans_between

if TYPE_CHECKING:
    import xarray


def quantify(
    profile: Union[MeasuredProfile, "xarray.Dataset"],
    calibration: Calibration,
    boundaries: Sequence[Boundary | str] = (),
) -> "xarray.Dataset":
    """Quantify a profile of intensities against time.

    Parameters
    ----------
    profile : MeasuredProfile or xarray.Dataset
        Intensities; a dataset has ``intensity(channel, time)``.
    calibration : Calibration
        From `load_calibration`, or made in Python.
    boundaries : sequence of Boundary or str
        Where to add up masses and thickness, such as ``"Fe = 50 %"``, a mass fraction.

    Returns
    -------
    xarray.Dataset
        Over ``time``, the middles of the readings: ``composition_mass`` and ``composition`` (atomic
        fractions) by ``element``, ``depth``, ``mass_rate``, ``density``, ``erosion_rate``,
        ``areal_mass`` by element and ``areal_mass_total``, from the surface down. Over ``span``,
        from one boundary to the next and from the surface to each: ``span_thickness``,
        ``span_areal_mass``, ``span_areal_mass_total``. A name with ``_u`` added is the standard
        uncertainty. Calibration, source and notes are attributes.

    Raises
    ------
    InputProblems
        A channel is missing, an intensity is beyond what self-absorption allows, an element never
        passes a boundary or does so more than once with no middle one.

    Notes
    -----
    See `craterfront.models.detection.sum_normalisation` for the equations, their source and their
    validity.
    """
    if not isinstance(profile, MeasuredProfile):
        profile = profile_of(profile, "profile")
    wanted = read_boundaries(boundaries, "boundary")
    rows = _rows(profile, calibration)
    intensity = profile.values[rows]
    edges = _edges(profile)
    fit = calibration.emission()
    normalisation = _normalisation(profile, calibration, fit.constants, intensity, np.diff(edges))
    if np.count_nonzero(normalisation.eroding) < 2:
        raise InputProblems(["fewer than two readings add up to any mass"], profile.source)
    notes = notes_on_readings(profile, calibration, rows, normalisation)
    notes += notes_on_constants(calibration, fit)
    start_s = float(edges[0])
    places, more = places_of(normalisation, calibration.elements, wanted, start_s)
    dataset = quantified_dataset(
        profile.middle, calibration.elements, normalisation, spans_between(places), start_s
    )
    dataset.attrs.update(
        craterfront_version=__version__,
        source=profile.source,
        notes="\n".join([*notes, *more]),
        calibration=json.dumps(calibration.as_written()),
        constants=json.dumps(_constants(calibration.elements, fit.constants)),
    )
    return dataset


def _rows(profile: MeasuredProfile, calibration: Calibration) -> list[int]:
    """Rows of the profile in the order of the elements."""
    problems = []
    if profile.axis != "time" or profile.values_kind != "intensity":
        problems.append(
            f"holds {profile.values_kind}s against {profile.axis};"
            " only intensities against time are quantified"
        )
    names = [channel.name for channel in calibration.channels()]
    problems += [
        f"channel {shown(name)}: not in the profile{did_you_mean(name, profile.channels)};"
        f" its channels are {listed(profile.channels)}"
        for name in names
        if name not in profile.channels
    ]
    if problems:
        raise InputProblems(problems, profile.source)
    return [profile.channels.index(name) for name in names]


def _edges(profile: MeasuredProfile) -> np.ndarray:
    """Edges of intervals [s] that follow one another: rows that are left out leave no hole."""
    middle, half = profile.middle, 0.5 * profile.interval
    between = 0.5 * (middle[1:] + middle[:-1])
    return np.concatenate([[middle[0] - half[0]], between, [middle[-1] + half[-1]]])


def _normalisation(
    profile: MeasuredProfile,
    calibration: Calibration,
    constants: EmissionConstants,
    intensity: np.ndarray,
    interval_s: np.ndarray,
) -> SumNormalisation:
    try:
        rates = mass_rates(constants, intensity)
    except SelfAbsorbed as error:
        raise InputProblems(
            [
                f"element.{symbol} self_absorption_s_ug: {int(row.sum())} readings, the first at"
                f" {profile.middle[row.argmax()]:.4g} s, are brighter than any mass rate makes the"
                " line"
                for symbol, row in zip(calibration.elements, error.beyond, strict=True)
                if row.any()
            ],
            profile.source,
        ) from None
    area = calibration.area()
    return SumNormalisation(
        rates,
        constants,
        calibration.noise.u_intensity(intensity, profile.interval),
        calibration.volumes(),
        np.array([atomic_mass_u(symbol) for symbol in calibration.elements]),
        interval_s,
        float(area),
        area.u or 0.0,
    )


def _constants(elements: list[str], found: EmissionConstants) -> list[dict[str, Any]]:
    """Constants of the lines with their standard uncertainties, as plain numbers."""
    variance = np.einsum("iaia->ia", found.covariance)
    return [
        {"element": symbol}
        | {key: float(value) for key, value in zip(CONSTANTS, row, strict=True)}
        | {f"{key}_u": math.sqrt(float(v)) for key, v in zip(CONSTANTS, spread, strict=True)}
        for symbol, row, spread in zip(elements, found.value, variance, strict=True)
    ]
