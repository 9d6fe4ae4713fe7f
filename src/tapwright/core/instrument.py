"""An instrument's description: line, frame, mask and reading map, with the evidence that it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tapwright.core.frame import FrameLayout
from tapwright.core.line import LineSettings
from tapwright.core.reading_map import ReadingMap

if TYPE_CHECKING:
    from tapwright.core.mask import Mask

FORMAT_VERSION = 1


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """All that is needed to turn bytes into readings.

    Parameters
    ----------
    name : for people
    line : settings of the line; None where frames come ready-made
    channel : the line's name in captures, empty where not known
    layout : how frames stand in the byte stream; None where a file has them ready
    mask : wire to radio; None where frames come as on the wire
    reading_map : what the frames mean
    offset_s : the labels' clock less the captures'
    learned_from : SHA-256 digests (hex) of the captures that it was learned from
    evidence : sentences, for people
    """

    name: str
    reading_map: ReadingMap
    line: LineSettings | None = None
    channel: str = ""
    layout: FrameLayout | None = None
    mask: Mask | None = None
    offset_s: float = 0.0
    learned_from: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
