"""What was found about frames: the JSON document, and the words for people."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.frames.anatomy import constant_run
from tapwright.frames.checks_find import FoundCheck
from tapwright.frames.find import FramesReport
from tapwright.frames.place import n_check_bytes

ENOUGH_FRAMES = 20
MOST_TYPES = 4


def document(report: FramesReport) -> dict[str, object]:
    """Return the document that the contract describes."""
    layout = report.layout
    out: dict[str, object] = {
        "frames": len(report.whole), "bytes_outside": report.bytes_outside, "broken": int(report.frames.broken.sum()),
        "period_s": report.period_s,
        "length": None if layout is None else length_document(layout),
        "start": spaced(constant_run(report.bytes_)), "end": spaced(constant_run(report.bytes_, tail=True)),
        "checks": [found_check_document(found) for found in report.checks],
        "bytes": [column.document() for column in report.bytes_],
        "probability": report.probability, "evidence": list(report.evidence), "advice": list(report.advice),
    }
    kinds = types_of(report)
    if kinds:
        out["types"] = [{"length": length_document(replace(kind, gap_s=0.0)), "start": spaced(kind.start),
                         "frames": n} for kind, n in kinds]
    return out


def types_of(report: FramesReport) -> list[tuple[FrameLayout, int]]:
    """Return the kinds of frames in one stream and how many there are of each; none where all are of one kind."""
    layout, whole = report.layout, report.whole
    if layout is None:
        return []
    if layout.variants:
        kinds = kinds_of(whole, layout)
        return [(kind, int((kinds == i).sum())) for i, kind in enumerate((layout, *layout.variants))]
    lengths, counts = np.unique(whole.lengths, return_counts=True)
    if layout.length != "gap" or not 2 <= len(lengths) <= MOST_TYPES or counts.min() < 2:
        return []
    return [(FrameLayout(length="fixed", n_bytes=n, start=_common_head(whole.matrix(n)[1])), count)
            for n, count in zip(lengths.tolist(), counts.tolist(), strict=True)]


def kinds_of(frames: Frames, layout: FrameLayout) -> NDArray[np.int64]:
    """Return the number of each frame's kind, in the order of the layout and its variants; -1 for none of them."""
    out = np.full(len(frames), -1)
    for i, kind in enumerate((layout, *layout.variants)):
        at, matrix = frames.matrix(kind.n_bytes)
        head = np.frombuffer(kind.start, np.uint8)
        out[at[(matrix[:, :len(head)] == head).all(axis=1) & (out[at] < 0)]] = i
    return out


def _common_head(matrix: NDArray[np.uint8]) -> bytes:
    steady = (matrix == matrix[0]).all(axis=0)
    size = int(np.argmin(steady)) if not steady.all() else matrix.shape[1]
    return matrix[0, :size].tobytes()


def spaced(data: bytes) -> str:
    """Return bytes as hex with spaces."""
    return data.hex(" ").upper()


def length_document(layout: FrameLayout) -> dict[str, object]:
    """Return the length's kind and what goes with it."""
    out: dict[str, object] = {"kind": layout.length}
    if layout.length == "fixed":
        out["bytes"] = layout.n_bytes
    elif layout.length == "field":
        out |= {"at": layout.field_at, "add": layout.field_add}
    elif layout.length == "delimited":
        out["end"] = spaced(layout.end)
    if layout.gap_s:
        out["gap_s"] = layout.gap_s
    return out


def check_document(check: Check) -> dict[str, object]:
    """Return one check's settings as the contract writes them."""
    out: dict[str, object] = {"kind": check.kind}
    n_bytes = n_check_bytes(check.kind)
    if check.kind.startswith("crc"):
        digits = 2 * n_bytes
        out |= {"poly": f"0x{check.poly:0{digits}X}", "init": f"0x{check.init:0{digits}X}", "refin": check.refin,
                "refout": check.refout, "xorout": f"0x{check.xorout:0{digits}X}"}
    return out | {"order": check.order, "encoding": check.encoding, "first": check.first, "last": check.last,
                  "at": check.at}


def found_check_document(found: FoundCheck) -> dict[str, object]:
    """Return a found check with what it rests on."""
    return check_document(found.check) | {
        "failed": found.failed, "same_as": [check_document(other) for other in found.same_as],
        "expected_false_finds": found.false_finds, "evidence_bits": round(found.bits, 1),
        "settled_by": found.more_frames}


def words(report: FramesReport) -> str:
    """Return what was found for people: the answer, how sure, what is open, the next thing to do."""
    layout = report.layout
    if layout is None:
        return "\n".join([f"No frames found in {report.n_bytes} bytes.", *_because(report),
                          "Next: record at least twenty frames, with pauses between them on the recording if there are "
                          "any, and check the line's settings with 'tapwright line'."])
    n = len(report.whole)
    lines = [f"{_frames(n)} of {_length_words(layout, n)}{_period_words(report.period_s)}."]
    start, end = constant_run(report.bytes_), constant_run(report.bytes_, tail=True)
    if n > 1 and len(set(report.whole)) == 1:
        lines.append(f"They are all alike: {spaced(next(iter(report.whole)))}. Which of these bytes always begin or "
                     "end a frame is not told yet.")
    elif n > 1 and (start or end):  # of one frame every byte is constant, which says nothing
        parts = [f"begin with {spaced(start)}"] if start else []
        parts += [f"end with {spaced(end)}"] if end else []
        lines.append(f"They {' and '.join(parts)}.")
    kinds = types_of(report)
    if kinds:
        each = [f"{count} of {kind.n_bytes} bytes" + (f" from {spaced(kind.start)}" if kind.start else "")
                for kind, count in kinds]
        lines.append(f"Kinds: {'; '.join(each)}.")
    lines += [_check_words(found, n) for found in report.checks] or ["No check was found in them."]
    steady = [column for column in report.bytes_ if column.kind in ("counter", "toggles")]
    lines += [f"Byte {column.at} counts by {column.step}." if column.kind == "counter" else
              f"Byte {column.at} alternates between {' and '.join(f'{v:02X}' for v in column.values)}."
              for column in steady[:6]]
    moving = [str(column.at) for column in report.bytes_ if column.kind == "varies" and column.at >= 0]
    if moving:
        lines.append(f"Bytes that vary: {_runs([int(at) for at in moving])}.")
    lines.append("")
    if n > 1:
        lines.append(f"How sure: {_sure(report.probability)} of the length.")
    outside = report.bytes_outside
    if outside:
        cut = int(report.frames.broken.sum())
        lines.append(f"Outside whole frames: {outside} of {report.n_bytes} bytes"
                     + (f"; {_frames(cut)} {'was' if cut == 1 else 'were'} cut or damaged." if cut else "."))
    lines += _because(report)
    for found in report.checks:
        if found.same_as:
            lines.append(f"Open: {len(found.same_as)} other settings of the {found.check.kind} give the same on every "
                         f"frame so far; to tell them apart: {found.more_frames}.")
    lines += list(report.advice)
    lines.append(f"Next: {_next(report)}")
    return "\n".join(lines)


def _frames(n: int) -> str:
    return f"{n} frame{'s' * (n != 1)}"


def _next(report: FramesReport) -> str:
    if len(report.whole) < ENOUGH_FRAMES:
        n = len(report.whole)
        return (f"record more; {_frames(n)} {'is' if n == 1 else 'are'} few, {ENOUGH_FRAMES} or more with other "
                "readings settle more.")
    if not report.checks:
        return ("if you expect a check, record again with more different readings; otherwise write the frames with "
                "--out and go on to 'tapwright learn'.")
    return ("'tapwright learn' with labels of what the display showed, or 'tapwright unmask' if the radio's frames "
            "differ.")


def _length_words(layout: FrameLayout, n_frames: int) -> str:
    if layout.variants:
        sizes = sorted(kind.n_bytes for kind in (layout, *layout.variants))
        return f"{len(sizes)} kinds: {', '.join(map(str, sizes[:-1]))} and {sizes[-1]} bytes"
    if layout.length == "fixed":
        return f"{layout.n_bytes} bytes{' each' * (n_frames != 1)}"
    if layout.length == "field":
        added = f" plus {layout.field_add}" if layout.field_add > 0 else f" less {-layout.field_add}" \
            if layout.field_add < 0 else ""
        return f"varying length: byte {layout.field_at}{added} is the whole length"
    if layout.length == "delimited":
        return f"varying length, each closed by {spaced(layout.end)}"
    return f"varying length, told apart by silences over {1e3 * layout.gap_s:.3g} ms"


def _period_words(period_s: float | None) -> str:
    if not period_s:
        return ""
    return f", one every {period_s:.3g} s" if period_s >= 1 else f", one every {1e3 * period_s:.3g} ms"


def _check_words(found: FoundCheck, n_frames: int) -> str:
    check = found.check
    sent = " as hex digits" if check.encoding == "hex" else ""
    order = ", high byte first" if check.order == "big" else ", low byte first"
    order = "" if n_check_bytes(check.kind) == 1 else order
    numbers = ""
    if check.kind.startswith("crc"):
        at = check_document(check)
        numbers = (f" (poly {at['poly']}, init {at['init']}, refin {str(check.refin).lower()}, "
                   f"refout {str(check.refout).lower()}, xorout {at['xorout']})")
    holds = f"holds in {n_frames - found.failed} of {n_frames} frames"
    chance = "far less than one in a million million" if found.false_finds < 1e-12 else f"{found.false_finds:.1g}"
    return (f"Check: {check.kind}{numbers} over bytes {check.first} to {check.last}, at byte {check.at}{order}{sent}; "
            f"{holds}; finds of this kind expected by chance: {chance}.")


def _because(report: FramesReport) -> list[str]:
    return [f"Note: {reason}." for reason in report.evidence]


def _sure(probability: float) -> str:
    return "over 99.9 %" if probability > 0.999 else f"{100 * probability:.3g} %"


def _runs(places: list[int]) -> str:
    out: list[str] = []
    begin = previous = places[0]
    for at in [*places[1:], -1]:
        if at != previous + 1:
            out.append(str(begin) if begin == previous else f"{begin} to {previous}")
            begin = at
        previous = at
    return ", ".join(out)
