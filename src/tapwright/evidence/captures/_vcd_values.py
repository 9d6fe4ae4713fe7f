"""The value changes of a dump: word by word for small files, as compiled code for large ones."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.errors import CaptureError
from tapwright.evidence.captures._source import ReadOptions, Source
from tapwright.evidence.captures._vcd_header import Header, line_of, show

PIECE_BYTES = 1 << 22
LAST_TICK = 2**62
_ENDED = frozenset({b"$comment", b"$date", b"$version"})
_WANTED = "a time (#12), a value with a declared code (1! or b01 !)"


@dataclass(frozen=True)
class Changes:
    """Value changes in file order: bit index, tick and new value (0, 1, 2 for x or z); first and last tick."""

    bit: NDArray[np.int32]
    tick: NDArray[np.int64]
    value: NDArray[np.int8]
    first_tick: int
    last_tick: int


@dataclass(frozen=True)
class Ordered:
    """Value changes bit by bit: those of bit i are `[cuts[i]:cuts[i + 1]]`, in time order."""

    cuts: NDArray[np.int64]
    tick: NDArray[np.int64]
    value: NDArray[np.int8]
    first_tick: int
    last_tick: int


def in_order(header: Header, changes: Changes) -> Ordered:
    order = np.argsort(changes.bit, kind="stable")
    cuts = np.searchsorted(changes.bit[order], np.arange(header.n_bits + 1))
    return Ordered(cuts, changes.tick[order], changes.value[order], changes.first_tick, changes.last_tick)


def compiled(
    source: Source, data: bytes, header: Header, pieces: Iterator[bytes], options: ReadOptions,
) -> Ordered:
    """Read the value changes piece by piece as compiled code."""
    from tapwright.evidence.captures import _vcd_kernels as kernels

    tables = _tables(source, header, kernels.MOST_CODE)
    state = np.array([0, -1, 0, 0, 0], np.int64)
    room = PIECE_BYTES // 3 + 70_000
    out = np.empty(room, np.int32), np.empty(room, np.int64), np.empty(room, np.int8)
    parts: list[tuple[NDArray[np.int32], NDArray[np.int64], NDArray[np.int8]]] = []
    rest, passed, final = data[header.end:], header.end, False
    while not final:
        piece = next(pieces, b"")
        final = not piece
        rest += piece
        while True:
            status, used = kernels.scan(np.frombuffer(rest, np.uint8), final, *tables, state, *out)
            count = int(state[kernels.COUNT])
            parts.append((out[0][:count].copy(), out[1][:count].copy(), out[2][:count].copy()))
            if status in (kernels.BAD, kernels.BACKWARDS):
                raise _bad_at(source, rest, passed, int(state[kernels.WHERE]), int(state[kernels.NOW]),
                              backwards=status == kernels.BACKWARDS)
            rest, passed = rest[used:], passed + used
            if status == kernels.DONE:
                break
        if options.progress:
            options.progress(min(passed / source.size, 1))
    if rest.strip():
        raise _bad_at(source, rest, passed, 0, 0, backwards=False)
    counts = np.zeros(header.n_bits, np.int64)
    for part in parts:
        counts += np.bincount(part[0], minlength=header.n_bits)
    cuts = np.concatenate([np.zeros(1, np.int64), np.cumsum(counts)])
    tick, value, at = np.empty(cuts[-1], np.int64), np.empty(cuts[-1], np.int8), cuts[:-1].copy()
    while parts:
        part = parts.pop(0)
        kernels.gather(*part, at, tick, value)
    return Ordered(cuts, tick, value, max(int(state[kernels.FIRST_TICK]), 0), int(state[kernels.NOW]))


_Tables = tuple[NDArray[np.int8], NDArray[np.int32], NDArray[np.int64], NDArray[np.int32], NDArray[np.int32],
                NDArray[np.int8]]


def _tables(source: Source, header: Header, longest: int) -> _Tables:
    """Return the kernel's tables: values of letters, places of codes (direct or by search), bits and widths."""
    codes = [*header.first_bit, *(code for code in header.ignored if code not in header.first_bit)]
    too_long = next((code for code in codes if len(code) > longest), None)
    if too_long is not None:
        raise CaptureError(f"an identifier code of {len(too_long)} characters", path=source.path,
                           line=None, expected=f"at most {longest}", do="export the capture again")
    found = sorted((_key(code), header.first_bit.get(code, -1), header.width.get(code, 1)) for code in codes)
    keys = np.array([key for key, _, _ in found], np.int64)
    direct = np.empty(0, np.int32)
    if len(keys) and keys[-1] < 1 << 22:
        direct = np.full(int(keys[-1]) + 1, -1, np.int32)
        direct[keys] = np.arange(len(keys), dtype=np.int32)
    value_of = np.full(256, -1, np.int8)
    for letter, value in _VALUE.items():
        value_of[letter] = value
    return (value_of, direct, keys, np.array([bit for _, bit, _ in found], np.int32),
            np.array([width for _, _, width in found], np.int32), np.full(max(header.n_bits, 1), -1, np.int8))


def _key(code: bytes) -> int:
    key = 0
    for letter in code:
        key = key * 95 + letter - 32
    return key


def _bad_at(source: Source, rest: bytes, passed: int, where: int, now: int, *, backwards: bool) -> CaptureError:
    word = rest[where:where + 60].split()[0] if rest[where:where + 60].split() else b""
    line = 1
    left = passed + where
    for piece in source.pieces(1 << 22):
        line += piece.count(b"\n", 0, left)
        left -= len(piece)
        if left <= 0:
            break
    if backwards:
        return CaptureError(f"time goes back from #{now} to {show(word)}", path=source.path, line=line,
                            expected="times that never fall", do="record or export the capture again")
    return CaptureError(f"'{show(word)}' among the values", path=source.path, line=line, expected=_WANTED,
                        do="record or export the capture again if it was cut short")


_VALUE = {48: 0, 49: 1, 120: 2, 88: 2, 122: 2, 90: 2, 117: 2, 85: 2, 119: 2, 87: 2, 45: 2, 104: 1, 72: 1, 108: 0, 76: 0}


def by_words(source: Source, data: bytes, header: Header) -> Changes:
    """Read the value changes word by word: for files too small to win back the start of compiled code."""
    bits: list[int] = []
    ticks: list[int] = []
    values: list[int] = []
    known = [-1] * header.n_bits
    now, first_tick = 0, -1
    words = iter(data[header.end:].split())
    first_bit, widths, ignored, value_of = header.first_bit, header.width, header.ignored, _VALUE
    for word in words:
        lead = word[0]
        if lead in value_of and lead != 45:
            bit = first_bit.get(word[1:])
            if bit is None:
                if word[1:] in ignored:
                    continue
                raise _bad_word(source, data, header, word)
            value = value_of[lead]
            if known[bit] != value:
                known[bit] = value
                bits.append(bit)
                ticks.append(now)
                values.append(value)
        elif lead == 35:
            if not word[1:].isdigit() or len(word) > 20 or int(word[1:]) > LAST_TICK:
                raise _bad_word(source, data, header, word)
            tick = int(word[1:])
            if tick < now:
                raise CaptureError(f"time goes back from #{now} to #{tick}", path=source.path,
                                   line=line_of(data, word, header.end), expected="times that never fall",
                                   do="record or export the capture again")
            now = tick
            if first_tick < 0:
                first_tick = tick
        elif lead in b"bB":
            code = next(words, b"")
            if code in ignored:
                continue
            if code not in first_bit or len(word) < 2:
                raise _bad_word(source, data, header, word + b" " + code)
            width, bit = widths[code], first_bit[code]
            for i, letter in enumerate(_extended(word[1:], width)):
                value = value_of.get(letter, -1)
                if value < 0:
                    raise _bad_word(source, data, header, word)
                if known[bit + i] != value:
                    known[bit + i] = value
                    bits.append(bit + i)
                    ticks.append(now)
                    values.append(value)
        elif lead in b"rRsS":
            if next(words, None) is None:
                raise _bad_word(source, data, header, word)
        elif lead == 36:
            if word in _ENDED:
                for skipped in words:
                    if skipped == b"$end":
                        break
        else:
            raise _bad_word(source, data, header, word)
    return Changes(np.array(bits, np.int32), np.array(ticks, np.int64), np.array(values, np.int8),
                   max(first_tick, 0), now)


def _extended(text: bytes, width: int) -> bytes:
    """Return a vector's value left-extended to its width (IEEE 1364-2005 table 18-1: 0 and 1 by 0, x by x, z by z)."""
    if len(text) >= width:
        return text[len(text) - width:]
    return (text[:1] if text[:1] in (b"x", b"X", b"z", b"Z") else b"0") * (width - len(text)) + text


def _bad_word(source: Source, data: bytes, header: Header, word: bytes) -> CaptureError:
    return CaptureError(f"'{show(word)}' among the values", path=source.path,
                        line=line_of(data, word, header.end),
                        expected=_WANTED,
                        do="record or export the capture again if it was cut short")
