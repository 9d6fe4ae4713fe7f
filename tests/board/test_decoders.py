"""Python, C99 and MicroPython give identical rows; the C framer finds what the package's splitter finds."""

from __future__ import annotations

import json
import random
import subprocess
from pathlib import Path

import pytest
from tests.board.board_face import meter
from tests.board.frames import frame, modbus_crc, sound
from tests.board.rows import (
    CHECKS,
    SANITIZED,
    STRICT,
    build,
    c_rows,
    cpython_rows,
    differences,
    emit,
    fuzz,
    in_micropython,
    learned,
    masked,
    micropython_rows,
    mixed,
    need,
    reference,
    unchecked,
)

from dataclasses import replace

from tapwright.board import c_places
from tapwright.board.cost import PROCESSORS, Processor
from tapwright.board.targets import c, micropython
from tapwright.core.frame import FrameLayout
from tapwright.core.instrument import Instrument
from tapwright.core.reading_map import BitRef, Float, Integer, Lamp, Rounding, UnitSigns
from tapwright.frames.apply import Splitter

FAMILIES = ("segments", "text", "bcd", "integer", "float", "table")
WANTED = [
    (frame("6.82", "mg/L"), ("6.82", "6.82", "mg/L", "", "ok")),
    (frame("-.04", "S/cm", "AUTO", "MAX", prefix=2), ("-.04", "-0.04", "µS/cm", "AUTO MAX", "ok")),
    (frame("0L", "pH", "HOLD"), ("OL", "", "pH", "HOLD", "overload")),
    (frame("0.L", "pH"), ("O.L", "", "pH", "", "overload")),
    (frame("-0L", "pH"), ("-OL", "", "pH", "", "overload")),
    (frame("-0L", "pH", dash_in_place=True), ("-OL", "", "pH", "", "overload")),
    (frame("-0.L", "pH", dash_in_place=True), ("-O.L", "", "pH", "", "overload")),
    (frame("- 0L", "pH", dash_in_place=True), ("-OL", "", "pH", "", "overload")),
    (frame("--0L", "pH"), ("?", "", "pH", "", "unproven")),  # the lamp and a place: two signs
    (frame("--0L", "pH", dash_in_place=True), ("?", "", "pH", "", "unproven")),
    (frame("-1L", "pH", dash_in_place=True), ("?", "", "pH", "", "unproven")),
    (frame("----", "pH", dash_in_place=True), ("----", "", "pH", "", "ok")),
    (frame("-1.2", "pH", dash_in_place=True), ("-1.2", "-1.2", "pH", "", "ok")),
    (frame("- 12", "pH", dash_in_place=True), ("-12", "-12", "pH", "", "ok")),
    (frame("", "%"), ("", "", "%", "", "blank")),
    (frame("7.01", "pH", watched=2), ("7.01", "", "?", "?", "unproven")),
    (frame("7.01", "pH")[:-1] + b"\x00", ("", "", "", "", "bad check")),
    (b"\x5A\xA5", ("", "", "", "", "bad check")),
]


def general() -> Instrument:
    """Return the same meter with its display as two alternatives, which the C decoder keeps in parts to compare."""
    reading_map = meter().reading_map
    return replace(meter(), reading_map=replace(reading_map, displays=reading_map.displays * 2))


@pytest.mark.parametrize(("sent", "row"), WANTED)
def test_known_frames_give_known_rows(sent: bytes, row: tuple[str, ...]) -> None:
    """Rows written down by hand for frames made by hand: the reference, and the emitted Python."""
    assert reference(meter(), [sent]) == [row]
    assert cpython_rows(meter(), [sent]) == [row]


@pytest.mark.slow
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_known_frames_in_c(compiler: str, tmp_path: Path) -> None:
    """The same frames through C from either compiler, sanitizers on, written as read and kept in parts."""
    assert c_places.serves(meter().reading_map)
    assert not c_places.serves(general().reading_map)
    for instrument in (meter(), general()):
        program = build(instrument, tmp_path, compiler, *SANITIZED)
        assert c_rows([str(program)], [sent for sent, _ in WANTED]) == [row for _, row in WANTED]


@pytest.mark.slow
def test_known_frames_in_micropython(tmp_path: Path) -> None:
    """The same frames through the MicroPython interpreter."""
    assert micropython_rows(meter(), [sent for sent, _ in WANTED], tmp_path) == [row for _, row in WANTED]


@pytest.mark.slow
@pytest.mark.parametrize("processor", PROCESSORS, ids=lambda processor: processor.name)
def test_all_agree_on_the_processors_of_small_boards(processor: Processor, tmp_path: Path) -> None:
    """Known frames, 5000 of the meter changed and random, 1000 of a sparse blind float: emulated, row for row."""
    rng = random.Random(6)
    sent = [sent for sent, _ in WANTED]
    need(processor.compiler[0])
    need(processor.emulator)
    for instrument, frames in ((meter(), [*sent, *mixed(meter(), sent[:6], 5000, rng)]), _sparse("float", 1000, rng)):
        emit(instrument, tmp_path)
        rows = c_rows(processor.build(tmp_path, "reading.c", "main_stdio.c"), frames)
        assert not list(differences(reference(instrument, frames), rows, frames))
        if frames[: len(sent)] == sent:
            assert rows[: len(sent)] == [row for _, row in WANTED]


def _sparse(family: str, n: int, rng: random.Random) -> tuple[Instrument, list[bytes]]:
    found = learned(4, family, sparse=True)
    assert found is not None
    return found[0], mixed(*found, n, rng)


@pytest.mark.slow
def test_all_agree_on_meter_frames_changed_and_random(tmp_path: Path) -> None:
    """4000 frames of the hand-made meter: every decoder, row for row; sound ones, too."""
    rng = random.Random(5)
    base = [sent for sent, row in WANTED if row[4] != "bad check"]
    frames = mixed(meter(), base, 1000, rng)
    frames += sound(frames)
    want = reference(meter(), frames)
    assert sum(row[4] == "ok" for row in want) > 50
    assert not list(differences(want, cpython_rows(meter(), frames), frames))
    for compiler in ("gcc", "clang"):
        program = build(meter(), tmp_path, compiler, *SANITIZED)
        assert not list(differences(want, c_rows([str(program)], frames), frames))
    assert not list(differences(want, micropython_rows(meter(), frames, tmp_path), frames))


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES)
def test_all_agree_on_blind_instruments(family: str, tmp_path: Path) -> None:
    """Learned from blind instruments, settled and sparse, plain and masked: frames as sent, changed and random."""
    for seed, sparse in ((3, False), (4, True)):
        found = learned(seed, family, sparse=sparse)
        if found is None:
            continue
        instrument, sent = found
        rng = random.Random(seed)
        frames = mixed(instrument, sent, 400, rng)
        if sparse:
            instrument, frames = masked(instrument, frames, rng)
        want = reference(instrument, frames)
        assert not list(differences(want, cpython_rows(instrument, frames), frames))
        program = build(instrument, tmp_path, "clang" if sparse else "gcc", *SANITIZED)
        assert not list(differences(want, c_rows([str(program)], frames), frames))
        few = frames[:150]
        assert not list(differences(want[:150], micropython_rows(instrument, few, tmp_path), few))


@pytest.mark.slow
@pytest.mark.parametrize("prefixes", [0, 2, 14])
def test_all_agree_on_many_units_and_flags(prefixes: int, tmp_path: Path) -> None:
    """More signs than one read takes, unit numbers beyond a byte, more flags than 16; one sign lit, two, or none."""
    def lamp(at: int) -> Lamp:
        return Lamp((BitRef(7 + at // 8, at % 8),))

    signs = UnitSigns({f"p{i}": lamp(20 + i % 8) for i in range(prefixes)}, {f"u{i}": lamp(i) for i in range(20)}, prefixes == 2)
    flags = {f"F{i}": Lamp((BitRef(3 + i // 8, i % 8),)) for i in range(30)}
    instrument = replace(meter(), reading_map=replace(meter().reading_map, units=(signs,), flags=flags, watch=()))
    rng, frames = random.Random(prefixes), []
    for _ in range(1500):
        body = bytearray(b"\x5A\xA5" + bytes(9))
        for at in [rng.randrange(28) for _ in range(rng.choice((0, 1, 1, 2)))] + [20] * rng.randrange(2):
            body[7 + at // 8] |= 1 << at % 8
        for at in (3, 4, 5, 6):
            body[at] = rng.choice((0x3F, 0x06, 0x5B, 0x00, 0x40, 0x38, rng.randrange(256)))
        frames.append(bytes(body) + modbus_crc(bytes(body)))
    want = reference(instrument, frames)
    assert len({row[2] for row in want}) > 20
    assert not list(differences(want, cpython_rows(instrument, frames), frames))
    for compiler in ("gcc", "clang"):
        assert not list(differences(want, c_rows([str(build(instrument, tmp_path, compiler, *SANITIZED))], frames), frames))


@pytest.mark.slow
@pytest.mark.parametrize("rounding", ["nearest", "half even", "toward zero"])
@pytest.mark.parametrize("family", ["integer", "float"])
def test_all_agree_on_every_rounding(family: str, rounding: Rounding, tmp_path: Path) -> None:
    """Numbers between two counts, rounded as the description says, by both compilers without a warning."""
    found = learned(3, family)
    assert found is not None
    displays = []
    for display in found[0].reading_map.displays:
        digits = display.digits
        if isinstance(digits, Integer):
            digits = replace(digits, divide=4, rounding=rounding)
        elif isinstance(digits, Float):
            digits = replace(digits, rounding=rounding)
        displays.append(replace(display, digits=digits))
    instrument = replace(found[0], reading_map=replace(found[0].reading_map, displays=tuple(displays)))
    frames = mixed(instrument, found[1], 600, random.Random(9))
    want = reference(instrument, frames)
    assert sum(row[4] == "ok" for row in want) > 20
    assert not list(differences(want, cpython_rows(instrument, frames), frames))
    for compiler in ("gcc", "clang"):
        program = build(instrument, tmp_path, compiler, *SANITIZED)
        assert not list(differences(want, c_rows([str(program)], frames), frames))


@pytest.mark.slow
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: f"{check.kind}-{check.refout}")
def test_all_agree_on_every_check(check: object, tmp_path: Path) -> None:
    """A check that the package finds right is right in C and Python, on frames of several lengths; others are not."""
    from tapwright.core.frame import Check, Frames
    from tapwright.frames.apply import check_ok

    assert isinstance(check, Check)
    rng = random.Random(7)
    layout = FrameLayout(length="gap", gap_s=0.01, checks=(check,))
    instrument = replace(meter(), layout=layout)
    size, frames = -check.at, []
    for _ in range(60):
        frames.append(bytes(rng.randrange(256) for _ in range(rng.randrange(1, 20))))
    if size == 1:  # all check bytes: one of them is right
        frames += [bytes([90, 165, 3, i]) for i in range(256)]
    right = check_ok(Frames.of(frames, [0.0] * len(frames)), layout).tolist()
    assert size > 1 or any(right)
    for rows in (cpython_rows(instrument, frames),
                 c_rows([str(build(instrument, tmp_path, "gcc", *SANITIZED))], frames)):
        assert [row[4] != "bad check" for row in rows] == right


@pytest.mark.slow
@pytest.mark.parametrize("family", ["meter", "general", "text", "float"])
def test_random_inputs_meet_no_sanitizer(family: str, tmp_path: Path) -> None:
    """40,000 random frames and their bytes, with the check and without; `python -m tests.board.sweep --fuzz 1000000` gives a million of each family."""
    if family in ("text", "float"):
        found = learned(4, family, sparse=True)
        assert found is not None
        instrument = found[0]
    else:
        instrument = meter() if family == "meter" else general()
    for one in (instrument, unchecked(instrument)):
        said = fuzz(one, tmp_path, "clang" if family == "text" else "gcc", 20_000)
        assert said.startswith("20000 inputs: ")


_FRAMER = r'''
#include <stdio.h>
#include "reading.h"
int main(void)
{
    struct reading_framer framer;
    int c;
    reading_start(&framer);
    while ((c = getchar()) != EOF) {
        size_t n = reading_push(&framer, (uint8_t)c);
        for (size_t i = 0; i < n; i++)
            printf("%02x", framer.bytes[i]);
        if (n)
            putchar('\n');
    }
    return 0;
}
'''


def framed_by_c(instrument: Instrument, data: bytes, folder: Path) -> list[bytes]:
    """Return the frames that the emitted framer finds."""
    for name, text in c.files(instrument).items():
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "framer.c").write_text(_FRAMER)
    subprocess.run([need("gcc"), *STRICT, *SANITIZED, "-o", str(folder / "framer"), str(folder / "framer.c"),
                    str(folder / "reading.c")], check=True)
    said = subprocess.run([str(folder / "framer")], input=data, capture_output=True, check=True).stdout.decode()
    return [bytes.fromhex(line) for line in said.splitlines()]


def framed_by_python(instrument: Instrument, data: bytes, folder: Path) -> list[bytes]:
    """Return the frames that the framer of `reading.py` finds in the MicroPython interpreter."""
    code = ("import reading\nf = reading.Framer()\nfor line in open('/frames'):\n"
            "    for one in f.feed(bytes.fromhex(line.strip())):\n        print(json.dumps(one.hex()))\n")
    pieces = [data[i:i + 37] for i in range(0, len(data), 37)]
    files = {"reading.py": micropython.files(instrument)["reading.py"]}
    return [bytes.fromhex(json.loads(line)) for line in in_micropython(files, pieces, code, folder)]


LAYOUTS = {
    "plain": None,
    "field": FrameLayout(length="field", field_at=1, field_add=3, start=b"\x5A", checks=(CHECKS[0],)),
    "delimited": FrameLayout(length="delimited", end=b"\r\n"),
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", LAYOUTS)
def test_both_framers_find_the_frames_of_a_clean_stream_and_come_back_after_noise(kind: str, tmp_path: Path) -> None:
    """Clean: what the package's splitter finds. After noise: every whole frame but perhaps the one behind the noise."""
    rng = random.Random(kind)
    layout = LAYOUTS[kind]
    instrument = meter() if layout is None else replace(meter(), layout=layout)
    sent = []
    for i in range(40):
        if kind == "plain":
            sent.append(frame(f"{i / 4:.2f}", "mg/L"))
        elif kind == "field":
            body = bytes([0x5A, 4]) + bytes(rng.randrange(256) for _ in range(4))
            sent.append(body + bytes([sum(body) & 255]))
        else:
            sent.append(f"{i * 1.5:07.2f} mg/L\r\n".encode())
    clean = b"".join(sent)
    assert instrument.layout is not None
    splitter = Splitter(instrument.layout)
    whole = sent[1:] if kind == "delimited" else sent  # the first may be the rest of one that began before
    split = [row[1] for row in [*splitter.feed(clean, 0.0), *splitter.flush(1.0)] if not row[2]]
    assert split == whole
    assert framed_by_c(instrument, clean, tmp_path) == whole
    assert framed_by_python(instrument, clean, tmp_path) == whole
    noisy = b""
    for i, one in enumerate(sent):
        noise = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 9))) if i % 4 == 2 else b""
        noisy += noise + (one[: len(one) // 2] if i % 10 == 6 else one)
    for found in (framed_by_c(instrument, noisy, tmp_path), framed_by_python(instrument, noisy, tmp_path)):
        missed = [i for i, one in enumerate(sent) if one not in found and one in whole]
        assert all(i % 10 in (6, 7) or i % 4 in (2, 3) for i in missed)
        assert [one for one in found if one in sent] == [one for one in sent if one in found]
        if kind == "plain":
            assert all(one in sent for one in found)
            assert missed == [i for i in range(40) if i % 10 == 6]


@pytest.mark.slow
def test_both_framers_find_masked_frames_among_noise(tmp_path: Path) -> None:
    """Start and check are those of the wire: each place of the window is unmasked by its own key."""
    rng = random.Random(11)
    plain = [frame(f"{i / 4:.2f}", "mg/L") for i in range(40)]
    instrument, sent = masked(meter(), plain, rng)
    noisy = b"".join(bytes(rng.randrange(256) for _ in range(rng.randrange(6))) + one for one in sent)
    assert framed_by_c(instrument, noisy, tmp_path) == sent
    assert framed_by_python(instrument, noisy, tmp_path) == sent


@pytest.mark.slow
def test_both_framers_cut_a_stream_of_false_starts_alike(tmp_path: Path) -> None:
    """Without a check every start begins a frame: the window of the C framer cuts where trying every byte cuts."""
    rng = random.Random(12)
    data = bytes(rng.choice((0x5A, 0xA5, rng.randrange(256))) for _ in range(6000))
    for start in (b"\x5A\xA5", b"\x5A", b""):
        layout = meter().layout
        assert layout is not None
        instrument = replace(meter(), layout=replace(layout, start=start, checks=()))
        found = framed_by_c(instrument, data, tmp_path)
        assert len(found) > 100
        assert found == framed_by_python(instrument, data, tmp_path)


def test_emitted_text_is_the_same_every_time_and_names_its_description() -> None:
    """Golden text of the plain decoder; the description's digest stands in both heads."""
    golden = Path(__file__).parent / "golden" / "reading.c"
    files = c.files(meter())
    assert files == c.files(meter())
    assert files["reading.c"] == golden.read_text(encoding="utf-8")
    digest = files["reading.c"].split("SHA-256 ")[1][:64]
    assert digest in micropython.files(meter())["reading.py"]


@pytest.mark.slow
def test_the_whole_program_compiles_in_micropython(tmp_path: Path) -> None:
    """The interpreter takes main.py, and what needs no board runs: settings, passwords, forms, self-test."""
    files = micropython.files(meter())
    code = (
        "import hashlib\n"
        "compile(open('/hardware.py').read(), 'hardware.py', 'exec')\n"
        "import reading, main, config, web\n"
        "config.add_network('/settings', 'pond', 'under the grotto')\n"
        "values, networks = config.read_settings('/settings')\n"
        "print(json.dumps([values['baud'], networks, web.same('a', 'a'), web.same('a', 'b'),"
        " web.unquote('gr%C3%BCn+x'), reading.self_test()]))\n")
    said = in_micropython(files, [], code, tmp_path)
    assert json.loads(said[-1]) == ["9600", [["pond", "under the grotto"]], True, False, "grün x", [0, None]]
