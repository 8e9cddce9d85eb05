"""The resolved engine: a round crater in annuli whose columns erode together in time.

Columns stand at the edges of annuli (`resolved_annuli`). Each has its own altered layer
(`resolved_columns`) and its own way down the sample (`resolved_sample`); what one of them sputters
acts on all (`resolved_couplings`), step by step in time (`resolved_erosion`). Nothing of this knows
of arrival times: it is the second way to compute a profile, and the only one where columns act on
each other.

Dose is counted in seconds at the current for which rates are given. A relative rate g is that of
net erosion, as the depth of the crater shows it. Where the share R of the sputtered atoms falls
back evenly, the ions must be spread as R + (1 - R) g for that, and a sputtered atom costs 1 - R of
the dose that an eroded one costs: a uniform sample then erodes as it does without.

Between two columns the *phase* is linear in the area: the dose that what a column has lost would
have cost without redeposition. Without couplings it is the dose itself, g D, and the profile is
exact however few the annuli are. What a column in between has lost is read off the past of the
column that is ahead.

Signals follow what is sputtered. Of every atom the share 1 - R leaves for good and counts as
detected, so that a uniform sample gives the same signal with and without redeposition.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from craterfront.models.altered_layers.altered_layer import altered_layer, monolayer, wanted_cells
from craterfront.models.altered_layers.mixing import MOST_CELLS, AlteredLayer
from craterfront.models.altered_layers.species import Species
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.resolved_engine.resolved_annuli import Annuli
from craterfront.models.resolved_engine.resolved_bare_columns import BareColumns
from craterfront.models.resolved_engine.resolved_couplings import Couplings
from craterfront.models.resolved_engine.resolved_crater import Crater
from craterfront.models.resolved_engine.resolved_erosion import Erosion, Progress
from craterfront.models.resolved_engine.resolved_mixed_columns import WORKERS, MixedColumns
from craterfront.models.resolved_engine.resolved_sample import Cells


def run(
    sample: LayeredSample,
    instrument: Instrument,
    annuli: Annuli,
    couplings: Couplings,
    dose_edges_s: np.ndarray,
    projection: np.ndarray,
    progress: Progress | None = None,
) -> Crater:
    """Erode a crater.

    Parameters
    ----------
    sample : LayeredSample
        Its interfaces are flat.
    instrument : Instrument
        Mixing and preferences. Its crater is not used; there is no roughness, and the signal is
        collected at the surface.
    annuli : Annuli
        The crater.
    couplings : Couplings
    dose_edges_s : ndarray, shape (N + 1,)
        Dose supplied up to the edges of the sampling intervals, without what couplings do to the
        current, from 0 [s].
    projection : ndarray, shape (M, E, Q)
        What one atom of element e out of material m contributes to each of Q quantities.
    progress : callable, optional
        Called with a word and the share of the work that is done.

    Returns
    -------
    Crater

    Raises
    ------
    ValueError
        For what the engine does not do, and where a rate falls to 0.

    Warns
    -----
    ValidityWarning
        Where slopes count and are steeper than `resolved_couplings.STEEPEST_SLOPE`.
    """
    _refuse(sample, instrument)
    species = Species.of(sample, instrument.preference)
    cells = Cells.of(sample, species)
    layer = altered_layer(sample, instrument)
    share = couplings.redeposited_share
    if layer.cells == 0 and share > 0:
        layer = monolayer(sample)
    elif layer.cells > 1:
        layer = replace(layer, cells=_cells(layer, sample, annuli, np.diff(dose_edges_s)))
    cost = (1.0 - share) * species.dose_per_atom
    with ThreadPoolExecutor(WORKERS) as workers:
        columns = (
            MixedColumns(cells, species, cost, layer, annuli, workers)
            if layer.cells
            else BareColumns(cells, cost, annuli)
        )
        return Erosion(sample, species, cost, annuli, couplings, columns).run(
            np.asarray(dose_edges_s, dtype=float), projection, progress or (lambda *_: None)
        )


def _cells(
    layer: AlteredLayer, sample: LayeredSample, annuli: Annuli, intervals_s: np.ndarray
) -> int:
    """Cells of the altered layer: more of them where crater and sampling smooth little."""
    if sample.thickness_nm.size == 0:
        return layer.cells
    rate = float(sample.rate_nm_s[sample.material[0]])
    jumps = np.any(np.diff(annuli.radius) == 0.0)
    spread = 0.0 if jumps else float(np.ptp(annuli.rate)) * sample.thickness_nm[0] / rate
    smooth_nm = rate * float(np.hypot(spread / np.sqrt(12.0), 0.5 * np.min(intervals_s)))
    return min(int(wanted_cells(layer, sample, smooth_nm)), MOST_CELLS)


def _refuse(sample: LayeredSample, instrument: Instrument) -> None:
    if instrument.view != "collected":
        raise ValueError("a resolved crater collects what leaves it; view is 'viewed'")
    if instrument.escape_depth_nm > 0:
        raise ValueError(
            "a resolved crater collects what leaves the surface; escape_depth_nm is"
            f" {instrument.escape_depth_nm:g}"
        )
    if instrument.mixing == "relocation":
        raise ValueError("a resolved crater mixes by diffusion, not by relocation")
    if instrument.mixing_lengths_nm is not None:
        raise ValueError("a resolved crater mixes all materials alike per ion")
    rough = instrument.initial_nm > 0 or instrument.growth.law != "none"
    if rough or (sample.relief_nm is not None and np.any(sample.relief_nm > 0)):
        raise ValueError("the columns of a resolved crater are smooth; there is roughness")
