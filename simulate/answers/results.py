"""The answers of an inversion as tables, as JSON and as a dataset."""

import json
import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront import __version__
from craterfront.answers.budget import TRANSITION, Budget
from craterfront.answers.budget_uncertainty import broadening_with_uncertainties
from craterfront.answers.decisions import Ruling, decisions
from craterfront.answers.layer_answers import (
    Z95,
    LayerAnswer,
    LayerSum,
    graded_sums,
    interval,
    layer_answers,
)
from craterfront.answers.origins import Origin, origins
from craterfront.answers.prior_rows import linear_posterior
from craterfront.answers.scale_comparison import Comparison, Disagreement, ScaleComparison
from craterfront.answers.secondary import LayerMean, Secondary, SecondaryAnswers
from craterfront.experiments.experiment import experiment_to_dict
from craterfront.fitting.inversion import Inversion
from craterfront.fitting.limits import ROUGHNESS
from craterfront.forward_model.forward import by_mass, composition_against_depth
from craterfront.notation.json_numbers import without_infinities
from craterfront.notation.parameters import table_rows
from craterfront.posterior_sampling.draws import Draws, laplace_draws, sampled_draws
from craterfront.posterior_sampling.sampled_posterior import SampledPosterior

if TYPE_CHECKING:
    import xarray


@dataclass(frozen=True)
class Estimate:
    """One free parameter after the data: value, standard uncertainty and 95 % interval.

    `prior_u` is the standard uncertainty of its prior; of one in the logarithm at the new value.

    Of a broadening that is not resolved, which the data do not tell from none, only the end of the
    interval that is away from zero means something: it is a limit.
    """

    name: str
    value: float
    u: float
    lower: float
    upper: float
    unit: str
    broadens: bool
    resolved: bool = True
    why: str = ""
    prior_u: float | None = None

    @property
    def posterior_to_prior(self) -> float | None:
        """Standard uncertainty after the data over that before; None without a prior."""
        return None if self.prior_u is None else self.u / self.prior_u

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings; what is not known is null."""
        row: dict[str, Any] = {
            "name": self.name,
            "value": self.value if self.resolved else None,
            "u": self.u if self.resolved else None,
            "lo": self.lower,
            "hi": self.upper,
            "unit": self.unit,
            "resolved": self.resolved,
            "prior_u": self.prior_u,
            "posterior_to_prior": self.posterior_to_prior,
        }
        if self.why:
            row["note"] = self.why
        return without_infinities(row)


@dataclass(frozen=True)
class Answer:
    """All answers of an inversion.

    Attributes
    ----------
    layers : list of LayerAnswer
        From the surface down, without the substrate; a graded layer as its parts.
    graded : list of LayerSum
        The graded layers, from the surface down.
    unit : str
        "nm", or "s" for durations at nominal rates.
    doubts : list of str
        What forbids to decide anything on these numbers; of the inversion, ways of the depth scale
        that contradict each other, and draws that are not to be trusted.
    notes : list of str
        What else a reader must know.
    scale_sources : list of str
        What fixes the depth scale.
    parameters : list of (name, value, unit, state)
        Everything that is fixed, has a prior, is assumed or free, before the data.
    estimates : list of Estimate
        The free parameters after the data; widths stand with the layers.
    rank : tuple of int
        How many combinations of the free parameters the data fix (rank of the Fisher information
        in units of the priors), and how many free parameters there are.
    resting_on_priors : list of str
        The other combinations.
    noise : list of str
        One line per channel.
    budgets : list of Budget
    rulings : list of Ruling
        Decisions on the limits of the file.
    scale_comparisons : list of Comparison
        Each way that fixes the depth scale against the others, where there are several.
    scale_disagreements : list of Disagreement
        Of every two of them, the largest first.
    secondary : list of Secondary
        What follows from the layers: diffusion lengths, enrichment, case depths.
    means : list of LayerMean
        Mean density and composition of the layers.
    origins : list of Origin
        Where the uncertainty of each answer comes from.
    draws : Draws, optional
        From the posterior, behind those answers that are no simple sums.
    sampled : SampledPosterior, optional
        Where these come from, if it was asked for.
    """

    layers: list[LayerAnswer]
    graded: list[LayerSum]
    unit: str
    doubts: list[str]
    notes: list[str]
    scale_sources: list[str]
    parameters: list[tuple[str, str, str, str]]
    estimates: list[Estimate]
    rank: tuple[int, int]
    resting_on_priors: list[str]
    noise: list[str]
    budgets: list[Budget]
    rulings: list[Ruling] = field(default_factory=list)
    scale_comparisons: list[Comparison] = field(default_factory=list)
    scale_disagreements: list[Disagreement] = field(default_factory=list)
    secondary: list[Secondary] = field(default_factory=list)
    means: list[LayerMean] = field(default_factory=list)
    origins: list[Origin] = field(default_factory=list)
    draws: Draws | None = None
    sampled: SampledPosterior | None = None

    @property
    def warnings(self) -> list[str]:
        """What a reader must know before any number, doubts first."""
        return [*self.doubts, *self.notes]

    def as_json(self) -> str:
        """The same as JSON."""
        return json.dumps(self.as_dict(), indent=2)

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists; unknown and unlimited numbers are null."""
        return {
            "craterfront_version": __version__,
            "doubts": self.doubts,
            "warnings": self.warnings,
            "depth_scale": self.scale_sources if self.unit == "nm" else [],
            "layers": [
                self._extent(each, each.resolved, resolved=each.resolved) for each in self.layers
            ],
            "graded_layers": [self._extent(whole) for whole in self.graded],
            "interfaces": [self._interface(layer) for layer in self.layers],
            "parameters": [estimate.as_dict() for estimate in self.estimates],
            "fisher_rank": self.rank[0],
            "free_parameters": self.rank[1],
            "resting_on_priors": self.resting_on_priors,
            "noise": self.noise,
            "broadening_two_sd": [self._broadening(budget) for budget in self.budgets],
            "decisions": [without_infinities(each.as_dict()) for each in self.rulings],
            "depth_scale_comparison": [
                without_infinities(each.as_dict()) for each in self.scale_comparisons
            ],
            "depth_scale_disagreements": [each.as_dict() for each in self.scale_disagreements],
            "secondary": [without_infinities(each.as_dict()) for each in self.secondary],
            "layer_means": [without_infinities(each.as_dict()) for each in self.means],
            "origins": [each.as_dict() for each in self.origins],
        }

    def _extent(self, of: LayerSum, is_resolved: bool = True, **more: Any) -> dict[str, Any]:
        """Thickness or duration of a layer, or of several together, and their mass."""
        quantity = "thickness" if self.unit == "nm" else "duration"
        row: dict[str, Any] = {
            "layer": of.name,
            f"{quantity}_{self.unit}": of.value if is_resolved else None,
            f"{quantity}_u_{self.unit}": of.u if is_resolved else None,
            f"{quantity}_lo_{self.unit}": of.lower,
            f"{quantity}_hi_{self.unit}": of.upper,
            **more,
        }
        if self.unit == "nm":
            row["areal_mass_g_m2"] = of.areal_mass_g_m2
            row["areal_mass_u_g_m2"] = of.areal_mass_u_g_m2
        return without_infinities(row)

    def _interface(self, layer: LayerAnswer) -> dict[str, Any]:
        """The interface below a layer."""
        width = layer.width
        row: dict[str, Any] = {
            "below": layer.name,
            f"width_{self.unit}": None if width.is_limit else width.value_nm,
            f"width_lo_{self.unit}": width.lower_nm,
            f"width_hi_{self.unit}": width.upper_nm,
            "resolved": width.resolved,
        }
        place = "depth" if self.unit == "nm" else "time"
        row |= {
            f"{place}_{self.unit}": layer.depth if layer.depth_resolved else None,
            f"{place}_u_{self.unit}": layer.depth_u,
            f"{place}_lo_{self.unit}": layer.depth_lower,
            f"{place}_hi_{self.unit}": layer.depth_upper,
        }
        if width.why == ROUGHNESS:
            row[f"combined_width_{self.unit}"] = width.value_nm
        if width.why:
            row["note"] = width.why
        return without_infinities(row)

    def _broadening(self, budget: Budget) -> dict[str, Any]:
        """One interface; a true transition that is not resolved has no number but its limit."""
        row: dict[str, Any] = {"below": budget.layer}
        for cause, part in budget.two_sd_nm.items():
            row[f"{cause} ({self.unit})"] = part
            row[f"{cause}, u ({self.unit})"] = budget.u_nm.get(cause)
        for cause, limit in budget.limits_nm.items():
            row[f"{cause}, upper limit 95 % ({self.unit})"] = limit
        if budget.transition_limit_nm is not None:
            row[f"{TRANSITION} ({self.unit})"] = row[f"{TRANSITION}, u ({self.unit})"] = None
            row[f"{TRANSITION}, upper limit 95 % ({self.unit})"] = budget.transition_limit_nm
        return without_infinities(row)


def answer(inversion: Inversion, sampled: SampledPosterior | None = None) -> Answer:
    """Collect the answers of an inversion.

    Parameters
    ----------
    inversion : Inversion
    sampled : SampledPosterior, optional
        Of the same inversion. With it, answers that are no simple sums (case depths, means of
        layers) come from its draws, and doubts about them are doubts about the answer; without,
        from those of the Laplace approximation.
    """
    likelihood, assembly = inversion.likelihood, inversion.likelihood.assembly
    count = len(assembly.layers) - 1
    rates = [assembly.nominal_rate_nm_s(i) if inversion.relative else 1.0 for i in range(count + 1)]
    across = [math.sqrt(above * below) for above, below in pairwise(rates)]  # of interfaces
    layers = layer_answers(inversion, rates, across)
    graded = graded_sums(inversion, rates)
    estimates = [
        _estimate(inversion, index)
        for index in likelihood.free
        if assembly.parameters[index].kind != "width"
    ]
    budgets = [
        budget.in_units_of(rate)
        for budget, rate in zip(broadening_with_uncertainties(inversion), across, strict=True)
    ]
    posterior = linear_posterior(inversion)
    scale = None if inversion.relative else ScaleComparison(inversion, posterior)
    disagreements = [] if scale is None else scale.disagreements
    contradictions = [each.sentence() for each in disagreements if each.contradicts]
    differences = [each.sentence() for each in disagreements if each.differs]
    of_draws, on_draws = ([], []) if sampled is None else (sampled.doubts(), sampled.notes())
    beside = [*contradictions, *of_draws]
    draws = laplace_draws(inversion) if sampled is None else sampled_draws(sampled)
    further = SecondaryAnswers(inversion, _with_unresolved_sharp(inversion), draws)
    return Answer(
        layers,
        graded,
        "s" if inversion.relative else "nm",
        [*inversion.doubts, *beside],
        [*differences, *inversion.notes, *on_draws],
        inversion.scale_sources,
        table_rows(assembly.parameters),
        estimates,
        (inversion.rank.rank, len(likelihood.free)),
        inversion.combinations_resting_on_priors(),
        _noise_lines(inversion),
        budgets,
        decisions(inversion, layers, graded, beside),
        [] if scale is None else scale.comparisons,
        disagreements,
        further.quantities,
        further.means,
        origins(inversion, layers, posterior),
        draws,
        sampled,
    )


def _estimate(inversion: Inversion, index: int) -> Estimate:
    p, value = inversion.likelihood.assembly.parameters[index], float(inversion.values[index])
    u = inversion.standard_uncertainty(index)
    near_zero = inversion.broadening.get(index)
    if near_zero is not None:
        ends, resolved, why = (near_zero.lower, near_zero.upper), near_zero.resolved, near_zero.why
        return Estimate(p.name, value, u, *ends, p.unit, True, resolved, why)
    prior_u = None
    if p.has_prior:
        prior_u = p.u * value / p.value if p.logarithmic else p.u
    ends = interval(value, u) if p.logarithmic else (value - Z95 * u, value + Z95 * u)
    lower, upper = (float(end) for end in np.clip(ends, p.lower, p.upper))
    return Estimate(p.name, value, u, lower, upper, p.unit, False, prior_u=prior_u)


def _noise_lines(inversion: Inversion) -> list[str]:
    noise = inversion.likelihood.noise
    lines = []
    for c, channel in enumerate(inversion.likelihood.assembly.channels):
        origin = "written" if noise.counted else "estimated"
        kappa = noise.kappa[c]
        counts = f"{1.0 / kappa:.3g} counts per unit and second" if kappa > 0 else "no counting"
        line = f"{channel.name}: {counts}, readout {noise.rho2[c] ** 0.5:.3g} s^-1/2 ({origin})"
        if noise.shortfall[c] > 0:
            line += f"; the model falls short by {noise.shortfall[c]:.3g}"
        if noise.correlation[c] > 1.0:
            line += f"; residuals correlated over {math.ceil(noise.correlation[c])} readings"
        lines.append(line)
    return lines


def estimate_dataset(inversion: Inversion, found: Answer) -> "xarray.Dataset":
    """Fit, residuals, reconstructed sample and answers, ready to be written."""
    import xarray as xr

    likelihood, assembly = inversion.likelihood, inversion.likelihood.assembly
    sample = assembly.sample(_with_unresolved_sharp(inversion))
    deepest = float(inversion.solution.mean_depth_nm[-1])
    depth, composition = composition_against_depth(sample, deepest)
    axis = likelihood.profile.axis
    unit = "s" if axis == "time" else "nm"
    dataset = xr.Dataset(
        {
            "measured": (("channel", axis), likelihood.values),
            "fit": (("channel", axis), inversion.solution.model),
            "residual": (("channel", axis), likelihood.standardised(inversion.solution)),
            "composition": (("element", "sample_depth"), composition),
            "composition_mass": (
                ("element", "sample_depth"),
                by_mass(composition, assembly.elements),
            ),
        },
        coords={
            "channel": [c.name for c in assembly.channels],
            axis: likelihood.axis_values,
            "element": list(assembly.elements),
            "sample_depth": depth,
        },
        attrs={
            "craterfront_version": __version__,
            "answer": found.as_json(),
            "experiment": json.dumps(experiment_to_dict(inversion.experiment)),
            "source": inversion.profile.source,
            "notes": "\n".join(inversion.profile.notes),
        },
    )
    dataset[axis].attrs.update(units=unit, long_name=f"{axis} of the reading")
    dataset["measured"].attrs.update(
        units="1", long_name="measured values, corrected for the dead time where there is one"
    )
    dataset["fit"].attrs.update(units="1", long_name="fitted values")
    dataset["residual"].attrs.update(
        units="1", long_name="deviation from the fit over the standard deviation of the noise"
    )
    for name, what in (("composition", "atomic"), ("composition_mass", "mass")):
        dataset[name].attrs.update(
            units="1",
            long_name=f"{what} fraction in the reconstructed sample; interfaces sharp if not "
            "resolved",
        )
    depth_unit = "nm" if not inversion.relative else "nm at nominal rates"
    dataset["sample_depth"].attrs.update(units=depth_unit, long_name="depth in the sample")
    return dataset


def _with_unresolved_sharp(inversion: Inversion) -> np.ndarray:
    """Parameter values with a width of 0 where nothing but a limit of it is known."""
    values = inversion.values.copy()
    for layer, width in inversion.widths.items():
        if width.is_limit:
            values[inversion.likelihood.assembly.width_index(layer)] = 0.0
    return values
