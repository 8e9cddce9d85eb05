"""Who waits for a computation can be told how far it is."""

from collections.abc import Callable

Progress = Callable[[str, float], None]
"""Is told the stage that has begun and the share of the work that is done."""


def silent(stage: str, share: float) -> None:
    """Tells nobody."""
