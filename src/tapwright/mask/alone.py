"""A radio recording alone -> what of a mask a known start or a check settles.

Without the wire side most of a mask stays open, and mostly it need not be known: a fixed mask turns each bit over or
not, always alike, so the reading map can be learned from masked frames as they are. What is claimed here is only what
the extra knowledge proves.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from tapwright.core.errors import UsageError
from tapwright.core.frame import Frames
from tapwright.core.mask import Mask, Step
from tapwright.mask import align
from tapwright.mask.apply import forward_tables, unmask
from tapwright.mask.find import MAX_WIDTH, random_places
from tapwright.mask.keyed import bit_orders
from tapwright.mask.labelled import BITS_A_DISPLAY, Labelled, adds_as_well, key_bits
from tapwright.mask.on_air import Account, CheckOnAir, account, xor_on_air
from tapwright.mask.report import MaskReport, described, spans

PROOF_BITS = 24.0  # that start and check must give beyond what a kind's own parameters could make fit
LEAST_FRAMES, LEAST_DISTINCT = 20, 4
_FAMILY = {"segments": "display segments", "text": "the display's text", "bcd": "decimal digits (BCD)",
           "integer": "a whole number", "float": "a floating-point number", "table": "a code for each digit"}

CheckFinder = Callable[[Frames], tuple[str, float]]
"""Given frames taken to be without a mask: a check that holds in all of them, in words, and -log2 of the chance that it
would hold under a mask as well; an empty name and 0 for none."""


@dataclass(frozen=True)
class _Candidate:
    """A mask that fits, the bits of the start that speak for it, and its check with its bits."""

    mask: Mask
    start_bits: float
    check: tuple[str, float]

    @property
    def proof_bits(self) -> float:
        """Both together."""
        return self.start_bits + self.check[1]


def start_bytes(text: str) -> bytes:
    """Return a known start from hex; raise UsageError where it is none."""
    digits = "".join(text.split())
    if not re.fullmatch(r"(?:[0-9A-Fa-f]{2})+", digits):
        raise UsageError(f"--start '{text}'", expected='whole bytes in hex, as --start "5A A5"')
    return bytes.fromhex(digits)


def find_mask_alone(radio: Frames, *, start: bytes = b"", labelled: Labelled | None = None,
                    find_check: CheckFinder = lambda frames: ("", 0.0),
                    on_air: CheckOnAir | None = None) -> MaskReport:
    """Say what of the mask the radio frames alone settle.

    Parameters
    ----------
    radio : radio frames
    start : bytes with which every wire frame is known to begin, empty where that is not known
    labelled : what labels made of these frames as they are, None without labels
    find_check : looks for a check in frames taken to be without a mask
    on_air : a check that the frames hold as they are
    """
    rows = align.rows_of(radio, MAX_WIDTH)
    random, places = random_places(rows)
    if places and random == places:
        return MaskReport(mask=None, advice=(
            "Every byte of the radio frames looks random: they look encrypted. That is where this stops; read the "
            "instrument's wire side instead.",))
    distinct = len(np.unique(rows.data, axis=0)) if len(rows) else 0
    if len(rows) < LEAST_FRAMES or distinct < LEAST_DISTINCT:
        return MaskReport(mask=None, advice=(
            f"{len(rows)} whole radio frame{'s' * (len(rows) != 1)}, {distinct} of them different: record at least "
            f"{LEAST_FRAMES} while the reading changes.",))
    if start and not _same_start(rows, len(start)):
        return MaskReport(mask=None, advice=(
            f"The first {len(start)} bytes of the radio frames are not always the same, so they cannot all begin with "
            "this start under a fixed mask. Frames of another kind may lie between, or the start is shorter.",))
    by_labels = None if labelled is None else _by_labels(rows, labelled, start)
    counted = _counted(rows, labelled, start, on_air)
    if by_labels is not None and by_labels.mask is not None:
        return _with(by_labels, counted)
    found = sorted(_candidates(rows, radio, start, find_check), key=lambda candidate: -candidate.proof_bits)
    if found and found[0].proof_bits >= PROOF_BITS:
        rivals = [candidate for candidate in found if candidate.proof_bits > found[0].proof_bits - PROOF_BITS / 2]
        if len(rivals) == 1:
            return _claimed(found[0], len(rows))
    else:
        rivals = []
    said = by_labels.evidence if by_labels is not None else ()
    said += tuple(_start_alone(rows, start))
    advice = tuple(_undecided(rivals, bool(start), labelled is not None))
    return _with(MaskReport(mask=None, evidence=said, advice=advice), counted)


def _with(report: MaskReport, counted: Account) -> MaskReport:
    """Return a report with the account of the key."""
    return replace(report, evidence=(*report.evidence, *counted.evidence), settled_by=counted.settled_by,
                   open_bits=counted.open_bits, next=counted.next)


def _counted(rows: align.Rows, labelled: Labelled | None, start: bytes, on_air: CheckOnAir | None) -> Account:
    """Return what start, labels and check settle of a xored key, in frames of the greatest length."""
    n = int(rows.lengths.max())
    data = np.ascontiguousarray(rows.data[rows.lengths == n, :n])
    if on_air is None or on_air.n_bytes != n:
        plain = xor_on_air(data)
        on_air = None if plain is None else CheckOnAir(check=plain, n_bytes=n, wire=((0, 0),))
    head = {(at, bit): bool((byte ^ int(data[0, at])) >> bit & 1) for at, byte in enumerate(start) for bit in range(8)}
    shown = {} if labelled is None else key_bits(labelled, data)
    return account(data, {"start": head, "labels": shown}, on_air)


def _start_alone(rows: align.Rows, start: bytes) -> Iterator[str]:
    """Yield what a known start would settle of a key, where the kind of the mask is not known."""
    if start:
        head = rows.data[0, :len(start)].tolist()
        keys = [bytes(b ^ a for a, b in zip(start, head, strict=True)),
                bytes(b - a & 255 for a, b in zip(start, head, strict=True))]
        yield (f"If the mask is a key, its first {len(start)} bytes are {keys[0].hex(' ').upper()} xored or "
               f"{keys[1].hex(' ').upper()} added; the start alone does not tell which.")


def _by_labels(rows: align.Rows, labelled: Labelled, start: bytes) -> MaskReport:
    """Return the part of a xored key that labels settle, or in words why they settle none."""
    if labelled.reading_map is None:
        return MaskReport(mask=None, evidence=(
            f"No family of values explains the {labelled.n_labels} labels in the frames as they are beyond chance.",))
    said = [f"The reading map was learned from the masked frames as they are: {_FAMILY[labelled.reading_map.kind]}, "
            f"{labelled.n_agreeing} of {labelled.n_labels} labels agree. The key need not be known for it."]
    n = int(rows.lengths.max())
    data = rows.data[rows.lengths == n, :n]
    bits = key_bits(labelled, data)
    if not bits:
        said.append("They settle no bit of a key: how this family is sent on the wire is the maker's choice.")
        return MaskReport(mask=None, evidence=tuple(said))
    whole = {at: sum(bits[at, bit] << bit for bit in range(8)) for at in range(n)
             if all((at, bit) in bits for bit in range(8))}
    n_half = len(bits) - 8 * len(whole)
    if not whole:
        said.append(f"Under a xored key they settle {len(bits)} of its bits, but of no byte all eight: digits alone do "
                    "not tell ASCII from plain numbers. Label readings in another range, where the point moves.")
    elif labelled.proof_bits < PROOF_BITS:
        said.append(f"{len(labelled.displays)} different displays are too few to tell a key from chance: label "
                    f"{int(PROOF_BITS // BITS_A_DISPLAY) + 2} or more.")
    elif adds_as_well(whole, data):
        said.append("A xored key and an added one fit alike: label readings that differ more.")
    else:
        for at, byte in enumerate(start):
            if whole.setdefault(at, byte ^ int(data[0, at])) != byte ^ int(data[0, at]):
                said.append(f"Start and labels contradict each other at byte {at}.")
                return MaskReport(mask=None, evidence=tuple(said))
        return _of_key(n, whole, n_half, said, bool(start))
    return MaskReport(mask=None, evidence=tuple(said))


def _of_key(n: int, key: dict[int, int], n_half: int, said: list[str], has_start: bool) -> MaskReport:
    """Return a report of a xored key of which some bytes are known."""
    open_ = [at for at in range(n) if at not in key]
    said.append(f"Digits in a plain code settle {len(key)} bytes of a xored key"
                + (", the known start among them." if has_start else "."))
    advice = ["Found without the wire side: a wire recording over the same minutes would prove it and settle the rest."]
    undetermined: tuple[dict[str, object], ...] = ()
    if open_:
        text = f"byte{'s' * (len(open_) != 1)} {spans(open_)} of the key"
        undetermined = ({"what": text, "at": open_, "why": "no label and no start shows what the wire sends there"},)
        advice.insert(0, f"Not settled: {text}. Readings do not need them: tapwright learn RADIO --labels LABELS.csv "
                         "learns from these frames as they are.")
    mask = Mask(steps=(Step(kind="xor", key=tuple(key.get(at) for at in range(n))),), n_bytes=n,
                determined_bits=8 * len(key) + n_half, total_bits=8 * n, advice=tuple(advice))
    return MaskReport(mask=mask, probability=0.99, evidence=tuple(said), advice=tuple(advice),
                      undetermined=undetermined)


def _same_start(rows: align.Rows, n: int) -> bool:
    return bool((rows.lengths >= n).all() and (rows.data[:, :n] == rows.data[0, :n]).all())


def _candidates(rows: align.Rows, radio: Frames, start: bytes, find_check: CheckFinder) -> Iterator[_Candidate]:
    """Yield the masks that the start allows, each with what its frames show once it is taken off."""
    head = rows.data[0, :len(start)].tobytes()
    n = int(rows.lengths.max())
    for steps, _, _ in bit_orders():
        mask = Mask(steps=steps or (Step(kind="none"),))
        turned = _forward(mask, start)
        if turned == head:
            # A start of equal-looking bytes (00, FF, AA under some orders) tells nothing of the order.
            telling = max(8.0 * len(set(start)) - 4.0, 0.0)
            yield _Candidate(mask, telling, find_check(unmask(radio, mask)))
    if not start:
        return
    for kind in ("xor", "add"):
        key = [(b ^ a if kind == "xor" else b - a & 255) for a, b in zip(start, head, strict=True)]
        if not any(key):
            continue
        for period in range(1, min(len(key), n) + 1):
            if all(key[i] == key[i % period] for i in range(len(key))):
                mask = Mask(steps=(Step(kind=kind, key=tuple(key[:period])),), determined_bits=8 * period,
                            total_bits=8 * period)
                yield _Candidate(mask, 8.0 * (len(key) - period), find_check(unmask(radio, mask)))


def _forward(mask: Mask, data: bytes) -> bytes:
    table, _ = forward_tables(mask, len(data))
    return bytes(int(table[place, byte]) for place, byte in enumerate(data))


def _claimed(candidate: _Candidate, n_frames: int) -> MaskReport:
    evidence = []
    if candidate.start_bits > 0:
        evidence.append(f"The start fits, with {candidate.start_bits:.0f} bits more than this kind of mask could be "
                        "made to fit.")
    if candidate.check[0]:
        evidence.append(f"Without the mask the {n_frames} frames hold a check: {candidate.check[0]}; under a mask it "
                        f"would hold by chance only (1 in 2^{candidate.check[1]:.0f}).")
    mask = candidate.mask
    advice = ("Found without the wire side: a wire recording over the same minutes would prove it.",)
    return MaskReport(mask=Mask(steps=mask.steps, determined_bits=mask.determined_bits, total_bits=mask.total_bits,
                                advice=advice), probability=0.99, evidence=tuple(evidence), advice=advice)


def _undecided(standing: list[_Candidate], has_start: bool, has_labels: bool) -> Iterator[str]:
    if standing:
        yield "More than one mask fits: " + "; ".join(described(one.mask) for one in standing[:4]) + "."
    else:
        yield ("The radio frames alone do not settle a mask" + (": the start is too short, or its key does not repeat "
                                                                "within it." if has_start else "."))
    yield ("A fixed mask turns each bit over or not, always alike, so the reading map can be learned from these frames "
           "as they are: tapwright learn RADIO --labels LABELS.csv" + (" (the labels given)." if has_labels else "."))
