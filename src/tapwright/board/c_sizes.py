"""How large the C decoder's texts and frames get."""

from __future__ import annotations

from dataclasses import dataclass

from tapwright.core.instrument import Instrument
from tapwright.core.reading_map import Codes, Float, Segments

LONGEST_FRAME = 256


@dataclass(frozen=True)
class Sizes:
    """Bytes of the display's text, its end included, and of the longest frame."""

    display: int
    frame: int


def sizes(instrument: Instrument) -> Sizes:
    """Return how large an instrument's texts and frames can get."""
    reading_map = instrument.reading_map
    places, texts = 1, ["?"]
    for display in reading_map.displays:
        digits = display.digits
        width = max(display.width, 1)
        if isinstance(digits, Segments | Codes):
            width = max(width, len(digits.places))
        elif display.width == 0:
            width = 20
        points = [*display.point.lamps, *(int(e) for t in display.point.tables for e in t.entries.values())]
        places = max(places, width, max(points, default=0) + 2)
        texts += [entry for table in display.states for entry in (*table.entries.values(), table.otherwise or "")]
        if isinstance(digits, Float):
            texts.append(digits.no_number)
    texts += [*reading_map.words.values()]
    layout = instrument.layout
    forms = [] if layout is None else [layout, *layout.variants]
    fixed = [form.n_bytes for form in forms if form.length == "fixed"]
    return Sizes(display=max(places + 2, *(len(text.encode()) for text in texts)) + 1,
                 frame=max(fixed) if forms and len(fixed) == len(forms) else LONGEST_FRAME)
