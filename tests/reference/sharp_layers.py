"""A sample of layers of one material each, between sharp interfaces."""

import numpy as np

from craterfront.models.layered_sample import LayeredSample


def layered(thickness, rates, densities, composition=None):
    """Layers on a substrate, the last of the rates; by default each of an element of its own."""
    count = len(rates)
    return LayeredSample(
        np.array(thickness, dtype=float),
        np.zeros(count - 1),
        np.zeros(count - 1, dtype=np.int64),
        np.arange(count),
        np.array(densities, dtype=float),
        np.array(rates, dtype=float),
        np.eye(count) if composition is None else np.array(composition, dtype=float),
    )
