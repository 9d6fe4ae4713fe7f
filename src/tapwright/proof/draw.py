"""The coverage as a picture: every demand a tile, solid where seen and right, hatched where never seen."""

from __future__ import annotations

from tapwright.draw.svg import FAINT, OPEN, SETTLED, Canvas
from tapwright.proof.coverage import Coverage, Covered

_WIDTH, _ROW, _LEFT, _CHAR = 720.0, 30.0, 110.0, 7.4


def coverage_picture(coverage: Coverage, *, seen: str = "Seen and right") -> str:
    """Return the picture as SVG; `seen` says what a solid tile stands for."""
    rows: list[tuple[str, Covered]] = [(name, kind) for name, kind in (
        ("functions", coverage.functions), ("units", coverage.units), ("flags", coverage.flags),
        ("shows", coverage.shows), ("ranges", coverage.ranges)) if kind.seen or kind.never]
    rows += [(f"digit {place}", kind) for place, kind in coverage.digits.items()]
    lines = [(name, line) for name, kind in rows for name, line in _lines(name, kind)]
    never = sum(len(kind.never) for _, kind in rows)
    canvas = Canvas(_WIDTH, 44 + _ROW * len(lines), "Seen and never seen",
                    f"{sum(len(kind.seen) for _, kind in rows)} things {seen.lower()}, {never} never seen")
    canvas.text(12, 24, f"{seen}: solid. Never seen: hatched.", size=13, colour=FAINT)
    for i, (name, tiles) in enumerate(lines):
        y = 36 + i * _ROW
        canvas.text(12, y + 17, name, size=13, bold=True)
        x = _LEFT
        for word, is_seen in tiles:
            width = _tile_width(word)
            if is_seen:
                canvas.rect(x, y, width, _ROW - 6, SETTLED, round_=3, tip=f"{word}: {seen.lower()}")
                canvas.text(x + width / 2, y + 16.5, word, size=12, anchor="middle", colour="var(--paper, #faf7ee)")
            else:
                canvas.hatch(x, y, width, _ROW - 6, OPEN, tip=f"{word}: never seen")
                canvas.rect(x + 3, y + 4, width - 6, _ROW - 14, "var(--paper, #faf7ee)")
                canvas.text(x + width / 2, y + 16.5, word, size=12, anchor="middle", colour=OPEN)
            x += width + 6
    return canvas.svg()


def _lines(name: str, kind: Covered) -> list[tuple[str, list[tuple[str, bool]]]]:
    """Break a demand's tiles into lines that fit; the name stands before the first."""
    tiles = [(word, True) for word in kind.seen] + [(word, False) for word in kind.never]
    if name.startswith("digit"):
        tiles.sort()
    lines: list[tuple[str, list[tuple[str, bool]]]] = [(name, [])]
    x = _LEFT
    for word, seen in tiles:
        width = _tile_width(word)
        if x + width > _WIDTH - 10 and lines[-1][1]:
            lines.append(("", []))
            x = _LEFT
        lines[-1][1].append((word, seen))
        x += width + 6
    return lines


def _tile_width(word: str) -> float:
    return max(24.0, min(len(word) * _CHAR + 14, _WIDTH - _LEFT - 10))
