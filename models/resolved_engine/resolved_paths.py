"""Where the columns of a resolved crater have been, and means over the area between them.

Each column notes, in step after step, its phase, what it has lost of every species, and its depth.
"""

from numba import njit


@njit(cache=True, nogil=True)
def _add_annulus(ahead, behind, phase, path, weight, out):
    """Add the mean over one annulus, between the column that is ahead and the one behind.

    In between, the phase is linear in the area. What a column has lost at a phase there is what
    the column ahead had lost at it, and a correction that grows linearly towards the column behind.
    """
    phases, notes, noted = path
    newest, last = noted[ahead] - 1, noted[behind] - 1
    width = notes.shape[2]
    now, end = phase[ahead], phase[behind]
    window = now - end
    if window <= 1e-14 * now:
        for q in range(width):
            out[q] += weight * 0.5 * (notes[ahead, newest, q] + notes[behind, last, q])
        return
    at, upper = now, newest
    for i in range(newest - 1, -1, -1):
        below = phases[ahead, i]
        if below >= at:  # a column that grew for a while has been there before
            continue
        stop = max(below, end)
        part, back = (at - stop) / window, (at - stop) / (at - below)
        for q in range(width):
            high = notes[ahead, upper, q]
            low = high + back * (notes[ahead, i, q] - high)
            out[q] += weight * part * 0.5 * (high + low)
            if below <= end:
                out[q] += weight * 0.5 * (notes[behind, last, q] - low)
        if below <= end:
            return
        at, upper = below, i
    part = (at - end) / window  # the oldest note stands for what is forgotten
    for q in range(width):
        oldest = notes[ahead, upper, q]
        out[q] += weight * (part * oldest + 0.5 * (notes[behind, last, q] - oldest))


@njit(cache=True, nogil=True)
def area_mean(inner, outer, share, phase, path, out):
    """Mean over the area of all that is noted along the paths of the columns."""
    out[:] = 0.0
    for a in range(share.size):
        i, j = inner[a], outer[a]
        if phase[i] >= phase[j]:
            _add_annulus(i, j, phase, path, share[a], out)
        else:
            _add_annulus(j, i, phase, path, share[a], out)


@njit(cache=True, nogil=True)
def forget(inner, outer, phase, path):
    """Drop notes that no annulus needs any more."""
    phases, notes, noted = path
    needed = phase.copy()
    for a in range(inner.size):
        i, j = inner[a], outer[a]
        needed[i], needed[j] = min(needed[i], phase[j]), min(needed[j], phase[i])
    room = phases.shape[1] // 2
    for j in range(phase.size):
        first = 0
        while first < noted[j] - 1 and phases[j, first + 1] <= needed[j]:
            first += 1
        if 8 * first < room:
            continue
        for i in range(first, noted[j]):
            phases[j, i - first] = phases[j, i]
            notes[j, i - first] = notes[j, i]
        noted[j] -= first
