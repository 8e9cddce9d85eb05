"""Where a curve goes from one level to the next, for levels in a given order."""

import numpy as np
from numba import njit


def change_points(misfit: np.ndarray) -> np.ndarray:
    """Divide a sequence into stretches, one for each level, so that the misfit is least.

    Dynamic programming over the places at which one level ends and the next begins (R. Bellman,
    Commun. ACM 4 (1961) 284, from memory: curve fitting by segmented straight lines); exact.

    Parameters
    ----------
    misfit : ndarray, shape (L, N)
        Misfit of each of N >= L places to each of the levels, in their order.

    Returns
    -------
    ndarray of int, shape (L - 1,)
        First place of each level but the first. Every level has at least one place.

    Examples
    --------
    >>> import numpy as np
    >>> curve = np.array([5.0, 5.1, 1.0, 0.9, 1.1, 3.0])
    >>> change_points((curve - np.array([[5.0], [1.0], [3.0]])) ** 2)
    array([2, 5])
    """
    levels, places = misfit.shape
    if places < levels:
        raise ValueError(f"{places} places are too few for {levels} levels")
    return _least(np.ascontiguousarray(misfit, dtype=float))


@njit(cache=True, nogil=True)
def _least(misfit):
    levels, places = misfit.shape
    least = np.full((levels, places), np.inf)  # up to each place, which belongs to the level
    began = np.zeros((levels, places), dtype=np.bool_)  # the level begins at the place
    least[0, 0] = misfit[0, 0]
    for n in range(1, places):
        for level in range(min(n + 1, levels)):
            stays = least[level, n - 1]
            comes = least[level - 1, n - 1] if level > 0 else np.inf
            began[level, n] = comes < stays
            least[level, n] = min(stays, comes) + misfit[level, n]
    found = np.zeros(levels - 1, dtype=np.int64)
    level = levels - 1
    for n in range(places - 1, 0, -1):
        if level > 0 and began[level, n]:
            found[level - 1] = n
            level -= 1
    return found
