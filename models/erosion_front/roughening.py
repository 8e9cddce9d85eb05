"""How the spread of depth grows while a surface is sputtered.

The spread is carried in units of ion dose, since a column that is ahead at an interface stays
ahead by a dose, not by a number of nm. With s = d(dose)/dz at depth z,

    sigma(z)^2 = (initial s(0))^2 + int_0^z s^2 growth'(z) dz  [+ (spread * dose)^2, columns].

Laws of growth, as the variance gained per nm of depth [nm^2/nm]:

- statistical: one monolayer, n^(-1/3). Atoms leave at random (Poisson) with no transport between
  levels: sigma = sqrt(d z), an upper bound for amorphous material. A. Benninghoven, Z. Phys. 230
  (1970) 403; S. Hofmann, Appl. Phys. 9 (1976) 59 (both from memory).
- grains: spread^2 * grain size. The yield of grains scatters by the relative spread and is drawn
  anew every grain size: sigma = spread sqrt(grain z) (derived).
- columns: the yield differs between columns that reach through all layers: sigma = spread * z.
- saturating: sigma = final (1 - exp(-z/settling)), as on amorphous or rotated samples (common
  practice, no source).

A buried interface may be rough, too: then the layers above and below it scatter in thickness, as
the top layer does under a rough outer surface; see `relief_variance`.
"""

import math
from dataclasses import dataclass

import numpy as np

_CLASSES = 32  # of heights that are tabulated

LAWS = ("none", "statistical", "grains", "columns", "saturating")


@dataclass(frozen=True)
class Growth:
    """A law of growth and its parameters.

    Attributes
    ----------
    law : str
        One of `LAWS`.
    relative_spread, grain_nm : float
        Relative standard deviation of the yield; grain size [nm].
    final_nm, settling_nm : float
        Roughness that is approached, and the depth in which it is [nm].
    """

    law: str = "none"
    relative_spread: float = 0.0
    grain_nm: float = 0.0
    final_nm: float = 0.0
    settling_nm: float = 1.0

    def __post_init__(self) -> None:
        if self.law not in LAWS:
            known = ", ".join(LAWS)
            raise ValueError(f"unknown law of roughness growth {self.law!r}: one of {known}")

    @property
    def of_rate(self) -> float:
        """Spread in proportion to the dose (columns), which comes on top of what is gained."""
        return self.relative_spread if self.law == "columns" else 0.0

    def gained_nm2(
        self, depth_nm: np.ndarray, thickness_nm: np.ndarray, atoms_nm2: np.ndarray
    ) -> np.ndarray:
        """Variance of depth that is gained in each slice [nm^2].

        Parameters
        ----------
        depth_nm, thickness_nm, atoms_nm2 : ndarray, shape (K,)
            Depth of the upper face, thickness [nm] and atoms per area [1/nm^2] of each slice.
        """
        if self.law == "statistical":
            return np.cbrt(thickness_nm / atoms_nm2) * thickness_nm
        if self.law == "grains":
            return self.relative_spread**2 * self.grain_nm * thickness_nm
        if self.law == "saturating":
            reached = -np.expm1(-depth_nm / self.settling_nm)
            step = (1.0 - reached) * -np.expm1(-thickness_nm / self.settling_nm)
            return self.final_nm**2 * step * (2.0 * reached + step)
        return np.zeros_like(thickness_nm)


def dose_spread(
    atoms_nm2: np.ndarray,
    thickness_nm: np.ndarray,
    dose: np.ndarray,
    surface_dose_per_nm: float,
    growth: Growth,
    initial_nm: float,
) -> np.ndarray:
    """Standard deviation of the arrival dose at the faces of the slices.

    Parameters
    ----------
    atoms_nm2, thickness_nm, dose : ndarray, shape (K,)
        Atoms per area [1/nm^2], thickness [nm] and dose used of each slice, from the surface.
    surface_dose_per_nm : float
        s(0), the dose per nm of the top layer in its steady state [1/nm]: the initial roughness is
        a scatter of its thickness.
    growth : Growth
    initial_nm : float
        Roughness of the outer surface over flat interfaces, standard deviation [nm].

    Returns
    -------
    ndarray, shape (K + 1,)
        Spread in units of `dose`; it never decreases.
    """
    depth_nm = np.cumsum(thickness_nm) - thickness_nm
    gained = (dose / thickness_nm) ** 2 * growth.gained_nm2(depth_nm, thickness_nm, atoms_nm2)
    variance = (initial_nm * surface_dose_per_nm) ** 2 + np.append(0.0, np.cumsum(gained))
    return np.sqrt(variance + (growth.of_rate * np.append(0.0, np.cumsum(dose))) ** 2)


def height_classes(height_nm: np.ndarray, density: np.ndarray) -> tuple[np.ndarray, float]:
    """Classes of columns for a tabulated distribution of the heights of the outer surface.

    Parameters
    ----------
    height_nm : ndarray, shape (P,)
        Heights, increasing, from any level [nm]; P >= 2.
    density : ndarray, shape (P,)
        How frequent each height is, >= 0, any unit; linear in between and 0 outside.

    Returns
    -------
    classes : ndarray, shape (Q, 3)
        Lowest and highest height from the mean, in standard deviations, and share of the area.
    sd_nm : float
        Standard deviation of the height [nm].
    """
    height, density = np.asarray(height_nm, float), np.asarray(density, float)
    edges = _class_edges(height, density)
    points = np.union1d(height, edges)
    owner = np.searchsorted(edges, points[:-1], side="right") - 1
    share, first, second = (
        np.bincount(owner, _moments(points - height[0], height - height[0], density, order))
        for order in (0, 1, 2)
    )
    held = share > 0
    share, first, second = share[held], first[held] / share[held], second[held] / share[held]
    share /= share.sum()
    mean = share @ first
    sd = math.sqrt(share @ second - mean**2)
    # Even within a class, with its mean and variance.
    half = np.sqrt(3.0 * np.maximum(second - first**2, 0.0))
    return np.column_stack([(first - half - mean) / sd, (first + half - mean) / sd, share]), sd


def _class_edges(height: np.ndarray, density: np.ndarray) -> np.ndarray:
    """Edges of classes that are narrow where heights are frequent, and nowhere wide."""
    up_to = np.append(0.0, np.cumsum(_moments(height, height, density, 0)))
    quantiles = np.interp(np.linspace(0.0, up_to[-1], _CLASSES + 1), up_to, height)
    even = np.linspace(height[0], height[-1], _CLASSES // 2 + 1)
    corners = height if height.size <= _CLASSES else height[[0, -1]]
    return np.unique(np.concatenate([quantiles, even, corners]))


def _moments(points: np.ndarray, height: np.ndarray, density: np.ndarray, order: int) -> np.ndarray:
    """Integrals of height^order times the density between points, by Simpson's rule: exact."""
    middle = 0.5 * (points[1:] + points[:-1])
    value = points**order * np.interp(points, height, density)
    inner = middle**order * np.interp(middle, height, density)
    return np.diff(points) * (value[1:] + value[:-1] + 4.0 * inner) / 6.0


def relief_variance(
    depth_nm: np.ndarray, planes_nm: np.ndarray, relief_nm: np.ndarray, rate_nm: np.ndarray
) -> np.ndarray:
    """Variance of the arrival dose by the heights of buried interfaces.

    Where an interface lies deeper by x, the layer above it is thicker by x and the layer below it
    thinner: with the rates r and r' above and below, its arrival is later by x / r, and that of
    everything below the next interface by x (1/r - 1/r'). Heights are normal, and independent from
    interface to interface (derived). Where in a layer the thickness is gained or lost cannot be
    seen, since it is uniform: the offset changes in its middle half, far from both interfaces.

    Signals are good to 1e-4 of full scale for a relief of 5 % of the layers above and below, to
    1e-3 for 10 % and 1.5 % for 20 %; beyond that columns without one of the layers would matter,
    and results are useless. Where the layer below is eroded faster, compare with r/r' of its
    thickness: what counts is the dose.

    Parameters
    ----------
    depth_nm : ndarray, shape (N,)
        Where to tell the variance [nm], >= 0.
    planes_nm : ndarray, shape (L,)
        Mean depth of the interfaces [nm].
    relief_nm : ndarray, shape (L,)
        Standard deviation of the height of each, against the outer surface [nm].
    rate_nm : ndarray, shape (L + 1,)
        Depth removed per dose in each layer and in the substrate [nm per unit of dose].

    Returns
    -------
    ndarray, shape (N,)
        In the unit of dose, squared.
    """
    tops = np.append(0.0, np.maximum.accumulate(np.maximum(planes_nm, 0.0)))
    layer = np.searchsorted(tops, depth_nm, side="right") - 1
    share = (depth_nm - tops[layer]) / np.append(np.diff(tops), np.inf)[layer]
    middle = np.clip(2.0 * share - 0.5, 0.0, 1.0)
    share = middle * middle * (3.0 - 2.0 * middle)  # a spread that sets in smoothly
    per_nm = 1.0 / rate_nm
    late = np.append(0.0, relief_nm * per_nm[:-1])  # at the top of each layer ...
    regained = np.append(0.0, relief_nm * per_nm[1:])  # ... of which so much is lost again in it
    lasting = np.append(0.0, np.cumsum((late - regained) ** 2)[:-1])
    next_late = np.append(late[1:], 0.0)
    return (
        lasting[layer]
        + (late[layer] - share * regained[layer]) ** 2
        + (share * next_late[layer]) ** 2
    )
