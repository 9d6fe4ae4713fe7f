"""The timing picture: levels over the first characters, bit boundaries and bytes, and the intervals behind them."""

from __future__ import annotations

import numpy as np

from tapwright.core.capture import Capture, Channel
from tapwright.core.line import AsyncSettings, ByteError
from tapwright.draw.svg import FAINT, INK, PALE, SECOND, SETTLED, Canvas, Scale
from tapwright.line.apply import read_line
from tapwright.line.report import LineReport

CHARACTERS = 6  # shown of each line
_WIDTH, _LANE, _LEFT = 900.0, 120.0, 20.0
_MOST_BITS = 12
_COLUMNS = 240


def timing(report: LineReport) -> str:
    """Return the picture as SVG: a lane for each line that talks, and below it the intervals between its edges.

    Parameters
    ----------
    report : as from `find_lines`
    """
    found = [(name, report.channel(name).settings) for name in report.talking[:4]]
    lines = [(name, settings) for name, settings in found if settings is not None]
    canvas = Canvas(_WIDTH, 40 + 2 * _LANE * max(len(lines), 1), "Levels over time",
                    "; ".join(f"{name} at {settings.name}" for name, settings in lines) or "no line talks")
    if not lines:
        canvas.text(_LEFT, 40, "No line in this capture talks.", size=14)
    for i, (name, settings) in enumerate(lines):
        top = 30 + 2 * _LANE * i
        _lane(canvas, report.capture, name, settings, top)
        _intervals(canvas, report.capture.channel(name), report.capture, settings, top + _LANE)
    return canvas.svg()


def _lane(canvas: Canvas, capture: Capture, name: str, settings: AsyncSettings, top: float) -> None:
    rows = read_line(capture, name, settings)
    whole = np.flatnonzero(rows.errors == ByteError.NONE)[:CHARACTERS]
    canvas.text(_LEFT, top, f"{name}: {settings.name}", size=13, bold=True)
    if not len(whole):
        canvas.text(_LEFT, top + 30, "no whole character", size=12, colour=FAINT)
        return
    channel = capture.channel(name)
    bit_s = 1 / (settings.measured_baud or settings.baud)
    shown = whole[: 1 + int((rows.t_s[whole] - rows.t_s[whole[0]] <= 4 * CHARACTERS * settings.character_s).sum() - 1)]
    begin = float(rows.t_s[shown[0]]) - 2 * bit_s
    end = float(rows.t_s[shown[-1]]) + settings.character_s + 2 * bit_s
    x = Scale(begin, end, _LEFT, _WIDTH - 20)
    low, high = top + 78, top + 42
    tick_s = float(capture.tick_s)
    first, last = (np.searchsorted(channel.edge_ticks, t / tick_s) for t in (begin, end))
    level = (channel.first_level + int(first)) & 1
    for i in shown.tolist():
        start = float(rows.t_s[i])
        n_bits = int(settings.bits_per_character)
        for bit in range(n_bits + 1):
            at = x(start + bit * bit_s)
            canvas.line(at, high - 8, at, low + 8, PALE)
        digits = max((rows.bits + 3) // 4, 2)
        canvas.text(x(start + n_bits * bit_s / 2), high - 14, f"{int(rows.values[i]):0{digits}X}", size=13,
                    colour=SETTLED, anchor="middle", mono=True, bold=True)
    points = [(x(begin), high if level else low)]
    for tick in channel.edge_ticks[first:last].tolist():
        at = x(tick * tick_s)
        points += [(at, points[-1][1]), (at, low if level else high)]
        level = 1 - level
    points.append((x(end), points[-1][1]))
    canvas.polyline(points, INK, width=1.6)
    canvas.text(_WIDTH - 20, top, f"one bit is {bit_s * 1e6:.4g} µs", size=12, colour=FAINT, anchor="end")


def _intervals(canvas: Canvas, channel: Channel, capture: Capture, settings: AsyncSettings, top: float) -> None:
    """Draw how often each interval between edges occurs, in bits: they pile up at whole ones."""
    bit_ticks = 1 / (settings.measured_baud or settings.baud) / float(capture.tick_s)
    bits = np.diff(channel.edge_ticks) / bit_ticks
    counts, edges = np.histogram(bits[bits <= _MOST_BITS], bins=_COLUMNS, range=(0, _MOST_BITS))
    if not counts.any():
        return
    x = Scale(0, _MOST_BITS, _LEFT, _WIDTH - 20)
    base, tall = top + 84, 60.0
    canvas.text(_LEFT, top + 12, "intervals between edges, in bits", size=12, colour=FAINT)
    for bit in range(_MOST_BITS + 1):
        canvas.line(x(bit), base - tall, x(bit), base, PALE, dash="3 3")
        canvas.text(x(bit), base + 15, str(bit), size=11, anchor="middle")
    for count, left, right in zip(counts.tolist(), edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if count:
            # Square roots, so that rare intervals (glitches, pauses) still show beside the common ones.
            height = max(tall * (count / counts.max()) ** 0.5, 1.5)
            canvas.rect(x(left), base - height, max(x(right) - x(left) - 0.5, 1), height, SECOND)
    canvas.line(_LEFT, base, _WIDTH - 20, base)
