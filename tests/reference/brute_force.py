"""Brute-force reference for the forward simulation of a sputtering depth profile.

Written for plain correctness and independent of the package: it imports nothing from it and
shares no formula in closed form with it. Exact quadrature for the sample, fine steps in time
for the altered layer, and a plain sum over thousands of columns for the crater and the
roughness. Its only numerical parameters are the step sizes, all scaled by `refine`.

Units: depths in nm, areal densities in atoms/nm2, doses in s (time at the nominal current).
A *species* is a pair (layer, element). Elements of one layer with equal preference behave alike
and are carried together as one *group*.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

Array = NDArray[np.float64]

LINEAR_CORE = ndtr(1.0) - ndtr(-1.0)  # share of a linear ramp between the levels Phi(-1), Phi(1)
EXPONENTIAL_CORE = np.log(ndtr(1.0) / ndtr(-1.0))  # the same levels in units of the decay length
U_MAX = 8.5  # normal deviates run from -U_MAX to U_MAX
GAUSS_X, GAUSS_W = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True)
class Sample:
    """A layered sample, from the surface down; the last layer is the substrate.

    Parameters
    ----------
    thickness_nm : (L - 1,) or (L,) array_like
        Thicknesses [nm]; the substrate's is ignored.
    width_nm : (L - 1,) array_like
        Width of interface j between the layers j and j + 1 [nm], levels Phi(-1) to Phi(1).
    shape : sequence of {"erf", "linear", "exponential"}
        Shape of each interface.
    side : sequence of {"below", "above"}
        Side on which an exponential interface has its tail.
    atomic_density_per_nm3, rate_nm_s : (L,) array_like
        Atomic density [1/nm3] and erosion rate [nm/s] of each layer.
    composition : (L, E) array_like
        Atomic fractions, each row with sum 1.
    """

    thickness_nm: ArrayLike
    width_nm: ArrayLike
    shape: Sequence[str]
    side: Sequence[str]
    atomic_density_per_nm3: ArrayLike
    composition: ArrayLike
    rate_nm_s: ArrayLike


@dataclass(frozen=True)
class Instrument:
    """Everything that turns the sample into a profile.

    Parameters
    ----------
    crater : tuple
        ("flat",), ("parabolic", curvature), ("tilted", tilt), ("edged", share, rate) or
        ("measured", radius, depth).
    mixing : tuple
        ("none",), ("uniform", length_nm) or ("diffusive", length_nm, range_nm).
    preference : (E,) array_like, optional
        Relative ease with which each element leaves a mixed surface. None: all equal.
    initial_nm, relative_spread, grain_nm : float
        Roughness: standard deviation at the start [nm], relative spread of the rate, grain
        size [nm].
    growth : {"none", "statistical", "grains", "columns", "saturating"}
        Law by which the roughness grows.
    final_nm, settling_nm : float
        Of a saturating growth: what it comes to, and the depth in which it does [nm].
    escape_depth_nm : float
        Attenuation length of what is seen [nm]; 0 means the outermost atoms.
    view : {"collected", "viewed"}
        Signal from what left the surface, or from what is seen at it.
    """

    crater: tuple = ("flat",)
    mixing: tuple = ("none",)
    preference: ArrayLike | None = None
    initial_nm: float = 0.0
    growth: str = "none"
    final_nm: float = 0.0
    settling_nm: float = 1.0
    relative_spread: float = 0.0
    grain_nm: float = 0.0
    escape_depth_nm: float = 0.0
    view: str = "collected"


@dataclass(frozen=True)
class Reference:
    """Result of `simulate`.

    Attributes
    ----------
    signal : (T - 1, L, E) ndarray
        Collected: atoms/nm2 in each interval. Viewed: mean fraction seen in each interval.
    plane_nm : (L - 1,) ndarray
        Planes of the interfaces [nm].
    depth_nm, atoms_per_nm2, dose_s, sigma_s : (K + 1,) ndarray
        Depth, atoms removed, dose clock and roughness at the faces of the slices.
    removed : (K, L, E) ndarray
        Species that leave with each slice, per atom removed.
    available : (L, E) ndarray
        Atoms/nm2 of each species down to the last slice.
    balanced_dose_s : (T,) ndarray
        Dose at the time edges after the ion budget.
    exposure : (5, K') ndarray
        Share of the area past each face (mirror image included) at five of the time edges.
    checks : dict
        Largest errors of the sums that must hold, relative to full scale.
    """

    signal: Array
    plane_nm: Array
    depth_nm: Array
    atoms_per_nm2: Array
    dose_s: Array
    sigma_s: Array
    removed: Array
    available: Array
    balanced_dose_s: Array
    exposure: Array
    checks: dict[str, float]


# ---------------------------------------------------------------------------- the sample


def transition(z: Array, plane: float, width: float, shape: str, side: str) -> Array:
    """Share below an interface against depth, from 0 (above) to 1 (below)."""
    x = z - plane
    if width == 0.0:
        return np.where(x >= 0.0, 1.0, 0.0)
    if shape == "erf":
        return ndtr(x / (width / 2.0))
    if shape == "linear":
        return np.clip(x / (width / LINEAR_CORE) + 0.5, 0.0, 1.0)
    if shape == "exponential":
        decay = width / EXPONENTIAL_CORE
        y = x / decay if side == "below" else -x / decay
        tail = np.where(y >= -1.0, np.exp(-np.maximum(y, -1.0) - 1.0), 1.0)
        return 1.0 - tail if side == "below" else tail
    raise ValueError(f"interface shape: {shape!r} is not one of erf, linear, exponential")


def kinks(plane: float, width: float, shape: str, side: str) -> list[float]:
    """Depths where an interface is not smooth, and its plane."""
    if width == 0.0 or shape == "erf":
        return [plane]
    if shape == "linear":
        half = 0.5 * width / LINEAR_CORE
        return [plane - half, plane, plane + half]
    decay = width / EXPONENTIAL_CORE
    return [plane - decay if side == "below" else plane + decay, plane]


@dataclass
class Depths:
    """Layer fractions over depth, with exact integrals.

    The depth axis is cut at every kink and finely around every interface, so that Gauss
    quadrature over each panel is exact to rounding.
    """

    interfaces: list[tuple[float, float, str, str]]
    density: Array
    deep_nm: float
    edges: Array = field(init=False)
    layer_nm: Array = field(init=False)  # (panels + 1, L): nm of each layer above each edge

    def __post_init__(self) -> None:
        fine = np.concatenate([np.arange(0.0, 4.0, 0.25), 4.0 * 1.25 ** np.arange(12)])
        cuts = [0.0, self.deep_nm]
        for interface in self.interfaces:
            for kink in kinks(*interface):
                cuts.extend(kink + interface[1] * np.concatenate([-fine, fine]))
        cuts = np.unique(cuts)
        self.edges = cuts[(cuts >= 0.0) & (cuts <= self.deep_nm)]
        whole = self._integral(self.edges[:-1], self.edges[1:])
        self.layer_nm = np.vstack([np.zeros(whole.shape[1]), np.cumsum(whole, axis=0)])

    def fractions(self, z: Array) -> Array:
        """Volume fractions of the layers at the depths z: shape (..., L)."""
        above = np.ones_like(z)  # product of the transitions passed so far
        parts = []
        for interface in self.interfaces:
            below = transition(z, *interface)
            parts.append(above * (1.0 - below))
            above = above * below
        return np.stack([*parts, above], axis=-1)

    def _integral(self, low: Array, high: Array) -> Array:
        half = 0.5 * (high - low)
        z = low[:, None] + half[:, None] * (1.0 + GAUSS_X)
        return half[:, None] * np.einsum("q,kql->kl", GAUSS_W, self.fractions(z))

    def layers_above(self, z: Array) -> Array:
        """Nanometres of each layer between the surface and the depths z: (K, L)."""
        panel = np.clip(np.searchsorted(self.edges, z, side="right") - 1, 0, self.edges.size - 2)
        return self.layer_nm[panel] + self._integral(self.edges[panel], z)

    def depth(self, atoms: Array) -> Array:
        """Depth above which the sample holds the given numbers of atoms/nm2."""
        at_edge = self.layer_nm @ self.density
        panel = np.clip(np.searchsorted(at_edge, atoms, side="right") - 1, 0, at_edge.size - 2)
        low, high = self.edges[panel], self.edges[panel + 1]
        z = low + (high - low) * (atoms - at_edge[panel]) / (at_edge[panel + 1] - at_edge[panel])
        for _ in range(12):  # Newton within the panel, where the density is smooth
            excess = at_edge[panel] + self._integral(low, z) @ self.density - atoms
            z = np.clip(z - excess / (self.fractions(z) @ self.density), low, high)
            if np.max(np.abs(excess)) < 1e-13 * at_edge[-1]:
                break
        return z


def solve_planes(sample: Sample) -> Array:
    """Planes for which every layer holds its thickness [nm], from the surface down."""
    thickness = np.atleast_1d(np.asarray(sample.thickness_nm, float))
    count = len(sample.width_nm)
    planes: list[float] = []
    for j in range(count):
        target = float(thickness[: j + 1].sum())
        width = [float(w) for w in sample.width_nm[: j + 1]]
        far = target + 60.0 * max(width) + 1.0

        def excess(plane: float, j=j, width=width, target=target, far=far) -> float:
            upper = [
                (z, w, sample.shape[k], sample.side[k])
                for k, (z, w) in enumerate(zip([*planes, plane], width, strict=True))
            ]
            depths = Depths(upper, np.ones(j + 2), 2.0 * far)
            return float(depths.layer_nm[-1, : j + 1].sum()) - target

        planes.append(float(brentq(excess, -60.0 * width[j] - 1e-9, far, xtol=1e-12, rtol=1e-15)))
    return np.array(planes)


# ---------------------------------------------------------------------------- species


@dataclass(frozen=True)
class Groups:
    """Species carried together: same layer, same preference."""

    layer: NDArray[np.intp]
    share: Array  # of the atoms of the layer
    weight: Array
    cost_s: Array  # dose that one atom per nm2 takes
    members: Array  # (groups, L, E): how the group's atoms divide into species

    def spread(self, values: Array) -> Array:
        """From groups to species: (..., groups) to (..., L, E)."""
        return np.tensordot(values, self.members, axes=1)


def group_species(sample: Sample, preference: ArrayLike | None) -> Groups:
    """Collect the species into groups and give each its dose cost."""
    x = np.asarray(sample.composition, float)
    w = np.ones(x.shape[1]) if preference is None else np.asarray(preference, float)
    steady = np.asarray(sample.atomic_density_per_nm3, float) * np.asarray(sample.rate_nm_s, float)
    rows = []
    for layer in range(x.shape[0]):
        mean_cost = float(np.sum(x[layer] / w))
        for weight in np.unique(w[x[layer] > 0.0]):
            chosen = (w == weight) & (x[layer] > 0.0)
            share = float(x[layer, chosen].sum())
            members = np.zeros(x.shape)
            members[layer, chosen] = x[layer, chosen] / share
            rows.append((layer, share, weight, 1.0 / weight / (steady[layer] * mean_cost), members))
    layer, share, weight, cost, members = zip(*rows, strict=True)
    return Groups(
        np.array(layer), np.array(share), np.array(weight), np.array(cost), np.array(members)
    )


# ---------------------------------------------------------------------------- altered layer


def diffusion_parameter(length_nm: float, range_nm: float) -> float:
    """Peclet number p of a confined zone with the given decay length and range.

    length/range = 2 p/(q^2 + p^2) with q tan(q/2) = p, 0 < q < pi.
    """
    if not 0.0 < length_nm < range_nm:
        raise ValueError(f"mixing length {length_nm} nm must lie between 0 and {range_nm} nm")

    def excess(q: float) -> float:
        p = q * np.tan(0.5 * q)
        return 2.0 * p / (q * q + p * p) - length_nm / range_nm

    q = brentq(excess, 1e-7, np.pi - 1e-12, xtol=1e-15, rtol=1e-15)
    return float(q * np.tan(0.5 * q))


@njit(cache=True)
def _gain(feed, c, weight, out):
    """Rate of change of a well-mixed cell, per cell content removed; return its largest value."""
    total = 0.0
    for s in range(c.size):
        total += c[s] * weight[s]
    largest = 0.0
    for s in range(c.size):
        out[s] = feed[s] - c[s] * weight[s] / total
        largest = max(largest, abs(out[s]))
    return largest


@njit(cache=True)
def _uniform_pass(atoms, feed, zone, weight, c, longest):
    """March one well-mixed cell by Runge-Kutta steps; per slice what leaves, per face the state."""
    slices, groups = feed.shape
    removed = np.empty((slices, groups))
    states = np.empty((slices + 1, groups))
    y = np.empty(groups)
    rate = np.empty((4, groups))
    for s in range(groups):
        states[0, s] = c[s]
    for k in range(slices):
        step = atoms[k + 1] - atoms[k]
        pieces = int(np.ceil(step / longest))
        h = step / pieces / zone
        for _ in range(pieces):
            if _gain(feed[k], c, weight, rate[0]) < 1e-15:
                break  # steady state
            for stage in range(3):
                part = h if stage == 2 else 0.5 * h
                for s in range(groups):
                    y[s] = c[s] + part * rate[stage, s]
                _gain(feed[k], y, weight, rate[stage + 1])
            for s in range(groups):
                c[s] += h / 6.0 * (rate[0, s] + 2.0 * (rate[1, s] + rate[2, s]) + rate[3, s])
        for s in range(groups):
            removed[k, s] = feed[k, s] - zone * (c[s] - states[k, s]) / step
            states[k + 1, s] = c[s]
    return removed, states


@njit(cache=True)
def _implicit_stage(
    start, feed, tau, h, per_dose, weight, cost, diffusivity, out, loss, r, e, first, end
):
    """Solve out = start + tau * rate(out) for the cells of the zone; return the diffusivity.

    Only the groups from first to before end are present. Central fluxes between cells of size h;
    the loss through the surface uses the concentration extrapolated to it. Elimination runs from
    the bottom up, so that only the last equation knows the surface. The diffusivity depends on
    what leaves: repeat until it agrees.
    """
    cells = start.shape[0]
    theta = tau / h
    for _ in range(60):
        up = 0.5 - diffusivity / h  # weight of the upper cell in the flux between two cells
        low = 0.5 + diffusivity / h
        e[cells - 1] = theta * up / (1.0 + theta * low)
        for s in range(first, end):
            r[cells - 1, s] = (start[cells - 1, s] + theta * feed[s]) / (1.0 + theta * low)
        for i in range(cells - 2, 0, -1):
            pivot = 1.0 / (1.0 - theta * (up - low) + theta * low * e[i + 1])
            e[i] = theta * up * pivot
            for s in range(first, end):
                r[i, s] = (start[i, s] + theta * low * r[i + 1, s]) * pivot
        total = 0.0  # mean preference at the surface, by fixed-point iteration
        for s in range(first, end):
            total += weight[s] * (1.5 * start[0, s] - 0.5 * start[1, s])
        for _ in range(200):
            new = 0.0
            for s in range(first, end):
                k = weight[s] / total
                rhs = start[0, s] + theta * (low + 0.5 * k) * r[1, s]
                out[0, s] = rhs / (1.0 - theta * (up - 1.5 * k) + theta * (low + 0.5 * k) * e[1])
                out[1, s] = r[1, s] - e[1] * out[0, s]
                surface = 1.5 * out[0, s] - 0.5 * out[1, s]
                loss[s] = k * surface
                new += weight[s] * surface
            done = abs(new - total) < 1e-14 * total
            total = new
            if done:
                break
        used = 0.0
        for s in range(first, end):
            used += loss[s] * cost[s]
        change = abs(per_dose * used - diffusivity)
        if change < 1e-9 * diffusivity:
            break
        diffusivity = per_dose * used
    for i in range(2, cells):
        for s in range(first, end):
            out[i, s] = r[i, s] - e[i] * out[i - 1, s]
    return diffusivity


@njit(cache=True)
def _zone_sight(c, h, volume, escape, sight):
    """Attenuated atoms of each group in the zone; return the thickness of the zone [nm]."""
    x = 0.0
    for i in range(c.shape[0]):
        dx = 0.0
        for s in range(volume.size):
            dx += h * c[i, s] * volume[s]
        share = h * np.exp(-x / escape) * -np.expm1(-dx / escape) / (dx / escape)
        for s in range(volume.size):
            sight[s] += c[i, s] * share
        x += dx
    return x


@njit(cache=True)
def _present(c, feed, s):
    """Is group s in the zone, or entering it?"""
    largest = feed[s]
    for i in range(c.shape[0]):
        largest = max(largest, c[i, s])
    return largest > 1e-14


@njit(cache=True)
def _diffusive_pass(atoms, feed, zone, weight, cost, per_dose, c, volume, escape):
    """March the diffusive zone by the method of lines.

    Finite volumes in the zone, and in time the two-stage, second-order, L-stable diagonally
    implicit Runge-Kutta method. Per slice what leaves; per face the surface state, the
    attenuated atoms of the zone and its thickness.
    """
    slices, groups = feed.shape
    cells = c.shape[0]
    h = zone / cells
    gamma = 1.0 - 1.0 / np.sqrt(2.0)
    removed = np.zeros((slices, groups))
    surface = np.zeros((slices + 1, groups))
    sight = np.zeros((slices + 1, groups))
    thickness = np.zeros(slices + 1)
    one, start, r, e = np.zeros(c.shape), np.zeros(c.shape), np.zeros(c.shape), np.zeros(cells)
    loss_one, loss_two = np.zeros(groups), np.zeros(groups)
    used, total = 0.0, 0.0
    for s in range(groups):
        surface[0, s] = 1.5 * c[0, s] - 0.5 * c[1, s]
        used += surface[0, s] * weight[s] * cost[s]
        total += surface[0, s] * weight[s]
    diffusivity = per_dose * used / total
    if escape > 0.0:
        thickness[0] = _zone_sight(c, h, volume, escape, sight[0])
    first, end = 0, 0
    for k in range(slices):
        for s in range(end, groups):
            if _present(c, feed[k], s):
                end = s + 1
        while not _present(c, feed[k], first):  # long gone
            for i in range(cells):
                c[i, first] = 0.0
            first += 1
        step = atoms[k + 1] - atoms[k]
        diffusivity = _implicit_stage(
            c, feed[k], gamma * step, h, per_dose, weight, cost, diffusivity, one, loss_one,
            r, e, first, end,
        )  # fmt: skip
        for i in range(cells):
            for s in range(first, end):
                start[i, s] = c[i, s] + (1.0 - gamma) / gamma * (one[i, s] - c[i, s])
        diffusivity = _implicit_stage(
            start, feed[k], gamma * step, h, per_dose, weight, cost, diffusivity, c, loss_two,
            r, e, first, end,
        )  # fmt: skip
        for s in range(first, end):
            removed[k, s] = (1.0 - gamma) * loss_one[s] + gamma * loss_two[s]
            surface[k + 1, s] = 1.5 * c[0, s] - 0.5 * c[1, s]
        if escape > 0.0:
            thickness[k + 1] = _zone_sight(c, h, volume, escape, sight[k + 1])
    return removed, surface, sight, thickness


@dataclass(frozen=True)
class Pass:
    """What the altered layer makes of the sample."""

    removed: Array  # (K, groups) per atom removed, sum 1
    seen: Array  # (K, groups) attenuation-weighted fractions, sum 1


def _below_zone(depth: Array, atoms: Array, escape: float) -> Array:
    """Attenuated atoms of each group below each face, seen from that face.

    `atoms` are cumulated down to the faces; the last slice stands for the substrate.
    """
    dz = np.diff(depth)
    mean = np.diff(atoms, axis=0) / dz[:, None]
    sight = np.empty_like(atoms)
    sight[-1] = mean[-1] * escape
    for k in range(dz.size - 1, -1, -1):
        own = mean[k] * escape * -np.expm1(-dz[k] / escape)
        sight[k] = own + np.exp(-dz[k] / escape) * sight[k + 1]
    return sight


def column_pass(
    depths: Depths,
    groups: Groups,
    sample: Sample,
    instrument: Instrument,
    atoms: Array,
    refine: float,
) -> Pass:
    """March the altered layer down the sample over the faces `atoms` [atoms/nm2]."""
    density = np.asarray(sample.atomic_density_per_nm3, float)
    escape = float(instrument.escape_depth_nm)
    kind = instrument.mixing[0]
    zone = 0.0 if kind == "none" else float(instrument.mixing[-1]) * density[0]

    def cumulated(z: Array) -> Array:
        return (depths.layers_above(z) * density)[:, groups.layer] * groups.share

    entering_nm = depths.depth(atoms + zone)
    entering = np.ascontiguousarray(cumulated(entering_nm))
    feed = np.ascontiguousarray(np.diff(entering, axis=0) / np.diff(atoms)[:, None])
    thickness = np.zeros(atoms.size)
    sight = np.zeros_like(entering)
    volume = 1.0 / density[groups.layer]
    if kind == "none":
        removed, seen = feed, feed
    elif kind == "uniform":
        start = entering[0] / zone
        longest = 0.05 * zone * groups.weight.min() / groups.weight.max()
        removed, states = _uniform_pass(atoms, feed, zone, groups.weight, start.copy(), longest)
        seen = 0.5 * (states[1:] + states[:-1])
        if escape > 0.0:
            per_atom = states @ volume
            thickness = zone * per_atom
            sight = states * (escape / per_atom * -np.expm1(-thickness / escape))[:, None]
    elif kind == "diffusive":
        length, reach = instrument.mixing[1:]
        strength = zone / (2.0 * diffusion_parameter(length, reach))
        per_dose = strength * density[0] * float(np.asarray(sample.rate_nm_s, float)[0])
        weakest = per_dose * groups.cost_s.min()
        cells = int(refine * np.clip(10.0 * zone / weakest, 400, 1500))
        start = np.diff(cumulated(depths.depth(np.linspace(0.0, zone, cells + 1))), axis=0)
        removed, surface, sight, thickness = _diffusive_pass(
            atoms, feed, zone, groups.weight, groups.cost_s, per_dose, start * cells / zone,
            volume, escape,
        )  # fmt: skip
        seen = 0.5 * (surface[1:] + surface[:-1])
    else:
        raise ValueError(f"mixing: {kind!r} is not one of none, uniform, diffusive")
    if escape > 0.0:
        if instrument.view == "viewed":
            beyond = _below_zone(entering_nm, entering, escape)
            at_face = sight + np.exp(-thickness / escape)[:, None] * beyond
        else:
            # Depths count in atoms, so that each of them comes out once.
            at_face = _below_zone(atoms, entering, escape * density[0])
        at_face = at_face / at_face.sum(axis=1, keepdims=True)
        seen = 0.5 * (at_face[1:] + at_face[:-1])
        if instrument.view == "collected":
            # Through a zone of this thickness in the first layer; the rest leaves with the zone.
            through = np.exp(-zone / density[0] / escape)
            seen = through * seen + (1.0 - through) * removed
    return Pass(removed, seen)


# ---------------------------------------------------------------------------- grid of slices


def slice_faces(
    depths: Depths, sample: Sample, instrument: Instrument, deep_nm: float, refine: float
) -> Array:
    """Faces of the slices in atoms/nm2: fine near every feature, coarser in proportion to distance.

    Features are the surface, the interfaces, and the moments at which interfaces enter the zone.
    """
    density = np.asarray(sample.atomic_density_per_nm3, float)
    thickness = np.atleast_1d(np.asarray(sample.thickness_nm, float))[: len(depths.interfaces)]
    kind = instrument.mixing[0]
    zone = 0.0 if kind == "none" else float(instrument.mixing[-1]) * density[0]
    scales = [t / 50.0 for t in thickness[:1]] + [0.5]
    if zone > 0.0:
        scales.append(float(instrument.mixing[1]) / 200.0)
    if instrument.escape_depth_nm > 0.0:
        scales.append(float(instrument.escape_depth_nm) / 100.0)
    finest = min(scales)

    def atoms_at(z: ArrayLike) -> Array:
        return depths.layers_above(np.clip(np.atleast_1d(z), 0.0, deep_nm)) @ density

    deepest = float(atoms_at(deep_nm)[0])
    features = [(0.0, 0.0, min(finest / 10.0, 0.0005) * density[0])]
    breaks = [0.0, deepest]
    for j, interface in enumerate(depths.interfaces):
        plane, width = interface[:2]
        step = finest if width == 0.0 else min(finest, width / 25.0)
        step = min(step, thickness[j] / 20.0) * min(density[j], density[j + 1])
        low, high = atoms_at([plane - 2.5 * width, plane + 2.5 * width])
        cuts = atoms_at(kinks(*interface))
        for shift in {0.0, zone}:
            features.append((low - shift, high - shift, step))
            breaks.extend(cuts - shift)
    growth = 0.007 / refine
    breaks = np.unique([b for b in breaks if 0.0 <= b <= deepest])

    start, end, finest_step = np.array(features).T

    def spacing(n: float) -> float:
        distance = np.maximum(0.0, np.maximum(start - n, n - end))
        return float(np.min(finest_step / refine + growth * distance))

    faces = [np.zeros(1)]
    for low, high in pairwise(breaks):
        if high - low < 1e-9 * density[0]:
            continue
        faces.append(_graded(low, high, spacing))
    return np.concatenate(faces)


def _graded(low: float, high: float, spacing: Callable[[float], float]) -> Array:
    """Faces after `low` up to `high`, at distances of about spacing(n)."""
    points = [low]
    while points[-1] < high:
        points.append(points[-1] + spacing(points[-1]))
    points = np.array(points)
    return low + (points[1:] - low) * ((high - low) / (points[-1] - low))


# ---------------------------------------------------------------------------- lateral spread


def rates_over_area(crater: tuple, count: int) -> tuple[Array, Array]:
    """Relative erosion rates g over the analysed area, and their shares of it."""
    kind = crater[0]
    middle = (np.arange(count) + 0.5) / count
    even = np.full(count, 1.0 / count)
    if kind == "flat":
        return np.ones(1), np.ones(1)
    if kind in ("parabolic", "tilted"):
        return 1.0 + crater[1] * (middle - 0.5), even
    if kind == "edged":
        share, rate = crater[1:]
        g = np.array([rate, 1.0])
        weight = np.array([share, 1.0 - share])
        return g / (g @ weight), weight
    if kind == "measured":
        square = np.asarray(crater[1], float) ** 2
        depth = np.asarray(crater[2], float)
        share = np.diff(square) / (square[-1] - square[0])
        mean = share @ (0.5 * (depth[1:] + depth[:-1]))
        parts = np.ceil(0.5 * count * share).astype(int)  # none straddles a measured point
        at = np.concatenate([(np.arange(n) + 0.5) / n + k for k, n in enumerate(parts)])
        aside = np.repeat(0.5 / parts, parts) / np.sqrt(3.0)  # Gauss-Legendre, two points to each
        at = np.sort(np.concatenate([at - aside, at + aside]))
        weight = np.repeat(0.5 * share / parts, 2 * parts)
        return np.interp(at, np.arange(square.size), depth) / mean, weight
    raise ValueError(f"crater: {kind!r} is not known")


@dataclass(frozen=True)
class Columns:
    """Columns of the crater: every relative rate g with every normal deviate u."""

    dose: Array  # (K',) dose clock at the faces, mirror image included
    sigma: Array
    g: Array
    g_weight: Array
    u: Array
    u_weight: Array

    def arrivals(self) -> Iterator[tuple[float, Array]]:
        """For every u: its weight, and the arrival dose at each face."""
        for u, weight in zip(self.u, self.u_weight, strict=True):
            yield weight, np.maximum.accumulate(self.dose - u * self.sigma)

    def mean(self, values: Array, dose: Array) -> Array:
        """Mean over the area of values (K', S) at the face reached, at the given doses."""
        return self._sum(lambda arrival: values, self.g_weight, dose)

    def mean_in_time(self, fractions: Array, dose: Array) -> Array:
        """Mean over the area and over each dose interval of fractions (K' - 1, S) at the surface.

        A column shows slice k from its arrival at the upper face to that at the lower one.
        """

        def shown(arrival: Array) -> Array:
            parts = fractions * np.diff(arrival)[:, None]
            return np.concatenate([np.zeros((1, parts.shape[1])), np.cumsum(parts, axis=0)])

        total = self._sum(shown, self.g_weight / self.g, dose)
        return np.diff(total, axis=0) / np.diff(dose)[:, None]

    def _sum(self, values_of: Callable[[Array], Array], g_weight: Array, dose: Array) -> Array:
        """Sum over all columns of what each has reached at the local doses g * dose."""
        local = np.outer(self.g, dose)
        order = np.argsort(local, axis=None)
        sample = np.ascontiguousarray(order % dose.size)
        shares, local = g_weight[order // dose.size], local.ravel()[order]
        total = 0.0
        for weight, arrival in self.arrivals():
            values = np.ascontiguousarray(values_of(arrival))
            part = np.zeros((dose.size, values.shape[1]))
            _add_reached(part, arrival, values, local, sample, shares)
            total = total + weight * part
        return total

    def exposure(self, dose: Array) -> Array:
        """Share of the area past each face: (doses, K')."""
        halted = np.zeros((dose.size, self.dose.size + 1))  # share that has passed just k faces
        for weight, arrival in self.arrivals():
            for t, d in enumerate(dose):
                passed = np.searchsorted(arrival, self.g * d, side="right")
                np.add.at(halted[t], passed, weight * self.g_weight)
        return np.cumsum(halted[:, ::-1], axis=1)[:, ::-1][:, 1:]


@njit(cache=True)
def _add_reached(total, arrival, values, local, sample, shares):
    """Interpolate values at the ascending local doses and add them to their samples."""
    last = arrival.size - 1
    k = 0
    for j in range(local.size):
        while k < last and arrival[k + 1] <= local[j]:
            k += 1
        part = 0.0
        if k < last and local[j] > arrival[k]:
            part = (local[j] - arrival[k]) / (arrival[k + 1] - arrival[k])
        for s in range(values.shape[1]):
            reached = values[k, s]
            if part > 0.0:
                reached += part * (values[k + 1, s] - values[k, s])
            total[sample[j], s] += shares[j] * reached


def make_columns(
    dose: Array, sigma: Array, crater: tuple, plane_dose: Array, count: float, refine: float
) -> Columns:
    """Choose the columns: at least 2000, unless a flat crater without roughness needs but one.

    At most about `count` columns, with g and u in such numbers that their steps are alike in dose
    at the interfaces (but not equal, lest they beat).
    """
    if not np.any(sigma > 0.0):
        g, g_weight = rates_over_area(crater, int(3000 * refine))
        return Columns(dose, sigma, g, g_weight, np.zeros(1), np.ones(1))
    count_u, count_g = 4000.0, 1.0 / refine
    g, _ = rates_over_area(crater, 100)
    if crater[0] not in ("flat", "edged"):
        at = np.maximum(plane_dose, 1e-3 * dose[-1])
        range_of_g = max(float(g.max() - g.min()), 1e-6)
        ratio = 2.0 * U_MAX * np.interp(at, dose, sigma) / (at * range_of_g)
        count_u = np.clip(np.sqrt(1.6 * count * ratio.max()), 120, 2000)
        count_g = np.clip(np.sqrt(count / 1.6 / ratio.min()), 25, 1000)
        both = max(1.0, count_u * count_g / count)
        count_u, count_g = count_u / np.sqrt(both), count_g / np.sqrt(both)
    g, g_weight = rates_over_area(crater, round(count_g * refine))
    u = np.linspace(-U_MAX, U_MAX, int(count_u * refine) + 1)
    density = np.exp(-0.5 * u * u)
    return Columns(dose, sigma, g, g_weight, u, density / density.sum())


def balance_doses(columns: Columns, supplied: Array) -> tuple[Array, float]:
    """Doses D* at which the dose used equals the dose supplied, and the largest residual."""

    def reached(dose: Array) -> Array:
        return columns.mean(columns.dose[:, None], dose)[:, 0]

    end = float(supplied[-1])
    while True:
        table = end * np.linspace(0.0, 1.0, 601) ** 2
        value = reached(table)
        start = value[0]
        if value[-1] - start >= supplied[-1] * (1.0 - 1e-13):
            break
        end *= 1.1
    excess = np.maximum.accumulate(value)[None, :] - start - supplied[:, None]
    trial = np.broadcast_to(table, excess.shape)
    best, miss = np.zeros(supplied.size), np.where(supplied > 0.0, np.inf, 0.0)
    low, high = np.zeros((2, supplied.size)), np.zeros((2, supplied.size))  # dose and excess
    open_ = np.arange(supplied.size)
    for inner in (0, 15, 15, 15, 15, 15, 15, 15, 15):
        cell = np.clip(np.sum(excess < 0.0, axis=1), 1, trial.shape[1] - 1)
        row = np.arange(open_.size)
        low[:, open_] = trial[row, cell - 1], excess[row, cell - 1]
        high[:, open_] = trial[row, cell], excess[row, cell]
        open_ = np.flatnonzero(np.abs(miss) > 1e-9 * supplied[-1])
        if open_.size == 0:
            break
        (a, fa), (b, fb) = low[:, open_], high[:, open_]
        guess = a + (b - a) * np.where(fb > fa, -fa / np.where(fb > fa, fb - fa, 1.0), 0.5)
        cuts = a[:, None] + (b - a)[:, None] * np.arange(1, inner + 1) / (inner + 1)
        order = np.argsort(np.column_stack([guess, cuts]), axis=1)
        trial = np.take_along_axis(np.column_stack([guess, cuts]), order, axis=1)
        excess = reached(trial.ravel()).reshape(trial.shape) - start - supplied[open_, None]
        at = np.argmin(order, axis=1)
        best[open_], miss[open_] = guess, excess[np.arange(open_.size), at]
        trial = np.column_stack([a, trial, b])
        excess = np.column_stack([fa, excess, fb])
    return best, float(np.max(np.abs(miss)))


# ---------------------------------------------------------------------------- the whole


def roughness(
    depth: Array, atoms: Array, dose: Array, start_dose_per_nm: float, instrument: Instrument
) -> Array:
    """Standard deviation of the arrival dose at each face [s]."""
    dz = np.diff(depth)
    per_nm = np.diff(dose) / dz
    settled = instrument.final_nm * (1.0 - np.exp(-depth / instrument.settling_nm))
    growth = {
        "none": np.zeros(dz.size),
        "saturating": np.diff(settled**2) / dz,
        "columns": np.zeros(dz.size),
        "statistical": (np.diff(atoms) / dz) ** (-1.0 / 3.0),
        "grains": np.full(dz.size, instrument.relative_spread**2 * instrument.grain_nm),
    }[instrument.growth]
    grown = np.concatenate([[0.0], np.cumsum(per_nm**2 * growth * dz)])
    variance = (instrument.initial_nm * start_dose_per_nm) ** 2 + grown
    if instrument.growth == "columns":
        variance = variance + (instrument.relative_spread * dose) ** 2
    return np.sqrt(variance)


def _depth_needed(sample: Sample, instrument: Instrument, core_nm: float, dose_end: float) -> float:
    """Depth [nm] that no column passes within the dose, with a margin."""
    density = np.asarray(sample.atomic_density_per_nm3, float)
    rate = np.asarray(sample.rate_nm_s, float)
    spread = instrument.relative_spread if instrument.growth == "columns" else 0.0
    u = min(U_MAX, 0.98 / spread) if spread > 0.0 else U_MAX
    per_nm2 = {
        "statistical": float(density.min()) ** (-1.0 / 3.0),
        "grains": instrument.relative_spread**2 * instrument.grain_nm,
        "saturating": instrument.final_nm**2 / max(core_nm, 1.0),
    }.get(instrument.growth, 0.0)
    g_max = float(rates_over_area(instrument.crater, 100)[0].max()) * 1.01
    slowest, start = 1.0 / rate[-1], instrument.initial_nm / rate.min()
    extra = 1.0
    while True:  # the dose of the layers above counts as roughness only: a safe estimate
        dose = slowest * extra
        above = core_nm * per_nm2 / rate.min() ** 2
        sigma = np.sqrt(start**2 + above + per_nm2 * extra * slowest**2 + (spread * dose) ** 2)
        if dose - u * sigma > 1.05 * g_max * dose_end:
            return core_nm + 1.2 * extra
        extra *= 1.1


def _mirrored(dose: Array, sigma: Array) -> int:
    """Number of slices to continue above the surface: those not yet passed everywhere at D = 0."""
    passed = dose - U_MAX * sigma > 0.0
    late = np.flatnonzero(~passed)
    return min(int(late[-1]) + 2, dose.size - 1)


def simulate(
    sample: Sample, instrument: Instrument, time_edges_s: ArrayLike, refine: float = 1.0
) -> Reference:
    """Simulate one profile.

    Parameters
    ----------
    sample, instrument
        What is measured and with what.
    time_edges_s : (T,) array_like
        Ascending edges of the sampling intervals [s], at or above 0.
    refine : float
        All steps are divided, all numbers of columns multiplied by it.

    Returns
    -------
    Reference
        The signal by layer and element, with the clock and the checks.

    Raises
    ------
    ValueError
        For an unknown interface shape, mixing or crater.
    """
    time = np.asarray(time_edges_s, float)
    density = np.asarray(sample.atomic_density_per_nm3, float)
    planes = solve_planes(sample)
    interfaces = [
        (float(z), float(w), shape, side)
        for z, w, shape, side in zip(
            planes, sample.width_nm, sample.shape, sample.side, strict=True
        )
    ]
    groups = group_species(sample, instrument.preference)
    zone_nm = 0.0 if instrument.mixing[0] == "none" else float(instrument.mixing[-1])
    zone_nm *= density[0] / density.min()
    widest = max([w for _, w, _, _ in interfaces], default=0.0)
    core_nm = float(max([0.0, *planes])) + 30.0 * widest + zone_nm
    deep_nm = _depth_needed(sample, instrument, core_nm, float(time[-1]))
    depths = Depths(interfaces, density, deep_nm + 2.0 * zone_nm + 1.0)

    smooth = instrument.crater[0] not in ("flat", "edged") or instrument.initial_nm > 0.0
    smooth = smooth or instrument.growth != "none"
    atoms = slice_faces(depths, sample, instrument, deep_nm, refine if smooth else 5.0 * refine)
    depth = depths.depth(atoms)
    result = column_pass(depths, groups, sample, instrument, atoms, refine)
    step = np.diff(atoms)
    dose = np.concatenate([[0.0], np.cumsum(step * (result.removed @ groups.cost_s))])
    # The initial roughness is a scatter of the thickness of the undisturbed top layer: a column has
    # more or less of it to remove, at the dose per nm that it costs in its steady state. What the
    # first atoms of an altered layer cost is no matter.
    rate = np.asarray(sample.rate_nm_s, float)
    start_dose_per_nm = float(depths.fractions(np.zeros(1))[0] @ (1.0 / rate))
    sigma = roughness(depth, atoms, dose, start_dose_per_nm, instrument)

    m = _mirrored(dose, sigma)
    both_dose = np.concatenate([-dose[m:0:-1], dose])
    both_sigma = np.concatenate([sigma[m:0:-1], sigma])
    plane_dose = np.interp(planes, depth, dose) if planes.size else dose[-1:]
    count = 40000.0 if instrument.mixing[0] == "none" else 12000.0
    columns = make_columns(both_dose, both_sigma, instrument.crater, plane_dose, count, refine)

    viewed = instrument.view == "viewed"
    # D* rises unevenly while a rough surface is opened: the first intervals are cut finer.
    parts = np.where(np.arange(time.size - 1) < 4, 32, 4)
    edges = _refined(time, parts) if viewed else time
    balanced, residual = balance_doses(columns, edges)
    if viewed:
        both_seen = np.concatenate([result.seen[m - 1 :: -1][:m], result.seen])
        fine = columns.mean_in_time(both_seen, balanced)
        first = np.cumsum(parts) - parts
        signal = np.add.reduceat(fine, first, axis=0) / parts[:, None]
        balanced = balanced[np.append(first, -1)]
    else:
        what = result.seen if instrument.escape_depth_nm > 0.0 else result.removed
        gone = np.vstack([np.zeros(what.shape[1]), np.cumsum(what * step[:, None], axis=0)])
        both_gone = np.concatenate([-gone[m:0:-1], gone])
        signal = np.diff(columns.mean(both_gone, balanced), axis=0)

    some = np.unique(np.linspace(0, time.size - 1, 5).astype(int))
    exposure = columns.exposure(balanced[some])
    present = (depths.layers_above(depth[-1:]) * density)[0, groups.layer] * groups.share
    checks = {
        "planes": _plane_error(depths, sample),
        "removed_sum": float(np.max(np.abs(result.removed.sum(axis=1) - 1.0))),
        "removed_min": float(result.removed.min()),
        "seen_sum": float(np.max(np.abs(result.seen.sum(axis=1) - 1.0))),
        "ion_budget": residual / float(time[-1]),
        "exposure_min": float(exposure.min()),
        "exposure_max": float(exposure.max()),
        "exposure_order": float(max(0.0, np.diff(exposure, axis=1).max())),
        "slices": float(step.size),
        "past_the_end": float(exposure[:, -1].max()),
    }
    return Reference(
        signal=groups.spread(signal),
        plane_nm=planes,
        depth_nm=depth,
        atoms_per_nm2=atoms,
        dose_s=dose,
        sigma_s=sigma,
        removed=groups.spread(result.removed),
        available=groups.spread(present),
        balanced_dose_s=balanced,
        exposure=exposure,
        checks=checks,
    )


def _refined(time: Array, parts: Array) -> Array:
    """Each interval cut into its number of equal parts."""
    inner = [
        np.linspace(start, end, count, endpoint=False)
        for start, end, count in zip(time, time[1:], parts, strict=False)
    ]
    return np.append(np.concatenate(inner), time[-1])


def _plane_error(depths: Depths, sample: Sample) -> float:
    """Largest error of a layer's thickness [nm]."""
    thickness = np.atleast_1d(np.asarray(sample.thickness_nm, float))[: len(depths.interfaces)]
    if thickness.size == 0:
        return 0.0
    return float(np.max(np.abs(depths.layer_nm[-1, : thickness.size] - thickness)))
