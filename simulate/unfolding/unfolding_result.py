"""An unfolded profile: fractions against depth with their band, and what else was uncertain."""

from dataclasses import dataclass

import numpy as np

from craterfront.experiments.experiment import Experiment
from craterfront.models.unfolding.linear_unfolding import Unfolded
from craterfront.models.unfolding.smoothness import Smoothness
from craterfront.models.unfolding.steep_parts import SteepPart
from craterfront.objective.estimation import Z95
from craterfront.unfolding.unfolding_model import UnfoldingModel

METHOD = "maximum evidence (marginal likelihood)"
REST = "rest"
"""Name of what has no channel."""


@dataclass(frozen=True)
class Deviation:
    """A number that is not exactly known, after the readings.

    Attributes
    ----------
    name, kind : str
        As of a `Nuisance`.
    prior_u : float
        Standard uncertainty before.
    value, u : float
        Deviation from what was written, and its standard uncertainty.
    """

    name: str
    kind: str
    prior_u: float
    value: float
    u: float

    @property
    def in_prior_u(self) -> float:
        """The deviation in standard uncertainties before."""
        return self.value / self.prior_u


@dataclass(frozen=True)
class Unfolding:
    """A composition against depth.

    Attributes
    ----------
    experiment : Experiment
    model : UnfoldingModel
    posterior : Unfolded
    smoothness : Smoothness
        The prior of maximum evidence ...
    amplitude : ndarray
        ... and its amplitude for each measured element.
    elements : list of str
        The measured ones, and the rest if not all are.
    depth_edges_nm : ndarray, shape (K + 1,)
        Of the cells that the profile reaches.
    depth_u_nm : ndarray, shape (K,)
        Standard uncertainty of the depth scale in their middles.
    resolution_nm : ndarray, shape (E, K)
    fitted, residual : ndarray, shape (C, N)
        The unfolded composition folded again; deviations in standard deviations of the noise.
    steep : dict of str to list of SteepPart
        By element, what is as steep as the resolution allows.
    warnings : list of str
    scale_sources : list of str
        What fixes the depth scale.
    """

    experiment: Experiment
    model: UnfoldingModel
    posterior: Unfolded
    smoothness: Smoothness
    amplitude: np.ndarray
    elements: list[str]
    depth_edges_nm: np.ndarray
    depth_u_nm: np.ndarray
    resolution_nm: np.ndarray
    fitted: np.ndarray
    residual: np.ndarray
    steep: dict[str, list[SteepPart]]
    warnings: list[str]
    scale_sources: list[str]

    @property
    def depth_nm(self) -> np.ndarray:
        """Middles of the cells [nm]."""
        return 0.5 * (self.depth_edges_nm[1:] + self.depth_edges_nm[:-1])

    @property
    def fractions(self) -> np.ndarray:
        """Shape (E, K)."""
        return self.posterior.fractions[:, : self.depth_nm.size]

    def standard_uncertainty(self, *, nuisances: bool = True) -> np.ndarray:
        """Of the fractions, with or without what sensitivities and the like add, shape (E, K)."""
        u = self.posterior.standard_uncertainty(nuisances=nuisances)
        return u[:, : self.depth_nm.size]

    def deviations(self) -> list[Deviation]:
        """Numbers that are not exactly known, the one farthest from what was written first."""
        numbers, u = self.posterior.nuisance, np.diag(self.posterior.nuisance_covariance)
        found = [
            Deviation(each.name, each.kind, each.u, float(value), max(float(variance), 0.0) ** 0.5)
            for each, value, variance in zip(self.model.nuisances, numbers, u, strict=True)
        ]
        return sorted(found, key=lambda each: -abs(each.in_prior_u))

    def band(self) -> tuple[np.ndarray, np.ndarray]:
        """Intervals that hold 95 % in the mean over the depth, between 0 and 1."""
        reach = Z95 * self.standard_uncertainty()
        low, high = self.fractions - reach, self.fractions + reach
        return np.maximum(low, 0.0), np.minimum(high, 1.0)
