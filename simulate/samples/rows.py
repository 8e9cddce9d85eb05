"""Rows that a layer may hold: a tabulated transition, a grading."""

from collections.abc import Iterable, Mapping
from typing import Annotated, Any

from pydantic import PlainValidator

from craterfront.notation.quantities import finite_number
from craterfront.problems import shown

MOST_POINTS = 200
"""Of a tabulated transition, and of a graded layer."""

SMALLEST_SHARE = 1e-4
"""Of a graded layer, between two rows."""

SMALLEST_STEP_NM = 1e-6
"""Between the positions of one."""


def _points(written: Any) -> tuple[tuple[float, float], ...]:
    """Rows of position [nm] and share that make a transition; ValueError for the first mistake."""
    if not isinstance(written, Iterable) or isinstance(written, str | Mapping):
        raise ValueError(f"must be a list of [position in nm, share], got {shown(written)}")
    points: list[tuple[float, float]] = []
    for number, row in enumerate(written, start=1):
        try:
            position, share = map(finite_number, row)
        except (TypeError, ValueError):
            problem = f"row {number} must be two numbers, position in nm and share"
            raise ValueError(f"{problem}, got {shown(row)}") from None
        if not -1e9 <= position <= 1e9:
            raise ValueError(f"row {number} position must be from -1e9 to 1e9, got {position:g}")
        if not 0 <= share <= 1:
            raise ValueError(f"row {number} share must be from 0 to 1, got {share:g}")
        if points and position - points[-1][0] < SMALLEST_STEP_NM:
            raise ValueError(
                f"row {number} position must be {SMALLEST_STEP_NM:g} nm or more below"
                f" {points[-1][0]:g} before it, got {position:g}"
            )
        if points and share < points[-1][1]:
            raise ValueError(
                f"row {number} share must be >= {points[-1][1]:g} before it, got {share:g}"
            )
        points.append((position, share))
    if not 2 <= len(points) <= MOST_POINTS:
        raise ValueError(f"must have from 2 to {MOST_POINTS} rows, got {len(points)}")
    if points[0][1] != 0 or points[-1][1] != 1:
        ends = f"{points[0][1]:g} to {points[-1][1]:g}"
        raise ValueError(f"share must run from 0 in the first row to 1 in the last, got {ends}")
    return tuple(points)


def _grading(written: Any) -> tuple[tuple[float, str], ...]:
    """Rows of relative depth and material; ValueError for the first mistake."""
    if not isinstance(written, Iterable) or isinstance(written, str | Mapping):
        raise ValueError(f"must be a list of [relative depth, material], got {shown(written)}")
    rows: list[tuple[float, str]] = []
    for number, row in enumerate(written, start=1):
        if not isinstance(row, list | tuple) or len(row) != 2 or not isinstance(row[1], str):
            problem = f"row {number} must be a relative depth and the name of a material"
            raise ValueError(f"{problem}, got {shown(row)}")
        try:
            depth = finite_number(row[0])
        except ValueError as error:
            raise ValueError(f"row {number} relative depth {error}") from None
        if rows and depth - rows[-1][0] < SMALLEST_SHARE:
            raise ValueError(
                f"row {number} relative depth must be {SMALLEST_SHARE:g} or more below"
                f" {rows[-1][0]:g} before it, got {depth:g}"
            )
        rows.append((depth, row[1]))
    if not 2 <= len(rows) <= MOST_POINTS:
        raise ValueError(f"must have from 2 to {MOST_POINTS} rows, got {len(rows)}")
    if rows[0][0] != 0 or rows[-1][0] != 1:
        ends = f"{rows[0][0]:g} to {rows[-1][0]:g}"
        raise ValueError(
            f"relative depth must run from 0 in the first row to 1 in the last, got {ends}"
        )
    return tuple(rows)


Grading = Annotated[tuple[tuple[float, str], ...], PlainValidator(_grading)]
Points = Annotated[tuple[tuple[float, float], ...], PlainValidator(_points)]
