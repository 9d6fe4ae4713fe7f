"""The map as a picture: each digit drawn with the bit addresses on its segments, settled ones solid."""

from __future__ import annotations

from tapwright.core.reading_map import (
    SEGMENT_NAMES,
    Codes,
    DisplayMap,
    Float,
    Integer,
    Lamp,
    ReadingMap,
    Segments,
    Table,
    UnitSigns,
    field_text,
)
from tapwright.draw.svg import FAINT, INK, OPEN, SETTLED, Canvas

_W, _H, _GAP, _BAR = 128.0, 190.0, 52.0, 15.0
# Corners of a digit's box in units of its width and half height; each segment joins two.
_ENDS = {"a": ((0, 0), (1, 0)), "b": ((1, 0), (1, 1)), "c": ((1, 1), (1, 2)), "d": ((0, 2), (1, 2)),
         "e": ((0, 1), (0, 2)), "f": ((0, 0), (0, 1)), "g": ((0, 1), (1, 1))}


def digits_picture(reading_map: ReadingMap) -> str:
    """Return the picture as SVG: what is settled is solid, what is open is dashed and paler."""
    display = reading_map.displays[0]
    n_places = max(display.width, 1)
    width = max(60 + n_places * (_W + _GAP) + 40, 680.0)
    signs = _signs(reading_map)
    height = 96 + _H + 60 + 22 * ((len(signs) + 2) // 3)
    canvas = Canvas(width, height, "Reading map",
                    "Every segment with the frame bit that lights it; solid where labels settle it, dashed where not.")
    canvas.text(24, 28, "Which bit lights what", size=15, bold=True)
    canvas.text(24, 46, "byte.bit of the body, ! lights at 0; solid: settled, dashed: one of several bits, dotted: "
                        "never seen to change", size=11, colour=FAINT)
    left, top = 64.0, 72.0
    if isinstance(display.digits, Segments):
        _minus(canvas, display, left, top)
        for i, place in enumerate(display.digits.places):
            x = left + i * (_W + _GAP)
            for name, lamp in zip(SEGMENT_NAMES, place, strict=True):
                _segment(canvas, x, top, name, lamp)
            canvas.text(x + _W / 2, top + _H + 34, f"digit {i + 1}", size=11, anchor="middle", colour=FAINT)
            after = n_places - 1 - i
            if after in display.point.lamps:
                _point(canvas, x + _W + _GAP / 2, top + _H, after, display.point.lamps[after])
    else:
        _boxes(canvas, display, left, top)
    _legend(canvas, signs, top + _H + 58, width)
    return canvas.svg()


def _look(lamp: Lamp) -> tuple[str, str, str]:
    """Return colour, dash and short text of a lamp."""
    if lamp.settled:
        return SETTLED, "", str(lamp.bits[0])
    if lamp.bits:
        return OPEN, "5 4", f"1 of {len(lamp.bits)}"
    return FAINT, "2 5", "?"


def _about(name: str, lamp: Lamp) -> str:
    seen = f"{lamp.lit} labels lit, {lamp.dark} dark"
    if lamp.settled:
        return f"{name}: bit {lamp.bits[0]}; {seen}"
    left = "one of " + ", ".join(map(str, lamp.bits[:8])) if lamp.bits else "never seen to change"
    return f"{name}: open, {left}; {seen}"


def _segment(canvas: Canvas, x: float, y: float, name: str, lamp: Lamp) -> None:
    (x1, y1), (x2, y2) = _ENDS[name]
    ax, ay, bx, by = x + x1 * _W, y + y1 * _H / 2, x + x2 * _W, y + y2 * _H / 2
    across, half, cut = ay == by, _BAR / 2, _BAR * 0.62
    if across:
        points = [(ax + cut, ay), (ax + cut + half, ay - half), (bx - cut - half, ay - half), (bx - cut, ay),
                  (bx - cut - half, ay + half), (ax + cut + half, ay + half)]
    else:
        points = [(ax, ay + cut), (ax + half, ay + cut + half), (ax + half, by - cut - half), (ax, by - cut),
                  (ax - half, by - cut - half), (ax - half, ay + cut + half)]
    colour, dash, words = _look(lamp)
    canvas.polygon(points, colour if lamp.settled else "none", stroke=colour, dash=dash, tip=_about(name, lamp))
    at_x, at_y = (ax + bx) / 2, (ay + by) / 2
    if across:
        canvas.text(at_x, at_y + (-12 if name == "a" else 20 if name == "d" else -11), f"{name} {words}", size=10,
                    anchor="middle", colour=colour, mono=True)
    else:
        canvas.text(at_x + (-11 if x1 == 1 else 11), at_y + 4, f"{name} {words}", size=10,
                    anchor="end" if x1 == 1 else "start", colour=colour, mono=True)


def _point(canvas: Canvas, x: float, y: float, decimals: int, lamp: Lamp) -> None:
    colour, _, words = _look(lamp)
    canvas.circle(x, y, 6, colour if lamp.settled else "none", stroke=colour, tip=_about(f"point {decimals}", lamp))
    canvas.text(x, y + 20, words, size=10, anchor="middle", colour=colour, mono=True)


def _minus(canvas: Canvas, display: DisplayMap, left: float, top: float) -> None:
    lamp = display.minus
    if lamp is None:
        return
    colour, dash, words = _look(lamp)
    canvas.rect(left - 46, top + _H / 2 - 5, 26, 10, colour if lamp.settled else "none", stroke=colour, dash=dash,
                tip=_about("minus", lamp))
    canvas.text(left - 33, top + _H / 2 - 12, words, size=10, anchor="middle", colour=colour, mono=True)


def _boxes(canvas: Canvas, display: DisplayMap, left: float, top: float) -> None:
    """Draw a box a place for digits that are codes, one box for a number."""
    digits = display.digits
    if isinstance(digits, (Integer, Float)):
        what = f"{len(digits.bits)}-bit whole number" if isinstance(digits, Integer) else "IEEE 754 number"
        canvas.rect(left, top, 420, 64, SETTLED, stroke=SETTLED, round_=4, opacity=0.12)
        canvas.text(left + 14, top + 28, what, size=14, bold=True)
        canvas.text(left + 14, top + 48, "bits, lowest first: " + field_text(digits.bits), size=11, mono=True)
        if isinstance(digits, Integer) and digits.fixed:
            canvas.text(left + 14, top + 84, "never seen to change: " + field_text(digits.fixed), size=11, colour=OPEN,
                        mono=True)
        return
    assert isinstance(digits, Codes)
    for i, table in enumerate(digits.places):
        x = left + i * 76
        known = sum(c.isdigit() for c in table.entries.values())
        colour = SETTLED if known == 10 else OPEN
        canvas.rect(x, top, 64, 64, colour, stroke=colour, round_=4, opacity=0.14,
                    tip=f"place {i + 1}: {known} of 10 digits known")
        canvas.text(x + 32, top + 28, f"{known}/10", size=13, anchor="middle", bold=True, colour=colour)
        canvas.text(x + 32, top + 48, field_text(table.bits)[:12], size=9, anchor="middle", mono=True)


def _signs(reading_map: ReadingMap) -> list[tuple[str, Lamp | None, str]]:
    """Return name, lamp and words of units and flags."""
    rows: list[tuple[str, Lamp | None, str]] = []
    for unit in reading_map.units[:1]:
        if isinstance(unit, UnitSigns):
            rows += [(f"unit sign {name}", lamp, "") for name, lamp in [*unit.prefixes.items(), *unit.bases.items()]]
        else:
            where = field_text(unit.bits)
            rows += [(f"unit {text or 'none'}", None, f"code {code:X} of {where}" if unit.bits else "always")
                     for code, text in unit.entries.items()]
    for name, flag in reading_map.flags.items():
        rows.append((f"flag {name}", flag if isinstance(flag, Lamp) else None,
                     f"code in {field_text(flag.bits)}" if isinstance(flag, Table) else ""))
    return rows


def _legend(canvas: Canvas, signs: list[tuple[str, Lamp | None, str]], top: float, width: float) -> None:
    column = (width - 48) / 3
    for i, (name, lamp, words) in enumerate(signs):
        x, y = 24 + (i % 3) * column, top + 22 * (i // 3)
        colour, dash, said = (SETTLED, "", words) if lamp is None else _look(lamp)
        solid = lamp is None or lamp.settled
        canvas.rect(x, y - 10, 12, 12, colour if solid else "none", stroke=colour, dash=dash,
                    tip=name if lamp is None else _about(name, lamp))
        canvas.text(x + 18, y, name, size=12, colour=INK)
        canvas.text(x + column - 12, y, said, size=10, colour=colour, anchor="end", mono=True)
