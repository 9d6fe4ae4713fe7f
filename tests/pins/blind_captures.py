"""Invented captures with a known gate: lines that move before, after and beside the data, over several repeats.

Shares no code with the solver. The truth is `gate` and `level`; everything else is there to mislead.
"""

from __future__ import annotations

import random
from pathlib import Path

PADS = ("3", "5", "7", "9", "11", "12", "14")


def invent(seed: int, folder: Path, repeats: int = 3, *, stops: bool = True) -> tuple[Path, str, str, str]:
    """Write a capture of edges as CSV; return its path, the data channel, the gate's pad and its level."""
    rng = random.Random(seed)
    names = rng.sample(PADS, rng.randint(4, 7))
    gate, data, *rest = names
    level = rng.choice(["high", "high", "low"])
    delay, jitter = 10 ** rng.uniform(-2, -0.3), rng.uniform(0.02, 0.15)
    period = rng.uniform(0.1, 0.4)
    kinds = {name: rng.choice(["earlier", "after", "noise", "sometimes", "steady", "supply"]) for name in rest}
    moves: dict[str, list[tuple[float, int]]] = {name: [] for name in names}
    now = rng.uniform(0.5, 1.5)
    for _ in range(repeats):
        begin = now
        for name, kind in kinds.items():
            if kind in ("earlier", "supply"):
                moves[name].append((begin + rng.uniform(0.0, 0.2) * (kind == "earlier"), 1))
        opened = begin + rng.uniform(0.3, 1.2)
        moves[gate].append((opened, 1))
        for name, kind in kinds.items():
            if kind == "sometimes" and rng.random() < 0.6:
                moves[name] += [(opened + delay * 0.5, 1), (opened + delay * 0.5 + 0.3, 0)]
        first = opened + delay * (1 + rng.gauss(0, jitter))
        closed = first + rng.uniform(4, 9) * period * 2
        at, last = first, first
        while at < closed:
            last = _frame(rng, moves[data], at)
            at += period * (1 + rng.gauss(0, 0.01))
        for name, kind in kinds.items():
            if kind == "after":
                moves[name] += [(first + rng.uniform(0.02, 0.2), 1), (last + 0.1, 0)]
        moves[gate].append((closed if stops else last + 0.02, 0))
        for name, kind in kinds.items():
            if kind in ("earlier", "supply"):
                moves[name].append((max(closed, last) + rng.uniform(0.05, 0.4), 0))
        now = max(closed, last) + rng.uniform(2.0, 5.0)
    for name, kind in kinds.items():
        if kind == "noise":
            at, value = rng.uniform(0, 1), 1
            while at < now:
                moves[name].append((at, value))
                at, value = at + rng.expovariate(1.2), 1 - value
    flipped = {gate} if level == "low" else set()
    path = folder / f"repeats-{seed}.csv"
    path.write_text(_table(names, moves, flipped, data, now, rng), encoding="utf-8")
    prefix = ""
    return path, f"{prefix}{data}", gate, level


def _frame(rng: random.Random, moves: list[tuple[float, int]], at: float) -> float:
    bit = 1 / 9600
    value = 1
    for _ in range(10):
        bits = [0, *(rng.getrandbits(1) for _ in range(8)), 1]
        for i, new in enumerate(bits):
            if new != value:
                moves.append((at + i * bit, new))
                value = new
        at += 10 * bit
    return at


def _table(names: list[str], moves: dict[str, list[tuple[float, int]]], flipped: set[str], data: str, end: float,
           rng: random.Random) -> str:
    levels = {name: int((name == data) != (name in flipped)) for name in names}
    events = sorted((at, name, value ^ (name in flipped)) for name in names for at, value in moves[name])
    order = list(names)
    rng.shuffle(order)
    rows = ["t_s," + ",".join(f"pad{name}" for name in order)]
    rows.append("0," + ",".join(str(levels[name]) for name in order))
    last = 0.0
    for at, name, value in events:
        levels[name] = value
        at = max(at, last + 1e-6)
        rows.append(f"{at:.6f}," + ",".join(str(levels[one]) for one in order))
        last = at
    rows.append(f"{end:.6f}," + ",".join(str(levels[name]) for name in order))
    return "\n".join(rows) + "\n"
