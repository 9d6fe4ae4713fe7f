"""What a question's page shows beside its answer: labels that cannot be right, cells asked for, what is kept of it."""

from __future__ import annotations

from typing import Any

from tapwright.core.errors import TapwrightError
from tapwright.evidence.instrument_file import load_instrument
from tapwright.evidence.mask_file import load_mask, mask_values
from tapwright.job.answers import Answer
from tapwright.job.desk import Desk
from tapwright.job.learning import fingerprint
from tapwright.web.workbench.labelling import coverage_so_far

MOST_ASKED = 8


def context(name: str, desk: Desk, answer: Answer | None) -> dict[str, Any]:
    """Return what the templates need for one question."""
    document: dict[str, Any] = dict(answer.document or {}) if answer is not None else {}
    if name == "pads":
        return {"asked": [_asked(entry) for entry in document.get("next", [])][:MOST_ASKED]}
    if name == "map":
        wrong = [{"row": item["row"], "why": item["why"]} for item in document.get("labels_contradicted", [])]
        return {"wrong": wrong, "kept": _kept_map(desk, document),
                "so_far": coverage_so_far(desk, {int(item["row"]) for item in wrong})}
    if name == "coverage":
        return {"wrong": [{"row": item["row"], "why": f"the frames say {item['read'] or 'nothing'}: {item['why']}"}
                          for item in document.get("wrong", [])]}
    if name == "mask":
        return {"kept": _kept_mask(desk, document)}
    return {}


def _asked(entry: dict[str, Any]) -> dict[str, str]:
    """Return the survey cell that a next measurement fills: its pad, and the heading of its column."""
    if "drive" in entry:
        return {"pad": str(entry["watch"]), "column": f"{entry['state']} / pad {entry['pad']} {entry['drive']} through "
                                                      f"{_ohm(float(entry['through_ohm']))}"}
    load = str(entry.get("load", ""))
    return {"pad": str(entry["pad"]), "column": f"{entry['state']} / {load}" if load else str(entry["state"])}


def _ohm(ohm: float) -> str:
    return f"{ohm / 1e6:g}M" if ohm >= 1e6 else f"{ohm / 1e3:g}k" if ohm >= 1e3 else f"{ohm:g}"


def _kept_map(desk: Desk, document: dict[str, Any]) -> str:
    """Return `same`, `other` or `` for what instrument.toml holds beside the present map."""
    path = desk.folder / "instrument.toml"
    if not path.is_file():
        return ""
    try:
        return "same" if fingerprint(load_instrument(path)) == document.get("description") else "other"
    except TapwrightError:
        return "other"


def _kept_mask(desk: Desk, document: dict[str, Any]) -> str:
    path = desk.folder / "mask.toml"
    if not path.is_file():
        return ""
    try:
        values = mask_values(load_mask(path))
    except TapwrightError:
        return "other"
    same = all(values.get(key) == document.get(key) for key in ("kind", "key"))
    return "same" if same else "other"
