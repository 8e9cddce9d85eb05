"""The ways that fix a depth scale against each other: what each says alone, and do they agree?

In a linear problem an estimate with a way and one without it differ by a number whose variance is
the difference of their variances, since the better one is uncorrelated with what the other lacks
(derived: both are least-squares estimates, of which one has more rows).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from craterfront.answers.linear_posterior import LinearPosterior
from craterfront.answers.prior_rows import CALIBRATION, SENSITIVITY, PriorRow, prior_rows
from craterfront.fitting.inversion import Inversion
from craterfront.objective.scale import CRATER_DEPTH, KNOWN_LAYER, RATES, SENSITIVITIES, YIELDS

WHOLE = "all layers"
KNOWN_BEFORE = "calibration or measurements before"
MENTIONED, CONTRADICTING = 2.0, 3.0  # standard uncertainties
_FIXED = 0.5  # relative standard uncertainty beyond which a thickness is not fixed


@dataclass(frozen=True)
class Comparison:
    """One way against the others, on the thickness of a layer or of all together.

    Attributes
    ----------
    way : str
    of : str
        A layer, or all of them.
    alone_nm, alone_u_nm : float, optional
        What this way says without the others, and its standard uncertainty; None where it does
        not fix the thickness, or another way is exact and cannot be left out.
    others_nm, others_u_nm : float, optional
        What the others say without this one.
    difference : float, optional
        By how many standard uncertainties this way lies above the others.
    """

    way: str
    of: str
    alone_nm: float | None
    alone_u_nm: float | None
    others_nm: float | None
    others_u_nm: float | None
    difference: float | None

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings; what is not known is null."""
        return {
            "way": self.way,
            "of": self.of,
            "alone_nm": self.alone_nm,
            "alone_u_nm": self.alone_u_nm,
            "others_nm": self.others_nm,
            "others_u_nm": self.others_u_nm,
            "difference_in_standard_uncertainties": self.difference,
        }


@dataclass(frozen=True)
class Disagreement:
    """Two ways, and where they disagree most.

    Attributes
    ----------
    ways : tuple of str
    of : str
        A layer, or all of them.
    standard_uncertainties : float
        By how many, without a sign.
    """

    ways: tuple[str, str]
    of: str
    standard_uncertainties: float

    @property
    def contradicts(self) -> bool:
        """Whether it is too large to be chance."""
        return self.standard_uncertainties >= CONTRADICTING

    @property
    def differs(self) -> bool:
        """Whether it is worth a note, though it may be chance."""
        return MENTIONED <= self.standard_uncertainties < CONTRADICTING

    def sentence(self) -> str:
        """In words."""
        verb = "contradict each other" if self.contradicts else "differ"
        first, second = (way.removeprefix("a ") for way in self.ways)
        return (
            f"depth scale: the {first} and the {second} {verb} by "
            f"{self.standard_uncertainties:.1f} standard uncertainties, "
            f"on the thickness of {self.of}"
        )

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings."""
        return {
            "ways": list(self.ways),
            "of": self.of,
            "standard_uncertainties": self.standard_uncertainties,
        }


@dataclass(frozen=True)
class _Target:
    """A thickness with the derivative of its logarithm by the coordinates of the fit."""

    name: str
    nm: float
    slope: np.ndarray


class ScaleComparison:
    """Compares the ways of one inversion.

    Parameters
    ----------
    inversion : Inversion
        Not at nominal rates.
    posterior : LinearPosterior

    Attributes
    ----------
    comparisons : list of Comparison
        Every way against all others, on all layers together and on each; empty where there is but
        one way.
    disagreements : list of Disagreement
        Of every two ways, the largest first.
    """

    def __init__(self, inversion: Inversion, posterior: LinearPosterior) -> None:
        self._posterior = posterior
        rows, rates = prior_rows(inversion), _rates_of_layers(inversion)
        exact = _exact_ways(inversion)
        self._rows = {
            way: np.array([_belongs(row, way, rates) for row in rows], dtype=bool)
            for way in inversion.scale_sources
        }
        if inversion.likelihood.joint_prior.size:
            # Its rates and sensitivities are known together: no way of theirs stands alone.
            before = np.array([row.kind == CALIBRATION for row in rows])
            own = {w: mine for w, mine in self._rows.items() if mine.any() or w in exact}
            self._rows = {**own, KNOWN_BEFORE: before}
        self._neither = ~np.any([*self._rows.values(), np.zeros(len(rows), dtype=bool)], axis=0)
        self._removable = {
            way for way, mine in self._rows.items() if mine.any() and way not in exact
        }
        targets = _targets(inversion)
        several = len(self._rows) > 1
        self.comparisons = [
            self._comparison(way, target) for way in self._rows for target in targets if several
        ]
        found = [self._disagreement(pair, targets) for pair in combinations(self._rows, 2)]
        known = [each for each in found if each is not None]
        self.disagreements = sorted(known, key=lambda each: -each.standard_uncertainties)

    def _with(self, ways: Iterable[str], target: _Target) -> tuple[float, float] | None:
        """Logarithm of the thickness by some ways only, against that by all, and its variance.

        None where they do not fix it, or what is left out cannot be.
        """
        kept = set(ways)
        if not set(self._rows) - kept <= self._removable:
            return None
        rows = np.any([self._neither, *(self._rows[way] for way in kept)], axis=0)
        shift, variance = self._posterior.estimate(target.slope, rows)
        return (shift, variance) if variance < _FIXED**2 else None

    def _comparison(self, way: str, target: _Target) -> Comparison:
        others = [other for other in self._rows if other != way]
        return Comparison(
            way,
            target.name,
            *_in_nm(self._with([way], target), target),
            *_in_nm(self._with(others, target), target),
            self._tension([way], others, target),
        )

    def _disagreement(
        self, pair: tuple[str, str], targets: Sequence[_Target]
    ) -> Disagreement | None:
        """Where two ways disagree most, without the other ways where those can be left out."""
        largest, where = -1.0, ""
        for target in targets:
            tension = self._tension(pair[:1], pair[1:], target)
            if tension is not None and abs(tension) > largest + 1e-6:
                largest, where = abs(tension), target.name
        return Disagreement(pair, where, largest) if where else None

    def _tension(self, some: Sequence[str], others: Sequence[str], target: _Target) -> float | None:
        """By how many standard uncertainties some ways lie above others.

        Those of fewer numbers are added to the rest: a single number is all one test.
        """
        together = self._with([*some, *others], target)
        tests = [(others, 1.0, self._numbers(some)), (some, -1.0, self._numbers(others))]
        for rest, sign, _ in sorted(tests, key=lambda test: test[-1]):
            difference = _difference(together, self._with(rest, target))
            if difference is not None:
                return sign * difference
        return None

    def _numbers(self, ways: Iterable[str]) -> int:
        return sum(int(self._rows[way].sum()) for way in ways)


def _difference(
    better: tuple[float, float] | None, without: tuple[float, float] | None
) -> float | None:
    """Difference of two estimates, of which one knows more, over its standard uncertainty."""
    if better is None or without is None:
        return None
    variance = without[1] - better[1]
    if not variance > 1e-9 * without[1]:
        return None  # what is added has no say
    return float((better[0] - without[0]) / variance**0.5)


def _in_nm(
    estimate: tuple[float, float] | None, target: _Target
) -> tuple[float | None, float | None]:
    if estimate is None:
        return None, None
    value = target.nm * float(np.exp(estimate[0]))
    return value, value * estimate[1] ** 0.5


def _belongs(row: PriorRow, way: str, rates: set[str]) -> bool:
    """Whether a prior is a part of a way; of rates only those of layers."""
    if way == RATES:
        return row.name in rates and not row.estimated and row.state != "free"
    if way == YIELDS:
        of_several = row.kind in ("common rate factor", "shared rate factor")
        return of_several or (row.name in rates and row.estimated)
    if way == SENSITIVITIES:
        return row.kind == SENSITIVITY
    if way == CRATER_DEPTH:
        return row.kind == CRATER_DEPTH
    return row.kind == "thickness" and row.state == "prior"


def _rates_of_layers(inversion: Inversion) -> set[str]:
    """Names of the rates above the substrate.

    That of the substrate fixes no layer; with it the depth of the crater is that of the layers.
    """
    assembly = inversion.likelihood.assembly
    layers = range(len(assembly.layers) - 1)
    return {assembly.parameters[assembly.rate_index(i)].name for i in layers}


def _exact_ways(inversion: Inversion) -> set[str]:
    """Ways of which a part is exactly known: it is no row that could be left out."""
    assembly, likelihood = inversion.likelihood.assembly, inversion.likelihood
    layers = range(len(assembly.layers) - 1)
    rates = [assembly.parameters[assembly.rate_index(i)] for i in layers]
    thicknesses = [assembly.parameters[assembly.thickness_index(i)] for i in layers]
    numbers = zip(likelihood.linear_names(), likelihood.linear_quantities(), strict=True)
    exact = set()
    if any(p.is_fixed and not p.estimated for p in rates):
        exact.add(RATES)
    if any(p.is_fixed for p in thicknesses):
        exact.add(KNOWN_LAYER)
    if any(
        name.startswith(SENSITIVITY) and (q.status == "plain" or q.u == 0) for name, q in numbers
    ):
        exact.add(SENSITIVITIES)
    return exact


def _targets(inversion: Inversion) -> list[_Target]:
    """All layers together, then each, where the fit moves their thickness."""
    assembly, likelihood = inversion.likelihood.assembly, inversion.likelihood
    names = [layer.name for layer in assembly.layers[:-1]]
    indices = [assembly.thickness_index(i) for i in range(len(names))]
    slopes = [
        likelihood.coordinates.gradient(index, inversion.values)
        if index in likelihood.free
        else np.zeros(len(likelihood.free))
        for index in indices
    ]
    total = _Target(WHOLE, float(inversion.values[indices].sum()), np.sum(slopes, axis=0))
    each = [
        _Target(name, float(inversion.values[index]), slope)
        for name, index, slope in zip(names, indices, slopes, strict=True)
    ]
    found = [total, *each] if len(each) > 1 else each
    return [_Target(t.name, t.nm, t.slope / t.nm) for t in found if np.any(t.slope)]
