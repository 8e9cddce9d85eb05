"""The altered layer: ions mix the top of the sample and sputter some elements faster.

The layer holds a constant number of atoms per area, N_R. In the coordinate N (atoms per area
removed so far) the column moves up by dN while dN atoms leave. Species s leaves with the share

    p_s = c_s w_s / sum_t c_t w_t

of the surface fractions c_s and the preferences w_s; undisturbed material enters at the lower
face. Inside, mixing is diffusion in atom coordinates that is constant per ion, so per removed
atom it scales as the dose that the atom costs; no diffusive flux passes either face.

Discretisation: M cells (one cell is the fully mixed layer). Each step is split symmetrically (half
the shift, diffusion, half the shift) into

- diffusion, exact in the basis of the discrete Laplacian with closed faces, and
- the shift by x cells, exact as well: the upwind shift of cells is a Poisson average. Its
  numerical diffusion of half a cell is taken off the physical diffusion, so that both together
  are the central, second-order scheme, while each alone keeps every fraction positive.

The top cell with preferences: c' = c exp(-x w/S) + F/x (S/w) (1 - exp(-x w/S)) for the inflow F
and the mean yield S, and S is the number for which the cell again holds one cell of atoms. The
fraction that leaves is positive and the number of atoms exact for every ratio of preferences. With
diffusive mixing the split drains the top cell before diffusion refills it, so there steps are short
and still only of first order: errors of some per cent of full scale at a ratio of 5.

Preferential sputtering of a mixed layer: P. S. Ho, Surf. Sci. 72 (1978) 253; mixing as confined
diffusion: see `confined_decay_length`.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

CELLS = 24
"""Cells of a diffusively mixed layer; the error of the decay length is (q/M)^2/12, q < pi."""

_MOST_CELLS = 400
_MAX_SHIFT = 1.5  # cells per split step
_MAX_SHIFT_PREFERENTIAL = 0.1  # ... where diffusion has to refill what preferences drain
_SETTLED = 1e-11  # what is still in transition then stays in the zone: nothing is lost


@njit(cache=True)
def _slowest_mode(peclet):
    """q in (0, pi) with q tan(q/2) = p."""
    low, high = 0.0, math.pi
    for _ in range(60):
        q = 0.5 * (low + high)
        # q sin(q/2) - p cos(q/2) has the sign of q tan(q/2) - p and no pole.
        if q * math.sin(0.5 * q) < peclet * math.cos(0.5 * q):
            low = q
        else:
            high = q
    return 0.5 * (low + high)


@njit(cache=True)
def _decay_length(peclet):
    q = _slowest_mode(peclet)
    return 2.0 * peclet / (q * q + peclet * peclet)


@njit(cache=True)
def _peclet(relative_decay_length):
    low, high = -40.0, 40.0  # ln p
    for _ in range(70):
        middle = 0.5 * (low + high)
        if _decay_length(math.exp(middle)) > relative_decay_length:
            low = middle
        else:
            high = middle
    return math.exp(0.5 * (low + high))


def confined_decay_length(peclet: float) -> float:
    """Trailing decay length of a monolayer under mixing confined to a zone, per zone thickness.

    Diffusion of strength D acts within the zone R below a surface that recedes at v, not below.
    With p = v R / (2 D), lambda / R = 2 p / (q^2 + p^2), where q in (0, pi) solves
    q tan(q/2) = p. Limits: R for p -> 0 (fully mixed), 4 D / v for p -> infinity.

    Parameters
    ----------
    peclet : float
        p = v R / (2 D), > 0.

    Returns
    -------
    float
        lambda / R, between 0 and 1.

    Notes
    -----
    Derived here: the slowest mode of the recession-diffusion equation with zero gradient at the
    surface and no diffusive flux from below.

    Examples
    --------
    >>> round(confined_decay_length(1.0), 6)
    0.738811
    """
    if not (peclet > 0 and math.isfinite(peclet)):
        raise ValueError(f"peclet must be a finite number > 0, got {peclet}")
    return _decay_length(float(peclet))


def confined_peclet(relative_decay_length: float) -> float:
    """Inverse of `confined_decay_length`.

    Parameters
    ----------
    relative_decay_length : float
        lambda / R, strictly between 0 and 1.

    Returns
    -------
    float
        p = v R / (2 D).

    Examples
    --------
    >>> round(confined_peclet(0.738811), 4)
    1.0
    """
    if not 0 < relative_decay_length < 1:
        raise ValueError(
            f"decay length must be between 0 and the mixing range, got {relative_decay_length} "
            "of the range"
        )
    return _peclet(float(relative_decay_length))


def _laplacian_modes(cells: int) -> tuple[np.ndarray, np.ndarray]:
    """Eigenvectors (columns) and eigenvalues of the cell Laplacian with closed faces."""
    k = np.arange(cells)
    vectors = np.cos(np.pi * np.outer(np.arange(cells) + 0.5, k) / cells)
    vectors /= np.linalg.norm(vectors, axis=0)
    return np.ascontiguousarray(vectors), 4.0 * np.sin(0.5 * np.pi * k / cells) ** 2


@njit(cache=True, nogil=True)
def _mean_yield(top, inflow, x, preference, active, count):
    """The S at which the top cell again holds one cell of atoms (monotone, bracketed)."""
    low, high = np.inf, 0.0
    for a in range(count):
        w = preference[active[a]]
        low, high = min(low, w), max(high, w)
    for _ in range(100):
        middle = 0.5 * (low + high)
        total = 0.0
        for a in range(count):
            s = active[a]
            y = x * preference[s] / middle
            kept = math.exp(-y)
            total += top[s] * kept + inflow[s] * (-math.expm1(-y)) / y
        if total > 1.0:
            high = middle
        else:
            low = middle
        if high - low <= 1e-15 * high:
            break
    return 0.5 * (low + high)


@njit(cache=True, nogil=True)
def _poisson(x, weights, tails):
    """Poisson weights of a shift by x cells, and the weight beyond each; how many matter."""
    weight, tail = math.exp(-x), 1.0
    count = weights.size
    for m in range(weights.size):
        weights[m] = weight
        tails[m] = max(tail, 0.0)  # weight of m cells or more
        tail -= weight
        weight *= x / (m + 1)
        if m > x and weight < 1e-18:
            count = m + 1
            break
    for m in range(count, tails.size):
        tails[m] = 0.0
    return count


@njit(cache=True, nogil=True)
def _shift(
    state, entering, x, preference, preferential, active, count, leaving, buffer, weights, tails
):
    """Move the column up by x cells; `leaving` receives the cells' worth of atoms that left."""
    cells = state.shape[0]
    terms = _poisson(x, weights, tails)
    for a in range(count):
        s = active[a]
        held, kept = 0.0, 0.0
        for j in range(cells):
            reach = cells - j
            value = tails[reach] * entering[s]
            for m in range(min(reach, terms)):
                value += weights[m] * state[j + m, s]
            buffer[j] = value
            if j > 0:
                held += state[j, s]
                kept += value
        for j in range(1, cells):
            state[j, s] = buffer[j]
        inflow = max(held + x * entering[s] - kept, 0.0)
        if preferential:
            leaving[s] = inflow  # completed below, when all species are known
        else:
            leaving[s] = max(state[0, s] + inflow - buffer[0], 0.0)
            state[0, s] = buffer[0]
    if preferential:
        mean = _mean_yield(state[0], leaving, x, preference, active, count)
        for a in range(count):
            s = active[a]
            y = x * preference[s] / mean
            kept = state[0, s] * math.exp(-y) + leaving[s] * (-math.expm1(-y)) / y
            leaving[s] = max(state[0, s] + leaving[s] - kept, 0.0)
            state[0, s] = kept


@njit(cache=True, nogil=True)
def _entering(cumulated, totals, start, end, pointer, out):
    """Mean composition between two atom coordinates of the undisturbed sample."""
    species, slices = out.size, totals.size - 1
    out[:] = 0.0
    while pointer < slices - 1 and totals[pointer + 1] <= start:
        pointer += 1
    k, position = pointer, start
    while position < end:
        last = k >= slices - 1
        stop = end if last else min(end, totals[k + 1])
        size = totals[k + 1] - totals[k]
        if stop > position and size > 0.0:
            for s in range(species):
                out[s] += (stop - position) * (cumulated[k + 1, s] - cumulated[k, s]) / size
        position = max(position, stop)
        if last:
            break
        k += 1
    norm = 0.0
    for s in range(species):
        norm += out[s]
    for s in range(species):
        out[s] /= norm
    return pointer


@njit(cache=True, nogil=True)
def _fill(state, cumulated, totals, cell_atoms, buffer):
    pointer = 0
    for j in range(state.shape[0]):
        pointer = _entering(
            cumulated, totals, j * cell_atoms, (j + 1) * cell_atoms, pointer, buffer
        )
        state[j] = buffer


@njit(cache=True, nogil=True)
def _is_settled(state, entering, active, count):
    """Everything in the zone is what enters it."""
    for a in range(count):
        s = active[a]
        for j in range(state.shape[0]):
            if abs(state[j, s] - entering[s]) > _SETTLED:
                return False
    return True


@njit(cache=True, nogil=True)
def _cumulate(atoms):
    """Running sums over the slices: per species, and of all atoms."""
    slices, species = atoms.shape
    cumulated = np.zeros((slices + 1, species))
    totals = np.zeros(slices + 1)
    for k in range(slices):
        total = 0.0
        for s in range(species):
            cumulated[k + 1, s] = cumulated[k, s] + atoms[k, s]
            total += atoms[k, s]
        totals[k + 1] = totals[k] + total
    return cumulated, totals


@njit(cache=True, nogil=True)
def _activate(state, entering, active):
    """List the species that are in the zone or enter it; drop what is below all meaning."""
    count = 0
    for s in range(entering.size):
        held = entering[s]
        for j in range(state.shape[0]):
            held += state[j, s]
        if held > 1e-30:
            active[count] = s
            count += 1
        elif held > 0.0:
            for j in range(state.shape[0]):
                state[j, s] = 0.0
    return count


@njit(cache=True, nogil=True)
def _surface_dose(state, preference, dose_per_atom, active, count):
    """Dose that the next atom to leave costs."""
    dose, norm = 0.0, 0.0
    for a in range(count):
        s = active[a]
        share = state[0, s] * preference[s]
        dose += share * dose_per_atom[s]
        norm += share
    return dose / norm


@njit(cache=True, nogil=True)
def _diffuse(state, modes, modes_t, damping, buffer, active, count):
    """Exact diffusion over one step, species by species, in the basis of the Laplacian."""
    cells = state.shape[0]
    for a in range(count):
        s = active[a]
        buffer[:] = 0.0
        for i in range(cells):
            value = state[i, s]
            for k in range(cells):
                buffer[k] += modes[i, k] * value
        for i in range(cells):
            state[i, s] = 0.0
        mixed = buffer[cells:]
        for k in range(cells):
            value = buffer[k] * damping[k]
            for i in range(cells):
                mixed[i] += modes_t[k, i] * value
        for i in range(cells):
            # The exact result is positive; rounding can miss zero by 1e-17.
            state[i, s] = max(mixed[i], 0.0)


@njit(cache=True, nogil=True)
def _column_pass(
    atoms,
    zone_atoms,
    cells,
    diffusion_per_dose,
    preference,
    preferential,
    dose_per_atom,
    modes,
    eigenvalues,
    states,
):
    """Atoms that leave with every slice; `states` (if not empty) keeps the zone at every edge."""
    slices, species = atoms.shape
    cumulated, totals = _cumulate(atoms)
    removed = np.zeros((slices, species))
    cell_atoms = zone_atoms / cells
    state = np.zeros((cells, species))
    entering = np.zeros(species)
    leaving = np.zeros(species)
    buffer = np.zeros(2 * cells)
    active = np.zeros(species, dtype=np.int64)
    modes_t = modes.T.copy()
    damping = np.empty(cells)
    weights = np.empty(cells + 1)
    tails = np.empty(cells + 1)
    damped_by = -1.0
    owed = 0.0  # diffusion that the next step makes up for
    pointer = 0
    _fill(state, cumulated, totals, cell_atoms, entering)
    if states.shape[0] > 0:
        states[0] = state
    for k in range(slices):
        size = totals[k + 1] - totals[k]
        pointer = _entering(
            cumulated, totals, totals[k] + zone_atoms, totals[k + 1] + zone_atoms, pointer, entering
        )
        count = _activate(state, entering, active)
        left = size / cell_atoms
        while left > 0.0:
            if not preferential and _is_settled(state, entering, active, count):
                owed = 0.0
                for a in range(count):
                    removed[k, active[a]] += left * cell_atoms * entering[active[a]]
                break
            x = left
            if cells > 1 or preferential:
                drained = cells > 1 and preferential
                x = min(left, _MAX_SHIFT_PREFERENTIAL if drained else _MAX_SHIFT)
            parts = 2 if cells > 1 else 1
            steady = preferential
            for part in range(parts):
                _shift(
                    state,
                    entering,
                    x / parts,
                    preference,
                    preferential,
                    active,
                    count,
                    leaving,
                    buffer,
                    weights,
                    tails,
                )
                for a in range(count):
                    s = active[a]
                    removed[k, s] += leaving[s] * cell_atoms
                    missing = abs(leaving[s] - x / parts * entering[s])
                    steady = steady and missing <= _SETTLED * x
                if parts == 2 and part == 0:
                    # Half a cell of diffusion per cell of shift is what the upwind shift adds.
                    dose = _surface_dose(state, preference, dose_per_atom, active, count)
                    now = max(diffusion_per_dose * dose / cell_atoms - 0.5, 0.0) * x
                    strength = max(now + owed, 0.0)
                    if strength != damped_by:
                        damping[:] = np.exp(-strength * eigenvalues)
                        damped_by = strength
                    _diffuse(state, modes, modes_t, damping, buffer, active, count)
                    # The dose changes meanwhile: what its mean would have added is owed.
                    after = _surface_dose(state, preference, dose_per_atom, active, count)
                    mean = 0.5 * (dose + after)
                    owed = max(diffusion_per_dose * mean / cell_atoms - 0.5, 0.0) * x - now
            left -= x
            if left <= 1e-12 * size / cell_atoms:
                left = 0.0
            if steady:
                for a in range(count):
                    removed[k, active[a]] += left * cell_atoms * entering[active[a]]
                left = 0.0
        if states.shape[0] > 0:
            states[k + 1] = state
    return removed


@dataclass(frozen=True)
class AlteredLayer:
    """Strength and size of the altered layer, in atoms per area.

    Attributes
    ----------
    zone_atoms_nm2 : float
        Atoms per area that the altered layer holds, N_R [1/nm^2]; 0 for no mixing.
    diffusion_per_dose : float
        Mixing strength per ion dose [1/nm^4 per unit of dose]; infinite for a fully mixed layer.
    cells : int
        Cells of the discretisation; 0 for no mixing, 1 for a fully mixed layer.
    """

    zone_atoms_nm2: float = 0.0
    diffusion_per_dose: float = math.inf
    cells: int = 0

    @classmethod
    def uniform(cls, length_nm: float, atomic_density_per_nm3: float) -> "AlteredLayer":
        """A zone of the given length that is always fully mixed."""
        return cls(length_nm * atomic_density_per_nm3, math.inf, 1)

    @classmethod
    def diffusive(
        cls,
        length_nm: float,
        range_nm: float,
        atomic_density_per_nm3: float,
        dose_per_atom: np.ndarray,
    ) -> "AlteredLayer":
        """Mixing confined to a range, as strong as the trailing decay length in the first layer.

        Parameters
        ----------
        length_nm : float
            Trailing decay length of a buried monolayer in the first layer [nm].
        range_nm : float
            Depth to which ions mix [nm], > length_nm / 0.97.
        atomic_density_per_nm3 : float
            Of the first layer [1/nm^3].
        dose_per_atom : ndarray
            Dose that an atom costs, in the steady state of every material, the first layer's
            first [dose nm^2].

        Raises
        ------
        ValueError
            When length_nm >= 0.97 range_nm: that is close to a fully mixed zone, whose decay
            length is the range itself and says nothing of the strength.
        """
        if not 0 < length_nm < 0.97 * range_nm:
            raise ValueError(
                f"mixing length_nm = {length_nm:g} must be below 0.97 range_nm = {range_nm:g}"
            )
        peclet = confined_peclet(length_nm / range_nm)
        zone = range_nm * atomic_density_per_nm3
        per_dose = zone / (2.0 * peclet) / dose_per_atom[0]
        weakest = zone / (2.0 * per_dose * float(np.min(dose_per_atom)))
        if weakest > _MOST_CELLS:
            raise ValueError(
                f"mixing length_nm = {length_nm:g} is too short against range_nm = {range_nm:g} "
                "to be computed; leave mixing out or write a shorter range_nm"
            )
        return cls(zone, per_dose, max(CELLS, math.ceil(weakest)))

    def decay_nm(self, atomic_density_per_nm3: float, dose_per_atom: float) -> float:
        """Trailing decay length in a material in which an atom costs the given dose [nm]."""
        if self.cells == 0:
            return 0.0
        zone_nm = self.zone_atoms_nm2 / atomic_density_per_nm3
        if self.cells == 1:
            return zone_nm
        peclet = self.zone_atoms_nm2 / (2.0 * self.diffusion_per_dose * dose_per_atom)
        return zone_nm * confined_decay_length(peclet)


def leaving_atoms(
    atoms_nm2: np.ndarray,
    layer: AlteredLayer,
    preference: np.ndarray,
    dose_per_atom: np.ndarray,
    keep_states: bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """Atoms of each species that leave while the worth of each slice is removed.

    Parameters
    ----------
    atoms_nm2 : ndarray, shape (K, S)
        Atoms per area of each species in each slice, from the surface down [1/nm^2]. Every slice
        holds some; the composition of the last one goes on below for ever.
    layer : AlteredLayer
    preference : ndarray, shape (S,)
        Relative readiness to leave, > 0; all equal for none.
    dose_per_atom : ndarray, shape (S,)
        Dose that an atom of each species costs [dose nm^2].
    keep_states : bool
        Also return the composition of the zone at every slice edge.

    Returns
    -------
    removed : ndarray, shape (K, S)
        Non-negative; the sum over species equals that of `atoms_nm2` slice by slice. What
        `atoms_nm2` had and `removed` lacks is in the altered layer at the end.
    states : ndarray, shape (K + 1, cells, S) or (0, cells, S)
        Fractions in each cell of the zone when each slice edge is at the surface.
    """
    atoms = np.ascontiguousarray(atoms_nm2, dtype=float)
    slices, species = atoms.shape
    states = np.zeros((slices + 1 if keep_states else 0, layer.cells, species))
    if layer.cells == 0:
        return atoms.copy(), states
    modes, eigenvalues = _laplacian_modes(layer.cells)
    removed = _column_pass(
        atoms,
        layer.zone_atoms_nm2,
        layer.cells,
        layer.diffusion_per_dose,
        np.ascontiguousarray(preference, dtype=float),
        bool(np.ptp(preference) > 0.0),
        np.ascontiguousarray(dose_per_atom, dtype=float),
        modes,
        eigenvalues,
        states,
    )
    total, kept = atoms.sum(axis=1), removed.sum(axis=1)
    if not np.all(np.abs(total - kept) <= 1e-9 * total):
        raise ArithmeticError("the altered layer did not conserve atoms")
    return removed, states
