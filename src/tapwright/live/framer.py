"""Pieces of a byte stream become frames become readings; each reading gets the run's next number.

Comes in: packets as a source yields them. Goes out: a reading for every frame received, damaged ones too, with the
reason where one is doubted. The buffer is bounded, and the framer finds its place again after noise by itself.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from tapwright.core.instrument import Instrument
from tapwright.core.line import AsyncSettings, ClockedSettings
from tapwright.core.reading import Reading
from tapwright.frames.apply import Splitter
from tapwright.live.plausible import Doubter
from tapwright.live.source import Packet, needs_layout
from tapwright.mapping.apply import Decoder

FRAMES_KEPT = 4096
_REVERSED = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))


@dataclass(frozen=True, slots=True)
class Framed:
    """One frame's reading, when it was complete on the monotonic clock, and why it is doubted."""

    reading: Reading
    mono_s: float
    note: str = ""


class Framer:
    """Turns packets into readings by one instrument's description."""

    def __init__(self, instrument: Instrument, *, first_seq: int = 0) -> None:
        self.instrument = instrument
        self.next_seq = first_seq
        self._decoder = Decoder(instrument)
        line = instrument.line
        self._character_s = line.character_s if isinstance(line, AsyncSettings) else 0.0
        self._reverse = line is not None and line.bit_order == "msb first" and not isinstance(line, ClockedSettings)
        self._doubter = Doubter() if not _has_check(instrument) else None
        self._splitter: Splitter | None = None
        self._known: dict[tuple[bytes, bool], Reading] = {}

    def start_over(self) -> None:
        """Forget a frame begun before the link was lost."""
        self._splitter = None

    def take(self, packet: Packet) -> list[Framed]:
        """Return the readings that a packet completes, oldest first.

        Raises
        ------
        DescriptionError : a byte stream comes, and the description has no frame layout
        """
        if packet.whole:
            return [self._read(packet.data, packet.mono_s, packet.broken)]
        splitter = self._splitter or self._new_splitter()
        data = packet.data.translate(_REVERSED) if self._reverse else packet.data
        began_s = packet.mono_s - len(data) * self._character_s
        return [self._read(frame, packet.mono_s, broken) for _, frame, broken in splitter.feed(data, began_s)]

    def idle(self, mono_s: float) -> list[Framed]:
        """Return the readings that silence completes (frames told apart by idle time), oldest first."""
        if self._splitter is None:
            return []
        return [self._read(frame, mono_s, broken) for _, frame, broken in self._splitter.flush(mono_s)]

    def _new_splitter(self) -> Splitter:
        needs_layout(self.instrument)
        assert self.instrument.layout is not None
        self._splitter = Splitter(self.instrument.layout, character_s=self._character_s)
        return self._splitter

    def _read(self, frame: bytes, mono_s: float, broken: bool) -> Framed:
        # A display at rest sends the same frame again and again, and a frame's reading depends on its bytes alone.
        known = self._known.get((frame, broken))
        if known is None:
            if len(self._known) >= FRAMES_KEPT:
                self._known.clear()
            known = self._known[frame, broken] = self._decoder.read_one(frame, mono_s, self.next_seq, broken)
        reading = dataclasses.replace(known, t_s=mono_s, seq=self.next_seq)
        self.next_seq += 1
        if self._doubter is None:
            return Framed(reading, mono_s)
        reading, note = self._doubter.judge(reading)
        return Framed(reading, mono_s, note)


def _has_check(instrument: Instrument) -> bool:
    layout = instrument.layout
    return layout is not None and all(each.checks for each in (layout, *layout.variants))
