"""Names that are given out, each only once."""

from collections import Counter
from collections.abc import Iterable


class UniqueNames:
    """Gives out names, each only once."""

    def __init__(self, reserved: Iterable[str | None]) -> None:
        self._taken = set(reserved)
        self._used: Counter[str] = Counter()

    def new(self, wanted: str) -> str:
        """The name, with a number behind it if it is taken."""
        name = wanted
        while name in self._taken:
            self._used[wanted] += 1
            name = f"{wanted} ({self._used[wanted] + 1})"
        self._taken.add(name)
        return name
