"""What fixes the depth scale of an inversion, layer by layer."""

from dataclasses import dataclass

from craterfront.experiments.depth_scale import DepthScale
from craterfront.forward_model.assembly import Assembly
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.notation.parameters import is_restricted
from craterfront.problems import InputProblems, shown

WAYS = (
    "erosion_rate_nm_s of each of these layers, with uncertainty",
    "sensitivity of every channel with its uncertainty, when every major element has a channel, "
    "densities are known and the signal is collected",
    "[depth_scale] final_crater_depth_nm = { value = ..., u = ... }",
    "thickness_nm = { value = ..., u = ... } of each, or of one layer of the same material",
    "[depth_scale] from_yields = true, to accept rates estimated from sputter yields",
    "--relative on the command line, for times at nominal rates",
)
"""What a user can write where nothing fixes the depth scale."""

RATES = "erosion rates"
YIELDS = "erosion rates estimated from sputter yields"
SENSITIVITIES = "channel sensitivities"
CRATER_DEPTH = "final crater depth"
KNOWN_LAYER = "a layer of known thickness"

_MAJOR = 0.05  # atomic fraction
_EXACT = 1e-5  # of a crater depth that is exactly known: better than anything else


@dataclass(frozen=True)
class Scale:
    """What fixes the depth scale.

    Attributes
    ----------
    sources : list of str
        In words.
    without : list of str
        Layers whose thickness nothing fixes.
    """

    sources: list[str]
    without: list[str]


def measured_crater_depth(written: DepthScale) -> tuple[float, float] | None:
    """Final depth of the crater and its standard uncertainty [nm], where it was measured."""
    final = written.final_crater_depth_nm
    if final is None or final.u is None:
        return None
    return float(final), float(final.u) or _EXACT * float(final)


def depth_scale(assembly: Assembly, written: DepthScale, profile: MeasuredProfile) -> Scale:
    """What fixes the depth scale of every layer above the substrate.

    The depth of the whole crater counts for all layers, everything else for the layers that it
    tells of.

    Parameters
    ----------
    assembly : Assembly
    written : DepthScale
    profile : MeasuredProfile
    """
    if profile.axis == "depth":
        return Scale(["the depth axis of the profile, taken on trust"], [])
    everywhere = set(range(len(assembly.layers) - 1))
    reach = {
        RATES: _with_known_rate(assembly),
        YIELDS: _with_estimated_rate(assembly) if written.from_yields else set(),
        SENSITIVITIES: _with_known_sensitivities(assembly, profile),
        CRATER_DEPTH: everywhere if measured_crater_depth(written) else set(),
        KNOWN_LAYER: _tied_to_known_thickness(assembly),
    }
    without = everywhere.difference(*reach.values())
    names = dict.fromkeys(assembly.layers[i].name for i in sorted(without))
    return Scale([source for source, layers in reach.items() if layers], list(names))


def _with_known_rate(assembly: Assembly) -> set[int]:
    rates = [assembly.parameters[assembly.rate_index(i)] for i in range(len(assembly.layers) - 1)]
    return {i for i, p in enumerate(rates) if not p.estimated and p.state != "free"}


def _with_estimated_rate(assembly: Assembly) -> set[int]:
    layers = range(len(assembly.layers) - 1)
    return {i for i in layers if assembly.parameters[assembly.rate_index(i)].estimated}


def _tied_to_known_thickness(assembly: Assembly) -> set[int]:
    """Layers of known thickness, and those that share a rate, or a factor of it, with one."""
    layers = range(len(assembly.layers) - 1)
    thickness = [assembly.thickness_index(i) for i in layers]
    known = {i for i in layers if assembly.parameters[thickness[i]].state in ("prior", "fixed")}
    rates = [set(assembly.rates_behind(thickness[i])) for i in layers]
    calibrated = set().union(*(rates[i] for i in known))
    return known | {i for i in layers if rates[i] & calibrated}


def _with_known_sensitivities(assembly: Assembly, profile: MeasuredProfile) -> set[int]:
    """Layers whose every major element has a channel of known sensitivity."""
    if profile.values_kind != "intensity" or assembly.setup.detection.view != "collected":
        return set()
    return {
        i
        for i, layer in enumerate(assembly.layers[:-1])
        if layer.density_g_cm3 is not None
        and {e for e, share in layer.composition.items() if share >= _MAJOR}
        <= _elements_of_known_sensitivity(assembly, i)
    }


def _elements_of_known_sensitivity(assembly: Assembly, layer: int) -> set[str | None]:
    return {
        assembly.channels[r.channel].element
        for r in assembly.responses
        if assembly.shows(r, layer)
        and (r.sensitivity.status == "plain" or r.sensitivity.u is not None)
    }


def require_depth_scale(scale: Scale, source: str) -> None:
    """Stop where nothing fixes the depth scale of a layer, and list what would.

    Raises
    ------
    InputProblems
    """
    if not scale.without:
        return
    layers = ", ".join(shown(name) for name in scale.without)
    heading = (
        f"nothing fixes the depth scale of {layers}: a thickness is a rate times a time. "
        "It takes one of"
    )
    raise InputProblems(["\n".join([heading, *(f"  - {way}" for way in WAYS)])], source)


def densities_without_effect(assembly: Assembly, values_kind: str) -> frozenset[int]:
    """Densities on which no reading bears.

    A collected signal is sensitivity times density times rate: a density that stands with a free
    sensitivity of its own is hidden by that, unless its atoms absorb their own light or change
    that of others.

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
    if assembly.setup.detection.has_hydrogen_effect:
        with_hydrogen = [i for i in layers if assembly.layers[i].composition.get("H")]
        shown_by_readings |= {assembly.density_index(i) for i in with_hydrogen}
    if values_kind == "intensity" and assembly.setup.detection.view == "collected":
        for response in assembly.responses:
            seen = {assembly.density_index(i) for i in layers if assembly.shows(response, i)}
            absorbs = assembly.channels[response.channel].self_absorption_nm2_s is not None
            if len(seen) > 1 or absorbs or is_restricted(response.sensitivity):
                shown_by_readings |= seen
    return frozenset(assembly.density_index(i) for i in layers) - shown_by_readings
