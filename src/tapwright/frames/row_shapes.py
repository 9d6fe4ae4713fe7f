"""What rows of bytes share: constant head and tail, a length byte, a closing byte."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

LONGEST = 300  # bytes a frame
CONSTANT_SHARE = 0.9  # of frames, so that damaged ones do not hide a constant byte
STRAY_SHARE = 0.01  # of frames in which damage may give a byte one and the same other value
DAMAGED_SHARE = 0.9  # of frames of one length, where the others look like frames that lost bytes
TEXT_LENGTHS = 8  # different ones
LINE_ENDS = (b"\r\n", b"\n", b"\r")
CLOSERS = (*LINE_ENDS, b"\x03")  # bytes that close what stands before them, by their meaning in ASCII
ENDS = (b"\x03", b"\x00", b"\xc0", b"\x7e", b"\xff")
PRINTABLE = np.array([2, 3, 9, 10, 13, *range(32, 127)], np.uint8)


def steady(counts: NDArray[np.int64]) -> int:
    """Return the value of a constant byte from how often each of 256 was seen, -1 where it is none.

    Others may be damage: seldom, and no one of them again and again as a mode that is seldom used would be.
    """
    n, value = int(counts.sum()), int(np.argmax(counts))
    top = int(counts[value])
    if top == n:
        return value
    others = counts.copy()
    others[value] = 0
    return value if top >= CONSTANT_SHARE * n and others.max() <= max(1, STRAY_SHARE * n) else -1


def common_start(rows: list[bytes]) -> bytes:
    """Return the bytes at the head that nearly all rows share."""
    out = bytearray()
    for i in range(min(len(row) for row in rows) if rows else 0):
        counts = np.bincount(np.fromiter((row[i] for row in rows), np.int64, len(rows)), minlength=256)
        value = steady(counts)
        if value < 0:
            break
        out.append(value)
    return bytes(out)


def common_end(rows: list[bytes]) -> bytes:
    """Return the bytes at the tail that nearly all rows share."""
    return common_start([row[::-1] for row in rows])[::-1]


def length_field(rows: list[bytes], *, text: bool = False) -> tuple[int, int] | None:
    """Return where a byte stands that is the frame's length less a constant, and that constant; None if nowhere.

    In lines of `text` a character may go with a few lengths; one that gives many is a length.
    """
    shortest = min(len(row) for row in rows)
    usual = sorted(len(row) for row in rows)[len(rows) // 20]
    best: tuple[int, int, int] | None = None
    for at in range(min(max(shortest, usual), 24)):
        adds = Counter(len(row) - row[at] for row in rows if len(row) > at)
        add, count = adds.most_common(1)[0]
        distinct = len({len(row) for row in rows if len(row) > at and len(row) - row[at] == add})
        if distinct < (TEXT_LENGTHS if text else 2) or count < 0.85 * len(rows) or not _of_all_lengths(rows, at, add):
            continue
        if best is None or count > best[0]:
            best = count, at, add
    return None if best is None else best[1:]


def _of_all_lengths(rows: list[bytes], at: int, add: int) -> bool:
    """Say whether a byte gives every length seen again and again: one that misses a length only goes with the kind."""
    seen = Counter(len(row) for row in rows)
    held = Counter(len(row) for row in rows if len(row) > at and len(row) - row[at] == add)
    return all(2 * held[length] > n for length, n in seen.items() if n >= 3 and n >= 0.04 * len(rows))


def shortest_closing(rows: list[bytes], end: bytes) -> bytes:
    """Return the constant tail where it stands nowhere else in a frame, or empty bytes."""
    for size in range(1, len(end) + 1):
        tail = end[-size:]
        if sum(row.find(tail) == len(row) - size for row in rows) >= CONSTANT_SHARE * len(rows):
            return b"\r\n" if end.endswith(b"\r\n") else tail
    return b""


def closes(rows: list[bytes], tail: bytes) -> bool:
    """Say whether bytes at the tail of frames that silence parts are there to close them, and not by chance alone."""
    inside = sum(0 <= row.find(tail) < len(row) - len(tail) for row in rows)
    expected = sum(len(row) for row in rows) / 256.0 ** len(tail)
    return inside <= 0.03 * len(rows) and (tail in LINE_ENDS or tail in ENDS or expected >= 20)


def short_by_damage(values: NDArray[np.int64], counts: NDArray[np.int64]) -> bool:
    """Say whether all lengths but the usual one are frames that lost bytes: shorter, and by one or seldom."""
    usual, n = values[np.argmax(counts)], counts.sum()
    other = values != usual
    seldom = counts[other] <= np.where(values[other] == usual - 1, 0.06, 0.03) * n
    return bool(counts.max() >= DAMAGED_SHARE * n and (values[other] < usual).all() and seldom.all())


def is_text(data: NDArray[np.uint8]) -> bool:
    """Say whether bytes are lines of text: line ends close them, whatever else repeats in them."""
    ends = np.isin(data, np.frombuffer(b"\r\n", np.uint8)).sum()
    return bool(ends >= max(3, len(data) / LONGEST) and np.isin(data, PRINTABLE).mean() > 0.97)
