"""Arguments and formulas within the range for which they were made."""

import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
from numpy.typing import ArrayLike, NDArray


class ValidityWarning(UserWarning):
    """A result outside the validity range of its formula: an extrapolation, not a statement."""


@contextmanager
def collected_warnings(texts: list[str]) -> Iterator[None]:
    """Add the text of each `ValidityWarning` within to a list, once, instead of showing it."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", ValidityWarning)
        yield
    for each in caught:
        if not issubclass(each.category, ValidityWarning):
            warnings.warn_explicit(each.message, each.category, each.filename, each.lineno)
        elif str(each.message) not in texts:
            texts.append(str(each.message))


def check_positive(name: str, value: float) -> None:
    """Raise `ValueError`, naming the quantity and its value, unless it is > 0 and finite."""
    if not 0 < value < math.inf:
        raise ValueError(f"{name}: must be > 0 and finite, got {value:g}")


def checked_energy_eV(
    energy_eV: ArrayLike, range_eV: tuple[float, float], formula: str
) -> NDArray[np.float64]:
    """Energies as an array [eV]; `ValueError` unless they are > 0 and finite.

    Warns with `ValidityWarning`, naming the formula, where any is outside the range.
    """
    energy = np.asarray(energy_eV, dtype=float)
    if not np.all((energy > 0) & np.isfinite(energy)):
        raise ValueError(f"energy_eV: must be > 0 and finite, got {energy_eV}")
    low, high = range_eV
    if np.any((energy < low) | (energy > high)):
        warnings.warn(
            f"energy_eV: {energy_eV} is outside {low:g} to {high:g} eV, the range of {formula}",
            ValidityWarning,
            stacklevel=3,
        )
    return energy
