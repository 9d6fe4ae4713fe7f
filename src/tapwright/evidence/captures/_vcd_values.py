"""The value changes of a dump: word by word for small files, as machine code and in pieces for large ones.

Both ways accept and refuse the same, with the same words.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass
from typing import IO

import numpy as np
from numpy.typing import NDArray

from tapwright.core.errors import CaptureError
from tapwright.evidence.captures._growing import Growing
from tapwright.evidence.captures._levels import levels_of
from tapwright.evidence.captures._source import ReadOptions, Source
from tapwright.evidence.captures._vcd_header import Header, show

PIECE_BYTES = 1 << 20  # text and changes of a piece stay near the processor
MOST_WORD = 1 << 26
LAST_TICK = 2**60 - 1
_ENDED = frozenset({b"$comment", b"$date", b"$version"})
_WANTED = "a time (#12), a value with a declared code (1! or b01 !)"
_WORD = re.compile(rb"[^ \t\r\n\v\f]+")
_Line = tuple[int, NDArray[np.int64], NDArray[np.int64]]


@dataclass(frozen=True)
class Lines:
    """What a dump says: of each bit first level, edges and unknown stretches; first and last tick."""

    lines: list[_Line]
    first_tick: int
    last_tick: int


@dataclass(frozen=True)
class Changes:
    """Value changes in file order: bit index, tick and new value (0, 1, 2 for x or z); first and last tick."""

    bit: NDArray[np.int32]
    tick: NDArray[np.int64]
    value: NDArray[np.int8]
    first_tick: int
    last_tick: int


def in_order(header: Header, changes: Changes) -> Lines:
    """Return changes line by line."""
    order = np.argsort(changes.bit, kind="stable")
    cuts = np.searchsorted(changes.bit[order], np.arange(header.n_bits + 1)).tolist()
    tick, value = changes.tick[order], changes.value[order]
    first, last = changes.first_tick, changes.last_tick
    return Lines([levels_of(tick[a:b], value[a:b], first, last) for a, b in itertools.pairwise(cuts)],
                 first, last)


def compiled(source: Source, data: bytes, header: Header, file: IO[bytes], options: ReadOptions) -> Lines:
    """Read the value changes piece by piece as machine code; what is kept is eight bytes a change.

    Parameters
    ----------
    data : what was read up to here; its values begin at `header.end`
    file : gives the rest
    """
    from tapwright.evidence.captures import _vcd_kernels as kernels

    assert kernels.LAST_TICK == LAST_TICK
    tables = _tables(source, header)
    n_bits = header.n_bits
    known, last_at, had = np.full(n_bits, -1, np.int8), np.full(n_bits, -1, np.int64), np.zeros(n_bits, np.uint8)
    state = np.array([0, -1, 0, 0, 0, 0], np.int64)
    changes = Growing(n_bits)
    have = len(data) - header.end
    buffer = np.empty(max(PIECE_BYTES, have) + PIECE_BYTES, np.uint8)
    buffer[:have] = np.frombuffer(data, np.uint8, have, header.end)
    passed, final = header.end, False
    while True:
        status = kernels.scan(buffer, have, int(final), *tables, known, last_at, had, state, changes.addresses,
                              changes.counts, changes.rooms)
        if status == kernels.FULL:
            changes.grow(int(state[kernels.WANTED]))
        if status in (kernels.BAD, kernels.BACKWARDS):
            where = int(state[kernels.WHERE])
            word = bytes(buffer[where:min(where + 60, have)]).split()[:1]
            line = _line_at(source, passed + where)
            raise _bad(source, (word or [b""])[0], line,
                       int(state[kernels.NOW]) if status == kernels.BACKWARDS else None)
        used = int(state[kernels.USED])
        have -= used
        passed += used
        buffer[:have] = buffer[used:used + have].copy()
        if status == kernels.DONE:
            if final:
                break
            if have > len(buffer) - PIECE_BYTES:  # a word (in a comment) that is longer than a piece
                if have > MOST_WORD:
                    raise _bad(source, bytes(buffer[:60]), _line_at(source, passed), None)
                buffer = np.append(buffer, np.empty(len(buffer), np.uint8))
            more = source.fill(file, buffer[have:have + PIECE_BYTES].data)
            have += more
            final = not more
        if options.progress:
            options.progress(min(passed / source.size, 1))
    first, last = max(int(state[kernels.FIRST_TICK]), 0), int(state[kernels.NOW])
    return Lines([_line(changes.taken(i), int(had[i]), first, last) for i in range(n_bits)], first, last)


def _line(changes: NDArray[np.int64], had: int, first: int, last: int) -> _Line:
    """Return one line from its changes, each four times its tick plus its value."""
    if not len(changes) or had or changes[0] >> 2 < first:
        return levels_of(changes >> 2, (changes & 3).astype(np.int8), first, last)
    level = int(changes[0] & 3)
    changes >>= 2  # levels alternate and times rise: what comes after the first change are the edges
    begin = int(changes[0])
    return level, changes[1:], np.array([[first, begin]] if begin > first else np.empty((0, 2)), np.int64)


_Tables = tuple[NDArray[np.int8], NDArray[np.int32], int, NDArray[np.int64], int, NDArray[np.int32], NDArray[np.int32]]


def _tables(source: Source, header: Header) -> _Tables:
    """Return the kernel's tables: values of letters, places of codes (direct or by search), bits and widths."""
    codes = [*header.first_bit, *(code for code in header.ignored if code not in header.first_bit)]
    found = sorted((_key(code), header.first_bit.get(code, -1), header.width.get(code, 1)) for code in codes)
    keys = np.array([key for key, _, _ in found], np.int64)
    if (keys[1:] == keys[:-1]).any():
        raise CaptureError("identifier codes too long to be told apart", path=source.path,
                           expected="codes of a few characters", do="export the capture again")
    direct = np.empty(1, np.int32)
    n_direct = 0
    if len(keys) and keys[0] >= 0 and keys[-1] < 1 << 22:
        n_direct = int(keys[-1]) + 1
        direct = np.full(n_direct, -1, np.int32)
        direct[keys] = np.arange(len(keys), dtype=np.int32)
    value_of = np.full(256, -1, np.int8)
    for letter, value in _VALUE.items():
        value_of[letter] = value
    return (value_of, direct, n_direct, keys, len(keys), np.array([bit for _, bit, _ in found], np.int32),
            np.array([width for _, _, width in found], np.int32))


def _key(code: bytes) -> int:
    """Return a code as a number, modulo 2**64 as the kernel has it."""
    key = 0
    for letter in code:
        key = key * 95 + letter - 32
    return (key + 2**63) % 2**64 - 2**63


def _line_at(source: Source, offset: int) -> int:
    line, left = 1, offset
    for piece in source.pieces(1 << 22):
        line += piece.count(b"\n", 0, left)
        left -= len(piece)
        if left <= 0:
            break
    return line


def _bad(source: Source, word: bytes, line: int, now: int | None) -> CaptureError:
    """Return what to say about a word; `now` is the time that it falls behind."""
    if now is not None:
        return CaptureError(f"time goes back from #{now} to {show(word)}", path=source.path, line=line,
                            expected="times that never fall", do="record or export the capture again")
    return CaptureError(f"'{show(word)}' among the values", path=source.path, line=line, expected=_WANTED,
                        do="record or export the capture again if it was cut short")


_VALUE = {48: 0, 49: 1, 120: 2, 88: 2, 122: 2, 90: 2, 117: 2, 85: 2, 119: 2, 87: 2, 45: 2, 104: 1, 72: 1, 108: 0, 76: 0}


def by_words(source: Source, data: bytes, header: Header) -> Changes:
    """Read the value changes word by word: for files too small to win back the start of machine code."""
    bits: list[int] = []
    ticks: list[int] = []
    values: list[int] = []
    known = [-1] * header.n_bits
    now, first_tick = 0, -1
    text = data[header.end:]
    words = iter(text.split())
    first_bit, widths, ignored, value_of = header.first_bit, header.width, header.ignored, _VALUE

    def bad(taken: int, *, backwards: bool = False) -> CaptureError:  # the word is the last of those `taken`
        places = [match.start() for match in _WORD.finditer(text)]
        at = places[len(places) - sum(1 for _ in words) - taken]
        line = data.count(b"\n", 0, header.end + at) + 1
        return _bad(source, text[at:at + 60].split()[0], line, now if backwards else None)

    for word in words:
        lead = word[0]
        if lead in value_of and lead != 45:
            bit = first_bit.get(word[1:])
            if bit is None:
                if word[1:] in ignored:
                    continue
                raise bad(1)
            value = value_of[lead]
            if known[bit] != value:
                known[bit] = value
                bits.append(bit)
                ticks.append(now)
                values.append(value)
        elif lead == 35:
            if not word[1:].isdigit() or len(word) > 20 or int(word[1:]) > LAST_TICK:
                raise bad(1)
            tick = int(word[1:])
            if tick < now:
                raise bad(1, backwards=True)
            now = tick
            if first_tick < 0:
                first_tick = tick
        elif lead in b"bBrRsS":
            code = next(words, b"")
            if code not in first_bit:
                if code in ignored:
                    continue
                raise bad(2 if code else 1)
            if lead not in b"bB":
                continue
            bit = first_bit[code]
            for i, value in enumerate(_extended(word[1:], widths[code])):
                if value < 0:
                    raise bad(2)
                if known[bit + i] != value:
                    known[bit + i] = value
                    bits.append(bit + i)
                    ticks.append(now)
                    values.append(value)
        elif lead == 36:
            if word in _ENDED:
                for skipped in words:
                    if skipped == b"$end":
                        break
        else:
            raise bad(1)
    return Changes(np.array(bits, np.int32), np.array(ticks, np.int64), np.array(values, np.int8),
                   max(first_tick, 0), now)


def _extended(text: bytes, width: int) -> list[int]:
    """Return a vector's value left-extended to its width (IEEE 1364-2005 table 18-1: 0 and 1 by 0, x by x, z by z).

    A letter that is none, or no letter at all, gives -1.
    """
    values = [_VALUE.get(letter, -1) for letter in text[max(len(text) - width, 0):]] or [-1]
    pad = 2 if _VALUE.get(text[0] if text else 0) == 2 else 0
    return [pad] * (width - len(values)) + values
