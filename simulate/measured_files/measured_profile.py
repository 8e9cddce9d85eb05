"""A measured profile as it was read: axis, readings, and conversions between fractions."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from craterfront.measured_files.axis_unit import BASE_UNITS
from craterfront.models.materials.elements import atomic_to_mass_fractions, mass_to_atomic_fractions
from craterfront.problems import InputProblems, shown

if TYPE_CHECKING:
    import xarray as xr

Axis = Literal["time", "depth"]
Position = Literal["start", "middle", "end"]
ValuesKind = Literal["intensity", "atomic fraction", "mass fraction"]

SMALLEST_STEP, LARGEST_STEP = 1e-9, 1e9  # of the axis [s or nm]
LARGEST_VALUE = 1e30

LARGEST_FRACTION = 2.0
"""A fraction above this is taken for a percentage; calibrations overshoot 1, but not that far."""


@dataclass(frozen=True, eq=False)
class MeasuredProfile:
    """A profile as it was measured, or as somebody else quantified it.

    Attributes
    ----------
    axis
        ``"time"`` or ``"depth"``.
    axis_values
        Times [s] or depths [nm] as given in the file, strictly increasing, shape (point,).
    interval
        Widths [s or nm] of the intervals that the points stand for, shape (point,). The file gives
        one place for each interval; see `axis_position`. At the ends, and beside rows whose axis
        cannot be read, the one gap that is known is taken.
    channels
        Names of the channels.
    values
        Intensities [1], or fractions [1], not per cent, shape (channel, point).
    values_kind
        ``"intensity"``, ``"atomic fraction"`` or ``"mass fraction"``.
    censored
        True where a reading is at or above the saturation of its channel, so that the true value
        is only known to be at least as large, shape (channel, point).
    notes
        What was left out, added up or changed, in plain words.
    source
        The file as it was named.
    axis_position
        Which place of its interval the axis gives: ``"start"``, ``"middle"`` or ``"end"``.
    elements
        Element symbol by channel, as far as given.
    axis_unit_doubt
        Where neither the settings nor the file name the unit of the axis: a sentence that says so.
    """

    axis: Axis
    axis_values: np.ndarray
    interval: np.ndarray
    channels: list[str]
    values: np.ndarray
    values_kind: ValuesKind
    censored: np.ndarray
    notes: list[str]
    source: str
    axis_position: Position = "middle"
    elements: Mapping[str, str] = field(default_factory=dict)
    axis_unit_doubt: str = ""

    @property
    def middle(self) -> np.ndarray:
        """Middles of the intervals [s or nm], shape (point,)."""
        shift = {"start": 0.5, "middle": 0.0, "end": -0.5}[self.axis_position]
        return self.axis_values + shift * self.interval

    def at(self, points: np.ndarray) -> "MeasuredProfile":
        """The profile at some of its points, given as a mask or by their numbers."""
        return replace(
            self,
            axis_values=self.axis_values[points],
            interval=self.interval[points],
            values=self.values[:, points],
            censored=self.censored[:, points],
        )

    def to_atomic_fractions(self) -> "MeasuredProfile":
        """The same profile in atomic fractions that add up to 1 at every point.

        Raises
        ------
        InputProblems
            The values are intensities, a channel has no element or shares it with another one, or
            the fractions at a point do not add up to more than 0.

        Notes
        -----
        x_i = (w_i / M_i) / sum_j (w_j / M_j), with mass fractions w and atomic masses M.
        """
        return self._converted("atomic fraction", mass_to_atomic_fractions)

    def to_mass_fractions(self) -> "MeasuredProfile":
        """The same profile in mass fractions that add up to 1 at every point.

        Raises
        ------
        InputProblems
            As `to_atomic_fractions`.

        Notes
        -----
        w_i = x_i M_i / sum_j (x_j M_j), with atomic fractions x and atomic masses M.
        """
        return self._converted("mass fraction", atomic_to_mass_fractions)

    def _converted(
        self, kind: ValuesKind, convert: Callable[[Mapping[str, float]], dict[str, float]]
    ) -> "MeasuredProfile":
        if self.values_kind == kind:
            return self
        problems = self._conversion_problems()
        if problems:
            raise InputProblems(problems, self.source)
        # Apart from the scale the conversion is one factor per element: that of equal amounts.
        factors = convert({self.elements[channel]: 1.0 for channel in self.channels})
        amounts = [factors[self.elements[channel]] for channel in self.channels]
        weighted = self.values * np.array(amounts)[:, np.newaxis]
        total = weighted.sum(axis=0)
        empty = np.flatnonzero(total <= 0)
        if empty.size:
            where = f"{self.axis} {self.axis_values[empty[0]]:g} {BASE_UNITS[self.axis]}"
            raise InputProblems([f"{where}: the fractions add up to no more than 0"], self.source)
        sums = self.values.sum(axis=0)
        note = (
            f"{self.values_kind}s, which add up to {sums.min():.4g} to {sums.max():.4g},"
            f" converted to {kind}s, which add up to 1"
        )
        return replace(self, values=weighted / total, values_kind=kind, notes=[*self.notes, note])

    def _conversion_problems(self) -> list[str]:
        if self.values_kind == "intensity":
            return ["intensities cannot be converted to fractions without a calibration"]
        problems = [
            f"elements: channel {shown(channel)} has no element"
            for channel in self.channels
            if channel not in self.elements
        ]
        users = Counter(self.elements[c] for c in self.channels if c in self.elements)
        problems += [
            f"elements: {count} channels hold the element {symbol}"
            for symbol, count in users.items()
            if count > 1
        ]
        return problems

    def to_dataset(self) -> "xr.Dataset":
        """The profile as an xarray Dataset.

        Returns
        -------
        xarray.Dataset
            ``intensity``, ``atomic_fraction`` or ``mass_fraction`` and ``censored`` over (channel,
            time or depth), and ``interval``; the coordinate ``time`` [s] or ``depth`` [nm] is the
            middle of the interval. Notes and source are attributes.
        """
        import xarray as xr

        unit = BASE_UNITS[self.axis]
        over = ("channel", self.axis)
        point = {"units": unit, "long_name": f"{self.axis}, middle of the interval"}
        width = {"units": unit, "long_name": f"width of the {self.axis} interval"}
        value = {"units": "1", "long_name": self.values_kind}
        censored = {"units": "1", "long_name": "reading at or above the saturation of its channel"}
        return xr.Dataset(
            {
                self.values_kind.replace(" ", "_"): (over, self.values, value),
                "censored": (over, self.censored, censored),
                "interval": (self.axis, self.interval, width),
            },
            {
                "channel": ("channel", self.channels, {"units": "1", "long_name": "channel"}),
                self.axis: (self.axis, self.middle, point),
            },
            {"source": self.source, "notes": "\n".join(self.notes)},
        )


def range_problems(profile: MeasuredProfile) -> list[str]:
    """Numbers that nobody means, or that cannot be computed with."""
    problems = []
    unit = BASE_UNITS[profile.axis]
    steps, farthest = profile.interval, np.abs(profile.axis_values).max()
    if not (steps.min() >= SMALLEST_STEP and steps.max() <= LARGEST_STEP):
        problems.append(
            f"the axis has steps of {steps.min():.3g} to {steps.max():.3g} {unit}; they must be"
            f" from {SMALLEST_STEP:g} to {LARGEST_STEP:g} {unit}"
        )
    elif not farthest <= LARGEST_STEP:
        problems.append(
            f"the axis reaches {farthest:.3g} {unit}, at most {LARGEST_STEP:g} {unit} are read"
        )
    problems += [
        f"channel {shown(channel)} reaches {np.abs(values).max():.4g}, more than {LARGEST_VALUE:g}"
        for channel, values in zip(profile.channels, profile.values, strict=True)
        if not np.abs(values).max() <= LARGEST_VALUE
    ]
    if profile.values_kind != "intensity":
        problems += [
            f"channel {shown(channel)} reaches {np.abs(values).max():.4g}, too much for a fraction:"
            ' if the file has per cent, set value_unit = "%"'
            for channel, values in zip(profile.channels, profile.values, strict=True)
            if np.abs(values).max() > LARGEST_FRACTION
        ]
    return problems
