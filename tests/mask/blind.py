"""Seeded pretend recordings of both sides of a mask, with their truth; nothing here is shared with the solver.

Bytes are plain lists of integers and every mask is a plain function, so that a mistake of the solver's tables cannot
be repeated here.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

Mapping = Callable[[int, int], int]  # (place, wire byte) -> radio byte
Row = tuple[float, bytes]

SINGLE = ("none", "xor", "add", "bit order", "nibble swap", "rotate", "substitution", "affine")
# Lists of two whose steps do not merge into one.
DOUBLE = (("xor", "add"), ("add", "xor"), ("bit order", "xor"), ("xor", "nibble swap"), ("rotate", "xor"),
          ("bit order", "add"), ("add", "rotate"), ("add", "bit order"), ("nibble swap", "add"), ("bit order", "rotate"),
          ("substitution", "xor"), ("xor", "substitution"), ("add", "substitution"), ("substitution", "add"),
          ("affine", "xor"), ("xor", "affine"), ("affine", "add"), ("add", "affine"))


@dataclass
class Case:
    """A pair of recordings, frames never shown to the solver, and the truth."""

    wire: list[Row]
    radio: list[Row]
    mapping: Mapping
    kinds: tuple[str, ...]
    keys: list[list[int]] = field(default_factory=list)
    unseen: list[bytes] = field(default_factory=list)  # wire frames


def make_step(rng: random.Random, kind: str, n_bytes: int) -> tuple[Mapping, list[int]]:
    """Return one step as a function, and its key."""
    if kind in ("xor", "add"):
        period = rng.choice([1, 2, 3, 4, 5, 7, 8, n_bytes, n_bytes, n_bytes])
        key = [rng.randrange(256) for _ in range(min(period, n_bytes))]
        if not any(key):
            key[0] = 0x35
        if kind == "xor":
            return (lambda place, byte: byte ^ key[place % len(key)]), key
        return (lambda place, byte: (byte + key[place % len(key)]) % 256), key
    if kind == "none":
        return (lambda place, byte: byte), []
    if kind == "bit order":
        return (lambda place, byte: int(f"{byte:08b}"[::-1], 2)), []
    if kind == "nibble swap":
        return (lambda place, byte: (byte % 16) * 16 + byte // 16), []
    if kind == "rotate":
        turn = rng.choice([1, 2, 3, 5, 6, 7])
        return (lambda place, byte: int(f"{byte:08b}"[turn:] + f"{byte:08b}"[:turn], 2)), []
    if kind == "substitution":
        table = list(range(256))
        rng.shuffle(table)
        return (lambda place, byte: table[byte]), []
    while True:
        columns = [rng.randrange(1, 256) for _ in range(8)]
        constant = rng.randrange(256)
        images = []
        for byte in range(256):
            image = constant
            for bit in range(8):
                if byte & (1 << bit):
                    image ^= columns[bit]
            images.append(image)
        if len(set(images)) == 256:
            return (lambda place, byte, images=images: images[byte]), []


def make_mapping(rng: random.Random, kinds: tuple[str, ...], n_bytes: int) -> tuple[Mapping, list[list[int]]]:
    """Return several steps as one function, wire to radio."""
    steps = [make_step(rng, kind, n_bytes) for kind in kinds]

    def mapping(place: int, byte: int) -> int:
        for function, _ in steps:
            byte = function(place, byte)
        return byte
    return mapping, [key for _, key in steps if key]


def masked(mapping: Mapping, frame: bytes) -> bytes:
    """Return a wire frame as the radio sends it."""
    return bytes(mapping(place, byte) for place, byte in enumerate(frame))


SEGMENTS = [0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F]


def wire_readings(rng: random.Random, n_frames: int, style: str, lengths: list[int]) -> list[bytes]:
    """Return the frames of one run of readings, in order.

    `segments`, `text` and `bcd` are displays that wander, hold and jump; `noise` is random bytes held for a while;
    `fresh` is random bytes in every frame.
    """
    head = bytes(rng.randrange(256) for _ in range(rng.choice([0, 1, 2, 2])))
    filler = bytes(rng.randrange(256) for _ in range(64))
    counter = rng.random() < 0.3 and style not in ("noise", "fresh")
    hold = rng.choice([1, 1, 2, 3, 5])
    value, frames, body = rng.randrange(10000), [], b""
    flags = 0
    for i in range(n_frames):
        n = lengths[0] if rng.random() < 0.7 else rng.choice(lengths)
        if i % hold == 0 or not body:
            jump = rng.random()
            value = rng.randrange(10000) if jump < 0.08 else min(max(value + rng.randint(-60, 60), 0), 9999)
            if rng.random() < 0.06:
                flags = rng.randrange(256)
            digits = f"{value:04d}"
            if style == "segments":
                body = bytes([SEGMENTS[int(d)] | (0x80 if k == 1 else 0) for k, d in enumerate(digits)] + [flags])
            elif style == "text":
                body = f"{digits[:2]}.{digits[2:]}".encode() + bytes([0x20 + flags % 64])
            elif style == "bcd":
                body = bytes.fromhex(digits) + bytes([flags])
            else:
                body = bytes(rng.randrange(256) for _ in range(64))
        elif style == "fresh":
            body = bytes(rng.randrange(256) for _ in range(64))
        frame = head + (bytes([i % 256]) if counter else b"") + body
        frame = (frame + filler)[:n - 1]
        frames.append(frame + bytes([sum(frame) % 256]))
    return frames


def recorded(rng: random.Random, frames: list[bytes], times: list[float], *, lost: float, strays: float,
             lengths: list[int], first: int, last: int, jitter_s: float) -> list[Row]:
    """Return what one receiver kept: a stretch of the frames, some lost, strays between."""
    rows = []
    for i in range(first, last):
        if rng.random() >= lost:
            rows.append((times[i] + rng.uniform(-jitter_s, jitter_s), frames[i]))
        if rng.random() < strays:
            n = rng.choice([*lengths, rng.randrange(1, 20)])
            rows.append((times[i] + rng.uniform(0.0, 1.0) * (times[1] - times[0]), bytes(rng.randrange(256) for _ in range(n))))
    return sorted(rows)


def make_case(seed: int, kinds: tuple[str, ...], *, style: str | None = None, n_frames: int | None = None,
              clocks: bool = True) -> Case:
    """Return both recordings of one run; `clocks=False` numbers the radio frames as they come, whatever was lost."""
    rng = random.Random(seed * 7919 + sum(map(ord, "".join(kinds))))
    style = style or rng.choice(["segments", "text", "bcd", "noise", "fresh"])
    longest = rng.randrange(7, 33) if rng.random() < 0.7 else rng.randrange(7, 65)
    lengths = [longest] if rng.random() < 0.7 else [longest, rng.randrange(6, longest + 1)]
    n = n_frames or rng.randrange(110, 400)
    frames = wire_readings(rng, n + 60, style, lengths)
    mapping, keys = make_mapping(rng, kinds, longest)
    period = rng.uniform(0.05, 0.6)
    times = [i * period for i in range(n + 60)]
    lost = rng.choice([0.0, 0.02, 0.1])
    strays = rng.choice([0.0, 0.0, 0.03])
    cut_1, cut_2 = rng.randrange(0, n // 6), rng.randrange(0, n // 6)
    jitter = rng.choice([0.0, 0.1]) * period
    wire = recorded(rng, frames, times, lost=lost, strays=strays, lengths=lengths, first=cut_1, last=n, jitter_s=0.0)
    rate, start = 1 + rng.uniform(-1e-4, 1e-4), rng.uniform(-1000, 1000)
    radio = recorded(rng, [masked(mapping, frame) for frame in frames], times, lost=lost, strays=strays, lengths=lengths,
                     first=0, last=n - cut_2, jitter_s=jitter)
    radio = [(start + rate * t_s, frame) for t_s, frame in radio]
    if not clocks:
        radio = [(i * 0.1, frame) for i, (_, frame) in enumerate(radio)]
    return Case(wire, radio, mapping, kinds, keys, frames[n:])


REFUSALS = ("fresh bytes", "other instrument", "moving key", "moving key text", "counter key", "shuffled",
            "alternating key", "other stretch")


def make_refusal(seed: int, how: str) -> tuple[list[Row], list[Row]]:
    """Return two recordings that no fixed mask joins."""
    rng = random.Random(seed * 104729 + sum(map(ord, how)))
    style = rng.choice(["segments", "text", "bcd", "noise", "fresh"])
    if how == "moving key text":
        style = "text"
    n_bytes, n = rng.randrange(7, 33), rng.randrange(100, 350)
    frames = wire_readings(rng, n, style, [n_bytes])
    period = rng.uniform(0.05, 0.6)
    key = bytes(rng.randrange(256) for _ in range(97))
    if how == "fresh bytes":
        sent = [bytes(rng.randrange(256) for _ in range(n_bytes)) for _ in range(n)]
    elif how == "other instrument":
        sent = wire_readings(rng, n, rng.choice(["segments", "text", "bcd"]), [n_bytes])
        mapping, _ = make_mapping(rng, rng.choice([("none",), ("xor",), ("substitution",), ("add",)]), n_bytes)
        sent = [masked(mapping, frame) for frame in sent]
    elif how in ("moving key", "moving key text"):
        sent = [bytes(b ^ key[(i * n_bytes + k) % 97] for k, b in enumerate(frame)) for i, frame in enumerate(frames)]
    elif how == "counter key":
        sent = [bytes((b + key[k] + i) % 256 for k, b in enumerate(frame)) for i, frame in enumerate(frames)]
    elif how == "shuffled":
        mapping, _ = make_mapping(rng, ("xor",), n_bytes)
        sent = [masked(mapping, frame) for frame in frames]
        while style in ("segments", "text", "bcd") and len(set(sent)) < 20:
            sent.append(bytes(rng.randrange(256) for _ in range(n_bytes)))
        rng.shuffle(sent)
    elif how == "alternating key":
        sent = [bytes(b ^ key[k + (i % 2) * 48] for k, b in enumerate(frame)) for i, frame in enumerate(frames)]
    else:
        later = wire_readings(rng, n, style, [n_bytes])
        mapping, _ = make_mapping(rng, ("xor",), n_bytes)
        sent = [masked(mapping, frame) for frame in later]
    times = [i * period for i in range(max(len(sent), n))]
    wire = recorded(rng, frames, times, lost=0.02, strays=0.0, lengths=[n_bytes], first=0, last=n, jitter_s=0.0)
    radio = recorded(rng, sent, times, lost=0.02, strays=0.0, lengths=[n_bytes], first=0, last=len(sent), jitter_s=0.0)
    return wire, [(t_s + 500.0, frame) for t_s, frame in radio]
