"""A layer that changes with depth, from a function of depth."""

from collections.abc import Callable

from craterfront.samples.layer import Layer
from craterfront.samples.solids import Material

DEFAULT_ROWS = 21


def graded(
    name: str,
    thickness_nm: float,
    material_at: Callable[[float], Material],
    rows: int = DEFAULT_ROWS,
    **interface,
) -> tuple[Layer, dict[str, Material]]:
    """A layer whose material is a function of depth.

    Parameters
    ----------
    name : str
        Name of the layer; its materials are numbered after it.
    thickness_nm : float
        Thickness [nm].
    material_at : callable
        The material at a relative depth from 0, the top of the layer, to 1.
    rows : int
        At how many depths, evenly spaced, it is asked for, 2 to 200; straight lines in between.
    **interface
        Other keys of a `Layer`, for the interface below.

    Returns
    -------
    layer : Layer
    materials : dict of str to Material
        To be handed to the `Stack` with those of other layers.

    Examples
    --------
    >>> import craterfront as cf
    >>> def mixed(depth):
    ...     return cf.Material(
    ...         composition={"Ti": 0.5 * (1 - depth), "Cr": 0.5 * depth, "N": 0.5},
    ...         density_g_cm3=5.3 + 0.7 * depth,
    ...         erosion_rate_nm_s=12.0 + 8.0 * depth,
    ...     )
    >>> layer, materials = cf.graded("TiN to CrN", 300.0, mixed, rows=5)
    >>> stack = cf.Stack(layers=[layer], substrate=cf.Substrate(composition="Fe"),
    ...                  materials=materials)
    >>> [row[0] for row in layer.grading]
    [0.0, 0.25, 0.5, 0.75, 1.0]
    """
    depths = [index / (rows - 1) for index in range(rows)]
    names = [f"{name} {number}" for number in range(1, rows + 1)]
    materials = {own: material_at(depth) for own, depth in zip(names, depths, strict=True)}
    grading = [list(row) for row in zip(depths, names, strict=True)]
    return Layer(name=name, thickness_nm=thickness_nm, grading=grading, **interface), materials
