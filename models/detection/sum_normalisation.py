"""Composition against depth from the mass rates of all elements, by sum normalisation.

With x_i the mass rate of element i, area A and volumes v_i per mass (`partial_volumes`):

    q = sum x_i,   c_i = x_i / q,   1/rho = sum c_i v_i (1 + e),   dz = q dt / (A rho)

and x_i dt / A summed over time is the mass per area. This is the general procedure of ISO 11505 and
ISO 16962 (descriptions only; the texts were not consulted). It holds where every major element has
a line: what has none is missing from q, and everything else is too large by its share.

Uncertainties are those of the GUM to first order (JCGM 100, 5.1.2 and 5.2.2): constants, volumes,
area and the error e of the mixing rule are common to all readings, noise is not. e has the standard
uncertainty of the mixing rule times the mixedness of the reading.
"""

from dataclasses import dataclass

import numpy as np

from craterfront.models.detection.emission import EmissionConstants, MassRates
from craterfront.models.materials.partial_volumes import PartialVolumes

_NM_PER_UM = 1e3
_READINGS_BESIDE = 2  # of a boundary, for the slope there


@dataclass(frozen=True, eq=False)
class Estimates:
    """Values with their standard uncertainties, of the same shape."""

    value: np.ndarray
    u: np.ndarray


@dataclass(frozen=True, eq=False)
class Quantified:
    """Readings as composition against depth, for E elements and T readings.

    Attributes
    ----------
    mass_fraction, atomic_fraction : Estimates, shape (E, T)
        NaN where nothing was eroded.
    mass_rate_ug_s : Estimates, shape (T,)
    density_g_cm3 : Estimates, shape (T,)
        NaN where nothing was eroded.
    depth_nm : Estimates, shape (T,)
        At the middle of each reading.
    areal_mass_g_m2 : Estimates, shape (E, T)
        Of each element, from the surface to the middle of each reading.
    total_areal_mass_g_m2 : Estimates, shape (T,)
    erosion_rate_nm_s : ndarray, shape (T,)
    eroding : ndarray of bool, shape (T,)
        False where masses or volumes add up to nothing: such readings count as no erosion.
    """

    mass_fraction: Estimates
    atomic_fraction: Estimates
    mass_rate_ug_s: Estimates
    density_g_cm3: Estimates
    depth_nm: Estimates
    areal_mass_g_m2: Estimates
    total_areal_mass_g_m2: Estimates
    erosion_rate_nm_s: np.ndarray
    eroding: np.ndarray


@dataclass(frozen=True, eq=False)
class Gradient:
    """A number with its derivatives by everything that is uncertain."""

    value: float
    per_rate: np.ndarray  # (E, T), by the mass rates
    per_volume: np.ndarray  # (E,)
    per_mixing: float
    per_area: float

    def __sub__(self, other: "Gradient") -> "Gradient":
        return Gradient(
            self.value - other.value,
            self.per_rate - other.per_rate,
            self.per_volume - other.per_volume,
            self.per_mixing - other.per_mixing,
            self.per_area - other.per_area,
        )


class SumNormalisation:
    """One profile, quantified.

    Parameters
    ----------
    rates : MassRates
        Of E elements in T readings.
    constants : EmissionConstants
        Those that the rates are from; of use for their covariance only.
    u_intensity : ndarray, shape (E, T)
        Standard uncertainty of the noise of each reading.
    volumes : PartialVolumes
    atomic_mass_u : ndarray, shape (E,)
    interval_s : ndarray, shape (T,)
        What each reading lasts; readings follow one another without gaps.
    area_mm2, u_area_mm2 : float
        Analysed area.
    """

    def __init__(
        self,
        rates: MassRates,
        constants: EmissionConstants,
        u_intensity: np.ndarray,
        volumes: PartialVolumes,
        atomic_mass_u: np.ndarray,
        interval_s: np.ndarray,
        area_mm2: float,
        u_area_mm2: float = 0.0,
    ) -> None:
        self.volumes, self.atomic_mass_u = volumes, atomic_mass_u
        self.interval_s, self.area_mm2, self.u_area_mm2 = interval_s, area_mm2, u_area_mm2
        self.covariance = constants.covariance
        raw = rates.value
        self.eroding = (raw.sum(axis=0) > 0.0) & (volumes.value_cm3_g @ raw > 0.0)
        self.rate = np.where(self.eroding, raw, 0.0)
        self.per_constant = np.where(self.eroding, rates.per_constant, 0.0)
        self.noise = np.where(self.eroding, rates.per_intensity * u_intensity, 0.0)
        self.total_rate = self.rate.sum(axis=0)
        self.volume_rate = volumes.value_cm3_g @ self.rate  # cm3/g * ug/s
        self.mass_fraction = _shares(self.rate)
        self.mixedness = volumes.mixedness(np.nan_to_num(self.mass_fraction))
        self.dose_g_m2 = interval_s / area_mm2  # per ug/s

    # --- readings ------------------------------------------------------------------------------

    def readings(self) -> Quantified:
        """Everything that belongs to single readings, and what has accumulated up to them."""
        covariance = self._rate_covariance()
        u_total = _root(covariance.sum(axis=(0, 1)))
        step_um = self.dose_g_m2 * self.volume_rate
        return Quantified(
            mass_fraction=self._fractions(np.ones(self.rate.shape[0]), covariance),
            atomic_fraction=self._fractions(1.0 / self.atomic_mass_u, covariance),
            mass_rate_ug_s=Estimates(self.total_rate, u_total),
            density_g_cm3=self._density(covariance),
            depth_nm=self._depth_nm(),
            areal_mass_g_m2=self._areal_mass(),
            total_areal_mass_g_m2=self._total_areal_mass(),
            erosion_rate_nm_s=_NM_PER_UM * step_um / self.interval_s,
            eroding=self.eroding,
        )

    def _rate_covariance(self) -> np.ndarray:
        """Covariance (E, E, T) of the mass rates of each reading."""
        common = np.einsum(
            "iat,iajb,jbt->ijt",
            self.per_constant,
            self.covariance,
            self.per_constant,
            optimize=True,
        )
        each = np.arange(self.rate.shape[0])
        common[each, each] += self.noise**2
        return common

    def _fractions(self, per_mass: np.ndarray, covariance: np.ndarray) -> Estimates:
        """Fractions of amounts per_mass_i x_i: dc_i = (da_i - c_i sum da_j) / sum a_j."""
        amount = per_mass[:, None] * self.rate
        share = _shares(amount)
        spread = per_mass[:, None, None] * covariance * per_mass[None, :, None]
        own = np.einsum("iit->it", spread)
        with_sum = spread.sum(axis=1)
        variance = own - 2.0 * share * with_sum + share**2 * spread.sum(axis=(0, 1))
        total = np.where(self.eroding, amount.sum(axis=0), np.nan)
        return Estimates(share, _root(variance) / total)

    def _density(self, covariance: np.ndarray) -> Estimates:
        total = np.where(self.eroding, self.total_rate, np.nan)
        volume = self.volume_rate / total
        fraction, v = self.mass_fraction, self.volumes.value_cm3_g
        lever = (v[:, None] - volume) / total
        variance = np.einsum("it,ijt,jt->t", lever, covariance, lever)
        variance += np.einsum("it,ij,jt->t", fraction, self.volumes.covariance, fraction)
        variance += (volume * self.mixedness * self.volumes.u_rel_mixing) ** 2
        return Estimates(1.0 / volume, _root(variance) / volume**2)

    def _areal_mass(self) -> Estimates:
        rows = np.eye(self.rate.shape[0])
        each = [self._accumulated(row[:, None] * self.dose_g_m2) for row in rows]
        return Estimates(np.array([e.value for e in each]), np.array([e.u for e in each]))

    def _total_areal_mass(self) -> Estimates:
        return self._accumulated(np.broadcast_to(self.dose_g_m2, self.rate.shape))

    def _depth_nm(self) -> Estimates:
        weight = _NM_PER_UM * self.volumes.value_cm3_g[:, None] * self.dose_g_m2
        mass = _NM_PER_UM * _to_middle(self.rate * self.dose_g_m2)
        doubt = np.einsum("it,ij,jt->t", mass, self.volumes.covariance, mass)
        mixed = _to_middle(_NM_PER_UM * self.dose_g_m2 * self.volume_rate * self.mixedness)
        return self._accumulated(weight, doubt + (mixed * self.volumes.u_rel_mixing) ** 2)

    def _accumulated(self, weight: np.ndarray, more: np.ndarray | float = 0.0) -> Estimates:
        """Sum of weight (E, T) times mass rate, up to the middle of each reading."""
        value = _to_middle(np.sum(weight * self.rate, axis=0))
        lever = _to_middle(weight[:, None, :] * self.per_constant)
        common = np.einsum("iat,iajb,jbt->t", lever, self.covariance, lever, optimize=True)
        own = np.sum((weight * self.noise) ** 2, axis=0)
        noise = np.cumsum(own) - 0.75 * own  # half of a reading has a quarter of its variance
        area = (value * self.u_area_mm2 / self.area_mm2) ** 2
        return Estimates(value, _root(common + noise + area + more))

    # --- boundaries ----------------------------------------------------------------------------

    def crossings(self, element: int, mass_fraction: float) -> np.ndarray:
        """Times [s] at which an element passes a mass fraction, from the start of the profile.

        Between the middles of readings the fraction is taken as a straight line; readings without
        erosion are passed over.
        """
        at, _, rise = self._differences(element, mass_fraction)
        low, high = at[:-1], at[1:]
        passes = np.flatnonzero((low[:, 1] < 0) != (high[:, 1] < 0))
        return low[passes, 0] - low[passes, 1] * rise[passes]

    def _differences(self, element: int, level: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Time and fraction minus level of readings that erode, their numbers, and dt/dc."""
        known = np.flatnonzero(self.eroding)
        middle = _to_middle(self.interval_s)[known]
        above = self.mass_fraction[element, known] - level
        change = np.diff(above)
        rise = np.diff(middle) / np.where(change == 0.0, 1.0, change)
        return np.column_stack([middle, above]), known, rise

    def moment(self, element: int, level: float, times_s: np.ndarray) -> Gradient:
        """The middle one of the crossings with its derivatives.

        Noise moves a crossing by its own error over the slope of the fraction, which is taken from
        all readings between the first and the last crossing and two more on either side.
        """
        at, known, _ = self._differences(element, level)
        time_s = float(times_s[times_s.size // 2])
        first, after, last = (
            int(np.clip(np.searchsorted(at[:, 0], time), 1, len(known) - 1))
            for time in (times_s[0], time_s, times_s[-1])
        )
        pair = [after - 1, after]
        weight = (time_s - at[after - 1, 0]) / (at[after, 0] - at[after - 1, 0])
        near = at[max(first - 1 - _READINGS_BESIDE, 0) : last + 1 + _READINGS_BESIDE]
        slope = float(np.polyfit(near[:, 0] - time_s, near[:, 1], 1)[0])
        per_rate = np.zeros_like(self.rate)
        for place, share in zip(pair, (1.0 - weight, weight), strict=True):
            t = known[place]
            own = np.zeros(self.rate.shape[0])
            own[element] = 1.0
            change = (own - self.mass_fraction[element, t]) / self.total_rate[t]
            per_rate[:, t] = -share * change / slope
        return Gradient(time_s, per_rate, np.zeros(self.rate.shape[0]), 0.0, 0.0)

    def mass_to(self, moment: Gradient, elements: np.ndarray) -> Gradient:
        """Mass per area [g/m2] of some elements, a mask (E,), from the start to a moment."""
        share, now = self._until(moment.value)
        weight = elements[:, None] * self.dose_g_m2
        total = np.sum(weight * self.rate, axis=0)
        speed = total[now] / self.interval_s[now]
        value = float(total @ share)
        return Gradient(
            value,
            weight * share + speed * moment.per_rate,
            np.zeros(self.rate.shape[0]),
            0.0,
            -value / self.area_mm2,
        )

    def depth_to(self, moment: Gradient) -> Gradient:
        """Depth [nm] at a moment."""
        share, now = self._until(moment.value)
        dose = _NM_PER_UM * self.dose_g_m2
        step = dose * self.volume_rate
        value = float(step @ share)
        weight = self.volumes.value_cm3_g[:, None] * dose
        return Gradient(
            value,
            weight * share + step[now] / self.interval_s[now] * moment.per_rate,
            (dose * self.rate) @ share,
            float((step * self.mixedness) @ share),
            -value / self.area_mm2,
        )

    def _until(self, time_s: float) -> tuple[np.ndarray, int]:
        """The share of every reading that lies before a time, and the reading that holds it."""
        ends = np.cumsum(self.interval_s)
        share = np.clip((time_s - (ends - self.interval_s)) / self.interval_s, 0.0, 1.0)
        return share, int(min(np.searchsorted(ends, time_s), ends.size - 1))

    def u(self, number: Gradient) -> float:
        """Standard uncertainty of a number."""
        lever = np.einsum("it,iat->ia", number.per_rate, self.per_constant)
        variance = np.einsum("ia,iajb,jb->", lever, self.covariance, lever)
        variance += np.sum((number.per_rate * self.noise) ** 2)
        variance += number.per_volume @ self.volumes.covariance @ number.per_volume
        variance += (number.per_mixing * self.volumes.u_rel_mixing) ** 2
        variance += (number.per_area * self.u_area_mm2) ** 2
        return float(_root(variance))


def _shares(amount: np.ndarray) -> np.ndarray:
    """Amounts (E, T) over their sum; NaN where there is none."""
    total = amount.sum(axis=0)
    return amount / np.where(total > 0.0, total, np.nan)


def _to_middle(step: np.ndarray) -> np.ndarray:
    """Running sum over the last axis, up to the middle of each step."""
    return np.cumsum(step, axis=-1) - 0.5 * step


def _root(variance: np.ndarray) -> np.ndarray:
    """Square root; rounding may leave a vanishing variance below zero."""
    return np.sqrt(np.maximum(variance, 0.0))
