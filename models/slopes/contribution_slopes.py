"""What each slice contributes to the signal, with its slopes in P directions.

The counterpart of `contributions`: atoms that are collected, or what is seen.
"""

import math

import numpy as np

from craterfront.models.altered_layers.sloped import rises
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.cut_sample import CutSample
from craterfront.models.slopes.cut_slopes import CutSlopes
from craterfront.models.slopes.directions import Directions
from craterfront.models.slopes.layer_slopes import LayerSlopes, Leaving, View
from craterfront.models.slopes.sloped_slopes import rise_slopes
from craterfront.models.slopes.viewing_slopes import below_zone_slopes, normalised


def view_of(
    cut: CutSample, sample: LayeredSample, instrument: Instrument, directions: Directions
) -> View | None:
    """Through what the altered layer is seen; None where it is not."""
    if instrument.view != "viewed" or instrument.escape_depth_nm == 0.0:
        return None
    material = cut.species.material
    volume = 1.0 / sample.atomic_density_per_nm3[material]
    slopes = -directions.atomic_density_per_nm3[material] * volume[:, None] ** 2
    return View(volume, slopes, instrument.escape_depth_nm, directions.escape_depth_nm)


def collected(
    cut: CutSample,
    slopes: CutSlopes,
    layer: LayerSlopes,
    leaving: Leaving,
    sample: LayeredSample,
    instrument: Instrument,
    directions: Directions,
) -> tuple[np.ndarray, np.ndarray]:
    """Atoms that are collected while each slice is removed, (K, S); slopes (K, S, P)."""
    depth = instrument.escape_depth_nm
    if depth == 0.0:
        return leaving.removed, leaving.removed_slopes
    first = sample.material[0]
    density = float(sample.atomic_density_per_nm3[first])
    escape = depth * density
    escape_slopes = density * directions.escape_depth_nm
    escape_slopes = escape_slopes + depth * directions.atomic_density_per_nm3[first]
    zone, zone_slopes = cut.layer.zone_atoms_nm2, layer.zone_atoms_nm2
    species = cut.atoms.shape[1]
    edges, edge_slopes = normalised(
        *below_zone_slopes(
            np.ascontiguousarray(cut.atoms),
            np.ascontiguousarray(slopes.atoms),
            zone,
            zone_slopes,
            np.ones(species),
            np.zeros((species, directions.count)),
            escape,
            escape_slopes,
        )
    )
    total, total_slopes = cut.atoms.sum(axis=1), slopes.atoms.sum(axis=1)
    mean, mean_slopes = (0.5 * (each[1:] + each[:-1]) for each in (edges, edge_slopes))
    direct = mean * total[:, None]
    direct_slopes = mean_slopes * total[:, None, None] + mean[..., None] * total_slopes[:, None]
    share = math.exp(-zone / escape)
    share_slopes = share * (zone / escape**2 * escape_slopes - zone_slopes / escape)
    value = (1.0 - share) * leaving.removed + share * direct
    change = (1.0 - share) * leaving.removed_slopes + share * direct_slopes
    return value, change + (direct - leaving.removed)[..., None] * share_slopes


def viewed(
    cut: CutSample,
    slopes: CutSlopes,
    layer: LayerSlopes,
    leaving: Leaving,
    view: View | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Seen fractions at the top and the bottom of each slice, (2, K, S); slopes (2, K, S, P)."""
    if view is not None:
        below, below_slopes = below_zone_slopes(
            np.ascontiguousarray(cut.atoms),
            np.ascontiguousarray(slopes.atoms),
            cut.layer.zone_atoms_nm2,
            layer.zone_atoms_nm2,
            view.volume_nm3,
            view.volume_slopes,
            view.escape_depth_nm,
            view.escape_slopes,
        )
        passed = leaving.passed[:, None]
        seen = leaving.seen + passed * below
        seen_slopes = leaving.seen_slopes + passed[..., None] * below_slopes
        seen_slopes += below[..., None] * leaving.passed_slopes[:, None]
        share, change = normalised(seen, seen_slopes)
        return np.stack([share[:-1], share[1:]]), np.stack([change[:-1], change[1:]])
    # Atoms leave in proportion to their preference and to what is at the surface.
    weight = np.ones(leaving.removed.shape[1])
    if cut.layer.cells:
        weight = 1.0 / cut.species.preference
    share, change = normalised(leaving.removed * weight, leaving.removed_slopes * weight[:, None])
    total, total_slopes = cut.atoms.sum(axis=1), slopes.atoms.sum(axis=1)
    half = 0.5 * rises(share, total)
    half_slopes = 0.5 * rise_slopes(share, total, change, total_slopes)
    return np.stack([share - half, share + half]), np.stack(
        [change - half_slopes, change + half_slopes]
    )
