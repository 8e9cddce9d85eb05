"""Time that a call takes."""

import time
from collections.abc import Callable

import numpy as np


def best_and_median(function: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Smallest and median time of several calls [s]."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times), float(np.median(times))
