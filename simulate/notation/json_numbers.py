"""Numbers for JSON, which knows no infinity."""

import math
from collections.abc import Mapping
from typing import Any


def finite_or_none(value: float) -> float | None:
    """The number, or None for what is infinite or not known."""
    return float(value) if math.isfinite(value) else None


def without_infinities(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row with None for every number that is infinite or not known."""
    return {
        key: finite_or_none(value) if isinstance(value, float) else value
        for key, value in row.items()
    }
