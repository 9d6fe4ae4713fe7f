"""Frames of the meter in meter.toml, made without the package: shapes from the published seven-segment table."""

from __future__ import annotations

SHAPES = {"0": 0x3F, "1": 0x06, "2": 0x5B, "3": 0x4F, "4": 0x66, "5": 0x6D, "6": 0x7D, "7": 0x07, "8": 0x7F, "9": 0x6F,
          " ": 0, "L": 0x38, "-": 0x40}
UNITS = {"S/cm": 1, "mg/L": 2, "%": 4, "°C": 8, "pH": 16}
FLAGS = {"AUTO": 1, "HOLD": 2, "MIN": 4, "MAX": 8}


def modbus_crc(data: bytes) -> bytes:
    """Return the CRC of Modbus over Serial Line (V1.02, 6.2.2), low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


def frame(display: str, unit: str, *flags: str, prefix: int = 0, watched: int = 0, dash_in_place: bool = False) -> bytes:
    """Return the frame that the meter sends while it shows this: four places, the point apart.

    The sign is a lamp of its own, or with `dash_in_place` dashes are the middle segments of places.
    """
    body = bytearray(11)
    body[:2] = b"\x5A\xA5"
    body[2] = display.startswith("-") and not dash_in_place
    bare = display if dash_in_place else display.removeprefix("-")
    digits = bare.replace(".", "").rjust(4)
    for i, digit in enumerate(digits):
        body[3 + i] = SHAPES[digit]
    if "." in bare:
        body[6 - len(bare.split(".")[1])] |= 0x80
    body[7], body[8] = prefix, UNITS[unit]
    body[9] = sum(FLAGS[flag] for flag in flags)
    body[10] = watched << 5
    return bytes(body) + modbus_crc(bytes(body))


def sound(frames: list[bytes]) -> list[bytes]:
    """Return the whole frames with the meter's start and the right check."""
    return [body + modbus_crc(body) for body in (b"\x5A\xA5" + sent[2:11] for sent in frames if len(sent) == 13)]
