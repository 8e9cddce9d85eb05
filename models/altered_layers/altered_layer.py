"""The altered layer of a run: what sample and instrument say of it, and how fine it has to be."""

from dataclasses import replace

import numpy as np

from craterfront.models.altered_layers.mixing import AlteredLayer, relative_mixing
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample

_CELLS_PER_SMOOTHING = 8.0  # cells of the altered layer against what smooths the signal ...
_FINER = 2.5  # ... but no more than so many times as many as without


def altered_layer(sample: LayeredSample, instrument: Instrument) -> AlteredLayer:
    """Altered layer of a run, in atoms per area; the first layer sets it, but for the mixing per
    ion of materials with a length of their own."""
    order = np.append(sample.material[0], np.arange(sample.rate_nm_s.size))
    density = float(sample.atomic_density_per_nm3[sample.material[0]])
    if instrument.mixing == "none" or instrument.mixing_length_nm == 0.0:
        return AlteredLayer()
    if instrument.mixing == "uniform":
        return AlteredLayer.uniform(instrument.mixing_length_nm, density)
    dose, relative = sample.dose_per_atom, None
    if instrument.mixing == "relocation":
        return AlteredLayer.relocated(
            instrument.mixing_length_nm,
            instrument.mixing_range_nm,
            instrument.displacement,
            instrument.displacement_nm,
            density,
            dose[order],
        )
    if instrument.mixing_lengths_nm is not None:
        relative = relative_mixing(
            instrument.mixing_lengths_nm,
            instrument.mixing_range_nm,
            sample.atomic_density_per_nm3,
            dose,
            int(sample.material[0]),
        )
    layer = AlteredLayer.diffusive(
        instrument.mixing_length_nm,
        instrument.mixing_range_nm,
        density,
        dose[order],
        instrument.preference_ratio,
        None if relative is None else relative[order],
    )
    return replace(layer, relative_mixing=relative)


def monolayer(sample: LayeredSample) -> AlteredLayer:
    """The least that takes up what falls back: one layer of atoms, fully mixed."""
    density = float(sample.atomic_density_per_nm3[sample.material[0]])
    return AlteredLayer.uniform(density ** (-1.0 / 3.0), density)


def wanted_cells(layer: AlteredLayer, sample: LayeredSample, smoothing_nm: float) -> float:
    """How many cells show what the altered layer does, where nothing smooths by more than that."""
    zone_nm = layer.zone_atoms_nm2 / float(sample.atomic_density_per_nm3[sample.material[0]])
    wanted = _CELLS_PER_SMOOTHING * zone_nm / max(smoothing_nm, 1e-9)
    return min(max(layer.cells, wanted), _FINER * layer.cells)
