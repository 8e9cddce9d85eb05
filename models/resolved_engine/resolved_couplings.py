"""What couples the columns of a resolved crater, and makes its shape change as it deepens.

- Redeposition: of all atoms that are sputtered, a share falls back, evenly over the area and with
  the composition of the shared plasma, that is, of all that is sputtered at the time.
- Current: at fixed voltage or pressure it follows the surface. Material m draws the current k_m,
  relative to the one for which rates are given, so dose is supplied k = sum_m phi_m k_m times as
  fast, phi_m being the share of the dose that is spent on it, and so the share of the surface.
- Slope: an inclined surface has another yield. The ion flux on it carries cos(theta), the depth
  along the axis is the normal one over cos(theta), and what remains is Y(theta)/Y(0), which is
  1 + a tan^2(theta) to second order. A slope of 1e-2 changes the rate by less than 2e-4 (a < 2).
- Edge field: near the wall the rate differs, and settles as the crater deepens.

How strong each of them is, the user says; only the laws are here (derived, but for the law of the
edge field, which is the plainest that settles).
"""

import math
from dataclasses import dataclass

import numpy as np

STEEPEST_SLOPE = 0.5
"""Slope beyond which the second order is no measure of the yield."""


@dataclass(frozen=True)
class EdgeField:
    """Relative rate at the wall of a deep crater, against that of a shallow one.

    The change is psi(r) (1 - exp(-h / depth)), psi = change exp(-(R - r) / width) without its mean
    over the area, and h the mean depth.

    Attributes
    ----------
    change : float
        Relative to the mean rate.
    depth_nm : float
        Depth by which exp(-1) of it is still to come [nm], > 0.
    width : float
        Distance from the wall in which it falls by a factor e, relative to R, > 0.
    """

    change: float
    depth_nm: float
    width: float


@dataclass(frozen=True)
class Couplings:
    """Strength of all couplings; by default none.

    Attributes
    ----------
    redeposited_share : float
        Of the sputtered atoms, 0 to below 1. Rates are net ones all the same.
    relative_current : ndarray, shape (M,), optional
        Current that each material draws, relative to the one for which rates are given, > 0.
    slope_coefficient : float
        The number a above.
    radius_nm : float
        Of the analysed area [nm]; for slopes alone.
    edge_field : EdgeField, optional
    """

    redeposited_share: float = 0.0
    relative_current: np.ndarray | None = None
    slope_coefficient: float = 0.0
    radius_nm: float = math.inf
    edge_field: EdgeField | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.redeposited_share < 1:
            raise ValueError(
                f"redeposited_share must be >= 0 and < 1, got {self.redeposited_share:g}"
            )
        if self.relative_current is not None and not np.all(self.relative_current > 0):
            raise ValueError(f"relative_current must be > 0, got {self.relative_current}")

    @property
    def through_the_plasma(self) -> bool:
        """Whether what is sputtered anywhere acts everywhere."""
        drawn = self.relative_current
        return self.redeposited_share > 0 or (drawn is not None and bool(np.any(drawn != 1.0)))

    @property
    def through_the_shape(self) -> bool:
        """Whether the shape of the crater changes its rates."""
        return self.slope_coefficient != 0.0 or self.edge_field is not None


def current_factor(relative_current: np.ndarray | None, dose_by_material: np.ndarray) -> float:
    """Current relative to the one for which rates are given.

    Parameters
    ----------
    relative_current, dose_by_material : ndarray, shape (M,)
        What each material draws, and the dose that is spent on it, in any unit.
    """
    if relative_current is None:
        return 1.0
    return float(relative_current @ dose_by_material / dose_by_material.sum())


def edge_pattern(radius: np.ndarray, edge_field: EdgeField) -> np.ndarray:
    """Change of the relative rate of a deep crater at each radius, its mean still in it."""
    return edge_field.change * np.exp((radius - 1.0) / edge_field.width)


def steepest_downhill(depth_nm: np.ndarray, radius_nm: np.ndarray) -> np.ndarray:
    """Slope of the crater at each column as the front sees it, shape (J,).

    Where a slope makes the surface recede faster, a front of depth spreads along it: the slope that
    counts is the steepest one towards deeper neighbours (the upwind flux of Godunov for a convex
    law; S. Osher and J. Sethian, J. Comput. Phys. 79 (1988) 12, from memory). A wall between two
    columns at one radius is no part of it.

    Parameters
    ----------
    depth_nm, radius_nm : ndarray, shape (J,)
    """
    run, rise = np.diff(radius_nm), np.diff(depth_nm)
    slope = np.divide(rise, run, out=np.zeros_like(rise), where=run > 0)
    outwards, inwards = (
        np.append(np.maximum(slope, 0.0), 0.0),
        np.append(0.0, -np.minimum(slope, 0.0)),
    )
    return np.maximum(outwards, inwards)


def slope_factor(coefficient: float, depth_nm: np.ndarray, radius_nm: np.ndarray) -> np.ndarray:
    """Rate along the axis relative to that of a surface across it, shape (J,)."""
    return 1.0 + coefficient * steepest_downhill(depth_nm, radius_nm) ** 2
