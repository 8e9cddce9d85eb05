"""On how many cores this process may run."""

import os


def usable_cores() -> int:
    """Cores that the system lets this process run on, where it says so; else all."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
