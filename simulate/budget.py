"""What broadens an interface: second moments of every cause, and their sum.

Variances of independent causes add exactly, whatever their shapes; widths do not. Each part is
shown as two standard deviations, which for a Gaussian is the width between 16 and 84 %.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from craterfront.assembly import Assembly
from craterfront.models.crater import relative_variance
from craterfront.models.engine import altered_layer
from craterfront.models.mixing import AlteredLayer, leaving_atoms
from craterfront.models.roughening import variance_per_nm
from craterfront.models.transitions import transition_variance_nm2

CAUSES = ("true transition", "crater", "roughness", "mixing", "escape depth", "sampling")


@dataclass(frozen=True)
class Budget:
    """Broadening of one interface.

    Attributes
    ----------
    layer : str
        The layer above.
    two_sd_nm : dict of str to float
        Two standard deviations by cause [nm], in depth of the layer above.
    """

    layer: str
    two_sd_nm: Mapping[str, float]

    @property
    def total_nm(self) -> float:
        """Two standard deviations of all causes together [nm]."""
        return float(np.sqrt(sum(part**2 for part in self.two_sd_nm.values())))


def broadening(assembly: Assembly, values: np.ndarray, sampling_s: float) -> list[Budget]:
    """Broadening budget of every interface.

    Parameters
    ----------
    assembly : Assembly
    values : ndarray
        Parameter values.
    sampling_s : float
        Length of a sampling interval [s].

    Returns
    -------
    list of Budget
        From the surface down. The roughness is what has grown down to the interface.
    """
    sample, instrument = assembly.sample(values), assembly.instrument(values)
    layer = altered_layer(sample, instrument)
    rate = sample.rate_nm_s[sample.material]
    density = sample.atomic_density_per_nm3[sample.material]
    growth, relative = variance_per_nm(
        instrument.roughness, instrument.relative_spread, instrument.grain_nm, density
    )
    dose_variance = (instrument.initial_nm / rate[0]) ** 2 + np.cumsum(
        growth[:-1] / rate[:-1] ** 2 * sample.thickness_nm
    )
    dose = np.cumsum(sample.thickness_nm / rate[:-1])
    crater_variance = relative_variance(instrument.crater)
    budgets = []
    for j, (width, shape) in enumerate(zip(sample.width_nm, sample.shape, strict=True)):
        rough = dose_variance[j] + (relative * dose[j]) ** 2
        parts = {
            "true transition": transition_variance_nm2(width, shape),
            "crater": crater_variance * (dose[j] * rate[j]) ** 2,
            "roughness": rough * rate[j] ** 2,
            "mixing": mixing_variance_nm2(layer, density[j], 1.0 / (density[j] * rate[j])),
            "escape depth": instrument.escape_depth_nm**2,
            "sampling": (sampling_s * rate[j]) ** 2 / 12.0,
        }
        name = assembly.layers[j].name
        budgets.append(Budget(name, {cause: 2.0 * parts[cause] ** 0.5 for cause in CAUSES}))
    return budgets


def mixing_variance_nm2(
    layer: AlteredLayer, atomic_density_per_nm3: float, dose_per_atom: float
) -> float:
    """Variance of the response to a buried monolayer of the altered layer alone [nm^2]."""
    if layer.cells == 0:
        return 0.0
    zone = layer.zone_atoms_nm2
    slices, marked = 1200, 100
    step = 14.0 * zone / slices
    atoms = np.zeros((slices, 2))
    atoms[:, 0] = step
    atoms[marked] = 0.0, step
    removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.full(2, dose_per_atom))
    position = np.arange(slices) * step
    weight = removed[:, 1] / removed[:, 1].sum()
    mean = float(weight @ position)
    return float(weight @ (position - mean) ** 2) / atomic_density_per_nm3**2
