"""The priors of an inversion as rows of its residuals."""

from dataclasses import dataclass

from craterfront.answers.linear_posterior import LinearPosterior
from craterfront.fitting.inversion import Inversion
from craterfront.notation.parameters import Parameter
from craterfront.objective.scale import CRATER_DEPTH

SENSITIVITY = "sensitivity"
CALIBRATION = "calibration of the instrument"


@dataclass(frozen=True)
class PriorRow:
    """One prior that pulls on the fit.

    Attributes
    ----------
    name : str
        Of what.
    kind : str
        As of a `Parameter`; sensitivity, background, contamination; final crater depth; the
        calibration, whose rows are of several numbers together.
    state : str
        "prior" as written, "assumed", or "free": the wide one that stands for a guess.
    u_rel : float, optional
        Relative standard uncertainty; None for a prior around 0.
    estimated : bool
        It belongs to a rate that nobody wrote.
    """

    name: str
    kind: str
    state: str
    u_rel: float | None
    estimated: bool = False

    def described(self) -> str:
        """In words, with its relative uncertainty."""
        how = {"assumed": "assumed ", "free": "wide prior of the "}.get(self.state, "")
        u = "" if self.u_rel is None else f" ({100.0 * self.u_rel:.2g} %)"
        return f"{how}{self.name}{u}"


def prior_rows(inversion: Inversion) -> list[PriorRow]:
    """The priors in the order of their rows, which follow those of the readings."""
    likelihood = inversion.likelihood
    parameters = [likelihood.assembly.parameters[i] for i in likelihood.free]
    rows = [row_of(p) for p in parameters if p.has_own_prior]
    rows += [
        PriorRow(name, name.split(" ")[0], "prior", _relative(q.u, q.value))
        for name, q in zip(likelihood.linear_names(), likelihood.linear_quantities(), strict=True)
        if q.status == "prior" and q.u
    ]
    if likelihood.depth_limit is not None:
        depth, u = likelihood.depth_limit
        rows.append(PriorRow(CRATER_DEPTH, CRATER_DEPTH, "prior", u / depth))
    together = PriorRow(CALIBRATION, CALIBRATION, "prior", None)
    return rows + [together] * likelihood.joint_prior.size


def row_of(p: Parameter) -> PriorRow:
    """The prior of a parameter."""
    return PriorRow(p.name, p.kind, p.state, _relative(p.u, p.value), p.estimated)


def _relative(u: float, value: float) -> float | None:
    return u / abs(value) if value else None


def linear_posterior(inversion: Inversion) -> LinearPosterior:
    """The posterior of an inversion as a linear problem at its maximum."""
    return LinearPosterior.of(
        inversion.jacobian,
        inversion.objective.residuals(inversion.fit.x),
        inversion.likelihood.values.size,
    )
