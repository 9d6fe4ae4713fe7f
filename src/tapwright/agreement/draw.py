"""Pictures of an agreement: differences against means, errors in their bands, radio on against off."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapwright.agreement.compare import Agreement
from tapwright.agreement.disturbance import Disturbance
from tapwright.agreement.readings import Readings
from tapwright.agreement.verdict import FAIL, PASS
from tapwright.draw import svg

Floats = NDArray[np.float64]
_NAMED_POINTS = 12  # up to so many have room for their names
MOST_MARKS = 1500
_COLOURS = {PASS: svg.SETTLED, FAIL: svg.WRONG}


def differences(agreement: Agreement) -> str:
    """Return the differences against the means of both, with bias and limits, as SVG."""
    a, s = agreement, agreement.summary
    level = (a.pairs.reference + a.pairs.meter) / 2
    assert s.limits is not None
    limits_ci = (a.effective or s).limits_ci_exact or (s.limits, s.limits)
    low = min(float(a.pairs.difference.min()), limits_ci[0][0])
    high = max(float(a.pairs.difference.max()), limits_ci[1][1])
    plot = svg.Plot.make(
        "Difference against mean", f"{len(a.pairs)} pairs; bias {s.bias:.3g}, limits {s.limits[0]:.3g} to "
        f"{s.limits[1]:.3g} {a.pairs.unit}", x_range=_padded(float(level.min()), float(level.max())),
        y_range=_padded(min(low, 0.0), max(high, 0.0)), x_label=_named("mean of reference and meter", a.pairs.unit),
        y_label=_named("meter less reference", a.pairs.unit), height=340)
    for ends in limits_ci:
        top, bottom = plot.y(ends[1]), plot.y(ends[0])
        plot.canvas.rect(plot.x.start, top, plot.x.end - plot.x.start, bottom - top, svg.OPEN, opacity=0.14)
    plot.level(0.0, "", svg.FAINT, dash="")
    far = set(a.outliers)
    radius = 3.2 if len(a.pairs) < 200 else 1.8
    for i in _shown(a.pairs.difference):
        tip = f"{a.pairs.points[i]}: {a.pairs.difference[i]:.4g} {a.pairs.unit}"
        x, y = plot.x(float(level[i])), plot.y(float(a.pairs.difference[i]))
        if i in far:
            plot.canvas.circle(x, y, 6, "none", stroke=svg.WRONG)
        plot.canvas.circle(x, y, radius, svg.INK, tip=tip)
    plot.avoid(zip(level.tolist(), a.pairs.difference.tolist(), strict=True))
    for value, words, colour, dash in (
            (s.limits[1], "bias + 1.96 s", svg.OPEN, "6 4"), (s.bias, "bias", svg.SETTLED, ""),
            (s.limits[0], "bias − 1.96 s", svg.OPEN, "6 4")):
        plot.level(value, f"{words} = {svg.label(float(f'{value:.3g}'))}", colour, dash=dash)
    return plot.canvas.svg()


def errors(agreement: Agreement) -> str:
    """Return every error as a share of its allowed limit, with its expanded uncertainty, as SVG.

    Raises
    ------
    ValueError : there is no specification
    """
    a, judged = agreement, agreement.judgement
    if judged is None:
        raise ValueError("errors in their bands take a specification")
    limit = np.where(judged.limit > 0, judged.limit, np.nan)
    share, u = a.pairs.difference / limit, a.uncertainty.expanded / limit
    order = np.argsort(np.abs(a.pairs.reference), kind="stable")
    reach = 1.15 * max(float(np.nanmax(np.abs(share) + u, initial=1.2)), 1.2)
    plot = svg.Plot.make(
        "Errors in the allowed band", f"Each point's error over its limit, verdict {judged.verdict}",
        x_range=(0.0, len(a.pairs) + 1.0), y_range=(-reach, reach),
        x_label="place of the point in order of its level", y_label="error / limit", height=340)
    top, bottom = plot.y(1.0), plot.y(-1.0)
    plot.canvas.rect(plot.x.start, top, plot.x.end - plot.x.start, bottom - top, svg.SETTLED, opacity=0.08)
    plot.level(1.0, "limit", svg.WRONG)
    plot.level(-1.0, "", svg.WRONG)
    plot.level(0.0, "", svg.FAINT, dash="")
    chosen = set(_shown(np.nan_to_num(share)))
    for place, i in enumerate(order.tolist(), 1):
        if i not in chosen or not np.isfinite(share[i]):
            continue
        colour = _COLOURS.get(judged.verdicts[i], svg.OPEN)
        x = plot.x(place)
        plot.canvas.line(x, plot.y(share[i] - u[i]), x, plot.y(share[i] + u[i]), colour,
                         dash="" if judged.verdicts[i] in _COLOURS else "3 2")
        tip = f"{a.pairs.points[i]}: {judged.verdicts[i]}, error {a.pairs.difference[i]:.3g} of ± {judged.limit[i]:.3g}"
        if judged.verdicts[i] == PASS:
            plot.canvas.circle(x, plot.y(share[i]), 3.6, colour, tip=tip)
        else:  # told apart by shape too, never by colour alone
            plot.canvas.rect(x - 4, plot.y(share[i]) - 4, 8, 8, colour if judged.verdicts[i] == FAIL else svg.PAPER,
                             stroke=colour, tip=tip)
        if len(a.pairs) <= _NAMED_POINTS:
            name = a.pairs.points[i]
            plot.canvas.text(x, plot.y.start - 6, name if len(name) <= 12 else name[:11] + "…", size=10,
                             anchor="middle")
    return plot.canvas.svg()


def radio(found: Disturbance, on: Readings, off: Readings) -> str:
    """Return the readings with the radio off, then on, on one scale, as SVG."""
    both = np.concatenate([off.values, on.values])
    gap = max(len(both) // 20, 1)
    plot = svg.Plot.make(
        "Radio off, radio on",
        f"Shift {found.shift:.3g} {found.unit}, verdict {found.verdict or 'none without margin'}",
        x_range=(0.0, len(both) + gap), y_range=_padded(float(both.min()), float(both.max())),
        x_label="readings, in order", y_label=_named("reading", found.unit), height=320)
    start = 0
    for word, readings, side, colour in (("off", off, found.off, svg.FAINT), ("on", on, found.on, svg.SETTLED)):
        for i in _shown(readings.values):
            plot.canvas.circle(plot.x(start + i), plot.y(float(readings.values[i])), 2.2, colour)
        ends = (plot.x(start), plot.x(start + len(readings)))
        if not found.paired:
            plot.canvas.line(ends[0], plot.y(side.mean), ends[1], plot.y(side.mean), svg.INK, width=2)
        plot.canvas.text((ends[0] + ends[1]) / 2, plot.y.end + 14, f"radio {word}", anchor="middle", bold=True)
        start += len(readings) + gap
    return plot.canvas.svg()


def stacked(title: str, pictures: Sequence[str], sizes: Sequence[tuple[float, float]]) -> str:
    """Return pictures one under the other as one SVG; `sizes` are their widths and heights, px."""
    canvas = svg.Canvas(max(width for width, _ in sizes), sum(height for _, height in sizes), title)
    top = 0.0
    for picture, (_, height) in zip(pictures, sizes, strict=True):
        canvas.parts.append(f'<g transform="translate(0 {svg.n(top)})">{picture}</g>')
        top += height
    return canvas.svg()


def sheet(agreement: Agreement) -> str:
    """Return all pictures of an agreement as one SVG."""
    pictures = [differences(agreement)]
    if agreement.judgement is not None:
        pictures.append(errors(agreement))
    return stacked("Agreement", pictures, [(720.0, 340.0)] * len(pictures))


def _named(words: str, unit: str) -> str:
    return f"{words}, {unit}" if unit else words


def _padded(low: float, high: float) -> tuple[float, float]:
    pad = 0.06 * (high - low) or abs(high) * 0.01 or 1.0
    return low - pad, high + pad


def _shown(values: Floats) -> list[int]:
    """Return the rows to draw: all of them, or an even choice that keeps the extremes."""
    n = len(values)
    if n <= MOST_MARKS:
        return list(range(n))
    even = np.linspace(0, n - 1, MOST_MARKS).astype(np.int64)
    ends = np.argpartition(values, [20, n - 20])
    return sorted({*even.tolist(), *ends[:20].tolist(), *ends[-20:].tolist()})
