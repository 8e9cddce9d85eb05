"""One step of the altered layer: x cells' worth of atoms leave through the surface.

Species s leaves at the rate r_s c_s for the fraction c_s at the surface and r_s = w_s / S, with its
preference w_s and the mean preference S = sum_s w_s c_s of the surface. S is taken as constant over
a step and is the number for which exactly x cells' worth of atoms leave, so that the zone keeps its
number of atoms.

With S given, each species obeys a linear equation of its own, dc/dx = A c + inflow, in which all
off-diagonal elements of A are positive: material only moves between neighbouring cells and out. Its
solution is then positive whatever the preferences, and is summed from positive terms alone:

    exp(A x) = sum_k Poisson(k; a x) (1 + A/a)^k,  a >= all |A_jj|

("uniformization", A. Jensen, Skand. Aktuarietidskr. 36 (1953) 87, from memory). Nothing is split
or made explicit, so strong mixing sets no limit to the step but the number of terms.

Between cells, advection and diffusion of strength K (in cells) carry the flux
F = up c_{j+1} - down c_j. Without preferences it is the central one, up, down = K +/- 1/2. With
them the steady profile is an exponential of length K, which F carries exactly with
up = 1 / (1 - exp(-1/K)), down = up - 1. At the surface F = r c is what leaves; the same exponential
over the half cell to the centre of the first cell gives c = c_0 / (e + r (1 - e)),
e = exp(-1 / 2K). All is of second order, and all rates are positive for K >= 1/2.
"""

import math

import numpy as np
from numba import njit

_NEGLIGIBLE = 1e-15  # Poisson weight that ends the sum
_AGREES = 1e-13  # of the atoms that leave
_STRENGTH_AGREES = 1e-6
_LINEAR = 1e-3  # relative bracket of S within which what leaves is linear in S
_MOST_TRIALS = 60


@njit(cache=True, nogil=True)
def _well_mixed_leaves(zone, entering, x, preference, active, mean, leaving):
    """What leaves one cell; exact for a constant mean preference. Returns the sum."""
    total = 0.0
    for s in active:
        y = x * preference[s] / mean
        lost = -math.expm1(-y)
        leaving[s] = zone[s, 0] * lost + x * entering[s] * (1.0 - lost / y)
        total += leaving[s]
    return total


@njit(cache=True, nogil=True)
def well_mixed_step(zone, entering, x, preference, active, leaving):
    """Advance a zone of a single cell; returns the mean preference of the step."""
    low, high = np.inf, 0.0
    for s in active:
        low, high = min(low, preference[s]), max(high, preference[s])
    for _ in range(100):
        if high - low <= 1e-15 * high:
            break
        middle = 0.5 * (low + high)
        if _well_mixed_leaves(zone, entering, x, preference, active, middle, leaving) > x:
            low = middle
        else:
            high = middle
    mean = 0.5 * (low + high)
    _well_mixed_leaves(zone, entering, x, preference, active, mean, leaving)
    for s in active:
        zone[s, 0] = max(zone[s, 0] + x * entering[s] - leaving[s], 0.0)
    return mean


@njit(cache=True, nogil=True)
def poisson(mean):
    """Weights of 0, 1, ... events, as far as they matter, and the sum of those beyond each."""
    first = int(max(mean - 10.0 * math.sqrt(mean) - 20.0, 0.0))  # before it, all is negligible
    size = int(mean + 10.0 * math.sqrt(mean) + 40.0)
    weights, tails = np.zeros(size), np.ones(size)
    weight, total = 1.0, 0.0
    for k in range(first, size):
        weights[k] = weight
        total += weight
        weight *= mean / (k + 1)
        if k > mean and weight < _NEGLIGIBLE * total:
            size = k + 1
            break
    rest = 1.0
    for k in range(first, size):
        weights[k] /= total
        rest -= weights[k]
        tails[k] = max(rest, 0.0)
    return weights[:size], tails[:size]


@njit(cache=True, nogil=True)
def propagate(fractions, entering, up, down, loss, scale, weights, tails, out, work):
    """Advance one species by the sum over Poisson weights; the last element of `out` is its loss.

    `up` and `down` are the rates of exchange between neighbouring cells, `scale` is a.
    """
    cells = fractions.size
    now, then = work[0], work[1]
    for j in range(cells):
        now[j] = fractions[j]
        out[j] = weights[0] * now[j]
    up, down, enters = up / scale, down / scale, entering / scale
    stays = 1.0 - up - down
    top, bottom = 1.0 - down - loss / scale, 1.0 - up
    lost = 0.0
    for k in range(1, weights.size):
        lost += tails[k - 1] * now[0]
        then[0] = top * now[0] + up * now[1]
        for j in range(1, cells - 1):
            then[j] = stays * now[j] + up * now[j + 1] + down * now[j - 1]
        then[cells - 1] = bottom * now[cells - 1] + down * now[cells - 2] + enters
        now, then = then, now
        for j in range(cells):
            out[j] += weights[k] * now[j]
    out[cells] = lost * loss / scale


@njit(cache=True, nogil=True)
def loss_rate(relative, strength):
    """Loss rate of the first cell, for the relative preference r of a species."""
    damped = math.exp(-0.5 / strength)
    return relative / (damped + relative * (1.0 - damped))


@njit(cache=True, nogil=True)
def exchange_rates(strength, preferential):
    """Rates at which a cell gains from below and from above."""
    if preferential:
        up = -1.0 / math.expm1(-1.0 / strength)
        return up, up - 1.0
    return strength + 0.5, strength - 0.5


@njit(cache=True, nogil=True)
def _try(zone, entering, x, strength, preference, preferential, active, mean, out, work):
    """Advance all species for a given strength and mean preference; returns what leaves in all."""
    up, down = exchange_rates(strength, preferential)
    largest = 0.0
    for s in active:
        largest = max(largest, loss_rate(preference[s] / mean, strength))
    scale = max(up + down, down + largest)
    weights, tails = poisson(scale * x)
    total = 0.0
    for s in active:
        loss = loss_rate(preference[s] / mean, strength)
        propagate(zone[s], entering[s], up, down, loss, scale, weights, tails, out[s], work)
        total += out[s, -1]
    return total


@njit(cache=True, nogil=True)
def _combine(first, second, share, active):
    """share * first + (1 - share) * second, into the first."""
    for s in active:
        for j in range(first.shape[1]):
            first[s, j] = share * first[s, j] + (1.0 - share) * second[s, j]


@njit(cache=True, nogil=True)
def mean_dose(tried, total, dose_per_atom, active):
    dose = 0.0
    for s in active:
        dose += tried[s, -1] * dose_per_atom[s]
    return dose / total


@njit(cache=True, nogil=True)
def mean_mixing(zone, entering, left, x, relative, active):
    """Mean relative mixing of the atoms in the zone in the middle of a step; 1 for none given."""
    if relative.size == 0:
        return 1.0
    mixing, total = 0.0, 0.0
    for s in active:
        held = 0.5 * (x * entering[s] - left[s])
        for j in range(zone.shape[1]):
            held += zone[s, j]
        mixing += relative[s] * held
        total += held
    return mixing / total


@njit(cache=True, nogil=True)
def bounds(preference, active):
    low, high = np.inf, 0.0
    for s in active:
        low, high = min(low, preference[s]), max(high, preference[s])
    return low, high


@njit(cache=True, nogil=True)
def _level(zone, active):
    """Let every cell hold one cell of atoms again, as the zone does.

    With S constant over a step, cells near the surface end it slightly too full or too empty. What
    is too much moves to the next cell, what is missing comes from there.
    """
    for j in range(zone.shape[1] - 1):
        held, below = 0.0, 0.0
        for s in active:
            held += zone[s, j]
            below += zone[s, j + 1]
        share = (held - 1.0) / held if held > 1.0 else (held - 1.0) / below
        for s in active:
            moved = share * (zone[s, j] if held > 1.0 else zone[s, j + 1])
            zone[s, j] -= moved
            zone[s, j + 1] += moved


@njit(cache=True, nogil=True)
def diffusive_step(
    zone,
    entering,
    x,
    per_dose,
    preference,
    dose_per_atom,
    relative,
    active,
    mean,
    dose,
    leaving,
    trials,
    work,
    steps,
):
    """Advance a zone of several cells.

    The mixing strength is `per_dose` times the mean dose of the atoms that leave, times the mean of
    `relative` over the atoms in the zone (empty: 1 for all). `mean`, `dose` and `leaving` are those
    of the step before, to start from; those of this step are returned. `steps`, shape (S + 4,),
    takes what the step went through: the first strength and mean, what was first tried to leave,
    the last strength, and 1 where that is another.
    """
    tried, other = trials[0], trials[1]
    low, high = bounds(preference, active)
    preferential = high > low
    mean = min(max(mean, low), high)
    mixing = mean_mixing(zone, entering, leaving, x, relative, active)
    strength = max(per_dose * mixing * dose, 0.5)
    total = _try(zone, entering, x, strength, preference, preferential, active, mean, tried, work)
    dose = mean_dose(tried, total, dose_per_atom, active)
    mixing = mean_mixing(zone, entering, tried[:, -1], x, relative, active)
    steps[0], steps[1], steps[-1] = strength, mean, 0.0
    for s in active:
        steps[2 + s] = tried[s, -1]
    if abs(max(per_dose * mixing * dose, 0.5) - strength) > _STRENGTH_AGREES * strength:
        strength, steps[-1] = max(per_dose * mixing * dose, 0.5), 1.0
        total = _try(
            zone, entering, x, strength, preference, preferential, active, mean, tried, work
        )
    steps[-2] = strength
    slope = -1.0  # d ln total / d ln mean
    for _ in range(_MOST_TRIALS):
        if abs(total - x) <= _AGREES * x:
            break
        if total > x:
            low = mean
        else:
            high = mean
        guess = mean * (1.0 - (total / x - 1.0) / slope)
        if not low < guess < high:
            guess = math.sqrt(low * high)
        again = _try(
            zone, entering, x, strength, preference, preferential, active, guess, other, work
        )
        if again == total:
            break
        if abs(guess - mean) <= _LINEAR * mean:
            # What leaves is linear in between: combined, exactly x cells' worth of atoms leave.
            share = (x - again) / (total - again)
            _combine(tried, other, share, active)
            mean = share * mean + (1.0 - share) * guess
            break
        slope = (again / total - 1.0) / (guess / mean - 1.0)
        tried, other = other, tried
        total, mean = again, guess
    for s in active:
        leaving[s] = max(tried[s, -1], 0.0)
        for j in range(zone.shape[1]):
            zone[s, j] = max(tried[s, j], 0.0)
    if preferential:
        _level(zone, active)
    return mean, mean_dose(tried, x, dose_per_atom, active)
