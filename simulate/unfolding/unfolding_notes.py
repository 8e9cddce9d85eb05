"""What a reader of an unfolded profile must know."""

import numpy as np

from craterfront.problems import shown
from craterfront.unfolding.unfolding_result import Unfolding

_CONTRADICTING = 3.0  # standard uncertainties from what was written


def notes(found: Unfolding, is_steady: bool) -> list[str]:
    """What a reader must know, first what matters most."""
    model, lines = found.model, _contradictions(found)
    if not is_steady:
        lines.insert(0, "the rounds did not settle; take no number from this result")
    lines += [
        f"{element}, {part.start_nm:.4g} to {part.end_nm:.4g} nm: as steep as a sharp edge would "
        f"look at the resolution there, {part.resolution_nm:.2g} nm; it may be sharper, and ripples"
        " beside it are no structure"
        for element, parts in found.steep.items()
        for part in parts
    ]
    if any(found.steep.values()):
        lines.append("layers with sharp interfaces are better inverted: craterfront invert")
    noise = model.likelihood.noise
    lines += [
        f"channel {shown(channel.name)}: residuals are larger than the noise explains; the band is "
        "wider for it, but look at them"
        for channel, short in zip(model.assembly.channels, noise.shortfall, strict=True)
        if short > 0
    ]
    coarse = np.diff(found.depth_edges_nm) > 0.5 * found.resolution_nm.min(axis=0)
    if coarse.mean() > 0.1:
        lines.append(
            "the cells are hardly finer than the resolution: structure below "
            f"{2.0 * float(np.diff(found.depth_edges_nm).max()):.3g} nm cannot show"
        )
    if not model.complete:
        missing = [e for e in model.assembly.elements if e not in model.elements]
        lines.append(f"no channel for {', '.join(missing)}: together they are the rest of the sum")
    defaults = [shown(c.name) for c in model.assembly.channels if c.background.status == "default"]
    if defaults and model.likelihood.profile.values_kind == "intensity":
        lines.append(
            f"channel {', '.join(defaults)} background: not written, taken as 0; any that is there "
            "counts as concentration"
        )
    return lines


def _contradictions(found: Unfolding) -> list[str]:
    """What the readings draw away from what was written, farther than chance does."""
    far = [each for each in found.deviations() if abs(each.in_prior_u) >= _CONTRADICTING]
    if not far:
        return []
    of_scale = any(each.kind in ("amount", "sensitivity") for each in far)
    what = "the depth scale is unreliable" if of_scale else "fractions are unreliable"
    numbers = ", ".join(f"{each.name} by {each.in_prior_u:+.1f}" for each in far)
    return [
        f"{what}: the readings contradict what was written, in its standard uncertainties {numbers}"
    ]
