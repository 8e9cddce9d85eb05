"""The resolved crater of an experiment: its annuli, its couplings, and when they matter."""

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from craterfront.experiments.coupling import Coupling
from craterfront.experiments.setup import Setup
from craterfront.experiments.source import GlowDischarge
from craterfront.forward_model import crater_parameters
from craterfront.forward_model.assembly import Assembly
from craterfront.models.erosion_front.roughening import Growth
from craterfront.models.resolved_engine import resolved_annuli
from craterfront.models.resolved_engine.resolved_annuli import Annuli
from craterfront.models.resolved_engine.resolved_couplings import Couplings, EdgeField, edge_pattern
from craterfront.models.sources.lamp import REDEPOSITED_SHARE
from craterfront.problems import InputProblems, shown
from craterfront.progress import Progress

if TYPE_CHECKING:
    from craterfront.models.resolved_engine.resolved_crater import Crater

NOTED_CHANGE = 0.01
"""Change of a profile by a coupling, relative, that is worth a note."""

_BY_REDEPOSITION = 0.02
"""Change of full scale by redeposition over R / (1 - R), at most in the cases of the guide."""

_NM_PER_MM = 1e6


def annuli_of(assembly: Assembly, values: np.ndarray) -> Annuli:
    """The crater in annuli, for the given parameter values.

    Raises
    ------
    InputProblems
        For a crater that is not round, or is another one in each layer.
    """
    crater, count = assembly.setup.crater_made, (assembly.setup.coupling or Coupling()).annuli

    def value(kind: str) -> float:
        index = assembly.index_of(kind)
        return 0.0 if index is None else float(values[index])

    if crater.shape == "parabolic" and "" not in crater_parameters.curvatures(assembly.setup):
        raise InputProblems(["crater curvature: by layer; a resolved crater has one for all"])
    if crater.shape == "parabolic":
        return resolved_annuli.parabolic(value("curvature"), count)
    if crater.shape == "edged":
        return resolved_annuli.edged(value("edge share"), value("edge rate"), count)
    if crater.shape == "measured":
        radius, depth = np.array(crater.radius_mm), np.array(crater.depth_um)
        return resolved_annuli.measured(radius, depth, count)
    if crater.shape == "flat":
        return resolved_annuli.flat(count)
    raise InputProblems(
        [
            f"crater shape: is {shown(crater.shape)}, and a resolved crater is round; it can be"
            ' "flat", "parabolic", "edged" or "measured"'
        ]
    )


def radius_mm(setup: Setup) -> float | None:
    """Radius of the analysed area, as far as the file tells."""
    coupling, source, crater = setup.coupling, setup.source, setup.crater_made
    if coupling is not None and coupling.radius_mm is not None:
        return float(coupling.radius_mm)
    if crater.shape == "measured":
        return float(crater.radius_mm[-1])
    if isinstance(source, GlowDischarge):
        return 0.5 * float(source.anode_diameter_mm)
    return None


def redeposited_share(setup: Setup) -> float:
    """Share of the sputtered atoms that falls back: as written, or usual in a lamp."""
    if not isinstance(setup.source, GlowDischarge):
        return 0.0
    written = setup.source.redeposited_share
    return REDEPOSITED_SHARE if written is None else float(written)


def couplings_of(assembly: Assembly) -> Couplings:
    """What the file says of couplings.

    Raises
    ------
    InputProblems
        Where slopes have no radius, or layers of one material draw different currents.
    """
    setup, coupling = assembly.setup, assembly.setup.coupling or Coupling()
    slope, field = float(coupling.slope_coefficient), coupling.edge_field
    radius = radius_mm(setup)
    if slope and radius is None:
        raise InputProblems(["coupling radius_mm: missing; slope_coefficient needs it"])
    return Couplings(
        redeposited_share=redeposited_share(setup),
        relative_current=_relative_current(assembly, coupling),
        slope_coefficient=slope,
        radius_nm=_NM_PER_MM * (radius or 1.0),
        edge_field=None
        if field is None
        else EdgeField(float(field.change), float(field.depth_nm), float(field.width)),
    )


def _relative_current(assembly: Assembly, coupling: Coupling) -> np.ndarray | None:
    """Relative current by material of the engine; None where all draw the same."""
    if not coupling.relative_current:
        return None
    drawn: dict[int, float] = {}
    for index, layer in enumerate(assembly.layers):
        names = (layer.name, layer.label, layer.material or "")
        numbers = [coupling.relative_current[n] for n in names if n in coupling.relative_current]
        current = numbers[0] if numbers else 1.0
        material = assembly.material_of(index)
        if drawn.setdefault(material, current) != current:
            raise InputProblems(
                [
                    f"coupling relative_current: layer {shown(layer.label)} draws"
                    f" {current:g}, another one of the same material {drawn[material]:g}"
                ]
            )
    return np.array([drawn[m] for m in sorted(drawn)])


def erode(
    assembly: Assembly,
    values: np.ndarray,
    dose_edges_s: np.ndarray,
    projection: np.ndarray,
    progress: Progress | None = None,
) -> "Crater":
    """Run the resolved engine for the given parameter values.

    Parameters
    ----------
    assembly, values
    dose_edges_s, projection, progress
        See `models.resolved_engine.resolved_engine.run`.

    Raises
    ------
    InputProblems
        For what a resolved crater cannot be, or cannot show.
    """
    from craterfront.models.resolved_engine.resolved_engine import run

    problems = list(_impossible(assembly.setup))
    if problems:
        raise InputProblems(problems)
    sample = replace(assembly.sample(values), relief_nm=None)
    smooth = {"initial_nm": 0.0, "growth": Growth(), "heights": None}
    instrument = replace(assembly.instrument(values), **smooth)
    if instrument.escape_depth_nm > 0:
        raise InputProblems(
            [
                "detection escape_depth_nm: a resolved crater collects what leaves the surface;"
                f" write 0 for it, got {shown(instrument.escape_depth_nm)}"
            ]
        )
    annuli = annuli_of(assembly, values)
    return run(
        sample, instrument, annuli, couplings_of(assembly), dose_edges_s, projection, progress
    )


def _impossible(setup: Setup) -> Iterator[str]:
    if setup.detection.view != "collected":
        yield 'detection view: is "viewed"; a resolved crater shows what is "collected"'
    if setup.detection.radial_weight is not None:
        yield "detection radial_weight: a resolved crater counts all of its area alike"
    if isinstance(setup.mixing.length_nm, dict):
        yield "mixing length_nm: by layer; in a resolved crater ions mix all layers alike"
    if setup.mixing.model == "relocation":
        yield 'mixing model: is "relocation"; in a resolved crater ions mix by diffusion, or fully'


def left_out(assembly: Assembly) -> list[str]:
    """What the file has and a resolved crater has not, one line each."""
    setup = assembly.setup
    heights, growth = setup.roughness.heights, setup.roughness.growth
    rough = float(setup.roughness.initial_nm) > 0 or heights is not None or growth != "none"
    notes = ["roughness: not in a resolved crater, whose columns are smooth"] if rough else []
    if any(layer.interface_roughness_nm.value > 0 for layer in assembly.layers[:-1]):
        notes.append("interface_roughness_nm: not in a resolved crater, whose interfaces are even")
    if isinstance(setup.source, GlowDischarge) and setup.source.redeposited_share is None:
        notes.append(f"source redeposited_share: {REDEPOSITED_SHARE:g} is taken, the usual share")
    return notes


# --- when couplings matter ----------------------------------------------------------------------


def recommendations(assembly: Assembly) -> list[str]:
    """Why the resolved engine should be used instead of the quick one, one line each.

    First-order estimates of what the couplings in the file do, each against `NOTED_CHANGE`. A share
    of redeposited atoms that nobody wrote counts for nothing. The table in the guide shows how far
    such estimates can be trusted.
    """
    setup = assembly.setup
    if setup.coupling is None and not _redeposits(setup):
        return []
    try:
        annuli, couplings = annuli_of(assembly, assembly.nominal), couplings_of(assembly)
    except InputProblems:  # no round crater: there is nothing to recommend
        return []
    depth_nm = float(np.sum(assembly.sample(assembly.nominal).thickness_nm))
    drawn = couplings.relative_current
    share = couplings.redeposited_share
    changes = {
        "coupling relative_current": 0.0 if drawn is None else float(np.max(np.abs(drawn - 1.0))),
        "coupling edge_field": _shift_by_edge(annuli, couplings.edge_field, depth_nm),
        "coupling slope_coefficient": _shift_by_slopes(annuli, couplings, depth_nm),
        "source redeposited_share": _BY_REDEPOSITION * share / (1.0 - share)
        if _redeposits(setup)
        else 0.0,
    }
    return [
        f"{place}: changes the profile by up to {100 * change:.2g} %; use --resolved"
        for place, change in changes.items()
        if change > NOTED_CHANGE
    ]


def _redeposits(setup: Setup) -> bool:
    """Whether the file says that atoms fall back, and mixing is such that it shows."""
    written = isinstance(setup.source, GlowDischarge) and setup.source.redeposited_share
    collected = setup.detection.view == "collected"
    return bool(written) and collected and setup.mixing.model == "diffusive"


def _shift_by_slopes(annuli: Annuli, couplings: Couplings, depth_nm: float) -> float:
    """Relative change of the depth where the crater is steepest."""
    rise = np.abs(np.diff(annuli.rate)) * depth_nm
    run = np.diff(annuli.radius) * couplings.radius_nm
    slope = np.divide(rise, run, out=np.zeros_like(run), where=run > 0)
    return couplings.slope_coefficient * float(slope.max()) ** 2 / 3.0


def _shift_by_edge(annuli: Annuli, field: EdgeField | None, depth_nm: float) -> float:
    """Relative change of the depth at the wall, once the mean depth is reached."""
    if field is None:
        return 0.0
    reached = max(depth_nm, 1e-9) / field.depth_nm
    pattern = edge_pattern(annuli.radius, field)
    change = float(np.max(np.abs(pattern - annuli.mean(pattern))))
    return change * float(1.0 + np.expm1(-reached) / reached)
