"""The checks of frames: every kind over every span, weighed against chance before any is claimed."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check
from tapwright.frames import crcs, sums
from tapwright.frames.apply import holds
from tapwright.frames.crc_settle import settle
from tapwright.frames.deep import MOST_LOW_ZEROS
from tapwright.frames.gf2 import rank
from tapwright.frames.material import Material
from tapwright.frames.place import n_check_bytes

LEAST_BITS = 12.0  # by which the evidence must beat chance: one false find in 4000 searches
LEAST_SHARE = 0.8  # of the frames must agree; the others were damaged on the line
LEAST_FRAMES = 5
KIND_SHARE = 0.06  # of the frames received; a length seen less often may be damage
LEAST_TERMS = 3  # of a polynomial besides its top one: with fewer, one byte shifted and repeated would pass for a CRC
USUAL_BITS = 8.5  # half of all checks are of one of some 180 settings: five kinds, sent in two or three ways
TEXT_BITS = 5.0  # the same for lines of text: two digits at the end, over all from the first or second character on
MOST_HEAD = 4  # constant bytes before a usual span
MOST_SAME = 60
RANKED = 400  # frames looked at for the rank


@dataclass(frozen=True, kw_only=True)
class FoundCheck:
    """A check that the frames show to be one.

    Parameters
    ----------
    failed : frames in which it does not hold
    same_as : settings that no frame so far tells apart
    false_finds : how many such finds chance alone would give, expected
    bits : independent bits of agreement, chance and the settings tried taken off
    more_frames : in words, the frames that would settle `same_as`; empty where nothing is open
    """

    check: Check
    failed: int = 0
    same_as: tuple[Check, ...] = ()
    false_finds: float = 0.0
    bits: float = 0.0
    more_frames: str = ""


@dataclass(frozen=True)
class _Candidate:
    check: Check
    same: tuple[Check, ...]
    share: float
    bits: float


def find_checks(material: Material, *, quick: bool = False) -> tuple[tuple[FoundCheck, ...], tuple[str, ...]]:
    """Return the checks that stand, the one nearest the tail first, and what was near but is not claimed.

    `quick` looks at the usual places of a CRC only.
    """
    if material.n < LEAST_FRAMES:
        are = "frame is" if material.n == 1 else "frames are"
        return (), (f"{material.n} distinct {are} too few to tell a check from chance",)
    candidates = [*_sum_candidates(material), *_crc_candidates(material, deep=False)]
    # Text carries its checks as digits, and those places are all looked at already.
    if not quick and not material.is_text and not any(_stands(candidate) for candidate in candidates):
        candidates += _crc_candidates(material, deep=True)
    standing = [candidate for candidate in candidates if _stands(candidate)]
    chosen = _independent(standing, material)
    near = max((c for c in candidates if not _stands(c) and c.share >= LEAST_SHARE), key=lambda c: c.bits, default=None)
    notes: tuple[str, ...] = ()
    if not chosen and near is not None and near.bits > -20:
        where = f"at byte {near.check.at} over bytes {near.check.first} to {near.check.last}"
        notes = (f"{near.check.kind} {where} fits, but these frames differ too little "
                 f"to tell it from chance: record more, with other readings ({_more(near)})",)
    return tuple(_found(candidate, material) for candidate in chosen), notes


def _more(near: _Candidate) -> str:
    """Return about how many frames that follow from no others would settle a check, in words."""
    n = math.ceil((LEAST_BITS - near.bits) / (8 * n_check_bytes(near.check.kind)))
    return f"about {n} frame{'s' * (n != 1)} in which other bytes change would settle it"


def _stands(candidate: _Candidate) -> bool:
    return candidate.bits >= LEAST_BITS and candidate.share >= LEAST_SHARE


def _found(candidate: _Candidate, material: Material) -> FoundCheck:
    same = candidate.same[:MOST_SAME]
    more = ""
    if same:
        more = _what_settles(candidate.check, same, material)
    return FoundCheck(check=candidate.check, same_as=same, false_finds=2.0 ** -min(candidate.bits, 1000),
                      bits=candidate.bits, more_frames=more)


def _what_settles(check: Check, same: Iterable[Check], material: Material) -> str:
    spans = {(other.first, other.last) for other in same} - {(check.first, check.last)}
    says = []
    if any((other.init, other.xorout) != (check.init, check.xorout) and
           (other.first, other.last) == (check.first, check.last) for other in same):
        says.append("two frames of another length" if not material.is_varying else "frames of more lengths")
    if spans:
        says.append("one frame in which a byte at the span's edge differs")
    return " and ".join(says) or "frames with other contents"


def _by_length(material: Material, ok: NDArray[np.bool_]) -> bool:
    """Say whether a check holds in every length that is no damage: a kind of frame that stands still counts as well."""
    start = 0
    for group, share in zip(material.groups, material.shares, strict=True):
        held = ok[start:start + len(group)]
        start += len(group)
        if share >= KIND_SHARE and held.mean() < 0.5:
            return False
    return True


def agreeing(material: Material, check: Check) -> NDArray[np.bool_]:
    """Say for each distinct frame, group after group, whether a check holds."""
    return np.concatenate([holds(group, check) for group in material.groups])


def _sum_candidates(material: Material) -> list[_Candidate]:
    by_place: dict[tuple[int, int], list[tuple[Check, float, NDArray[np.bool_]]]] = {}
    for check in sums.find_sums(material):
        ok = agreeing(material, check)
        if ok.mean() >= LEAST_SHARE and _by_length(material, ok):
            by_place.setdefault((check.at, n_check_bytes(check.kind)), []).append((check, float(ok.mean()), ok))
    settings = math.log2(max(len(sums.cuts_of(material)) ** 2 / 2 * len(sums.columns_of(material)) * 5, 2))
    out = []
    for entries in by_place.values():
        best_share = max(share for _, share, _ in entries)
        level = [(check, ok) for check, share, ok in entries if share >= best_share - 1e-9]
        scored = [(check, _sum_bits(material, check, ok) - _choice_bits(ok)
                   - min(settings, _usual_bits(material, check))) for check, ok in level]
        scored.sort(key=lambda entry: (-round(entry[1], 6), _preference(entry[0], material)))
        check, bits = scored[0]
        rest = tuple(other for other, _ in scored[1:])
        kinds = {other.kind for other in rest if other.kind not in (check.kind,)}
        if kinds:
            # Two kinds that both fit would part on the next frame: that is no finding.
            bits = min(bits, 0.0)
        out.append(_Candidate(check, rest, best_share, bits))
    return _told_apart(out)


def _told_apart(candidates: list[_Candidate]) -> list[_Candidate]:
    """Leave out a check that shares bytes with the same check at another place and fails where that one holds.

    A high byte that stands still and equals the byte behind the low one makes either order fit; where no frame tells
    them apart, neither is settled.
    """
    out = []
    for one in candidates:
        rivals = [other for other in candidates if other is not one and other.check.kind == one.check.kind
                  and (other.check.first, other.check.last) == (one.check.first, one.check.last)
                  and other.check.encoding == one.check.encoding and (other.check.at < 0) == (one.check.at < 0)
                  and abs(other.check.at - one.check.at) < _size(one.check)]
        best = max((rival.share for rival in rivals), default=0.0)
        if best <= one.share + 1e-9:
            out.append(replace(one, bits=min(one.bits, 0.0)) if best >= one.share - 1e-9 else one)
    return out


def _size(check: Check) -> int:
    """Return how many bytes of a frame a check takes."""
    return n_check_bytes(check.kind) * (2 if check.encoding == "hex" else 1)


def _usual_bits(material: Material, check: Check) -> float:
    """Return the bits that naming a usual setting takes, infinity for others."""
    if not _is_usual(material, check):
        return math.inf
    return TEXT_BITS if material.is_text and check.encoding == "hex" else USUAL_BITS


def _is_usual(material: Material, check: Check) -> bool:
    """Say whether a check closes the frame and guards all before it but constant bytes at the head."""
    size = _size(check)
    at = check.at if check.at < 0 else check.at - material.shortest
    last = check.last if check.last < 0 else check.last - material.shortest
    if (check.at >= 0 and material.is_varying) or check.first < 0 or not 1 <= at - last <= 2:
        return False
    n = material.shortest
    rest = [*range(n + at + size, n), *range(check.first), *range(n + last + 1, n + at)]
    places = rest if not material.is_varying else [place if place < check.first else place - n for place in rest]
    return check.first <= MOST_HEAD and all(material.distinct[place] == 1 for place in places)


def _preference(check: Check, material: Material) -> tuple[int, int]:
    """Order spans that no frame tells apart: the one that begins first, then the one that ends last."""
    return (check.first if check.first >= 0 else material.shortest + check.first), -(check.last % 1000)


def _span_rows(material: Material, check: Check, ok: NDArray[np.bool_]) -> list[NDArray[np.uint8]]:
    """Return the spans of the frames that agree, a matrix a length."""
    out, start = [], 0
    for group in material.groups:
        good = group[ok[start:start + len(group)]][:RANKED]
        start += len(group)
        n = group.shape[1]
        first, last = (p if p >= 0 else n + p for p in (check.first, check.last))
        if len(good):
            out.append(good[:, first:last + 1])
    return out


def _moving(spans: list[NDArray[np.uint8]]) -> int:
    """Return how many byte places of the span change (of the length that shows most)."""
    return max((int((span != span[0]).any(axis=0).sum()) for span in spans), default=0)


def _sum_bits(material: Material, check: Check, ok: NDArray[np.bool_]) -> float:
    """Return the independent bits in which a sum agrees: what follows from earlier frames by linearity is no news."""
    spans = _span_rows(material, check, ok)
    moving = _moving(spans)
    # One byte gives copies of itself, and bytes that only go with the length are no readings that a check guards.
    if moving < 1 or (len(spans) < 3 and moving < 2) or max(span.shape[1] for span in spans) < 2:
        return 0.0
    widest = max(span.shape[1] for span in spans)
    rows = np.concatenate([np.pad(span, ((0, 0), (widest - span.shape[1], 0))) for span in spans])[:RANKED]
    if check.kind == "xor8":
        bits = 0
        for bit in range(8):
            plane = (rows >> bit & 1).astype(np.uint8)
            packed = [int.from_bytes(np.packbits(row).tobytes(), "big") for row in np.unique(plane, axis=0)]
            bits += rank(row ^ packed[0] for row in packed[1:]) + 1
        return float(bits)
    distinct = np.unique(rows, axis=0).astype(np.float64)
    dimensions = int(np.linalg.matrix_rank(distinct - distinct[0])) if len(distinct) > 1 else 0
    if dimensions < 2 and len(spans) < 3:
        return 0.0  # bytes that move together are one quantity, and its double is no sum
    # A high byte that stands still agrees once, not again with every frame.
    sent = sum(material.distinct.get(check.at + i, 2) > 1 for i in range(n_check_bytes(check.kind)))
    still = n_check_bytes(check.kind) - sent
    return 8.0 * (sent * (dimensions + 1) + still)


def _crc_candidates(material: Material, *, deep: bool) -> list[_Candidate]:
    found = crcs.search(material, deep=deep)
    settings = math.log2(max(crcs.n_settings(material, deep=deep), 2))
    best: dict[int, _Candidate] = {}
    for one in found:
        ranked = settle(material, one)
        if not ranked:
            continue
        check = ranked[0]
        ok = agreeing(material, check)
        share = float(ok.mean())
        if share < LEAST_SHARE or not _by_length(material, ok):
            continue
        bits = _crc_bits(material, check, ok) - settings - _choice_bits(ok)
        candidate = _Candidate(check, tuple(ranked[1:]), share, bits)
        known = best.get(check.at)
        if known is None or (candidate.share, candidate.bits) > (known.share + 0.02, 0):
            best[check.at] = candidate
        elif candidate.share >= known.share - 0.02:
            best[check.at] = _merged(known, candidate)
    return list(best.values())


def _merged(one: _Candidate, other: _Candidate) -> _Candidate:
    """Two polynomials or ways for one place that no frame tells apart: not settled, unless both always agree."""
    better, worse = (one, other) if one.bits >= other.bits else (other, one)
    same = tuple(dict.fromkeys(c for c in (*better.same, worse.check, *worse.same) if c != better.check))
    if _algebra(better.check) == _algebra(worse.check):
        return replace(better, same=same)  # spans that differ in bytes that go with the length alone: one class
    return replace(better, same=same, bits=min(better.bits, better.bits - worse.bits))


def _algebra(check: Check) -> tuple[object, ...]:
    return check.poly, check.refin, check.refout, check.order, check.encoding, check.last


def _crc_bits(material: Material, check: Check, ok: NDArray[np.bool_]) -> float:
    """Return the independent bits in which a CRC agrees, those that its polynomial takes left out."""
    spans = _span_rows(material, check, ok)
    n_bytes = n_check_bytes(check.kind)
    # As many moving bytes as the check has, or fewer, may be repeated or shifted there: then the polynomial is sparse.
    if _moving(spans) <= n_bytes and check.poly.bit_count() < LEAST_TERMS:
        return 0.0
    low_zeros = (check.poly & -check.poly).bit_length() - 1 if check.poly else 8 * n_bytes
    width = 8 * n_bytes - low_zeros  # the low bits of such a check never move and prove nothing
    if low_zeros > MOST_LOW_ZEROS:
        return 0.0
    packed = []
    for span in spans:
        rows = [int.from_bytes(row.tobytes(), "big") for row in span]
        packed += [row ^ rows[0] for row in rows[1:]]
    return float(width * rank(packed[:RANKED]) - width)


def _choice_bits(ok: NDArray[np.bool_]) -> float:
    """Return the bits that choosing the frames to leave out as damaged takes."""
    return math.log2(math.comb(len(ok), int(ok.sum())))


def _independent(candidates: list[_Candidate], material: Material) -> list[_Candidate]:
    """Keep one check a place, and of checks that follow from each other the one nearest the tail."""
    size = {id(c): _size(c.check) for c in candidates}
    n = material.shortest

    def place(p: int) -> int:
        return p if p >= 0 else n + p

    def covers(a: _Candidate, b: _Candidate) -> bool:
        return place(a.check.first) <= place(b.check.at) <= place(a.check.last)

    # Wide before narrow, the tail before the head, the usual span before others.
    # Places from the start and from the end are one in all frames but those of another length: what holds there too.
    order = sorted(candidates, key=lambda c: (-n_check_bytes(c.check.kind), -place(c.check.at), -round(c.share, 6),
                                              _preference(c.check, material)))
    kept: list[_Candidate] = []
    for candidate in order:
        at = range(place(candidate.check.at), place(candidate.check.at) + size[id(candidate)])
        clash = False
        for other in kept:
            held = range(place(other.check.at), place(other.check.at) + size[id(other)])
            overlaps = at.start < held.stop and held.start < at.stop
            clash |= overlaps or (covers(candidate, other) and covers(other, candidate)) or (
                covers(candidate, other) and other.check.kind == candidate.check.kind
                and place(other.check.last) <= place(candidate.check.last))
        if not clash:
            kept.append(candidate)
    return sorted(kept, key=lambda c: -place(c.check.at))
