"""Pictures of found lines: levels over time around the first characters, and the intervals beside the bit grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.core.line import AsyncSettings, ByteError, LineBytes
from tapwright.draw.svg import FAINT, INK, OPEN, PALE, SECOND, SETTLED, WRONG, Canvas, Scale, label, round_steps
from tapwright.line.edges import stretches, time_grid
from tapwright.line.glitches import without_glitches
from tapwright.line.report import ChannelReport, LineReport, PairReport

WIDTH = 1000.0
LEFT, RIGHT = 60.0, WIDTH - 16
SHOWN_CHARACTERS = 6
SHOWN_BITS = 72
MOST_LINES = 6
WAVE_HEIGHT, HISTOGRAM_HEIGHT, PAIR_HEIGHT = 176.0, 190.0, 210.0
LONGEST_BITS = 12.0


@dataclass(frozen=True)
class _Panel:
    height: float
    channel: ChannelReport | None = None
    pair: PairReport | None = None


def picture(report: LineReport) -> str:
    """Return one SVG of all lines that talk and all pairs (six at most), or of the levels where none does."""
    panels = [_Panel(WAVE_HEIGHT + HISTOGRAM_HEIGHT, channel=report.channel(name)) for name in report.talking]
    panels += [_Panel(PAIR_HEIGHT, pair=pair) for pair in report.pairs]
    panels = panels[:MOST_LINES]
    names = ", ".join([panel.channel.name for panel in panels if panel.channel]
                      + [f"{panel.pair.clock} and {panel.pair.data}" for panel in panels if panel.pair])
    about = f"Levels over time at the first characters of {names}" if panels else "No line talks in this capture"
    canvas = Canvas(WIDTH, max(sum(panel.height for panel in panels), 60) + 8, f"Lines of {report.capture.path.name}",
                    about)
    if not panels:
        canvas.text(16, 34, "No line of this capture talks in a way that can be read.", size=14)
    top = 0.0
    for panel in panels:
        if panel.channel is not None:
            _wave(canvas, top, report.capture, panel.channel)
            _histogram(canvas, top + WAVE_HEIGHT, report.capture, panel.channel)
        elif panel.pair is not None:
            _pair(canvas, top, report, panel.pair)
        top += panel.height
    return canvas.svg()


def _settings(channel: ChannelReport) -> AsyncSettings:
    assert channel.settings is not None
    return channel.settings


def _wave(canvas: Canvas, top: float, capture: Capture, channel: ChannelReport) -> None:
    s, found = _settings(channel), channel.decoded
    canvas.text(16, top + 24, channel.name, size=15, bold=True)
    canvas.text(16, top + 42, f"{s.name}, measured {s.measured_baud or s.baud:.6g} ± {channel.sigma_baud:.2g} baud, "
                f"{channel.n_bytes} bytes", size=12, colour=FAINT)
    if found is None or not len(found.ticks):
        return
    bit = float(1 / ((s.measured_baud or s.baud) * float(capture.tick_s)))
    first = int(np.argmax(found.errors == ByteError.NONE)) if (found.errors == ByteError.NONE).any() else 0
    begin = float(found.ticks[first]) - 2 * bit
    last = min(first + SHOWN_CHARACTERS, len(found.ticks)) - 1
    end = min(float(found.ticks[last]) + (s.bits_per_character + 1) * bit, begin + SHOWN_BITS * bit)
    x = Scale(begin, end, LEFT, RIGHT)
    high, low = top + 84, top + 128
    for i in range(first, last + 1):
        if float(found.ticks[i]) + s.bits_per_character * bit < end + bit:
            _character(canvas, x, (high, low), s, bit, float(found.ticks[i]), int(found.values[i]),
                       int(found.errors[i]))
    _levels(canvas, x, capture.channel(channel.name), high, low)
    _time_axis(canvas, x, capture, top + 152)


def _character(
    canvas: Canvas, x: Scale, levels: tuple[float, float], s: AsyncSettings, bit: float, start: float, value: int,
    error: int,
) -> None:
    """Draw one character's bit boundaries, bit values and byte."""
    high, low = levels
    n_bits = s.data_bits + (s.parity != "none")
    colour = WRONG if error else SETTLED
    digits = (s.data_bits + 3) // 4
    left, right = x(start), x(start + (1 + n_bits + s.stop_bits) * bit)
    canvas.rect(left, high - 8, right - left, low - high + 16, colour, opacity=0.07)
    shown = f"{value:0{digits}X}" + (f" ‘{chr(value)}’" if 33 <= value < 127 else "")
    canvas.text((left + right) / 2, high - 14, shown, size=13, anchor="middle", mono=True, bold=True, colour=colour)
    for k in range(n_bits + 2):
        at = x(start + k * bit)
        canvas.line(at, high - 8, at, low + 8, PALE if 1 < k <= n_bits else FAINT, dash="2 3")
    wide = x(bit) - x(0) > 9
    for k in range(s.data_bits if wide else 0):
        canvas.text(x(start + (k + 1.5) * bit), low + 20, str(value >> k & 1), size=10, anchor="middle", mono=True,
                    colour=FAINT)
    if s.parity != "none" and wide:
        canvas.text(x(start + (s.data_bits + 1.5) * bit), low + 20, "p", size=10, anchor="middle", colour=SECOND)


def _levels(canvas: Canvas, x: Scale, channel: Channel, high: float, low: float, colour: str = INK) -> None:
    """Draw a channel's level between the limits of `x`."""
    canvas.text(LEFT - 8, (high + low) / 2 + 4, _short(channel.name), size=11, anchor="end", mono=True)
    i, j = np.searchsorted(channel.edge_ticks, [x.lo, x.hi])
    level = int((channel.first_level + i) & 1)
    points = [(x.start, high if level else low)]
    for tick in channel.edge_ticks[i:min(j, i + 4000)].tolist():
        at = x(tick)
        points.append((at, high if level else low))
        level ^= 1
        points.append((at, high if level else low))
    points.append((x.end, high if level else low))
    canvas.polyline(points, colour, width=1.8)
    for start, stop in channel.unknown_ticks[:200].tolist():
        if stop > x.lo and start < x.hi:
            a, b = x(max(start, x.lo)), x(min(stop, x.hi))
            canvas.hatch(a, high, max(b - a, 2), low - high, OPEN, tip="unknown")


def _short(name: str) -> str:
    last = name.rpartition(".")[2]
    return last if len(last) <= 8 else last[:7] + "…"


def _time_axis(canvas: Canvas, x: Scale, capture: Capture, at: float) -> None:
    unit = float(capture.tick_s)
    lo, hi = x.lo * unit, x.hi * unit
    scale, name = next((factor, name) for factor, name in ((1.0, "s"), (1e3, "ms"), (1e6, "µs"), (1e9, "ns"))
                       if (hi - lo) * factor > 3 or name == "ns")
    canvas.line(x.start, at - 2, x.end, at - 2, FAINT)
    for value in round_steps(lo * scale, hi * scale, 8):
        place = x(value / scale / unit)
        canvas.line(place, at - 2, place, at + 3, FAINT)
        canvas.text(place, at + 15, label(value), size=10, anchor="middle", colour=FAINT)
    canvas.text(x.end, at + 15, name, size=10, anchor="end", colour=FAINT)


def _histogram(canvas: Canvas, top: float, capture: Capture, channel: ChannelReport) -> None:
    """Draw how often each interval between edges comes, in bits."""
    s = _settings(channel)
    found = capture.channel(channel.name)
    bit = float(1 / ((s.measured_baud or s.baud) * float(capture.tick_s)))
    grid = time_grid(capture, found.edge_ticks, bit)
    parts = [np.diff(without_glitches(part.edges, bit, grid)[0]) for part in stretches(capture, found)]
    bits = np.concatenate(parts).astype(np.float64) / bit
    bits = bits[bits < LONGEST_BITS]
    x, bottom, ceiling = Scale(0, LONGEST_BITS, LEFT, RIGHT), top + HISTOGRAM_HEIGHT - 44, top + 22
    canvas.text(LEFT, top + 10, f"Intervals between edges, in bits of {1e6 * bit * float(capture.tick_s):.5g} µs",
                size=12, bold=True)
    for k in range(1, int(LONGEST_BITS)):
        canvas.line(x(k), ceiling, x(k), bottom, PALE, dash="3 3")
        canvas.text(x(k), bottom + 15, str(k), size=10, anchor="middle", colour=FAINT)
    if len(bits):
        _bars(canvas, x, bits, bottom, ceiling)
    canvas.line(LEFT, bottom, RIGHT, bottom, INK)
    canvas.text(RIGHT, bottom + 15, "bits", size=10, anchor="end", colour=FAINT)


def _bars(canvas: Canvas, x: Scale, bits: NDArray[np.float64], bottom: float, ceiling: float) -> None:
    counts, borders = np.histogram(bits, bins=240, range=(0, LONGEST_BITS))
    most = float(counts.max())
    for count, left, right in zip(counts.tolist(), borders[:-1].tolist(), borders[1:].tolist(), strict=True):
        if count:
            height = max((bottom - ceiling) * (count / most) ** 0.5, 1.5)  # root, so that rare ones stay visible
            near = abs((left + right) / 2 - round((left + right) / 2)) < 0.25
            canvas.rect(x(left), bottom - height, x(right) - x(left) - 0.5, height, SETTLED if near else OPEN,
                        tip=f"{count} of {left:.2f} to {right:.2f} bits")
    canvas.text(LEFT - 6, ceiling + 4, label(most), size=10, anchor="end", colour=FAINT)


def _pair(canvas: Canvas, top: float, report: LineReport, pair: PairReport) -> None:
    capture = report.capture
    rows = report.pair_rows(pair)
    about = "I2C" if pair.settings is None else (
        f"read at the {pair.settings.edge} edge of {pair.clock}, {pair.settings.bits_per_word} bits a word, "
        f"{pair.settings.bit_order}")
    canvas.text(16, top + 24, f"{pair.clock}, {pair.data}", size=15, bold=True)
    canvas.text(16, top + 42, f"{about}, {pair.words} {'bytes' if pair.settings is None else 'words'}", size=12,
                colour=FAINT)
    if not len(rows):
        return
    n = min(len(rows), SHOWN_CHARACTERS)
    word = rows.character_s or (float(rows.t_s[1] - rows.t_s[0]) if len(rows) > 1 else capture.duration_s)
    tick = float(capture.tick_s)
    begin, end = (float(rows.t_s[0]) - 0.3 * word) / tick, (float(rows.t_s[n - 1]) + 1.3 * word) / tick
    end = min(end, begin + 8 * word / tick * n)
    x = Scale(begin, end, LEFT, RIGHT)
    lines = [pair.clock, pair.data] + ([pair.settings.select] if pair.settings and pair.settings.select else [])
    for i, name in enumerate(lines):
        _levels(canvas, x, capture.channel(name), top + 74 + 36 * i, top + 98 + 36 * i)
    _word_names(canvas, x, rows, n, tick, top + 64)
    _time_axis(canvas, x, capture, top + PAIR_HEIGHT - 26)


def _word_names(canvas: Canvas, x: Scale, rows: LineBytes, n: int, tick: float, at: float) -> None:
    digits = (rows.bits + 3) // 4
    for i in range(n):
        colour = WRONG if rows.errors[i] else SETTLED
        canvas.text(x(float(rows.t_s[i]) / tick), at, f"{int(rows.values[i]):0{digits}X}", size=13, mono=True,
                    bold=True, colour=colour)
