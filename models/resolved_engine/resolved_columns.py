"""Columns of a resolved crater: each has an altered layer of its own and takes up what falls back.

The altered layer holds a constant number of atoms in n cells. In the ion dose that the column has
received, species s of cell j (a share c of the cell's atoms) obeys, with the cell as the unit,

    dc_j/dd = F_{j+1/2} - F_{j-1/2},   F = up c_{j+1} - down c_j   between cells,
    F = V c_below                      at the lower face,
    F = L_s - f_s                      at the surface,

where f_s falls back, L_s = G r_s c is sputtered, G = 1 / sum_s p_s d_s is what leaves per dose (p_s
its composition, d_s the dose that an atom costs), r_s = w_s / sum_t w_t c_t the preference, and
V = G - sum_s f_s enters from below, or is pushed out there where more falls back than leaves. What
is pushed out lies as a pile on the sample and comes back first. Mixing has a constant strength K
per dose: up - down = V and up + down = 2 K, or, with preferences, the flux that carries the
steady exponential exactly. The surface lies half a cell above the first cell, on that exponential.

Steps are of second order, stable for any length (the two-stage, diagonally implicit method with
gamma = 1 - 1/sqrt(2); R. Alexander, SIAM J. Numer. Anal. 14 (1977) 1006, from memory). G and the
mean preference of each stage are iterated, so dose and atoms are right to rounding.
"""

import math

import numpy as np
from numba import njit

_GAMMA = 1.0 - math.sqrt(0.5)
_AGREES = 1e-7  # relative change of G and of the mean preference that ends their iteration
_MOST_TRIALS = 60
_SETTLED = 1e-11  # change of a share per cell of atoms below which a zone counts as steady
_FED_AGREES = 1e-3  # ... and of the atoms that enter; the rest is made up for
_MEANINGLESS = 1e-14  # of a cell
_AT_ONCE = 0.02  # first step, in cells ...
_LEAST_NET = 0.25  # of what leaves that counts as eroded in the length of a step
_GROWING = 0.1  # ... and growth of the next ones with what has left


@njit(cache=True, nogil=True)
def _above(faces, above, cell, place, species):
    """Atoms of a species above a place in a cell; the last cell goes on for ever."""
    size = faces[cell + 1] - faces[cell]
    share = (above[cell + 1, species] - above[cell, species]) / size
    return above[cell, species] + share * (place - faces[cell])


@njit(cache=True, nogil=True)
def _cell_at(faces, place, cell):
    """The cell in which a place lies, at or after the given one."""
    while cell < faces.size - 2 and faces[cell + 1] <= place:
        cell += 1
    return cell


@njit(cache=True, nogil=True)
def _draw(j, amount, state, sample, out, commit):
    """The next atoms from below the zone of column j: of its pile first, then of the sample."""
    faces, above = sample
    taken, cells, piled, pile_size, pile = state
    out[:] = 0.0
    top = piled[j] - 1
    while amount > 0.0 and top >= 0:
        part = min(amount, pile_size[j, top])
        for s in range(out.size):
            out[s] += part * pile[j, top, s]
        amount -= part
        if commit:
            pile_size[j, top] -= part
            if pile_size[j, top] <= 0.0:
                piled[j] = top
        top -= 1
    if amount <= 0.0:
        return
    start = taken[j]
    first = _cell_at(faces, start, cells[j])
    last = _cell_at(faces, start + amount, first)
    for s in range(out.size):
        out[s] += _above(faces, above, last, start + amount, s) - _above(
            faces, above, first, start, s
        )
    if commit:
        taken[j] = start + amount
        cells[j] = last


@njit(cache=True, nogil=True)
def _feed(j, amount, state, sample, fed):
    """Composition of the next atoms from below the zone, which stay where they are."""
    _draw(j, amount, state, sample, fed, False)
    norm = fed.sum()
    for s in range(fed.size):
        fed[s] /= norm


@njit(cache=True, nogil=True)
def _push(j, amount, shares, state):
    """Put atoms on the pile of column j; a full pile mixes its two lowest parts."""
    _, _, piled, pile_size, pile = state
    if piled[j] == pile_size.shape[1]:
        whole = pile_size[j, 0] + pile_size[j, 1]
        for s in range(shares.size):
            first, second = pile_size[j, 0] * pile[j, 0, s], pile_size[j, 1] * pile[j, 1, s]
            pile[j, 0, s] = (first + second) / whole
        pile_size[j, 0] = whole
        for p in range(1, piled[j] - 1):
            pile_size[j, p] = pile_size[j, p + 1]
            pile[j, p] = pile[j, p + 1]
        piled[j] -= 1
    pile_size[j, piled[j]] = amount
    for s in range(shares.size):
        pile[j, piled[j], s] = shares[s]
    piled[j] += 1


@njit(cache=True, nogil=True)
def _fill(j, missing, pushed, out, lowest, cell_atoms, state, sample, drawn):
    """Fill the zone of column j to rounding, and put on its pile what was pushed out.

    `missing` and `pushed` count in cells, `lowest` is the lowest cell and `out` what was pushed out
    of it. What enters is what the sample gives up.
    """
    if missing > 0.0:
        _draw(j, missing * cell_atoms, state, sample, drawn, True)
        for s in range(lowest.size):
            lowest[s] += drawn[s] / cell_atoms
    elif pushed > 0.0:
        for s in range(lowest.size):
            extra = -missing * out[s] / pushed
            lowest[s] -= extra
            out[s] += extra
        pushed -= missing
    if pushed > 0.0:
        for s in range(out.size):
            out[s] /= pushed
        _push(j, pushed * cell_atoms, out, state)


@njit(cache=True, nogil=True)
def _exchange(strength, net, preferential):
    """Rates at which a cell gains from below and from above."""
    if not preferential:
        return strength + 0.5 * net, strength - 0.5 * net
    drift = net / strength
    up = strength if abs(drift) < 1e-9 else -net / math.expm1(-drift)
    return up, up - net


@njit(cache=True, nogil=True)
def _surface(strength, net, several):
    """Exponential from the first cell to the surface: its fall, and what a flux adds."""
    if not several:
        return 1.0, 0.0
    fall = -0.5 * net / strength
    rise = 0.5 / strength if abs(fall) < 1e-9 else -math.expm1(fall) / net
    return math.exp(fall), rise


@njit(cache=True, nogil=True)
def _secant(wrong, before, step):
    """Next step towards a fixed point from what is wrong now and was before the last step."""
    slope = (wrong - before) / step if step != 0.0 else -1.0
    return -wrong / slope if -2.0 < slope < -0.5 else wrong


@njit(cache=True, nogil=True)
def _stage(rhs, tau, gross, mean, fed, fallen, strength, preference, cost, active, out, leaving,
           links, inverses):  # fmt: skip
    """Solve out = rhs + tau * d out / d dose; returns G, the mean preference and V."""
    several = rhs.shape[1] > 1
    last = rhs.shape[1] - 1
    falling, preferential = 0.0, False
    for s in active:
        falling += fallen[s]
        preferential |= preference[s] != preference[active[0]]
    net = gross - falling
    gross_before, wrong_before, mean_before, off_before = gross, 0.0, mean, 0.0
    for _ in range(_MOST_TRIALS):
        net = gross - falling
        up, down = _exchange(strength, net, preferential)
        fall, rise = _surface(strength, net, several)
        entering, pushed = max(net, 0.0), max(-net, 0.0)
        # From the bottom up: cell j = out_j + links_j * cell j - 1.
        if several:
            inverses[last] = 1.0 / (1.0 + tau * (up + pushed))
            links[last] = tau * down * inverses[last]
            for j in range(last - 1, 0, -1):
                inverses[j] = 1.0 / (1.0 + tau * (up + down) - tau * up * links[j + 1])
                links[j] = tau * down * inverses[j]
            for s in active:
                below = (rhs[s, last] + tau * entering * fed[s]) * inverses[last]
                out[s, last] = below
                for j in range(last - 1, 0, -1):
                    below = (rhs[s, j] + tau * up * below) * inverses[j]
                    out[s, j] = below
        total, dose, wanted = 0.0, 0.0, 0.0
        for s in active:
            ready = preference[s] / mean
            loss = gross * ready / (fall + gross * ready * rise)
            right = rhs[s, 0] + tau * fallen[s] * (1.0 - loss * rise)
            if several:
                pivot = 1.0 + tau * (down + loss) - tau * up * links[1]
                right += tau * up * out[s, 1]
            else:
                pivot = 1.0 + tau * (pushed + loss)
                right += tau * entering * fed[s]
            out[s, 0] = right / pivot
            leaving[s] = loss * (out[s, 0] + fallen[s] * rise)
            total += leaving[s]
            dose += leaving[s] * cost[s]
            wanted += leaving[s] / (gross * ready) * preference[s]
        wrong, off = total / dose - gross, wanted - mean
        if not preferential:
            off = 0.0
        if abs(wrong) <= _AGREES * gross and abs(off) <= _AGREES * mean:
            break
        step_gross, step_mean = _secant(wrong, wrong_before, gross - gross_before), 0.0
        if preferential:
            step_mean = _secant(off, off_before, mean - mean_before)
        gross_before, wrong_before, mean_before, off_before = gross, wrong, mean, off
        gross, mean = gross + step_gross, mean + step_mean
    for s in active:
        for j in range(1, last + 1):
            out[s, j] += links[j] * out[s, j - 1]
    return gross, mean, net


@njit(cache=True, nogil=True)
def _list_active(zone, fed, fallen, everything):
    """Species that are in the zone, enter it or fall on it; drop what is below all meaning."""
    count = 0
    for s in range(fed.size):
        held = fed[s] + fallen[s]
        for j in range(zone.shape[1]):
            held += abs(zone[s, j])
        if held > _MEANINGLESS:
            everything[count] = s
            count += 1
        elif held > 0.0:
            zone[s] = 0.0
    return everything[:count]


@njit(cache=True, nogil=True)
def _depth(faces, depth, place):
    """Depth at which a place in atoms lies, also above the surface and in the last cell."""
    k = min(max(np.searchsorted(faces, place, side="right") - 1, 0), faces.size - 2)
    per_atom = (depth[k + 1] - depth[k]) / (faces[k + 1] - faces[k])
    return depth[k] + per_atom * (place - faces[k])


@njit(cache=True, nogil=True)
def _remember(j, phase, lost, depth_nm, path):
    """Note how far the column is; if there is no room, the last note moves on."""
    phases, notes, noted = path
    at = min(noted[j], phases.shape[1] - 1)
    phases[j, at] = phase
    for s in range(lost.size):
        notes[j, at, s] = lost[s]
    notes[j, at, lost.size] = depth_nm
    noted[j] = at + 1


@njit(cache=True, nogil=True)
def march(first, end, dose, fallen_atoms, zone, progress, state, path, sample, depth, layer,
          preference, dose_per_atom, longest):  # fmt: skip
    """March the columns from `first` to before `end` by a dose each.

    `fallen_atoms` of each species fall on every column meanwhile. `progress` holds, of every
    column, G, the mean preference, the cells that have left, whether it has settled, the phase and
    what it has lost; `state` what lies below the zone, and `path` where it has been.
    """
    zone_atoms, strength = layer
    rates, means, moved, settled, phase, lost = progress
    taken, cells, piled, pile_size, _ = state
    faces = sample[0]
    species, count = zone.shape[1], zone.shape[2]
    cell_atoms = zone_atoms / count
    cost = dose_per_atom * cell_atoms
    everything = np.zeros(species, dtype=np.int64)
    fed, fallen = np.zeros(species), np.zeros(species)
    drawn, shares = np.zeros(species), np.zeros(species)
    one, two = np.zeros((species, count)), np.zeros((species, count))
    half = np.zeros((species, count))
    early, late = np.zeros(species), np.zeros(species)
    links, inverses = np.zeros(count), np.zeros(count)
    for j in range(first, end):
        left = dose[j]
        if left <= 0.0:
            continue
        falling = 0.0
        for s in range(species):
            fallen[s] = fallen_atoms[s] / (cell_atoms * left)
            falling += fallen[s]
        if falling > 0.0:
            settled[j] = False
        while left > 0.0:
            net = rates[j] - falling
            cells_out = min(longest * count, max(_AT_ONCE, _GROWING * moved[j]))
            h = cells_out / max(net, _LEAST_NET * rates[j])
            if settled[j] and piled[j] == 0 and net > 0.0:
                room = np.inf
                if cells[j] < faces.size - 2:
                    room = (faces[cells[j] + 1] - taken[j]) / (cell_atoms * net)
                h = max(h, room)
            if h > 0.999999 * left:
                h = left
            gross, mean = rates[j], means[j]
            enters = h * max(net, 0.0)
            _feed(j, max(enters, 1e-9) * cell_atoms, state, sample, fed)
            active = _list_active(zone[j], fed, fallen, everything)
            for _ in range(_MOST_TRIALS):
                gross_1, mean_1, net_1 = _stage(
                    zone[j], _GAMMA * h, gross, mean, fed, fallen, strength, preference, cost,
                    active, one, early, links, inverses,
                )  # fmt: skip
                ahead = (1.0 - _GAMMA) / _GAMMA
                for s in active:
                    for c in range(count):
                        half[s, c] = zone[j, s, c] + ahead * (one[s, c] - zone[j, s, c])
                gross_2, mean_2, net_2 = _stage(
                    half, _GAMMA * h, gross_1, mean_1, fed, fallen, strength, preference, cost,
                    active, two, late, links, inverses,
                )  # fmt: skip
                now = h * ((1.0 - _GAMMA) * max(net_1, 0.0) + _GAMMA * max(net_2, 0.0))
                agreed = abs(now - enters) <= _FED_AGREES * max(now, enters)
                gross, mean, enters = gross_1, mean_1, now
                if agreed or now == 0.0:
                    break
                _feed(j, now * cell_atoms, state, sample, fed)
                active = _list_active(zone[j], fed, fallen, everything)
            rates[j], means[j] = gross_2, mean_2
            out_1 = h * (1.0 - _GAMMA) * max(-net_1, 0.0)
            out_2 = h * _GAMMA * max(-net_2, 0.0)
            pushed, exact, largest, cell = 0.0, enters + count, 0.0, cells[j]
            for s in active:
                for c in range(count):
                    largest = max(largest, abs(two[s, c] - zone[j, s, c]))
                    zone[j, s, c] = two[s, c]
                    exact -= two[s, c]
                gone = h * ((1.0 - _GAMMA) * early[s] + _GAMMA * late[s]) - h * fallen[s]
                lost[j, s] += gone * cell_atoms
                phase[j] += gone * cost[s]
                shares[s] = out_1 * one[s, count - 1] + out_2 * two[s, count - 1]
                pushed += shares[s]
            for s in active:
                zone[j, s, count - 1] -= enters * fed[s]
            _fill(j, exact, pushed, shares, zone[j, :, count - 1], cell_atoms, state, sample, drawn)
            shares[:] = 0.0
            moved[j] += h * gross_2
            settled[j] = largest <= _SETTLED * h * gross_2 and cells[j] == cell
            left -= h
            place = taken[j] - zone_atoms - pile_size[j, : piled[j]].sum()
            _remember(j, phase[j], lost[j], _depth(faces, depth, place), path)
