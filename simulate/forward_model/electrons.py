"""What the energy of the electrons tells that are counted: from how deep they come."""

import math
from collections.abc import Mapping, Sequence


def escape_depth_nm(
    compositions: Sequence[Mapping[str, float]], energy_eV: float, emission_angle_deg: float
) -> tuple[float, float]:
    """One escape depth along the normal for a sample [nm], and its relative standard uncertainty.

    The mean over the different compositions, each of which counts once however thick or frequent
    its layers are: at every interface it is the layer above that attenuates. Their spread is part
    of the uncertainty, as one number stands for all.
    """
    from craterfront.models.detection.escape import attenuation_u_rel, escape_depth_nm

    different = [dict(pairs) for pairs in {tuple(sorted(c.items())): None for c in compositions}]
    depths = [escape_depth_nm(c, energy_eV, emission_angle_deg) for c in different]
    mean = math.fsum(depths) / len(depths)
    spread = math.sqrt(math.fsum((depth - mean) ** 2 for depth in depths) / len(depths))
    u_rel = max(attenuation_u_rel(c) for c in different)
    return mean, math.hypot(u_rel, spread / mean)
