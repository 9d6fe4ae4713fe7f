"""The pretend instrument itself: how a face becomes a frame, drawn from a seed.

The seed decides the line's rate and form, the frame's length, which bit lights what, the check, and the radio's key.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from tapwright.synth.display import ELEMENTS, Face


@dataclass(frozen=True, kw_only=True)
class Pretend:
    """A pretend instrument.

    Parameters
    ----------
    baud, parity, stop_bits : the line ("N", "E", "O")
    clock_error : the sender's rate is off by this share
    period_s : time between frames
    head : constant bytes in front
    body_bytes : bytes that carry the display
    bits : element name -> (body byte, bit); no two alike
    fixed : body bytes before any element is lit
    counter_at : body byte that counts frames, None where there is none
    check : name of the check at the end
    key : radio byte = wire byte xor key byte, one a frame byte
    """

    seed: int
    baud: int
    parity: str
    stop_bits: int
    clock_error: float
    period_s: float
    head: bytes
    body_bytes: int
    bits: dict[str, tuple[int, int]]
    fixed: bytes
    counter_at: int | None
    check: str
    key: bytes

    @property
    def frame_bytes(self) -> int:
        """Length of a whole frame."""
        return len(self.head) + self.body_bytes + len(CHECKS[self.check](b""))

    def frame(self, face: Face, number: int) -> bytes:
        """Return the wire frame that shows a face; `number` counts frames."""
        body = bytearray(self.fixed)
        for name in face.lit():
            at, bit = self.bits[name]
            body[at] ^= 1 << bit
        if self.counter_at is not None:
            body[self.counter_at] = number & 0xFF
        whole = self.head + bytes(body)
        return whole + CHECKS[self.check](whole)

    def radio(self, frame: bytes) -> bytes:
        """Return the frame as the radio module sends it."""
        return bytes(a ^ b for a, b in zip(frame, self.key, strict=True))


def pretend(seed: int) -> Pretend:
    """Draw a pretend instrument."""
    rng = random.Random(f"pretend water meter {seed}")
    carriers = rng.randint(7, 10)
    counter = rng.random() < 0.5
    body_bytes = carriers + counter
    counter_at = rng.randrange(body_bytes) if counter else None
    places = [(at, bit) for at in range(body_bytes) if at != counter_at for bit in range(8)]
    rng.shuffle(places)
    bits = dict(zip(ELEMENTS, places, strict=False))
    used = set(bits.values())
    fixed = bytearray(body_bytes)
    for at, bit in places:
        # Bits that light nothing rest at either level, as a real frame's do.
        if (at, bit) not in used and rng.random() < 0.3:
            fixed[at] |= 1 << bit
    check = rng.choice(sorted(CHECKS))
    head = bytes([rng.choice((0x5A, 0xAA, 0xD5, 0xC3, 0x7E)), rng.choice((0xA5, 0x33, 0x96, 0x1D))])
    length = len(head) + body_bytes + len(CHECKS[check](b""))
    return Pretend(
        seed=seed, baud=rng.choice((2400, 4800, 9600, 19200)), parity=rng.choice("NNE"),
        stop_bits=rng.choice((1, 1, 2)),
        clock_error=rng.uniform(-0.008, 0.008), period_s=rng.uniform(0.25, 0.4), head=head, body_bytes=body_bytes,
        bits=bits, fixed=bytes(fixed), counter_at=counter_at, check=check,
        key=bytes(rng.randrange(256) for _ in range(length)),
    )


def _sum8(data: bytes) -> bytes:
    return bytes([sum(data) & 0xFF])


def _xor8(data: bytes) -> bytes:
    total = 0
    for byte in data:
        total ^= byte
    return bytes([total])


def _crc8(data: bytes) -> bytes:
    register = 0
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register << 1 ^ 0x07) & 0xFF if register & 0x80 else register << 1
    return bytes([register])


def _crc16(data: bytes) -> bytes:
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ 0xA001 if register & 1 else register >> 1
    return bytes([register & 0xFF, register >> 8])


CHECKS: dict[str, Callable[[bytes], bytes]] = {"sum8": _sum8, "xor8": _xor8, "crc8": _crc8, "crc16": _crc16}
