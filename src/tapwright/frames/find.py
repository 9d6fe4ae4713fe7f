"""Bytes -> length, start, check, and what each byte of a frame does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tapwright.core.frame import FrameLayout, Frames
from tapwright.core.line import LineBytes
from tapwright.frames.anatomy import ByteColumn, columns, constant_run
from tapwright.frames.apply import as_bytes, character_time, check_ok, split
from tapwright.frames.checks_find import FoundCheck, find_checks
from tapwright.frames.framing import Framing, find_framings
from tapwright.frames.material import Material
from tapwright.frames.row_shapes import (
    CLOSERS,
    DAMAGED_SHARE,
    closes,
    common_end,
    common_start,
    is_text,
    length_field,
    short_by_damage,
    shortest_closing,
)

NEAR_BITS = 120.0  # within which framings may differ in where a frame begins alone
NEAR_BITS_A_FRAME = 12.0  # columns that line up from the start or from the end only differ by as much
MOST_ROTATIONS = 12
# STX opens what it stands before (ISO/IEC 646); AA and 55 are bits in turn, on which receivers keep in step (common
# practice, no source).
USUAL_STARTS = (b"\x02", b"\xaa", b"\x55")
EDGE_FRAMES = 2  # that a recording's ends may cut
TURNED_SHARE = 0.9  # of frames, that another place to begin them cuts likewise; damage spoils the rest
LOST_A_BYTE = 0.01  # of frames, by damage to one more constant byte
CLOSING_LOST = 0.05  # of frames, for one more constant byte that damage may hit
MOST_SYNC = 3  # bytes of a start used to keep in step where neither silence nor check helps
WORDS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz +-.,"
ONE_FRAME = 0.5  # that others are as long: nothing tells
LEAST_STREAM = 8  # rows of one byte
CHECKED_BYTES = 60_000  # of a stream, in which its checks are sought; they are then tried on every frame
Progress = Callable[[float, str], None]


@dataclass(frozen=True, kw_only=True)
class FramesReport:
    """What is known of the frames in a stream.

    Parameters
    ----------
    layout : None where no framing stands
    frames : every frame received, cut ones too with `broken` set
    bytes_outside : bytes in no whole frame
    period_s : usual time from frame to frame, None under two frames
    """

    layout: FrameLayout | None
    frames: Frames
    n_bytes: int
    bytes_outside: int
    probability: float
    period_s: float | None = None
    checks: tuple[FoundCheck, ...] = ()
    bytes_: tuple[ByteColumn, ...] = ()
    evidence: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()

    @property
    def whole(self) -> Frames:
        """The frames that were not cut."""
        return self.frames.take(np.flatnonzero(~self.frames.broken))

    def document(self) -> dict[str, object]:
        """Return the JSON document of the contract."""
        from tapwright.frames.report import document

        return document(self)


def find_frames(source: LineBytes | Frames, *, progress: Progress | None = None) -> FramesReport:
    """Find how a stream divides into frames, and what each byte of them does.

    Parameters
    ----------
    source : the bytes of one line, or frames as they came (a radio's notifications)
    progress : told how far the work is
    """
    if isinstance(source, Frames) and not _is_stream(source):
        layout = _layout_of_frames(source)
        if layout is not None and layout.length == "fixed":
            source = replace(source, broken=source.broken | (source.lengths != layout.n_bytes))
        checked = find_checks(Material.of(_whole(source))) if layout else ((), ())
        if source.unsettled is not None and source.unsettled.any():
            notes = (*checked[1], "bytes that the mask leaves open are counted as 00 here")
            checked = checked[0], notes
        probability = 0.0 if layout is None else 1.0 if len(source) > 1 else ONE_FRAME
        return _report(source, layout, len(source.data), probability, checked)
    if isinstance(source, Frames):
        source = LineBytes(channel=source.channel, t_s=source.t_s, values=source.data.astype(np.uint64),
                           errors=np.zeros(len(source.data), np.uint8))
    found = find_framings(source)
    if not found:
        empty = Frames.of([], [], channel=source.channel)
        values = np.unique(as_bytes(source)[1])
        why = (f"every byte is {values[0]:02X}: nothing shows where a frame begins" if len(values) == 1 else
               "no framing describes these bytes better than no framing at all")
        return FramesReport(layout=None, frames=empty, n_bytes=len(source), bytes_outside=len(source), probability=0.0,
                            evidence=(why,))
    layout, checks, notes = _chosen(source, found)
    if _shorter_are_whole(source, layout, checks):
        layout = FrameLayout(length="gap", start=layout.start, gap_s=layout.gap_s)
        found = [replace(found[0], layout=layout)]
        checks, notes = find_checks(Material.of(split(_beginning(source), layout)))
    elif (n_bytes := _only_whole_length(source, layout, checks)) > 0:
        layout = FrameLayout(length="fixed", n_bytes=n_bytes, start=layout.start, end=layout.end, gap_s=layout.gap_s)
        found = [replace(found[0], layout=layout)]
        checks, notes = find_checks(Material.of(_whole(split(_beginning(source), layout))))
    text = is_text(as_bytes(_beginning(source))[1])
    frames = split(source, _in_step(guarded(layout, checks), text))
    return _report(frames, layout, len(as_bytes(source)[1]), probability_of(found, layout), (checks, notes), text)


def guarded(layout: FrameLayout, checks: tuple[FoundCheck, ...]) -> FrameLayout:
    """Return a layout with its checks, and its variants with the same."""
    both = tuple(one.check for one in checks)
    return replace(layout, checks=both, variants=tuple(replace(other, checks=both) for other in layout.variants))


def _in_step(layout: FrameLayout, text: bool) -> FrameLayout:
    """Return a layout with no more of the constant bytes than keeping in step needs.

    What was constant in one recording (a mode, an address) may change in the next; frames must still be found there.
    """
    if layout.variants:
        return layout
    if text:
        start = layout.start[:next((i for i, byte in enumerate(layout.start) if chr(byte) in WORDS), MOST_SYNC)]
    elif layout.gap_s:
        start = layout.start[:1]
    else:
        start = layout.start[:2 if layout.checks else MOST_SYNC]
    end = layout.end
    if layout.length != "delimited" and not any(end.endswith(closer) for closer in CLOSERS):
        end = b""
    elif layout.length != "delimited":
        end = next(closer for closer in CLOSERS if end.endswith(closer))
    return replace(layout, start=start, end=end)


def probability_of(found: list[Framing], layout: FrameLayout) -> float:
    """Return the probability of a layout among the candidates, from their description lengths."""
    own = next(framing for framing in found if framing.layout == layout)
    # Layouts that cut the same frames are no rivals, nor are two places in the same frame where it may begin.
    rivals = [framing for framing in found if framing.cuts != own.cuts
              and (framing.layout.length, framing.layout.n_bytes) != (layout.length, layout.n_bytes)]
    margin = min([framing.bits for framing in rivals], default=own.raw_bits) - own.bits
    doubt = float(2.0 ** -min(max(margin, 0.0) / 2, 60.0))
    return 1.0 - doubt / (1.0 + doubt)


_Checks = tuple[tuple[FoundCheck, ...], tuple[str, ...]]


def _chosen(source: LineBytes, found: list[Framing]) -> tuple[FrameLayout, tuple[FoundCheck, ...], tuple[str, ...]]:
    """Return the framing and its checks; of framings that only differ in where a frame begins, the one with a check."""
    source = _beginning(source)
    best = found[0]
    within = best.bits + NEAR_BITS + NEAR_BITS_A_FRAME * best.n_frames
    near = [framing for framing in found[:MOST_ROTATIONS] if framing.bits <= within and _alike(framing, best)]
    tried = []
    for framing in near:
        whole = _whole(split(source, framing.layout))
        checks, notes = find_checks(Material.of(whole), quick=True)
        if checks:
            # The recording's first byte, a usual end or start, and a span from a frame's first byte on speak for one.
            start = framing.layout.start
            closed = framing.layout.end in CLOSERS
            order = (_is_block(framing.layout), _is_sync(start), framing.at_once, start[:1] in USUAL_STARTS, closed,
                     checks[0].check.first == 0, len(start), -framing.bits)
            tried.append((order, framing, checks, notes))
    if tried:
        _, framing, checks, notes = max(tried, key=lambda entry: entry[0])
        return framing.layout, checks, (*_begin_notes(framing, near), *notes)
    # Without a check nothing tells where a run of constant bytes was begun: all of it is taken for the start.
    best = max(near, key=lambda framing: (_is_block(framing.layout), _is_sync(framing.layout.start), framing.at_once,
                                          framing.layout.start[:1] in USUAL_STARTS, framing.layout.end in CLOSERS,
                                          len(framing.layout.start), -framing.bits))
    whole = _whole(split(source, best.layout))
    checks, notes = find_checks(Material.of(whole))
    return best.layout, checks, (*_begin_notes(best, near), *notes)


def _begin_notes(chosen: Framing, near: list[Framing]) -> tuple[str, ...]:
    """Say so where a frame's first byte rests on nothing but where the recording begins, or on what is usual."""
    layout = chosen.layout
    others = [framing for framing in near if framing.cuts != chosen.cuts]
    if layout.gap_s or layout.length == "delimited" or layout.end in CLOSERS or _is_block(layout) or not others:
        return ()
    usual = layout.start[:1] in USUAL_STARTS or _is_sync(layout.start)
    why = "where the recording does" if chosen.at_once else \
        f"with {layout.start[:MOST_SYNC].hex(' ').upper()}" + (", as many do" if usual else "")
    return (f"no pause shows where a frame begins; it is taken to begin {why}, and constant bytes at its head may as "
            "well end the frame before: a recording with a pause between frames would tell",)


def _is_block(layout: FrameLayout) -> bool:
    """Say whether frames begin with STX and end with ETX: a block of text as ISO/IEC 646 means these two bytes."""
    return layout.start[:1] == b"\x02" and layout.end[-1:] == b"\x03"


def _is_sync(start: bytes) -> bool:
    """Say whether bytes begin as starts that are easy to keep in step on often do: a byte and its complement, 5A A5."""
    return len(start) > 1 and start[0] ^ start[1] == 0xFF  # common practice, no source


def _shorter_are_whole(source: LineBytes, layout: FrameLayout, checks: tuple[FoundCheck, ...]) -> bool:
    """Say whether frames taken for damaged, being shorter than the usual ones, are whole: their checks hold."""
    if layout.length != "fixed" or not layout.gap_s or not checks:
        return False
    as_sent = split(_beginning(source), FrameLayout(length="gap", gap_s=layout.gap_s))
    n = layout.n_bytes
    other = as_sent.take(np.flatnonzero(as_sent.lengths % n != 0))  # several in a row are no other length
    from_end = tuple(replace(one.check, at=one.check.at - n, last=one.check.last - n) for one in checks
                     if one.check.at > one.check.last)
    ok = check_ok(other, FrameLayout(length="gap", checks=from_end)) if from_end else np.zeros(0, np.bool_)
    return bool(len(other) >= 2 and ok.sum() >= max(2, 0.6 * len(other)))


def _only_whole_length(source: LineBytes, layout: FrameLayout, checks: tuple[FoundCheck, ...]) -> int:
    """Return the one length at which checks hold where frames seemed to vary in length, 0 where there are several."""
    if layout.length not in ("gap", "delimited") or not checks:
        return 0
    frames = _whole(split(_beginning(source), layout))
    ok = check_ok(frames, replace(layout, checks=tuple(one.check for one in checks)))
    lengths = np.unique(frames.lengths[ok])
    return int(lengths[0]) if len(lengths) == 1 and ok.mean() >= DAMAGED_SHARE else 0


def _beginning(rows: LineBytes) -> LineBytes:
    """Return enough of a stream for finding its checks."""
    if len(rows) <= CHECKED_BYTES:
        return rows
    return replace(rows, t_s=rows.t_s[:CHECKED_BYTES], values=rows.values[:CHECKED_BYTES],
                   errors=rows.errors[:CHECKED_BYTES], character_s=character_time(rows))


def _alike(one: Framing, other: Framing) -> bool:
    """Say whether two framings may differ in where a frame begins alone: the same constant bytes, cut elsewhere."""
    a, b = one.layout, other.layout
    if a.variants and b.variants:
        # Which kind is seen most often, and so stands first, may turn on a damaged frame. Starts end in the type byte.
        mine, theirs = ({(kind.n_bytes, kind.start[-1:]): kind.start for kind in (c, *c.variants)} for c in (a, b))
        return (mine.keys() == theirs.keys() and a.gap_s == b.gap_s and len(a.variants) == len(b.variants)
                and all(mine[n].endswith(theirs[n]) or theirs[n].endswith(mine[n]) for n in mine)
                and abs(one.n_frames - other.n_frames) <= EDGE_FRAMES + CLOSING_LOST * other.n_frames)
    if ((a.length, a.n_bytes, a.field_add, a.gap_s, len(a.variants))
            != (b.length, b.n_bytes, b.field_add, b.gap_s, len(b.variants))):
        return False
    run, others = a.end + a.start, b.end + b.start
    plain = a.length == "fixed" and not a.variants
    turned = plain and _is_turned(one, other)
    # A longer run that makes more frames is no chance: the shorter one was found at several places of the frame.
    if (turned and other.n_frames - one.n_frames <= EDGE_FRAMES) or (
            plain and len(run) > len(others) and one.n_frames > other.n_frames):
        return True
    part = run in others or others in run
    # More constant bytes at the price of frames are not the same frames; where a byte that closes frames by its meaning
    # is one of them, each of them that is damaged costs a frame.
    closing = a.length == "delimited" and a.end in CLOSERS and b.end not in CLOSERS
    # So does a long start of frames of one length, where one of its bytes alone was found elsewhere in frames too.
    longer = plain and not turned and len(run) > len(others) + 1
    share = CLOSING_LOST if closing or longer else LOST_A_BYTE * max(len(run) - len(others), 0)
    lost = EDGE_FRAMES + share * other.n_frames
    return run == others or (part and abs(one.n_frames - other.n_frames) <= lost)


def _is_turned(one: Framing, other: Framing) -> bool:
    """Say whether two framings cut the same frames of one length, begun at another of their bytes."""
    least = min(len(one.begins), len(other.begins))
    if not least:
        return False
    next_ = np.searchsorted(other.begins, one.begins)
    held = next_ < len(other.begins)
    shifts = other.begins[next_[held]] - one.begins[held]
    shifts = shifts[shifts < one.layout.n_bytes]
    return bool(len(shifts) and np.bincount(shifts).max() >= TURNED_SHARE * least)


def _whole(frames: Frames) -> Frames:
    return frames.take(np.flatnonzero(~frames.broken))


def _is_stream(frames: Frames) -> bool:
    """Say whether rows of one byte each are a stream's bytes rather than frames."""
    return len(frames) > LEAST_STREAM and bool((frames.lengths == 1).all())


def _layout_of_frames(frames: Frames) -> FrameLayout | None:
    """Return how frames that came apart already are laid out."""
    rows = list(_whole(frames)) or list(frames)
    if not rows:
        return None
    values, counts = np.unique([len(row) for row in rows], return_counts=True)
    text = is_text(np.frombuffer(b"".join(rows[:100]), np.uint8))
    if len(values) == 1 or (not text and short_by_damage(values, counts)):
        return FrameLayout(length="fixed", n_bytes=int(values[np.argmax(counts)]))
    field = length_field(rows, text=text)
    if field is not None:
        return FrameLayout(length="field", field_at=field[0], field_add=field[1], start=common_start(rows)[:field[0]])
    tail = shortest_closing(rows, common_end(rows))
    if tail and closes(rows, tail):
        return FrameLayout(length="delimited", end=tail)
    return FrameLayout(length="gap")


def _report(frames: Frames, layout: FrameLayout | None, n_bytes: int, probability: float,
            checked: _Checks, text: bool = False) -> FramesReport:
    checks, notes = checked
    whole = _whole(frames)
    good = whole
    if layout is not None and checks:
        held = [check_ok(whole, replace(layout, checks=(one.check,))) for one in checks]
        checks = tuple(replace(one, failed=int((~ok).sum())) for one, ok in zip(checks, held, strict=True))
        good = whole.take(np.flatnonzero(np.logical_and.reduce(held)))
    found = columns(good, strict=bool(checks))
    if layout is not None:
        if not layout.variants and not layout.start:
            layout = replace(layout, start=constant_run(found))
        layout = _in_step(guarded(layout, checks), text)
    steps = np.diff(whole.t_s)
    return FramesReport(
        layout=layout, frames=frames, n_bytes=n_bytes, bytes_outside=n_bytes - len(whole.data),
        probability=probability, period_s=float(np.median(steps)) if len(steps) else None, checks=checks, bytes_=found,
        evidence=notes)
