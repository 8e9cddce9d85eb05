"""What broadens an interface: second moments of every cause, and their sum.

A profile shows when atoms arrive, so what adds are variances of dose: exactly where causes are
independent, whatever their shapes; widths do not add. A true transition of variance s^2 in depth
between layers that are eroded at the rates r and r' has the variance s^2 / (r r') in dose, whatever
its shape. So every part is shown as the width of the true transition that broadens the profile as
much: two standard deviations, for a Gaussian the width between 16 and 84 %.

Each part is what its cause does alone; see "Broadening" in the guide on theory for where the sum
is exact and where it is not.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import dawsn, spence

from craterfront.forward_model.assembly import Assembly
from craterfront.models.altered_layers.altered_layer import altered_layer
from craterfront.models.altered_layers.mixing import MOST_CELLS, AlteredLayer, leaving_atoms
from craterfront.models.instrument import Instrument
from craterfront.models.interfaces.transitions import transition_variance_nm2
from craterfront.models.layered_sample import LayeredSample

TRANSITION = "true transition"
CAUSES = (TRANSITION, "crater", "roughness", "mixing", "escape depth", "sampling")
RESIDENCE = "residence"
"""Only where one is written."""

_CRATER_NODES = 64  # within each segment of a crater
_SLICES_PER_ZONE = 200
_FINER = 3  # cells of the altered layer against those of smoothed signals: variances are not
_ZONES_BELOW = 14  # a fully mixed zone has lost all but exp(-13) by then


@dataclass(frozen=True)
class Budget:
    """Broadening of one interface.

    Attributes
    ----------
    layer : str
        The layer above.
    two_sd_nm : dict of str to float
        Two standard deviations by cause [nm], as the width of the true transition that broadens
        as much: depth at the geometric mean of the rates above and below.
    transition_limit_nm : float, optional
        Upper limit at 95 % of the true transition, where no more is known of it; its entry in
        `two_sd_nm` is 0 then.
    u_nm : dict of str to float
        Standard uncertainties of `two_sd_nm`, by cause; empty where nobody asked for them.
    limits_nm : dict of str to float
        Upper limits at 95 % of causes, other than the true transition, that may be none at all.
    """

    layer: str
    two_sd_nm: Mapping[str, float]
    transition_limit_nm: float | None = None
    u_nm: Mapping[str, float] = field(default_factory=dict)
    limits_nm: Mapping[str, float] = field(default_factory=dict)

    @property
    def total_nm(self) -> float:
        """Two standard deviations of all causes of which more than a limit is known [nm]."""
        return float(np.sqrt(sum(part**2 for part in self.two_sd_nm.values())))

    @property
    def largest_total_nm(self) -> float:
        """The same with a true transition at its limit [nm]."""
        return float(np.hypot(self.total_nm, self.transition_limit_nm or 0.0))

    def in_units_of(self, length_nm: float) -> "Budget":
        """The same with every number divided by a length, or by a rate to get times."""
        limit = self.transition_limit_nm
        parts, u, limits = (
            {cause: part / length_nm for cause, part in each.items()}
            for each in (self.two_sd_nm, self.u_nm, self.limits_nm)
        )
        return Budget(self.layer, parts, None if limit is None else limit / length_nm, u, limits)


def broadening(
    assembly: Assembly,
    values: np.ndarray,
    sampling_s: float,
    width_limits_nm: Mapping[int, float] | None = None,
    *,
    with_mixing: bool = True,
) -> list[Budget]:
    """Broadening budget of every interface.

    Parameters
    ----------
    assembly : Assembly
    values : ndarray
        Parameter values.
    sampling_s : float
        Length of a sampling interval [s].
    width_limits_nm : dict of int to float, optional
        Upper limits of the widths of interfaces of which no more is known, by number of the layer
        above [nm].
    with_mixing : bool
        Without it mixing, which takes most of the time, counts as none.

    Returns
    -------
    list of Budget
        From the surface down. The roughness is that of the outer surface, what has grown down to
        the interface, and that of the interface itself and of those above it.
    """
    sample, instrument = assembly.sample(values), assembly.instrument(values)
    rate = sample.rate_nm_s[sample.material]
    rate_nm_s = np.sqrt(rate[:-1] * rate[1:])
    dose = np.cumsum(sample.thickness_nm / rate[:-1])
    limits_nm = width_limits_nm or {}
    transition_nm2 = [
        0.0 if j in limits_nm else transition_variance_nm2(width, shape, sample.tables)
        for j, (width, shape) in enumerate(zip(sample.width_nm, sample.shape, strict=True))
    ]
    variance = {
        TRANSITION: np.array(transition_nm2) / rate_nm_s**2,
        "crater": crater_variances(instrument, sample),
        "roughness": _roughness_variance(sample, instrument, dose),
        "mixing": _mixing_variances(sample, instrument) if with_mixing else np.zeros_like(dose),
        "escape depth": _escape_variances(sample, instrument),
        "sampling": np.full_like(dose, sampling_s**2 / 12.0),
    }
    residence_s = assembly.residence_s(values)
    if residence_s > 0.0:  # a delay by an exponential time
        variance[RESIDENCE] = np.full_like(dose, residence_s**2)
    width_nm = {cause: 2.0 * np.sqrt(part) * rate_nm_s for cause, part in variance.items()}
    largest_nm = {
        j: 2.0 * float(transition_variance_nm2(limit, sample.shape[j], sample.tables)) ** 0.5
        for j, limit in limits_nm.items()
    }
    return [
        Budget(
            layer.name,
            {cause: float(width[j]) for cause, width in width_nm.items()},
            largest_nm.get(j),
        )
        for j, layer in enumerate(assembly.layers[:-1])
    ]


def crater_variances(instrument: Instrument, sample: LayeredSample) -> np.ndarray:
    """Variance of the dose at which the crater reaches each interface, shape (L,).

    A point whose relative rates are g in the layers reaches an interface after the sum of d/g over
    the layers above it. What is viewed counts the area. What is collected counts a point with its
    rate, for which the mean of the layers above and below stands (derived; with one g for all
    layers the variance is d^2 (<1/g> - 1) where collected, and that of d/g where viewed).

    Parameters
    ----------
    instrument : Instrument
    sample : LayeredSample
    """
    node, weight = np.polynomial.legendre.leggauss(_CRATER_NODES)
    made = np.broadcast_to(
        instrument.crater, (sample.rate_nm_s.size, *instrument.crater.shape[-2:])
    )[sample.material]
    if np.all(made[..., :2] == 1.0):
        return np.zeros(sample.thickness_nm.size)
    first, last = made[..., 0, None], made[..., 1, None]
    rate = 0.5 * (first + last + (last - first) * node).reshape(sample.material.size, -1)
    share = made[0, :, 2] if instrument.seen_share is None else instrument.seen_share
    share = (share[:, None] * 0.5 * weight).ravel()
    dose = sample.thickness_nm / sample.rate_nm_s[sample.material[:-1]]
    arrival = np.cumsum(dose[:, None] / rate[:-1], axis=0)
    counted = np.ones_like(arrival)
    if instrument.view == "collected":
        counted = 0.5 * (rate[:-1] + rate[1:])
    counted = counted * share
    counted /= counted.sum(axis=1, keepdims=True)
    mean = np.sum(counted * arrival, axis=1, keepdims=True)
    return np.sum(counted * (arrival - mean) ** 2, axis=1)


def relative_column_variance(spread: float, viewed: bool) -> float:
    """The same for columns whose yields differ: the dose at which one arrives is normal.

    A column that arrives at d (1 - spread x) after the dose d, x standard normal, collects at the
    rate h = 1/(1 - spread x). The supply is <h> times what would be used at the rate 1, and with
    that the variance is <h> - 1 where the signal is collected and (spread <h>)^2 where it is viewed
    (derived). <h>, a principal value, is a Dawson integral: 1 + spread^2 + 3 spread^4 + ...

    Parameters
    ----------
    spread : float
        Relative standard deviation; below 0.3, as beyond that there are columns of negative rate.
    viewed : bool
        Whether the signal is viewed, not collected.
    """
    if spread == 0.0:
        return 0.0
    rate = math.sqrt(2.0) / spread * float(dawsn(1.0 / (spread * math.sqrt(2.0))))
    return (spread * rate) ** 2 if viewed else max(rate - 1.0, spread**2)


def _roughness_variance(
    sample: LayeredSample, instrument: Instrument, dose: np.ndarray
) -> np.ndarray:
    """Variance of dose by initial roughness, its growth, and rough interfaces, at each of them."""
    rate = sample.rate_nm_s[sample.material]
    thickness, above = sample.thickness_nm, sample.material[:-1]
    depth = np.cumsum(thickness) - thickness
    atoms = sample.atomic_density_per_nm3[above] * thickness
    gained = instrument.growth.gained_nm2(depth, thickness, atoms)
    grown = np.cumsum(gained / rate[:-1] ** 2)
    viewed = instrument.view == "viewed"
    columns = relative_column_variance(instrument.growth.of_rate, viewed)
    planes_nm = np.cumsum(sample.thickness_nm)
    relief = sample.relief_variance(planes_nm, planes_nm)
    return (instrument.initial_nm / rate[0]) ** 2 + grown + columns * dose**2 + relief


def _escape_variances(sample: LayeredSample, instrument: Instrument) -> np.ndarray:
    """Variance of dose by the escape depth L at each interface, without an altered layer.

    What is collected from below counts depth in atoms: an exponential. Of what is viewed, the share
    of the layer above at u L above the interface is (1 - e) / (1 - e + ratio e), with e = exp(-u)
    and the ratio of the atomic densities below and above (derived; its variance is 1 if they are
    equal).
    """
    density = sample.atomic_density_per_nm3[sample.material]
    rate = sample.rate_nm_s[sample.material]
    escape_nm = instrument.escape_depth_nm
    if instrument.view == "collected":
        return (escape_nm * density[0] / density[:-1] / rate[:-1]) ** 2
    ratio = density[1:] / density[:-1]
    ratio = np.where(np.abs(ratio - 1.0) < 1e-6, 1.0 + 1e-6, ratio)
    factor = ratio / (ratio - 1.0)
    shape = -2.0 * factor * spence(ratio) - (factor * np.log(ratio)) ** 2
    return (escape_nm / rate[:-1]) ** 2 * shape


def _mixing_variances(sample: LayeredSample, instrument: Instrument) -> np.ndarray:
    """Variance of dose by the altered layer at each interface."""
    layer = altered_layer(sample, instrument)
    if layer.cells > 1:
        layer = replace(layer, cells=min(_FINER * layer.cells, MOST_CELLS))
    dose_per_atom = 1.0 / (sample.atomic_density_per_nm3 * sample.rate_nm_s)
    pairs = list(zip(sample.material[:-1], sample.material[1:], strict=True))
    viewed = instrument.view == "viewed"
    variance = {
        pair: mixing_variance(layer.for_species(np.array(pair)), dose_per_atom[list(pair)], viewed)
        for pair in set(pairs)
    }
    return np.array([variance[pair] for pair in pairs])


def mixing_variance(layer: AlteredLayer, dose_per_atom: np.ndarray, viewed: bool) -> float:
    """Variance of dose of the edge that the altered layer makes of a sharp interface.

    Parameters
    ----------
    layer : AlteredLayer
        Of the two materials.
    dose_per_atom : ndarray, shape (2,)
        Dose that an atom above and below costs [dose nm^2]; no element is preferred.
    viewed : bool
        Whether the signal is viewed, the share at the surface, or collected, per dose.
    """
    if layer.cells == 0:
        return 0.0
    above = 2 * _SLICES_PER_ZONE
    atoms = np.zeros((above + _ZONES_BELOW * _SLICES_PER_ZONE, 2))
    atoms[:above, 0] = atoms[above:, 1] = layer.zone_atoms_nm2 / _SLICES_PER_ZONE
    removed, _ = leaving_atoms(atoms, layer, np.ones(2), dose_per_atom)
    dose = removed @ dose_per_atom
    share = removed[:, 0] / removed.sum(axis=1)
    if not viewed:
        share = removed[:, 0] * dose_per_atom[0] / dose
    # Of an edge from 1 to 0 at the mean dose m: integral of share = m, of 2 dose share = <dose^2>.
    middle = np.cumsum(dose) - 0.5 * dose
    return float(2.0 * (share * middle) @ dose - (share @ dose) ** 2)
