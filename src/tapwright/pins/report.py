"""The findings as the contract's JSON document and as text for people."""

from __future__ import annotations

from tapwright.evidence.survey import ohm_text
from tapwright.pins.advise import Ask, why_safe
from tapwright.pins.find import Findings, Pad, finite
from tapwright.pins.gates import Event
from tapwright.pins.levels import Fit
from tapwright.pins.sheet import CAUTIONS, Sheet, shown
from tapwright.pins.trials import Trial, worth_asking


def document(findings: Findings, sheet: Sheet | None = None) -> dict[str, object]:
    """Return the JSON document of `pins`."""
    result: dict[str, object] = {
        "supply_v": findings.supply_v,
        "pads": [_pad(pad) for pad in findings.pads],
        "gates_data": [{"pad": gate.pad, "level": gate.level, "probability": round(gate.probability, 4)}
                       for gate in findings.gates],
        "next": next_document(findings),
        "trials": [_trial(trial) for trial in findings.trials],
        "advice": list(findings.advice),
    }
    if findings.data:
        result["order"] = [_event(event) for event in findings.order]
    if sheet is not None:
        result["sheet"] = {
            "wires": [{"pad": wire.pad, "to": wire.to, "part": wire.part, "why": wire.why, "settled": wire.is_sure}
                      for wire in sheet.wires],
            "leave": [{"pad": pad, "why": why} for pad, why in sheet.leave],
            "cautions": list(sheet.cautions),
            "levels": [_fit(fit) for fit in sheet.fits],
        }
    return result


def next_document(findings: Findings) -> list[dict[str, object]]:
    """Return the `next` list: measurements and, while anything is open, the trial that tells enough."""
    entries: list[tuple[float, dict[str, object]]] = [
        (ask.gain_bits, _ask(ask, why, findings)) for ask, why in findings.asks]
    if entries:
        entries += [(trial.gain_bits, _trial(trial)) for trial in findings.trials[:1] if worth_asking(trial)]
    entries.sort(key=lambda entry: -entry[0])
    return [entry for _, entry in entries]


def text(findings: Findings) -> str:
    """Return the answer for people: what is settled, what is open, what to measure next."""
    settled = sum(pad.is_settled for pad in findings.pads)
    lines = [f"{settled} of {len(findings.pads)} pads settled, supply {findings.supply_v:g} V"
             + (" (read off the survey)" if findings.supply_inferred else ""), ""]
    width = max(len(pad.pad) for pad in findings.pads)
    for pad in findings.pads:
        lines.append(f"  {pad.pad:<{width}}  {_claim(pad)}")
        lines += [f"  {'':<{width}}    {word}" for word in pad.evidence]
    lines += ["", *_gate_lines(findings)]
    if findings.order:
        lines += ["", "Before the data starts:"] + [f"  {_event_words(event)}" for event in findings.order]
    lines += ["", *_next_lines(findings)]
    lines += [""] + [f"note: {word}" for word in findings.advice] if findings.advice else []
    return "\n".join(lines).rstrip() + "\n"


def _claim(pad: Pad) -> str:
    role = f"{pad.role} ({shown(pad.probability)})" if pad.probability >= 0.9 else \
        f"open: {pad.role} {shown(pad.probability)}" + "".join(
            f", {name} {shown(share)}" for name, share in pad.alternatives[:2])
    sure = shown(pad.driver_probability)
    driver = f"driven by {pad.driver} ({sure})" if pad.driver in ("instrument", "module") else \
        f"held by a pull ({sure})" if pad.driver == "pull" else ""
    if pad.driven_by == "unknown":
        driver = f"who drives it is open: {pad.driver} {sure}"
    parts = [role]
    if pad.role not in ("ground", "supply", "switched supply") and driver:
        parts.append(driver)
    if pad.follows:
        parts.append(f"{pad.level} in {', '.join(pad.follows)}")
    if pad.open_drain == "low":
        parts.append("open drain")
    if pad.source_ohm is not None:
        parts.append(f"about {ohm_text(float(f'{pad.source_ohm:.2g}'))} ohm")
    return "; ".join(parts) + (f"   [{pad.note}]" if pad.note else "")


def _gate_lines(findings: Findings) -> list[str]:
    if not findings.gates or findings.gates[0].probability < 0.5:
        return ["What opens the data: no line's moves go with it so far."]
    best, rest = findings.gates[0], findings.gates[1:4]
    also = "".join(f"; or pad {gate.pad} {gate.level} {shown(gate.probability)}" for gate in rest)
    proof = " Only a trial proves it; see below." if findings.trials else ""
    return [f"What opens the data: pad {best.pad} at {best.level} ({shown(best.probability)}){also}.{proof}"]


def _next_lines(findings: Findings) -> list[str]:
    lines = []
    if findings.asks:
        ask, why = findings.asks[0]
        lines += ["Measure next:", f"  {_ask_words(ask)}", f"    {why}",
                  f"    safe: {why_safe(ask, findings.supply_v, findings.evidence.meter.ohm)}"]
        rest = [f"  {_ask_words(other)}" for other, _ in findings.asks[1:4]]
        lines += ["or, telling less for the work:", *rest] if rest else []
    elif not all(pad.is_settled for pad in findings.pads):
        lines.append("Nothing more that a meter could tell: no test adds 0.01 bit.")
    if findings.trials:
        trial = findings.trials[0]
        lines += ["", "The proof, with the module out:",
                  f"  {trial.state}: pad {trial.pad} {trial.drive} through {ohm_text(trial.through_ohm)}, "
                  f"watch pad {trial.watch}: {trial.expect}",
                  f"    safe: {trial.safe}"]
    if lines:
        lines += ["", "Before a lead goes inside the case:", f"  ! {CAUTIONS[1]}", f"  ! {CAUTIONS[2]}"]
    return lines


def _ask_words(ask: Ask) -> str:
    if ask.load == "module out":
        return f"all pads in {ask.state} with the module out (worth {ask.gain_bits:.2f} bits for its cost)"
    test = ask.load or "the plain reading"
    return f"pad {ask.pad}, {ask.state}: {test} (worth {ask.gain_bits:.2f} bits for its cost)"


def _pad(pad: Pad) -> dict[str, object]:
    return {
        "pad": pad.pad, "role": pad.role, "probability": round(pad.probability, 4),
        "alternatives": [[role, round(share, 4)] for role, share in pad.alternatives],
        "driven_by": pad.driven_by, "driven_by_probability": round(pad.driver_probability, 4),
        "source_ohm": finite(pad.source_ohm), "follows": list(pad.follows), "level": pad.level,
        "open_drain": pad.open_drain == "low", "evidence": list(pad.evidence)}


def _ask(ask: Ask, why: str, findings: Findings) -> dict[str, object]:
    return {"pad": ask.pad, "state": ask.state, "load": ask.load, "gain_bits": round(ask.gain_bits, 4), "why": why,
            "safe": why_safe(ask, findings.supply_v, findings.evidence.meter.ohm)}


def _trial(trial: Trial) -> dict[str, object]:
    return {"pad": trial.pad, "state": trial.state, "drive": trial.drive, "through_ohm": trial.through_ohm,
            "watch": trial.watch, "expect": trial.expect, "why": trial.why, "safe": trial.safe,
            "gain_bits": round(trial.gain_bits, 4)}


def _event(event: Event) -> dict[str, object]:
    return {"pad": event.pad, "channel": event.channel, "level": event.level, "delay_s": finite(event.delay_s),
            "spread_s": finite(event.spread_s), "moved": event.moved, "starts": event.starts,
            "necessary": event.necessary, "sufficient": event.sufficient}


def _event_words(event: Event) -> str:
    if event.delay_s is None:
        return f"pad {event.pad} never goes {event.level} before it"
    spread = f" ± {event.spread_s:.3g}" if event.spread_s is not None else ""
    said = [f"{event.moved} of {event.starts} starts"]
    said += ["necessary" if event.necessary else "not necessary",
             "sufficient" if event.sufficient else "not sufficient"]
    return f"pad {event.pad} goes {event.level} {event.delay_s:.3g}{spread} s before it ({', '.join(said)})"


def _fit(fit: Fit) -> dict[str, object]:
    return {"pad": fit.pad, "way": fit.way, "how": fit.how, "high_margin_v": fit.high_margin_v,
            "low_margin_v": fit.low_margin_v, "over_v": fit.over_v, "series_ohm": fit.series_ohm,
            "upper_ohm": fit.upper_ohm, "lower_ohm": fit.lower_ohm, "why": fit.why}
