"""One number for all layers, or one for each of the layers or materials that are named."""

from collections.abc import Callable, Mapping
from typing import Any

from craterfront.notation.quantities import TABLE_KEYS, Quantity
from craterfront.notation.table import read_each
from craterfront.samples.concrete_layer import ConcreteLayer


def by_layer(read: Callable[[Any], Quantity]) -> Callable[[Any], Quantity | dict[str, Quantity]]:
    """Reads a quantity, or a table of quantities by the name of the layer or material."""

    def read_all(written: Any) -> Quantity | dict[str, Quantity]:
        if not isinstance(written, Mapping) or any(key in TABLE_KEYS for key in written):
            return read(written)
        if not written:
            raise ValueError("must be a number or a table of numbers by layer, got an empty table")
        return read_each(written, str, read)

    return read_all


def key_of_layer(table: Mapping[str, Any], layer: ConcreteLayer) -> str | None:
    """Under which key a table has something for a layer; None where it has nothing.

    It is searched for the unique name of the layer, its name before numbering and its material, in
    this order.
    """
    names = (layer.name, layer.label, layer.material)
    return next((name for name in names if name is not None and name in table), None)
