"""Wall time and peak memory of whole processes, files cached."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Cost:
    """One process: wall seconds and the most memory it held at once."""

    seconds: float
    peak_mb: float


def cost(command: Sequence[str], *, env: dict[str, str] | None = None) -> Cost:
    """Run a process to its end; fail where it does."""
    if env is None:
        # As on a user's machine: byte code is kept after the first run.
        env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    begun = time.perf_counter()
    child = subprocess.Popen(command, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    _, status, usage = os.wait4(child.pid, 0)
    seconds = time.perf_counter() - begun
    child.returncode = os.waitstatus_to_exitcode(status)
    said = child.stderr.read() if child.stderr else b""
    if child.stderr:
        child.stderr.close()
    if child.returncode:
        raise AssertionError(f"{' '.join(command)}: exit {child.returncode}: {said[-400:].decode(errors='replace')}")
    return Cost(seconds, usage.ru_maxrss / 1024)


def fastest(command: Sequence[str], *, runs: int = 5, env: dict[str, str] | None = None) -> Cost:
    """Return the quickest of some runs, with the highest memory of all."""
    found = [cost(command, env=env) for _ in range(runs)]
    return Cost(min(one.seconds for one in found), max(one.peak_mb for one in found))


def fastest_in_turn(*commands: Sequence[str], rounds: int = 6) -> list[Cost]:
    """Return each command's quickest run, all run in turn: a machine that slows for a while slows them alike."""
    found = [[cost(command) for command in commands] for _ in range(rounds)]
    return [Cost(min(one.seconds for one in runs), max(one.peak_mb for one in runs))
            for runs in zip(*found, strict=True)]


def fastest_s(command: Sequence[str], *, runs: int = 7, env: dict[str, str] | None = None) -> float:
    """Return the wall seconds of the quickest run."""
    return fastest(command, runs=runs, env=env).seconds
