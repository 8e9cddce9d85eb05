"""Ballistic relocation: ions throw atoms some way off at one stroke, within the altered layer.

Diffusion is the limit of many short displacements. Here an atom at the depth x is relocated with
the same chance per ion wherever it is, and its displacement has a law of its own: exponential or
Gaussian of the standard deviation d along the depth. It is reflected at both faces of the zone of
the depth R, so a uniform zone stays uniform. In the coordinate n, atoms removed so far,

    dc/dn = dc/dx + s (K - 1) c,   K = 1 / (1 - d^2 D / 2)  or  K = exp(d^2 D / 2),

with the second derivative D of zero slope at both faces, and s relocations of an atom per removed
atom (derived: the law of displacements exp(-|x| / L) / 2L has the transform 1 / (1 + k^2 L^2), that
of a Gaussian is exp(-k^2 d^2 / 2), and reflection at both faces leaves the cosines as modes).

On cells D is the second difference, and both laws stay what they are: positive, since they are the
resolvent and the semigroup of a diffusion, with the same variance whatever the size of a cell. For
d -> 0 at constant s d^2 the zone is that of diffusive mixing with the strength s d^2 / 2, for
s -> infinity it is fully mixed.

Relocation as an integral equation: P. Sigmund and A. Gras-Marti, Nucl. Instrum. Methods 182/183
(1981) 25; U. Littmark and W. O. Hofer, Nucl. Instrum. Methods 168 (1980) 329 (both from memory).
The two laws and the reflection are choices made here.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from craterfront.models.altered_layers.confined_mixing import confined_peclet

LAWS = ("exponential", "gaussian")
"""Laws of displacement."""

LEAST_RELOCATIONS = 0.1
"""Of an atom on its way through the zone: with fewer, the trailing edge says nothing of them."""

_MODE_CELLS = 48  # of the slowest mode, and twice as many
_AGREES = 1e-9  # of the logarithm of a strength


@dataclass(frozen=True)
class Relocation:
    """How atoms are relocated in an altered layer.

    Attributes
    ----------
    law : str
        One of `LAWS`.
    displacement : float
        Standard deviation of the displacement along the depth, as a share of the zone, > 0.
    per_dose : float
        Relocations of an atom per ion dose [1 per unit of dose].
    """

    law: str
    displacement: float
    per_dose: float


def cosines(cells: int) -> np.ndarray:
    """Modes of the second difference with zero slope at both faces: rows of an orthogonal matrix.

    Returns
    -------
    ndarray, shape (cells, cells)
        Mode by cell.
    """
    middle = np.arange(cells) + 0.5
    modes = np.cos(np.pi * np.arange(cells)[:, None] * middle / cells) * math.sqrt(2.0 / cells)
    modes[0] /= math.sqrt(2.0)
    return modes


def mode_losses(law: str, displacement: float, cells: int) -> np.ndarray:
    """Share of each of these modes that one relocation of every atom takes away, shape (cells,).

    Parameters
    ----------
    law : str
        One of `LAWS`.
    displacement : float
        As in `Relocation`.
    cells : int
    """
    if law not in LAWS:
        raise ValueError(f"law of displacements must be one of {', '.join(LAWS)}, got {law!r}")
    steps = displacement * cells
    spread = steps**2 * (1.0 - np.cos(np.pi * np.arange(cells) / cells))
    return spread / (1.0 + spread) if law == "exponential" else -np.expm1(-spread)


def _slowest_in_cells(law: str, displacement: float, relocations: float, cells: int) -> float:
    """Decay length of the slowest mode when cell after cell leaves and relocation acts between."""
    modes = cosines(cells)
    kept = np.exp(-mode_losses(law, displacement, cells) * relocations / cells)
    step = np.zeros((cells, cells))
    step[:-1] = ((modes.T * kept) @ modes)[1:]
    return -1.0 / (cells * math.log(float(np.max(np.abs(np.linalg.eigvals(step))))))


@lru_cache(maxsize=1024)
def relocated_decay_length(law: str, displacement: float, relocations: float) -> float:
    """Trailing decay length of a monolayer, as a share of the zone.

    Parameters
    ----------
    law : str
        One of `LAWS`.
    displacement : float
        As in `Relocation`.
    relocations : float
        Of an atom while the zone's worth of atoms leaves, > 0.

    Returns
    -------
    float
        Of the slowest mode, which is positive (Perron and Frobenius); that of two numbers of cells
        without the error that goes as the square of their size. To 1e-4 of lengths above a tenth
        of the zone, to 1e-2 down to 0.03 of it.
    """
    coarse, fine = (
        _slowest_in_cells(law, displacement, relocations, cells)
        for cells in (_MODE_CELLS, 2 * _MODE_CELLS)
    )
    return (4.0 * fine - coarse) / 3.0


@lru_cache(maxsize=1024)
def relocations_for(law: str, displacement: float, length: float) -> float:
    """Relocations of an atom while the zone's worth of atoms leaves, from the decay length.

    The inverse of `relocated_decay_length`. Where rare relocations would give the same length as
    frequent ones, it is the frequent ones.

    Parameters
    ----------
    law : str
        One of `LAWS`.
    displacement, length : float
        As shares of the zone.

    Raises
    ------
    ValueError
        For a length below `shortest_decay_length`.
    """
    high = 1.0 / (confined_peclet(length) * displacement**2)  # by diffusion
    while relocated_decay_length(law, displacement, high) < length:
        high *= 2.0
    low = high
    while relocated_decay_length(law, displacement, low) > length:
        if low == LEAST_RELOCATIONS:
            raise ValueError(
                f"a decay length of {length:.3g} of the zone is too short for displacements of"
                f" {displacement:.3g} of it"
            )
        high, low = low, max(0.5 * low, LEAST_RELOCATIONS)
    return _crossing(law, displacement, length, math.log(low), math.log(high))


def shortest_decay_length(law: str, displacement: float) -> float:
    """Of a monolayer, for so rare relocations that only a tenth of the atoms takes part.

    Arguments and unit are those of `relocated_decay_length`.
    """
    return relocated_decay_length(law, displacement, LEAST_RELOCATIONS)


def _crossing(law: str, displacement: float, length: float, low: float, high: float) -> float:
    """Where the decay length, which rises between two logarithms of a strength, is as given."""
    from scipy.optimize import root_scalar

    def beyond(ln_relocations: float) -> float:
        return relocated_decay_length(law, displacement, math.exp(ln_relocations)) - length

    return math.exp(root_scalar(beyond, bracket=(low, high), xtol=_AGREES).root)
