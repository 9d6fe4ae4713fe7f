"""What start, labels and a check that radio frames hold settle of a xored key together, by rank over GF(2).

Under a xored key a CRC (or an exclusive or) still holds on the air, with another constant: polynomial, span and order
are the wire's. The bits of the key then obey as many equations as the check has bits, with the wire's own constant on
the other side. That constant is not on the air; each one in use gives one answer, which is said as an `if`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check
from tapwright.frames.apply import off_by
from tapwright.mask.report import spans

LEAST_XOR_ROWS = 8  # distinct frames in which an exclusive or must come to the same
MOST_HEAD = 5  # bytes at the head that it may leave out
NEXT_DO = ("record the wire and the radio at the same time, for a minute or more, while the display goes through 20 "
           "or more readings: tapwright unmask WIRE RADIO")
NEXT_SETTLES = "the kind of the mask and, where it is a key, all of its bits"


@dataclass(frozen=True, kw_only=True)
class CheckOnAir:
    """A check that the radio frames hold as they are.

    Parameters
    ----------
    check : its places in frames of `n_bytes`, not negative; its constants are those on the air
    wire : (init, xorout) that the wire's check may have: the settings of this polynomial that are in wide use
    """

    check: Check
    n_bytes: int
    wire: tuple[tuple[int, int], ...] = ()

    @property
    def width(self) -> int:
        """Bits of the check."""
        return 8 if self.check.kind == "xor8" else int(self.check.kind[3:])

    @property
    def name(self) -> str:
        """The check in words."""
        poly = f" (polynomial 0x{self.check.poly:0{self.width // 4}X})" if self.check.poly else ""
        return f"{self.check.kind}{poly} at byte {self.check.at} over bytes {self.check.first} to {self.check.last}"


@dataclass(frozen=True, kw_only=True)
class Account:
    """What is settled of the key, by what; JSON rows of `settled_by`, the bits left open, and words."""

    settled_by: tuple[dict[str, object], ...]
    open_bits: int
    evidence: tuple[str, ...]

    @property
    def next(self) -> tuple[dict[str, object], ...]:
        """The one measurement that settles what is open."""
        return ({"do": NEXT_DO, "settles": NEXT_SETTLES},) if self.open_bits else ()


def xor_on_air(rows: NDArray[np.uint8]) -> Check | None:
    """Return an exclusive or that comes to the same in all frames, uint8 of shape (n, n_bytes), None without one."""
    rows = np.unique(rows, axis=0)
    moving = (rows != rows[0]).any(axis=0)
    if len(rows) < LEAST_XOR_ROWS or moving.sum() < 3:
        return None
    at = int(np.flatnonzero(moving)[-1])  # what closes a frame behind its check stands still
    for first in range(min(MOST_HEAD, at)):
        come = np.bitwise_xor.reduce(rows[:, first:at + 1], axis=1)
        if (come == come[0]).all() and len(np.unique(rows[:, at])) >= LEAST_XOR_ROWS // 2:
            return Check(kind="xor8", first=first, last=at - 1, at=at)
    return None


def account(rows: NDArray[np.uint8], known: dict[str, dict[tuple[int, int], bool]],
            on_air: CheckOnAir | None) -> Account:
    """Count what is settled of a xored key.

    Parameters
    ----------
    rows : uint8, shape (n, n_bytes), radio frames of one length
    known : "start" and "labels", each (byte, bit) -> key bit; bit 0 is the least
    on_air : a check that these frames hold as they are
    """
    n_bytes = rows.shape[1]
    key: dict[tuple[int, int], bool] = {}
    settled: list[dict[str, object]] = []
    says = []
    for by, bits in known.items():
        if bits:
            at = sorted({byte for byte, _ in bits})
            settled.append({"by": by, "bits": len(bits), "at": at})
            says.append(f"{len(bits)} bits by the {by} (byte{'s' * (len(at) != 1)} {spans(at)})")
            key |= bits
    open_bits = 8 * n_bytes - len(key)
    evidence = [f"Of a xored key of {n_bytes} bytes ({8 * n_bytes} bits) are settled: {', '.join(says) or 'none'}; "
                f"{open_bits} bits are open."]
    if on_air is not None:
        share = _shares(on_air)
        under = [place for place, value in share.items() if value and place not in key]
        rank = _rank([share[place] for place in under])
        answers = _answers(rows, key, on_air, share, under)
        settled.append({"by": "check", "kind": on_air.check.kind, "poly": _hex(on_air, on_air.check.poly),
                        "bits": rank, "first": on_air.check.first, "last": on_air.check.last, "at": on_air.check.at,
                        "if": [{"init": _hex(on_air, init), "xorout": _hex(on_air, xorout), "at": list(values),
                                "key": _key_text(values)} for init, xorout, values in answers]})
        evidence.append(f"A {on_air.name} holds on the air. A xored key only changes its constants, so it gives "
                        f"{on_air.width} equations (rank {rank} over the {len(under)} key bits under it that nothing "
                        "else settles) once the wire's start and final value are known, and no bit before.")
        for init, xorout, values in answers:
            ends = ("is a plain exclusive or" if on_air.check.kind == "xor8" else
                    f"starts at {_hex(on_air, init)} and ends with {_hex(on_air, xorout)}")
            evidence.append(f"If the wire's check {ends}, byte{'s' * (len(values) != 1)} {spans(list(values))} of the "
                            f"key {'are' if len(values) != 1 else 'is'} {_key_text(values)}.")
    return Account(settled_by=tuple(settled), open_bits=open_bits, evidence=tuple(evidence))


def _hex(on_air: CheckOnAir, value: int) -> str:
    return f"0x{value:0{on_air.width // 4}X}"


def _key_text(values: dict[int, int]) -> str:
    return " ".join(f"{value:02X}" for value in values.values())


def _shares(on_air: CheckOnAir) -> dict[tuple[int, int], int]:
    """Return what each key bit adds (exclusive or) to the difference of check sent and check expected."""
    n = on_air.n_bytes
    places = [(byte, bit) for byte in range(n) for bit in range(8)]
    units = np.zeros((len(places) + 1, n), np.uint8)
    for i, (byte, bit) in enumerate(places):
        units[i, byte] = 1 << bit
    off, _ = off_by(units, on_air.check)
    return {place: int(value ^ off[-1]) for place, value in zip(places, off[:-1].tolist(), strict=True)}


def _answers(rows: NDArray[np.uint8], key: dict[tuple[int, int], bool], on_air: CheckOnAir,
             unit: dict[tuple[int, int], int],
             open_: list[tuple[int, int]]) -> list[tuple[int, int, dict[int, int]]]:
    """Return init, xorout and the key bytes that they settle, where they settle all that is open under the check."""
    if not open_ or _rank([unit[place] for place in open_]) < len(open_):
        return []
    out: list[tuple[int, int, dict[int, int]]] = []
    for init, xorout in on_air.wire:
        wire = replace(on_air.check, init=init, xorout=xorout)
        # The frame with the known part of the key taken off differs from a right one by the open bits alone.
        plain = rows[:1].copy()
        for (byte, bit), value in key.items():
            plain[0, byte] ^= value << bit
        solved = _solved([unit[place] for place in open_], int(off_by(plain, wire)[0][0]))
        if solved is None:
            continue
        whole: dict[int, int] = {}
        for (byte, bit), value in {**key, **dict(zip(open_, solved, strict=True))}.items():
            whole[byte] = whole.get(byte, 0) | value << bit
        out.append((init, xorout, {byte: whole[byte] for byte in sorted({byte for byte, _ in open_})}))
    return out


def _rank(rows: list[int]) -> int:
    basis: dict[int, int] = {}
    for row in rows:
        while row and row.bit_length() in basis:
            row ^= basis[row.bit_length()]
        if row:
            basis[row.bit_length()] = row
    return len(basis)


def _solved(columns: list[int], target: int) -> list[bool] | None:
    """Return which of independent columns add up to a target, None where they do not."""
    basis: dict[int, tuple[int, int]] = {}
    for i, column in enumerate(columns):
        used = 1 << i
        while column:
            if column.bit_length() not in basis:
                basis[column.bit_length()] = column, used
                break
            other, by = basis[column.bit_length()]
            column, used = column ^ other, used ^ by
    taken = 0
    while target:
        if target.bit_length() not in basis:
            return None
        other, by = basis[target.bit_length()]
        target, taken = target ^ other, taken ^ by
    return [bool(taken >> i & 1) for i in range(len(columns))]

