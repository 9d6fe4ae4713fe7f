"""MicroPython: the portable decoder with one instrument's tables, and the program around it.

The same description and evidence give the same bytes every time.
"""

from __future__ import annotations

import re
from importlib import resources
from pprint import pformat

from tapwright.board import literal
from tapwright.board.about import About
from tapwright.board.digest import digest
from tapwright.core.instrument import Instrument
from tapwright.core.line import AsyncSettings

FOLDER = "micropython"
_COPIED = ("main.py", "web.py", "config.py", "hardware.py", "page.html")
# Parts of the decoder: one uses only what stands before it.
_PARTS = ("tables", "checks", "frames", "lamps", "shown", "numbers", "display", "decode")
_DEFAULT_CAUTIONS = (
    "Take the cells out before soldering; the first power-up goes through a current limit (100 mA).",
    "Opening the case ends its insulation and its measurement category (IEC 61010 series): after that extra-low voltage "
    "only, unless a qualified person has assessed it. Local rules come first.",
    "The radio was also the isolation: the case's inner ground is at the COM lead. Never connect USB, a programmer, a "
    "capture lead or a scope's ground while the probes touch anything, mains above all.",
)


def files(instrument: Instrument, about: About | None = None) -> dict[str, str]:
    """Return file name -> text."""
    about = about or About()
    return {
        "reading.py": _reading(instrument, about),
        **{name: _template(name) for name in _COPIED},
        "settings": _settings(instrument, about),
        "README.md": _readme(instrument, about),
    }


def _template(name: str) -> str:
    return resources.files("tapwright.board.program").joinpath(name).read_text(encoding="utf-8")


def _part(name: str) -> str:
    """Return a part of the decoder without its head and imports."""
    text = resources.files("tapwright.board.portable").joinpath(f"{name}.py").read_text(encoding="utf-8")
    lines = text.split("\n")
    last = max(i for i, line in enumerate(lines) if line.startswith(("# (Runs in", "from ")))
    return "\n\n" + "\n".join(lines[last + 1:]).strip("\n") + "\n"


def _one_line(text: str) -> str:
    return " ".join(re.sub(r"[^\w .,()/+-]", " ", text).split()) or "instrument"


def _reading(instrument: Instrument, about: About) -> str:
    body = "\n".join(_part(name) for name in _PARTS)
    glyphs = literal.glyphs() if literal.uses_segments(instrument.reading_map) else {}
    proven = tuple((one.frame, one.row) for one in about.proven)
    for name, empty, value in (("TABLES", "{}", literal.tables(instrument)), ("GLYPHS", "{}", glyphs),
                               ("SELF_TEST", "()", proven)):
        body = body.replace(f"{name} = {empty}\n", f"{name} = {pformat(value, width=116, sort_dicts=False)}\n", 1)
    head = (f'"""Decoder of: {_one_line(instrument.name)}.\n\nWritten by tapwright from the description with SHA-256\n'
            f'{digest(instrument)}.\nDo not edit: change the description and write it anew.\n"""\n')
    return head + body


def host_name(instrument: Instrument) -> str:
    """Return the name that the board announces: letters, digits and hyphens (RFC 1123)."""
    plain = re.sub(r"[^a-z0-9]+", "-", instrument.name.lower()).strip("-")[:24].strip("-")
    return plain or "instrument"


def _settings(instrument: Instrument, about: About) -> str:
    line = instrument.line
    gap_s = 0.0 if instrument.layout is None else instrument.layout.gap_s / 2
    if isinstance(line, AsyncSettings):
        rows = [f"baud = {round(line.baud)}", f"data_bits = {line.data_bits}", f"parity = {line.parity}",
                f"stop_bits = {line.stop_bits:g}", f"inverted = {int(line.inverted)}"]
    else:
        rows = ["# The description tells no asynchronous line: set its rate.", "baud = 9600", "data_bits = 8",
                "parity = none", "stop_bits = 1", "inverted = 0"]
    if gap_s:
        rows += ["# Idle seconds that close a frame.", f"gap_s = {gap_s:.4f}"]
    return _filled(_template("settings.txt"), NAME=host_name(instrument), LINE="\n".join(rows),
                   WARN="" if about.warn_v is None else f"{about.warn_v:g}")


def _readme(instrument: Instrument, about: About) -> str:
    wiring = "\n".join(["| from pad | to | through | why |", "| --- | --- | --- | --- |",
                        *(f"| {' | '.join(cell.replace('|', '/') for cell in wire)} |" for wire in about.wires)]) \
        if about.wires else ("No pad survey was at hand. `tapwright pins survey.csv` makes the tap sheet; until then: "
                             f"ground to ground, the data line ({instrument.channel or 'see the capture'}) through 1k to `rx_pin`.")
    return _filled(
        _template("readme.txt"), TITLE=_one_line(instrument.name), DIGEST=digest(instrument), NAME=host_name(instrument),
        CAUTIONS="\n".join(f"- {text}" for text in about.cautions or _DEFAULT_CAUTIONS), WIRING=wiring,
        CHECK=_check(about), PROVEN=f"{len(about.proven)} frames that labels prove" if about.proven else
        "no frame (none that a label proves was at hand when this was written)",
        WARNING="" if about.warn_v is None else f" (worn under {about.warn_v:g} V, from the supply plan)")


def _check(about: About) -> str:
    if not about.proven:
        return ('    python3 -c "import reading; print(reading.decode(bytes.fromhex(\'...\')))"\n\n'
                "with a frame that you have seen together with its display.")
    one = about.proven[0]
    display, value, unit, flags, status = one.row
    said = {"display": display, "value": value, "unit": unit, "flags": flags, "status": status}
    call = f"import reading; print(reading.decode(bytes.fromhex('{one.frame.hex()}')))"
    return f'    python3 -c "{call}"\n    mpremote exec "{call}"\n\nBoth must print `{said}`, the board perhaps in another order.'


def _filled(text: str, **words: str) -> str:
    for name, word in words.items():
        text = text.replace(f"@{name}@", word)
    return text
