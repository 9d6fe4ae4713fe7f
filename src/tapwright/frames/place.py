"""Where a check stands in one frame, and whether it holds there."""

from __future__ import annotations

from tapwright.core import registry
from tapwright.core.frame import Check

CHECKS = "tapwright.frames.checks"


def n_check_bytes(kind: str) -> int:
    """Return the bytes of a check's value."""
    size: int = registry.member(CHECKS, kind.replace(" ", "_")).N_BYTES
    return size


def places(check: Check, n_bytes: int) -> tuple[int, int, int, int] | None:
    """Return first, last, at and size of a check in frames of `n_bytes`, None where it does not fit into them."""
    first, last, at = (p if p >= 0 else n_bytes + p for p in (check.first, check.last, check.at))
    size = n_check_bytes(check.kind) * (2 if check.encoding == "hex" else 1)
    fits = 0 <= first <= last < n_bytes and 0 <= at <= n_bytes - size
    return (first, last, at, size) if fits else None


def passes(frame: bytes, checks: tuple[Check, ...]) -> bool:
    """Say whether all checks hold in one frame; False where one does not fit into it."""
    return all(_holds(frame, check) for check in checks)


def _holds(frame: bytes, check: Check) -> bool:
    place = places(check, len(frame))
    if place is None:
        return False
    first, last, at, size = place
    sent = frame[at:at + size]
    if check.encoding == "hex":
        try:
            sent = bytes.fromhex(sent.decode("ascii"))
        except ValueError:
            return False
        if 2 * len(sent) != size:  # fromhex skips blanks
            return False
    expected: int = registry.member(CHECKS, check.kind.replace(" ", "_")).value(frame[first:last + 1], check)
    return int.from_bytes(sent, check.order) == expected
