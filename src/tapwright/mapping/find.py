"""Frames and labels -> the reading map with all that it leaves open, and the readings to show next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tapwright.core.frame import FrameLayout, Frames
from tapwright.core.instrument import Instrument
from tapwright.core.job import Demands
from tapwright.core.reading import Status
from tapwright.evidence.labels import Label
from tapwright.mapping.apply import Decoder
from tapwright.mapping.determined import standing
from tapwright.mapping.fit import NO_FRAME, Progress, by_chance, find_map
from tapwright.mapping.lone import on_one_label
from tapwright.mapping.plan import plan
from tapwright.mapping.report import LearnReport
from tapwright.mapping.starts import first_asks

__all__ = ["LearnReport", "learn"]


def learn(captures: Mapping[str, Frames], labels: Sequence[Label], *, layout: FrameLayout | None,
          offset_s: float | None = None, demands: Demands | None = None,
          progress: Progress | None = None) -> LearnReport:
    """Learn how frames make readings.

    Parameters
    ----------
    captures : unmasked frames (or masked ones: a constant key is learned as inverted bits) by the capture's file name
    labels : what the display showed, and when
    layout : of the frames; None where it is not known (then no check is left out or held to)
    offset_s : the labels' clock less the captures'; None: found, up to 5 s
    demands : what the job says must be covered; None: nothing is said

    Raises
    ------
    LabelError : a label names a capture that is not given, or no label saw a frame
    """
    labels, demands = tuple(labels), demands or Demands()
    learned, recorded = find_map(captures, labels, layout=layout, offset_s=offset_s, progress=progress)
    n_frames = sum(map(len, captures.values()))
    left_out = sum(part.left_out for part in recorded.values())
    if learned.reading_map is None or by_chance(learned.support, learned.sight):
        # What chance may have made says which readings to show, and nothing else.
        tried = plan(learned, demands) if learned.reading_map is not None else ()
        asks = tuple(replace(ask, settles=("how numbers are sent",)) for ask in tried)
        missed = tuple(item for item in learned.contradicted if item.why == NO_FRAME)
        return LearnReport(reading_map=None, offset_s=learned.offset_s, frames=n_frames, frames_explained=0,
                           frames_left_out=left_out, labels=len(labels), labels_contradicted=missed,
                           next=asks or first_asks(labels, demands),
                           too_few=learned.reading_map is not None,
                           no_number=not any(label.is_number for label in labels))
    decoder = Decoder(Instrument(name="", reading_map=learned.reading_map, layout=layout))
    explained = 0
    for frames in captures.values():
        readings = decoder.read(frames)
        explained += sum(readings.count(status) for status in (Status.OK, Status.OVERLOAD, Status.BLANK))
    asks = plan(learned, demands)
    state = standing(learned, demands, asks)
    return LearnReport(
        reading_map=learned.reading_map, offset_s=learned.offset_s, frames=n_frames, frames_explained=explained,
        frames_left_out=left_out, labels=len(labels), labels_contradicted=learned.contradicted,
        determined=state.determined, undetermined=state.undetermined, next=asks,
        on_one_label=on_one_label(learned), frames_per_label=float(np.median(learned.sight.n_frames)))
