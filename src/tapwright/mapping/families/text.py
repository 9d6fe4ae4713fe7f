"""Digits as ASCII characters, one a byte: the display's text, flush left or right, with or without point and sign."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import Codes, Table
from tapwright.mapping.families._codes import Keyed, keyed, keyed_field, zeros_that_fit
from tapwright.mapping.hypothesis import BITS_A_DIGIT, Hypothesis, Numbers
from tapwright.mapping.sight import Sight

#: The characters that a display's text may hold, by their ASCII codes; a zero byte is padding.
CHARACTERS = {0: " ", **{code: chr(code) for code in range(0x20, 0x7F)}}
_MOST_WIDTH = 24


def find(sight: Sight, numbers: Numbers, most_wrong: int) -> list[Hypothesis]:
    """Return the ways in which ASCII text explains the labels."""
    out: list[Hypothesis] = []
    for with_point in (True, False):
        for with_sign in (True, False):
            if with_sign and not numbers.negative.any():
                continue
            texts = [_text(label.display, number, with_point=with_point, with_sign=with_sign)
                     for label, number in zip(sight.labels, numbers.is_number.tolist(), strict=True)]
            for left in (False, True):
                out += _aligned(sight, numbers, texts, most_wrong, left=left, with_point=with_point,
                                with_sign=with_sign)
    out.sort(key=lambda hypothesis: -hypothesis.support)
    return out[:8]


def _text(display: str, is_number: bool, *, with_point: bool, with_sign: bool) -> str | None:
    """Return the label's text as sent, None where that is not known (a text that is no number)."""
    if not is_number:
        return None
    text = display if with_sign else display.lstrip("-")
    return text if with_point else text.replace(".", "")


def _aligned(sight: Sight, numbers: Numbers, texts: list[str | None], most_wrong: int, *, left: bool, with_point: bool,
             with_sign: bool) -> list[Hypothesis]:
    width, n_bytes = max((len(text) for text in texts if text), default=0), sight.rows.shape[1]
    if not 1 <= width <= min(_MOST_WIDTH, n_bytes):
        return []
    wanted = np.full((len(sight), width), -1, np.int64)
    for i, text in enumerate(texts):
        if text:
            codes = np.frombuffer(text.encode("latin-1", "replace"), np.uint8)
            wanted[i, :len(codes)] = codes if left else codes[::-1]
    found = keyed(sight.rows.astype(np.int64), wanted, 8)
    loose = ~np.asarray(sight.usable.reshape(-1, 8).all(axis=1))
    out = []
    for start in range(n_bytes - width + 1):
        columns = [start + i if left else start + width - 1 - i for i in range(width)]
        if not loose[columns].any():
            hypothesis = _of(sight, numbers, found, columns, most_wrong, left=left, with_point=with_point,
                             with_sign=with_sign)
            out += [hypothesis] if hypothesis is not None else []
    return out


def _room(sight: Sight, columns: list[int], *, left: bool) -> list[int]:
    """Return the bytes beside a text that were spaces in every label: it may grow there, unproven until it has."""
    step = 1 if left else -1
    at, found = columns[-1] + step, []
    while 0 <= at < sight.rows.shape[1] and bool((sight.rows[:, at] == 0x20).all()):
        found.append(at)
        at += step
    return sorted(found)


def _of(sight: Sight, numbers: Numbers, found: Keyed, columns: list[int], most_wrong: int, *, left: bool,
        with_point: bool, with_sign: bool) -> Hypothesis | None:
    explained: NDArray[np.bool_] = np.logical_and.reduce([found.right[i, column] for i, column in enumerate(columns)])
    if int((~explained).sum()) > most_wrong:
        return None
    keys = [int(found.key[i, column]) for i, column in enumerate(columns)]
    order = range(len(columns)) if left else range(len(columns) - 1, -1, -1)
    places = tuple(Table(keyed_field(columns[i], 0, 8, keys[i]), CHARACTERS) for i in order)
    if not any(keys):
        room = tuple(Table(keyed_field(at, 0, 8, 0), CHARACTERS) for at in _room(sight, columns, left=left))
        places = (*places, *room) if left else (*room, *places)
    bodies = [row.tobytes() for row in sight.rows]
    sent = ["".join(place.of(body) or "?" for place in places) for body in bodies]
    bare = [text.replace("+", "").replace(" ", "") for text in sent]
    if with_sign:
        bare = [text.removeprefix("-") for text in bare]
    zeros = zeros_that_fit([text.replace(".", "") if with_point else text for text in bare], numbers, explained,
                           numbers.width)
    if not zeros:
        return None
    support = BITS_A_DIGIT * numbers.distinct * numbers.moving - 8 * sum(key != 0 for key in keys) \
        - np.log2(8 * sight.rows.shape[1]) - 8 * int((~explained).sum())
    claimed = frozenset(8 * column + bit for column in columns for bit in range(8))
    return Hypothesis(kind="text", digits=Codes("text", places), explained=explained, support=float(support),
                      claimed=claimed, width=numbers.width,
                      zeros=("as sent",) if "as sent" in zeros else zeros, has_sign=with_sign, has_point=with_point,
                      is_plain=not any(keys))
