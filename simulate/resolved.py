"""The resolved crater of an experiment: its annuli, its couplings, and when they matter."""

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from craterfront.assembly import Assembly
from craterfront.coupling import Coupling
from craterfront.models import resolved_annuli
from craterfront.models.lamp import REDEPOSITED_SHARE
from craterfront.models.resolved_annuli import Annuli
from craterfront.models.resolved_couplings import Couplings, EdgeField
from craterfront.problems import InputProblems, shown
from craterfront.setup import Setup
from craterfront.source import GlowDischarge

if TYPE_CHECKING:
    from craterfront.models.resolved_engine import Crater

Progress = Callable[[str, float], None]

NOTED_SHIFT = 0.01
"""Shift of an arrival by a coupling, relative to the time since the start, that is worth a note."""

NOTED_WIDENING = 0.05
"""Relative change of what the crater adds to the width of an interface that is worth a note."""

_NM_PER_MM = 1e6


def annuli_of(assembly: Assembly, values: np.ndarray) -> Annuli:
    """The crater in annuli, for the given parameter values.

    Raises
    ------
    InputProblems
        For a crater that is not round.
    """
    crater, count = assembly.setup.crater_made, (assembly.setup.coupling or Coupling()).annuli

    def value(kind: str) -> float:
        index = assembly.index_of(kind)
        return 0.0 if index is None else float(values[index])

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
        edge_field=field
        and EdgeField(float(field.change), float(field.depth_nm), float(field.width)),
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
        See `models.resolved_engine.run`.

    Raises
    ------
    InputProblems
        For what a resolved crater cannot be, or cannot show.
    """
    from dataclasses import replace

    from craterfront.models.resolved_engine import run

    problems = list(_impossible(assembly.setup))
    if problems:
        raise InputProblems(problems)
    sample = replace(assembly.sample(values), relief_nm=None)
    instrument = replace(assembly.instrument(values), roughness="none", initial_nm=0.0)
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


def left_out(assembly: Assembly) -> list[str]:
    """What the file has and a resolved crater has not, one line each."""
    setup = assembly.setup
    rough = float(setup.roughness.initial_nm) > 0 or setup.roughness.growth != "none"
    notes = ["roughness: not in a resolved crater, whose columns are smooth"] if rough else []
    if any(layer.interface_roughness_nm.value > 0 for layer in assembly.layers[:-1]):
        notes.append("interface_roughness_nm: not in a resolved crater, whose interfaces are even")
    if isinstance(setup.source, GlowDischarge) and setup.source.redeposited_share is None:
        notes.append(f"source redeposited_share: {REDEPOSITED_SHARE:g} is taken, the usual share")
    return notes


# --- when couplings matter ----------------------------------------------------------------------


def recommendations(assembly: Assembly) -> list[str]:
    """Why the resolved engine should be used instead of the quick one, one line each.

    First-order estimates of what the couplings in the file do, each against a threshold; a share
    of redeposited atoms that nobody wrote counts for nothing. See the guide for how far such
    estimates can be trusted.
    """
    setup, coupling = assembly.setup, assembly.setup.coupling or Coupling()
    try:
        annuli, couplings = annuli_of(assembly, assembly.nominal), couplings_of(assembly)
    except InputProblems:
        return []
    if setup.detection.view != "collected":
        return []
    sample = assembly.sample(assembly.nominal)
    rate = sample.rate_nm_s[sample.material]
    depth_nm, dose = sample.thickness_nm, sample.thickness_nm / rate[:-1]
    if depth_nm.size == 0:
        return []
    found = []
    shift = _shift_by_current(sample.material[:-1], dose, couplings.relative_current)
    if shift > NOTED_SHIFT:
        found.append(f"coupling relative_current: shifts arrivals by up to {100 * shift:.2g} %")
    shift = _shift_by_edge(annuli, couplings.edge_field, float(depth_nm.sum()))
    if shift > NOTED_SHIFT:
        found.append(f"coupling edge_field: shifts depths at the wall by {100 * shift:.2g} %")
    slope = np.abs(np.diff(annuli.rate)) * float(depth_nm.sum())
    run = np.diff(annuli.radius) * couplings.radius_nm
    steepest = float(np.max(np.divide(slope, run, out=np.zeros_like(run), where=run > 0)))
    shift = couplings.slope_coefficient * steepest**2 / 3.0
    if shift > NOTED_SHIFT:
        found.append(f"coupling slope_coefficient: shifts depths by up to {100 * shift:.2g} %")
    source = setup.source
    written = isinstance(source, GlowDischarge) and source.redeposited_share is not None
    if written and np.ptp(annuli.rate) > 0:
        atoms = sample.atomic_density_per_nm3[sample.material] * rate
        ratio = np.maximum(atoms[1:] / atoms[:-1], atoms[:-1] / atoms[1:])
        change = couplings.redeposited_share * (float(ratio.max()) - 1.0)
        if change > NOTED_WIDENING:
            found.append(
                "source redeposited_share: changes what the crater adds to the width of an"
                f" interface by up to {100 * change:.2g} %"
            )
    del coupling
    return [f"{line}; use --resolved" for line in found]


def _shift_by_current(
    material: np.ndarray, dose: np.ndarray, relative_current: np.ndarray | None
) -> float:
    """Largest relative shift of the arrival of an interface."""
    if relative_current is None:
        return 0.0
    supplied = np.cumsum(dose / relative_current[material])
    return float(np.max(np.abs(supplied / np.cumsum(dose) - 1.0)))


def _shift_by_edge(annuli: Annuli, field: EdgeField | None, depth_nm: float) -> float:
    """Relative change of the depth at the wall, once the mean depth is reached."""
    if field is None:
        return 0.0
    reached = depth_nm / field.depth_nm
    from craterfront.models.resolved_couplings import edge_pattern

    pattern = edge_pattern(annuli.radius, field)
    change = float(np.max(np.abs(pattern - annuli.mean(pattern))))
    return change * float(1.0 + np.expm1(-reached) / reached)
