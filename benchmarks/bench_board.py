"""Emitted decoders: flash and RAM a processor and family, instructions a frame, and the share of a 2 Hz stream.

Size and instructions do not depend on the machine; a missing compiler or emulator leaves its rows out and says so.
"""

from __future__ import annotations

import gzip
import tempfile
from pathlib import Path

from tests.board.board_face import meter
from tests.board.frames import frame
from tests.board.rows import learned

from benchmarks.row import Row
from tapwright.board.cost import CYCLES, PROCESSORS, Cost, Processor, costs
from tapwright.board.targets import c, micropython
from tapwright.core.instrument import Instrument

YARDSTICK = Path(__file__).parents[1] / "tests/board/yardstick.c"
#: Flash that a family may take on RV32IMC and Cortex-M0+: a little over what this version reached.
FLASH = {"segments": (1300, 1100), "text": (2600, 2200), "bcd": (1750, 1450), "integer": (1500, 1150),
         "float": (2600, 2100), "table": (1850, 1500)}


def run() -> list[Row]:
    """Return flash, RAM and instructions of the hand-made meter and of a blind instrument of each family."""
    shown = [("6.82", "mg/L"), ("-0.4", "pH"), ("18.88", "°C"), ("0L", "S/cm"), ("", "%")]
    rows = _rows("meter, 13 bytes, CRC-16", meter(), [frame(*one) for one in shown], (930, 640))
    for family, limits in FLASH.items():
        found = learned(21, family)
        if found is not None:
            instrument, frames = found
            rows += _rows(f"blind {family}", instrument, list(dict.fromkeys(frames))[:12], limits)
    page = micropython.files(meter())["page.html"].encode()
    return [*rows, Row("page of the board, compressed, KiB", len(gzip.compress(page)) / 1024, 16, at_least=False)]


def _rows(what: str, instrument: Instrument, frames: list[bytes], limits: tuple[int, int]) -> list[Row]:
    with tempfile.TemporaryDirectory() as kept:
        folder = Path(kept)
        for name, text in c.files(instrument).items():
            (folder / name).write_text(text, encoding="utf-8")
        found, missing = costs(folder, frames)
        for text in missing:
            print(f"not measured: {text}")
        by_hand = _by_hand(folder) if what.startswith("meter") and found else {}
    rows: list[Row] = []
    for cost in found:
        name = cost.processor.name
        limit = limits[[processor.name for processor in PROCESSORS].index(name)]
        rows += [Row(f"{what}, {name}, flash bytes", cost.flash_bytes, limit, at_least=False, detail=_time(cost)),
                 Row(f"{what}, {name}, RAM bytes", cost.ram_bytes, 256, at_least=False)]
        if name in by_hand:
            rows.append(Row(f"{what}, {name}, flash over that of one by hand of the same scope",
                            cost.flash_bytes / by_hand[name], 1.5, at_least=False,
                            detail=f"{by_hand[name]} bytes by hand"))
    return rows


def _by_hand(folder: Path) -> dict[str, int]:
    (folder / "reading.c").write_bytes(YARDSTICK.read_bytes())
    return {cost.processor.name: cost.flash_bytes for cost in costs(folder, [])[0]}


def _time(cost: Cost) -> str:
    if cost.instructions is None or cost.share is None:
        return "instructions not counted"
    processor: Processor = cost.processor
    clock = f"{processor.clock_hz // 1_000_000} MHz"
    return f"{cost.instructions} instructions a frame, {100 * cost.share:.2g} % of {clock} " \
           f"at 2 frames/s and {CYCLES} cycles an instruction"
