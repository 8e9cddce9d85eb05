"""Statistics of readings: residuals of unit variance, noise levels from data, whitening.

The variance of a reading is that of the smooth model, kappa m / dt + rho^2 / dt: counting with the
gain kappa (intensity times seconds per count) and readout. Weights never come from the data: they
would bias a mean low.
"""

import math
from collections.abc import Sequence

import numpy as np
from numba import njit

from craterfront.models.detection.averaged_processes import AveragedProcesses

_SMALLEST_MEAN = 1e-6  # counts
LEAST_TO_STEP = 0.02
"""Noise over the step of rounding below which readings tell nothing of it."""

_MOST_TO_STEP = 3.0

_NEAR_READING = 1e-3  # relative distance of the mean from a reading, below which a series serves


def deviance_residuals(
    readings: np.ndarray, model: np.ndarray, gain: np.ndarray, readout: np.ndarray
) -> np.ndarray:
    """Signed roots of the Poisson deviance, which are standard normal for many counts.

    With readout noise both reading and model are shifted by readout / gain, which gives the
    shifted Poisson distribution the variance gain * model + readout.

    Parameters
    ----------
    readings, model : ndarray, shape (N,)
        Intensities.
    gain : ndarray, shape (N,)
        Intensity per count, kappa / dt, > 0.
    readout : ndarray, shape (N,)
        Variance of the readout.

    Returns
    -------
    ndarray, shape (N,)

    References
    ----------
    P. McCullagh, J. A. Nelder, Generalized Linear Models (1989), section 2.4 (deviance residual).
    """
    shift = readout / gain
    counts = (readings + shift) / gain
    mean = np.maximum((model + shift) / gain, _SMALLEST_MEAN)
    ratio = np.maximum(counts, 0.0) / mean
    log_term = np.zeros_like(ratio)
    np.log(ratio, out=log_term, where=ratio > 0)
    excess = ratio - 1.0
    series = excess**2 * (0.5 - excess * (1.0 / 6.0 - excess * (1.0 / 12.0 - excess / 20.0)))
    half = np.where(np.abs(excess) < _NEAR_READING, series, ratio * log_term - excess)
    return np.sign(counts - mean) * np.sqrt(np.maximum(2.0 * mean * half, 0.0))


def deviance_slopes(
    readings: np.ndarray, model: np.ndarray, gain: np.ndarray, readout: np.ndarray
) -> np.ndarray:
    """Derivatives of `deviance_residuals`, whose arguments these are, by the model.

    From d D / d mean = 2 (1 - counts / mean) (derived); at the reading itself both root and
    difference vanish, and the series of their ratio is used.
    """
    shift = readout / gain
    counts = np.maximum((readings + shift) / gain, 0.0)
    mean = np.maximum((model + shift) / gain, _SMALLEST_MEAN)
    excess = counts / mean - 1.0
    root = np.abs(deviance_residuals(readings, model, gain, readout)) / np.sqrt(mean)
    near = np.abs(excess) < _NEAR_READING
    series = 1.0 + excess * (1.0 / 6.0 - excess / 24.0)
    ratio = np.where(near, series, np.abs(excess) / np.where(near, 1.0, root))
    return -ratio / (np.sqrt(mean) * gain)


def deviance_scores(
    readings: np.ndarray, model: np.ndarray, gain: np.ndarray, readout: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """First and second derivatives by the model of half the squares of `deviance_residuals`.

    (1 - counts / mean) and counts / mean^2 by the mean (derived); they need no logarithm.
    """
    shift = readout / gain
    counts = np.maximum((readings + shift) / gain, 0.0)
    mean = np.maximum((model + shift) / gain, _SMALLEST_MEAN)
    ratio = counts / mean
    return (1.0 - ratio) / gain, ratio / (mean * gain**2)


def censored_residuals(limit: float, model: np.ndarray, deviation: np.ndarray) -> np.ndarray:
    """Residuals of readings known only to be at least `limit`: sqrt(-2 ln P(reading >= limit))."""
    from scipy.special import log_ndtr

    return np.sqrt(np.maximum(-2.0 * log_ndtr((model - limit) / deviation), 0.0))


def censored_slopes(limit: float, model: np.ndarray, deviation: np.ndarray) -> np.ndarray:
    """Derivatives of `censored_residuals` by the model."""
    from scipy.special import log_ndtr

    above = (model - limit) / deviation
    log_share = log_ndtr(above)
    by_share = np.exp(-0.5 * above**2 - log_share) / math.sqrt(2.0 * math.pi)
    root = np.sqrt(np.maximum(-2.0 * log_share, 0.0))
    return -np.divide(by_share, root, out=np.zeros_like(root), where=root > 0) / deviation


def rounded_residuals(
    readings: np.ndarray, model: np.ndarray, deviation: np.ndarray, step: float
) -> np.ndarray:
    """Residuals of readings that stand for all values which round to them, with a sign.

    The sum of squares is twice the negative logarithm of the probability of the readings, up to a
    constant. Where noise is small against the step, a reading says that the model is within half a
    step, and hardly where: errors of rounding are no noise then, which would average out.

    Parameters
    ----------
    readings, model, deviation : ndarray, shape (N,)
        Readings, and mean and standard deviation of what is rounded.
    step : float
        Between neighbouring readings, > 0.
    """
    best = _log_probability(np.zeros_like(model), deviation, step)
    found = _log_probability(np.abs(readings - model), deviation, step)
    return np.sign(readings - model) * np.sqrt(np.maximum(2.0 * (best - found), 0.0))


def rounded_slopes(
    readings: np.ndarray, model: np.ndarray, deviation: np.ndarray, step: float
) -> np.ndarray:
    """Derivatives of `rounded_residuals`, whose arguments these are, by the model."""
    distance = np.abs(readings - model)
    far = np.maximum(distance, _NEAR_READING * step)  # at the reading itself: of its neighbourhood
    residual = np.abs(rounded_residuals(far, np.zeros_like(far), deviation, step))
    falls = _log_probability_slope(far, deviation, step)
    return np.divide(falls, residual, out=np.zeros_like(falls), where=residual > 0)


def _log_probability_slope(distance: np.ndarray, deviation: np.ndarray, step: float) -> np.ndarray:
    """Derivative of `_log_probability` by the distance."""
    log_share = _log_probability(distance, deviation, step)
    upper, lower = ((end * step - distance) / deviation for end in (0.5, -0.5))
    density = np.exp(-0.5 * lower**2 - log_share) - np.exp(-0.5 * upper**2 - log_share)
    return density / (math.sqrt(2.0 * math.pi) * deviation)


def _log_probability(distance: np.ndarray, deviation: np.ndarray, step: float) -> np.ndarray:
    """Logarithm of the probability of a reading at a distance >= 0 from the mean."""
    from scipy.special import log_ndtr

    near = log_ndtr((0.5 * step - distance) / deviation)
    far = log_ndtr((-0.5 * step - distance) / deviation)
    return near + np.log1p(-np.exp(far - near))


def rounded_noise_level(
    readings: np.ndarray, model: np.ndarray, interval_s: np.ndarray, step: float
) -> tuple[float, float]:
    """Gain and readout variance that make rounded readings about a model most probable.

    For noise below the step: the scatter of such readings depends on where the signal lies between
    two of them, and says little of the noise.

    Parameters
    ----------
    readings, model : ndarray, shape (N,)
    interval_s : ndarray, shape (N,)
    step : float
        Between neighbouring readings, > 0.

    Returns
    -------
    kappa, rho2 : float
        Variance before rounding: (kappa * model + rho2) / interval.
    """
    from scipy.optimize import minimize

    distance, level = np.abs(readings - model), np.maximum(model, 0.0)
    typical_s, largest = float(np.median(interval_s)), max(float(level.max()), 1e-300)
    unit = np.array([step**2 * typical_s / largest, step**2 * typical_s])

    def cost(x: np.ndarray) -> float:
        kappa, rho2 = np.exp(2.0 * x) * unit
        deviation = np.sqrt((kappa * level + rho2) / interval_s)
        return -float(np.sum(_log_probability(distance, deviation, step)))

    low, high = math.log(LEAST_TO_STEP), math.log(_MOST_TO_STEP)
    start = np.full(2, math.log(0.3))
    found = minimize(cost, start, method="Nelder-Mead", bounds=[(low, high)] * 2)
    kappa, rho2 = np.exp(2.0 * found.x) * unit
    return float(kappa), float(rho2)


def high_pass(residuals: np.ndarray) -> np.ndarray:
    """Second differences scaled to unit variance for white noise: blind to smooth misfit."""
    inner = residuals[..., :-2] - 2.0 * residuals[..., 1:-1] + residuals[..., 2:]
    return inner / math.sqrt(6.0)


def noise_level(
    residuals: np.ndarray,
    model: np.ndarray,
    interval_s: np.ndarray,
    usable: np.ndarray,
    rounding: float = 0.0,
) -> tuple[float, float]:
    """Gain and readout variance of one channel from the scatter about a smooth model.

    Parameters
    ----------
    residuals, model : ndarray, shape (N,)
        Readings minus model, and the model, in units of intensity.
    interval_s : ndarray, shape (N,)
    usable : ndarray of bool, shape (N,)
    rounding : float
        Variance of what is in the scatter besides.

    Returns
    -------
    kappa, rho2 : float
        Variance of a reading: (kappa * model + rho2) / interval.
    """
    from scipy.optimize import nnls

    scatter = high_pass(residuals) ** 2 * interval_s[1:-1]
    inner = usable[:-2] & usable[1:-1] & usable[2:]
    level = np.maximum(model[1:-1][inner], 0.0)
    scatter = scatter[inner]
    if level.size < 8:
        return 0.0, max(float(np.mean((residuals**2 - rounding) * interval_s)), 0.0)
    bins = np.array_split(np.argsort(level, kind="stable"), min(12, level.size // 4))
    mean_level = np.array([level[b].mean() for b in bins])
    mean_scatter = np.array([scatter[b].mean() for b in bins])
    size = np.array([b.size for b in bins])
    typical_s = float(np.median(interval_s))
    own_scatter = mean_scatter - rounding * typical_s
    solution = np.zeros(2)
    spread = mean_scatter
    for _ in range(8):
        # The spread of a scatter follows from the fitted variance, not from the scatter seen.
        weight = np.sqrt(size) / np.maximum(spread, 1e-6 * mean_scatter.max() + 1e-300)
        rows = np.column_stack([mean_level, np.ones_like(mean_level)]) * weight[:, None]
        solution, _ = nnls(rows, own_scatter * weight)
        rest = solution[1] + rounding * typical_s
        spread = _spread_of_scatter(solution[0], rest, mean_level, typical_s)
    return float(solution[0]), float(solution[1])


def _spread_of_scatter(
    kappa: float, rho2: float, level: np.ndarray, interval_s: float
) -> np.ndarray:
    """Standard deviation of a squared second difference, in units of that of normal noise.

    Variance V = kappa level + rho2, fourth cumulant kappa^3 level / interval of counted readings,
    of which second differences keep (1 + 16 + 1) / 36: a few counts scatter far more than normal
    noise of the same variance, and where none is expected, none says nothing.
    """
    variance = kappa * level + rho2
    cumulant = 0.5 * kappa**3 * level / interval_s
    return np.sqrt(variance**2 + 0.5 * cumulant)


def whiten(
    residuals: np.ndarray, loads: np.ndarray, processes: AveragedProcesses
) -> tuple[np.ndarray, float]:
    """Remove a fluctuation that is common to all channels from residuals of unit variance.

    The fluctuation enters reading (c, n) with the weight loads[c, n]. The innovations of a Kalman
    filter have unit covariance; the map is linear in the residuals.

    Parameters
    ----------
    residuals : ndarray, shape (C, N, K)
        K columns (residuals, or derivatives) at once.
    loads : ndarray, shape (C, N)
        What a fluctuation of 1 adds to each residual.
    processes : AveragedProcesses
        Of N readings.

    Returns
    -------
    white : ndarray, shape (C, N, K)
    log_determinant : float
        Of the covariance of the residuals.
    """
    p = processes
    columns = np.ascontiguousarray(residuals, dtype=float)
    return _whiten(columns, loads, p.decay, p.sight, p.shared, p.own)


@njit(cache=True, nogil=True)
def _whiten(residuals, loads, decay, sight, shared, own):
    """The filter predicts the mean u of each reading from the states before it.

    All channels see the same u, so together they are one reading of it with the variance
    1 / sum loads^2; that reading tells of the states after it through their covariance with u.
    """
    channels, readings, columns = residuals.shape
    states = decay.shape[0]
    out = residuals.copy()
    state = np.zeros((states, columns))
    spread = np.eye(states)
    with_mean = np.zeros(states)
    log_determinant = 0.0
    for n in range(readings):
        variance = own[n]
        for i in range(states):
            seen = 0.0
            for j in range(states):
                seen += spread[i, j] * sight[j, n]
            variance += sight[i, n] * seen
            with_mean[i] = decay[i, n] * seen + shared[i, n]
        norm = 0.0
        for c in range(channels):
            norm += loads[c, n] * loads[c, n]
        total = 1.0 + variance * norm
        log_determinant += math.log(total)
        shrink = (1.0 - 1.0 / math.sqrt(total)) / norm if norm > 0.0 else 0.0
        for k in range(columns):
            mean, along = 0.0, 0.0
            for i in range(states):
                mean += sight[i, n] * state[i, k]
            for c in range(channels):
                out[c, n, k] -= loads[c, n] * mean
                along += loads[c, n] * out[c, n, k]
            for c in range(channels):
                out[c, n, k] -= shrink * loads[c, n] * along
            for i in range(states):
                state[i, k] = decay[i, n] * state[i, k] + with_mean[i] / total * along
        told = norm / total
        for i in range(states):
            for j in range(states):
                spread[i, j] *= decay[i, n] * decay[j, n]
                spread[i, j] -= told * with_mean[i] * with_mean[j]
            spread[i, i] += 1.0 - decay[i, n] * decay[i, n]
    return out, log_determinant


def restricted_log_likelihood(
    columns: np.ndarray,
    priors: np.ndarray,
    loads: Sequence[np.ndarray],
    processes: AveragedProcesses,
) -> float:
    """Logarithm of the likelihood of fluctuations, with what was fitted integrated out.

    A fit takes up part of a fluctuation, so that its residuals alone would tell too small a one.

    Parameters
    ----------
    columns : ndarray, shape (C, N, P + 1)
        Derivatives of the residuals of unit variance by what was fitted, then the residuals.
    priors : ndarray, shape (M, P + 1)
        The same for residuals that do not fluctuate.
    loads : sequence of ndarray, shape (C, N)
        Independent fluctuations, as `whiten` takes them; no two in one channel.
    processes : AveragedProcesses
        How each of them goes.

    Returns
    -------
    float
        Up to a constant.

    References
    ----------
    D. A. Harville, J. Am. Stat. Assoc. 72 (1977) 320 (from memory): restricted maximum likelihood.
    """
    total = 0.0
    for each in loads:
        columns, log_determinant = whiten(columns, each, processes)
        total -= 0.5 * log_determinant
    rows = np.vstack([columns.reshape(-1, columns.shape[-1]), priors])
    size = np.maximum(np.linalg.norm(rows, axis=0), 1e-300)
    size[-1] = 1.0
    gram = (rows / size).T @ (rows / size)
    gram[np.diag_indices_from(gram)] += 1e-10  # for what neither readings nor priors fix
    diagonal = np.diag(np.linalg.cholesky(gram))
    return total - float(np.log(diagonal[:-1] * size[:-1]).sum() + 0.5 * diagonal[-1] ** 2)


def correlation_time(sequence: np.ndarray) -> float:
    """Integrated autocorrelation time of a sequence, in samples, at least 1.

    The sum runs up to the first lag whose correlation is within two standard deviations of that
    of independent values.
    """
    power = float(sequence @ sequence)
    if sequence.size < 8 or power == 0.0:
        return 1.0
    effective = power**2 / float(np.sum(sequence**4))
    total = 1.0
    for lag in range(1, sequence.size // 3):
        rho = float(sequence[:-lag] @ sequence[lag:]) / power
        if rho < 2.0 / math.sqrt(max(effective, 4.0)):
            break
        total += 2.0 * rho
    return total
