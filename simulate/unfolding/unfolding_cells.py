"""Cells of a sample without layers, and what each of them adds to every reading.

Cells take the same time each. In time, where a reading comes from hardly depends on what is there;
depth follows from the rates afterwards.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.reading_parts import ReadingParts
from craterfront.models.erosion_front import crater
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.engine import run
from craterfront.models.quick_engine.slicing import SlicePlan

_PER_RESOLUTION = 8.0  # cells in the resolution of the instrument, a fifth of the way down
_FIFTH = 0.2
_FEWEST, _MOST = 60, 300
_MOST_UNKNOWN = 900
_REACH = 3.0  # standard deviations by which columns are ahead at the end of a profile
_BELOW = 3.0  # of all cells: how far the last one goes on
_LEAST_SHARE = 1e-4  # of an element with a preference, so that its way is known everywhere


@dataclass(frozen=True)
class Cells:
    """Equal doses down to where the last readings come from.

    Attributes
    ----------
    count : int
    dose_s : float
        Of one cell [s].
    supplied_s : float
        Dose that was supplied up to the end of the profile [s].
    plan : SlicePlan
        One slice for each cell.
    """

    count: int
    dose_s: float
    supplied_s: float
    plan: SlicePlan

    @property
    def edges_s(self) -> np.ndarray:
        """Shape (count + 1,)."""
        return self.dose_s * np.arange(self.count + 1)

    @property
    def middle_s(self) -> np.ndarray:
        """Shape (count,)."""
        return self.dose_s * (np.arange(self.count) + 0.5)

    @property
    def shown(self) -> int:
        """How many of them the profile reaches."""
        return min(math.ceil(self.supplied_s / self.dose_s - 1e-9), self.count)


def cells_for(assembly: Assembly, parts: ReadingParts, rows: int) -> Cells:
    """Cells that are finer than the instrument resolves, as far as they can be.

    Parameters
    ----------
    assembly : Assembly
    parts : ReadingParts
        When the engine is asked.
    rows : int
        Fractions that are unknown in each cell.
    """
    values = assembly.nominal
    sample, instrument = assembly.sample(values), assembly.instrument(values)
    dose, plan = assembly.supplied_dose_s(parts.edges_s, values), assembly.slices(parts, values)
    nothing = np.zeros((*sample.composition.shape, 1))
    unmixed = replace(instrument, mixing="none", preference=None)  # only arrival is asked for
    place = run(sample, unmixed, dose, nothing, replace(plan, cells=0)).places[0]
    supplied = float(dose[-1])
    middle = 0.5 * (place.arrival.edges[1:] + place.arrival.edges[:-1])
    early, late = np.interp([_FIFTH * supplied, supplied], middle, place.arrival.sigma)
    reach = float(instrument.crater[:, :2].max()) * supplied + _REACH * late
    slowest = float(sample.rate_nm_s.min())
    blur = [
        early,
        crater.relative_smoothing(instrument.crater) * _FIFTH * supplied,
        instrument.mixing_length_nm / slowest,
        (instrument.escape_depth_nm if instrument.view == "viewed" else 0.0) / slowest,
        float(np.median(np.diff(dose[parts.ends]))),
    ]
    wanted = math.ceil(_PER_RESOLUTION * reach / (2.0 * math.hypot(*blur)))
    count = max(min(wanted, _MOST, _MOST_UNKNOWN // rows), _FEWEST)
    slices = replace(
        plan,
        fractions=np.zeros(count + 1),
        layer=np.arange(count + 1),
        parts=np.ones(count + 1, dtype=np.int64),
        substrate_dose=_BELOW * reach,
    )
    return Cells(count, reach / count, supplied, slices)


def contributions(
    assembly: Assembly,
    values: np.ndarray,
    parts: ReadingParts,
    cells: Cells,
    density_per_nm3: np.ndarray,
    rate_nm_s: np.ndarray,
    composition: np.ndarray,
) -> np.ndarray:
    """What every cell adds to the readings if it consists of one element.

    The last cell goes on below.

    Parameters
    ----------
    assembly : Assembly
    values : ndarray
        Of its parameters.
    parts : ReadingParts
    cells : Cells
    density_per_nm3, rate_nm_s : ndarray, shape (K,)
        Atoms per volume and erosion rate in each cell.
    composition : ndarray, shape (K, E)
        Atomic fractions of the elements of the assembly.

    Returns
    -------
    ndarray, shape (E, N, K), or (1, N, K) where all elements go the same way
        Atoms per nm2 and second, or seen fractions.
    """
    instrument = assembly.instrument(values)
    count, elements = composition.shape
    composition = composition + _LEAST_SHARE
    composition = composition / composition.sum(axis=1, keepdims=True)
    sample = LayeredSample(
        thickness_nm=rate_nm_s * cells.dose_s,
        width_nm=np.zeros(count),
        shape=np.zeros(count, dtype=np.int64),
        material=np.append(np.arange(count), count - 1),
        atomic_density_per_nm3=density_per_nm3,
        rate_nm_s=rate_nm_s,
        composition=composition,
    )
    alike = instrument.preference is None or np.ptp(instrument.preference) == 0.0
    own = np.eye(count)[:, None, :]
    if alike:
        projection = np.broadcast_to(own, (count, elements, count))
    else:
        weight = 1.0 / composition
        projection = np.einsum("kj,ef,ke->kefj", own[:, 0], np.eye(elements), weight)
        projection = projection.reshape(count, elements, -1)
    dose = assembly.supplied_dose_s(parts.edges_s, values)
    signal = run(sample, instrument, dose, projection, cells.plan).signal
    readings = assembly.readings(signal.T, parts, values)
    return readings.reshape(-1, count, readings.shape[-1]).transpose(0, 2, 1)
