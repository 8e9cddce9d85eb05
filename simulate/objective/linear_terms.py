"""What each linear number multiplies in the readings, as a function of the parameters."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Self

import numpy as np

from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.input_slopes import moves
from craterfront.forward_model.reading_parts import ReadingParts
from craterfront.forward_model.responses import optical_depths
from craterfront.models.materials.elements import atomic_mass_u
from craterfront.models.quick_engine.engine import run
from craterfront.models.quick_engine.slicing import SlicePlan
from craterfront.objective import row_slopes
from craterfront.objective.refusals import refusals
from craterfront.objective.row_differences import differences, needs_differences


@dataclass(frozen=True)
class LinearTerms:
    """The readings but for sensitivities, backgrounds and contaminations, with held slices.

    Attributes
    ----------
    assembly : Assembly
    values_kind : str
        Of the profile.
    edges : ndarray
        Ends of the readings, shape (N + 1,), or the moments of snapshots, shape (N,).
    free : sequence of int
        Parameters that are not held.
    parts : ReadingParts
        When the engine is asked for them.
    plan : SlicePlan, optional
        The slices; None: those of the engine.
    """

    assembly: Assembly
    values_kind: str
    edges: np.ndarray
    free: Sequence[int]
    parts: ReadingParts
    plan: SlicePlan | None = None

    @cached_property
    def channel_of(self) -> np.ndarray:
        """Channel of each linear number, shape (Q,)."""
        return np.array([n.channel for n in self.assembly.linear_numbers()], dtype=int)

    @cached_property
    def projection(self) -> np.ndarray:
        """Of atoms on what the assembly collects; for fractions on everything, too; (M, E, Q)."""
        projection = self.assembly.collects()
        if self.values_kind == "intensity":
            return projection
        everything = np.ones((*projection.shape[:-1], 1))
        projection = np.concatenate([projection, everything], axis=-1)
        if self.values_kind == "mass fraction":
            mass = np.array([atomic_mass_u(e) for e in self.assembly.elements])
            projection = projection * mass[None, :, None]
        return projection

    def replanned(self, values: np.ndarray) -> Self:
        """The same with the slices chosen for values of all parameters.

        Raises
        ------
        NotComputable
        """
        with refusals():
            parts = self.assembly.reading_parts(self.edges, values)
            return replace(self, plan=self.assembly.slices(parts, values), parts=parts)

    def _shown(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What is seen, or shines per second, of each projection; mean depth at the edges."""
        with refusals():
            result = run(
                self.assembly.eroding(values),
                self.assembly.instrument(values),
                self.assembly.supplied_dose_s(self.parts.edges_s, values),
                self.projection,
                self.plan,
            )
        raw = self.assembly.readings(result.signal.T, self.parts, values)
        depth_nm = result.mean_depth_nm[self.parts.ends]
        return raw, self.assembly.true_depth_nm(depth_nm, values)

    def optical_depths(self, values: np.ndarray) -> np.ndarray:
        """Optical depth of every channel's line, shape (C, N)."""
        raw, _ = self._shown(values)
        absorption = self.assembly.self_absorption_nm2_s(values)
        responses = self.assembly.responses
        return optical_depths(responses, raw[: len(responses)], absorption)

    def of_responses(self, shown: np.ndarray, values: np.ndarray) -> np.ndarray:
        """What each response multiplies, of what is shown of each projection, (Q, N)."""
        if self.values_kind == "intensity":
            return self.assembly.shining(shown, values)
        return shown[: len(self.assembly.responses)] / np.maximum(shown[-1], 1e-300)

    def rows(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What each linear number multiplies, shape (Q, N), and mean depth at the edges.

        Raises
        ------
        NotComputable
        """
        raw, mean_depth_nm = self._shown(values)
        terms = self.of_responses(raw, values)
        rows = np.ones((self.channel_of.size, terms.shape[-1]))
        rows[: len(terms)] = terms
        first = len(terms) + len(self.assembly.channels)
        if len(rows) > first:
            rows[first:] = self.assembly.contamination_left(self.edges, values)
        return rows, mean_depth_nm

    def rows_and_slopes(
        self, values: np.ndarray, squared: Collection[int] = ()
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Rows and mean depth as `rows` gives them, with their derivatives, in one pass.

        Parameters
        ----------
        values : ndarray
            Of all parameters.
        squared : collection of int
            Positions in `free` of parameters by whose square the derivatives are; of the others
            they are by the value. For a width, a curvature or a roughness of exactly 0 that by the
            value is 0 and that by the square finite. For a mixing length or an escape depth of 0
            both are 0: the model does not go by their squares there. Differences stand in where
            `row_differences.needs_differences` says so.

        Returns
        -------
        rows : ndarray, shape (Q, N)
        depth_nm : ndarray, shape (T,)
        row_slopes : ndarray, shape (P, Q, N)
            By the physical values `values[free[p]]`, with the slices and parts held.
        depth_slopes : ndarray, shape (P,)
            Of the last depth.

        Raises
        ------
        NotComputable
        """
        assembly, along = self.assembly, moves(values, self.free, squared)
        if self.free and all(needs_differences(assembly, index) for index in self.free):
            rows, depth = self.rows(values)
            slopes, depth_slopes = differences(self.rows, values, along)
            return rows, depth, slopes, depth_slopes[:, -1]
        with refusals():
            found = row_slopes.shown(
                assembly, values, along, self.parts, self.projection, self.plan
            )
        if self.values_kind == "intensity":
            terms, change = row_slopes.shining(assembly, found.rows, found.slopes, values, along)
        else:
            terms, change = row_slopes.fractions(found.rows, found.slopes, len(assembly.responses))
        rows = np.ones((self.channel_of.size, terms.shape[-1]))
        slopes = np.zeros((len(along), *rows.shape))
        rows[: len(terms)], slopes[:, : len(terms)] = terms, change
        first = len(terms) + len(assembly.channels)
        if len(rows) > first:
            rows[first:] = assembly.contamination_left(self.edges, values)
            of_left = row_slopes.contamination_slopes(assembly, self.edges, values, along)
            slopes[:, first:] = of_left[:, None]
        for p, index in enumerate(self.free):
            if needs_differences(assembly, index):
                by_rows, by_depth = differences(self.rows, values, along[p : p + 1])
                slopes[p], found.depth_slopes[p] = by_rows[0], by_depth[0, -1]
        return rows, found.depth_nm, slopes, found.depth_slopes
