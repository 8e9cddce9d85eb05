"""Directions: how a sample and an instrument change with each of P parameters.

Every slope has the shape of the number itself, and a last axis for the P directions. What only
broadens is given as a square: a signal follows it so, and a width of zero still has a slope.
"""

from dataclasses import dataclass

import numpy as np

from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample


@dataclass(frozen=True)
class Directions:
    """Slopes of what `engine.run` is given, see `LayeredSample` and `Instrument`.

    Attributes
    ----------
    thickness_nm, width_nm, relief_nm : ndarray, shape (L, P)
    width_square_nm2 : ndarray, shape (L, P)
        Of the squares of the widths; used where a width is 0.
    atomic_density_per_nm3, rate_nm_s : ndarray, shape (M, P)
    crater : ndarray, shape (A, 3, P) or (M, A, 3, P)
    crater_square : ndarray, shape (A, P) or (M, A, P)
        Of the square of last - first of each segment.
    seen_share : ndarray, shape (A, P)
    mixing_length_nm, mixing_range_nm, displacement_nm : ndarray, shape (P,)
    mixing_lengths_nm : ndarray, shape (M, P)
    initial_square_nm2, final_square_nm2, spread_square : ndarray, shape (P,)
        Of the squares of initial and final roughness and of the relative spread of rates.
    grain_nm, settling_nm, escape_depth_nm : ndarray, shape (P,)
    dose_s : ndarray, shape (T, P)
        Of the doses that stand for the edges of time.
    """

    thickness_nm: np.ndarray
    width_nm: np.ndarray
    relief_nm: np.ndarray
    width_square_nm2: np.ndarray
    atomic_density_per_nm3: np.ndarray
    rate_nm_s: np.ndarray
    crater: np.ndarray
    crater_square: np.ndarray
    seen_share: np.ndarray
    mixing_length_nm: np.ndarray
    mixing_range_nm: np.ndarray
    displacement_nm: np.ndarray
    mixing_lengths_nm: np.ndarray
    initial_square_nm2: np.ndarray
    final_square_nm2: np.ndarray
    spread_square: np.ndarray
    grain_nm: np.ndarray
    settling_nm: np.ndarray
    escape_depth_nm: np.ndarray
    dose_s: np.ndarray

    @classmethod
    def none(
        cls, sample: LayeredSample, instrument: Instrument, times: int, count: int
    ) -> "Directions":
        """Directions in which nothing changes yet."""
        by_layer = sample.thickness_nm.size, count
        by_material = sample.rate_nm_s.size, count
        crater = instrument.crater.shape
        return cls(
            thickness_nm=np.zeros(by_layer),
            width_nm=np.zeros(by_layer),
            relief_nm=np.zeros(by_layer),
            width_square_nm2=np.zeros(by_layer),
            atomic_density_per_nm3=np.zeros(by_material),
            rate_nm_s=np.zeros(by_material),
            crater=np.zeros((*crater, count)),
            crater_square=np.zeros((*crater[:-1], count)),
            seen_share=np.zeros((crater[-2], count)),
            mixing_length_nm=np.zeros(count),
            mixing_range_nm=np.zeros(count),
            displacement_nm=np.zeros(count),
            mixing_lengths_nm=np.zeros(by_material),
            initial_square_nm2=np.zeros(count),
            final_square_nm2=np.zeros(count),
            spread_square=np.zeros(count),
            grain_nm=np.zeros(count),
            settling_nm=np.zeros(count),
            escape_depth_nm=np.zeros(count),
            dose_s=np.zeros((times, count)),
        )

    @property
    def count(self) -> int:
        """P."""
        return self.dose_s.shape[1]

    def atom_dose(self, sample: LayeredSample) -> np.ndarray:
        """Relative slopes of the dose that an atom of each material costs, shape (M, P)."""
        density, rate = sample.atomic_density_per_nm3[:, None], sample.rate_nm_s[:, None]
        return -self.atomic_density_per_nm3 / density - self.rate_nm_s / rate
