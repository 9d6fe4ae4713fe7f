"""Pictures of a supply plan: the run with every limit, the burst in time, where the watt-hours go."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from tapwright.draw.svg import FAINT, INK, OPEN, SECOND, SETTLED, WRONG, Canvas, Plot
from tapwright.supply.answer import Answer
from tapwright.supply.burst import BurstInTime
from tapwright.supply.words import ending, hours, share, volts

_AVOIDED = 80  # points of a curve that limits' names keep off
_WASTED = frozenset(["regulator", "converter", "switch", "cells and contacts"])


def run_picture(answer: Answer) -> str:
    """Return the cells' volts over the run, with every limit on the string's volts drawn, as SVG."""
    ran, circuit = answer.run, answer.circuit
    limits, edge_v = _limits(answer), _collapse_v(answer)
    h, v = ran.curve_h, ran.curve_v
    open_v = circuit.string.open_at(ran.curve_mah)
    every = [value for value, _ in limits] + v.tolist() + open_v.tolist() + ([] if edge_v is None else edge_v.tolist())
    low, high = (min(every), max(every)) if every else (0.0, 1.0)
    pad = 0.08 * max(high - low, 0.1)
    last = float(h[-1]) if len(h) and h[-1] > 0 else 1.0
    ends = f"Ends after {hours(ran.hours)}: {ending(ran.because)}." if len(h) else "The cells cannot deliver the burst."
    plot = Plot.make("Cells over the run", f"The string's volts against hours switched on. {ends}",
                     x_range=(0.0, last), y_range=(low - pad, high + 2 * pad), x_label="hours switched on",
                     y_label="volts")
    if len(h):
        for curve in (v, open_v, *(() if edge_v is None else (edge_v,))):
            at = np.linspace(0.0, last, _AVOIDED)
            plot.avoid(zip(at.tolist(), np.interp(at, h, curve).tolist(), strict=True))
    for value, words in limits:
        plot.level(value, words)
    if len(h):
        plot.curve(list(zip(h.tolist(), open_v.tolist(), strict=True)), FAINT, dash="2 3")
        plot.curve(list(zip(h.tolist(), v.tolist(), strict=True)), SETTLED)
        if edge_v is not None:
            plot.curve(list(zip(h.tolist(), edge_v.tolist(), strict=True)), WRONG, dash="1 3")
        plot.canvas.circle(plot.x(float(h[-1])), plot.y(float(v[-1])), 4, WRONG, tip=ends)
        _key(plot, [("in the burst", SETTLED, ""), ("open", FAINT, "2 3")]
             + ([("most power, collapse beyond", WRONG, "1 3")] if edge_v is not None else []))
    plot.canvas.text(230, 20, ends, size=11, colour=INK)
    return plot.canvas.svg()


def _collapse_v(answer: Answer) -> NDArray[np.float64] | None:
    """Return the string's volts at which it gives the most power, over the run; None where no constant power is drawn.

    Source: maximum power theorem, half the volts that are free behind the ohms.
    """
    circuit, converter = answer.circuit, answer.plan.converter
    if not converter.switching:
        return None
    at = answer.run.curve_mah
    open_v, string_ohm = circuit.string.open_at(at), circuit.string.ohms_at(at)
    ohm = string_ohm + circuit.switch_ohm
    free_v = open_v - string_ohm * circuit.beside_a - ohm * converter.quiescent_a
    with np.errstate(divide="ignore", invalid="ignore"):
        most_a = np.where(ohm > 0, free_v / 2.0 / ohm, np.nan)
    edge_v = open_v - string_ohm * (circuit.beside_a + converter.quiescent_a + most_a)
    return np.asarray(edge_v) if bool(np.all(np.isfinite(edge_v))) else None


def _limits(answer: Answer) -> list[tuple[float, str]]:
    """Return every limit on the string's volts, with its name."""
    plan = answer.plan
    converter, switch = plan.converter, plan.switch
    found = [(plan.instrument.low_v, "instrument's low limit"),
             (converter.start_v, "converter starts (volts with nothing drawn)"),
             (converter.input_min_v, "converter's least input")]
    if switch is not None and switch.control_v is None:
        if switch.kind == "mosfet":
            found.append((switch.full_on_v, "switch fully on"))
        else:
            found.append((converter.enable_high_v, "enable threshold"))
    if converter.kind == "linear" and converter.output_v is not None:
        found.append((converter.output_v + converter.dropout_v, "linear converter's dropout"))
    if converter.kind == "none" and plan.regulator is not None:
        found.append((plan.regulator.output_v + plan.regulator.dropout_v, "regulator's dropout"))
    return [(float(value), words) for value, words in found if value is not None]


def burst_picture(burst: BurstInTime) -> str:
    """Return the burst in time as SVG: the cells without a capacitor, and the rail beside one."""
    scale, unit = (1e3, "ms") if burst.seconds < 1 else (1.0, "s")
    curves = [(burst.time_s, burst.string_v, SETTLED, "")]
    names = [("the cells", SETTLED, "")]
    if burst.capacitor_s is not None and burst.capacitor_v is not None:
        curves.append((burst.capacitor_s, burst.capacitor_v, SECOND, "6 3"))
        names.append(("beside the capacitor", SECOND, "6 3"))
    seen = np.concatenate([v[np.isfinite(v)] for _, v, _, _ in curves])
    low, high = (float(seen.min()), float(seen.max())) if len(seen) else (0.0, 1.0)
    pad = 0.15 * max(high - low, 0.02)
    about = f"All loads at once for {burst.seconds * scale:.3g} {unit}: the cells go from {volts(burst.steady_v)} to " \
            f"{volts(burst.lowest_v)}."
    plot = Plot.make("The burst", about, x_range=(float(burst.time_s[0]) * scale, float(burst.time_s[-1]) * scale),
                     y_range=(low - pad, high + 1.5 * pad), x_label=f"time, {unit}", y_label="volts")
    for t, v, colour, dash in curves:
        kept = np.isfinite(v)
        plot.curve([(a * scale, b) for a, b in zip(t[kept].tolist(), v[kept].tolist(), strict=True)], colour, dash=dash)
    if burst.lowest_v is None:
        plot.canvas.text(plot.x.start + 10, plot.y.end + 40, "the cells cannot deliver this burst: they collapse",
                         size=13, colour=WRONG)
    _key(plot, names)
    plot.canvas.text(160, 20, about, size=11)
    return plot.canvas.svg()


def energy_picture(energy: Mapping[str, float]) -> str:
    """Return where the watt-hours of a run go as SVG, a bar each."""
    rows = [(name, wh) for name, wh in energy.items() if wh > 0]
    whole = sum(wh for _, wh in rows)
    canvas = Canvas(720, 70 + 34 * max(len(rows), 1), "Where the watt-hours go",
                    "; ".join(f"{name} {wh:.3g} Wh" for name, wh in rows) or "Nothing runs.")
    canvas.text(16, 24, "Where the watt-hours go", size=14, bold=True)
    if not rows:
        canvas.text(16, 60, "nothing is drawn from the cells without end", size=12)
        return canvas.svg()
    most = max(wh for _, wh in rows)
    for i, (name, wh) in enumerate(rows):
        y = 44 + 34 * i
        width = max(400 * wh / most, 1.0)
        canvas.text(160, y + 17, name, size=12, anchor="end")
        if name == "left in the cells":
            canvas.hatch(170, y, width, 22, OPEN, tip=f"{wh:.3g} Wh")
        else:
            canvas.rect(170, y, width, 22, WRONG if name in _WASTED else SETTLED, tip=f"{wh:.3g} Wh")
        canvas.text(178 + width, y + 17, f"{wh:.3g} Wh, {share(wh / whole)}", size=12)
    canvas.text(16, canvas.height - 8, "green-blue: used; red: lost as heat; hatched: left in the cells at the end",
                size=10, colour=FAINT)
    return canvas.svg()


def _key(plot: Plot, names: list[tuple[str, str, str]]) -> None:
    x, y = plot.x.start + 10, plot.y.end + 13
    for name, colour, dash in names:
        plot.canvas.line(x, y, x + 22, y, colour, width=2, dash=dash)
        plot.canvas.text(x + 28, y + 4, name, size=11)
        x += 44 + 6.2 * len(name)
