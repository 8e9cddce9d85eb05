"""What fixes the depth scale of an inversion."""

from craterfront.assembly import Assembly
from craterfront.measured import MeasuredProfile
from craterfront.parameters import is_restricted
from craterfront.problems import InputProblems
from craterfront.setup import DepthScale

WAYS = (
    "erosion_rate_nm_s of the layers (or of one layer whose signal dominates), with uncertainty",
    "sensitivity of every channel with its uncertainty, when every major element has a channel "
    "and the signal is collected",
    "[depth_scale] final_crater_depth_nm = { value = ..., u = ... }",
    "thickness_nm = { value = ..., u = ... } of one layer",
    "[depth_scale] from_yields = true, to accept rates estimated from sputter yields",
)
"""What a user can write to fix the depth scale."""


def depth_scale_sources(
    assembly: Assembly, written: DepthScale, profile: MeasuredProfile
) -> list[str]:
    """What fixes the depth scale, in words; empty if nothing does.

    Parameters
    ----------
    assembly : Assembly
    written : DepthScale
    profile : MeasuredProfile
    """
    if profile.axis == "depth":
        return ["the depth axis of the profile, taken on trust"]
    found = []
    rates = [p for p in assembly.parameters if p.kind == "rate"]
    if any(p.why == "" and p.state in ("fixed", "prior", "assumed") for p in rates):
        found.append("erosion rates")
    if written.from_yields and any(p.why for p in rates):
        found.append("erosion rates estimated from sputter yields")
    if _sensitivities_known(assembly) and profile.values_kind == "intensity":
        found.append("channel sensitivities")
    if written.final_crater_depth_nm is not None and written.final_crater_depth_nm.u is not None:
        found.append("final crater depth")
    if any(p.kind == "thickness" and p.state in ("prior", "fixed") for p in assembly.parameters):
        found.append("a layer of known thickness")
    return found


def _sensitivities_known(assembly: Assembly) -> bool:
    """Every element above 5 % has a channel of known sensitivity, and the signal is collected."""
    if assembly.setup.detection.view != "collected":
        return False
    major = {
        symbol
        for layer in assembly.layers[:-1]
        for symbol, fraction in layer.composition.items()
        if fraction >= 0.05
    }
    known = {
        assembly.channels[r.channel].element
        for r in assembly.responses
        if r.sensitivity.status == "plain" or r.sensitivity.u is not None
    }
    return major <= known


def require_depth_scale(sources: list[str], assembly: Assembly, profile: MeasuredProfile) -> None:
    """Stop where nothing fixes the depth scale, and list what would.

    Raises
    ------
    InputProblems
    """
    if sources:
        return
    raise InputProblems(
        [
            "nothing fixes the depth scale: a thickness is a rate times a time. Write one of",
            *(f"  - {way}" for way in WAYS),
            "or use --relative for times at nominal rates",
        ],
        profile.source,
    )


def densities_without_effect(assembly: Assembly, values_kind: str) -> frozenset[int]:
    """Densities on which no reading bears.

    A collected signal is sensitivity times density times rate: a density that stands with a free
    sensitivity of its own is hidden by that.

    Parameters
    ----------
    assembly : Assembly
    values_kind : str
        Of the profile; fractions do not tell densities.

    Returns
    -------
    frozenset of int
        Parameters.
    """
    layers = range(len(assembly.layers))
    shown_by_readings: set[int] = set()
    if values_kind == "intensity" and assembly.setup.detection.view == "collected":
        for response in assembly.responses:
            seen = {assembly.density_index(i) for i in layers if assembly.shows(response, i)}
            if len(seen) > 1 or is_restricted(response.sensitivity):
                shown_by_readings |= seen
    return frozenset(assembly.density_index(i) for i in layers) - shown_by_readings
