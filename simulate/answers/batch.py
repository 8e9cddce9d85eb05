"""A batch: many profiles, one experiment, one summary."""

import csv
import io
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from craterfront.answers.results import answer
from craterfront.fitting.inversion import Inversion
from craterfront.notation.json_numbers import without_infinities
from craterfront.problems import InputProblems

COLUMNS = (
    "profile",
    "status",
    "layer",
    "quantity",
    "unit",
    "value",
    "u",
    "lower_95",
    "upper_95",
    "areal_mass_g_m2",
    "areal_mass_u_g_m2",
    "width_below",
    "width_lower_95",
    "width_upper_95",
    "width_resolved",
    "depth_below",
    "depth_u",
    "depth_lower_95",
    "depth_upper_95",
    "notes",
    "message",
)

DONE, DOUBTFUL, FAILED = "done", "doubtful", "failed"
"""What became of a profile: doubtful is an answer on which nothing may be decided."""


@dataclass
class Batch:
    """Rows of a summary, by profile.

    Attributes
    ----------
    rows : list of dict
        One for each layer with the interface below it, or for each profile that failed; keys are
        `COLUMNS`, and what is not known or infinite is None. The message of a doubtful one is its
        doubts; notes are the number of all others.
    failed : list of str
        Profiles.
    """

    rows: list[dict[str, object]] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)

    def as_csv(self) -> str:
        """The summary; what is not known is left empty."""
        text = io.StringIO()
        writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(self.rows)
        return text.getvalue()


def invert_each(
    profiles: Sequence[str],
    invert_one: Callable[[str], Inversion],
    progress: Callable[[str, float], None] | None = None,
) -> Batch:
    """Invert profiles one by one; one that fails gets a row with its message.

    Parameters
    ----------
    profiles : sequence of str
    invert_one : callable
        Reads and inverts one.
    progress : callable, optional
        Called with the profile and the share done.
    """
    batch = Batch()
    for i, profile in enumerate(profiles):
        if progress is not None:
            progress(os.path.basename(profile), i / len(profiles))
        try:
            batch.rows += _rows(profile, invert_one(profile))
        except InputProblems as error:
            batch.rows.append(_failure(profile, "; ".join(error.problems)))
            batch.failed.append(profile)
        except (ValueError, ArithmeticError, MemoryError) as error:
            batch.rows.append(_failure(profile, f"cannot be computed: {error}"))
            batch.failed.append(profile)
    return batch


def _failure(profile: str, message: str) -> dict[str, object]:
    return _row(profile=profile, status=FAILED, message=" ".join(message.split()))


def _row(**known: object) -> dict[str, object]:
    """All columns."""
    return dict.fromkeys(COLUMNS) | without_infinities(known)


def _rows(profile: str, found: Inversion) -> list[dict[str, object]]:
    answers = answer(found)
    rows: list[dict[str, object]] = []
    for layer in answers.layers:
        row: dict[str, object] = {
            "profile": profile,
            "status": DOUBTFUL if answers.doubts else DONE,
            "layer": layer.name,
            "quantity": "thickness" if answers.unit == "nm" else "duration",
            "unit": answers.unit,
            "lower_95": layer.lower,
            "upper_95": layer.upper,
            "width_lower_95": layer.width.lower_nm,
            "width_upper_95": layer.width.upper_nm,
            "width_resolved": str(layer.width.resolved).lower(),
            "depth_lower_95": layer.depth_lower,
            "depth_upper_95": layer.depth_upper,
            "notes": len(answers.notes),
        }
        if answers.doubts:
            row["message"] = "; ".join(answers.doubts)
        if layer.resolved:
            row |= {"value": layer.value, "u": layer.u}
        if layer.areal_mass_g_m2 is not None:
            row["areal_mass_g_m2"] = layer.areal_mass_g_m2
            row["areal_mass_u_g_m2"] = layer.areal_mass_u_g_m2
        if not layer.width.is_limit:
            row["width_below"] = layer.width.value_nm
        if layer.depth_resolved:
            row["depth_below"] = layer.depth
        if layer.depth_u is not None:
            row["depth_u"] = layer.depth_u
        rows.append(_row(**row))
    return rows
