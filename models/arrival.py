"""The exposure matrix: the share of every slice that has left after a supply of dose.

A point of the crater with relative rate g and dose offset delta has passed the dose d after the
supply of dose D when g D + delta >= d. E[k](D) is the mean of that share over slice k's dose
interval and over the area, a closed form (`normal_shares`).

No column reaches a slice before the one above it: E[k] is also limited by E[k-1]. (With normal
offsets whose spread grows quickly, their tails alone would allow it.)

The surface. A rough surface is continued upwards by its mirror image: columns that have not yet
arrived at D = 0 lack as much as those that are ahead have already lost. The share is counted from
D = 0. Then the dose that all columns use is balanced with the dose that is supplied, so that a
uniform sample gives a constant signal from the first sample on: E is evaluated at D*, where
(`dose_balance`)

    sum_k dose_k (E[k](D*) - E[k](0)) = D.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from craterfront.models.dose_balance import balanced, interpolated
from craterfront.models.normal_shares import REACH, as_normal, mean_share, mean_share_of_time

_SUDDEN = 1.5
_ROUNDING = 1e-9  # of a variance
_SHARPEST = 1e-13  # of the whole dose: a spread of 0
_EVEN = 0.01  # relative half-width of a segment that counts as one rate within an interval


@njit(cache=True, nogil=True)
def _bands(edges, sigma):
    """Dose below which no column has reached slice k or any later one, and its counterpart."""
    slices = sigma.size
    earliest = np.empty(slices)  # of this and all later slices
    latest = np.empty(slices)  # of this and all earlier slices
    running = np.inf
    for k in range(slices - 1, -1, -1):
        running = min(running, edges[k] - REACH * sigma[k])
        earliest[k] = running
    running = -np.inf
    for k in range(slices):
        running = max(running, edges[k + 1] + REACH * sigma[k])
        latest[k] = running
    return earliest, latest


@njit(cache=True, nogil=True)
def _sudden(edges, sigma, sigma_above):
    """Whether the spread begins to grow much faster at the upper edge of each slice.

    The mean over the slice above does not tell then what has reached that edge.
    """
    sudden = np.zeros(sigma.size, dtype=np.bool_)
    before = np.inf
    for k in range(sigma.size):
        gained = sigma[k] ** 2 - sigma_above[k] ** 2
        growth = 2.0 * gained / (edges[k + 1] - edges[k])
        sudden[k] = growth > _SUDDEN * before and gained > _ROUNDING * sigma[k] ** 2
        before = max(growth, 0.0)
    return sudden


@njit(cache=True, nogil=True)
def _accumulate(doses, edges, sigma, sigma_above, segments, columns):
    """sum_k columns[k] E[k](D) for every dose."""
    slices, width = columns.shape
    out = np.zeros((doses.size, width))
    earliest, latest = _bands(edges, sigma)
    sudden = _sudden(edges, sigma, sigma_above)
    middle, size, inverse = np.empty(slices), np.empty(slices), np.empty(slices)
    for k in range(slices):
        middle[k], size[k], inverse[k] = as_normal(edges[k], edges[k + 1], sigma[k])
    g_low, g_high, full = np.inf, 0.0, 0.0
    for p in range(segments.shape[0]):
        g_low = min(g_low, segments[p, 0])
        g_high = max(g_high, segments[p, 1])
        full += segments[p, 2]
    settled = np.zeros(width)  # sum of the columns that have left everywhere
    start, stop = 0, 0
    for n in range(doses.size):
        dose = doses[n]
        while start < slices and g_low * dose >= latest[start]:
            for q in range(width):
                settled[q] += columns[start, q]
            start += 1
        stop = max(stop, start)
        while stop < slices and earliest[stop] < g_high * dose:
            stop += 1
        for q in range(width):
            out[n, q] = full * settled[q]
        limit = full
        for k in range(start, stop):
            if sudden[k]:
                limit = min(limit, mean_share(segments, dose, edges[k], 0.0, 1.0 / sigma_above[k]))
            limit = min(limit, mean_share(segments, dose, middle[k], size[k], inverse[k]))
            if limit <= 0.0:
                break
            for q in range(width):
                out[n, q] += limit * columns[k, q]
    return out


def _divided(segments: np.ndarray) -> np.ndarray:
    """The same crater in segments so narrow that all of each moves equally far in an interval."""
    low, high, weight = segments.T
    count = np.maximum(np.ceil((high - low) / (_EVEN * (high + low))), 1).astype(np.int64)
    step = np.repeat((high - low) / count, count)
    part = np.concatenate([np.arange(n) for n in count])
    start = np.repeat(low, count) + part * step
    return np.ascontiguousarray(
        np.column_stack([start, start + step, np.repeat(weight / count, count)])
    )


@njit(cache=True, nogil=True)
def _seen_in_time(start, end, edges, sigma_above, sigma, segments, jumps, rises):
    """Mean over area and time, in each interval, of what jumps at upper edges and rises between.

    A column has passed an edge, or a depth within a slice, or it has not.
    """
    slices, width = jumps.shape
    out = np.zeros((start.size, width))
    g_low, g_high = np.inf, 0.0
    for p in range(segments.shape[0]):
        g_low = min(g_low, segments[p, 0])
        g_high = max(g_high, segments[p, 1])
    earliest, latest = _bands(edges, np.maximum(sigma, sigma_above))
    jumping, rising = np.zeros(slices, dtype=np.bool_), np.zeros(slices, dtype=np.bool_)
    for k in range(slices):
        jumping[k], rising[k] = np.any(jumps[k] != 0.0), np.any(rises[k] != 0.0)
    jumping |= _sudden(edges, sigma, sigma_above)
    settled = np.zeros(width)
    first = 0
    for n in range(start.size):
        while first < slices and g_low * start[n] >= latest[first]:
            for q in range(width):
                settled[q] += jumps[first, q] + rises[first, q]
            first += 1
        for q in range(width):
            out[n, q] = settled[q]
        limit = 1.0
        for k in range(first, slices):
            if earliest[k] > g_high * end[n]:
                break
            upper, lower = edges[k], edges[k + 1]
            if jumping[k]:
                share = mean_share_of_time(
                    segments, start[n], end[n], upper, 0.0, 1.0 / sigma_above[k]
                )
                limit = min(limit, share)
                for q in range(width):
                    out[n, q] += limit * jumps[k, q]
            if rising[k]:
                normal = as_normal(upper, lower, sigma[k])
                share = mean_share_of_time(segments, start[n], end[n], *normal)
                limit = min(limit, share)
                for q in range(width):
                    out[n, q] += limit * rises[k, q]
    return out


@njit(cache=True, nogil=True)
def _matrix(doses, edges, sigma, sigma_above, segments):
    slices = sigma.size
    sudden = _sudden(edges, sigma, sigma_above)
    out = np.empty((slices, doses.size))
    for n in range(doses.size):
        limit = np.inf
        for k in range(slices):
            if sudden[k]:
                upper = mean_share(segments, doses[n], edges[k], 0.0, 1.0 / sigma_above[k])
                limit = min(limit, upper)
            normal = as_normal(edges[k], edges[k + 1], sigma[k])
            limit = min(limit, mean_share(segments, doses[n], *normal))
            out[k, n] = limit
    return out


@dataclass(frozen=True)
class Arrival:
    """Slices on the dose axis, mirror image included.

    Attributes
    ----------
    edges : ndarray, shape (K' + 1,)
        Dose at the slice edges; negative for the mirror image.
    sigma, sigma_above : ndarray, shape (K',)
        Spread of the arrival dose over each slice, and at its upper face.
    source : ndarray of int, shape (K',)
        The slice of the sample that each one is, or mirrors.
    weight : ndarray, shape (K',)
        1, or for a mirror slice what makes its gain the loss of the slice itself at D = 0.
    first : int
        Index of the first slice that is not a mirror image.
    segments : ndarray, shape (P, 3)
        Crater, see `crater`.
    balanced : bool
        Whether the spread varies with depth, so that D* differs from D.
    """

    edges: np.ndarray
    sigma: np.ndarray
    sigma_above: np.ndarray
    source: np.ndarray
    weight: np.ndarray
    first: int
    segments: np.ndarray
    balanced: bool

    @classmethod
    def of(cls, slice_dose: np.ndarray, spread: np.ndarray, segments: np.ndarray) -> "Arrival":
        """Place slices on the dose axis.

        Parameters
        ----------
        slice_dose : ndarray, shape (K,)
            Dose used by each slice, > 0.
        spread : ndarray, shape (K + 1,)
            Of the arrival dose at the faces of the slices, >= 0, see `roughening.dose_spread`.
        segments : ndarray, shape (P, 3)
            Crater, see `crater`.
        """
        edges = np.append(0.0, np.cumsum(slice_dose))
        spread = np.maximum(spread, _SHARPEST * edges[-1])
        sigma = np.sqrt(0.5 * (spread[1:] ** 2 + spread[:-1] ** 2))
        ahead = np.flatnonzero(edges[:-1] < REACH * sigma)
        mirrored = int(ahead[-1]) + 1 if ahead.size else 0
        order = np.append(np.arange(mirrored)[::-1], np.arange(slice_dose.size))
        all_edges = np.append(-edges[mirrored:0:-1], edges)
        above = spread[np.append(np.arange(mirrored, 0, -1), np.arange(slice_dose.size))]
        segments = np.ascontiguousarray(segments, dtype=float)
        weight = np.ones(order.size)
        if mirrored:
            head = slice(None, 2 * mirrored)
            share = _matrix(
                np.zeros(1),
                all_edges[: 2 * mirrored + 1],
                sigma[order[head]],
                above[head],
                segments,
            )[:, 0]
            gain = segments[:, 2].sum() - share[:mirrored]
            loss = share[: mirrored - 1 : -1]
            weight[:mirrored] = np.divide(loss, gain, out=np.ones(mirrored), where=gain > 0)
        return cls(
            np.ascontiguousarray(all_edges),
            np.ascontiguousarray(sigma[order]),
            np.ascontiguousarray(above),
            order,
            weight,
            mirrored,
            segments,
            bool(np.ptp(spread) > 0.0),
        )

    def balanced_dose(
        self, slice_dose: np.ndarray, doses: np.ndarray, nodes: np.ndarray | None = None
    ) -> np.ndarray:
        """D*: the dose at which the columns together have used the dose supplied.

        Parameters
        ----------
        slice_dose : ndarray, shape (K,)
            Dose used by each slice of the sample.
        doses : ndarray, shape (N,)
            Dose supplied, increasing from >= 0.
        nodes : ndarray of int, optional
            Indices of the doses at which the balance is solved, the first and last among them, see
            `dose_balance.balance_nodes`; between them D* - D is interpolated. Default: all.

        Returns
        -------
        ndarray, shape (N,)
        """
        doses = np.asarray(doses, dtype=float)
        if not self.balanced or doses.size == 0:
            return doses
        supplied = doses if nodes is None else doses[nodes]
        used = (slice_dose[self.source] * self.weight)[:, None]
        before = self._sum(np.zeros(1), used)[0, 0]
        solved = balanced(lambda dose: self._sum(dose, used)[:, 0] - before, supplied)
        if nodes is None:
            return solved
        return np.maximum.accumulate(doses + interpolated(doses, supplied, solved - supplied))

    def collected(self, columns: np.ndarray, doses: np.ndarray) -> np.ndarray:
        """What has been collected up to each dose, counted from D = 0.

        Parameters
        ----------
        columns : ndarray, shape (K, Q)
            Q quantities that the slices of the sample hold.
        doses : ndarray, shape (N,)
            Dose (D*), non-decreasing.

        Returns
        -------
        ndarray, shape (N, Q)
        """
        held = columns[self.source] * self.weight[:, None]
        return self._sum(doses, held) - self._sum(np.zeros(1), held)

    def seen(
        self, top: np.ndarray, bottom: np.ndarray, start: np.ndarray, end: np.ndarray
    ) -> np.ndarray:
        """What is seen at the surface, averaged over the area and over each interval.

        Parameters
        ----------
        top, bottom : ndarray, shape (K, Q)
            Q quantities that are seen when the top of each slice is at the surface, and its bottom;
            between them they change evenly with the dose.
        start, end : ndarray, shape (N,)
            Dose (D*) at the ends of each interval; equal for a snapshot.

        Returns
        -------
        ndarray, shape (N, Q)
            The area counts, not the atoms that leave, and mirror slices take their share.
        """
        mirrored = (np.arange(self.source.size) < self.first)[:, None]
        upper = np.where(mirrored, bottom[self.source], top[self.source])
        lower = np.where(mirrored, top[self.source], bottom[self.source])
        return _seen_in_time(
            np.ascontiguousarray(start, dtype=float),
            np.ascontiguousarray(end, dtype=float),
            self.edges,
            self.sigma_above,
            self.sigma,
            _divided(self.segments),
            np.vstack([upper[:1], upper[1:] - lower[:-1]]),
            lower - upper,
        )

    def exposure(self, doses: np.ndarray) -> np.ndarray:
        """E of the slices of the sample themselves, shape (K, N): dense, for looking at."""
        return self._shares(doses)[self.first :]

    def left(self, doses: np.ndarray) -> np.ndarray:
        """The share of every slice of the sample that has left since D = 0: dense, for looking at.

        Parameters
        ----------
        doses : ndarray, shape (N,)
            Dose (D*), non-decreasing.

        Returns
        -------
        ndarray, shape (K, N)
            `exposure` without what was missing at D = 0, and with the gain of the mirror slices:
            what every slice holds times this is `collected`.
        """
        gained = self._shares(doses) - self._shares(np.zeros(1))
        own, mirrored = gained[self.first :], gained[: self.first]
        own[self.source[: self.first]] += self.weight[: self.first, None] * mirrored
        return own

    def _shares(self, doses: np.ndarray) -> np.ndarray:
        return _matrix(
            np.ascontiguousarray(doses, dtype=float),
            self.edges,
            self.sigma,
            self.sigma_above,
            self.segments,
        )

    def _sum(self, doses: np.ndarray, held: np.ndarray) -> np.ndarray:
        return _accumulate(
            np.ascontiguousarray(doses, dtype=float),
            self.edges,
            self.sigma,
            self.sigma_above,
            self.segments,
            np.ascontiguousarray(held, dtype=float),
        )
