"""The altered layer at the surface, as the experiment file writes it."""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import PlainValidator

from craterfront.notation.quantities import PositiveLength, Quantity, read_positive_length
from craterfront.notation.table import Mistake, Table, element_symbol, number_that, read_each
from craterfront.problems import did_you_mean, one_of, shown
from craterfront.samples.by_layer import by_layer, key_of_layer
from craterfront.samples.concrete_layer import ConcreteLayer

LARGEST_LENGTH_TO_RANGE = 0.97
"""Mixing lengths from here on cannot be reached by mixing within the range."""

LengthByLayer = Annotated[
    Quantity | dict[str, Quantity], PlainValidator(by_layer(read_positive_length))
]

_relative_number = number_that("from 1e-6 to 1e6", lambda number: 1e-6 <= number <= 1e6)


def _preference(written: Any) -> str | dict[str, float]:
    """A word, or a relative number for each element."""
    words = ("none", "yields")
    if isinstance(written, str) and written in words:
        return written
    if not isinstance(written, Mapping):
        near = did_you_mean(written, words) if isinstance(written, str) else ""
        raise ValueError(
            f"must be {one_of(words)} or a table of numbers by element, got {shown(written)}{near}"
        )
    return read_each(written, element_symbol, _relative_number)


class Mixing(Table):
    """The altered layer at the surface, which ions stir.

    Parameters
    ----------
    model
        ``"none"``; ``"uniform"``: a zone that is always fully mixed; ``"diffusive"``: mixing of
        constant strength within the range; ``"relocation"``: atoms are displaced at one stroke
        within the range.
    length_nm
        Thickness of the uniform zone, or trailing decay length of a buried monolayer [nm], in the
        first layer; of diffusive mixing perhaps a dictionary by the name of the layer or material.
        Default from the range of the ions.
    range_nm
        Depth of the zone of diffusive mixing or relocation [nm]; default from the range of the
        ions.
    displacement
        Law of displacement by relocation: ``"exponential"``, the default, or ``"gaussian"``.
    displacement_nm
        Its standard deviation along the depth, in the first layer [nm].
    preference
        ``"none"``: all elements leave alike; ``"yields"``: by their sputter yields; or a table of
        a relative number for each element, 1 where it has none. Not with relocation.
    """

    model: Literal["none", "uniform", "diffusive", "relocation"]
    length_nm: LengthByLayer | None = None
    range_nm: PositiveLength | None = None
    displacement: Literal["exponential", "gaussian"] | None = None
    displacement_nm: PositiveLength | None = None
    preference: Annotated[str | dict[str, float], PlainValidator(_preference)] = "none"

    _used_by: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "length_nm": ("uniform", "diffusive", "relocation"),
        "range_nm": ("diffusive", "relocation"),
        "displacement": ("relocation",),
        "displacement_nm": ("relocation",),
        "preference": ("uniform", "diffusive"),
    }

    def length_in(self, layer: ConcreteLayer) -> tuple[str, Quantity] | None:
        """Key and length of a layer in a table by layer; None where it has no length of its own."""
        table = self.length_nm if isinstance(self.length_nm, dict) else {}
        key = key_of_layer(table, layer)
        return None if key is None else (key, table[key])

    def checks(self) -> Iterator[Mistake]:
        if self.model == "relocation":
            if not self.is_written("displacement_nm"):
                yield Mistake("displacement_nm", 'missing; needed with model = "relocation"')
            if self.preference != "none":
                message = 'goes with model = "uniform" or "diffusive": relocated atoms leave alike'
                yield Mistake("preference", message)
        if isinstance(self.length_nm, dict):
            reason = {
                "uniform": "a uniform zone has one size",
                "relocation": "atoms are relocated alike in all layers",
            }.get(self.model)
            if reason:
                yield Mistake("length_nm", f'by layer goes with model = "diffusive": {reason}')
            return  # how long they may be depends on the layers
        if self.model not in self._used_by["range_nm"]:
            return
        if self.length_nm is None or self.range_nm is None:
            return
        length_nm, range_nm = float(self.length_nm), float(self.range_nm)
        if length_nm >= LARGEST_LENGTH_TO_RANGE * range_nm:
            yield Mistake(
                "length_nm",
                f"must be < {LARGEST_LENGTH_TO_RANGE} range_nm (range_nm = {shown(range_nm)}),"
                f" got {shown(length_nm)}",
            )

    def unused(self) -> list[str]:
        """Keys that are written and have no effect."""
        return [
            key
            for key, models in self._used_by.items()
            if getattr(self, key) not in (None, "none") and self.model not in models
        ]
