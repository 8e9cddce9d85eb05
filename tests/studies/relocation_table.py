"""Where ballistic relocation and diffusion differ: a buried monolayer at one trailing decay length.

Run as ``python -m studies.relocation_table`` from ``tests``: it prints the Markdown table that
stands in the guide (`simulate/guide/theory.md`). All lengths are shares of the zone. Roughness of
a tenth of the zone smooths every response, as something always does: atoms that were never
relocated come all at once.
"""

import math

import numpy as np
from scipy.ndimage import gaussian_filter1d

from craterfront.models.altered_layers.mixing import AlteredLayer, leaving_atoms
from craterfront.models.altered_layers.relocation import LAWS, relocations_for

LENGTH = 0.4
DISPLACEMENTS = (0.1, 0.2, 0.4, 0.8)
PER_ZONE = 1000  # slices
_CELLS = 150
_ROUGHNESS = 0.1
_DEPTH = 2.0  # of the monolayer
_ZONES = 9

HEAD = (
    "displacement / range",
    "relocations",
    "never relocated",
    "peak",
    "place of the peak",
    "full width at half maximum",
    "leading edge, 10 to 90 %",
)


def response(layer: AlteredLayer) -> np.ndarray:
    """What leaves of a monolayer, per zone's worth of atoms, in slices."""
    atoms = np.tile([1.0, 0.0], (_ZONES * PER_ZONE, 1)) / PER_ZONE
    atoms[int(_DEPTH * PER_ZONE)] = [0.0, 1.0 / PER_ZONE]
    removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.ones(2))
    return gaussian_filter1d(removed[:, 1] * PER_ZONE**2, _ROUGHNESS * PER_ZONE)


def figures(signal: np.ndarray) -> tuple[float, float, float, float]:
    """Height of the peak, its place from the depth of the layer, width at half, leading edge."""
    depth = (np.arange(signal.size) + 0.5) / PER_ZONE - _DEPTH
    top = int(np.argmax(signal))

    def rising(share: float) -> float:
        return float(np.interp(share * signal[top], signal[: top + 1], depth[: top + 1]))

    falling = np.interp(-0.5 * signal[top], -signal[top:], depth[top:])
    leading = rising(0.9) - rising(0.1)
    return float(signal[top]), float(depth[top]), float(falling) - rising(0.5), leading


def diffusive() -> tuple[float, float, float, float]:
    """The figures of diffusive mixing."""
    layer = AlteredLayer.diffusive(LENGTH, 1.0, 1.0, np.ones(1))
    return figures(response(AlteredLayer(1.0, layer.diffusion_per_dose, _CELLS)))


def relocated(law: str, displacement: float) -> tuple[float, float, float, float]:
    """The figures of relocation."""
    layer = AlteredLayer.relocated(LENGTH, 1.0, law, displacement, 1.0, np.ones(1))
    return figures(response(AlteredLayer(1.0, 0.0, _CELLS, relocation=layer.relocation)))


def rows() -> list[list[str]]:
    """The table of the guide, cell by cell."""
    found = [["diffusive", "", "", *(f"{number:.3f}" for number in diffusive())]]
    for law in LAWS:
        for displacement in DISPLACEMENTS:
            often = relocations_for(law, displacement, LENGTH)
            numbers = relocated(law, displacement)
            found.append(
                [f"{law} {displacement:g}", f"{often:.1f}", f"{math.exp(-often):.1%}"]
                + [f"{number:.3f}" for number in numbers]
            )
    return found


if __name__ == "__main__":
    for cells in [HEAD, ["---"] * len(HEAD), *rows()]:
        print("| " + " | ".join(cells) + " |")
