"""One measured ratio beside its limit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """A measurement: `value` against `limit`; `at_least` says which side is good; `detail` names both times."""

    what: str
    value: float
    limit: float
    at_least: bool
    detail: str = ""

    @property
    def ok(self) -> bool:
        """Whether the value keeps its limit."""
        return self.value >= self.limit if self.at_least else self.value <= self.limit

    def line(self) -> str:
        """Return the row as text."""
        sign = ">=" if self.at_least else "<="
        return f"{'ok  ' if self.ok else 'MISS'} {self.what}: {self.value:.4g} ({sign} {self.limit:g}) {self.detail}"
