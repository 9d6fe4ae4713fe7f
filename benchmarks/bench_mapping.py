"""Reading map: learning 10,000 frames, reading a million frames against a plain loop over frames."""

from __future__ import annotations

import random
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.row import Row
from tapwright.board.targets import c
from tapwright.core.frame import FrameLayout, Frames
from tapwright.core.instrument import Instrument
from tapwright.evidence.labels import Label
from tapwright.mapping.apply import Decoder
from tapwright.mapping.find import learn
from tapwright.mapping.memo import Memo
from tapwright.mapping.shown import read_row

SHAPES = {"0": 0x3F, "1": 0x06, "2": 0x5B, "3": 0x4F, "4": 0x66, "5": 0x6D, "6": 0x7D, "7": 0x07, "8": 0x7F, "9": 0x6F,
          " ": 0x00}
N_BYTES, N_LABELS, N_FRAMES, N_READ = 24, 60, 10_000, 1_000_000


def run() -> list[Row]:
    """Return the rows."""
    rng = random.Random(7)
    places = rng.sample(range(8 * (N_BYTES - 2)), 36)
    layout = FrameLayout(length="fixed", n_bytes=N_BYTES)

    def frame(text: str, minus: bool, decimals: int, kilo: bool) -> bytes:
        body = bytearray(N_BYTES)
        lit = [places[7 * i + s] for i, c in enumerate(text.rjust(4)) for s in range(7) if SHAPES[c] >> s & 1]
        lit += [places[28]] * minus + [places[28 + decimals]] * (decimals > 0) + [places[32]] * kilo + [places[33]]
        for at in lit:
            body[2 + at // 8] |= 1 << at % 8
        body[:2] = b"\x5a\xa5"
        return bytes(body)

    frames, times, labels = [], [], []
    per = N_FRAMES // N_LABELS
    for i in range(N_LABELS):
        text, decimals, minus, kilo = f"{rng.randint(0, 9999):04d}", rng.randint(0, 3), rng.random() < 0.4, bool(i % 2)
        frames += [frame(text, minus, decimals, kilo)] * per
        times += [(i * per + k) * 0.1 for k in range(per)]
        shown = f"{text[:4 - decimals]}.{text[4 - decimals:]}" if decimals else text
        labels.append(Label(i + 1, "a", i * per * 0.1 + 0.7, (i + 1) * per * 0.1 + 0.7, ("-" if minus else "") + shown,
                            "kΩ" if kilo else "Ω", ()))
    many = Frames.of(frames, times)
    started = time.process_time()
    report = learn({"a": many}, labels, layout=layout)
    learning_s = time.process_time() - started
    assert report.reading_map is not None
    rows = [Row(f"learn {len(many)} frames of {N_BYTES} bytes, {N_LABELS} labels, CPU seconds", learning_s, 2.0, False,
                f"kind {report.reading_map.kind}, {report.frames_explained} frames explained")]

    some = [frame(f"{rng.randint(0, 9999):04d}", rng.random() < 0.4, rng.randint(0, 3), rng.random() < 0.5)
            for _ in range(20_000)]
    table = np.frombuffer(b"".join(some), np.uint8).reshape(-1, N_BYTES)
    data = table[np.random.default_rng(1).integers(0, len(some), N_READ)]
    million = Frames(np.arange(N_READ) * 0.1, data.reshape(-1), np.arange(N_READ + 1, dtype=np.int64) * N_BYTES)
    decoder = Decoder(Instrument(name="", reading_map=report.reading_map, layout=layout))
    started = time.process_time()
    decoder.read(million)
    reading_s = time.process_time() - started
    rows.append(Row("read 1,000,000 frames, frames a CPU second", N_READ / reading_s, 1e6, True, f"{reading_s:.2f} s"))
    rows += _beside_c(decoder.instrument, data, reading_s)
    bodies = [data[i].tobytes() for i in range(20_000)]
    memo = Memo(report.reading_map)
    started = time.process_time()
    for body in bodies:
        read_row(report.reading_map, body, len(body), memo)
    loop_s = (time.process_time() - started) / len(bodies) * N_READ
    rows.append(Row("array reading over a plain loop over frames, times as fast", loop_s / reading_s, 5.0, True,
                    f"loop {loop_s:.1f} s for a million (extrapolated)"))
    return rows


DECODE = """
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include "reading.h"
int main(void)
{
    static struct reading out;
    static uint8_t frames[SIZE * COUNT];
    unsigned long seen = 0;
    if (fread(frames, SIZE, COUNT, stdin) != COUNT)
        return 1;
    clock_t begun = clock();
    for (unsigned long i = 0; i < COUNT; i++) {
        reading_decode(frames + i * SIZE, SIZE, &out);
        seen += (unsigned long)out.display[0];
    }
    printf("%.6f %lu", (double)(clock() - begun) / CLOCKS_PER_SEC, seen);
    return 0;
}
"""


def _beside_c(instrument: Instrument, data: NDArray[np.uint8], reading_s: float) -> list[Row]:
    """Return the time beside the emitted C99 decoder's on the same frames, no row without a compiler."""
    if shutil.which("gcc") is None:
        return []
    with tempfile.TemporaryDirectory(prefix="bench-") as name:
        folder = Path(name)
        for file, text in c.files(instrument).items():
            (folder / file).write_text(text, encoding="utf-8")
        (folder / "decode.c").write_text(DECODE, encoding="ascii")
        subprocess.run(["gcc", "-O2", f"-DSIZE={N_BYTES}", f"-DCOUNT={len(data)}", "-o", "decode", "decode.c",
                        "reading.c"], cwd=folder, check=True)
        said = min(float(subprocess.run([folder / "decode"], input=data.tobytes(), capture_output=True,
                                        check=True).stdout.split()[0]) for _ in range(3))
    return [Row("emitted C99 decoder / array reading, the same frames", said / reading_s, 0.05, True,
                f"C {said:.3f} s, without rows kept or times")]
