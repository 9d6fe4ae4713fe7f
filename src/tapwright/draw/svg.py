"""A small SVG canvas: shapes in, text out; every string is escaped, every picture has a title and a description.

Lengths are in CSS pixels. Colours come from `INK` and its neighbours, so that pages, dossier and command-line pictures
look alike; in a page that sets the CSS variables of the same names they follow its light or dark scheme.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

INK = "var(--ink, #14313a)"
FAINT = "var(--faint, #8a8f86)"
PALE = "var(--pale, #ddd8c8)"
PAPER = "var(--paper, #faf7ee)"
SETTLED = "var(--settled, #0d6a66)"  # what the evidence settles: always drawn solid
OPEN = "var(--open, #a8690b)"  # what it leaves open: always drawn hatched or dashed too, never by colour alone
WRONG = "var(--wrong, #a3352a)"
SECOND = "var(--second, #5a4a8c)"
SANS = "font-family=\"ui-sans-serif, 'DejaVu Sans', sans-serif\""
MONO = "font-family=\"ui-monospace, 'DejaVu Sans Mono', monospace\""

# XML 1.0 forbids these even when escaped.
CHAR_PX, LINE_PX = 6.2, 12.0  # of the small print: a usual letter's width, a line's height
_BOLD = ' font-weight="600"'
_NOT_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


@dataclass
class Canvas:
    """A picture being drawn.

    Parameters
    ----------
    width, height : px
    title : the picture's name, for screen readers and as a tooltip
    about : what it shows, in a sentence or two
    """

    width: float
    height: float
    title: str
    about: str = ""
    parts: list[str] = field(default_factory=list)

    def line(self, x1: float, y1: float, x2: float, y2: float, colour: str = INK, *, width: float = 1,
             dash: str = "") -> None:
        """Draw a straight line."""
        self.parts.append(f'<line x1="{n(x1)}" y1="{n(y1)}" x2="{n(x2)}" y2="{n(y2)}" stroke="{colour}" '
                          f'stroke-width="{n(width)}"{_dash(dash)}/>')

    def rect(self, x: float, y: float, width: float, height: float, fill: str = "none", *, stroke: str = "none",
             round_: float = 0, tip: str = "", dash: str = "", opacity: float = 1) -> None:
        """Draw a rectangle; `tip` is shown on hover and read out."""
        inner = f"<title>{text(tip)}</title>" if tip else ""
        self.parts.append(
            f'<rect x="{n(x)}" y="{n(y)}" width="{n(max(width, 0))}" height="{n(max(height, 0))}" fill="{fill}" '
            f'stroke="{stroke}" rx="{n(round_)}"{_dash(dash)}{_opacity(opacity)}>{inner}</rect>')

    def circle(self, x: float, y: float, radius: float, fill: str = INK, *, stroke: str = "none",
               tip: str = "") -> None:
        """Draw a disc or a ring."""
        inner = f"<title>{text(tip)}</title>" if tip else ""
        self.parts.append(f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(radius)}" fill="{fill}" stroke="{stroke}">{inner}'
                          "</circle>")

    def polyline(self, points: Iterable[tuple[float, float]], colour: str = INK, *, width: float = 1.5,
                 dash: str = "", fill: str = "none") -> None:
        """Draw a run of straight lines."""
        joined = " ".join(f"{n(x)},{n(y)}" for x, y in points)
        self.parts.append(f'<polyline points="{joined}" fill="{fill}" stroke="{colour}" stroke-width="{n(width)}" '
                          f'stroke-linejoin="round"{_dash(dash)}/>')

    def polygon(self, points: Iterable[tuple[float, float]], fill: str, *, stroke: str = "none", tip: str = "",
                dash: str = "", opacity: float = 1) -> None:
        """Draw a closed shape."""
        joined = " ".join(f"{n(x)},{n(y)}" for x, y in points)
        inner = f"<title>{text(tip)}</title>" if tip else ""
        self.parts.append(f'<polygon points="{joined}" fill="{fill}" stroke="{stroke}"{_dash(dash)}'
                          f"{_opacity(opacity)}>{inner}</polygon>")

    def path(self, d: str, colour: str = INK, *, width: float = 1.5, fill: str = "none", dash: str = "") -> None:
        """Draw an SVG path."""
        self.parts.append(f'<path d={quoteattr(d)} fill="{fill}" stroke="{colour}" stroke-width="{n(width)}"'
                          f"{_dash(dash)}/>")

    def text(self, x: float, y: float, words: str, *, size: float = 12, colour: str = INK, anchor: str = "start",
             bold: bool = False, mono: bool = False, turn: float = 0) -> None:
        """Write words; `anchor` is start, middle or end, `turn` in degrees about (x, y)."""
        turned = f' transform="rotate({n(turn)} {n(x)} {n(y)})"' if turn else ""
        self.parts.append(f'<text x="{n(x)}" y="{n(y)}" font-size="{n(size)}" fill="{colour}" text-anchor="{anchor}" '
                          f'{MONO if mono else SANS}{_BOLD if bold else ""}{turned}>'
                          f"{text(words)}</text>")

    def hatch(self, x: float, y: float, width: float, height: float, colour: str = OPEN, *, tip: str = "") -> None:
        """Fill a rectangle with slanted lines: what is not settled."""
        self.rect(x, y, width, height, "none", stroke=colour, tip=tip)
        step, d = 5.0, []
        offset = step
        while offset < width + height:
            x1, y1 = (x + offset, y) if offset <= width else (x + width, y + offset - width)
            x2, y2 = (x, y + offset) if offset <= height else (x + offset - height, y + height)
            d.append(f"M{n(x1)} {n(y1)}L{n(x2)} {n(y2)}")
            offset += step
        if d:
            self.path("".join(d), colour, width=0.8)

    def svg(self) -> str:
        """Return the picture as one SVG element."""
        return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {n(self.width)} {n(self.height)}" '
                f'width="{n(self.width)}" height="{n(self.height)}" role="img" '
                f"aria-label={quoteattr(_clean(self.title + ('. ' + self.about if self.about else '')))}>"
                f"<title>{text(self.title)}</title><desc>{text(self.about)}</desc>"
                f'<rect width="100%" height="100%" fill="{PAPER}"/>' + "".join(self.parts) + "</svg>\n")


@dataclass(frozen=True)
class Scale:
    """A straight map from data to pixels; `lo` and `hi` are data, `start` and `end` pixels."""

    lo: float
    hi: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Return the pixel of a value."""
        span = self.hi - self.lo
        share = 0.5 if span == 0 else (value - self.lo) / span
        return self.start + share * (self.end - self.start)

    def ticks(self, about: int = 6) -> list[float]:
        """Return round values (1, 2 or 5 times a power of ten) inside the range."""
        return round_steps(self.lo, self.hi, about)


def round_steps(lo: float, hi: float, about: int = 6) -> list[float]:
    """Return about `about` round values between `lo` and `hi`, both finite."""
    span = hi - lo
    if not (span > 0 and math.isfinite(span)):
        return [lo]
    raw = span / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999999)
    first, last = math.ceil(lo / step - 1e-9), math.floor(hi / step + 1e-9)
    return [round(i * step, 12) for i in range(first, last + 1)]


@dataclass
class Plot:
    """A canvas with two axes; `x` and `y` map data to pixels."""

    canvas: Canvas
    x: Scale
    y: Scale
    _named: list[tuple[float, float, float]] = field(default_factory=list)  # limits' names: baseline, from, to
    _points: list[tuple[float, float]] = field(default_factory=list)  # px, that names keep off

    @classmethod
    def make(cls, title: str, about: str, *, x_range: tuple[float, float], y_range: tuple[float, float],
             x_label: str, y_label: str, width: float = 720, height: float = 320) -> Plot:
        """Return a plot with grid, axes and labels drawn."""
        left, right, top, bottom = 64.0, width - 16, 34.0, height - 44
        canvas = Canvas(width, height, title, about)
        plot = cls(canvas, Scale(*_wide(x_range), left, right), Scale(*_wide(y_range), bottom, top))
        canvas.text(left, 20, title, size=14, bold=True)
        for value in plot.x.ticks(8):
            at = plot.x(value)
            canvas.line(at, top, at, bottom, PALE)
            canvas.text(at, bottom + 16, label(value), size=11, anchor="middle")
        for value in plot.y.ticks(5):
            at = plot.y(value)
            canvas.line(left, at, right, at, PALE)
            canvas.text(left - 6, at + 4, label(value), size=11, anchor="end")
        canvas.line(left, bottom, right, bottom)
        canvas.line(left, top, left, bottom)
        canvas.text((left + right) / 2, height - 10, x_label, size=12, anchor="middle")
        canvas.text(14, (top + bottom) / 2, y_label, size=12, anchor="middle", turn=-90)
        return plot

    def curve(self, points: Sequence[tuple[float, float]], colour: str = SETTLED, *, dash: str = "",
              width: float = 2) -> None:
        """Draw data points joined by lines."""
        self.canvas.polyline([(self.x(a), self.y(b)) for a, b in points], colour, dash=dash, width=width)

    def level(self, value: float, words: str, colour: str = WRONG, *, dash: str = "6 4") -> None:
        """Draw a limit across the plot with its name, if it lies inside."""
        if self.y.lo <= value <= self.y.hi:
            at = self.y(value)
            self.canvas.line(self.x.start, at, self.x.end, at, colour, dash=dash)
            if words:
                end, baseline = self._free(at, len(words))
                self.canvas.text(end, baseline, words, size=11, colour=colour, anchor="end")

    def avoid(self, points: Iterable[tuple[float, float]]) -> None:
        """Keep the names of limits drawn later off these points, in the axes' units."""
        self._points += [(self.x(x), self.y(y)) for x, y in points]

    def _free(self, at: float, n_chars: int) -> tuple[float, float]:
        """Return right end and baseline for a limit's name beside its line, where the fewest things stand."""
        width = n_chars * CHAR_PX
        choices = [(self.x.end - 4, at - 4), (self.x.end - 4, at + 12)]
        choices += [(start - 12, at - 4) for _, start, _ in self._named]
        choices += [(self.x.start + 6 + width, at - 4), (self.x.start + 6 + width, at + 12)]
        inside = [choice for choice in choices if choice[0] - width >= self.x.start] or choices
        end, baseline = min(inside, key=lambda choice: self._met(choice[0], choice[1], width))
        self._named.append((baseline, end - width, end))
        return end, baseline

    def _met(self, end: float, baseline: float, width: float) -> int:
        """Return how many points a name would cover, another name counting as many."""
        names = sum(abs(baseline - other) < LINE_PX and end - width < stop and start < end
                    for other, start, stop in self._named)
        points = sum(end - width - 4 < x < end + 4 and baseline - LINE_PX < y < baseline + 4 for x, y in self._points)
        return 1000 * names + points


def n(value: float) -> str:
    """Return a number as SVG likes it: two decimals at most, no exponent."""
    return f"{value:.2f}".rstrip("0").rstrip(".") if math.isfinite(value) else "0"


def label(value: float) -> str:
    """Return an axis label."""
    return f"{value:.6g}".replace("-", "−")


def text(words: str) -> str:
    """Return words as XML text, without the characters that XML forbids."""
    return escape(_clean(words))


def _clean(words: str) -> str:
    return _NOT_XML.sub("\N{REPLACEMENT CHARACTER}", words)


def _dash(dash: str) -> str:
    return f' stroke-dasharray="{dash}"' if dash else ""


def _opacity(opacity: float) -> str:
    return f' opacity="{n(opacity)}"' if opacity < 1 else ""


def _wide(limits: tuple[float, float]) -> tuple[float, float]:
    lo, hi = limits
    return (lo, hi) if hi > lo else (lo - 0.5, lo + 0.5)
