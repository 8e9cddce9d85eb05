"""Stylus traces: reading them, and what they give to an experiment file."""

import os
import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from craterfront.experiments.profile_settings import AXIS_UNITS
from craterfront.measured_files.axis_unit import unit_in_header
from craterfront.measured_files.column_selection import normal
from craterfront.measured_files.delimited_text import read_table
from craterfront.models.erosion_front.stylus import StylusCrater, stylus_crater
from craterfront.models.validity import collected_warnings
from craterfront.notation.toml_writing import toml_text
from craterfront.problems import InputProblems, one_of, shown

UNITS_UM = {"mm": 1e3} | {unit: 1e-3 * size_nm for unit, size_nm in AXIS_UNITS["depth"].items()}
"""Micrometres per unit."""

_MILLIMETRES = re.compile(r"[(\[]\s*mm\s*[)\]]|[\s/_,]mm$")
_SIDES = 0.1  # of the trace, at either end


@dataclass(frozen=True)
class Trace:
    """A trace as it was read.

    Attributes
    ----------
    x_mm, z_um : ndarray, shape (N,)
        Places, increasing, and heights; the crater lies below the surface.
    notes : list of str
        What was left out or changed, in plain words.
    source : str
        The file as it was named.
    """

    x_mm: np.ndarray
    z_um: np.ndarray
    notes: list[str]
    source: str


def read_trace(
    path: str | os.PathLike[str], x_unit: str | None = None, z_unit: str | None = None
) -> Trace:
    """Read a trace from the first two columns of a text file.

    Parameters
    ----------
    path : path
        Delimited text, see `craterfront.measured_files.delimited_text.read_table`.
    x_unit, z_unit : str, optional
        mm, um, nm or A; default what the headers of the columns say.

    Raises
    ------
    InputProblems
    """
    source = str(path)
    table = read_table(path)
    if len(table.names) < 2:
        raise InputProblems([f"has {len(table.names)} column; a trace has two, x and z"], source)
    problems: list[str] = []
    notes = [*table.notes]
    factors = [
        _factor(header, unit, option, problems, notes)
        for header, unit, option in zip(
            table.names, (x_unit, z_unit), ("--x-unit", "--z-unit"), strict=False
        )
    ]
    if problems:
        raise InputProblems(problems, source)
    rows = table.numbers([0, 1])
    fit = np.all(np.isfinite(rows), axis=1)
    if not fit.all():
        notes.append(f"{np.sum(~fit)} rows without two numbers are left out")
    x_mm, z_um = rows[fit, 0] * factors[0] * 1e-3, rows[fit, 1] * factors[1]
    if x_mm.size > 1 and x_mm[0] > x_mm[-1]:
        x_mm, z_um = x_mm[::-1], z_um[::-1]
    if x_mm.size < 2 or not np.all(np.diff(x_mm) > 0):
        raise InputProblems(["x must run in one direction, without standing still"], source)
    count = max(int(_SIDES * x_mm.size), 1)
    sides = np.median(np.append(z_um[:count], z_um[-count:]))
    if np.median(z_um) > sides:
        z_um = -z_um
        notes.append("the middle is higher than the sides: z is read as depth")
    return Trace(x_mm, z_um, notes, source)


def _factor(
    header: str, unit: str | None, option: str, problems: list[str], notes: list[str]
) -> float:
    """Micrometres per unit of a column."""
    named = "mm" if _MILLIMETRES.search(normal(header)) else unit_in_header(header)
    if unit is not None:
        if normal(unit) not in UNITS_UM:
            known = one_of([each for each in UNITS_UM if each.isascii()])
            problems.append(f"{option}: must be {known}, got {shown(unit)}")
            return 1.0
        size = UNITS_UM[normal(unit)]
        if named is not None and UNITS_UM.get(normal(named)) != size:
            notes.append(
                f"the column {shown(header)} is read in {unit}, as {option} says and its header"
                " does not"
            )
        return size
    if named is None or normal(named) not in UNITS_UM:
        problems.append(f"the column {shown(header)} names no unit of length; give {option}")
        return 1.0
    return UNITS_UM[normal(named)]


@dataclass(frozen=True)
class TracedCrater:
    """A crater with the notes on it."""

    found: StylusCrater
    notes: list[str]

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists."""
        found = self.found
        return {
            "notes": self.notes,
            "mean_depth_nm": 1e3 * found.mean_depth_um,
            "mean_depth_u_nm": 1e3 * found.u_um,
            "parts_nm": {cause: 1e3 * part for cause, part in found.parts_um.items()},
            "curvature": found.curvature,
            "curvature_u": found.curvature_u,
            "edges_mm": list(found.edges_mm),
            "area_radius_mm": found.area_radius_mm,
            "radius_mm": found.radius_mm.tolist(),
            "depth_um": found.depth_um.tolist(),
        }

    def as_toml(self) -> str:
        """The tables of an experiment file that say it, below the notes."""
        found = self.found
        return "".join(f"# {note}\n" for note in self.notes) + toml_text(
            {
                "crater": {
                    "shape": "measured",
                    "radius_mm": [_short(r, found.area_radius_mm) for r in found.radius_mm],
                    "depth_um": [_short(d, found.mean_depth_um) for d in found.depth_um],
                },
                "depth_scale": {
                    "final_crater_depth_nm": {
                        "value": _short(1e3 * found.mean_depth_um, 1e3 * found.mean_depth_um),
                        "u": float(f"{1e3 * found.u_um:.3g}"),
                    }
                },
            }
        )


def _short(value: float, size: float) -> float:
    """Rounded to a hundred-thousandth of a size."""
    return round(float(value), 5 - int(np.floor(np.log10(size))))


def crater_of(
    trace: Trace, area_diameter_mm: float | None = None, scale_u_rel: float | None = None
) -> TracedCrater:
    """Shape and mean depth of the crater in a trace.

    Parameters
    ----------
    trace : Trace
    area_diameter_mm : float, optional
        Of the analysed area, such as the anode; default the distance of the edges.
    scale_u_rel : float, optional
        Relative standard uncertainty of the height scale. Without it the scale counts as exact, and
        a note says so.

    Raises
    ------
    InputProblems
        When there is no crater in it, or none that an experiment could have.
    """
    notes = [*trace.notes]
    radius_mm = None if area_diameter_mm is None else 0.5 * area_diameter_mm
    try:
        with collected_warnings(notes):
            found = stylus_crater(trace.x_mm, trace.z_um, radius_mm, scale_u_rel or 0.0)
    except ValueError as error:
        raise InputProblems([str(error)], trace.source) from None
    if scale_u_rel is None:
        share = 100.0 * found.u_um / found.mean_depth_um
        notes.insert(
            0,
            f"the height scale of the stylus counts as exact, so the depth is less sure than"
            f" {share:.2g} %: give --scale-u-rel",
        )
    if not np.all(found.depth_um > 0):
        deepest = found.radius_mm[found.depth_um > 0].max(initial=0.0)
        message = (
            f"the crater has no depth beyond {deepest:.4g} mm from its centre; the analysed area"
            f" reaches to {found.area_radius_mm:.4g} mm"
        )
        raise InputProblems([message], trace.source)
    return TracedCrater(found, notes)
