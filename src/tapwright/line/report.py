"""What `find_lines` answers: dataclasses, the JSON document of the contract, and the words for people."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from tapwright.core.capture import Capture
from tapwright.core.line import AsyncSettings, ClockedSettings, LineBytes
from tapwright.line.apply import Decoded, as_bytes, read_clocked, read_i2c

Kind = Literal["async", "level", "clock", "data", "analogue", "unknown"]


@dataclass(frozen=True, kw_only=True)
class ChannelReport:
    """One channel.

    Parameters
    ----------
    name : of the capture's channel
    kind : what it is
    changes : level changes
    settings : of an asynchronous line, else None; `measured_baud` is always there
    sigma_baud : one standard deviation of the measured rate
    n_bytes : rows that `--bytes` writes
    framing_errors, parity_errors, breaks, glitches : counts
    samples_per_bit : of the capture; infinite where it has exact times
    probability : that of the settings among all that fit as well
    alternatives : every other setting with no more errors, likeliest first, with its probability
    evidence, advice : in words
    decoded : the characters, of an asynchronous line
    """

    name: str
    kind: Kind
    changes: int
    settings: AsyncSettings | None = None
    sigma_baud: float = 0.0
    n_bytes: int = 0
    framing_errors: int = 0
    parity_errors: int = 0
    breaks: int = 0
    glitches: int = 0
    samples_per_bit: float = 0.0
    probability: float = 0.0
    alternatives: tuple[tuple[AsyncSettings, float], ...] = ()
    evidence: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    note: str = ""
    decoded: Decoded | None = field(default=None, repr=False, compare=False)

    def document(self) -> dict[str, object]:
        """Return the channel's object of the JSON document."""
        if self.settings is None:
            out: dict[str, object] = {"name": self.name, "kind": self.kind, "changes": self.changes}
            return out | ({"advice": list(self.advice)} if self.advice else {}) | (
                {"note": self.note} if self.note else {})
        s = self.settings
        return {
            "name": self.name, "kind": self.kind, "idle": "low" if s.inverted else "high",
            **_form(s), "measured_baud": s.measured_baud, "sigma_baud": self.sigma_baud, "bit_order": s.bit_order,
            "bytes": self.n_bytes, "framing_errors": self.framing_errors, "parity_errors": self.parity_errors,
            "breaks": self.breaks, "glitches": self.glitches, "samples_per_bit": self.samples_per_bit,
            "changes": self.changes, "probability": self.probability,
            "alternatives": [_form(other) | {"probability": p} for other, p in self.alternatives],
            "evidence": list(self.evidence), "advice": list(self.advice),
        }


@dataclass(frozen=True, kw_only=True)
class PairReport:
    """Two channels (or three, with `select`) that belong together; `settings` is None for i2c.

    `free_running` says that the clock never pauses, so that the lock may be that of a sampling clock.
    """

    kind: Literal["clocked", "i2c"]
    clock: str
    data: str
    settings: ClockedSettings | None
    words: int
    probability: float
    free_running: bool = False
    evidence: tuple[str, ...] = ()

    def document(self) -> dict[str, object]:
        """Return the pair's object of the JSON document."""
        out: dict[str, object] = {"kind": self.kind, "clock": self.clock, "data": self.data}
        if self.settings is not None:
            if self.settings.select:
                out["select"] = self.settings.select
            out |= {"edge": self.settings.edge, "bits_per_word": self.settings.bits_per_word,
                    "bit_order": self.settings.bit_order}
        else:
            out |= {"edge": "rising", "bits_per_word": 8, "bit_order": "msb first"}
        return out | {"words": self.words, "probability": self.probability, "evidence": list(self.evidence)}


@dataclass(frozen=True, kw_only=True)
class LineReport:
    """All channels and pairs of a capture."""

    capture: Capture
    channels: tuple[ChannelReport, ...]
    pairs: tuple[PairReport, ...]

    @property
    def talking(self) -> tuple[str, ...]:
        """Names of the asynchronous channels, most bytes first."""
        found = [channel for channel in self.channels if channel.kind == "async"]
        return tuple(channel.name for channel in sorted(found, key=lambda channel: -channel.n_bytes))

    def channel(self, name: str) -> ChannelReport:
        """Return a channel's report by the capture's name for it (or its last part)."""
        full = self.capture.channel(name).name
        return next(channel for channel in self.channels if channel.name == full)

    def rows(self) -> list[LineBytes]:
        """Return the bytes of every line that talks and the words of every pair."""
        out = [as_bytes(self.capture, channel.name, channel.settings, channel.decoded) for channel in self.channels
               if channel.settings is not None and channel.decoded is not None]
        return out + [self.pair_rows(pair) for pair in self.pairs]

    def pair_rows(self, pair: PairReport) -> LineBytes:
        """Return the words of one pair."""
        if pair.settings is None:
            return read_i2c(self.capture, pair.clock, pair.data)
        return read_clocked(self.capture, pair.settings)

    @property
    def is_decided(self) -> bool:
        """Whether any channel was understood as a line that talks."""
        return bool(self.talking or self.pairs)

    def document(self) -> dict[str, object]:
        """Return the JSON document of the contract."""
        return {"channels": [channel.document() for channel in self.channels],
                "pairs": [pair.document() for pair in self.pairs],
                "notes": list(self.capture.notes), "duration_s": self.capture.duration_s}


def _form(settings: AsyncSettings) -> dict[str, object]:
    baud = settings.baud
    return {"baud": int(baud) if baud == int(baud) else baud, "data_bits": settings.data_bits,
            "parity": settings.parity,
            "stop_bits": int(settings.stop_bits) if settings.stop_bits != 1.5 else 1.5, "inverted": settings.inverted}


def words(report: LineReport) -> str:
    """Return the report for people: what talks and how, how sure, what is open, what to do next."""
    lines: list[str] = []
    for name in report.talking:
        lines += _channel_words(report.channel(name))
    for pair in report.pairs:
        lines += _pair_words(pair)
    if not lines:
        lines.append("No channel talks in a way that can be read.")
    lines += _quiet_words(report)
    lines += [f"note: {note}" for note in report.capture.notes]
    return "\n".join(lines)


def _channel_words(channel: ChannelReport) -> list[str]:
    s = channel.settings
    assert s is not None
    lines = [f"{channel.name}: {s.name}, {channel.n_bytes} bytes, idles {'low' if s.inverted else 'high'} "
             f"(probability {channel.probability:.3g})"]
    lines.append(f"  measured {s.measured_baud:.6g} ± {channel.sigma_baud:.2g} baud, "
                 f"{channel.samples_per_bit:.3g} samples a bit")
    troubles = [f"{count} {what}" for count, what in (
        (channel.framing_errors, "framing errors"), (channel.parity_errors, "parity errors"),
        (channel.breaks, "breaks"), (channel.glitches, "glitches bridged")) if count]
    if troubles:
        lines.append("  " + ", ".join(troubles))
    lines += [f"  {text}" for text in channel.evidence]
    if channel.alternatives:
        names = [f"{other.name.split(' ', 1)[1]} ({p:.2g})" for other, p in channel.alternatives[:4]]
        more = f" and {len(channel.alternatives) - 4} more" if len(channel.alternatives) > 4 else ""
        lines.append(f"  the capture fits as well: {', '.join(names)}{more}")
    return lines + [f"  next: {text}" for text in channel.advice]


def _pair_words(pair: PairReport) -> list[str]:
    if pair.settings is None:
        return [f"{pair.clock}, {pair.data}: I2C, {pair.words} bytes"]
    s = pair.settings
    select = f", select {s.select}" if s.select else ""
    return [f"{pair.clock}, {pair.data}: clocked, data read at the {s.edge} edge of {pair.clock}{select}; "
            f"{pair.words} words of {s.bits_per_word} bits, {s.bit_order}"]


def _quiet_words(report: LineReport) -> list[str]:
    lines = []
    for kind, what in (("level", "steady or slow"), ("clock", "clock"), ("data", "data"),
                       ("analogue", "not two levels"), ("unknown", "changes, but not understood")):
        found = [channel for channel in report.channels if channel.kind == kind]
        if found:
            names = ", ".join(channel.name for channel in found[:12]) + (" ..." if len(found) > 12 else "")
            lines.append(f"{what}: {names}")
            lines += [f"  {channel.name}: {text}" for channel in found[:12] for text in channel.advice]
    return lines
