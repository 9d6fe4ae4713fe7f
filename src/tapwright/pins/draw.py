"""Pictures: pads by states as a voltage map, the order of events of a capture, the tap sheet.

In: `Findings` or a `Sheet`. Out: SVG text. What is settled is solid; what is open is hatched or dashed.
"""

from __future__ import annotations

import math
import textwrap

from tapwright.draw.svg import CHAR_PX, FAINT, INK, OPEN, PALE, PAPER, SECOND, SETTLED, Canvas, Scale, label, n
from tapwright.evidence.survey_cells import Cell
from tapwright.pins.advise import SETTLED as SURE
from tapwright.pins.find import UNKNOWN, Findings, Pad
from tapwright.pins.sheet import NO_WIRE, Sheet, shown

ROW, LEFT = 26.0, 64.0


def voltage_map(findings: Findings) -> str:
    """Return pads by states: a bar as high as the reading, and each pad's role beside it."""
    columns = [(i, column) for i, column in enumerate(findings.survey.columns) if column.is_plain and not column.meter]
    cell_w = 64.0 if len(columns) <= 12 else 40.0
    right = LEFT + cell_w * len(columns)
    # The headings lean: their room above the cells is their length at 28 degrees.
    top = 54 + 0.47 * CHAR_PX * max((len(_short(column.state, 18)) for _, column in columns), default=0)
    canvas = Canvas(right + 350, top + ROW * len(findings.pads) + 58, "Voltage map",
                    "Each pad's reading in each state, as a bar up to the supply, with its role.")
    canvas.text(12, 22, f"Voltage map, supply {findings.supply_v:g} V", size=14, bold=True)
    for k, (_, column) in enumerate(columns):
        canvas.text(LEFT + cell_w * (k + 0.5), top - 8, _short(column.state, 18), size=11, turn=-28)
    canvas.text(right + 14, top - 8, "role", size=11, colour=FAINT)
    canvas.text(right + 190, top - 8, "driven by", size=11, colour=FAINT)
    for row, pad in enumerate(findings.pads):
        y = top + ROW * row
        canvas.line(12, y + ROW, right + 338, y + ROW, PALE)
        canvas.text(12, y + 17, _short(pad.pad, 7), size=12, mono=True, bold=True)
        for k, (i, column) in enumerate(columns):
            _cell(canvas, LEFT + cell_w * k, y, cell_w, findings.survey.cells[row].get(i), findings.supply_v,
                  f"pad {pad.pad}, {column.state}")
        _role(canvas, right + 14, y, pad)
    under = top + ROW * len(findings.pads) + 24
    for i, words in enumerate(("bar: solid where role and driver are settled (0.97), hatched where one is open",
                               "cell: a band between two bars, it wandered; empty, no reading")):
        canvas.text(12, under + 15 * i, words, size=11, colour=FAINT)
    return canvas.svg()


def order_of_events(findings: Findings) -> str:
    """Return when each line moved before the data's first edge: a dot at the mean delay, a bar one spread wide."""
    events = [event for event in findings.order if event.delay_s is not None]
    longest = max([(event.delay_s or 0) + (event.spread_s or 0) for event in events], default=1.0) or 1.0
    height = 84 + 34 * max(len(events), 1)
    canvas = Canvas(940, height, "Order of events", "How long before the data started each line moved.")
    canvas.text(12, 22, f"Before the data on {findings.data} starts", size=14, bold=True)
    x = Scale(-longest * 1.08, 0, 190, 620)
    for value in x.ticks(6):
        canvas.line(x(value), 40, x(value), height - 34, PALE)
        canvas.text(x(value), height - 18, label(value), size=11, anchor="middle")
    canvas.text(405, height - 3, "seconds before the first data edge", size=11, anchor="middle", colour=FAINT)
    canvas.line(x(0), 40, x(0), height - 34, INK, width=1.5)
    best = findings.gates[0] if findings.gates else None
    for row, event in enumerate(events):
        y = 58 + 34 * row
        is_gate = best is not None and (event.pad, event.level) == (best.pad, best.level)
        colour = SETTLED if is_gate else FAINT
        spread = event.spread_s or 0.0
        at = x(-(event.delay_s or 0))
        canvas.text(12, y + 4, f"{_short(event.pad, 12)} goes {event.level}", size=12, bold=is_gate)
        canvas.line(at, y, x(0), y, PALE, width=2)
        canvas.line(x(-(event.delay_s or 0) - spread), y, min(x(-(event.delay_s or 0) + spread), x(0)), y, colour,
                    width=5, dash="" if is_gate else "5 3")
        canvas.circle(at, y, 5, colour)
        said = [f"{event.delay_s or 0:.3g} ± {spread:.2g} s", f"{event.moved} of {event.starts}"]
        said += ["always there"] if event.necessary else []
        said += ["never in vain"] if event.sufficient else []
        canvas.text(632, y + 4, ", ".join(said), size=10, colour=INK if is_gate else FAINT)
    if not events:
        canvas.text(190, 70, "no line moved before the data started", size=12, colour=OPEN)
    return canvas.svg()


def tap_picture(sheet: Sheet) -> str:
    """Return the wires as a drawing: pads on the left, the part between, the board on the right."""
    rows = max(len(sheet.wires), 1)
    height = 96 + 58 * rows + 20 * len(sheet.leave) + 30
    canvas = Canvas(960, height, "Tap sheet", "Which pad goes where, through which part.")
    canvas.text(12, 22, "Tap sheet", size=14, bold=True)
    canvas.rect(20, 40, 110, 58 * rows + 10, "none", stroke=INK, round_=4)
    canvas.text(75, 56, "instrument", size=11, anchor="middle", colour=FAINT)
    canvas.rect(640, 40, 300, 58 * rows + 10, "none", stroke=INK, round_=4)
    canvas.text(790, 56, "board", size=11, anchor="middle", colour=FAINT)
    for row, wire in enumerate(sheet.wires):
        y = 78 + 58 * row
        colour, dash = (SETTLED, "") if wire.is_sure else (OPEN, "6 4")
        canvas.circle(112, y, 6, colour)
        canvas.text(98, y + 4, _short(wire.pad, 10), size=12, anchor="end", mono=True, bold=True)
        if wire.to == NO_WIRE:
            canvas.line(118, y, 180, y, colour, width=2, dash=dash)
            canvas.text(190, y + 4, f"{wire.to}: {wire.part}", size=11)
        else:
            canvas.line(118, y, 652, y, colour, width=2, dash=dash)
            _part(canvas, y, wire.part, colour)
            canvas.circle(652, y, 4, colour)
            canvas.text(662, y + 4, _short(wire.to, 46), size=11)
        said = ("" if wire.is_sure else "NOT SETTLED: ") + wire.why
        for i, words in enumerate(textwrap.wrap(said, 84)[:2]):
            canvas.text(132, y + 20 + 11 * i, words, size=10, colour=FAINT)
    y = 78 + 58 * rows
    canvas.text(20, y + 8, "Leave alone", size=12, bold=True)
    for row, (pad, why) in enumerate(sheet.leave):
        canvas.text(20, y + 28 + 20 * row, f"{pad}: {_short(why, 90)}", size=11)
    canvas.text(20, height - 10, "Cells out before soldering. Probes off everything while any lead is inside the case.",
                size=11, bold=True, colour=OPEN)
    return canvas.svg()


def _part(canvas: Canvas, y: float, part: str, colour: str) -> None:
    if "series" in part or "shifter" in part:
        canvas.rect(300, y - 8, 60, 16, PAPER, stroke=colour)
    if "to ground" in part:  # the divider's lower resistor, on the board's side of the upper one
        canvas.line(440, y, 440, y + 8, colour, width=2)
        canvas.rect(433, y + 8, 14, 22, PAPER, stroke=colour)
        canvas.line(440, y + 30, 440, y + 36, colour, width=2)
        canvas.line(431, y + 36, 449, y + 36, colour, width=2)
    canvas.text(330, y - 13, part, size=11, anchor="middle")


def _cell(canvas: Canvas, x: float, y: float, width: float, cell: Cell | None, supply_v: float, where: str) -> None:
    inner_w, inner_h = width - 6, ROW - 6
    canvas.rect(x, y + 3, inner_w, inner_h, PALE if cell else "none", stroke=PALE, opacity=0.45)
    if cell is None:
        return
    share = min(max(cell.middle / supply_v, 0.0), 1.0)
    tall = inner_h * share
    shown = n(cell.middle) if not cell.span else f"{n(cell.low)}..{n(cell.high)}"
    if cell.span:
        low, high = (min(max(value / supply_v, 0), 1) * inner_h for value in (cell.low, cell.high))
        canvas.rect(x, y + 3 + inner_h - high, inner_w, high - low, OPEN, opacity=0.25, tip=f"{where}: {shown} V")
        for edge in (x + 1, x + inner_w - 1):
            canvas.line(edge, y + 3 + inner_h - high, edge, y + 3 + inner_h - low, OPEN, width=2)
    else:
        between = 0.06 < share < 0.94
        canvas.rect(x, y + 3 + inner_h - tall, inner_w, tall, OPEN if between else SECOND, opacity=0.45,
                    tip=f"{where}: {shown} V")
    canvas.text(x + inner_w / 2, y + 17, shown, size=10, anchor="middle", mono=True)


def _role(canvas: Canvas, x: float, y: float, pad: Pad) -> None:
    canvas.text(x, y + 17, f"{pad.role} {shown(pad.probability)}", size=12, bold=pad.probability >= SURE)
    open_ = "open: " if pad.driven_by == UNKNOWN else ""
    canvas.text(x + 176, y + 17, f"{open_}{pad.driver} {shown(pad.driver_probability)}", size=12,
                bold=pad.driver_probability >= SURE)
    if not pad.is_settled:
        canvas.hatch(x - 9, y + 5, 5, ROW - 10, OPEN, tip="not settled")
    else:
        canvas.rect(x - 9, y + 5, 5, ROW - 10, SETTLED)


def _short(words: str, most: int) -> str:
    return words if len(words) <= most else words[:max(1, math.floor(most) - 1)] + "…"
