"""The JSON document of what was found about frames."""

from __future__ import annotations

from tapwright.core.frame import Check, FrameLayout
from tapwright.frames.checks_find import FoundCheck
from tapwright.frames.find import FramesReport
from tapwright.frames.place import n_check_bytes


def document(report: FramesReport) -> dict[str, object]:
    """Return the document that the contract describes."""
    layout = report.layout
    out: dict[str, object] = {
        "frames": len(report.whole), "bytes_outside": report.bytes_outside, "broken": int(report.frames.broken.sum()),
        "period_s": report.period_s,
        "length": None if layout is None else length_document(layout),
        "start": spaced(layout.start) if layout else "", "end": spaced(layout.end) if layout else "",
        "checks": [found_check_document(found) for found in report.checks],
        "bytes": [column.document() for column in report.bytes_],
        "probability": report.probability, "evidence": list(report.evidence), "advice": list(report.advice),
    }
    return out


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
