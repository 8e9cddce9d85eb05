"""Relative uncertainty of an estimate by its causes, so that estimates show what they share.

The logarithm of an estimate is a sum of independent deviations. Each has a name and a standard
deviation, negative where the estimate goes inversely with it: the yield of silicon raises the rate
of every oxide that is known relative to silica, and cancels in the ratio of two of them.
"""

import math
from collections.abc import Mapping

Causes = Mapping[str, float]


def of_product(one: Causes, other: Causes) -> Causes:
    """Causes of a product of two estimates."""
    names = dict.fromkeys([*one, *other])
    added = {name: one.get(name, 0.0) + other.get(name, 0.0) for name in names}
    return {name: ln_sd for name, ln_sd in added.items() if ln_sd}


def of_ratio(one: Causes, other: Causes) -> Causes:
    """Causes of one estimate over another."""
    return of_product(one, {name: -ln_sd for name, ln_sd in other.items()})


def u_rel(causes: Causes) -> float:
    """Relative standard uncertainty of all causes together."""
    return math.hypot(*causes.values())
