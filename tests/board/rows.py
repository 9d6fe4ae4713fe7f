"""Rows of the three decoders for the same frames, and instruments to try them on."""

from __future__ import annotations

import csv
import io
import json
import random
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

from tapwright.board.targets import c, micropython
from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.core.instrument import Instrument
from tapwright.core.mask import Mask, Step
from tapwright.evidence.labels import Label
from tapwright.mapping.apply import Decoder
from tapwright.mapping.find import learn
from tapwright.mapping.rows import value_text
from tests.mapping.blind import Blind, Shown, blind, everything, play

Row = tuple[str, ...]
NODE = Path(__file__).resolve().parents[1] / "node"
WEBASSEMBLY = NODE / "node_modules/@micropython/micropython-webassembly-pyscript/micropython.mjs"
STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Werror")
SANITIZED = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
CHECKS = (
    Check(kind="sum8", first=0, last=-2, at=-1), Check(kind="negated sum8", first=1, last=-2, at=-1),
    Check(kind="xor8", first=0, last=-2, at=-1), Check(kind="sum16", first=0, last=-3, at=-2, order="little"),
    Check(kind="crc8", first=0, last=-2, at=-1, poly=0x07),
    Check(kind="crc16", first=0, last=-3, at=-2, poly=0x8005, init=0xFFFF, refin=True, refout=True, order="little"),
    Check(kind="crc16", first=0, last=-3, at=-2, poly=0x1021, init=0xFFFF, refin=True, refout=False),
    Check(kind="crc32", first=0, last=-5, at=-4, poly=0x04C11DB7, init=0xFFFFFFFF, refin=True, refout=True,
          xorout=0xFFFFFFFF),
    Check(kind="fletcher16", first=0, last=-3, at=-2),
)


def layout_of(meter: Blind) -> FrameLayout:
    """Return the layout of a blind instrument's frames."""
    n = len(meter.frame(Shown(0)))
    checks = (Check(kind="sum8", first=0, last=n - 2, at=n - 1),) if meter.has_check and not meter.key else ()
    return FrameLayout(length="fixed", n_bytes=n, start=b"" if meter.key else meter.head, checks=checks)


def learned(seed: int, family: str, *, sparse: bool = False) -> tuple[Instrument, list[bytes]] | None:
    """Return an instrument learned from a blind one, and its frames; None where nothing was found."""
    meter, rng = blind(seed, family), random.Random(seed)
    readings = everything(meter, rng)
    session = play(meter, readings[:12] if sparse else readings, rng, offset_s=0.0)
    labels = [Label(i, "c", row[0], row[1], row[2], row[3], tuple(row[4].split()))
              for i, row in enumerate(session.labels, 1)]
    report = learn({"c": Frames.of(session.frames, session.t_s)}, labels, layout=layout_of(meter), offset_s=0.0)
    if report.reading_map is None:
        return None
    return Instrument(name=f"{family} {seed}", layout=layout_of(meter), reading_map=report.reading_map), session.frames


def masked(instrument: Instrument, frames: Sequence[bytes], rng: random.Random) -> tuple[Instrument, list[bytes]]:
    """Return the same instrument over a radio that adds a key, and its frames as received."""
    key = bytes(rng.randrange(256) for _ in range(rng.choice((1, 4, 13))))
    kind = rng.choice(("xor", "add"))
    mask = Mask(steps=(Step(kind=kind, key=tuple(key)),))
    out = [bytes(byte ^ key[i % len(key)] if kind == "xor" else (byte + key[i % len(key)]) & 255
                 for i, byte in enumerate(frame)) for frame in frames]
    return replace(instrument, mask=mask), out


def mixed(instrument: Instrument, frames: Sequence[bytes], n: int, rng: random.Random) -> list[bytes]:
    """Return n frames: as sent, with a bit or two changed, of other lengths, and random ones; check bytes mostly right."""
    size = instrument.layout.n_bytes if instrument.layout else 12
    out: list[bytes] = []
    for _ in range(n):
        kind = rng.random()
        frame = bytearray(rng.choice(frames))
        if kind < 0.5:
            for _ in range(rng.choice((0, 1, 2, 3))):
                at = rng.randrange(len(frame))
                frame[at] ^= 1 << rng.randrange(8)
        elif kind < 0.9:
            frame = bytearray(rng.randrange(256) for _ in range(size))
        else:
            frame = bytearray(rng.randrange(256) for _ in range(rng.randrange(1, size + 4)))
        if instrument.layout and instrument.layout.checks and instrument.mask is None and rng.random() < 0.8 \
                and instrument.layout.checks[0].kind == "sum8" and len(frame) > 1:
            frame[-1] = sum(frame[:-1]) & 255
        out.append(bytes(frame))
    return out


def reference(instrument: Instrument, frames: Sequence[bytes]) -> list[Row]:
    """Return the rows of the package's own decoder."""
    readings = Decoder(instrument).read(Frames.of(list(frames), [0.0] * len(frames)))
    rows = [(row.display, value_text(row), row.unit, row.flags, str(row.status)) for row in readings.rows]
    return [rows[which] for which in readings.which.tolist()]


def need(tool: str) -> str:
    """Return a tool's path, or skip the test."""
    path = shutil.which(tool)
    if path is None:
        pytest.skip(f"{tool} is not installed")
    return path


def emit(instrument: Instrument, folder: Path) -> None:
    """Write the C decoder's files."""
    folder.mkdir(exist_ok=True)
    for name, text in c.files(instrument).items():
        (folder / name).write_text(text, encoding="utf-8")


def build(instrument: Instrument, folder: Path, compiler: str, *options: str) -> Path:
    """Emit the C decoder and build its program; return it."""
    emit(instrument, folder)
    program = folder / f"{Path(compiler).name}.out"
    subprocess.run([need(compiler), *STRICT, *options, "-o", str(program), str(folder / "reading.c"),
                    str(folder / "main_stdio.c")], check=True)
    return program


def unchecked(instrument: Instrument) -> Instrument:
    """Return the same instrument without its check, so that random frames get as far as the display."""
    assert instrument.layout is not None
    return replace(instrument, layout=replace(instrument.layout, checks=()),
                   reading_map=replace(instrument.reading_map, lengths=(instrument.layout.n_bytes,)))


def fuzz(instrument: Instrument, folder: Path, compiler: str, count: int, seed: int = 1) -> str:
    """Give the emitted decoder random frames and bytes under sanitizers; return what came out of them."""
    emit(instrument, folder)
    start = b"" if instrument.layout is None or instrument.mask is not None else instrument.layout.start
    program = folder / "fuzz"
    subprocess.run([need(compiler), *STRICT, *SANITIZED, f"-I{folder}", f"-DSTART={{{', '.join(map(str, [*start, 0]))}}}", "-o",
                    str(program), str(folder / "reading.c"), str(Path(__file__).parent / "fuzz.c")], check=True)
    said = subprocess.run([str(program), str(count), str(seed)], capture_output=True, text=True)
    assert said.returncode == 0, said.stderr
    return said.stdout.strip()


def c_rows(command: Sequence[str], frames: Sequence[bytes]) -> list[Row]:
    """Return the rows that a C program prints for non-empty frames."""
    said = subprocess.run(command, input="".join(frame.hex() + "\n" for frame in frames), capture_output=True, text=True,
                          check=True)
    assert said.stderr == ""
    return [tuple(row) for row in csv.reader(io.StringIO(said.stdout))]


_SCRIPT = """\
import {readFileSync} from "fs";
import {loadMicroPython} from %s;
const lines = [];
const mp = await loadMicroPython({heapsize: 16 << 20, stdout: line => lines.push(line), linebuffer: true});
const work = JSON.parse(readFileSync(process.argv[2], "utf8"));
mp.runPython("import sys, json\\nsys.path.append('/')");
for (const [name, text] of Object.entries(work.files)) mp.FS.writeFile("/" + name, text);
mp.FS.writeFile("/frames", work.frames.join("\\n"));
mp.runPython(work.code);
for (const line of lines) console.log(line);
"""
DECODE = """\
import reading
for line in open("/frames"):
    r = reading.decode(bytes.fromhex(line.strip()))
    print(json.dumps([r["display"], r["value"], r["unit"], r["flags"], r["status"]]))
"""


def in_micropython(files: dict[str, str], frames: Sequence[bytes], code: str, folder: Path) -> list[str]:
    """Run code in the MicroPython interpreter with files beside it; return the lines that it prints."""
    node = need("node")
    if not WEBASSEMBLY.is_file():
        pytest.skip("the MicroPython interpreter is not installed: npm ci in tests/node")
    script, work = folder / "run.mjs", folder / "work.json"
    script.write_text(_SCRIPT % json.dumps(WEBASSEMBLY.as_uri()))
    work.write_text(json.dumps({"files": files, "frames": [frame.hex() for frame in frames], "code": code}))
    said = subprocess.run([node, str(script), str(work)], capture_output=True, text=True, check=True)
    return said.stdout.splitlines()


def micropython_rows(instrument: Instrument, frames: Sequence[bytes], folder: Path) -> list[Row]:
    """Return the rows of `reading.py` in the MicroPython interpreter."""
    text = micropython.files(instrument)["reading.py"]
    return [tuple(json.loads(line)) for line in in_micropython({"reading.py": text}, frames, DECODE, folder)]


def program(instrument: Instrument) -> ModuleType:
    """Return the emitted `reading.py` as a module of CPython."""
    module = ModuleType("reading")
    exec(micropython.files(instrument)["reading.py"], module.__dict__)
    return module


def cpython_rows(instrument: Instrument, frames: Sequence[bytes]) -> list[Row]:
    """Return the rows of `reading.py` in CPython."""
    decode = program(instrument).decode
    return [tuple(decode(frame).values()) for frame in frames]


def differences(want: Sequence[Row], got: Sequence[Row], frames: Sequence[bytes]) -> Iterator[str]:
    """Tell where rows differ, with the frame."""
    assert len(want) == len(got)
    return (f"{frame.hex()}: {b} and not {a}" for a, b, frame in zip(want, got, frames, strict=True) if a != b)
