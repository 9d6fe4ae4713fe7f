"""Frames in a stretch of bytes: the one scanner behind `split` and `Splitter`.

Every decision waits until the bytes it rests on are there, so the frames are the same however the stream is chopped.
A frame is taken where its start stands and its check holds, or where the next frame (or a silence) follows right
behind it; otherwise it was cut, and the scanner looks for the next start.
"""

from __future__ import annotations

from typing import Literal

from tapwright.core.frame import FrameLayout
from tapwright.frames.place import n_check_bytes, passes

BOUND = 4096  # no frame is longer: what has not ended by then is noise
LEAST_IN_A_ROW = 3  # frames in a row, each begun where the one before ends
Cut = tuple[int, int, bool]
Verdict = Literal["frame", "wait", "none"]


class Scanner:
    """Finds frames of one layout and its variants; keeps no state of its own."""

    def __init__(self, layout: FrameLayout) -> None:
        self.layout = layout
        self.forms = tuple(_Form(one) for one in (layout, *layout.variants) if one.length in ("fixed", "field"))
        self.starts = tuple(dict.fromkeys(form.start for form in self.forms))
        self.longest_start = max((len(start) for start in self.starts), default=0)
        self.most = max((form.most for form in self.forms), default=BOUND)

    def scan(self, data: bytes, begin: int, pos: int, limit: int, final: bool, synced: bool,
             cuts: list[Cut]) -> tuple[int, bool, int]:
        """Append the frames in `data[pos:limit]`; return how far they reach, whether in step, and `begin`.

        Parameters
        ----------
        begin : where the stretch began (after a silence or at the recording's start), may be negative
        final : nothing of this stretch follows
        synced : a frame boundary is known to be at `pos`
        cuts : (start, end, broken) is appended for each frame
        """
        if self.layout.length == "delimited":
            pos, synced = self._delimited(data, begin, pos, limit, final, synced, cuts)
        elif self.layout.length == "gap":
            pos, synced = self._gap(data, begin, pos, limit, final, cuts)
        else:
            pos, synced = self._sized(data, begin, pos, limit, final, synced, cuts)
        return pos, synced, begin

    def _sized(self, data: bytes, begin: int, pos: int, limit: int, final: bool, synced: bool,
               cuts: list[Cut]) -> tuple[int, bool]:
        while pos < limit:
            before = pos
            if synced or not self.layout.checks:
                pos = self._run(data, pos, limit, cuts)
            synced |= pos > before
            if pos >= limit:
                break
            verdict, end = self._frame_at(data, begin, pos, limit, final, synced)
            if verdict == "wait":
                break
            if verdict == "frame":
                cuts.append((pos, end, False))
                pos, synced = end, True
                continue
            begun = any(start and data.startswith(start, pos, limit) for start in self.starts)
            if synced and not begun and self.longest_start:
                head = self._damaged_head(data, pos, limit, final)
                if head == "wait":
                    break
                if head == "frame":
                    cuts.append((pos, pos + self.forms[0].n_bytes, True))
                    pos += self.forms[0].n_bytes
                    continue
            next_ = self._next_start(data, pos + 1, limit, final)
            if next_ >= 0:
                if begun and next_ - pos < self.most:
                    cuts.append((pos, next_, True))
                pos, synced = next_, False
            elif final:
                cut = begun or (bool(self.layout.gap_s) and pos == begin)
                if cut and limit - pos < self.most:
                    cuts.append((pos, limit, True))
                pos = limit
            elif (begun or (self.layout.gap_s and pos == begin)) and limit - pos < self.most + self.longest_start:
                break
            else:
                pos, synced = max(pos + 1, limit - self.longest_start + 1), False
        return pos, synced

    def _run(self, data: bytes, pos: int, limit: int, cuts: list[Cut]) -> int:
        """Take frames behind each of which the next start stands: the usual case, without weighing anything."""
        form = self.forms[0]
        start, end = form.start, form.end
        if len(self.forms) > 1 or not start or not data.startswith(start, pos, limit):
            return pos
        while True:
            size = form.size(data, pos, limit)
            beyond = pos + size
            if size <= 0 or not data.startswith(start, beyond, limit) or (end and not data.endswith(end, pos, beyond)):
                return pos
            if self._holds_frames(data, pos, beyond, form):
                return pos
            cuts.append((pos, beyond, False))
            pos = beyond

    def _frame_at(self, data: bytes, begin: int, pos: int, limit: int, final: bool,
                  synced: bool) -> tuple[Verdict, int]:
        waits = False
        options: list[tuple[int, _Form]] = []
        for form in self.forms:
            if not data.startswith(form.start, pos, limit):
                waits |= not final and form.start.startswith(data[pos:limit])
                continue
            size = form.size(data, pos, limit)
            if size < 0:
                waits |= not final
            elif size and (pos + size > limit or not self._holds_frames(data, pos, pos + size, form)):
                options.append((size, form))
        options.sort(key=lambda option: option[0])
        for size, form in options:
            if pos + size > limit:
                waits |= not final
                break
            if form.surely(data, pos, pos + size, pos == begin and bool(self.layout.gap_s)):
                if form.start or synced or pos == begin:
                    return "frame", pos + size
                follows = self._follows(data, pos + size, limit, final, form)
                if follows is None:
                    return "wait", 0
                if follows:
                    return "frame", pos + size
        if waits:
            return "wait", 0
        for size, form in options:
            if pos + size > limit or not form.ends(data, pos + size, pos):
                continue
            if form.checks and not synced:
                if not form.start and pos != begin:
                    continue
                inner = self._checked_within(data, pos, pos + size, limit, final)
                if inner is None:
                    return "wait", 0
                if inner:
                    continue
            follows = self._follows(data, pos + size, limit, final, form)
            if follows is None:
                return "wait", 0
            if follows:
                return "frame", pos + size
        return "none", 0

    def _checked_within(self, data: bytes, pos: int, end: int, limit: int, final: bool) -> bool | None:
        """Say whether a frame whose check holds begins within bytes that only look like one where no frame is known to
        begin: the start's bytes stand within frames too. None where that cannot be known yet."""
        unknown = False
        for form in self.forms:
            at = data.find(form.start, pos + 1, end + len(form.start) - 1) if form.start else -1
            while at >= 0:
                size = form.size(data, at, limit)
                if size < 0 or at + size > limit:
                    unknown |= not final
                elif size and form.surely(data, at, at + size, False):
                    return True
                at = data.find(form.start, at + 1, end + len(form.start) - 1)
        return None if unknown else False

    def _follows(self, data: bytes, end: int, limit: int, final: bool, form: _Form) -> bool | None:
        """Say whether a frame begins at `end`, or nothing at all; None where that cannot be known yet."""
        if end == limit:
            return True if final else None
        unknown = False
        for other in self.forms:
            if other.start:
                if data.startswith(other.start, end, limit):
                    return True
                if other.start.startswith(data[end:limit]):
                    if final:
                        return True
                    unknown = True
            elif not other.checks:
                return True
            else:
                size = other.size(data, end, limit)
                if size < 0 or end + size > limit:
                    if final:
                        return True
                    unknown = True
                elif size and other.surely(data, end, end + size, False):
                    return True
        if unknown:
            return None
        return self._damaged_follows(data, end, limit, final) if form.start else False

    def _damaged_follows(self, data: bytes, end: int, limit: int, final: bool) -> bool | None:
        """Say whether a frame with a damaged head stands at `end`: a start (or the end of a stretch) follows as far on
        as it is long, or one byte less where its head lost one; None where that cannot be known yet."""
        if not self.longest_start or b"" in self.starts:
            return False
        unknown = False
        early = False
        for form in self.forms:
            if data.startswith(form.start, end - 1, limit):
                # A frame that begins one byte before, and ends before another: it is this one that lost a byte.
                early = True
                beyond = end - 1 + max(form.size(data, end - 1, limit), 0)
                if beyond > end and (self._starts(data, beyond, limit) or (final and beyond == limit)):
                    return False
                unknown |= not final and beyond + self.longest_start > limit
        if unknown:
            return None
        for lost in (0,) if early else (0, 1):
            for form in self.forms:
                size = form.size(data, end - lost, limit)
                beyond = end + size - lost
                if size < 0 or beyond + self.longest_start > limit:
                    if final and size > 0 and beyond == limit:
                        return True
                    unknown |= not final
                elif size and self._starts(data, beyond, limit):
                    return True
        return None if unknown else False

    def _starts(self, data: bytes, pos: int, limit: int) -> bool:
        return any(data.startswith(start, pos, limit) for start in self.starts)

    def _holds_frames(self, data: bytes, pos: int, end: int, form: _Form) -> bool:
        """Say whether frames, one after the other, fill the end of what a length byte takes for one: it was damaged.

        The last of them may reach beyond that end.
        """
        if form.length != "field" or not form.start:
            return False
        if form.checks:
            return _holds_checked(data, pos, end, form)
        inner = data.find(form.start, pos + 1, end)
        while inner >= 0:
            at, n = inner, 0
            while at < end and data.startswith(form.start, at, end) and (size := form.size(data, at, end)) > 0:
                at, n = at + size, n + 1
            # Where the wrong length does not end with a frame, more of them must follow each other.
            cut = at > end or data.startswith(form.start, at, end) or form.start.startswith(data[at:end])
            if (at == end and n > 1) or (cut and n >= LEAST_IN_A_ROW):
                return True
            inner = data.find(form.start, inner + 1, end)
        return False

    def _damaged_head(self, data: bytes, pos: int, limit: int, final: bool) -> Verdict:
        form = self.forms[0]
        if form.length != "fixed" or len(self.forms) > 1:
            return "none"
        end = pos + form.n_bytes
        if not final and end + len(form.start) > limit:
            return "wait"
        if end > limit or data.find(form.start, pos, end + len(form.start) - 1) >= 0:
            return "none"
        closed = end == limit or data.startswith(form.start, end, limit)
        return "frame" if closed and form.ends(data, end, pos) else "none"

    def _next_start(self, data: bytes, pos: int, limit: int, final: bool) -> int:
        if not self.longest_start or b"" in self.starts:
            return pos if pos < limit else -1
        # A start is only taken where the longest one would fit too, or where no more bytes can come.
        found = [at for start in self.starts if (at := data.find(start, pos, limit)) >= 0]
        first = min(found, default=-1)
        return first if first >= 0 and (final or first + self.longest_start <= limit) else -1

    def _delimited(self, data: bytes, begin: int, pos: int, limit: int, final: bool, synced: bool,
                   cuts: list[Cut]) -> tuple[int, bool]:
        start, end, checks = self.layout.start, self.layout.end, self.layout.checks
        while pos < limit:
            found = data.find(end, pos, limit)
            if found < 0:
                if final:
                    if (synced or (start and data.startswith(start, pos, limit))) and limit - pos <= BOUND:
                        cuts.append((pos, limit, True))
                    return limit, synced
                if limit - pos > BOUND:
                    return limit - len(end) + 1, False
                break
            stop = found + len(end)
            if stop - pos > BOUND + len(end):
                pos, synced = stop - BOUND, False
            at = pos
            if not data.startswith(start, pos, stop):
                at = data.rfind(start, pos, found)
                if at < 0:
                    if synced:
                        cuts.append((pos, stop, True))
                    pos, synced = stop, True
                    continue
            elif checks and start and not passes(data[at:stop], checks):
                again = data.rfind(start, pos + 1, found)
                if again >= 0 and passes(data[again:stop], checks):
                    at = again
            elif not checks and len(start) > 1:
                # A start of several bytes hardly stands within a frame by chance: the one before lost its end.
                at = max(at, data.rfind(start, pos + len(start), found))
            if at > pos and (synced or data.startswith(start, pos)):
                cuts.append((pos, at, True))
            known = synced or at > pos or bool(start) or (bool(checks) and passes(data[at:stop], checks))
            cuts.append((at, stop, not known))
            pos, synced = stop, True
        return pos, synced

    def _gap(self, data: bytes, begin: int, pos: int, limit: int, final: bool,
             cuts: list[Cut]) -> tuple[int, bool]:
        if not final:
            # An endless stretch is noise; `begin` still tells how long it was.
            return (limit, False) if limit - begin > BOUND else (pos, True)
        if pos < limit <= begin + BOUND:
            whole = data.startswith(self.layout.start, pos, limit) and data.endswith(self.layout.end, pos, limit)
            cuts.append((pos, limit, not whole))
        return limit, True


def _holds_checked(data: bytes, pos: int, end: int, form: _Form) -> bool:
    """Say whether a frame whose check holds stands within bytes whose check fails."""
    at = data.find(form.start, pos + 1, end)
    if at < 0 or passes(data[pos:end], form.checks):
        return False
    while at >= 0:
        size = form.size(data, at, end)
        if 0 < size <= end - at and form.surely(data, at, at + size, False):
            return True
        at = data.find(form.start, at + 1, end)
    return False


class _Form:
    """One layout, ready for scanning."""

    def __init__(self, layout: FrameLayout) -> None:
        self.length = layout.length
        self.start, self.end, self.checks = layout.start, layout.end, layout.checks
        self.n_bytes, self.field_at, self.field_add = layout.n_bytes, layout.field_at, layout.field_add
        spans = [max(p for p in (check.first, check.last, check.at)) for check in layout.checks]
        held = [n_check_bytes(check.kind) for check in layout.checks]
        least = max([len(self.start) + len(self.end), self.field_at + 1, 1, *(p + 1 for p in spans), *held])
        self.least = least if self.length == "field" else self.n_bytes
        self.most = self.n_bytes if self.length == "fixed" else 255 + max(self.field_add, 0)

    def size(self, data: bytes, pos: int, limit: int) -> int:
        """Return the frame's size, 0 where it can be none, -1 where its length byte is not there yet."""
        if self.length == "fixed":
            return self.n_bytes
        at = pos + self.field_at
        if at >= limit:
            return -1
        size = data[at] + self.field_add
        return size if size >= self.least else 0

    def ends(self, data: bytes, end: int, pos: int) -> bool:
        """Say whether the constant tail stands before `end`."""
        return not self.end or data.endswith(self.end, pos, end)

    def surely(self, data: bytes, pos: int, end: int, after_gap: bool) -> bool:
        """Say whether these bytes are a frame whatever follows them."""
        if not self.ends(data, end, pos):
            return False
        if self.checks:
            return passes(data[pos:end], self.checks)
        return after_gap or bool(self.start and self.end)
