"""Intensities to composition against depth: calibration, sum normalisation, masses, thickness."""

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Union

import numpy as np

from craterfront import __version__
from craterfront.calibration import Calibration
from craterfront.column_selection import listed
from craterfront.files import profile_of
from craterfront.measured_profile import MeasuredProfile
from craterfront.models.elements import atomic_mass_u
from craterfront.models.emission import CONSTANTS, EmissionConstants, SelfAbsorbed, mass_rates
from craterfront.models.emission_fit import EmissionFit
from craterfront.models.quantification import Estimates, Gradient, SumNormalisation
from craterfront.problems import InputProblems, did_you_mean, shown

if TYPE_CHECKING:
    import xarray

LARGEST_U_REL = 0.1
"""Up to which propagation to first order will do (common practice, no source)."""

SURFACE, END = "surface", "end of profile"


@dataclass(frozen=True)
class Boundary:
    """Where an element passes a mass fraction, from either side.

    Attributes
    ----------
    element : str
    mass_fraction : float
        Between 0 and 1.
    """

    element: str
    mass_fraction: float

    @classmethod
    def read(cls, text: str) -> "Boundary":
        """The boundary that ``"Fe=0.5"`` or ``"Fe = 50 %"`` names.

        Raises
        ------
        ValueError
        """
        element, equals, level = (part.strip() for part in text.partition("="))
        try:
            number = float(level.removesuffix("%")) / (100.0 if level.endswith("%") else 1.0)
        except ValueError:
            number = math.nan
        if not (element and equals and 0.0 < number < 1.0):
            rule = "must be like Fe=0.5, with a mass fraction above 0 and below 1"
            raise ValueError(f"{rule}, got {shown(text)}")
        return cls(element, number)

    def __str__(self) -> str:
        return f"{self.element} = {self.mass_fraction:g}"


def read_boundaries(written: Iterable[Boundary | str], place: str) -> list[Boundary]:
    """Boundaries, each of them once; `InputProblems` with all that are none, after `place`."""
    read, problems = [], []
    for boundary in written:
        try:
            read.append(Boundary.read(boundary) if isinstance(boundary, str) else boundary)
        except ValueError as error:
            problems.append(f"{place}: {error}")
    if problems:
        raise InputProblems(problems)
    return list(dict.fromkeys(read))


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
    See `craterfront.models.quantification` for the equations, their source and their validity.
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
    notes = _notes(profile, calibration, rows, normalisation)
    notes += _notes_on_constants(calibration, fit)
    places, more = _places(normalisation, calibration.elements, wanted, float(edges[0]))
    spans = _spans(places)
    dataset = _dataset(profile.middle, calibration.elements, normalisation, spans)
    dataset["span_start"] = ("span", [start.at_s + float(edges[0]) for _, start, _ in spans])
    dataset["span_end"] = ("span", [end.at_s + float(edges[0]) for _, _, end in spans])
    dataset.attrs.update(
        craterfront_version=__version__,
        source=profile.source,
        notes="\n".join([*notes, *more]),
        calibration=json.dumps(calibration.as_written()),
        constants=json.dumps(_constants(calibration.elements, fit.constants)),
    )
    return _described(dataset)


# --- from the profile to numbers ---------------------------------------------------------------


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


def _notes(
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


def _notes_on_constants(calibration: Calibration, fit: EmissionFit) -> list[str]:
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


def _constants(elements: list[str], found: EmissionConstants) -> list[dict[str, Any]]:
    """Constants of the lines with their standard uncertainties, as plain numbers."""
    variance = np.einsum("iaia->ia", found.covariance)
    return [
        {"element": symbol}
        | {key: float(value) for key, value in zip(CONSTANTS, row, strict=True)}
        | {f"{key}_u": math.sqrt(float(v)) for key, v in zip(CONSTANTS, spread, strict=True)}
        for symbol, row, spread in zip(elements, found.value, variance, strict=True)
    ]


# --- boundaries --------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Place:
    """A place in the profile: depth, masses by element, and their sum, with derivatives."""

    name: str
    at_s: float
    depth: Gradient
    masses: list[Gradient]
    total: Gradient


def _places(
    normalisation: SumNormalisation,
    elements: list[str],
    boundaries: Iterable[Boundary],
    start_s: float,
) -> tuple[list[_Place], list[str]]:
    """The boundaries from the surface down, with surface and end; what there is to say of them."""
    notes: list[str] = []
    problems: list[str] = []
    found: list[tuple[str, Gradient]] = []
    for boundary in boundaries:
        try:
            times = _crossings(normalisation, elements, boundary, start_s)
        except ValueError as error:
            problems.append(f"boundary {boundary}: {error}")
            continue
        if times.size > 1:
            notes.append(
                f"boundary {boundary} is passed {times.size} times, from"
                f" {times[0] + start_s:.4g} to {times[-1] + start_s:.4g} s; the middle one is taken"
            )
        number = elements.index(boundary.element)
        moment = normalisation.moment(number, boundary.mass_fraction, times)
        found.append((str(boundary), moment))
    if problems:
        raise InputProblems(problems)
    nothing = np.zeros_like(normalisation.rate)
    whole = float(normalisation.interval_s.sum())
    first, last = (
        (name, Gradient(time, nothing, nothing[:, 0], 0.0, 0.0))
        for name, time in ((SURFACE, 0.0), (END, whole))
    )
    ordered = sorted(found, key=lambda each: each[1].value)
    return [_place(normalisation, *each) for each in (first, *ordered, last)], notes


def _crossings(
    normalisation: SumNormalisation, elements: list[str], boundary: Boundary, start_s: float
) -> np.ndarray:
    """When a boundary is passed: an odd number of times, as noise makes of one."""
    if boundary.element not in elements:
        near = did_you_mean(boundary.element, elements)
        raise ValueError(f"{boundary.element} has no line{near}")
    times = normalisation.crossings(elements.index(boundary.element), boundary.mass_fraction)
    if times.size == 0:
        raise ValueError("is never passed")
    if times.size % 2 == 0:
        first = ", ".join(f"{time + start_s:.4g}" for time in times[:4])
        raise ValueError(
            f"is passed {times.size} times, first at {first} s, and the profile ends on the side"
            " where it begins; name a level that is passed once"
        )
    return times


def _place(normalisation: SumNormalisation, name: str, moment: Gradient) -> _Place:
    every = np.eye(normalisation.rate.shape[0])
    return _Place(
        name,
        moment.value,
        normalisation.depth_to(moment),
        [normalisation.mass_to(moment, one) for one in every],
        normalisation.mass_to(moment, every.sum(axis=0)),
    )


def _spans(places: list[_Place]) -> list[tuple[str, _Place, _Place]]:
    """From the surface to each place, then from each boundary to the next."""
    surface, *deeper = places
    pairs = [(surface, place) for place in deeper]
    pairs += list(pairwise(deeper[:-1]))
    return [(f"{start.name} to {end.name}", start, end) for start, end in pairs]


# --- the dataset -------------------------------------------------------------------------------


def _dataset(
    time: np.ndarray,
    elements: list[str],
    normalisation: SumNormalisation,
    spans: list[tuple[str, _Place, _Place]],
) -> "xarray.Dataset":
    """All numbers, without attributes."""
    import xarray as xr

    found = normalisation.readings()
    thickness = [end.depth - start.depth for _, start, end in spans]
    total = [end.total - start.total for _, start, end in spans]
    masses = [
        [below - above for above, below in zip(start.masses, end.masses, strict=True)]
        for _, start, end in spans
    ]

    def estimates(gradients: list[Gradient]) -> Estimates:
        values = np.array([g.value for g in gradients])
        return Estimates(values, np.array([normalisation.u(g) for g in gradients]))

    rows = [estimates(row) for row in masses]
    by_element = Estimates(np.array([r.value for r in rows]), np.array([r.u for r in rows]))
    variables: dict[str, tuple[Any, Estimates]] = {
        "composition_mass": (("element", "time"), found.mass_fraction),
        "composition": (("element", "time"), found.atomic_fraction),
        "depth": ("time", found.depth_nm),
        "mass_rate": ("time", found.mass_rate_ug_s),
        "density": ("time", found.density_g_cm3),
        "areal_mass": (("element", "time"), found.areal_mass_g_m2),
        "areal_mass_total": ("time", found.total_areal_mass_g_m2),
        "span_thickness": ("span", estimates(thickness)),
        "span_areal_mass": (("span", "element"), by_element),
        "span_areal_mass_total": ("span", estimates(total)),
    }
    values = {name: (dims, e.value) for name, (dims, e) in variables.items()}
    values |= {f"{name}_u": (dims, e.u) for name, (dims, e) in variables.items()}
    values["erosion_rate"] = ("time", found.erosion_rate_nm_s)
    coords = {"time": time, "element": elements, "span": [name for name, *_ in spans]}
    return xr.Dataset(values, coords=coords).set_coords("depth")


_MEANINGS = {
    "composition_mass": ("1", "mass fraction"),
    "composition": ("1", "atomic fraction"),
    "depth": ("nm", "depth, middle of the reading"),
    "mass_rate": ("ug/s", "sputtered mass per time"),
    "density": ("g/cm3", "density by the mixing rule"),
    "erosion_rate": ("nm/s", "erosion rate"),
    "areal_mass": ("g/m2", "mass per area of an element from the surface to the reading"),
    "areal_mass_total": ("g/m2", "mass per area from the surface to the reading"),
    "span_start": ("s", "time at which a span begins"),
    "span_end": ("s", "time at which a span ends"),
    "span_thickness": ("nm", "thickness of a span"),
    "span_areal_mass": ("g/m2", "mass per area of an element in a span"),
    "span_areal_mass_total": ("g/m2", "mass per area of a span"),
    "time": ("s", "time, middle of the reading"),
    "element": ("1", "element"),
    "span": ("1", "part of the profile between two boundaries"),
}


def _described(dataset: "xarray.Dataset") -> "xarray.Dataset":
    """With unit and long name of every variable."""
    for name in dataset.variables:
        units, meaning = _MEANINGS[str(name).removesuffix("_u")]
        what = f"standard uncertainty: {meaning}" if str(name).endswith("_u") else meaning
        dataset[name].attrs.update(units=units, long_name=what)
    return dataset


def span_rows(dataset: "xarray.Dataset") -> list[dict[str, Any]]:
    """The spans of a quantified profile as plain numbers for tables and JSON."""
    rows = []
    for n, name in enumerate(dataset["span"].values):
        span = dataset.isel(span=n)
        masses = {
            str(symbol): {
                "areal_mass_g_m2": float(span["span_areal_mass"][i]),
                "areal_mass_u_g_m2": float(span["span_areal_mass_u"][i]),
            }
            for i, symbol in enumerate(dataset["element"].values)
        }
        rows.append(
            {
                "span": str(name),
                "start_s": float(span["span_start"]),
                "end_s": float(span["span_end"]),
                "thickness_nm": float(span["span_thickness"]),
                "thickness_u_nm": float(span["span_thickness_u"]),
                "areal_mass_g_m2": float(span["span_areal_mass_total"]),
                "areal_mass_u_g_m2": float(span["span_areal_mass_total_u"]),
                "elements": masses,
            }
        )
    return rows


def answer_as_dict(dataset: "xarray.Dataset") -> dict[str, Any]:
    """What the command line prints as JSON: plain numbers, strings and lists."""
    return {
        "craterfront_version": dataset.attrs["craterfront_version"],
        "notes": [line for line in dataset.attrs["notes"].split("\n") if line],
        "constants": json.loads(dataset.attrs["constants"]),
        "spans": span_rows(dataset),
    }
