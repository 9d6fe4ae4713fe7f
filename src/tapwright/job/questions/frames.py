"""Where does a frame begin and end?"""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

from tapwright.frames.draw import raster
from tapwright.job.answers import Answer
from tapwright.job.desk import Desk

ORDER = 3
QUESTION = "Where does a frame begin and end?"
FIRST = "the capture of the talking line answers this too: drop it here (captures/)"


def files(desk: Desk) -> tuple[Path, ...]:
    """Return the first capture."""
    return desk.captures[:1]


def answer(desk: Desk) -> Answer:
    """Answer from the bytes alone."""
    path = files(desk)[0]
    report = desk.frames(path).report
    document = cast(dict[str, Any], report.document())
    if report.layout is None:
        return Answer(id="frames", question=QUESTION, state="none", files=(desk.named(path),), document=document,
                      answer="No framing stands out in these bytes.", next=report.advice)
    length, checks = document["length"], document["checks"]
    kind = {"fixed": f"{length.get('bytes')} bytes long", "field": f"as long as byte {length.get('at')} says",
            "delimited": f"closed by {length.get('end')}", "gap": "told apart by idle time"}[length["kind"]]
    said = f"Frames are {kind}" + (f" and begin with {document['start']}" if document["start"] else "")
    check = checks[0] if checks else None
    checked = (f"; the check is {_name(check)} over bytes {check['first']} to {check['last']}, at {check['at']}."
               if check else "; no check was found, so a damaged frame cannot be told from a whole one.")
    counters = [str(item["at"]) for item in document["bytes"] if item["kind"] == "counter"]
    return Answer(
        id="frames", question=QUESTION, state="settled" if check else "open", files=(desk.named(path),),
        answer=said + checked,
        evidence=(f"{document['frames']} whole frames, {document['bytes_outside']} bytes outside"
                  + (f", one every {document['period_s']:.3f} s" if document["period_s"] else ""),
                  *((f"the check fails in {check['failed']} of them",) if check else ()),
                  *((f"byte {', '.join(counters)} counts frames",) if counters else ()), *report.evidence),
        next=report.advice, document=document,
        picture=raster(report), picture_text="Bits over time: frames downward, bits across",
    )


def _name(check: dict[str, Any]) -> str:
    if not str(check["kind"]).startswith("crc"):
        return str(check["kind"])
    return f"{check['kind']} (poly {check['poly']}, init {check['init']}, {check['order']} byte order)"
