"""The readings as a function of fractions in cells, and of what else is not exactly known."""

from dataclasses import dataclass, field

import numpy as np

from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.linear_numbers import LinearNumber
from craterfront.models.materials.mixtures import nearest_mixtures, slopes
from craterfront.models.unfolding.linear_unfolding import LinearReadings
from craterfront.notation.parameters import Parameter, is_free
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.solution import Solution
from craterfront.unfolding.unfolding_cells import Cells, contributions

_OF_LAYERS = ("thickness", "density", "width", "interface roughness", "rate")
_RATES = ("rate", "common rate factor", "shared rate factor")
_FOR_SLOPE = 0.5  # standard uncertainties of a number of the instrument
UNKNOWN_LN_SD = float(np.log(10.0))
"""A sensitivity that nobody wrote: a factor of 10 either way of the first estimate."""


@dataclass(frozen=True)
class Nuisance:
    """A number that is not exactly known, as its deviation from the prior value.

    Attributes
    ----------
    name : str
    kind : str
        sensitivity, background, contamination or amount; or instrument, which is held.
    u : float
        Prior standard deviation; of a logarithm for sensitivities and amounts.
    index : int
        Channel, or parameter of the assembly.
    """

    name: str
    kind: str
    u: float
    index: int


@dataclass(frozen=True)
class Mixture:
    """What the composition makes of the rate, and what the nuisances change in it.

    Attributes
    ----------
    density_per_nm3, rate_nm_s : ndarray, shape (K,)
    atoms_nm2_s : ndarray, shape (K,)
        Atoms that erosion removes.
    dose_slope : ndarray, shape (K, E)
        Derivative of the dose per atom by the fractions.
    by_amount : ndarray, shape (K, A)
        Derivative of the logarithm of the removed atoms by the nuisances called amounts.
    by_rate : ndarray, shape (K, A)
        The same of the rate.
    assembly_composition : ndarray, shape (K, E')
        Of the elements of the assembly.
    """

    density_per_nm3: np.ndarray
    rate_nm_s: np.ndarray
    atoms_nm2_s: np.ndarray
    dose_slope: np.ndarray
    by_amount: np.ndarray
    by_rate: np.ndarray
    assembly_composition: np.ndarray


@dataclass
class UnfoldingModel:
    """Readings of all channels.

    Attributes
    ----------
    likelihood : Likelihood
        Readings and their noise.
    cells : Cells
    elements : list of str
        Those measured.
    complete : bool
        They are all; otherwise one more fraction stands for the rest.
    sensitivity : ndarray, shape (C,)
        Prior value or first estimate.
    weight : ndarray, shape (C, E)
        What a channel sees of each element, in units of its sensitivity.
    background : ndarray, shape (C,)
    contamination : ndarray, shape (C,)
    nuisances : list of Nuisance
    held : list of Nuisance
        Numbers of the instrument, whose uncertainty is carried through.
    kernels : ndarray, shape (E or 1, N, K)
        Readings, per removed atom per nm2 and second, or per fraction where amounts do not count.
    slopes : list of ndarray
        What one standard uncertainty of every number that is held changes in them.
    """

    likelihood: Likelihood
    cells: Cells
    elements: list[str]
    complete: bool
    sensitivity: np.ndarray
    weight: np.ndarray
    background: np.ndarray
    contamination: np.ndarray
    nuisances: list[Nuisance]
    held: list[Nuisance]
    kernels: np.ndarray = field(default_factory=lambda: np.zeros((1, 0, 0)))
    slopes: list[np.ndarray] = field(default_factory=list)

    @property
    def assembly(self) -> Assembly:
        """Of the experiment."""
        return self.likelihood.assembly

    @property
    def counts_atoms(self) -> bool:
        """A signal is the more intense the more atoms are removed."""
        intensity = self.likelihood.profile.values_kind == "intensity"
        return intensity and self.assembly.setup.detection.view == "collected"

    def of_kind(self, kind: str) -> list[int]:
        """Numbers of the nuisances of a kind."""
        return [i for i, nuisance in enumerate(self.nuisances) if nuisance.kind == kind]

    # --- composition and rate ------------------------------------------------------------------

    def _materials(self) -> tuple[list[int], np.ndarray]:
        """First layer of each material, and what it consists of, shape (M, E or E + 1)."""
        assembly = self.assembly
        of_layer = [assembly.material_of(i) for i in range(len(assembly.layers))]
        first = [of_layer.index(m) for m in range(max(of_layer) + 1)]
        composition = assembly.sample(assembly.nominal).composition
        own = composition[:, [assembly.elements.index(e) for e in self.elements]]
        if not self.complete:
            own = np.column_stack([own, 1.0 - own.sum(axis=1)])
        return first, own

    def mixture(self, fractions: np.ndarray) -> Mixture:
        """Of fractions of shape (E, K), or (E + 1, K) with the rest."""
        first, materials = self._materials()
        sample = self.assembly.sample(self.assembly.nominal)
        density, rate = sample.atomic_density_per_nm3, sample.rate_nm_s
        dose = 1.0 / (density * rate)
        shares = nearest_mixtures(fractions.T, materials)
        cost, volume = shares @ dose, shares @ (1.0 / density)
        of_dose = shares * dose / cost[:, None]
        amounts = [self.nuisances[i].index for i in self.of_kind("amount")]
        powers = [self.assembly.length_powers(layer) for layer in first]
        by_rate = np.array([[p.get(i, 0.0) for i in amounts] for p in powers])
        densities = np.array(
            [[self.assembly.density_index(k) == i for i in amounts] for k in first]
        )
        shape = (len(first), len(amounts))
        of_rate, of_density = by_rate.reshape(shape), densities.reshape(shape)
        return Mixture(
            1.0 / volume,
            volume / cost,
            1.0 / cost,
            slopes(shares, materials, dose),
            of_dose @ (of_rate + of_density),
            of_dose @ of_rate,
            self._of_assembly(fractions, shares @ sample.composition),
        )

    def _of_assembly(self, fractions: np.ndarray, mixed: np.ndarray) -> np.ndarray:
        """Fractions of the elements of the assembly, shape (K, E')."""
        if not self.complete:
            return mixed
        return fractions[[self.elements.index(e) for e in self.assembly.elements]].T

    def rate_nm_s(self, mixture: Mixture, nuisance: np.ndarray) -> np.ndarray:
        """Erosion rate in each cell, with what the readings say of it, shape (K,)."""
        return mixture.rate_nm_s * np.exp(mixture.by_rate @ nuisance[self.of_kind("amount")])

    def depth_edges_nm(self, mixture: Mixture, nuisance: np.ndarray) -> np.ndarray:
        """Depths of the edges of cells, shape (K + 1,)."""
        thickness = self.rate_nm_s(mixture, nuisance) * self.cells.dose_s
        return np.append(0.0, np.cumsum(thickness))

    def depth_slopes(self, mixture: Mixture, nuisance: np.ndarray) -> np.ndarray:
        """Derivatives of the depth of each cell edge by the nuisances, shape (K + 1, Q)."""
        thickness = self.rate_nm_s(mixture, nuisance) * self.cells.dose_s
        out = np.zeros((self.cells.count + 1, len(self.nuisances)))
        per_cell = thickness[:, None] * mixture.by_rate
        out[1:, self.of_kind("amount")] = np.cumsum(per_cell, axis=0)
        return out

    # --- kernels -------------------------------------------------------------------------------

    def update_kernels(self, mixture: Mixture, fractions: np.ndarray) -> None:
        """Ask the engine anew what each cell adds, and how the instrument's numbers change it."""
        nominal = self.assembly.nominal
        self.kernels = self._kernels(nominal, mixture, fractions)
        self.slopes = []
        for number in self.held:
            moved = nominal.copy()
            moved[number.index] += _FOR_SLOPE * number.u
            change = self._kernels(moved, mixture, fractions) - self.kernels
            self.slopes.append(change / _FOR_SLOPE)

    def _kernels(self, values: np.ndarray, mixture: Mixture, fractions: np.ndarray) -> np.ndarray:
        found = contributions(
            self.assembly,
            values,
            self.likelihood.terms.parts,
            self.cells,
            mixture.density_per_nm3,
            mixture.rate_nm_s,
            mixture.assembly_composition,
        )
        if len(found) > 1:
            found = found[[self.assembly.elements.index(e) for e in self.elements]]
        if self.counts_atoms:
            return found / mixture.atoms_nm2_s
        if self.likelihood.profile.values_kind != "intensity":
            of_all = fractions[: len(found)] if len(found) > 1 else np.ones((1, self.cells.count))
            return found / np.einsum("enk,ek->n", found, of_all)[:, None]
        return found

    # --- readings ------------------------------------------------------------------------------

    def _atoms(self, mixture: Mixture, nuisance: np.ndarray) -> np.ndarray:
        """What fractions count in each cell, shape (K,)."""
        if not self.counts_atoms:
            return np.ones(self.cells.count)
        amounts = nuisance[self.of_kind("amount")]
        return mixture.atoms_nm2_s * np.exp(mixture.by_amount @ amounts)

    def _seen(self, kernels: np.ndarray, held: np.ndarray) -> np.ndarray:
        """Readings of each element, shape (E, N), of what cells hold, shape (E, K)."""
        return np.stack([kernels[min(e, len(kernels) - 1)] @ row for e, row in enumerate(held)])

    def _gain(self, nuisance: np.ndarray) -> np.ndarray:
        gain = self.sensitivity.copy()
        for i in self.of_kind("sensitivity"):
            gain[self.nuisances[i].index] *= np.exp(nuisance[i])
        return gain

    def _added(self, nuisance: np.ndarray) -> np.ndarray:
        """Background and contamination, shape (C, N)."""
        background, contamination = self.background.copy(), self.contamination.copy()
        for i in self.of_kind("background"):
            background[self.nuisances[i].index] += nuisance[i]
        for i in self.of_kind("contamination"):
            contamination[self.nuisances[i].index] += nuisance[i]
        return background[:, None] + contamination[:, None] * self._left()

    def _left(self) -> np.ndarray:
        """Share of a contamination that is there in each reading, shape (N,)."""
        if not self.contamination.any():
            return np.zeros(self.likelihood.interval.size)
        return self.assembly.contamination_left(self.likelihood.edges, self.assembly.nominal)

    def solution(self, mixture: Mixture, fractions: np.ndarray, nuisance: np.ndarray) -> Solution:
        """The readings of fractions and nuisances."""
        held = fractions[: len(self.elements)] * self._atoms(mixture, nuisance)
        seen = self._seen(self.kernels, held)
        signal = self._gain(nuisance)[:, None] * (self.weight @ seen)
        model = signal + self._added(nuisance)
        nothing = np.zeros(0)
        return Solution(model, signal, nothing, nothing, nothing)

    def derivatives(
        self, mixture: Mixture, fractions: np.ndarray, nuisance: np.ndarray, signal: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Of the readings by fractions, nuisances and what is held.

        Returns
        -------
        ndarray, shape (C, N, E', K)
        ndarray, shape (C, N, Q)
        ndarray, shape (C, N, J)
            For one standard uncertainty.
        """
        elements, kernels = len(self.elements), self.kernels
        atoms, gain = self._atoms(mixture, nuisance), self._gain(nuisance)
        by_element = np.broadcast_to(kernels * atoms, (elements, *kernels.shape[1:]))
        seen_by = gain[:, None] * self.weight
        by_fraction = np.zeros((*signal.shape, len(fractions), self.cells.count))
        for e in range(elements):
            by_fraction[:, :, e] += seen_by[:, e, None, None] * by_element[e]
        if self.counts_atoms:
            # More of what costs much dose leaves fewer atoms of everything.
            relative = mixture.dose_slope.T * mixture.atoms_nm2_s  # (E', K)
            mixed = np.einsum("ce,enk,ek->cnk", seen_by, by_element, fractions[:elements])
            by_fraction -= mixed[:, :, None, :] * relative
        by_nuisance = np.zeros((*signal.shape, len(self.nuisances)))
        held = fractions[:elements] * atoms
        amount = 0
        for i, each in enumerate(self.nuisances):
            if each.kind == "sensitivity":
                by_nuisance[each.index, :, i] = signal[each.index]
            elif each.kind == "background":
                by_nuisance[each.index, :, i] = 1.0
            elif each.kind == "contamination":
                by_nuisance[each.index, :, i] = self._left()
            else:
                seen = self._seen(kernels, held * mixture.by_amount[:, amount])
                by_nuisance[:, :, i] = seen_by @ seen if self.counts_atoms else 0.0
                amount += 1
        by_held = np.zeros((*signal.shape, len(self.held)))
        for j, slope in enumerate(self.slopes):
            by_held[:, :, j] = seen_by @ self._seen(slope, held)
        return by_fraction, by_nuisance, by_held

    def linearised(
        self,
        mixture: Mixture,
        fractions: np.ndarray,
        nuisance: np.ndarray,
        contrast: np.ndarray,
        offset: np.ndarray,
        has_amplitude: np.ndarray,
    ) -> tuple[LinearReadings, np.ndarray]:
        """Readings about a state: in sums, and their derivatives (C, N, P).

        All in standard deviations of the noise, without what fluctuates in all channels together.
        """
        likelihood = self.likelihood
        solution = self.solution(mixture, fractions, nuisance)
        likelihood.update_weights(solution)
        by_fraction, by_nuisance, by_held = self.derivatives(
            mixture, fractions, nuisance, solution.signal
        )
        target = likelihood.values - solution.model
        target += np.einsum("cnek,ek->cn", by_fraction, fractions - offset[:, None])
        target += by_nuisance @ nuisance
        by_y = np.einsum("cnek,ef->cnfk", by_fraction, contrast)
        columns = [by_y.reshape(*target.shape, -1), by_nuisance, by_held, target[..., None]]
        stacked = np.concatenate(columns, axis=-1)
        variance = likelihood.noise.variance(np.maximum(solution.model, 0.0), likelihood.interval)
        stacked /= np.sqrt(variance)[..., None]
        stacked[likelihood.censored] = 0.0
        white = likelihood.whitened(stacked)
        size = by_y.shape[2] * self.cells.count + len(self.nuisances)
        rows = white.reshape(-1, white.shape[-1])
        design, held, target = rows[:, :size], rows[:, size:-1], rows[:, -1]
        u = np.array([each.u for each in self.nuisances])
        readings = LinearReadings(
            design.T @ design,
            design.T @ target,
            contrast,
            offset,
            has_amplitude,
            u,
            design.T @ held,
        )
        return readings, white[..., :size]


def inexact_numbers(likelihood: Likelihood) -> list[Nuisance]:
    """Everything that is not exactly known, with its prior; of the sample only rates, densities."""
    assembly = likelihood.assembly
    intensity = likelihood.profile.values_kind == "intensity"
    kinds = {"sensitivity": UNKNOWN_LN_SD if intensity else 0.0}
    found = []
    for number in assembly.linear_numbers():
        kind = number.name.split(" ", 1)[0]
        u = _linear_u(number, kind, kinds.get(kind, 0.0))
        if u > 0:
            found.append(Nuisance(number.name, kind, u, number.channel))
    counts = intensity and assembly.setup.detection.view == "collected"
    for index, parameter in enumerate(assembly.parameters):
        if parameter.is_fixed or not parameter.has_prior:
            continue
        if parameter.kind in _RATES or (parameter.kind == "density" and counts):
            u = parameter.u / parameter.value if parameter.logarithmic else parameter.u
            found.append(Nuisance(parameter.name, "amount", u, index))
        elif parameter.kind not in _OF_LAYERS:
            found.append(Nuisance(parameter.name, "instrument", parameter.u, index))
    return found


def _linear_u(number: LinearNumber, kind: str, if_free: float) -> float:
    """Standard deviation of a linear number; a background or contamination is only as written."""
    quantity = number.quantity
    if quantity.u is not None:
        relative = kind == "sensitivity"
        return quantity.u / quantity.value if relative and quantity.value else quantity.u
    return if_free if is_free(quantity) else 0.0


def unknown_instrument(assembly: Assembly) -> list[Parameter]:
    """Numbers of the instrument that the file leaves open."""
    return [
        p for p in assembly.parameters if p.state == "free" and p.kind not in (*_OF_LAYERS, *_RATES)
    ]
