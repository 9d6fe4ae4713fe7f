"""What to do next about a line: in words, one sentence each."""

from __future__ import annotations

import numpy as np

from tapwright.core.capture import Capture, Channel
from tapwright.line.report import ChannelReport

GOOD_SAMPLES = 8
POOR_SAMPLES = 4
SENDER_OFF = 0.02  # half of what a receiver tolerates, uart-tolerance.csv
FEW_BYTES = 20


def advise(capture: Capture, channel: ChannelReport) -> tuple[str, ...]:
    """Return the advice for an asynchronous channel."""
    out: list[str] = []
    s = channel.settings
    if s is None or not s.measured_baud:
        return ()
    if channel.samples_per_bit < POOR_SAMPLES:
        out.append(f"{channel.samples_per_bit:.2g} samples a bit is little: capture again at "
                   f"{GOOD_SAMPLES * s.measured_baud:.3g} samples a second or more")
    off = s.measured_baud / s.baud - 1
    if abs(off) > SENDER_OFF:
        out.append(f"the sender is {off:+.1%} off {s.baud:g} baud: set a receiver to {s.measured_baud:.5g} if it can")
    if channel.n_bytes < FEW_BYTES:
        need = FEW_BYTES * s.character_s
        out.append(f"only {channel.n_bytes} bytes: capture {max(10 * capture.duration_s, need):.2g} s or more, "
                   "while readings change")
    return tuple(out)


def advise_unknown(capture: Capture, channel: Channel) -> tuple[str, ...]:
    """Return the advice for a channel that changes but is not understood."""
    intervals = np.diff(channel.edge_ticks)
    rare = len(intervals) // 20
    shortest = float(np.partition(intervals, rare)[rare]) if len(intervals) else 0.0
    sample = float(capture.sample_ticks)
    if sample and shortest < POOR_SAMPLES * sample:
        rate_hz = GOOD_SAMPLES / (0.5 * max(shortest, sample) * float(capture.tick_s))
        return (f"its shortest pulses last {shortest / sample:.2g} samples: capture again at {rate_hz:.2g} samples a "
                "second or more",)
    if len(channel.edge_ticks) < 40:
        return (f"{len(channel.edge_ticks)} changes are few: capture longer, while the display changes",)
    return ("its edges lie on no bit grid: check ground and threshold of this lead, and whether it is a clocked line "
            "whose clock was not captured",)
