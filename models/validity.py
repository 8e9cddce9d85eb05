"""Arguments and formulas within the range for which they were made."""

import math


class ValidityWarning(UserWarning):
    """A result outside the validity range of its formula: an extrapolation, not a statement."""


def check_positive(name: str, value: float) -> None:
    """Raise `ValueError`, naming the quantity and its value, unless it is > 0 and finite."""
    if not 0 < value < math.inf:
        raise ValueError(f"{name}: must be > 0 and finite, got {value:g}")
