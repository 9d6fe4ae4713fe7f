"""Recorded readings as transparent pictures for video editing: the display drawn in fixed cells, so nothing jumps."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.core.errors import UsageError
from tapwright.core.reading import Status
from tapwright.live.plain_text import in_ascii
from tapwright.live.shown import Shown

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageFont import FreeTypeFont

#: Fonts that most systems have and that hold Ω, µ and °; the library's own font lacks them.
FONTS = ("DejaVuSans-Bold.ttf", "DejaVuSans.ttf", "LiberationSans-Bold.ttf", "NotoSans-Bold.ttf", "Arial Bold.ttf",
         "arialbd.ttf", "Arial.ttf", "arial.ttf")
FRAMES_MOST = 100_000
CHANGES_MOST = 3_000
NOT_CERTAIN = "#ffb000"
NO_SIGNAL = "–"


@dataclass(frozen=True, kw_only=True)
class Look:
    """How to draw: height of a digit in pixels, colour as #rrggbb, a font file (None: what the system has)."""

    size: int = 120
    colour: str = "#ffffff"
    font: Path | None = None


class Painter:
    """Draws displays, all of one size: that of the widest."""

    def __init__(self, shown: Sequence[Shown], look: Look) -> None:
        from PIL import ImageFont

        self.look = look
        self._large, self._has_signs = _font(look, look.size)
        if isinstance(self._large, ImageFont.FreeTypeFont):
            self._small = self._large.font_variant(size=max(look.size // 3, 8))
        self._cell = max(self._large.getlength(digit) for digit in "0123456789")
        self._edge = max(look.size // 16, 2)
        number = max((self._number_width(one.display) for one in shown), default=self._cell)
        words = [one.unit for one in shown] or [""]
        unit = max(self._small.getlength(self._spelled(word)) for word in words)
        notes = [_note(one) for one in shown] or [""]
        note = max(self._small.getlength(self._spelled(word)) for word in notes)
        self._right = number + 2 * self._edge
        self.width = round(max(self._right + unit + 3 * self._edge, note + 2 * self._edge))
        self.height = round(look.size * 1.85)

    def paint(self, shown: Shown) -> Image:
        """Return one display on a transparent ground."""
        from PIL import Image, ImageDraw

        picture = Image.new("RGBA", (self.width, self.height), (0, 0, 0, 0))
        draw = ImageDraw.Draw(picture)
        certain = shown.live and shown.status in (Status.OK, Status.OVERLOAD)
        colour = self.look.colour if certain else NOT_CERTAIN
        base = self.look.size * 1.3
        text = shown.display if shown.live else NO_SIGNAL
        x = self._right - self._edge
        for c in reversed(text):
            width = self._width(c)
            x -= width
            draw.text((x + width / 2, base), c, colour, self._large, "ms", stroke_width=self._edge // 2,
                      stroke_fill="#000000")
        draw.text((self._right, base), self._spelled(shown.unit), colour, self._small, "ls",
                  stroke_width=max(self._edge // 3, 1), stroke_fill="#000000")
        draw.text((self._edge, self.height - self._edge), self._spelled(_note(shown)), colour, self._small, "ld",
                  stroke_width=max(self._edge // 3, 1), stroke_fill="#000000")
        return picture

    def _number_width(self, text: str) -> float:
        return max(sum(self._width(c) for c in text), self._width(NO_SIGNAL))

    def _width(self, c: str) -> float:
        # Digits, signs and blanks share one width; a point may be narrow, it always stands behind a digit.
        return max(self._large.getlength(c), self._large.getlength("0") * 0.3) if c in ".," else self._cell

    def _spelled(self, text: str) -> str:
        return text if self._has_signs else in_ascii(text)


def png_sequence(shown: Sequence[Shown], look: Look, *, rate_hz: float) -> Iterator[bytes]:
    """Yield a PNG file for every frame of the video, from the first stretch's start to the last one's end.

    Raises
    ------
    UsageError : that would be more files than anyone wants
    """
    seconds = shown[-1].end_s - shown[0].start_s
    n_frames = max(round(seconds * rate_hz), 1)
    if n_frames > FRAMES_MOST:
        raise UsageError(f"{n_frames} pictures", expected=f"at most {FRAMES_MOST}",
                         do="choose a stretch with --from and --to, or a smaller --fps, or write an .apng")
    painter = Painter(shown, look)
    at, data = -1, b""
    for i in range(n_frames):
        t_s = shown[0].start_s + (i + 0.5) / rate_hz
        before = at
        while at < 0 or (at + 1 < len(shown) and shown[at].end_s <= t_s):
            at += 1
        if at != before:
            data = _png(painter.paint(shown[at]))
        yield data


def apng(shown: Sequence[Shown], look: Look) -> bytes:
    """Return an animated PNG, one frame a change of the display.

    Raises
    ------
    UsageError : the display changes too often for one file
    """
    if len(shown) > CHANGES_MOST:
        raise UsageError(f"the display changes {len(shown)} times", expected=f"at most {CHANGES_MOST} changes",
                         do="choose a stretch with --from and --to")
    painter = Painter(shown, look)
    pictures = [painter.paint(one) for one in shown]
    out = io.BytesIO()
    pictures[0].save(out, "PNG", save_all=True, append_images=pictures[1:], disposal=0, blend=0, loop=0,
                     duration=_durations_ms(shown))
    return out.getvalue()


def _durations_ms(shown: Sequence[Shown]) -> list[int]:
    # Rounded edges, not rounded lengths: a long recording would drift otherwise.
    edges = [round((one.end_s - shown[0].start_s) * 1000) for one in shown]
    return [max(end - begin, 1) for begin, end in zip([0, *edges], edges, strict=False)]


def _note(shown: Shown) -> str:
    if not shown.live:
        return "no signal"
    words = [shown.flags] if shown.flags else []
    if shown.status not in (Status.OK, Status.OVERLOAD):
        words.append(shown.status.value)
    return "  ".join(words)


def _png(picture: Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "PNG")
    return out.getvalue()


def _font(look: Look, size: int) -> tuple[FreeTypeFont, bool]:
    """Return a font and whether it holds the signs of units."""
    from PIL import ImageFont

    if look.font is not None:
        try:
            return ImageFont.truetype(str(look.font), size), True
        except OSError:
            raise UsageError("this is no font that can be read", path=look.font, expected="a .ttf or .otf file") \
                from None
    for name in FONTS:
        try:
            return ImageFont.truetype(name, size), True
        except OSError:
            continue
    fallback = ImageFont.load_default(size)
    assert isinstance(fallback, ImageFont.FreeTypeFont)
    return fallback, False
