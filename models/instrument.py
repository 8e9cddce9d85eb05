"""An instrument as the engines take it: crater, mixing, roughness of the surface, detection."""

from dataclasses import dataclass, field

import numpy as np

from craterfront.models.erosion_front.roughening import Growth


@dataclass(frozen=True)
class Instrument:
    """How the sample is sputtered and what is recorded.

    Attributes
    ----------
    crater : ndarray, shape (P, 3) or (M, P, 3)
        Distribution of the relative rate, of each material where they differ, see `crater`.
    mixing : str
        none, uniform, diffusive or relocation.
    mixing_length_nm, mixing_range_nm : float
        Referred to the first layer [nm].
    mixing_lengths_nm : ndarray, shape (M,), optional
        Mixing length in each material [nm], nan for one that mixes per ion as the first layer
        does; by default all do.
    displacement : str
        Law of displacement by relocation, one of `relocation.LAWS`.
    displacement_nm : float
        Its standard deviation along the depth, in the first layer [nm].
    preference : ndarray, shape (E,)
        Relative readiness of each element to leave; all equal for none.
    initial_nm : float
        Roughness of the outer surface over flat interfaces, standard deviation [nm].
    growth : Growth
        How roughness grows with depth.
    heights : ndarray, shape (Q, 3), optional
        Distribution of the initial heights, see `roughening.height_classes`. Default: normal.
    view : str
        collected (what left the surface) or viewed (what is seen at the surface).
    timing : str
        For a viewed signal: continuous (mean over the interval) or cycle (a snapshot).
    escape_depth_nm : float
        Depth from which the signal comes, along the normal [nm]; 0 for the outermost atoms.
    seen_share : ndarray, shape (P,), optional
        Share of the signal that comes from each segment of the crater. Default: as the area.
    """

    crater: np.ndarray
    mixing: str = "none"
    mixing_length_nm: float = 0.0
    mixing_range_nm: float = 0.0
    mixing_lengths_nm: np.ndarray | None = None
    displacement: str = "exponential"
    displacement_nm: float = 0.0
    preference: np.ndarray | None = None
    initial_nm: float = 0.0
    growth: Growth = field(default_factory=Growth)
    heights: np.ndarray | None = None
    view: str = "collected"
    timing: str = "continuous"
    escape_depth_nm: float = 0.0
    seen_share: np.ndarray | None = None

    @property
    def preference_ratio(self) -> float:
        """Readiness to leave, of the readiest element over the least ready; 1 for none."""
        if self.preference is None:
            return 1.0
        return float(self.preference.max() / self.preference.min())
