"""Doubt for readings that no check protects: a sudden change waits for the next frame to say the same.

A bit that flips on a line without a check makes another digit, unit or flag that looks as good as any. Two frames
damaged in the same way one after the other are rare, so a change that is large for this stretch, or that alters unit,
flags or status, is marked until a second frame bears it out. Small errors, in the last places, pass: only a check finds
those.
"""

from __future__ import annotations

import dataclasses
from collections import deque
from dataclasses import dataclass, field
from decimal import Decimal

from tapwright.core.reading import Reading, Status

#: Usual steps are judged by the median of this many changes.
STEPS_HELD = 32
#: A step is large when it is more than so many usual steps and more than so many counts of the last place shown.
LARGE_STEPS = 8
LARGE_COUNTS = 20

NOTE = "changed at once and by much, and no check protects the frame; the next frame decides"


@dataclass
class Doubter:
    """Marks sudden changes in one instrument's readings; `judge` is called for each in turn."""

    steps: deque[Decimal] = field(default_factory=lambda: deque(maxlen=STEPS_HELD))
    trusted: Reading | None = None
    doubted: Reading | None = None

    def judge(self, reading: Reading) -> tuple[Reading, str]:
        """Return the reading, `unproven` with a note where it changed implausibly."""
        if reading.status not in (Status.OK, Status.OVERLOAD, Status.BLANK):
            return reading, ""
        if self.trusted is None or self._agrees(self.trusted, reading):
            return self._trust(reading)
        if self.doubted is not None and self._agrees(self.doubted, reading):
            self.steps.clear()
            return self._trust(reading)
        self.doubted = reading
        return dataclasses.replace(reading, status=Status.UNPROVEN), NOTE

    def _trust(self, reading: Reading) -> tuple[Reading, str]:
        before = self.trusted
        if before is not None and before.value is not None and reading.value is not None \
                and before.unit == reading.unit:
            self.steps.append(abs(reading.value - before.value))
        self.trusted, self.doubted = reading, None
        return reading, ""

    def _agrees(self, before: Reading, reading: Reading) -> bool:
        if (before.status, before.unit, before.flags) != (reading.status, reading.unit, reading.flags):
            return False
        if reading.value is None or before.value is None:
            return before.display == reading.display
        usual = sorted(self.steps)[len(self.steps) // 2] if self.steps else Decimal(0)
        exponent = reading.value.as_tuple().exponent
        if exponent != before.value.as_tuple().exponent:
            return False
        count = Decimal(1).scaleb(exponent if isinstance(exponent, int) else 0)
        return abs(reading.value - before.value) <= max(LARGE_STEPS * usual, LARGE_COUNTS * count)
