"""What `learn` answers: as a document for programs and as sentences for people."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from tapwright.core.reading_map import ReadingMap


@dataclass(frozen=True)
class Contradicted:
    """A label (1-based data row) that everything else speaks against."""

    row: int
    why: str


@dataclass(frozen=True)
class Open:
    """Something that the labels leave open: what, why, and what to show to settle it (empty: nothing can)."""

    what: str
    why: str
    show: str = ""
    lamp: bool = False  # it makes no difference while no reading that can be shown tells it apart


@dataclass(frozen=True)
class Ask:
    """A reading to show next, in words and for a program (`want` as in the contract), and what it settles."""

    show: str
    want: dict[str, Any]
    settles: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class LearnReport:
    """What labels settle and what they leave open.

    Parameters
    ----------
    reading_map : None where no family of values explains the labels beyond chance
    offset_s : the labels' clock less the captures'
    frames, frames_explained, frames_left_out : received; read without any doubt; with a wrong check or damaged
    labels : given
    labels_contradicted : those not believed
    determined, undetermined : elements of the display
    next : readings to show, most telling first
    on_one_label : what rests on one label alone, with its row
    too_few : some family explains the labels, but so few are explained as well by chance
    no_number : no label shows a number
    """

    reading_map: ReadingMap | None
    offset_s: float
    frames: int
    frames_explained: int
    frames_left_out: int
    labels: int
    labels_contradicted: tuple[Contradicted, ...] = ()
    determined: tuple[str, ...] = ()
    undetermined: tuple[Open, ...] = ()
    next: tuple[Ask, ...] = ()
    on_one_label: tuple[str, ...] = ()
    frames_per_label: float = field(default=0.0)
    too_few: bool = False
    no_number: bool = False

    def document(self, instrument: str | None = None) -> dict[str, object]:
        """Return the contract's JSON document; `instrument` is the file written."""
        value: dict[str, object] | None = None
        if self.reading_map is not None:
            value = {"kind": self.reading_map.kind, "digits": self.reading_map.places,
                     "alternatives": [display.kind for display in self.reading_map.displays[1:]]}
        return {
            "instrument": instrument, "offset_s": round(self.offset_s, 3), "value": value,
            "frames": self.frames, "frames_explained": self.frames_explained, "frames_left_out": self.frames_left_out,
            "labels": self.labels,
            "labels_contradicted": [{"row": item.row, "why": item.why} for item in self.labels_contradicted],
            "determined": list(self.determined), "on_one_label": list(self.on_one_label),
            "undetermined": [{"what": item.what, "why": item.why, "show": item.show} for item in self.undetermined],
            "next": [{"show": ask.show, "settles": list(ask.settles), "want": ask.want} for ask in self.next],
        }

    @property
    def no_map(self) -> str:
        """Why there is no map."""
        if self.no_number:
            return "No label shows a number: what makes the digits cannot be seen"
        return "The labels are too few to tell from chance how the value is carried" if self.too_few else \
            "No family of values explains these labels"

    @property
    def no_map_next(self) -> str:
        """What to do where there is no map."""
        return "label more readings that differ" if self.too_few or self.no_number else \
            "see that labels and capture are of the same hour, and label more readings that differ"

    def text(self, instrument: str | None = None) -> str:
        """Return the answer in sentences: what was found, how sure, what is open, what to show next."""
        if self.reading_map is None:
            return "\n".join([
                self.no_map + ".",
                f"{self.labels} labels, {self.frames} frames"
                + (f", {self.frames_left_out} left out (wrong check or damaged)." if self.frames_left_out else "."),
                *self._contradicted(),
                f"Next: {self.no_map_next}" + (":" if self.next else "."),
                *(f"  {i}. {ask.show}" for i, ask in enumerate(self.next, 1)),
            ])
        lines = [f"Found: {_NAMES[self.reading_map.kind]}, {self.reading_map.places} "
                 f"place{'s' * (self.reading_map.places != 1)}.",
                 f"{self.frames_explained} of {self.frames} frames read without any doubt"
                 + (f"; {self.frames_left_out} left out (wrong check or damaged)" if self.frames_left_out else "")
                 + f". Labels' clock is {abs(self.offset_s):.2f} s {'ahead of' if self.offset_s >= 0 else 'behind'} "
                 f"the capture's. {self.labels - len(self.labels_contradicted)} of {self.labels} labels agree."]
        others = list(dict.fromkeys(display.kind for display in self.reading_map.displays[1:]))
        if others:
            names = ", ".join(_NAMES[kind] for kind in others)
            lines.append(f"Not ruled out: {names}; only what all agree on is read.")
        lines += self._contradicted()
        lines.append("Settled: " + (", ".join(self.determined) if self.determined else "nothing yet") + ".")
        if self.on_one_label:
            more = len(self.on_one_label) - _MOST_LONE
            lines.append("On one label alone, where a slip would not show: " + ", ".join(self.on_one_label[:_MOST_LONE])
                         + (f" and {more} more (--json lists all)" if more > 0 else "")
                         + ". Look at these labels again; a proof on another capture tells.")
        if self.undetermined:
            lines.append("Open:")
            lines += [f"  {item.what}: {item.why}" for item in self.undetermined[:12]]
            if len(self.undetermined) > 12:
                lines.append(f"  and {len(self.undetermined) - 12} more (--json lists all)")
        if self.next:
            lines.append(f"Show next ({len(self.next)} reading{'s' * (len(self.next) != 1)} in all):")
            lines += [f"  {i}. {ask.show}" for i, ask in enumerate(self.next[:8], 1)]
        else:
            lines.append("Nothing more to show: what is open, no reading can settle." if self.undetermined else
                         "Nothing is open. Prove it on another capture: tapwright prove.")
        if instrument:
            lines.append(f"Written: {instrument}")
        return "\n".join(lines)

    def _contradicted(self) -> list[str]:
        if not self.labels_contradicted:
            return []
        shown = [f"  row {item.row}: {item.why}" for item in self.labels_contradicted[:10]]
        more = len(self.labels_contradicted) - 10
        return ["Labels not believed:", *shown, *([f"  and {more} more"] if more > 0 else [])]


_MOST_LONE = 8
_NAMES = {"segments": "the frame holds the display's segments", "text": "the frame holds the display's text (ASCII)",
          "bcd": "the frame holds decimal digits (BCD)", "integer": "the frame holds a whole number",
          "float": "the frame holds an IEEE 754 number", "table": "each digit has a code of its own"}


