"""What the models cannot compute is no mistake of the program, but of the trial."""

from collections.abc import Iterator
from contextlib import contextmanager


class NotComputable(ValueError):
    """The engine refuses the sample or the instrument of a trial."""


@contextmanager
def refusals() -> Iterator[None]:
    """Raises `NotComputable` for what the models refuse or cannot hold."""
    try:
        yield
    except (ValueError, ArithmeticError, MemoryError) as error:
        raise NotComputable(str(error)) from error
