"""Read the data tables that ship with the models."""

import csv
from functools import cache
from importlib.resources import files


@cache
def read_table(name: str) -> tuple[dict[str, str], ...]:
    """Rows of a table in the package's data folder.

    Parameters
    ----------
    name
        File name, for example ``"yamamura.csv"``. The columns and the origin of every table are
        described in ``SOURCE.md`` beside it.

    Returns
    -------
    tuple of dict
        One dictionary (column name to text) per row, shared between callers: do not change it.
    """
    text = (files("craterfront.models") / "data" / name).read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))
