"""The crater as numbers: its parameters, and the shape that they make."""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence

import numpy as np

from craterfront.experiments.crater_shape import ParabolicCrater
from craterfront.experiments.setup import Setup
from craterfront.models.erosion_front import crater, raster
from craterfront.notation import parameters as rules
from craterfront.notation.parameters import Parameter
from craterfront.notation.quantities import Quantity
from craterfront.samples.by_layer import key_of_layer
from craterfront.samples.concrete_layer import ConcreteLayer

CURVATURE = "curvature"

_PIECES = 32  # of a crater that differs by material, or is not seen alike everywhere
_STRONG, _MORE_PIECES = 0.5, 4  # curvature from where on so many times as many are needed


def parameters(setup: Setup) -> Iterator[tuple[Parameter, str, str]]:
    """Every number of the crater, with its kind and the layer or material that it is for."""
    number, shape = rules.instrument_number, setup.crater_made
    if isinstance(shape, ParabolicCrater):
        known = curvatures(setup)
        # One curvature alone, and seen alike everywhere, spreads arrivals whatever its sign.
        limits = {"lower": -1.9, "upper": 1.9}
        signed = len(known) > 1 or setup.detection.radial_weight is not None
        for key, curvature in known.items():
            name = f"crater curvature in {key}" if key else "crater curvature"
            yield number(name, CURVATURE, "", curvature, signed=signed, **limits), CURVATURE, key
    elif shape.shape in ("tilted", "rastered"):
        yield number("crater tilt", "tilt", "", shape.tilt, upper=1.9), "tilt", ""
    elif shape.shape == "edged":
        share, rate = "edge share", "edge rate"
        yield number(f"crater {share}", share, "", shape.edge_share, upper=0.99), share, ""
        yield number(f"crater {rate}", rate, "", shape.edge_rate, lower=1e-3), rate, ""


def curvatures(setup: Setup) -> dict[str, Quantity]:
    """Curvatures of a parabolic crater by layer or material; under "" where one holds for all."""
    shape = setup.crater_made
    if not isinstance(shape, ParabolicCrater):
        return {}
    curvature = shape.curvature_with(setup.source)
    return curvature if isinstance(curvature, dict) else {"": curvature}


def curvature_key(setup: Setup, layer: ConcreteLayer) -> str:
    """Which of the curvatures a layer has."""
    return key_of_layer(curvatures(setup), layer) or ""


def segments(
    setup: Setup, value: Callable[[str, str], float], layers: Sequence[ConcreteLayer]
) -> np.ndarray:
    """The crater as distributions of the rate, see `models.erosion_front.crater`.

    Parameters
    ----------
    setup : Setup
    value : callable
        The value of the parameter of a kind, for a layer or material.
    layers : sequence of ConcreteLayer
        One of each material.

    Returns
    -------
    ndarray, shape (P, 3), or (M, P, 3) where the curvature differs by material
    """
    shape, beam = setup.crater_made, setup.beam
    if isinstance(shape, ParabolicCrater) and "" not in curvatures(setup):
        keys = [curvature_key(setup, layer) for layer in layers]
        floors = [crater.parabolic(value(CURVATURE, key)) for key in keys]
        pieces = _pieces(curvatures(setup).values())
        return np.stack([crater.divided(floor, pieces) for floor in floors])
    if isinstance(shape, ParabolicCrater):
        made = crater.parabolic(value(CURVATURE, ""))
    elif shape.shape == "tilted":
        made = crater.tilted(value("tilt", ""))
    elif shape.shape == "rastered" and beam and beam.beam_fwhm_um:
        sides = beam.raster_um, beam.analysed_um, beam.beam_fwhm_um
        made = raster.rastered(*sides, value("tilt", ""))
    elif shape.shape == "edged":
        made = crater.edged(value("edge share", ""), value("edge rate", ""))
    elif shape.shape == "measured":
        made = crater.measured(np.array(shape.radius_mm), np.array(shape.depth_um))
    else:
        made = crater.flat()
    if setup.detection.radial_weight is None:
        return made
    return crater.divided(made, math.ceil(_PIECES / made.shape[0]))


def _pieces(known: Iterable[Quantity]) -> int:
    """Segments of a crater that differs by layer: more for what may be strongly curved."""
    ends = [abs(e) for q in known for e in (q.value, q.minimum, q.maximum) if e is not None]
    return _PIECES * (1 if max(ends) <= _STRONG else _MORE_PIECES)


def seen_share(setup: Setup, made: np.ndarray) -> np.ndarray | None:
    """Share of the signal from each segment of a crater; None where all of the area is alike."""
    seen = setup.detection.radial_weight
    if seen is None:
        return None
    one = made if made.ndim == 2 else made[0]
    return crater.seen_shares(one, np.array(seen.radius_mm), np.array(seen.weight))
