"""Studies of many cases that may stop and go on.

The record is written after every case. The same command again goes on with the cases that are
missing, so that a long study can be run in pieces.
"""

import json
import multiprocessing
import os
import time
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from itertools import islice
from pathlib import Path
from typing import Any

PROCESSES = 2

Outcome = dict[str, Any]


def resumed(
    case: Callable[[int], Outcome],
    cases: int,
    sha256: str,
    path: Path | None,
    minutes: float = float("inf"),
) -> list[Outcome]:
    """Outcomes of the cases from 0 on, those in the record and those computed now.

    Parameters
    ----------
    case : callable
        Of a seed; its outcome has it under "seed".
    cases : int
    sha256 : str
        Of what goes into the study: a record of another one is refused.
    path : Path, optional
        Of the record.
    minutes : float
        After which no further cases are begun.

    Raises
    ------
    ValueError
        When the record is of another study.
    """
    outcomes = recorded(path, sha256) if path is not None and path.exists() else []
    known = {outcome["seed"] for outcome in outcomes}
    missing = [seed for seed in range(cases) if seed not in known]
    begun = time.monotonic()
    number = multiprocessing.Value("i", 0)
    with ProcessPoolExecutor(PROCESSES, initializer=_keep_to_a_core, initargs=(number,)) as pool:
        to_come = iter(missing) if minutes > 0.0 else iter(())
        running = {pool.submit(case, seed) for seed in islice(to_come, PROCESSES)}
        while running:
            done, running = wait(running, return_when=FIRST_COMPLETED)
            outcomes += [future.result() for future in done]
            outcomes.sort(key=lambda outcome: outcome["seed"])
            print(f"{len(outcomes)} of {cases} cases", flush=True)
            if path is not None:
                record(path, sha256, outcomes)
            if time.monotonic() - begun < 60.0 * minutes:
                running |= {pool.submit(case, seed) for seed in islice(to_come, len(done))}
    return outcomes


def _keep_to_a_core(number: Any) -> None:
    """Each process on a core of its own: several threads on few cores are in each other's way."""
    if not hasattr(os, "sched_setaffinity"):
        return
    cores = sorted(os.sched_getaffinity(0))
    with number.get_lock():
        os.sched_setaffinity(0, {cores[number.value % len(cores)]})
        number.value += 1


def record(path: Path, sha256: str, outcomes: list[Outcome], **further: Any) -> None:
    """Write a record, one line per case."""
    lines = ",\n".join(json.dumps(outcome) for outcome in outcomes)
    head = json.dumps({"inputs_sha256": sha256, "cases": len(outcomes), **further})[:-1]
    part = path.with_suffix(".part")  # whole or not at all, should it be stopped
    part.write_text(f'{head}, "outcomes": [\n{lines}\n]}}\n', encoding="utf-8")
    part.replace(path)


def recorded(path: Path, sha256: str) -> list[Outcome]:
    """The outcomes in a record.

    Raises
    ------
    ValueError
        When it is of another study.
    """
    found = json.loads(path.read_text(encoding="utf-8"))
    if found["inputs_sha256"] != sha256:
        raise ValueError(f"{path}: is the record of another study")
    return found["outcomes"]
