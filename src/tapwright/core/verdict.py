"""A finding that stands, or an honest "undecided" with what would settle it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class Found(Generic[T]):
    """A claim that the evidence settles.

    `probability` is 0 to 1; `evidence` says in words what it rests on; `advice` what to better next time.
    """

    value: T
    probability: float
    evidence: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Undecided(Generic[T]):
    """A question that the evidence leaves open.

    `candidates` is best first, with the probability of each; `next` says in words which measurement would settle it.
    """

    candidates: tuple[tuple[T, float], ...] = ()
    why: str = ""
    next: tuple[str, ...] = ()
