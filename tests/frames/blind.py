"""Instruments' byte streams of known anatomy, drawn from a seed; shares no code with the solver.

CRCs come from the general library anycrc; sums are written out here in their plainest form.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import anycrc
import numpy as np

from tapwright.core.line import LineBytes

CATALOGUE = [  # width, poly, init, refin, refout, xorout: a part of tests/golden/crc.csv
    (8, 0x07, 0, False, False, 0), (8, 0x31, 0, True, True, 0), (8, 0x1D, 0xFF, False, False, 0xFF),
    (8, 0x9B, 0, True, True, 0), (8, 0xD5, 0, False, False, 0), (16, 0x8005, 0xFFFF, True, True, 0),
    (16, 0x8005, 0, True, True, 0), (16, 0x1021, 0xFFFF, False, False, 0), (16, 0x1021, 0, False, False, 0),
    (16, 0x1021, 0xFFFF, True, True, 0xFFFF), (16, 0x3D65, 0, True, True, 0xFFFF), (16, 0x1021, 0x1D0F, False, False, 0),
    (32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF), (32, 0x1EDC6F41, 0xFFFFFFFF, True, True, 0xFFFFFFFF),
    (32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0),
]
SUMS = ("sum8", "sum16", "negated sum8", "xor8", "fletcher16")
N_CHECK = {"sum8": 1, "negated sum8": 1, "xor8": 1, "lrc": 1, "sum16": 2, "fletcher16": 2, "crc8": 1, "crc16": 2,
           "crc32": 4}


@dataclass
class Truth:
    """What was made: the frames as sent, and their check's settings (None without one)."""

    seed: int
    length: str
    frames: list[bytes]
    check: dict[str, object] | None
    make: object = None  # makes one more frame
    start: bytes = b""
    end: bytes = b""
    n_bytes: int = 0
    field_at: int = 0
    field_add: int = 0
    counter_at: int | None = None
    damaged: set[int] = field(default_factory=set)  # frames with a byte changed or lost


def plain_check(kind: str, span: bytes, crc: anycrc.CRC | None) -> int:
    """Return a check's value by its definition."""
    if kind.startswith("crc"):
        assert crc is not None
        return int(crc.calc(span))
    if kind == "sum8":
        return sum(span) % 256
    if kind == "sum16":
        return sum(span) % 65536
    if kind == "negated sum8":
        return (256 - sum(span) % 256) % 256
    if kind == "xor8":
        out = 0
        for byte in span:
            out ^= byte
        return out
    first = second = 0
    for byte in span:
        first = (first + byte) % 255
        second = (second + first) % 255
    return second * 256 + first


def check_maker(rng: random.Random, kind: str) -> tuple[dict[str, object], anycrc.CRC | None]:
    """Draw a check's parameters."""
    if not kind.startswith("crc"):
        return {"kind": kind}, None
    width = int(kind[3:])
    if rng.random() < 0.5:
        width, poly, init, refin, refout, xorout = rng.choice([c for c in CATALOGUE if c[0] == width])
    else:
        poly = rng.getrandbits(width) | 1
        init, xorout = (rng.choice([0, (1 << width) - 1, rng.getrandbits(width)]) for _ in range(2))
        refin, refout = rng.random() < 0.5, rng.random() < 0.5
    settings: dict[str, object] = {"kind": kind, "poly": poly, "init": init, "refin": refin, "refout": refout,
                                   "xorout": xorout}
    return settings, anycrc.CRC(width, poly, init, refin, refout, xorout)


def draw(seed: int, *, kind: str | None = None, length: str | None = None, with_check: bool | None = None,
         n_frames: int | None = None, usual: bool = False) -> Truth:
    """Draw a stream's truth."""
    rng = random.Random(seed)
    length = length or rng.choice(["fixed", "fixed", "field", "delimited", "gap"])
    with_check = rng.random() < 0.85 if with_check is None else with_check
    kind = kind or rng.choice([*SUMS, "crc8", "crc16", "crc32", "crc8", "crc16", "crc32"])
    settings, crc = check_maker(rng, kind)
    n_check = N_CHECK[kind] if with_check else 0
    start = rng.choice([b"\xaa", b"\x55", b"\x5a\xa5", b"\x02", b"\xaa\x55\x01", b"\x7e"])
    end = rng.choice([b"", b"", b"\x0d\x0a", b"\x03", b"\xee"]) if length != "delimited" else b"\x0d\x0a"
    n_frames = n_frames or rng.choice([60, 80, 150, 300])
    order = rng.choice(["big", "little"])
    least = len(start) + len(end) + n_check + 2
    total = rng.randint(max(5, least), 64)
    header = 1 if length == "field" else 0
    first = 0 if usual else rng.choice([0, 0, 0, len(start), len(start) + header, 1])
    gap_before = 0 if usual else rng.choice([0, 0, 0, 0, 1, 2])
    counter = rng.random() < 0.4
    payload_kind = rng.choice(["random", "random", "slow", "digits"])
    add = rng.choice([0, len(start) + 1, len(start) + 1 + n_check + len(end)])
    state = [rng.randrange(256) for _ in range(64)]
    allowed = [b for b in range(256) if b not in (0x0D, 0x0A)] if length == "delimited" else list(range(256))
    tick = [rng.randrange(256)]

    def payload(n: int) -> bytes:
        out = []
        for i in range(n):
            if i == 0 and counter:
                tick[0] = (tick[0] + 1) % 256
                out.append(tick[0])
            elif payload_kind == "digits":
                out.append(rng.choice(b"0123456789. -"))
            elif payload_kind == "slow":
                if rng.random() < 0.3:
                    state[i] = rng.randrange(256)
                out.append(state[i])
            else:
                out.append(rng.randrange(256))
        if length == "delimited":
            out = [b if b in allowed else 0x20 for b in out]
        return bytes(out)

    def make() -> bytes:
        n = total
        if length != "fixed":
            n = rng.randint(max(5, least + header + gap_before), max(total, least + header + gap_before + 6))
        n_payload = max(n - len(start) - header - n_check - len(end), 1 + gap_before)
        while True:
            body = payload(n_payload)
            whole = len(start) + header + n_payload + n_check + len(end)
            head = start + (bytes([(whole - add) % 256]) if header else b"")
            front = head + body
            value = b""
            if with_check:
                span = front[first:len(front) - gap_before]
                value = plain_check(kind, span, crc).to_bytes(n_check, order)
            frame = front + value + end
            # A delimiter inside a frame would be another frame.
            if length != "delimited" or (frame.find(end) == len(frame) - len(end)):
                return frame

    frames = [make() for _ in range(n_frames)]
    if with_check:
        back = len(end) + n_check
        settings |= {"order": order, "first": first}
        if length == "fixed":
            size = len(frames[0])
            settings |= {"at": size - back, "last": size - back - 1 - gap_before}
        else:
            settings |= {"at": -back, "last": -back - 1 - gap_before}
    return Truth(seed=seed, length=length, frames=frames, check=settings if with_check else None, make=make,
                 start=start, end=end, n_bytes=len(frames[0]), field_at=len(start), field_add=add,
                 counter_at=len(start) + header if counter else None)


def stream(truth: Truth, seed: int, *, gaps: bool, damage: float = 0.0, mid: bool = False,
           baud: float = 9600.0) -> LineBytes:
    """Put the frames on a line: back to back or with idle gaps, with damaged and lost bytes, begun in a frame."""
    rng = random.Random(seed)
    character_s = 10 / baud
    t_s, times, values = 0.0, [], []
    period_s = 0.3
    for i, frame in enumerate(truth.frames):
        data = bytearray(frame)
        if damage and rng.random() < damage:
            truth.damaged.add(i)
            place = rng.randrange(len(data))
            if rng.random() < 0.5:
                data[place] ^= 1 << rng.randrange(8)
            else:
                del data[place]
        skip = rng.randrange(1, len(data)) if mid and i == 0 else 0
        if skip:
            truth.damaged.add(0)
        begin = t_s
        for j, byte in enumerate(data):
            if j >= skip:
                times.append(t_s)
                values.append(byte)
            t_s += character_s
        if gaps:
            t_s = begin + period_s * rng.uniform(0.97, 1.03)
    return LineBytes(channel="tx", t_s=np.array(times), values=np.array(values, np.uint64),
                     errors=np.zeros(len(values), np.uint8), character_s=character_s)
