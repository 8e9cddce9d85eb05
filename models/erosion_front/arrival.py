"""The exposure matrix: the share of every slice that has left after a supply of dose.

A point of the crater with relative rate g and dose offset delta has passed the dose d after the
supply of dose D when g D + delta >= d (`floor`). E[k](D) is the mean of that share over slice k's
dose interval and over the area, a closed form (`normal_shares`).

No column reaches a slice before the one above it: E[k] is also limited by E[k-1]. (With normal
offsets whose spread grows quickly, their tails alone would allow it.)

The surface. A rough surface is continued upwards by its mirror image: what the columns that are
ahead have already lost at D = 0 stands above the mean surface on those that have not yet arrived.
The share is counted from D = 0. Then the dose that all columns use is balanced with the dose that
is supplied (`dose_balance`), so that a uniform sample gives a constant signal from the first sample
on: E is evaluated at D*, where

    sum_k dose_k (E[k](D*) - E[k](0)) = D.
"""

from dataclasses import dataclass, replace

import numpy as np
from numba import njit

from craterfront.models.erosion_front.dose_balance import balanced, interpolated
from craterfront.models.erosion_front.floor import Floor
from craterfront.models.erosion_front.normal_shares import (
    REACH,
    as_normal,
    mean_share,
    mean_share_of_time,
    mean_shares,
)

_SUDDEN = 1.5
_ROUNDING = 1e-9  # of a variance
SHARPEST = 1e-13  # of the whole dose: a spread of 0
_THINNEST = 1e-13  # of the relief: a slice above the surface
_LEAST_GAIN = 1e-6  # of what is lost: less is all rounding, which a weight would magnify
_MOST_MOVES = 8
_MOVED = 1e-3
EVEN = 0.01  # relative half-width of a piece that counts as one rate within an interval


@njit(cache=True, nogil=True)
def bands(edges, sigma):
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
def sudden_growth(edges, sigma, sigma_above):
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
def add_products(share, columns, out):
    """Add sum_k share[k] columns[k] to `out`, four slices at a time."""
    whole = share.size - share.size % 4
    for k in range(0, whole, 4):
        s0, s1, s2, s3 = share[k], share[k + 1], share[k + 2], share[k + 3]
        for q in range(out.size):
            above = s0 * columns[k, q] + s1 * columns[k + 1, q]
            out[q] += above + (s2 * columns[k + 2, q] + s3 * columns[k + 3, q])
    for k in range(whole, share.size):
        for q in range(out.size):
            out[q] += share[k] * columns[k, q]


@njit(cache=True, nogil=True)
def _accumulate(pieces, edges, sigma, sigma_above, columns):
    """sum_k columns[k] E[k] for every state of the pieces of the area, see `Floor.pieces`."""
    slices, width = columns.shape
    out = np.zeros((pieces.shape[0], width))
    earliest, latest = bands(edges, sigma)
    sudden = sudden_growth(edges, sigma, sigma_above)
    middle, size, inverse = np.empty(slices), np.empty(slices), np.empty(slices)
    for k in range(slices):
        middle[k], size[k], inverse[k] = as_normal(edges[k], edges[k + 1], sigma[k])
    full = pieces[0, :, 2].sum() if pieces.shape[0] else 0.0
    settled = np.zeros(width)  # sum of the columns that have left everywhere
    share = np.empty(slices)
    start, stop = 0, 0
    for n in range(pieces.shape[0]):
        at = pieces[n]
        lowest, highest = at[:, 0].min(), at[:, 1].max()
        while start < slices and lowest >= latest[start]:
            for q in range(width):
                settled[q] += columns[start, q]
            start += 1
        stop = max(stop, start)
        while stop < slices and earliest[stop] < highest:
            stop += 1
        here = share[: stop - start]
        mean_shares(at, middle[start:stop], size[start:stop], inverse[start:stop], here)
        limit = full
        for k in range(start, stop):
            if sudden[k]:
                upper = mean_share(at, edges[k], 0.0, 1.0 / sigma_above[k])
                limit = min(limit, upper)
            limit = min(limit, here[k - start])
            here[k - start] = limit
        for q in range(width):
            out[n, q] = full * settled[q]
        add_products(here, columns[start:stop], out[n])
    return out


@njit(cache=True, nogil=True)
def _seen_in_time(start, end, edges, sigma_above, sigma, jumps, rises):
    """Mean over area and time, in each interval, of what jumps at upper edges and rises between.

    A column has passed an edge, or a depth within a slice, or it has not. `start` and `end` are the
    states of the pieces of the area at the ends of the intervals.
    """
    slices, width = jumps.shape
    out = np.zeros((start.shape[0], width))
    earliest, latest = bands(edges, np.maximum(sigma, sigma_above))
    jumping, rising = np.zeros(slices, dtype=np.bool_), np.zeros(slices, dtype=np.bool_)
    for k in range(slices):
        jumping[k], rising[k] = np.any(jumps[k] != 0.0), np.any(rises[k] != 0.0)
    jumping |= sudden_growth(edges, sigma, sigma_above)
    settled = np.zeros(width)
    first = 0
    for n in range(start.shape[0]):
        first_at, last_at = start[n], end[n]
        lowest, highest = first_at[:, 0].min(), last_at[:, 1].max()
        while first < slices and lowest >= latest[first]:
            for q in range(width):
                settled[q] += jumps[first, q] + rises[first, q]
            first += 1
        for q in range(width):
            out[n, q] = settled[q]
        limit = 1.0
        for k in range(first, slices):
            if earliest[k] > highest:
                break
            upper, lower = edges[k], edges[k + 1]
            if jumping[k]:
                share = mean_share_of_time(first_at, last_at, upper, 0.0, 1.0 / sigma_above[k])
                limit = min(limit, share)
                for q in range(width):
                    out[n, q] += limit * jumps[k, q]
            if rising[k]:
                normal = as_normal(upper, lower, sigma[k])
                share = mean_share_of_time(first_at, last_at, *normal)
                limit = min(limit, share)
                for q in range(width):
                    out[n, q] += limit * rises[k, q]
    return out


@njit(cache=True, nogil=True)
def _matrix(pieces, edges, sigma, sigma_above):
    slices = sigma.size
    sudden = sudden_growth(edges, sigma, sigma_above)
    out = np.empty((slices, pieces.shape[0]))
    for n in range(pieces.shape[0]):
        at = pieces[n]
        limit = np.inf
        for k in range(slices):
            if sudden[k]:
                upper = mean_share(at, edges[k], 0.0, 1.0 / sigma_above[k])
                limit = min(limit, upper)
            normal = as_normal(edges[k], edges[k + 1], sigma[k])
            limit = min(limit, mean_share(at, *normal))
            out[k, n] = limit
    return out


def can_gain(lost: np.ndarray, gained: np.ndarray) -> np.ndarray:
    """Whether enough of each mirror slice stands to gain what the slice itself has lost."""
    return (gained > 0.0) & (gained >= _LEAST_GAIN * lost)


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
        1, or for a mirror slice what makes its gain the loss of the slice itself at D = 0; without
        such a gain the slice itself weighs more.
    first : int
        Index of the first slice that is not a mirror image.
    floor : Floor
        The crater.
    balanced : bool
        Whether the spread varies with depth, so that D* differs from D.
    """

    edges: np.ndarray
    sigma: np.ndarray
    sigma_above: np.ndarray
    source: np.ndarray
    weight: np.ndarray
    first: int
    floor: Floor
    balanced: bool

    @classmethod
    def of(
        cls,
        slice_dose: np.ndarray,
        spread: np.ndarray,
        floor: Floor,
        even_spread: np.ndarray | None = None,
    ) -> "Arrival":
        """Place slices on the dose axis.

        Parameters
        ----------
        slice_dose : ndarray, shape (K,)
            Dose used by each slice, > 0.
        spread : ndarray, shape (K + 1,)
            Of the arrival dose at the faces of the slices, >= 0, see `roughening.dose_spread`.
        floor : Floor
            The crater.
        even_spread : ndarray, shape (K + 1,), optional
            More spread at the faces of the slices, by which no column uses more dose than others.
        """
        uneven = np.ptp(spread) > 0.0 or floor.has_offsets
        if even_spread is not None:
            spread = np.hypot(spread, even_spread)
        edges = np.append(0.0, np.cumsum(slice_dose))
        spread = np.maximum(spread, SHARPEST * edges[-1])
        sigma = np.sqrt(0.5 * (spread[1:] ** 2 + spread[:-1] ** 2))
        ahead = np.flatnonzero(edges[:-1] < REACH * sigma + floor.furthest_offset)
        mirrored = int(ahead[-1]) + 1 if ahead.size else 0
        order = np.append(np.arange(mirrored)[::-1], np.arange(slice_dose.size))
        above = spread[np.append(np.arange(mirrored, 0, -1), np.arange(slice_dose.size))]
        plain = cls(
            np.append(-edges[mirrored:0:-1], edges),
            np.ascontiguousarray(sigma[order]),
            np.ascontiguousarray(above),
            order,
            np.ones(order.size),
            mirrored,
            floor,
            bool(uneven),
        )
        if not mirrored:
            return plain
        return (plain._moved() if floor.has_offsets else plain)._weighted()

    def _lost_and_gained(self) -> tuple[np.ndarray, np.ndarray]:
        """Share of the slices that is gone at D = 0, and of their mirror images that stands."""
        head = slice(0, 2 * self.first)
        share = _matrix(
            self.floor.pieces(np.zeros(1), self.floor.area),
            self.edges[: 2 * self.first + 1],
            self.sigma[head],
            self.sigma_above[head],
        )[:, 0]
        return share[self.first :], self.floor.area.sum() - share[self.first - 1 :: -1]

    def _moved(self) -> "Arrival":
        """Mirror images moved to where as much stands above the surface as is lost below it.

        How much stands within a slice is taken as even, and found again with thinner slices.
        """
        moved = self
        for _ in range(_MOST_MOVES):
            lost, gained = moved._lost_and_gained()
            depth = self.edges[self.first : 2 * self.first + 1]
            height = -moved.edges[self.first :: -1]
            lost_up_to = np.append(0.0, np.cumsum(lost * np.diff(depth)))
            gained_up_to = np.append(0.0, np.cumsum(gained * np.diff(height)))
            if np.allclose(lost_up_to, gained_up_to, _MOVED):
                break
            rising = np.append(True, np.diff(gained_up_to) > 0)
            gained_up_to *= lost_up_to[-1] / gained_up_to[-1]
            height = np.interp(lost_up_to, gained_up_to[rising], height[rising])
            step = np.maximum(np.diff(height), _THINNEST * depth[-1])
            edges = np.append(-np.cumsum(step)[::-1], self.edges[self.first :])
            moved = replace(self, edges=edges)
        return moved

    def _weighted(self) -> "Arrival":
        """Mirror images that gain what the slices themselves have lost."""
        lost, gained = self._lost_and_gained()
        weight, stands = self.weight.copy(), can_gain(lost, gained)
        weight[: self.first] = np.divide(lost, gained, out=np.ones(self.first), where=stands)[::-1]
        # Where next to nothing stands, the columns that have it hold what the others lack.
        weight[self.first : 2 * self.first][~stands] = 1.0 / (1.0 - lost[~stands])
        return replace(self, weight=weight)

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
        area = self.floor.area
        before = self._sum(np.zeros(1), used, area)[0, 0]

        def excess(dose: np.ndarray) -> np.ndarray:
            return self._sum(dose, used, area)[:, 0] - before

        solved = balanced(excess, supplied)
        if nodes is None:
            return solved
        return np.maximum.accumulate(doses + interpolated(doses, supplied, solved - supplied))

    def collected(
        self, columns: np.ndarray, doses: np.ndarray, share: np.ndarray | None = None
    ) -> np.ndarray:
        """What has been collected up to each dose, counted from D = 0.

        Parameters
        ----------
        columns : ndarray, shape (K, Q)
            Q quantities that the slices of the sample hold.
        doses : ndarray, shape (N,)
            Dose (D*), non-decreasing.
        share : ndarray, shape (P,), optional
            What each piece of the area counts. Default: what the signal counts it.

        Returns
        -------
        ndarray, shape (N, Q)
        """
        share = self.floor.seen if share is None else share
        held = columns[self.source] * self.weight[:, None]
        return self._sum(doses, held, share) - self._sum(np.zeros(1), held, share)

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
        jumps, rises = self.jumps_and_rises(top, bottom)
        even = self.floor.even(EVEN)
        return _seen_in_time(
            even.pieces(start, even.seen),
            even.pieces(end, even.seen),
            self.edges,
            self.sigma_above,
            self.sigma,
            jumps,
            rises,
        )

    def jumps_and_rises(self, top: np.ndarray, bottom: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """How what is seen jumps at the upper edge of each slice, and rises within, (..., K', Q).

        Parameters
        ----------
        top, bottom : ndarray, shape (..., K, Q)
            What is seen with the top of each slice of the sample at the surface, and its bottom.
        """
        mirrored = (np.arange(self.source.size) < self.first)[:, None]
        of_top, of_bottom = top[..., self.source, :], bottom[..., self.source, :]
        upper = np.where(mirrored, of_bottom, of_top)
        lower = np.where(mirrored, of_top, of_bottom)
        before = np.concatenate([np.zeros_like(lower[..., :1, :]), lower[..., :-1, :]], axis=-2)
        return upper - before, lower - upper

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
        pieces = self.floor.pieces(doses, self.floor.seen)
        return _matrix(pieces, self.edges, self.sigma, self.sigma_above)

    def _sum(self, doses: np.ndarray, held: np.ndarray, share: np.ndarray) -> np.ndarray:
        pieces = self.floor.pieces(doses, share)
        held = np.ascontiguousarray(held, dtype=float)
        return _accumulate(pieces, self.edges, self.sigma, self.sigma_above, held)
