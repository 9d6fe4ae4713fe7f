"""Harder streams than `blind`: frames of several types, fields as instruments send them, checks over parts; no solver.

An instrument is a list of frame types, each a list of fields that keep their own state; readings barely move, flags
seldom change, a display may stand still for many frames. CRCs come from the general library anycrc; every sum is
written out here.
"""

from __future__ import annotations

import itertools
import random
import struct
from collections.abc import Callable
from dataclasses import dataclass, field

import anycrc
import numpy as np

from tapwright.core.line import LineBytes

PUBLISHED = [  # width, poly, init, refin, refout, xorout: rows of tests/golden/crc.csv
    (8, 0x07, 0, False, False, 0), (8, 0x31, 0, True, True, 0), (8, 0x2F, 0xFF, False, False, 0xFF),
    (8, 0x1D, 0xFF, False, False, 0xFF), (8, 0x07, 0xFF, True, True, 0), (8, 0xA7, 0, True, True, 0),
    (16, 0x8005, 0xFFFF, True, True, 0), (16, 0x8005, 0, False, False, 0), (16, 0x1021, 0xFFFF, False, False, 0),
    (16, 0x1021, 0, True, True, 0), (16, 0x1021, 0xFFFF, True, True, 0xFFFF), (16, 0x8BB7, 0, False, False, 0),
    (16, 0xC867, 0xFFFF, False, False, 0), (16, 0x3D65, 0, True, True, 0xFFFF),
    (32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF), (32, 0xA833982B, 0xFFFFFFFF, True, True, 0xFFFFFFFF),
    (32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0xFFFFFFFF), (32, 0x814141AB, 0, False, False, 0),
]
WIDE = {"sum8": 1, "negated sum8": 1, "xor8": 1, "sum16": 2, "fletcher16": 2, "crc8": 1, "crc16": 2, "crc32": 4}
KINDS = tuple(WIDE)
SEGMENTS = (0xEB, 0x0A, 0xAD, 0x8F, 0x4E, 0xC7, 0xE7, 0x8A, 0xEF, 0xCF)
Field = Callable[[], bytes]
TOO_SHORT = 100  # frames thrown away before a field more is given
FORMS = ("one", "types", "types", "lengths", "field", "field", "lines", "closed", "gap")


def value_of(kind: str, span: bytes, crc: anycrc.CRC | None) -> int:
    """Return a check's value, from its definition."""
    if crc is not None:
        return int(crc.calc(span))
    if kind == "xor8":
        value = 0
        for byte in span:
            value ^= byte
        return value
    if kind == "fletcher16":
        low = high = 0
        for byte in span:
            low += byte
            high += low
        return (high % 255) * 256 + low % 255
    total = sum(span)
    return {"sum8": total % 256, "negated sum8": -total % 256, "sum16": total % 65536}[kind]


def make_field(rng: random.Random, *, text: bool, avoid: bytes, still: list[bool]) -> Field:
    """Return one field of a frame; `still[0]` says that the display stands still just now."""
    state = {"v": rng.randrange(10000), "n": rng.randrange(60000), "b": rng.randrange(256), "t": 0}
    if text:
        unit = rng.choice([b"mg/L", b"C", b"%", b"mV", b"L/min"])
        label = rng.choice([b"DO", b"T", b"P", b"flow", b""])
        places = rng.choice([0, 1, 2])
        wide = rng.choice([0, 7])

        def reading() -> bytes:
            if not still[0]:
                state["v"] = min(max(state["v"] + rng.randint(-40, 40), 0), 9999)
            number = f"{state['v'] / 10 ** places:{wide}.{places}f}".encode()
            return (label + b"=" if label else b"") + number + b" " + unit
        return reading
    how = rng.choice(["counter", "counter16", "toggle", "slow", "slow", "reading", "reading", "segments", "float", "bcd",
                      "flags", "noise", "noise", "constant", "text"])
    step, order = rng.choice([1, 1, 1, 2, 5, 255]), rng.choice("<>")
    spot = rng.randrange(256)
    size = rng.randint(1, 4)

    def draw() -> bytes:
        moving = not still[0]
        if how == "counter":
            state["b"] = (state["b"] + step) % 256
            return bytes([state["b"]])
        if how == "counter16":
            state["n"] = (state["n"] + 1) % 65536
            return struct.pack(order + "H", state["n"])
        if how == "toggle":
            state["t"] ^= 1
            return bytes([spot ^ (0x10 if state["t"] else 0)])
        if how == "slow":
            if moving and rng.random() < 0.2:
                state["v"] += rng.choice([-1, 1])
            return struct.pack(order + "H", state["v"] % 65536)
        if how == "flags":
            if rng.random() < 0.04:
                state["b"] ^= 1 << rng.randrange(8)
            return bytes([state["b"]])
        if how == "constant":
            return bytes([spot])
        if moving:
            state["v"] = rng.randrange(10000) if rng.random() < 0.05 else min(max(state["v"] + rng.randint(-50, 50), 0), 9999)
        if how == "reading":
            return struct.pack(order + "h", state["v"] - 300)
        if how == "segments":
            return bytes(SEGMENTS[int(digit)] for digit in f"{state['v']:04d}")
        if how == "float":
            return struct.pack(order + "f", state["v"] / 100)
        if how == "bcd":
            return bytes.fromhex(f"{state['v']:04d}")
        if how == "text":
            return f"{state['v']:5d}".encode()
        return bytes(rng.randrange(256) for _ in range(size))

    def clean() -> bytes:
        return bytes(byte if byte not in avoid else 0x3F for byte in draw())
    return clean


@dataclass
class Guard:
    """A check as sent: `skip` bytes of the head are outside its span, `loose` bytes stand between span and check."""

    kind: str
    crc: anycrc.CRC | None
    order: str
    skip: int
    loose: int
    hexed: bool
    settings: dict[str, object]

    @property
    def size(self) -> int:
        """Bytes it takes in a frame."""
        return WIDE[self.kind] * (2 if self.hexed else 1)

    def sent(self, front: bytes) -> bytes:
        """Return the check bytes behind `front`."""
        span = front[self.skip:len(front) - self.loose]
        raw = value_of(self.kind, span, self.crc).to_bytes(WIDE[self.kind], "little" if self.order == "little" else "big")
        return raw.hex().upper().encode() if self.hexed else raw


def make_guard(rng: random.Random, kind: str, head: int, *, hexed: bool) -> Guard:
    """Draw a check's settings."""
    crc, settings = None, {"kind": kind}
    if kind.startswith("crc"):
        width = int(kind[3:])
        if rng.random() < 0.5:
            row = rng.choice([row for row in PUBLISHED if row[0] == width])
        else:
            full = (1 << width) - 1
            row = (width, rng.getrandbits(width) | 1 | 1 << rng.randrange(1, width - 1), rng.choice([0, full, rng.getrandbits(width)]),
                   rng.random() < 0.5, rng.random() < 0.5, rng.choice([0, full, rng.getrandbits(width)]))
        crc = anycrc.CRC(*row)
        settings |= dict(zip(("width", "poly", "init", "refin", "refout", "xorout"), row, strict=True))
    order = rng.choice(["big", "little"]) if not hexed else "big"
    # Back to back and begun within a frame, a span from a start's second byte on cannot be told from an end byte.
    return Guard(kind, crc, order, rng.choice([0, 0, head]) if not hexed else 1,
                 0 if hexed else rng.choice([0, 0, 0, 0, 1, 2]), hexed, settings)


@dataclass
class Instrument:
    """What sends the frames: `make` gives the next one."""

    form: str
    make: Callable[[], bytes]
    guard: Guard | None
    start: bytes
    still: list[bool]
    frames: list[bytes] = field(default_factory=list)
    field_at: int = -1
    field_add: int = 0


def instrument(seed: int, *, form: str | None = None, kind: str | None = None, with_check: bool | None = None) -> Instrument:
    """Draw an instrument."""
    rng = random.Random(f"mixed {seed}")
    form = form or rng.choice(FORMS)
    kind = kind or rng.choice(KINDS)
    with_check = rng.random() < 0.8 if with_check is None else with_check
    text = form == "lines"
    start = rng.choice([b"$", b"@", b"#", b"", b":"]) if text else rng.choice(
        [b"\xaa", b"\x5a\xa5", b"\x02", b"\xab\xcd", b"\xfa", b"\x55\xaa\x01"])
    end = b"\r\n" if text else b"\x03" if form == "closed" else rng.choice([b"", b"", b"", b"\x03", b"\x0d\x0a", b"\xee"])
    if form == "gap":
        end = b""
    avoid = end if form == "closed" else b""
    hexed = text or form == "closed"
    if text and kind not in ("sum8", "xor8", "crc8", "crc16"):
        kind = "xor8"
    guard = make_guard(rng, kind, len(start), hexed=hexed) if with_check else None
    still = [False]
    if text and not start and guard:
        guard.skip = 0
    n_types = rng.choice([2, 2, 3, 4]) if form in ("types", "lengths") else rng.choice([1, 2]) if text else 1
    types: list[tuple[bytes, list[Field], int]] = []
    sizes = rng.sample(range(14), n_types)
    codes = rng.sample(range(1, 250), n_types)
    if form == "closed":
        codes = [code if code != 3 else 4 for code in codes]
    for i in range(n_types):
        fields = [make_field(rng, text=text, avoid=avoid, still=still) for _ in range(rng.randint(1, 3) if text else rng.randint(2, 7))]
        types.append((bytes([codes[i]]), fields, sizes[i]))
    lengths_differ: dict[int, int] = {}
    add_kind = rng.choice(["whole", "payload", "after", "payload and check"])
    shares = [rng.choice([1, 2, 5]) for _ in types]
    round_robin = rng.random() < 0.5
    turn = [0]
    n_check = guard.size if guard else 0

    def body_of(i: int) -> bytes:
        code, fields, extra = types[i]
        parts = [one() for one in fields]
        if text:
            name = rng_names[i]
            return name + b",".join(parts)
        inner = b"".join(parts)
        if form == "types":
            return code + inner + bytes([0x20 + extra] * extra)
        if form == "lengths":
            return inner + bytes([0x20 + extra] * extra)
        if form in ("field", "gap", "closed"):
            return inner[:rng.randint(max(2, len(inner) - 6), len(inner))] if rng.random() < 0.5 else inner + bytes(
                b for b in (rng.randrange(4, 256) for _ in range(rng.randint(0, 8))))
        return inner

    names = rng.sample([b"RDG,", b"SET,", b"ST,", b"AUX,"], n_types)
    rng_names = names if text and rng.random() < 0.6 else [b""] * n_types

    def make() -> bytes:
        if round_robin:
            i = turn[0] % n_types
            turn[0] += 1
        else:
            i = rng.choices(range(n_types), shares)[0]
        if rng.random() < 0.06:
            still[0] = not still[0]
        for tries in itertools.count():
            if tries % TOO_SHORT == TOO_SHORT - 1:  # no frame of these fields is long enough for a span
                types[i][1].append(make_field(rng, text=text, avoid=avoid, still=still))
            body = body_of(i)[:64 - len(start) - n_check - len(end) - 2] if not text else body_of(i)
            header = b""
            if form == "field":
                whole = len(start) + 1 + len(body) + n_check + len(end)
                add = {"whole": 0, "payload": whole - len(body), "after": len(start) + 1,
                       "payload and check": whole - len(body) - n_check}[add_kind]
                header = bytes([whole - add])
                made.field_at, made.field_add = len(start), add
            front = start + header + body
            if guard:
                if len(front) - guard.loose - guard.skip < 2:
                    continue
                front += (b"*" if text else b"") + b""
                sent = guard.sent(front[:-1] if text else front)
                front += sent
            frame = front + end
            if form == "closed" and b"\x03" in frame[:-1]:
                continue
            if len(frame) >= 5:
                return frame
        raise AssertionError("unreachable")

    made = Instrument(form, make, guard, start, still)
    if form in ("types", "lengths"):
        lengths_differ.update({i: len(types[i][1]) for i in range(n_types)})
    return made


def on_line(frames: list[bytes], seed: int, *, how: str, damage: float, mid: bool) -> tuple[LineBytes, set[int]]:
    """Send frames: `gaps` apart, `packed` back to back, or in `bursts` of a few with idle time between.

    Returns the bytes and the numbers of the frames that were damaged or cut on the way.
    """
    rng = random.Random(f"line {seed}")
    character_s = 10 / rng.choice([2400, 9600, 115200])
    t_s, times, values, spoilt = 0.0, [], [], set()
    period = max(0.1, 80 * character_s)
    slack = rng.choice([0.0, 0.0, 0.15])  # of a character, between bytes of a frame
    for i, frame in enumerate(frames):
        data = bytearray(frame)
        if rng.random() < damage:
            spoilt.add(i)
            place = rng.randrange(len(data))
            if rng.random() < 0.5:
                data[place] ^= rng.randrange(1, 256)
            else:
                del data[place]
        drop = rng.randrange(1, len(data)) if mid and i == 0 else 0
        if drop:
            spoilt.add(0)
        begun = t_s
        for k, byte in enumerate(data):
            if k >= drop:
                times.append(t_s)
                values.append(byte)
            t_s += character_s * (1 + (rng.uniform(0, slack) if slack else 0))
        if how == "gaps" or (how == "bursts" and rng.random() < 0.4):
            t_s = max(begun + period * rng.uniform(0.95, 1.05), t_s + 4 * character_s)
    rows = LineBytes(channel="tx", t_s=np.array(times), values=np.array(values, np.uint64),
                     errors=np.zeros(len(values), np.uint8), character_s=character_s)
    return rows, spoilt
