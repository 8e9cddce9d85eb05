"""Within what the composition of a reconstructed sample lies, at every depth."""

from dataclasses import dataclass

import numpy as np

from craterfront.fitting.inversion import Inversion
from craterfront.forward_model.forward import composition_between
from craterfront.reports.drawn_dataset import at_nominal_rates

_ENDS = 0.025, 0.975


@dataclass(frozen=True, eq=False)
class Band:
    """Pointwise 95 % intervals of atomic fractions.

    Attributes
    ----------
    depth : ndarray, shape (P,)
        In nm, or in s at nominal rates.
    lower, upper : ndarray, shape (E, P)
    """

    depth: np.ndarray
    lower: np.ndarray
    upper: np.ndarray


def composition_band(inversion: Inversion, draws: np.ndarray, edges_nm: np.ndarray) -> Band:
    """The band of all draws from the joint posterior.

    Parameters
    ----------
    inversion : Inversion
    draws : ndarray, shape (D, parameters)
        Values of all parameters.
    edges_nm : ndarray, shape (P + 1,)
        Increasing depths in the most probable sample, between which fractions are means. At
        nominal rates they stand for times, at which another sample has other depths.
    """
    assembly = inversion.likelihood.assembly
    rates = np.array([assembly.nominal_rate_nm_s(i) for i in range(len(assembly.layers))])

    def times(depth_nm: np.ndarray, planes_nm: np.ndarray) -> np.ndarray:
        return at_nominal_rates(depth_nm, np.diff(planes_nm, prepend=0.0), rates)

    edges = edges_nm
    if inversion.relative:
        edges = times(edges_nm, assembly.sample(inversion.values).planes_nm())
    drawn = []
    for values in draws:
        sample, own = assembly.sample(values), edges
        if inversion.relative:
            planes = sample.planes_nm()
            knots = np.concatenate([[0.0], planes, [planes[-1] + 1e3 * edges_nm[-1]]])
            own = np.interp(edges, times(knots, planes), knots)
        drawn.append(composition_between(sample, own))
    lower, upper = np.quantile(drawn, _ENDS, axis=0)
    return Band(0.5 * (edges[1:] + edges[:-1]), lower, upper)
