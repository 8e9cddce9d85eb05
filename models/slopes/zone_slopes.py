"""Slopes of one step of the altered layer (`zone_steps`), in P directions.

A step is linear in the zone and in what enters, so slopes of these go through the very same
operator. What is the same in all directions is found once: how the outcome depends on the mixing
strength, on the mean preference and on the size of the step. In the sum over Poisson weights,

    exp(A x) c = sum_k Poisson(k; a x) M^k c,   M = 1 + A / a,

a is a number at will, so only M moves with A: d(M^k c) = M d(M^(k-1) c) + dM M^(k-1) c. What leaves
is a linear form of the zone, which the transposed M gives for all directions at once.

Without preferences fractions sum to one and their slopes to nothing: the last species follows
from the others.
"""

import math

import numpy as np
from numba import njit

from craterfront.models.altered_layers.zone_steps import (
    exchange_rates,
    loss_rate,
    mean_mixing,
    poisson,
    propagate,
)

_NEGLIGIBLE = 1e-11  # Poisson weights that are left out for slopes


@njit(cache=True, nogil=True)
def well_mixed_slopes(
    zone, entering, x, preference, preferential, active, mean, zone_slopes, entering_slopes,
    x_slopes, leaving_slopes,
):  # fmt: skip
    """Slopes of `well_mixed_step`: of the zone as it was into those of the zone as it will be."""
    by_mean = np.zeros(preference.size)
    total = 0.0
    for s in active:
        y = x * preference[s] / mean
        kept = math.exp(-y)
        lost = -math.expm1(-y)
        by_mean[s] = y * (zone[s, 0] * kept + x * entering[s] * (lost / y - kept) / y)
        total += by_mean[s]
    for p in range(x_slopes.size):
        missing = x_slopes[p]
        for s in active:
            y = x * preference[s] / mean
            lost = -math.expm1(-y)
            change = lost * zone_slopes[p, s, 0] + by_mean[s] * x_slopes[p] / x
            change += (1.0 - lost / y) * (x * entering_slopes[p, s] + x_slopes[p] * entering[s])
            leaving_slopes[p, s] = change
            missing -= change
        for s in active:
            if preferential:
                leaving_slopes[p, s] += missing * by_mean[s] / total
            enters = x_slopes[p] * entering[s] + x * entering_slopes[p, s]
            zone_slopes[p, s, 0] += enters - leaving_slopes[p, s]


@njit(cache=True, nogil=True)
def _loss_slopes(relative, strength):
    """Of `loss_rate`, by the relative preference and by the strength."""
    damped = math.exp(-0.5 / strength)
    square = (damped + relative * (1.0 - damped)) ** 2
    by_damped = -relative * (1.0 - relative) / square
    return damped / square, by_damped * damped * 0.5 / strength**2


@njit(cache=True, nogil=True)
def _exchange_slope(strength, preferential):
    """Of both of `exchange_rates` by the strength."""
    if preferential:
        damped = math.exp(-1.0 / strength)
        return damped / (strength * (1.0 - damped)) ** 2
    return 1.0


@njit(cache=True, nogil=True)
def _lost_form(cells, up, down, loss, scale, tails, form, work):
    """The linear form of the fractions, (cells,), and of what enters, that is what leaves."""
    now, then = work[0], work[1]
    now[:], form[:] = 0.0, 0.0
    now[0] = 1.0
    up, down = up / scale, down / scale
    stays = 1.0 - up - down
    top, bottom = 1.0 - down - loss / scale, 1.0 - up
    entered, inflow = 0.0, 0.0
    for k in range(tails.size - 1):
        inflow += tails[k] * entered
        entered += now[cells - 1]
        for j in range(cells):
            form[j] += tails[k] * now[j]
        then[0] = top * now[0] + down * now[1]
        for j in range(1, cells - 1):
            then[j] = stays * now[j] + up * now[j - 1] + down * now[j + 1]
        then[cells - 1] = bottom * now[cells - 1] + up * now[cells - 2]
        now, then = then, now
    for j in range(cells):
        form[j] *= loss / scale
    return inflow * loss / scale**2


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz"})
def _dot(first, second):
    """Sum of products, in whatever order is fastest."""
    total = 0.0
    for j in range(first.size):
        total += first[j] * second[j]
    return total


@njit(cache=True, nogil=True)
def _by_rates(
    fractions, entering, up, down, loss, exchange_slope, loss_slope, scale, weights, tails,
    value, out, work,
):  # fmt: skip
    """`propagate`, and its derivative for slopes of the rates: exchange (both alike), loss."""
    cells = fractions.size
    now, then, slope, next_slope = work[0], work[1], work[2], work[3]
    for j in range(cells):
        now[j], slope[j], out[j] = fractions[j], 0.0, 0.0
        value[j] = weights[0] * now[j]
    up, down, enters = up / scale, down / scale, entering / scale
    stays = 1.0 - up - down
    top, bottom = 1.0 - down - loss / scale, 1.0 - up
    more, more_loss = exchange_slope / scale, loss_slope / scale
    lost, lost_slope = 0.0, 0.0
    last = cells - 1
    for k in range(1, weights.size):
        lost += tails[k - 1] * now[0]
        lost_slope += tails[k - 1] * slope[0]
        then[0] = top * now[0] + up * now[1]
        next_slope[0] = top * slope[0] + up * slope[1]
        next_slope[0] += more * (now[1] - now[0]) - more_loss * now[0]
        for j in range(1, last):
            then[j] = stays * now[j] + up * now[j + 1] + down * now[j - 1]
            next_slope[j] = stays * slope[j] + up * slope[j + 1] + down * slope[j - 1]
            next_slope[j] += more * (now[j + 1] - 2.0 * now[j] + now[j - 1])
        then[last] = bottom * now[last] + down * now[last - 1] + enters
        next_slope[last] = bottom * slope[last] + down * slope[last - 1]
        next_slope[last] += more * (now[last - 1] - now[last])
        now, then = then, now
        slope, next_slope = next_slope, slope
        for j in range(cells):
            value[j] += weights[k] * now[j]
            out[j] += weights[k] * slope[j]
    value[cells] = lost * loss / scale
    out[cells] = (lost_slope * loss + lost * loss_slope) / scale


@njit(cache=True, nogil=True)
def _by_size(fractions, entering, up, down, loss, out):
    """Derivative of `propagate` by the size of the step, from the fractions at its end."""
    cells = fractions.size - 1
    last = cells - 1
    out[0] = up * (fractions[1] - fractions[0]) + (up - down - loss) * fractions[0]
    for j in range(1, last):
        gained = up * (fractions[j + 1] - fractions[j]) + down * (fractions[j - 1] - fractions[j])
        out[j] = gained
    out[last] = down * fractions[last - 1] - up * fractions[last] + entering
    out[cells] = loss * fractions[0]


@njit(cache=True, nogil=True)
def _mixing_slope(zone, entering, left, x, relative, active, mixing, zone_slopes, entering_slopes,
                  left_slopes, x_slope, relative_slopes):  # fmt: skip
    """Of `mean_mixing`, in one direction."""
    change, total = 0.0, 0.0
    for s in active:
        held = 0.5 * (x * entering[s] - left[s])
        held_slope = x_slope * entering[s] + x * entering_slopes[s] - left_slopes[s]
        held_slope *= 0.5
        for j in range(zone.shape[1]):
            held += zone[s, j]
            held_slope += zone_slopes[s, j]
        change += relative_slopes[s] * held + (relative[s] - mixing) * held_slope
        total += held
    return change / total


@njit(cache=True, nogil=True)
def _dose_slope(left, left_slopes, dose_per_atom, dose_slopes, active):
    """Of `mean_dose`, in one direction, and the mean itself."""
    dose, total = 0.0, 0.0
    for s in active:
        dose += left[s] * dose_per_atom[s]
        total += left[s]
    mean, change = dose / total, 0.0
    for s in active:
        change += left[s] * dose_slopes[s] + left_slopes[s] * (dose_per_atom[s] - mean)
    return change / total, mean


@njit(cache=True, nogil=True)
def _relative(slope, value):
    return slope / value if value != 0.0 else 0.0


@njit(cache=True, nogil=True)
def _operators(
    before, entering, x, strength, mean, preference, preferential, active, value, by_strength,
    by_mean, by_size, work,
):  # fmt: skip
    """The outcome of a step and how it depends on strength, mean and size, (S, cells + 1) each.

    Returns the rates, the scale a and the weights for what else is to go the same way.
    """
    up, down = exchange_rates(strength, preferential)
    exchange = _exchange_slope(strength, preferential)
    largest = 0.0
    for s in active:
        largest = max(largest, loss_rate(preference[s] / mean, strength))
    scale = max(up + down, down + largest)
    weights, tails = poisson(scale * x)
    for i in range(active.size if preferential else active.size - 1):
        s = active[i]
        relative = preference[s] / mean
        loss = loss_rate(relative, strength)
        by_relative, loss_by_strength = _loss_slopes(relative, strength)
        if not preferential:
            loss_by_strength = 0.0
        _by_rates(
            before[s], entering[s], up, down, loss, exchange, loss_by_strength, scale, weights,
            tails, value[s], by_strength[s], work,
        )  # fmt: skip
        if preferential:
            _by_rates(
                before[s], entering[s], up, down, loss, 0.0, -by_relative * relative / mean, scale,
                weights, tails, value[s], by_mean[s], work,
            )  # fmt: skip
        _by_size(value[s], entering[s], up, down, loss, by_size[s])
    enough = weights.size
    while enough > 2 and tails[enough - 2] < _NEGLIGIBLE:
        enough -= 1
    return up, down, scale, weights[:enough], tails[:enough]


@njit(cache=True, nogil=True)
def _tried_slopes(
    before, entering, x, steps, preference, preferential, active, zone_slopes, alive,
    entering_slopes, x_slopes, mean_slopes, strength_slopes, operators, out, work,
):  # fmt: skip
    """Slopes of what was first tried to leave, (P, S)."""
    cells = before.shape[1]
    value, by_strength, by_mean, by_size = operators[0], operators[1], operators[2], operators[3]
    up, down, scale, _, tails = _operators(
        before, entering, x, steps[0], steps[1], preference, preferential, active, value,
        by_strength, by_mean, by_size, work,
    )  # fmt: skip
    form, inflow = np.zeros(cells), 0.0
    count = active.size if preferential else active.size - 1
    last = active[active.size - 1]
    if not preferential:
        out[:, last] = x_slopes
    for i in range(count):
        s = active[i]
        if i == 0 or preferential:
            loss = loss_rate(preference[s] / steps[1], steps[0])
            inflow = _lost_form(cells, up, down, loss, scale, tails, form, work)
        for p in range(x_slopes.size):
            change = inflow * entering_slopes[p, s]
            if alive[p]:
                change += _dot(form, zone_slopes[p, s])
            change += by_strength[s, cells] * strength_slopes[p] + by_size[s, cells] * x_slopes[p]
            if preferential:
                change += by_mean[s, cells] * mean_slopes[p]
            else:
                out[p, last] -= change
            out[p, s] = change


@njit(cache=True, nogil=True)
def _level_slopes(zone, zone_slopes, active):
    """Slopes through the levelling of a step (`zone_steps`); `zone` is levelled, too."""
    for j in range(zone.shape[1] - 1):
        held, below = 0.0, 0.0
        for s in active:
            held += zone[s, j]
            below += zone[s, j + 1]
        over = held > 1.0
        share = (held - 1.0) / held if over else (held - 1.0) / below
        for p in range(zone_slopes.shape[0]):
            held_slope, below_slope = 0.0, 0.0
            for s in active:
                held_slope += zone_slopes[p, s, j]
                below_slope += zone_slopes[p, s, j + 1]
            if over:
                share_slope = held_slope / held**2
            else:
                share_slope = (held_slope - share * below_slope) / below
            for s in active:
                of = j if over else j + 1
                moved = share_slope * zone[s, of] + share * zone_slopes[p, s, of]
                zone_slopes[p, s, j] -= moved
                zone_slopes[p, s, j + 1] += moved
        for s in active:
            moved = share * (zone[s, j] if over else zone[s, j + 1])
            zone[s, j] -= moved
            zone[s, j + 1] += moved


@njit(cache=True, nogil=True)
def _strength_slopes(
    strength, zone, entering, left, x, relative, active, dose, per_dose, zone_slopes,
    entering_slopes, left_slopes, x_slopes, relative_slopes, dose_slopes, per_dose_slopes, out,
):  # fmt: skip
    """Slopes of the mixing strength, (P,): none where it is at its least."""
    mixing = mean_mixing(zone, entering, left, x, relative, active)
    for p in range(out.size):
        out[p] = 0.0
        if strength <= 0.5:
            continue
        change = _relative(per_dose_slopes[p], per_dose) + dose_slopes[p] / dose
        if relative.size > 0:
            change += _mixing_slope(
                zone, entering, left, x, relative, active, mixing, zone_slopes[p],
                entering_slopes[p], left_slopes[p], x_slopes[p], relative_slopes[p],
            ) / mixing  # fmt: skip
        out[p] = strength * change


@njit(cache=True, nogil=True)
def _advance(
    zone_slopes, entering_slopes, alive, strength_slope, x_slope, strength, mean, preference,
    preferential, active, up, down, scale, weights, tails, by_strength, by_mean, by_size,
    leaves_by_mean, mean_slope, leaving_slopes, out, work,
):  # fmt: skip
    """Slopes of the zone after the step, and of what leaves, in one direction."""
    cells = by_size.shape[1] - 1
    last = active[active.size - 1]
    missing = x_slope
    out[last] = 0.0
    for i in range(active.size if preferential else active.size - 1):
        s = active[i]
        moves = entering_slopes[s] != 0.0
        for j in range(cells if alive else 0):
            if zone_slopes[s, j] != 0.0:
                moves = True
                break
        if moves:
            loss = loss_rate(preference[s] / mean, strength)
            propagate(
                zone_slopes[s], entering_slopes[s], up, down, loss, scale, weights, tails, out[s],
                work,
            )  # fmt: skip
        else:
            out[s] = 0.0
        for j in range(cells + 1):
            out[s, j] += by_strength[s, j] * strength_slope + by_size[s, j] * x_slope
        missing -= out[s, cells]
        if not preferential:
            for j in range(cells):
                out[last, j] -= out[s, j]
    if preferential:
        mean_slope[0] = missing / leaves_by_mean
        for s in active:
            for j in range(cells + 1):
                out[s, j] += by_mean[s, j] * mean_slope[0]
    else:
        out[last, cells] = missing
    for s in active:
        zone_slopes[s] = out[s, :cells]
        leaving_slopes[s] = out[s, cells]


@njit(cache=True, nogil=True)
def diffusive_slopes(
    before, entering, x, per_dose, preference, preferential, dose_per_atom, relative, active, steps,
    last_mean, mean, dose, left_before, leaving, zone_slopes, alive, entering_slopes, x_slopes,
    per_dose_slopes, atom_dose_slopes, relative_slopes, mean_slopes, dose_slopes, leaving_slopes,
    operators, work,
):  # fmt: skip
    """Slopes of `diffusive_step`.

    Parameters
    ----------
    before : ndarray, shape (S, cells)
        The zone before the step.
    steps, mean, leaving
        What the step has given; `last_mean`, `dose` and `left_before` are from before it.
    zone_slopes : ndarray, shape (P, S, cells)
        Before the step; those after it are returned, as are those of mean, dose and what leaves.
    alive : ndarray of bool, shape (P,)
        Where any of them is not 0.
    entering_slopes, x_slopes, per_dose_slopes, atom_dose_slopes, relative_slopes
        Of what is given, shapes (P, S), (P,), (P,), (P, S) and (P, S).
    operators, work
        Room, shapes (4, S, cells + 1) and (4, cells).
    """
    cells, directions = before.shape[1], x_slopes.size
    if steps[1] != last_mean:  # it had to keep within the preferences
        mean_slopes[:] = 0.0
    strength_slopes = np.zeros(directions)
    _strength_slopes(
        steps[0], before, entering, left_before, x, relative, active, dose, per_dose, zone_slopes,
        entering_slopes, leaving_slopes, x_slopes, relative_slopes, dose_slopes, per_dose_slopes,
        strength_slopes,
    )  # fmt: skip
    if steps[-1] > 0.0:
        tried = steps[2 : 2 + before.shape[0]]
        tried_slopes = np.zeros((directions, before.shape[0]))
        _tried_slopes(
            before, entering, x, steps, preference, preferential, active, zone_slopes, alive,
            entering_slopes, x_slopes, mean_slopes, strength_slopes, operators, tried_slopes, work,
        )  # fmt: skip
        tried_dose = 0.0
        for p in range(directions):
            dose_slopes[p], tried_dose = _dose_slope(
                tried, tried_slopes[p], dose_per_atom, atom_dose_slopes[p], active
            )
        _strength_slopes(
            steps[-2], before, entering, tried, x, relative, active, tried_dose, per_dose,
            zone_slopes, entering_slopes, tried_slopes, x_slopes, relative_slopes, dose_slopes,
            per_dose_slopes, strength_slopes,
        )  # fmt: skip
    value, by_strength, by_mean, by_size = operators[0], operators[1], operators[2], operators[3]
    up, down, scale, weights, tails = _operators(
        before, entering, x, steps[-2], mean, preference, preferential, active, value, by_strength,
        by_mean, by_size, work,
    )  # fmt: skip
    count = active.size if preferential else active.size - 1
    out = np.zeros((before.shape[0], cells + 1))
    leaves_by_mean = 0.0
    for i in range(count if preferential else 0):
        leaves_by_mean += by_mean[active[i], cells]
    for p in range(directions):
        touched = alive[p] or strength_slopes[p] != 0.0 or x_slopes[p] != 0.0
        for s in active:
            touched |= entering_slopes[p, s] != 0.0
            leaving_slopes[p, s] = 0.0
        if touched:
            _advance(
                zone_slopes[p], entering_slopes[p], alive[p], strength_slopes[p], x_slopes[p],
                steps[-2], mean, preference, preferential, active, up, down, scale, weights, tails,
                by_strength, by_mean, by_size, leaves_by_mean, mean_slopes[p : p + 1],
                leaving_slopes[p], out, work,
            )  # fmt: skip
            alive[p] = True
        dose_slopes[p], _ = _dose_slope(
            leaving, leaving_slopes[p], dose_per_atom, atom_dose_slopes[p], active
        )
    if preferential:
        _level_slopes(value[:, :cells], zone_slopes, active)
