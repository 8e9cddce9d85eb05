"""How sums over slices change when slices change what they hold, and move on the dose axis.

A sum over slices is sum_k c[k] E[k], where the share E[k] depends on middle, size and inverse
spread of the slice. In the direction p it changes by

    sum_k (E[k] dc[k] + c[k] (E_middle dmiddle + E_size dsize + E_inverse dinverse)),

for many doses, directions and quantities a few products of matrices. Most of their terms vanish:
few directions change anything about a slice but its place, and in most they move it as far as its
neighbours. So slices are taken in groups; for each of them only the directions in which they
change are multiplied, and how far all of them move is told from how far they move apart.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

_GROUP = 32  # slices
_ROUNDING = 1e-13  # of the largest change in a direction


@dataclass(frozen=True)
class SliceMoves:
    """What K slices hold, and changes of that and of the slices in P directions.

    Attributes
    ----------
    held : ndarray, shape (K, Q)
        Q quantities.
    of_held : ndarray, shape (K, P, Q)
    of_faces : ndarray, shape (3, K, P)
        Of middle, size and inverse spread, see `normal_shares.as_normal`.
    changing : ndarray of bool, shape (4, G, P)
        The directions in which a group of slices changes: what they hold, how far they move apart,
        their size, their spread.
    """

    held: np.ndarray
    of_held: np.ndarray
    of_faces: np.ndarray
    changing: np.ndarray

    @classmethod
    def of(cls, held: np.ndarray, of_held: np.ndarray, of_faces: np.ndarray) -> "SliceMoves":
        """Find the directions in which groups of slices change."""
        held, of_held = np.ascontiguousarray(held), np.ascontiguousarray(of_held)
        return cls(held, of_held, of_faces, _changing(of_held, np.ascontiguousarray(of_faces)))

    def lost(self, start: int, stop: int) -> np.ndarray:
        """Changes of what some neighbouring slices hold together, shape (P, Q)."""
        return self.of_held[start:stop].sum(axis=0)

    def add(self, shares: np.ndarray, first: int, out: np.ndarray) -> None:
        """Add the changes of the sums over some neighbouring slices.

        Parameters
        ----------
        shares : ndarray, shape (4, N, W)
            Shares of W slices at N doses, and their slopes by middle, size and inverse spread.
        first : int
            The first of the slices.
        out : ndarray, shape (N, P, Q)
        """
        _add(shares, first, self.held, self.of_held, self.of_faces, self.changing, out)


@njit(cache=True, nogil=True)
def _changing(of_held, of_faces):
    """See `SliceMoves`; what is mere rounding in its direction is no change."""
    slices, directions, width = of_held.shape
    found = np.zeros((4, (slices + _GROUP - 1) // _GROUP, directions), dtype=np.bool_)
    for p in range(directions):
        least = np.zeros(4)
        for k in range(slices):
            for q in range(width):
                least[0] = max(least[0], abs(of_held[k, p, q]))
            for i in range(3):
                least[i + 1] = max(least[i + 1], abs(of_faces[i, k, p]))
        least *= _ROUNDING
        for k in range(slices):
            group = k // _GROUP
            for q in range(width):
                found[0, group, p] |= abs(of_held[k, p, q]) > least[0]
            apart = of_faces[0, k, p] - of_faces[0, group * _GROUP, p]
            found[1, group, p] |= abs(apart) > least[1]
            for i in range(1, 3):
                found[i + 1, group, p] |= abs(of_faces[i, k, p]) > least[i + 1]
    return found


@njit(cache=True, nogil=True)
def _add(shares, first, held, of_held, of_faces, changing, out):
    """See `SliceMoves.add`."""
    doses, width, directions = shares.shape[1], held.shape[1], out.shape[1]
    last = first + shares.shape[2]
    some = np.empty(doses * _GROUP)
    changes = np.empty(_GROUP * (directions + 1) * width)
    which = np.empty(directions, dtype=np.int64)
    for group in range(first // _GROUP, (last + _GROUP - 1) // _GROUP):
        begin, end = max(group * _GROUP, first), min((group + 1) * _GROUP, last)
        count = end - begin
        share = some[: doses * count].reshape(doses, count)
        together = of_faces[0, group * _GROUP]
        for i in range(4):
            found = 0
            for p in range(directions):
                if changing[i, group, p]:
                    which[found] = p
                    found += 1
            # What all slices would gain by moving together stands behind the directions.
            columns = found + 1 if i == 1 and np.any(together != 0.0) else found
            if columns == 0:
                continue
            for n in range(doses):
                for k in range(count):
                    share[n, k] = shares[i, n, begin - first + k]
            change = changes[: count * columns * width].reshape(count, columns * width)
            for k in range(count):
                for a in range(found):
                    p = which[a]
                    if i == 0:
                        for q in range(width):
                            change[k, a * width + q] = of_held[begin + k, p, q]
                    else:
                        moved = of_faces[i - 1, begin + k, p]
                        if i == 1:
                            moved -= together[p]
                        for q in range(width):
                            change[k, a * width + q] = moved * held[begin + k, q]
                if columns > found:
                    for q in range(width):
                        change[k, found * width + q] = held[begin + k, q]
            sums = np.dot(share, change)
            for n in range(doses):
                for a in range(found):
                    for q in range(width):
                        out[n, which[a], q] += sums[n, a * width + q]
                if columns > found:
                    for p in range(directions):
                        if together[p] != 0.0:
                            for q in range(width):
                                out[n, p, q] += together[p] * sums[n, found * width + q]
