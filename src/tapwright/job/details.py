"""What another person needs to rebuild each step: the dossier's tables, out of an answer's document and evidence."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

from tapwright.job.answers import Answer
from tapwright.job.desk import Desk
from tapwright.pins.sheet import shown

_MANY = 10_000  # from here on numbers are written in groups of three (SI Brochure 5.4.4), not with an exponent
_CHECK_WORDS = {
    "kind": "kind", "poly": "polynomial", "init": "initial value", "refin": "bytes reflected",
    "refout": "result reflected", "xorout": "final exclusive or", "order": "byte order", "encoding": "sent as",
    "failed": "frames in which it fails",
}


@dataclass(frozen=True, kw_only=True)
class Part:
    """A part of a chapter: a sentence, a table, a file's text."""

    head: str
    words: str = ""
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    text: str = ""


def details(answer: Answer, desk: Desk) -> list[Part]:
    """Return the parts of one answer's chapter; none where it has no document."""
    if answer.document is None or answer.id not in _DETAILS:
        return []
    return [part for part in _DETAILS[answer.id](cast(dict[str, Any], answer.document), desk)
            if part.words or part.rows or part.text]


def rebuild(answers: tuple[Answer, ...], desk: Desk) -> list[str]:
    """Return the steps in which another person rebuilds it, as far as the answers go."""
    found = {answer.id: cast(dict[str, Any], answer.document) for answer in answers if answer.document is not None}
    steps = []
    if found.get("pads", {}).get("sheet"):
        steps.append("Solder the wires of the tap sheet, cells out; leave the other pads alone.")
    line = next((item for item in found.get("line", {}).get("channels", []) if "baud" in item), None)
    if line is not None:
        steps.append(f"Set the receiver to {_form(line)}.")
    if desk.place("instrument.toml"):
        steps.append("Save the description below as instrument.toml. A computer shows the readings with: tapwright "
                     "serve --instrument instrument.toml --source serial:///dev/ttyUSB0, nothing on the inputs "
                     "meanwhile.")
        steps.append("For a board inside: tapwright board --instrument instrument.toml --out board writes its program, "
                     "page and wiring notes.")
    if "supply" in found:
        steps.append("Build the supply of the plan, and measure the cells' volts in the burst before the board goes "
                     "in.")
    if "coverage" in found:
        steps.append("Prove your own: tapwright prove on a capture of your instrument with labels of your own, before "
                     "the case is closed. Another unit or a later version may differ.")
    return steps


def _pads(document: dict[str, Any], desk: Desk) -> list[Part]:
    rows = tuple((pad["pad"], pad["role"], shown(pad['probability']), pad["driven_by"],
                  _plain(pad.get("source_ohm"), " ohm"), ", ".join(pad.get("follows") or []))
                 for pad in document.get("pads", []))
    parts = [Part(head="The pads", rows=rows,
                  columns=("pad", "role", "probability", "driven by", "source", "unlike the rest in"))]
    survey = _table(desk, "survey.csv")
    if survey:
        parts.append(Part(head="The survey as measured", columns=survey[0], rows=survey[1:],
                          words="Volts against ground in each state; empty: not measured."))
    sheet = document.get("sheet")
    if sheet:
        wires = tuple((wire["pad"], wire["to"], wire["part"] or "–", wire["why"],
                       "yes" if wire["settled"] else "not yet") for wire in sheet["wires"])
        parts.append(Part(head="The tap sheet", columns=("from pad", "to", "through", "why", "settled"), rows=wires,
                          words="Cells out, leads off. " + " ".join(sheet["cautions"])))
        parts.append(Part(head="Pads to leave alone", columns=("pad", "why"),
                          rows=tuple((row["pad"], row["why"]) for row in sheet["leave"])))
    return parts


def _line(document: dict[str, Any], desk: Desk) -> list[Part]:
    rows = tuple((channel["name"], channel["kind"], _form(channel) if "baud" in channel else "",
                  f"{channel['measured_baud']:.1f} baud" if channel.get("measured_baud") else "",
                  f"{channel['framing_errors']} framing, {channel['parity_errors']} parity in "
                  f"{_plain(channel['bytes'])} bytes" if "bytes" in channel else "")
                 for channel in document.get("channels", []))
    pairs = tuple(tuple((name, _plain(value)) for name, value in pair.items()) for pair in document.get("pairs", []))
    return [Part(head="The lines", columns=("channel", "kind", "form", "measured", "errors"), rows=rows),
            *(Part(head="A clocked pair", rows=pair) for pair in pairs)]


def _form(channel: dict[str, Any]) -> str:
    return (f"{channel['baud']:g} baud, {channel['data_bits']} data bits, parity {channel['parity']}, "
            f"{channel['stop_bits']:g} stop, idle {channel['idle']}{', inverted' if channel.get('inverted') else ''}")


def _frames(document: dict[str, Any], desk: Desk) -> list[Part]:
    length = document.get("length") or {}
    about = [("length", f"{length['bytes']} bytes" if "bytes" in length else _plain(length.get("kind"))),
             ("begins with", document.get("start", "")), ("ends with", document.get("end", "")),
             ("one every", _plain(document.get("period_s"), " s"))]
    rows = tuple((str(column["at"]), column["kind"], column.get("hex", "") or _plain(column.get("changing")))
                 for column in document.get("bytes", []))
    return [Part(head="The frame", rows=tuple((name, value) for name, value in about if value not in ("", "–"))),
            *(Part(head="The check", rows=_check(check)) for check in document.get("checks", [])),
            Part(head="Byte by byte", rows=rows,
                 columns=("byte", "kind", "its value, or the bits of it that change (hex)"))]


def _check(check: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    rows = [(words, _plain(check[name])) for name, words in _CHECK_WORDS.items() if name in check]
    from_end = "; negative: from the frame's end" if min(check["first"], check["last"]) < 0 else ""
    rows.insert(1, ("over", f"bytes {check['first']} to {check['last']}, both included{from_end}"))
    rows.insert(2, ("stands at", f"byte {check['at']}"))
    if check.get("same_as"):
        rows.append(("no frame so far tells it from", "; ".join(map(_plain, check["same_as"]))))
    return tuple(rows)


def _mask(document: dict[str, Any], desk: Desk) -> list[Part]:
    kinds = document.get("kind")
    rows = [("from wire to radio", kinds if isinstance(kinds, str) else ", then ".join(kinds or ()))]
    if document.get("key"):
        rows.append(("key, from the frame's first byte", document["key"]))
    rows.append(("settled", f"{document['determined_bits']} of {document['total_bits']} bits"))
    return [Part(head="The mask", rows=tuple(rows)),
            Part(head="What shows it", words=" ".join(document.get("evidence", [])))]


def _map(document: dict[str, Any], desk: Desk) -> list[Part]:
    labels = {label.row: label for label in desk.labels}
    wrong = []
    for item in document.get("labels_contradicted", []):
        label = labels.get(item["row"])
        told = "" if label is None else " ".join((label.display or "blank", label.unit, *label.flags))
        where = "" if label is None else f"{label.capture}, {label.start_s:g} to {label.end_s:g} s"
        wrong.append((str(item["row"]), told, where, item["why"]))
    return [Part(head="Settled", words=", ".join(document.get("determined", [])) or "nothing yet"),
            Part(head="Open", columns=("what", "why"),
                 rows=tuple((item["what"], item["why"]) for item in document.get("undetermined", []))),
            Part(head="Labels that are not believed", columns=("row", "says", "of", "why"), rows=tuple(wrong))]


def _coverage(document: dict[str, Any], desk: Desk) -> list[Part]:
    coverage = {**document["coverage"], **{f"digit {k}": v for k, v in document["coverage"]["digits"].items()}}
    rows = tuple((name, ", ".join(kind["seen"]), ", ".join(kind["never"])) for name, kind in coverage.items()
                 if name != "digits" and (kind["seen"] or kind["never"]))
    return [Part(head="The proof", words=f"{document['right']} of {document['labels']} labels right; verdict: "
                                         f"{document['verdict']}."),
            Part(head="Labels that the frames contradict", columns=("row", "the label", "the frames", "why"),
                 rows=tuple((str(item["row"]), _plain(item.get("label")), _plain(item.get("read")), item["why"])
                            for item in document.get("wrong", []))),
            Part(head="The coverage", columns=("", "seen and right", "never seen"), rows=rows)]


def _supply(document: dict[str, Any], desk: Desk) -> list[Part]:
    rows = tuple((check["name"], "ok" if check["ok"] else "not ok", f"{_plain(check['value'])} {check['unit']}",
                  f"{_plain(check['limit'])} {check['unit']}") for check in document["checks"])
    farads = document.get("bulk_f")
    figures = (("switched on, without a break", _plain(document.get("run_h"), " h")),
               ("days of use", _plain(document.get("run_days"), " d")),
               ("days when off, until the cells are empty", _plain(document.get("off_days"), " d")),
               ("the cells' lowest volts, in the burst", _plain(document.get("lowest_cells_v"), " V")),
               ("the converter's greatest input current", _plain(document.get("peak_input_a"), " A")),
               ("capacitor after the converter, at most", "–" if farads is None else f"{_plain(farads * 1e6)} µF"))
    plan = desk.place("supply.toml")
    return [Part(head="The checks", columns=("check", "", "value", "limit"), rows=rows),
            Part(head="What it comes to", rows=tuple(row for row in figures if row[1] != "–")),
            Part(head="Mind", rows=tuple((text,) for text in document.get("advice", []))),
            Part(head="The plan, whole", text=plan[0].read_text(encoding="utf-8", errors="replace") if plan else "")]


def _agreement(document: dict[str, Any], desk: Desk) -> list[Part]:
    unit, slope = f" {document.get('unit') or ''}".rstrip(), document.get("slope") or {}
    bias = f"{_plain(document.get('bias'))}{unit} ({_plain(document.get('bias_ci'))})"
    figures = (("pairs", _plain(document.get("pairs"))), ("bias (its 95 % interval)", bias),
               ("95 % of differences lie from", f"{_plain(document.get('limits'))}{unit}"),
               ("slope (its 95 % interval)", f"{_plain(slope['value'])} ({_plain(slope.get('ci'))})" if slope else "–"),
               ("verdict", _plain(document.get("verdict"))))
    rows = tuple((str(point["point"]), _plain(point["reference"]), _plain(point["meter"]), _plain(point["difference"]),
                  _plain(point.get("limit")), _plain(point.get("U")), _plain(point.get("verdict")))
                 for point in document.get("points", []))
    spec = desk.place("agreement/spec.toml")
    return [Part(head="In figures", rows=tuple(row for row in figures if row[1] != "–")),
            Part(head="Point by point", rows=rows,
                 columns=("point", "reference", "meter", "difference", "limit", "U", "verdict")),
            Part(head="The allowed errors", text=spec[0].read_text(encoding="utf-8", errors="replace") if spec else "")]


_DETAILS: dict[str, Callable[[dict[str, Any], Desk], list[Part]]] = {
    "pads": _pads, "line": _line, "frames": _frames, "mask": _mask, "map": _map, "coverage": _coverage,
    "supply": _supply, "agreement": _agreement,
}


def _table(desk: Desk, name: str) -> tuple[tuple[str, ...], ...]:
    """Return a table file of the job as rows of cells, empty where there is none; its reader has judged it already."""
    place = desk.place(name)
    if not place:
        return ()
    text = place[0].read_text(encoding="utf-8-sig", errors="replace")
    separator = max(",;\t", key=text.partition("\n")[0].count)
    return tuple(tuple(row) for row in csv.reader(text.splitlines(), delimiter=separator) if any(row))


def _plain(value: object, unit: str = "") -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)) and abs(value) >= _MANY:
        return f"{value:,.0f}{unit}".replace(",", "\u202f")
    if isinstance(value, float):
        # A difference of 0.0700000000001 is 0.07; a minus is a minus.
        return f"{value:.4g}{unit}".replace("-", "−")
    if isinstance(value, dict):
        return ", ".join(f"{name} {_plain(item)}" for name, item in value.items())
    if isinstance(value, (list, tuple)):
        return " to ".join(_plain(item) for item in value) if len(value) == 2 else ", ".join(map(_plain, value))
    return f"{value}{unit}"
